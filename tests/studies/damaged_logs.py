"""Does every damaged log end in a clear answer?

Logs are damaged at random, from a seed: cut short, rows and columns shuffled, in another unit,
with zero bytes, byte order marks, formulas, huge cells, stray quotation marks, headings twice,
packed bytes changed, an enormous zip. They come as text (comma, semicolon, tab or pipe; packed
with gzip; in UTF-8 with and without its mark, UTF-16 and the code pages of older spreadsheets,
with names that need them), as workbooks of one sheet and of several, as Parquet and as tables of
Arrow. For each:

- reading ends in a LogError or UnitError that names the file, or in a check whose books
  balance; no other exception, no warning from a library;
- the generator knows how many rows it wrote: unless bytes were struck, as many come in, and
  each is used or refused: none is lost in silence, and no name is misread in silence;
- no message holds the folder of the file, and none is longer than a page;
- what is written from every fourth (the refused rows, the log without names) holds no cell that a
  spreadsheet would run, and the log without names holds none of the names.

    python tests/studies/damaged_logs.py 10000 --record

``--record`` writes the counts to ``results`` beside this file. Earlier runs found, and led to
mends of: bytes that are no UTF-8 behind a byte order mark, a mistake in the match details that
did not name its file, refused cells with characters that a workbook cannot hold, and headings of
thousands of characters in messages.
"""

import argparse
import csv
import gzip
import io
import json
import random
import re
import tempfile
import time
import warnings
import zipfile
from collections import Counter
from multiprocessing import Pool
from pathlib import Path

import openpyxl
import pandas as pd
import pyarrow as pa
from records import record

from sidewall.errors import LogError, UnitError
from sidewall.log import check_log, pseudonymise, write_table
from sidewall.log.writing import is_risky

HEAD = (
    *("match", "game", "rally", "shot", "player", "side", "stroke", "direction", "contact"),
    *("gap_cm", "choice", "balance", "rally_won_by", "ending", "x", "y", "t"),
)
#: One log in so many is also written.
WRITTEN = 4
PLAIN = ("Rowanberry", "Hazelnut", "Alderwood")
UNICODE = ("utf-8", "utf-8", "utf-8-sig", "utf-16", "utf-16-be")
#: Names of trees and shrubs that need the code page, in languages it is made for.
CODE_PAGES = {
    "cp1252": (("Röwanberry", "Hazelnüß", "Alderwood"), ("Châtaignier", "Frêne", "Érable")),
    "cp1250": (("Jeřabina", "Líska", "Olše"), ("Jarzębina", "Wiąz", "Żywotnik")),
    "cp1251": (("Рябина", "Лещина", "Ольха"), ("Горобина", "Ліщина", "Вільха")),
    "cp1253": (("Σορβιά", "Φουντουκιά", "Σκλήθρο"), ("Ιτιά", "Οξιά", "Πεύκο")),
    "mac_roman": (("Röwanberry", "Häselnut", "Alderwood"), ("Châtaignier", "Frêne", "Érable")),
}
KINDS = (
    *("text, comma", "text, semicolon", "text, tab", "text, pipe", "text, comma"),
    *("text packed with gzip", "workbook, one sheet", "workbook, several sheets", "Parquet"),
    "Arrow",
)
FORMULAS = (
    "=CMD()",
    "=1+1",
    "+1+1",
    "-2+3",
    "@SUM(A1)",
    "\t=1",
    '=HYPERLINK("http://example.org")',
    "=cmd|' /C calc'!A0",
    "\u200b=1",
    "＝1+1",
    "'=1+1",
)
ODD = (
    *FORMULAS,
    *(
        "",
        " ",
        "-",
        "-5",
        "1e9",
        "nan",
        "inf",
        "١٢",
        "½",
        "12,5",
        "1_000",
        "0x10",
        "99999999999999999999",
    ),
    *(
        "é" * 50,
        '"',
        '""',
        "a\nb",
        ";",
        ",",
        "|",
        "\\",
        "\ufeff",
        "None",
        "TRUE",
        "drop shot",
        "Fh",
    ),
)


