"""One key for every action, built from the vocabulary of the log.

Endings take the digits, in the order of the vocabulary.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Final

from sidewall.charting.rows import WORDS
from sidewall.log.vocabulary import VOCABULARY

#: By frequency of use: what is keyed most has its first letter. A new word takes one that
#: is free, so that fingers need not learn again.
KEYS: Final[dict[str, dict[str, str]]] = {
    "side": {"forehand": "f", "backhand": "b"},
    "stroke": {"drive": "d", "drop": "p", "lob": "l", "boast": "o", "kill": "k", "flick": "i"}
    | {"smash": "m", "back_wall_boast": "y", "skid_boast": "z", "serve": "q"},
    "direction": {"straight": "s", "cross": "c"},
    "contact": {"volley": "v", "after_bounce": "u", "off_back_wall": "w"},
    "choice": {"attack": "a", "reset": "r"},
    "balance": {"set": "e", "stretched": "t", "jammed": "j"},
    "gap_class": {"tight": "h", "middling": "n", "loose": "x"},
    "ending": {word: str(at) for at, word in enumerate(VOCABULARY["ending"], 1)},
}


@dataclass(frozen=True)
class Key:
    """A key as a browser names it, in lower case, such as ``"shift+arrowup"``, and what it does.

    `shown` is printed on the screen for it, under the heading `group`: a column of the log, or
    another.
    """

    key: str
    action: str
    value: str
    label: str
    group: str
    shown: str


#: Keys that are no words of the log. The browser runs those of ``video`` and ``screen``.
ACTIONS: Final = (
    Key("enter", "commit", "", "take the shot, wait for the next", "shot", "Enter"),
    Key("g", "gap", "", "type the gap in cm", "shot", "G"),
    Key(".", "time", "", "take the video's time again", "shot", "."),
    Key("delete", "clear", "", "drop the shot in hand", "shot", "Delete"),
    Key("backspace", "undo", "", "undo, as far back as you like", "shot", "Backspace"),
    Key("shift+backspace", "redo", "", "do again what was undone", "shot", "Shift Backspace"),
    Key("shift+arrowleft", "nudge", "-10,0", "ball 10 cm left", "place", "Shift ←"),
    Key("shift+arrowright", "nudge", "10,0", "ball 10 cm right", "place", "Shift →"),
    Key("shift+arrowup", "nudge", "0,-10", "ball 10 cm to the front", "place", "Shift ↑"),
    Key("shift+arrowdown", "nudge", "0,10", "ball 10 cm to the back", "place", "Shift ↓"),
    Key("ctrl+shift+arrowleft", "nudge", "-1,0", "ball 1 cm left", "place", "Ctrl Shift ←"),
    Key("ctrl+shift+arrowright", "nudge", "1,0", "ball 1 cm right", "place", "Ctrl Shift →"),
    Key("8", "won_by", "0", "rally to the first player", "rally", "8"),
    Key("9", "won_by", "1", "rally to the second player", "rally", "9"),
    Key("0", "swap", "", "the other player serves, or has struck", "rally", "0"),
    Key("shift+g", "game", "1", "next game", "rally", "Shift G"),
    Key("shift+b", "game", "-1", "game before", "rally", "Shift B"),
    Key("pageup", "select", "-1", "go to the row above, to mend it", "rows", "Page Up"),
    Key("pagedown", "select", "1", "go to the row below", "rows", "Page Down"),
    Key("escape", "select", "0", "back to the shot in hand", "rows", "Esc"),
    Key(" ", "play", "", "play or pause", "video", "Space"),
    Key("arrowleft", "skip", "-2", "back 2 s", "video", "←"),
    Key("arrowright", "skip", "2", "forward 2 s", "video", "→"),
    Key("ctrl+arrowleft", "frame", "-1", "back one frame", "video", "Ctrl ←"),
    Key("ctrl+arrowright", "frame", "1", "forward one frame", "video", "Ctrl →"),
    Key("arrowdown", "speed", "-1", "half the speed", "video", "↓"),
    Key("arrowup", "speed", "1", "double the speed", "video", "↑"),
    Key("shift+z", "zoom", "", "closer to the pointer, and back", "video", "Shift Z"),
    Key("shift+o", "open", "", "choose the video file", "video", "Shift O"),
    Key("shift+c", "points", "", "set the court's four points", "video", "Shift C"),
    Key("shift+f", "screen", "", "fill the screen, and back", "screen", "Shift F"),
    Key("shift+v", "arrange", "", "video beside the court or above it", "screen", "Shift V"),
    Key("shift+r", "record", "", "what to record", "screen", "Shift R"),
    Key("?", "help", "", "all keys", "screen", "?"),
)


def words_of_keys() -> tuple[Key, ...]:
    """Return a key for every word that is charted, columns and words in the log's order."""
    return tuple(
        Key(key := KEYS[column][word], "word", word, word.replace("_", " "), column, key.upper())
        for column in WORDS
        for word in VOCABULARY[column]
    )


def key_table() -> list[dict[str, str]]:
    """Return every key as plain dictionaries, the words of the log first, for the browser."""
    return [asdict(key) for key in (*words_of_keys(), *ACTIONS)]
