"""What pictures say: names of cells, gaps and answers in words, in letters that can be drawn.

A name may be written in any script. Where the usual font lacks a letter, other installed
fonts are put behind it; a letter that none of them has becomes a box.
"""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Callable, Iterable, Mapping
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from sidewall.arguments import check_fitted
from sidewall.court.units import GapWords
from sidewall.errors import DataError
from sidewall.features.coded import struck_by
from sidewall.models.answers import CROSSES, NOT_KNOWN
from sidewall.models.counted import ALL_STROKES
from sidewall.numbers import UNKNOWN, in_100, signed

if TYPE_CHECKING:
    from sidewall.models.tightness import TightnessModel


#: Stands for a letter that no installed font has.
BOX: Final = "□"
#: Draws the code of a letter, not the letter.
_NO_LETTERS: Final = "last resort"


def columns(words: str) -> int:
    """Count the width of a text in letters of the Latin alphabet: wide ones count twice.

    Source: Unicode Standard Annex 11, East Asian Width.
    """
    return sum(1 + (unicodedata.east_asian_width(letter) in "WF") for letter in words)


def drawable(words: str, weight: str = "normal") -> tuple[str, dict[str, Any]]:
    """Make a text that the machine's fonts can draw, without a warning for each letter.

    `BOX` stands for what cannot be drawn; installing a font of that script mends it, and a bold one
    may lack what the normal one has. Beside the text comes what to give matplotlib with it:
    nothing where the usual font has all letters.
    """
    import matplotlib as mpl  # noqa: PLC0415 - for pictures only

    usual = list(mpl.rcParams["font.family"])
    found: list[str] = []
    missing = {letter for letter in words if not letter.isspace()}
    missing = {letter for letter in missing if not _has(tuple(usual), weight, letter)}
    for letter in sorted(missing):
        if any(_has((family,), weight, letter) for family in found):
            continue
        family = _family_with(letter, weight)
        if family is None:
            words = words.replace(letter, BOX)
        else:
            found.append(family)
    return words, {"fontfamily": [*usual, *found]} if found else {}


def _has(families: tuple[str, ...], weight: str, letter: str) -> bool:
    """Tell whether the font that stands for some families has a letter."""
    from matplotlib import font_manager  # noqa: PLC0415

    wanted = font_manager.FontProperties(family=list(families), weight=weight)
    font: Any = font_manager.get_font(font_manager.findfont(wanted))
    return bool(font.get_char_index(ord(letter)))


@lru_cache(maxsize=256)
def _family_with(letter: str, weight: str) -> str | None:
    """Find an installed family that has a letter, plain ones first."""
    from matplotlib import font_manager  # noqa: PLC0415

    names = set(font_manager.get_font_names())
    for name in sorted(names, key=lambda name: ("sans" not in name.lower(), name)):
        if not name.lower().startswith(_NO_LETTERS) and _has((name,), weight, letter):
            return name
    return None


_LONGEST_NAME: Final = 40


def short(words: str, most: int) -> str:
    """Cut words to so many letters of the Latin alphabet, wide ones counting twice."""
    if columns(words) <= most:
        return words
    while columns(words) >= most:
        words = words[:-1]
    return words + "…"


def plain(words: str, longest: int = _LONGEST_NAME) -> str:
    """Make words from a log or file safe to draw: one line, not too long, ``$`` a plain sign."""
    line = "".join(letter for letter in " ".join(words.split()) if letter.isprintable())
    return short(line, longest).replace("$", r"\$")


def capital(words: str) -> str:
    """Begin words with a capital; the others are left as they are."""
    return f"{words[:1].upper()}{words[1:]}"


