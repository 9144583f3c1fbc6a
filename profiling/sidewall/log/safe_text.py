"""Text that a spreadsheet would run as a formula, written so that it stays text.

A cell of a CSV file that begins with ``=``, ``+``, ``-``, ``@``, a tab or a line break is
run as a formula by spreadsheets. An apostrophe before it keeps it text; the reader takes
the apostrophe off names again. Plain numbers are left alone: they are no formula.
"""

from __future__ import annotations

import re
from typing import Any, Final

#: The wide forms of the signs are folded by some spreadsheets to the plain ones.
_STARTS: Final = frozenset("=+-@\t\r\n＝＋－＠")
_NUMBER: Final = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?")
_MARK: Final = "'"


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
