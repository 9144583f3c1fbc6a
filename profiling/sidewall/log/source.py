"""Open whatever a log comes as: text, workbook, Parquet or a table in memory.

The bytes of a text become UTF-8, saying so wherever that took a guess.
"""

from __future__ import annotations

import codecs
import errno
import io
import os
import re
import unicodedata
from pathlib import Path
from typing import Final, TypeAlias

import numpy as np
import pandas as pd

from sidewall.arguments import ArrowTable, as_frame, first_of
from sidewall.errors import DataError, LogError
from sidewall.log.columns import missing_columns
from sidewall.log.delimited import read_delimited
from sidewall.log.ledger import Folded
from sidewall.log.raw import RawColumn, RawLog, drop_blank_rows
from sidewall.log.workbook import DAMAGE, Needs, Sheet, first_line, read_workbook

_MARKS: Final = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_SAVE_AS: Final = (
    "Save it again as 'CSV UTF-8' (or as .xlsx), or name its encoding, such as encoding='cp1252' "
    "or, on the command line, --encoding cp1252."
)
#: What spreadsheets save text as on machines set to one language or another, common ones first.
_CODE_PAGES: Final = (
    *("cp1252", "cp1250", "cp1251", "cp1253", "cp1254", "cp1257", "mac_roman", "mac_cyrillic"),
    *("cp850", "cp852", "cp437", "cp866", "iso8859_2", "iso8859_7", "iso8859_15", "koi8_r"),
)
#: What stands between cells.
_EDGE: Final = re.compile(rb"[,;|\t\n\r\"]")
_MOST_PIECES: Final = 2_000
_LONGEST_PIECE: Final = 100
_SHOWN_READINGS: Final = 4
_LONGEST_WORD: Final = 40
#: What stands between words, ASCII alone: the same places in every reading.
_BETWEEN: Final = re.compile(r"[ \t\r\n,;|\"]+")
_CONTROL: Final = re.compile(rb"[\x00-\x08\x0e-\x1f\x7f]")
_PUNCTUATION: Final = frozenset("‘’“”–—…°·´€£«»\xa0")
#: Letters by Unicode's tables that no name holds.
_SIGNS: Final = frozenset("ªºµƒˆˇ")