def records(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Take a table's rows, each by the names of its columns."""
    return [{str(name): value for name, value in row.items()} for row in table.to_dict("records")]


def rows_by(table: pd.DataFrame, *columns: str) -> dict[tuple[str, ...], dict[str, Any]]:
    """Take a table's rows by the words in some columns."""
    return {tuple(str(row[name]) for name in columns): row for row in records(table)}


def family_words(family: str) -> str:
    """Name a stroke family: volley, after the bounce, or all strokes if not told apart."""
    return {"volley": "volley", "ground": "after the bounce"}.get(family, ALL_STROKES)


def cell_words(side: str, family: str) -> str:
    """Name a side and stroke family, to head a panel."""
    words = family_words(family)
    return f"{side.capitalize()}{',' if words == ALL_STROKES else ''} {words}"


def outcome_words(outcome: str) -> str:
    """Say what a model judges a shot by."""
    if outcome == "value":
        return "Judged by the ball that the shot leaves."
    return "Judged by who won the rally."


def two_figures(more: float) -> str:
    """Write how many further shots would settle an answer, to two figures."""
    if math.isinf(more):
        return "20,000+"
    size = 10 ** max(math.floor(math.log10(max(more, 1))) - 1, 0)
    return f"{int(round(more / size) * size):,}"


def more_shots_words(more: float) -> str:
    """Say how many further shots would settle an answer."""
    return f"{'' if math.isinf(more) else 'about '}{two_figures(more)} more shots"


def answer_words(answer: Mapping[str, Any], words: GapWords) -> tuple[str, str]:
    """Say a threshold, a row of `TightnessModel.thresholds`, and what is known besides.

    The second, what is known of it where it is not settled, may be empty.
    """
    status = str(answer["status"])
    low, high = answer["threshold_low_m"], answer["threshold_high_m"]
    if status == CROSSES:
        gap = words.gap(answer["threshold_m"])
        return f"attack from {gap} ({words.interval(low, high)})", ""
    if status != NOT_KNOWN:
        return status, ""
    known = []
    if np.isfinite(low) and words.number(low) != words.number(0.0):
        known.append(f"below {words.gap(low)} reset is better")
    if np.isfinite(high):
        known.append(f"above {words.gap(high)} attack is better")
    return f"{status}: {more_shots_words(answer['more_shots'])}", ", ".join(known)


def known_player(model: TightnessModel, player: str, name: str = "model") -> str:
    """Return the player's name if the model knows it; else a DataError with those it knows.

    `name` is what the caller calls the model.
    """
    check_fitted(model, "TightnessModel", name)
    if player not in model.players_:
        raise DataError(
            f"{player!r} has no shots that the model could use: none but serves and lets, or "
            "without choice, contact or gap (the model's left_out_ counts them). Chart some, or "
            f"choose a player of the model: {', '.join(model.players_)}."
        )
    return player


def board_width_of(model: TightnessModel, player: str, given: float | None) -> float | None:
    """Return the board width given, else the one of all the player's matches, else None."""
    if given is not None or "board_width_m" not in model.used_.columns:
        return given
    own = struck_by(model.used_, player)
    widths = model.used_.loc[own, "board_width_m"].unique()
    return float(widths[0]) if len(widths) == 1 and np.isfinite(widths[0]) else None


#: So many more digits an end may take to show its sign; with fewer left it counts as nothing.
_MORE_DIGITS: Final = 3


def difference_words(
    ends: Iterable[float], digits: int = 1, write: Callable[[float, int], str] = signed
) -> str:
    """Write a difference with its two ends; rounding never hides on which side of 0 an end lies."""
    at, low, high = ends
    if not all(map(math.isfinite, (at, low, high))):
        return UNKNOWN

    def end(value: float) -> str:
        tried = range(digits, digits + _MORE_DIGITS + 1)
        return write(value, next((k for k in tried if round(abs(value), k)), digits))

    return f"{write(at, digits)} ({end(low)} to {end(high)})"


def threshold_difference_words(row: Mapping[str, Any], words: GapWords) -> str:
    """Say how much looser a ball the backhand needs, from a row of the comfort table."""
    at, low, high = (float(row[f"threshold_difference_{end}"]) for end in ("m", "low_m", "high_m"))
    if not np.isfinite([at, low, high]).all():
        return "difference not known yet"
    if low <= 0.0 <= high:
        wide = words.gap(max(-low, high))
        return f"no clear difference (within {wide})"
    looser = "backhand" if at > 0 else "forehand"
    ends = sorted((abs(low), abs(high)))
    return f"{looser} needs {words.gap(abs(at))} looser ({words.interval(*ends)})"


def win_difference_words(row: Mapping[str, Any]) -> str:
    """Say which side wins more rallies from the same balls, from a row of the comfort table."""
    at, low, high = (float(row[f"win_difference{end}"]) for end in ("", "_low", "_high"))
    if not np.isfinite([at, low, high]).all():
        return UNKNOWN
    if low <= 0.0 <= high:
        return f"no clear difference (within {in_100(max(-low, high))} in 100)"
    better = "backhand" if at > 0 else "forehand"
    near, far = (in_100(end) for end in sorted((abs(low), abs(high))))
    return f"{better} wins {in_100(abs(at))} more in 100 ({near} to {far})"
