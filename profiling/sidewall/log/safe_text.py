"""Users' text made safe: as a cell that no spreadsheet runs, and as the start of a file's name.

A cell of a CSV file that begins with ``=``, ``+``, ``-``, ``@``, a tab or a line break is
run as a formula by spreadsheets. An apostrophe before it keeps it text; the reader takes
the apostrophe off names again. Plain numbers are left alone: they are no formula.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any, Final

#: The wide forms of the signs are folded by some spreadsheets to the plain ones.
_STARTS: Final = frozenset("=+-@\t\r\n＝＋－＠")
_NUMBER: Final = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?")
_MARK: Final = "'"
_LONGEST_NAME: Final = 40


def is_risky(text: Any) -> bool:
    """Whether a spreadsheet might run a cell as a formula."""
    if not isinstance(text, str) or not text or _NUMBER.fullmatch(text):
        return False
    return text[0] in _STARTS or text.lstrip()[:1] in _STARTS


def with_text_mark(value: Any) -> Any:
    """Return a cell as it may safely be written into a CSV file."""
    marked = isinstance(value, str) and value[:1] == _MARK and is_risky(value.lstrip(_MARK))
    return _MARK + value if marked or is_risky(value) else value


def without_text_mark(text: str) -> str:
    """Return the text that :func:`with_text_mark` was given."""
    if text[:1] == _MARK and is_risky(text.lstrip(_MARK)):
        return text[1:]
    return text


def file_stem(name: str, names: Sequence[str] = (), empty: str = "player") -> str:
    """Turn a name into letters, digits and hyphens only; `empty`, if it has none of them.

    No other of `names` gets the same: where two come out alike, each gets a number in this order.
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
    return re.sub(r"[\W_]+", "-", name.casefold()).strip("-")[:_LONGEST_NAME].strip("-") or empty