def to_utf8(data: bytes, source: str, encoding: str | None, folded: Folded) -> bytes:
    """Return the text as UTF-8 with every line ending as a line feed.

    A LogError if the bytes are no text in the encoding named, or in any that can be told.
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
        return _code_page(data, source, error, folded).encode("utf-8")
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


def _code_page(data: bytes, source: str, error: UnicodeDecodeError, folded: Folded) -> str:
    """Text of an older spreadsheet: taken only if every reading that makes words agrees.

    The words that are not ASCII are few and short in a log, mostly names, so that how often
    letters follow one another decides nothing. What remains is whether a reading makes words
    at all. Where two do, and differ in a letter, neither is taken.
    """
    line = data.count(b"\n", 0, error.start) + 1
    found = [] if _CONTROL.search(data) else _readings(data)
    if not found:
        raise LogError(
            f"{source}: this is no UTF-8, and no code page makes words of it; byte "
            f"{data[error.start]:#04x} stands on line {line}. {_SAVE_AS}"
        )
    texts = {encoding: data.decode(encoding) for encoding in found}
    name, text = next(iter(texts.items()))
    if any(other != text for other in texts.values()):
        distinct: dict[str, str] = {}
        for encoding, other in texts.items():
            distinct.setdefault(other, encoding)
        # A byte is a letter in every code page, so that the readings stand side by side.
        pieces = [[_shortened(word) for word in _BETWEEN.split(other)] for other in distinct]
        differ = dict.fromkeys(words for words in zip(*pieces, strict=True) if len(set(words)) > 1)
        shown = "; ".join(
            f"{', '.join(words[at] for words in list(differ)[:3])} ({encoding})"
            for at, encoding in enumerate(list(distinct.values())[:_SHOWN_READINGS])
        )
        first = next(
            at for at, letters in enumerate(zip(*distinct, strict=True)) if len(set(letters)) > 1
        )
        line = data.count(b"\n", 0, first) + 1
        raise LogError(
            f"{source}: this is no UTF-8, and its letters can be read in more than one way, first "
            f"on line {line}: {shown}. Name the right one, as encoding={name!r} or on the command "
            f"line --encoding {name}, or save the log again as 'CSV UTF-8' or .xlsx."
        )
    strange = dict.fromkeys(word for word in _BETWEEN.split(text) if not word.isascii())
    words = [_shortened(word) for word in strange]
    lines = sum(not part.isascii() for part in text.splitlines())
    folded.add("(file)", "text that is not UTF-8", f"{name}: {first_of(words, 5)}", lines)
    return text


def _readings(data: bytes) -> list[str]:
    """Code pages in which the bytes are words, the most common first."""
    from charset_normalizer import from_bytes  # noqa: PLC0415

    # Split, not searched: a pattern for "a cell that is not ASCII" tries a cell of a hundred
    # thousand letters from each of its letters on.
    pieces = [one for one in dict.fromkeys(_EDGE.split(data)) if not one.isascii()]
    payload = b"\n".join(piece[:_LONGEST_PIECE] for piece in pieces[:_MOST_PIECES])
    matches = from_bytes(payload, cp_isolation=list(_CODE_PAGES), chunk_size=len(payload), steps=1)
    likely = {name for match in matches for name in match.could_be_from_charset}
    words: list[str] = []
    for encoding in _CODE_PAGES:
        try:
            text = b"\n".join(pieces).decode(encoding)
        except UnicodeDecodeError:
            continue
        if encoding in likely and all(map(_is_words, text.split("\n"))):
            words.append(encoding)
    return words


def _is_words(text: str) -> bool:
    """Whether a cell reads as words: letters of one script, capitals where they belong."""
    if any(
        (one > "\x7f" and one not in _PUNCTUATION and not one.isalpha()) or one in _SIGNS
        for one in text
    ):
        return False
    if re.search(r"[€£]\w|[^\W\d_][€£]|(?<!\w)[–—]\w|\w[–—](?!\w)", text):
        return False  # a sign of money on a letter, or a dash on one side of a word
    for word in re.findall(r"\w+(?:[^\w\s]\w+)*", text):
        strange = [one for one in word if one > "\x7f"]
        if any(one in _PUNCTUATION and one not in "’‘–·" for one in strange):
            return False  # a quotation mark or a dash in the middle of a word
        for part in re.findall(r"[^\W\d_]+", word):
            scripts = {unicodedata.name(one, "?").split()[0] for one in part}
            if len(scripts) > 1 or not _cased(part):
                return False
    return True


def _cased(word: str) -> bool:
    """Whether a letter that is not ASCII stands as a capital or small letter where it may."""
    others = [one for one in word if one.isascii()] or list(word)
    for at, one in enumerate(word):
        if one.isascii():
            continue
        if one.isupper() and at and not all(other.isupper() for other in word[:at]):
            return False
        if one.isupper() and at and any(other.islower() for other in word[at + 1 :]):
            return False
        if one.islower() and len(others) > 1 and all(other.isupper() for other in others):
            return False
    return True


def _shortened(word: str) -> str:
    return word if len(word) <= _LONGEST_WORD else f"{word[: _LONGEST_WORD - 1]}…"


Source: TypeAlias = str | os.PathLike[str] | pd.DataFrame | ArrowTable

_START_OF_OLD_WORKBOOK: Final = b"\xd0\xcf\x11\xe0"
_OPEN_DOCUMENT: Final = b"mimetypeapplication/vnd.oasis.opendocument"
_WORKBOOKS: Final = (".xlsx", ".xlsm")


def open_log(
    path: Source | RawLog,
    *,
    sheet: Sheet | None = None,
    delimiter: str | None = None,
    encoding: str | None = None,
    needs: Needs | None = missing_columns,
) -> RawLog:
    """Read a log without understanding it; arguments as in :func:`sidewall.check_log`.

    `needs` says which required columns headings lack: the sheets of a workbook that lack none are
    read. Where it is None, those with the headings of the first. A LogError if there is no such
    file, or it cannot be read as what it is.
    """
    if isinstance(path, RawLog):
        return path
    if not isinstance(path, str | os.PathLike):
        try:
            raw = _from_frame(as_frame(path, "the log"), "the table given")
        except DataError as error:
            raise LogError(f"{error}. Or give the name of a file.") from None
    else:
        file = Path(path)
        data = _bytes(file)
        suffix = file.suffix.lower()
        if sheet is not None and suffix not in _WORKBOOKS:
            raise LogError(f"{file.name}: only a workbook has sheets. Leave the sheet out.")
        _refuse_other_formats(data, file)
        if suffix in _WORKBOOKS:
            raw = read_workbook(data, file.name, sheet, needs)
        elif suffix in (".parquet", ".pq"):
            raw = _from_parquet(data, file.name)
        else:
            folded = Folded()
            text = to_utf8(data, file.name, encoding, folded)
            raw = read_delimited(text, file.name, delimiter, folded)
    return drop_blank_rows(raw)


def _bytes(file: Path) -> bytes:
    try:
        if file.is_dir():
            raise LogError(
                f"{file}: this is a folder. Give one file, or read each and join them with "
                "pandas.concat under match names of their own."
            )
        return file.read_bytes()
    except FileNotFoundError:
        raise LogError(f"{file}: there is no such file. Check the name and the folder.") from None
    except ValueError as error:
        raise LogError(f"{str(file)!r} is no name of a file ({error}).") from error
    except OSError as error:
        if error.errno == errno.ENAMETOOLONG:
            name = str(file)
            raise LogError(
                f"{name[:40]}…{name[-20:]}: the name of the file has {len(name):,} characters, "
                "which is too long. Shorten it, or move the file up."
            ) from None
        raise LogError(
            f"{file}: the file cannot be opened ({error.strerror}). Close it elsewhere, or copy it "
            "to a folder that you may read."
        ) from error


def _refuse_other_formats(data: bytes, file: Path) -> None:
    suffix = file.suffix.lower()
    if data.startswith(b"PK\x03\x04") and _OPEN_DOCUMENT in data[:200]:
        what = "an OpenDocument file"
        mend = (
            "Open it in the spreadsheet program and save it from there as .xlsx or as CSV UTF-8; "
            "renaming does not help"
        )
    elif suffix in (*_WORKBOOKS, ".parquet", ".pq"):
        return  # its own reader says what it finds
    elif data.startswith(b"PK\x03\x04"):
        what, mend = "a workbook or another zipped file", "If it is a workbook, rename it to .xlsx"
    elif data.startswith(b"PAR1"):
        what, mend = "a Parquet file", "Rename it to .parquet"
    elif data.startswith(_START_OF_OLD_WORKBOOK):
        what, mend = "a workbook in the old format", "Save it as .xlsx or as CSV UTF-8"
    elif data.startswith(b"\x1f\x8b"):
        what, mend = "a compressed file", "Unpack it"
    else:
        return
    kind = file.suffix or "file without a suffix"
    raise LogError(f"{file.name}: this {kind} is really {what}. {mend}.")


def _from_frame(frame: pd.DataFrame, source: str) -> RawLog:
    if any(name is not None for name in frame.index.names):
        frame = frame.reset_index()
    columns = [
        (str(frame.columns[place]).strip(), RawColumn.of(frame.iloc[:, place]))
        for place in range(frame.shape[1])
    ]
    # As in a file: the headings are line 1.
    return RawLog(columns, np.arange(len(frame), dtype=np.int64) + 2, source)


def _from_parquet(data: bytes, source: str) -> RawLog:
    import pyarrow as pa  # noqa: PLC0415
    from pyarrow import parquet  # noqa: PLC0415

    try:
        table = parquet.read_table(io.BytesIO(data))
        table.validate(full=True)  # text that is no UTF-8 would be found only where it is used
        frame = table.to_pandas()
    except (pa.ArrowException, *DAMAGE) as error:
        raise LogError(
            f"{source}: the Parquet file cannot be read ({first_line(error)}). It is damaged or no "
            "Parquet file: write it again."
        ) from error
    return _from_frame(frame, source)
