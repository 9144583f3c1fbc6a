"""The words of the trade that are understood for each value of the vocabulary.

Case, spaces, hyphens and full stops never matter. A side, a direction or a contact typed
before or after the stroke (``cross drive``, ``volley drop``, ``BH straight drive``) goes to
its own column. The lists hold plain trade words only (common practice, no source); a word
that could mean two things is left out, and its mend says which two.
"""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass, field
from functools import cache
from typing import Final

from sidewall.log.vocabulary import HANDS, VOCABULARY

SYNONYMS: Final[dict[str, dict[str, str]]] = {
    "side": {"fh": "forehand", "f": "forehand", "fore": "forehand", "fore hand": "forehand"}
    | {"bh": "backhand", "b": "backhand", "back": "backhand", "back hand": "backhand"},
    "stroke": {"service": "serve", "lob serve": "serve", "lob service": "serve"}
    | {"hard serve": "serve", "smash serve": "serve"}
    | {"length": "drive", "len": "drive", "drives": "drive"}
    | {"drop shot": "drop", "dropshot": "drop", "counter drop": "drop", "drops": "drop"}
    | {"lobs": "lob", "kill shot": "kill", "kills": "kill", "flicks": "flick"}
    | {"boasts": "boast", "attacking boast": "boast", "trickle boast": "boast"}
    | {"two wall boast": "boast", "three wall boast": "boast", "reverse boast": "boast"}
    | {"backwall boast": "back wall boast", "skid": "skid boast"},
    "direction": {"str": "straight", "cross court": "cross", "crosscourt": "cross"}
    | {"x court": "cross", "xcourt": "cross"},
    "contact": {"vol": "volley", "volleyed": "volley", "v": "volley"}
    | {"bounce": "after bounce", "after the bounce": "after bounce", "ground": "after bounce"}
    | {"back wall": "off back wall", "off the back wall": "off back wall"},
    "choice": {"att": "attack", "attacking": "attack", "attacked": "attack"}
    | {"resetting": "reset"},
    "balance": {"balanced": "set", "stretch": "stretched", "stretching": "stretched"}
    | {"cramped": "jammed"},
    "depth": {"front court": "front", "up front": "front", "f": "front"}
    | {"mid": "middle", "mid court": "middle", "midcourt": "middle", "middle court": "middle"}
    | {"m": "middle", "back court": "back", "backcourt": "back", "rear": "back"}
    | {"rear court": "back", "b": "back"},
    "lane": {"l": "left", "left side": "left", "left wall": "left"}
    | {"c": "centre", "center": "centre", "middle": "centre", "mid": "centre"}
    | {"r": "right", "right side": "right", "right wall": "right"},
    "opponent_place": {"front": "in front", "infront": "in front", "in front of me": "in front"}
    | {"ahead": "in front", "in front of the striker": "in front"}
    | {"back": "behind", "behind me": "behind", "behind the striker": "behind"}
    | {"away": "out of the way", "out of way": "out of the way", "to the side": "out of the way"}
    | {"beside": "out of the way", "level": "out of the way"},
    "bounce": {"short of the box": "short", "short of the service box": "short"}
    | {"in front of the box": "short", "before the box": "short"}
    | {"box": "service box", "in the box": "service box", "on the box": "service box"}
    | {"level with the box": "service box", "in the service box": "service box"}
    | {"behind": "behind box", "behind the box": "behind box", "past the box": "behind box"}
    | {"behind the service box": "behind box", "behind service box": "behind box"}
    | {"deep": "behind box"},
    "ending": {"winning shot": "winner", "win": "winner"}
    | {"into the tin": "tin", "tinned": "tin", "out of court": "out", "not up": "down"}
    | {"double bounce": "down", "no let": "no let", "nolet": "no let", "yes let": "let"},
    "hand": {"r": "right", "right handed": "right", "right hand": "right", "rh": "right"}
    | {"l": "left", "left handed": "left", "left hand": "left", "lh": "left"},
}