def rows(chance, names=PLAIN):
    """Return the rows of a few sound rallies."""
    made = []
    for pair in (names[:2], names[1:]):
        match = " v ".join(pair)
        clock = 10.0
        for rally in range(1, chance.randint(2, 5)):
            length = chance.randint(2, 5)
            for shot in range(1, length + 1):
                clock += 1.5
                serve = shot == 1
                row = [
                    *(match, 1, rally, shot, pair[shot % 2], chance.choice(["forehand", "BH"])),
                    "serve" if serve else chance.choice(["drive", "Drop", "lob", "boast"]),
                    *("", chance.choice(["", "volley", "after_bounce"])),
                    "" if serve else chance.choice([12, 35.5, 80]),
                    *("", chance.choice(["", "set"])),
                    pair[length % 2] if shot == length else "",
                    "winner" if shot == length else "",
                    *(chance.choice(["", 0.4, 5.5]), chance.choice(["", 8.1]), clock),
                ]
                made.append(row)
    return made


def as_text(table, separator=","):
    """Return rows as separated text."""
    stream = io.StringIO()
    csv.writer(stream, delimiter=separator, lineterminator="\n").writerows(table)
    return stream.getvalue()


def as_workbook(table, chance, names=PLAIN, sheets=1):
    """Return rows as a workbook, cut into so many sheets that hold a log each."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    cuts = sorted(chance.randint(1, max(len(table), 1)) for _ in range(sheets - 1))
    parts = zip([1, *cuts], [*cuts, max(len(table), 1)], strict=True)
    for at, (first, end) in enumerate(parts, 1):
        sheet = book.create_sheet(f"part {at}")
        for row in [*table[:1], *table[first:end]]:
            sheet.append([None if cell == "" else cell for cell in map(_legal, row)])
        if sheets > 1 and chance.random() < 0.3:
            book.create_sheet(f"notes {at}").append(["seen", "on video"])
    if chance.random() < 0.3:
        details = book.create_sheet("match details")
        details.append(["match", "player_1", "player_2", "hand_1", "hand_2", "date"])
        details.append(
            [" v ".join(names[:2]), *names[:2], chance.choice(["right", "?"]), "left", "2026-03-31"]
        )
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def as_frame(table, chance):
    """Return rows as a table, all text or with numbers where a column holds nothing else."""
    width = len(table[0])
    body = [[str(cell) for cell in [*row, *[""] * width][:width]] for row in table[1:]]
    frame = pd.DataFrame(body, columns=[str(text) for text in table[0]], dtype=object)
    frame.columns = [f"{text} {at}" if text in frame.columns[:at] else text
                     for at, text in enumerate(frame.columns)]  # fmt: skip
    if chance.random() < 0.5:
        for at, name in enumerate(frame.columns):
            cells = frame.iloc[:, at]
            numbers = pd.to_numeric(cells.where(cells != ""), errors="coerce")
            if numbers.notna().equals(cells != "") and numbers.notna().any():
                frame[name] = numbers
    return frame


def _legal(cell):
    return re.sub("[\x00-\x08\x0b\x0c\x0e-\x1f]", "", cell) if isinstance(cell, str) else cell


# Damage to the table: each returns the number of rows that must come in.


def shuffle_rows(table, chance):
    body = table[1:]
    chance.shuffle(body)
    table[1:] = body
    return len(body)


def shuffle_columns(table, chance):
    order = list(range(len(table[0])))
    chance.shuffle(order)
    table[:] = [[row[at] for at in order] for row in table]
    return len(table) - 1


def other_unit(table, chance):
    at = table[0].index("gap_cm")
    table[0][at] = chance.choice(["gap_m", "gap_in", "gap_boards", "gap", "gap (feet)"])
    return len(table) - 1


def odd_cells(table, chance):
    for _ in range(chance.randint(1, 8)):
        row = table[chance.randint(1, len(table) - 1)]
        row[chance.randrange(len(row))] = chance.choice(ODD)
    return len(table) - 1


def formula_names(table, chance):
    wild = chance.choice(FORMULAS)
    at = table[0].index("player")
    first = table[1][at]
    for row in table[1:]:
        row[at] = wild if row[at] == first else row[at]
    return len(table) - 1


def huge_cell(table, chance):
    row = table[chance.randint(1, len(table) - 1)]
    row[chance.randrange(len(row))] = chance.choice("xé=1") * chance.choice([5_000, 32_000])
    return len(table) - 1


def heading_twice(table, chance):
    table[0][chance.randrange(17)] = chance.choice(table[0])
    return len(table) - 1


def odd_heading(table, chance):
    table[0][chance.randrange(17)] = chance.choice([*ODD, "x" * 9_000, "Gap", "remark"])
    return len(table) - 1


def drop_column(table, chance):
    at = chance.randrange(17)
    table[:] = [[*row[:at], *row[at + 1 :]] for row in table]
    return len(table) - 1


def no_rows(table, chance):
    del table[chance.randint(0, 1) :]
    return len(table) - 1


def uneven(table, chance):
    row = table[chance.randint(1, len(table) - 1)]
    if chance.random() < 0.5:
        row += ["more", "cells"]
    else:
        del row[chance.randint(2, 15) :]
    return len(table) - 1


def stray_marks(table, chance):
    """Quotation marks that open or close nothing, in a column of notes of its own."""
    marks = ['"nice', 'good"', '"', 'so "good" it was', '"a" b']
    table[0].insert(0, "note")
    for row in table[1:]:
        row.insert(0, chance.choice(marks) if chance.random() < 0.3 else "")
    return len(table) - 1


def repeat_rows(table, chance):
    table += [list(row) for row in table[1 : chance.randint(2, 6)]]
    return len(table) - 1


TABLE = (
    *(shuffle_rows, shuffle_columns, other_unit, odd_cells, odd_cells, formula_names, huge_cell),
    *(heading_twice, odd_heading, drop_column, no_rows, uneven, repeat_rows),
    stray_marks,
)
#: Damage that leaves every name as it was typed.
NAMES_STAY = (
    *(shuffle_rows, shuffle_columns, other_unit, drop_column, uneven, repeat_rows, stray_marks),
    None,
)


# Damage to the bytes.


def cut(data, chance):
    return data[: chance.randrange(len(data) + 1)]


def change_bytes(data, chance):
    made = bytearray(data)
    for _ in range(chance.randint(1, 10)):
        if made:
            made[chance.randrange(len(made))] = chance.randrange(256)
    return bytes(made)


def insert(data, chance):
    at = chance.randrange(len(data) + 1)
    piece = chance.choice(
        [b"\x00", b'"', b"\n", b"\r", b"\xff\xfe", b"\xef\xbb\xbf", b"\x1b[31m", b"\x85"]
    )
    return data[:at] + piece * chance.choice([1, 1, 300]) + data[at:]


def twice(data, chance):
    return data + data


def noise(data, chance):
    return chance.randbytes(chance.randint(0, 3_000))


BYTES = (cut, change_bytes, insert, twice, noise)


def repack(data, chance):
    """Change one part inside a workbook."""
    stream = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(stream, "w", 8) as new:
        parts = old.namelist()
        struck = chance.choice(parts)
        for part in parts:
            text = old.read(part)
            if part == struck:
                text = _struck(text, chance)
            if text is not None:
                new.writestr(part, text)
    return stream.getvalue()


def _struck(text, chance):
    kind = chance.randrange(8)
    if kind == 0:
        return None
    if kind == 1:
        return b"<!DOCTYPE a [<!ENTITY b 'bbbbbbbb'><!ENTITY c '&b;&b;&b;'>]>" + text
    if kind == 2:
        return text.replace(b'r="A2"', b'r="A1048577"').replace(b'r="2"', b'r="1048577"')
    if kind == 3:
        return text.replace(b'r="2"', b'r="999999999"')
    if kind == 4:
        return re.sub(rb"<v>[^<]*</v>", b"<f>1+1</f><v></v>", text, count=chance.randint(1, 3))
    if kind == 5:
        return text.replace(b'r="B3"', b'r="XFD3"')
    if kind == 6:
        return b"\x00" * 30_000_000 + text
    return change_bytes(text, chance)


def damaged(seed, folder):
    """Make one damaged log.

    Returns
    -------
    log : Path or Arrow table
    due : int or None
        Rows that must come in; None where bytes were struck.
    names : tuple of str
    known : bool
        Whether all names still stand as they were.
    kind : str
    """
    chance = random.Random(seed)
    kind = chance.choice(KINDS)
    encoding, names = chance.choice(UNICODE), PLAIN
    if kind.startswith("text") and chance.random() < 0.5:
        encoding = chance.choice(list(CODE_PAGES))
        names = chance.choice([PLAIN, *CODE_PAGES[encoding]])
    elif chance.random() < 0.3:
        names = chance.choice([two for pairs in CODE_PAGES.values() for two in pairs])
    table = [list(HEAD), *rows(chance, names)]
    damage = chance.choice([*TABLE, None, None, None, None])
    due = len(table) - 1 if damage is None else damage(table, chance)
    due = max(due, 0) - sum(is_blank_row(row) for row in table[1:])
    strike = chance.random() < 0.3
    if kind == "Arrow":
        log, strike = pa.Table.from_pandas(as_frame(table or [[""]], chance)), False
    elif kind == "Parquet":
        log = folder / "log.parquet"
        stream = io.BytesIO()
        as_frame(table or [[""]], chance).to_parquet(stream)
        data = stream.getvalue()
    elif kind.startswith("workbook"):
        log = folder / "log.xlsx"
        data = as_workbook(table, chance, names, 1 if kind.endswith("one sheet") else 3)
    else:
        log = folder / chance.choice(["log.csv", "log.tsv", "log.txt"])
        separator = {"comma": ",", "semicolon": ";", "tab": "\t", "pipe": "|"}.get(
            kind.partition(", ")[2], ","
        )
        text = as_text(table, separator)
        if damage is stray_marks:  # as a person types them, not as a program would
            text = "\n".join(map(_unquoted, table, [separator] * len(table))) + "\n"
        data = text.encode(encoding, errors="replace")
        kind = f"{kind}, {encoding}"
        if "gzip" in kind:
            data = gzip.compress(data, mtime=0)
    if strike:
        packed = kind.startswith("workbook")
        data = chance.choice([repack, repack, *BYTES] if packed else BYTES)(data, chance)
    if isinstance(log, Path):
        log.write_bytes(data)
    known = damage in NAMES_STAY and not strike
    return log, None if strike else due, names, known, kind


def _unquoted(row, separator):
    return separator.join(map(str, row))


def is_blank_row(row):
    return not any(str(cell).strip() for cell in row)


class LostError(AssertionError):
    """Rows or names that went missing without a word."""


def try_one(seed, folder):
    """Damage one log and hold the answer to the promises; return what became of it and its kind."""
    for old in folder.iterdir():
        old.unlink()
    log, due, names, known, kind = damaged(seed, folder)
    before = log.read_bytes() if isinstance(log, Path) else None
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        warnings.filterwarnings("ignore", module="openpyxl")
        try:
            check = check_log(log)
        except (LogError, UnitError) as error:
            _hold_text(str(error), log, name=True)
            answer = "refused as a whole"
        else:
            _hold_text(check.summary(), log)
            _hold_books(check, due, names if known else None)
            if seed % WRITTEN == 0:
                _hold_written(check, log, folder, names)
            answer = "rows refused" if check.rows_refused else "all rows used"
    assert before is None or log.read_bytes() == before
    return answer, kind


def _hold_books(check, due, names):
    where = ["sheet", "line"] if "sheet" in check.problems else ["line"]
    refused = check.problems[where].drop_duplicates()
    if due is not None and check.rows_in != due:
        raise LostError(f"{due} rows were written and {check.rows_in} came in")
    if check.rows_in != check.rows_used + check.rows_refused:
        raise LostError("the books do not balance")
    if len(check.shots) != check.rows_used or len(refused) != check.rows_refused:
        raise LostError("the tables do not hold what the books say")
    used = check.shots[where].astype(str).agg(" ".join, axis=1)
    assert not set(used) & set(refused.astype(str).agg(" ".join, axis=1))
    misread = set(check.shots["player"].astype(str)) - set(names or check.shots["player"])
    if misread:
        raise LostError(f"names misread: {misread}")


def _hold_text(text, log, name=False):
    assert len(text) < 6_000, len(text)
    if isinstance(log, Path):
        assert not name or log.name in text
        assert str(log.parent) not in text.replace(str(log), log.name)


def _hold_written(check, log, folder, names):
    write_table(check.problems, folder / "refused.csv")
    write_table(check.problems, folder / "refused.xlsx")
    done = pseudonymise(log, folder / "coded.csv", folder / "key.csv", seed=1)
    assert done.rows == check.rows_in
    for name in ("refused.csv", "coded.csv"):
        text = (folder / name).read_text(encoding="utf-8-sig")
        csv.field_size_limit(1_000_000)
        cells = [cell for row in csv.reader(io.StringIO(text, newline="")) for cell in row]
        assert not [cell for cell in cells if is_risky(cell)]
    coded = (folder / "coded.csv").read_text(encoding="utf-8-sig").casefold()
    assert not [name for name in names if name.casefold() in coded]
    book = openpyxl.load_workbook(folder / "refused.xlsx")
    assert not [cell for row in book.active for cell in row if cell.data_type == "f"]
    book.close()
    again = check_log(folder / "coded.csv")
    assert again.rows_in == check.rows_in


def one_of_many(seed):
    """Return what became of a log, its kind, the promise broken with its error, and the time."""
    began = time.perf_counter()
    answer = kind = promise = said = None
    with tempfile.TemporaryDirectory() as folder:
        try:
            answer, kind = try_one(seed, Path(folder))
        except Exception as error:  # noqa: BLE001 - any other is what is looked for
            promise = "tracebacks"
            if isinstance(error, AssertionError):
                promise = "silent losses" if isinstance(error, LostError) else "other promises"
            said = f"seed {seed}: {type(error).__name__}: {str(error)[:300]}"
    return answer, kind, promise, said, (time.perf_counter() - began, seed)


def main():
    """Try many seeds, print what became of them, and record it if asked."""
    parser = argparse.ArgumentParser()
    parser.add_argument("logs", type=int, nargs="?", default=10_000)
    parser.add_argument("--seed", type=int, default=0, help="the first; each log has its own")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--record", action="store_true")
    asked = parser.parse_args()
    answers, kinds, broken = Counter(), Counter(), Counter()
    start, slowest, known = time.perf_counter(), (0.0, 0), []
    seeds = range(asked.seed, asked.seed + asked.logs)
    with Pool(asked.jobs) as pool:
        for answer, kind, promise, said, took in pool.imap(one_of_many, seeds, chunksize=20):
            slowest = max(slowest, took)
            if promise is None:
                answers[answer] += 1
                kinds[kind] += 1
            else:
                broken[promise] += 1
                known.append(said)
                print(said, flush=True)
    row = {"logs": asked.logs, "tracebacks": broken["tracebacks"]}
    row |= {"silent_losses": broken["silent losses"], "others": broken["other promises"]}
    row |= {"seconds": time.perf_counter() - start, "slowest_s": slowest[0]}
    figures = {
        "promises broken": [row | {"slowest_seed": slowest[1]}],
        "answers": [{"answer": what, "logs": n} for what, n in sorted(answers.items())],
        "kinds of file": [{"kind": what, "logs": n} for what, n in sorted(kinds.items())],
    }
    if known:
        figures["broken"] = [{"what": said} for said in known]
    if asked.record:
        libraries = ("pandas", "pyarrow", "python-calamine", "charset-normalizer", "openpyxl")
        record("damaged_logs", figures, asked.seed, libraries)
    else:
        print(json.dumps(figures, indent=1, ensure_ascii=False))


if __name__ == "__main__":
    main()
