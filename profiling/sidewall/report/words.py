"""Sentences and numbers of the page: plain, with their intervals."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from sidewall.court.units import GapWords
from sidewall.models.answers import CROSSES, NOT_KNOWN
from sidewall.plots.strip import Stretch
from sidewall.plots.words import count, more_shots_words

__all__ = [
    "Lengths",
    "answer_sentence",
    "counts_words",
    "date_words",
    "rule_words",
    "settle_words",
    "share",
    "signed",
    "signed_in",
    "stroke_words",
]


class Lengths:
    """Writes lengths in the reader's unit, and in boards beside it where their width is known.

    Parameters
    ----------
    unit
        cm, in, m or boards.
    board_width_m
        Of the player's courts, where they share one.
    """

    def __init__(self, unit: str, board_width_m: float | None) -> None:
        self.main = GapWords(unit, board_width_m)
        boards = board_width_m is not None and unit != "boards"
        self._boards = GapWords("boards", board_width_m) if boards else None

    def gap(self, gap_m: float) -> str:
        """A gap with its unit."""
        return self.main.gap(gap_m)

    def interval(self, low_m: float, high_m: float) -> str:
        """Two ends; open where an end is not known."""
        if not math.isfinite(low_m) and not math.isfinite(high_m):
            return "open"
        if not math.isfinite(low_m):
            return f"up to {self.main.number(high_m)}"
        if not math.isfinite(high_m):
            return f"{self.main.number(low_m)} or more"
        return self.main.interval(low_m, high_m)

    def both(self, gap_m: float, low_m: float, high_m: float) -> str:
        """A signed length with its interval, in the unit, as for errors of placement."""
        if not np.isfinite([gap_m, low_m, high_m]).all():
            return "not known yet"
        unit = self.main.unit
        return f"{self._signed(gap_m)} {unit} ({self._signed(low_m)} to {self._signed(high_m)})"

    def _signed(self, gap_m: float) -> str:
        number = self.main.number(abs(gap_m))
        if not float(number):
            return number
        return f"{'−' if gap_m < 0 else '+'}{number}"

    def with_boards(self, gap_m: float) -> str:
        """A gap with its unit, and in boards behind it where their width is known."""
        boards = self.boards(gap_m)
        return f"{self.gap(gap_m)} ({boards})" if boards else self.gap(gap_m)

    def boards(self, gap_m: float) -> str:
        """The gap in boards; empty where their width is not known."""
        return "" if self._boards is None else self._boards.gap(gap_m)


def answer_sentence(answer: Mapping[str, Any], lengths: Lengths) -> tuple[str, str]:
    """Say a threshold for the player, and its interval apart."""
    status = str(answer["status"])
    if status == CROSSES:
        ends = lengths.interval(answer["low_m"], answer["high_m"])
        return f"Loose from {lengths.gap(answer['threshold_m'])}", ends
    return f"{status[:1].upper()}{status[1:]}", ""


def rule_words(
    answer: Mapping[str, Any], parts: list[Stretch], lengths: Lengths, charted: bool
) -> str:
    """Say what to attack and what to reset, as far as it is right 4 times in 5.

    Parameters
    ----------
    answer
        A row of the thresholds.
    parts
        Stretches by the choice that is right at least 4 times in 5.
    lengths
        Of the reader.
    charted
        Whether there are own attacks and resets enough for an answer.
    """
    said = []
    if charted and parts:
        if parts[0].choice == "reset" and math.isfinite(parts[0].high_m):
            said.append(f"reset up to {lengths.with_boards(parts[0].high_m)}")
        if parts[-1].choice == "attack" and len(parts) > 1:
            said.append(f"attack from {lengths.with_boards(parts[-1].low_m)}")
    words = ", ".join(said)
    if answer["status"] != NOT_KNOWN:
        return f"{words[:1].upper()}{words[1:]}." if words else ""
    more = more_shots_words(answer["more_shots"])
    settles = f"{more[:1].upper()}{more[1:]} of this kind would settle it."
    return f"So far: {words}. {settles}" if words else settles


def settle_words(known: int, cells: int) -> str:
    """Say how much of the question is answered."""
    if known == cells:
        return "All sides and strokes have an answer."
    if not known:
        return (
            "No side has an answer yet. Chart more matches, those against opponents of the same "
            "strength first: three matches settle most thresholds."
        )
    return f"{count(known, 'answer')} of {cells} known."


def counts_words(own: pd.DataFrame) -> str:
    """Say how much of the player was charted."""
    games = len(own[["match", "game"]].drop_duplicates())
    parts = [
        count(len(own), "own shot"),
        f"in {count(own['rally_id'].nunique(), 'rally', 'rallies')}",
        f"of {count(games, 'game')}",
        f"in {count(own['match'].nunique(), 'match', 'matches')}",
    ]
    return " ".join(parts)


def date_words(own: pd.DataFrame) -> str:
    """First and last date of the player's matches; empty where there are none."""
    if "date" not in own.columns or not own["date"].notna().any():
        return ""
    days = pd.to_datetime(own["date"].astype(object).dropna()).dt.date
    first, last = days.min(), days.max()
    return str(first) if first == last else f"{first} to {last}"


def share(at: float, low: float, high: float) -> str:
    """Write a share in 100 with its interval."""
    if not math.isfinite(at):
        return "not known yet"
    return f"{_plain(100 * at)} ({_plain(100 * low)} to {_plain(100 * high)})"


def _plain(value: float) -> str:
    return f"{value:.1f}" if 0.0 < value < 9.95 else f"{value:.0f}"


def signed(at: float, low: float, high: float, digits: int = 1) -> str:
    """Write a difference with its interval; signs are true minus signs."""
    if not np.isfinite([at, low, high]).all():
        return "not known yet"
    return f"{_sign(at, digits)} ({_sign(low, digits)} to {_sign(high, digits)})"


def signed_in(row: Mapping[Any, Any], name: str, digits: int = 1) -> str:
    """Write a row's column that may be above or below nothing, with its interval."""
    return signed(row[name], row[f"{name}_low"], row[f"{name}_high"], digits)


def _sign(value: float, digits: int) -> str:
    text = f"{abs(value):.{digits}f}"
    if not float(text):
        return text
    return f"{'−' if value < 0 else '+'}{text}"


def stroke_words(*parts: Any) -> str:
    """Name a kind of shot from the words of the log's vocabulary."""
    told = [str(part).replace("_", " ") for part in parts if str(part) not in ("", "not charted")]
    words = " ".join(told)
    return f"{words[:1].upper()}{words[1:]}" if words else "Not charted"
