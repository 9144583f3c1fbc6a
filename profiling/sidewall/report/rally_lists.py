"""Lists of the rallies that claims rest on, numbered so that a printed page keeps its links."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import pandas as pd

from sidewall.report.views import Link, Listed, RallyList, Watch

__all__ = ["RallyLists", "clock"]

_KEY: Final = ("match", "game", "rally")
_MOST_FIRST: Final = 6


def clock(seconds: float) -> str:
    """Write a video time as m:ss, from an hour on as h:mm:ss; empty where there is none."""
    if not math.isfinite(seconds):
        return ""
    minutes, rest = divmod(int(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{rest:02d}" if hours else f"{minutes}:{rest:02d}"


class RallyLists:
    """Collects the lists of one page.

    Attributes
    ----------
    lists : list of RallyList
    shots : dict of str to DataFrame
        The shots behind each list, by anchor.
    """

    def __init__(self) -> None:
        self.lists: list[RallyList] = []
        self.shots: dict[str, pd.DataFrame] = {}

    def add(
        self, key: str, title: str, shots: pd.DataFrame, first: Sequence[str] | None = None
    ) -> Link | None:
        """Add a list and return the link to it; None where there are no shots.

        Parameters
        ----------
        key
            Words of the program, not of the log, for the anchor.
        title
            What the rallies show.
        shots
            The shots behind the claim, with match, game, rally and shot, and ``t_s`` where
            the log has times.
        first
            One line of words for each of the first shots, which are shown as those to watch
            first.
        """
        if not len(shots):
            return None
        timed = shots if "t_s" in shots.columns else shots.assign(t_s=math.nan)
        rallies = _by_match(timed)
        anchor = f"clips-{key}"
        link = Link(
            anchor,
            len(self.lists) + 1,
            sum(len(one.rallies) for _, games in rallies for one in games),
        )
        watch = [
            _watch(row, words)
            for row, words in zip(
                timed.head(_MOST_FIRST).to_dict("records"), first or (), strict=False
            )
        ]
        self.lists.append(RallyList(link, title, len(shots), rallies, watch))
        self.shots[anchor] = timed
        return link


def _by_match(shots: pd.DataFrame) -> list[tuple[str, list[Listed]]]:
    """Each rally once, with the time of its first shot here."""
    found: dict[str, dict[int, dict[int, float]]] = {}
    order = shots["match"].cat.codes if hasattr(shots["match"], "cat") else shots["match"]
    at = np.lexsort([shots[name] for name in ("shot", "rally", "game")] + [order])
    columns = (shots[name].to_numpy()[at] for name in (*_KEY, "t_s"))
    for match, game, rally, time in zip(*columns, strict=True):
        rallies = found.setdefault(str(match), {}).setdefault(int(game), {})
        rallies.setdefault(int(rally), float(time))
    return [
        (
            match,
            [Listed(game, [(r, clock(t)) for r, t in some.items()]) for game, some in of.items()],
        )
        for match, of in found.items()
    ]


def _watch(row: dict[Any, Any], words: str) -> Watch:
    return Watch(
        str(row["match"]),
        int(row["game"]),
        int(row["rally"]),
        int(row["shot"]),
        clock(float(row["t_s"])),
        words,
    )
