"""Drill families: what to do on court about an item, from simple to match-like."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import Final

from sidewall.placement.practice import PRACTICE_CAUTIONS
from sidewall.worklist.items import check_item, item_words

__all__ = ["CAUTIONS", "MOVE_ON", "Drill", "drill_for"]

#: Said beside every work list (common practice, no source).
CAUTIONS: Final = PRACTICE_CAUTIONS
#: The mark to move on from a stage (common practice, no source).
MOVE_ON: Final = "8 of 10, twice"


@dataclass(frozen=True)
class Drill:
    """A drill family (common practice, no source).

    Attributes
    ----------
    name, aim : str
    simple, varied, game : str
        The progression: simple and fed, then varied, then in a conditioned game.
    court : str
        The drill in a line or two, with the player's own numbers to be filled in.
    """

    name: str
    aim: str
    simple: str
    varied: str
    game: str
    court: str

    @property
    def progression(self) -> tuple[str, str, str]:
        """The three stages in order."""
        return self.simple, self.varied, self.game


@lru_cache(maxsize=1)
def _families() -> dict[str, Drill]:
    text = files("sidewall.worklist").joinpath("drills.toml").read_text(encoding="utf-8")
    return {name: Drill(name, **stages) for name, stages in tomllib.loads(text)["drill"].items()}


def drill_for(item: str) -> Drill:
    """Drill family of an item.

    Raises
    ------
    DataError
        If there is no such item.
    """
    return _families()[item_words(check_item(item)).drill]
