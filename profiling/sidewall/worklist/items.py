"""Names of the things that can be trained, in words, and what each is measured by."""

from __future__ import annotations

from typing import Final, NamedTuple

from sidewall.errors import DataError

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
    """Return the item's name if there is such an item.

    Raises
    ------
    DataError
        With the closest known name.
    """
    from sidewall.combinations.step import closest  # noqa: PLC0415 - seldom needed

    if item in ITEM_WORDS or (item.startswith(COMBINATION) and item != COMBINATION):
        return item
    raise DataError(f"{where}there is no item {item!r}; {closest(item, ITEM_WORDS)}")
