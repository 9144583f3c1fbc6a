"""Names of players and matches made safe as the start of a file name."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final

__all__ = ["file_stem"]

_LONGEST: Final = 40


def file_stem(name: str, names: Sequence[str] = (), empty: str = "player") -> str:
    """Turn a name into letters, digits and hyphens only.

    Parameters
    ----------
    name
        Any text.
    names
        All names; where two come out the same, each gets a number in this order.
    empty
        What a name without a letter or digit is called.

    Returns
    -------
    str
        No other name of `names` gets the same.
    """
    plain = [_stem(other, empty) for other in names]
    stem = _stem(name, empty)
    same = [other for other, its in zip(names, plain, strict=True) if its == stem]
    if len(same) < 2 or name not in same:
        return stem
    # another name may look like a numbered one already
    free = [f"{stem}-{k}" for k in range(1, len(names) + len(same) + 1)]
    free = [one for one in free if one not in plain]
    return free[same.index(name)]


def _stem(name: str, empty: str) -> str:
    return re.sub(r"[\W_]+", "-", name.casefold()).strip("-")[:_LONGEST].strip("-") or empty
