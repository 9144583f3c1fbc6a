"""The coach's own rating of what an item takes, 1 to 5, in a small TOML file."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from os import PathLike
from pathlib import Path
from typing import Any, Final

from sidewall.arguments import parse_toml
from sidewall.errors import DataError
from sidewall.files import write_file
from sidewall.worklist.items import ITEM_WORDS, check_item

#: An assumption: nobody has measured how hard one of these is beside another, so all are
#: taken alike until the coach says otherwise.
DEFAULT_EFFORT: Final = 3.0

_HEAD: Final = """\
# How much effort an item takes: 1 (a few sessions) to 5 (a season's work).
# The work list orders by points a game over effort, so only the proportions matter.
# These are assumptions, all alike, and no more: change them to your own judgement.
# A line that is taken out counts as {default:g}.

[effort]
"""
_TAIL: Final = """
# A combination is called by its name:
# "combination: length then volley" = 3

# Ratings for one player only, which go before those above:
# [player.Rowan]
# volley_backhand = 4
"""


@dataclass(frozen=True)
class Efforts:
    """Effort of every item, and of single players' items.

    Parameters
    ----------
    effort : mapping of str to float
        By item.
    player : mapping of str to mapping
        By player, then item.
    default : float
        Of every other item.

    Raises
    ------
    DataError
        If an effort is not between 1 and 5 or an item is not known.
    """

    effort: Mapping[str, float] = field(default_factory=dict)
    player: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    default: float = DEFAULT_EFFORT

    def __post_init__(self) -> None:
        _checked(self.effort, "effort: ")
        for name, own in self.player.items():
            _checked(own, f"player {name}: ")
        _number(self.default, "default")

    def of(self, player: str, item: str) -> float:
        """Effort of a player's item."""
        own = self.player.get(player, {})
        return float(own.get(item, self.effort.get(item, self.default)))

    def is_assumed(self, player: str, item: str) -> bool:
        """Whether nobody has rated this item, so that the default stands."""
        return item not in self.player.get(player, {}) and item not in self.effort


def _checked(table: Any, where: str) -> None:
    if not isinstance(table, Mapping):
        raise DataError(f'{where}write it as a table, one line an item, such as "length = 3"')
    for item, value in table.items():
        check_item(item, where)
        _number(value, f"{where}{item}")


def _number(value: Any, where: str) -> None:
    if isinstance(value, bool) or not isinstance(value, int | float) or not 1 <= value <= 5:
        raise DataError(f"{where} is {value!r}; give an effort from 1 (least) to 5 (most)")


def write_efforts(path: str | PathLike[str]) -> None:
    """Write a template with every item at the default effort, for a coach to change.

    Raises
    ------
    WriteError
        If the file is there already, and may hold ratings, or cannot be written.
    """
    lines = [f"{item} = {DEFAULT_EFFORT:g}  # {words.title}" for item, words in ITEM_WORDS.items()]
    text = _HEAD.format(default=DEFAULT_EFFORT) + "\n".join(lines) + "\n" + _TAIL
    write_file(path, text, overwrite=False)


def read_efforts(path: str | PathLike[str]) -> Efforts:
    """Read a coach's ratings.

    Raises
    ------
    DataError
        If the file cannot be read, names an unknown item, or a rating is not from 1 to 5.
    """
    place = Path(path)
    try:
        content = parse_toml(place.read_text(encoding="utf-8"))
    except OSError as error:
        raise DataError(f"{place.name}: the ratings cannot be read ({error.strerror})") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise DataError(f"{place.name}: this is no TOML ({error}); mend that line") from error
    strange = [key for key in content if key not in ("effort", "player")]
    if strange:
        raise DataError(
            f"{place.name}: {strange[0]!r} is not understood; write ratings below [effort], or "
            "below [player.NAME] for one player"
        )
    effort, player = content.get("effort", {}), content.get("player", {})
    if not isinstance(player, Mapping):
        raise DataError(f"{place.name}: write one player's ratings below [player.NAME]")
    try:
        return Efforts(effort, player)
    except DataError as error:
        raise DataError(f"{place.name}, {error}") from error
