"""Which letters of a name can be drawn, and with which of the machine's fonts.

A name may be written in any script. Where the usual font lacks a letter, other installed
fonts are put behind it; a letter that none of them has becomes a box.
"""

from __future__ import annotations

import unicodedata
from functools import lru_cache
from typing import Any, Final

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