#: Words that name a stroke only in part, with what to write instead.
UNCLEAR: Final[dict[str, dict[str, str]]] = {
    "stroke": {
        "volley": "say which stroke was volleyed, such as volley drive or volley drop",
        "nick": "a nick is where the ball ends: write the stroke, such as kill or drop",
        "straight": "say which stroke went straight, such as straight drive",
        "cross": "say which stroke went across, such as cross drive or cross lob",
    },
    "balance": dict.fromkeys(
        ("off balance", "unbalanced", "not balanced", "not set", "out of balance"),
        "say how the player was off balance: stretched or jammed",
    ),
    "ending": {
        "error": "say which error it was: tin, out or down",
        "unforced error": "say which error it was: tin, out or down",
    },
}
_NEGATION: Final = re.compile(r"(not|no|non|off|out of|never) |un|dis")
#: Columns whose words may stand before or after the stroke.
_BESIDE_STROKE: Final = ("side", "direction", "contact")


@dataclass(frozen=True)
class Meaning:
    """What a word was understood as; ``value`` is None where it was not, with the mend."""

    value: str | None
    beside: dict[str, str] = field(default_factory=dict)
    mend: str = ""


def plain(text: object) -> str:
    """Lower case with single spaces for every run of other characters."""
    return re.sub(r"[\W_]+", " ", str(text).casefold()).strip()


def words_of(column: str) -> tuple[str, ...]:
    """Return the vocabulary of a column."""
    return HANDS if column == "hand" else VOCABULARY[column]


def words_for(column: str, value: str) -> list[str]:
    """Every word that alone stands for a value, in plain form."""
    return [word for word, meaning in _known(column).items() if meaning == value]


def understand_word(column: str, text: object, *, suggest: bool = True) -> Meaning:
    """Say what a cell of a word column, or of ``hand``, means; it is not blank.

    To `suggest` the closest known word takes time.
    """
    known = _known(column)
    word = plain(text)
    if word in known:
        return Meaning(known[word])
    mend = _unclear(column, word)
    if column == "stroke" and not mend and " " in word:
        word, beside = _peeled(word, known)
        if word in known:
            return Meaning(known[word], beside)
        if any(word == phrase for phrase, _, _ in _beside()):
            mend = "the stroke itself is missing: write it too, such as volley drop or cross lob"
    return Meaning(None, {}, mend or _mend(column, word, suggest))


@cache
def _known(column: str) -> dict[str, str]:
    canonical = {plain(word): word for word in words_of(column)}
    return canonical | {
        word: canonical[meaning] for word, meaning in SYNONYMS.get(column, {}).items()
    }


@cache
def _beside() -> list[tuple[str, str, str]]:
    phrases = [
        (phrase, column, value)
        for column in _BESIDE_STROKE
        for phrase, value in _known(column).items()
        if len(phrase) > 1 and phrase != "back"
    ]
    return sorted(phrases, key=lambda entry: -len(entry[0]))


def _peeled(word: str, known: dict[str, str]) -> tuple[str, dict[str, str]]:
    """Take side, direction and contact off either end until a stroke is left."""
    beside: dict[str, str] = {}
    while word not in known:
        for phrase, column, value in _beside():
            rest = None
            if word.startswith(f"{phrase} "):
                rest = word[len(phrase) + 1 :]
            elif word.endswith(f" {phrase}"):
                rest = word[: -len(phrase) - 1]
            if rest is not None and column not in beside:
                beside[column] = value
                word = rest
                break
        else:
            break
    return word, beside


def _unclear(column: str, word: str) -> str:
    alone = _known("direction").get(word) or _known("contact").get(word, word)
    return UNCLEAR.get(column, {}).get(alone, "")


def _mend(column: str, word: str, suggest: bool) -> str:
    known = _known(column)
    close = difflib.get_close_matches(word, list(known), n=1, cutoff=0.6) if suggest else []
    choice = f"use one of {', '.join(words_of(column))}"
    # "not attacking" is not a slip for "attacking".
    no = _NEGATION.match(word)
    close = [one for one in close if no is None or one.startswith(no[0])]
    # Nor is "hand", all that a cell says, near "left hand".
    close = [one for one in close if 2 * abs(len(one) - len(word)) <= min(len(one), len(word))]
    return f"did you mean {known[close[0]]}? Otherwise {choice}" if close else choice
