"""The things that can be trained: their names, drill families, and the coach's ratings."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from importlib.resources import files
from os import PathLike
from pathlib import Path
from typing import Any, Final, NamedTuple

from sidewall.arguments import near, read_toml
from sidewall.errors import DataError
from sidewall.files import write_file

#: A combination's item is called this and its name.
COMBINATION: Final = "combination: "


class ItemWords(NamedTuple):
    """``title`` for a list; ``counted``, the shots it is about; ``drill``, its drill family."""

    title: str
    counted: str
    drill: str


ITEM_WORDS: Final[dict[str, ItemWords]] = {
    "forced": ItemWords("Attacks on balls that are too tight", "shots", "choice: wait"),
    "passed_up": ItemWords("Loose balls that are not attacked", "shots", "choice: go"),
    "attack_forehand": ItemWords("Attacking with the forehand", "forehand attacks", "attack"),
    "attack_backhand": ItemWords("Attacking with the backhand", "backhand attacks", "attack"),
    "volley_forehand": ItemWords("The forehand volley", "forehand volleys", "volley"),
    "volley_backhand": ItemWords("The backhand volley", "backhand volleys", "volley"),
    "length": ItemWords("Length: the ball that a reset leaves", "resets in play", "length"),
    "length_on_target": ItemWords(
        "Length on the target behind the service box", "bounces of drives and lobs", "length"
    ),
    "reset_errors": ItemWords("Errors when resetting (tin, out, down)", "resets", "steadiness"),
    "attack_errors": ItemWords("Errors when attacking (tin, out, down)", "attacks", "tin margin"),
    "repeats": ItemWords(
        "A reply that can be read: the same again and again", "replies after two alike", "disguise"
    ),
}


def item_words(item: str) -> ItemWords:
    """Words of an item; a combination's are made from its name."""
    if item.startswith(COMBINATION):
        name = item.removeprefix(COMBINATION)
        return ItemWords(f"Combination: {name}", "moments after the lead-up", "combination")
    return ITEM_WORDS[item]


def check_item(item: str, where: str = "") -> str:
    """Return the item's name; a DataError with the closest if there is no such item."""
    if item in ITEM_WORDS or (item.startswith(COMBINATION) and item != COMBINATION):
        return item
    raise DataError(f"{where}there is no item {item!r}; {near(item, list(ITEM_WORDS))}")


#: The mark to move on from a stage (common practice, no source).
MOVE_ON: Final = "8 of 10, twice"


@dataclass(frozen=True)
class Drill:
    """A drill family (common practice, no source): simple and fed, then varied, then in a game.

    `court` is the drill in a line or two, with the player's own numbers to be filled in.
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
    """Drill family of an item; a DataError if there is no such item."""
    return _families()[item_words(check_item(item)).drill]


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

    Parameters
    ----------
    path : path

    Raises
    ------
    WriteError
        If the file is there already, and may hold ratings, or cannot be written.

    See Also
    --------
    read_efforts
    WorkList

    Examples
    --------
    >>> sw.write_efforts("ratings.toml")
    """
    lines = [f"{item} = {DEFAULT_EFFORT:g}  # {words.title}" for item, words in ITEM_WORDS.items()]
    text = _HEAD.format(default=DEFAULT_EFFORT) + "\n".join(lines) + "\n" + _TAIL
    write_file(path, text, overwrite=False)


def read_efforts(path: str | PathLike[str]) -> Efforts:
    """Read a coach's ratings.

    Parameters
    ----------
    path : path

    Raises
    ------
    DataError
        If the file cannot be read, names an unknown item, or a rating is not from 1 to 5.

    See Also
    --------
    write_efforts
    WorkList

    Examples
    --------
    >>> sw.write_efforts("efforts.toml")
    >>> efforts = sw.read_efforts("efforts.toml")
    """
    place = Path(path)
    content = read_toml(place, "the file of ratings")
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
