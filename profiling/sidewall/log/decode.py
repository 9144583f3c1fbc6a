"""From the bytes of a text file to UTF-8, saying so wherever that took a guess."""

from __future__ import annotations

import codecs
import re
import unicodedata
from typing import Final

from sidewall.errors import LogError
from sidewall.log.ledger import Folded

_MARKS: Final = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_SAVE_AS: Final = (
    "Save it again as 'CSV UTF-8' (or as .xlsx), or name its encoding, such as encoding='cp1252'."
)
_CONTROL: Final = re.compile(rb"[\x00-\x08\x0e-\x1f\x7f]")
_PUNCTUATION: Final = frozenset("‘’“”–—…°·´€£«»\xa0")


def to_utf8(data: bytes, source: str, encoding: str | None, folded: Folded) -> bytes:
    """Return the text as UTF-8 with every line ending as a line feed.

    Raises
    ------
    LogError
        If the bytes are no text in the encoding named, or in any that can be told.
    """
    text = _decoded(data, source, encoding, folded)
    found = _CONTROL.search(text)
    if found is not None:
        line = text.count(b"\n", 0, found.start()) + 1
        raise LogError(
            f"{source}: this is no text file: byte {found.group()[0]:#04x} stands on line {line}. "
            "Export the log as CSV, or give the workbook itself (.xlsx)."
        )
    if b"\r" in text:
        text = text.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    return text


def _decoded(data: bytes, source: str, encoding: str | None, folded: Folded) -> bytes:
    if encoding is not None:
        return _strictly(data, source, encoding)
    for mark, name in _MARKS:
        if data.startswith(mark):
            return _strictly(data, source, name)
    wide = _without_mark(data)
    if wide is not None:
        folded.add("(file)", "no byte order mark", wide, 1)
        return _strictly(data, source, wide)
    try:
        data.decode("utf-8")
    except UnicodeDecodeError as error:
        return _western(data, source, error, folded)
    return data


def _strictly(data: bytes, source: str, encoding: str) -> bytes:
    try:
        text = data.decode(encoding)
    except LookupError:
        raise LogError(
            f"{source}: there is no encoding called {encoding!r}. Try 'utf-8', 'utf-16' or "
            "'cp1252', or leave encoding out."
        ) from None
    except UnicodeError as error:
        raise LogError(f"{source}: this is no {encoding} text ({error}). {_SAVE_AS}") from error
    return text.removeprefix("\ufeff").encode("utf-8")


def _without_mark(data: bytes) -> str | None:
    """UTF-16 without its mark: every other byte of the headings, which are ASCII, is zero."""
    head = data[:400]
    half = len(head) // 2
    if half < 4:
        return None
    if head[1::2].count(0) > 0.9 * half and 0 not in head[0::2]:
        return "utf-16-le"
    if head[0::2].count(0) > 0.9 * half and 0 not in head[1::2]:
        return "utf-16-be"
    return None


def _western(data: bytes, source: str, error: UnicodeDecodeError, folded: Folded) -> bytes:
    """Older spreadsheets save Western European text: taken only if it then reads as words."""
    line = data.count(b"\n", 0, error.start) + 1
    complaint = LogError(
        f"{source}: this is neither UTF-8 nor Western European (cp1252) text; byte "
        f"{data[error.start]:#04x} on line {line} fits neither. {_SAVE_AS}"
    )
    if _CONTROL.search(data):
        raise complaint
    try:
        text = data.decode("cp1252")
    except UnicodeDecodeError:
        raise complaint from None
    strange = {character for character in text if character > "\x7f"} - _PUNCTUATION
    if any(not unicodedata.category(character).startswith("L") for character in strange):
        raise complaint
    words = list(dict.fromkeys(re.findall(r"[^\s,;|\"]*[^\x00-\x7f][^\s,;|\"]*", text)))
    more = f" and {len(words) - 5} more" if len(words) > 5 else ""
    lines = sum(not part.isascii() for part in text.splitlines())
    folded.add("(file)", "text that is not UTF-8", f"cp1252: {', '.join(words[:5])}{more}", lines)
    return text.encode("utf-8")
