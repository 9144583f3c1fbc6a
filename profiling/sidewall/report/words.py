"""Sentences and numbers of the page: plain, with their intervals."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import pandas as pd

from sidewall.court.units import GapWords
from sidewall.numbers import count
from sidewall.plots.words import capital, difference_words


class Lengths:
    """Writes lengths in the reader's unit, and in boards beside it where their width is known."""

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

    def boards(self, gap_m: float) -> str:
        """The gap in boards; empty where their width is not known."""
        return "" if self._boards is None else self._boards.gap(gap_m)


def counts_words(own: pd.DataFrame) -> str:
    """Say how much of the player was charted."""
    games = len(own[["match", "game"]].drop_duplicates())
    rallies = count(own["rally_id"].nunique(), "rally", "rallies")
    matches = count(own["match"].nunique(), "match", "matches")
    return f"{count(len(own), 'own shot')} in {rallies} of {count(games, 'game')} in {matches}"


def date_words(own: pd.DataFrame) -> str:
    """First and last date of the player's matches; empty where there are none."""
    if "date" not in own.columns or not own["date"].notna().any():
        return ""
    days = pd.to_datetime(own["date"].astype(object).dropna()).dt.date
    first, last = days.min(), days.max()
    return str(first) if first == last else f"{first} to {last}"


def signed_in(row: Mapping[Any, Any], name: str, digits: int = 1, times: float = 1.0) -> str:
    """Write a row's column that may be above or below nothing, with its interval."""
    ends = (times * float(row[f"{name}{end}"]) for end in ("", "_low", "_high"))
    return difference_words(ends, digits)


def stroke_words(*parts: Any) -> str:
    """Name a kind of shot from the words of the log's vocabulary."""
    told = [str(part).replace("_", " ") for part in parts if str(part) not in ("", "not charted")]
    return capital(" ".join(told)) or "Not charted"
