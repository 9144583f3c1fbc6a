"""What a step of a combination may ask of a shot: the conditions and their words."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Final, Literal, TypedDict

from sidewall.court.zones import DEPTHS, LANES
from sidewall.errors import DataError
from sidewall.log.vocabulary import BALANCES, CHOICES, CONTACTS, DIRECTIONS, SIDES, STROKES

#: One word, several of which any will do, or nothing asked.
Words = str | Sequence[str] | None
#: From and to in metres, either end open.
Range = tuple[float | None, float | None] | None

BALLS: Final = ("tight", "loose")


@dataclass(frozen=True)
class Condition:
    """One thing that a step may ask.

    Attributes
    ----------
    words : tuple of str
        The words that may be asked for; empty for a range in metres.
    needs : tuple of str
        Columns of the log that tell it.
    mend : str
        What to chart so that it is known.
    decided : bool
        Whether the striker decides it with this shot (stroke, direction, ...) or finds it
        (the gap of the incoming ball, the place of the opponent, ...).
    """

    words: tuple[str, ...]
    needs: tuple[str, ...]
    mend: str
    decided: bool = False


_POINT = "chart the contact point (y, and x or the player's hand), or depth and lane in words"
_OPPONENT = "chart where the opponent stands at contact (opponent_x, opponent_y)"
_BOUNCE = "chart the first bounce (bounce_x, bounce_y)"

CONDITIONS: Final[dict[str, Condition]] = {
    "stroke": Condition(STROKES, ("stroke",), "chart stroke", decided=True),
    "direction": Condition(
        DIRECTIONS, ("direction",), "chart direction (straight, cross)", decided=True
    ),
    "contact": Condition(CONTACTS, ("contact",), "chart contact (volley, after_bounce, ...)"),
    "side": Condition(SIDES, ("side",), "chart side"),
    "depth": Condition(DEPTHS, (), _POINT),
    "lane": Condition(LANES, (), _POINT),
    "gap_m": Condition((), ("gap_m",), "chart the gap of the incoming ball"),
    "ball": Condition(BALLS, ("gap_m",), "chart the gap of the incoming ball"),
    "choice": Condition(
        CHOICES, ("choice",), "chart choice, or give read_shots a choice table", decided=True
    ),
    "balance": Condition(BALANCES, ("balance",), "chart balance (set, stretched, jammed)"),
    "opponent_depth": Condition(DEPTHS, ("opponent_x_m", "opponent_y_m"), _OPPONENT),
    "opponent_lane": Condition(LANES, ("opponent_x_m", "opponent_y_m"), _OPPONENT),
    "bounce_depth": Condition(DEPTHS, ("bounce_x_m", "bounce_y_m"), _BOUNCE, decided=True),
    "bounce_lane": Condition(LANES, ("bounce_x_m", "bounce_y_m"), _BOUNCE, decided=True),
    "room_m": Condition(
        (),
        ("bounce_x_m", "bounce_y_m", "opponent_x_m", "opponent_y_m"),
        f"{_BOUNCE}, and {_OPPONENT}",
        decided=True,
    ),
}


class StepConditions(TypedDict, total=False):
    """Conditions by name, as `Step.own` and `Step.reply` take them."""

    stroke: Words
    direction: Words
    contact: Words
    side: Words
    depth: Words
    lane: Words
    gap_m: Range
    ball: Words
    choice: Words
    balance: Words
    opponent_depth: Words
    opponent_lane: Words
    bounce_depth: Words
    bounce_lane: Words
    room_m: Range


def closest(word: object, known: Iterable[str]) -> str:
    """Say which known word is meant, or list them all."""
    names = list(known)
    found = get_close_matches(str(word).strip().lower(), names, n=1, cutoff=0.5)
    return f"did you mean {found[0]!r}?" if found else f"use one of: {', '.join(names)}."


def checked_words(name: str, value: object, where: str = "") -> tuple[str, ...]:
    """Turn one word or several into a tuple in the order of the vocabulary.

    Raises
    ------
    DataError
        If a word is not of the vocabulary, or no word is given.
    """
    known = CONDITIONS[name].words
    words = [value] if isinstance(value, str) else value
    if not isinstance(words, Iterable):
        raise DataError(f"{where}{name} is {value!r}; give a word or several.")
    words = list(words)
    if not words:
        raise DataError(f"{where}{name} is empty: give a word, or leave the condition out.")
    for word in words:
        if word not in known:
            raise DataError(f"{where}{name}: {word!r} is not known; {closest(word, known)}")
    return tuple(word for word in known if word in words)


def checked_range(name: str, value: object, where: str = "") -> tuple[float | None, float | None]:
    """Check a range in metres.

    Raises
    ------
    DataError
        If it is no pair of rising numbers, of which one may be None for an open end.
    """
    wrong = DataError(
        f"{where}{name} is {value!r}; give (from, to) in metres, None for an open end."
    )
    if not isinstance(value, Sequence) or isinstance(value, str) or len(value) != 2:
        raise wrong
    ends: list[float | None] = []
    for end in value:
        if end is not None and (isinstance(end, bool) or not isinstance(end, int | float)):
            raise wrong
        ends.append(None if end is None else float(end))
    low, high = ends
    if low is None and high is None:
        raise wrong
    for end in ends:
        if end is not None and not 0.0 <= end < 100.0:
            raise wrong
    if low is not None and high is not None and low >= high:
        raise wrong
    return low, high


Kind = Literal["own", "reply"]
