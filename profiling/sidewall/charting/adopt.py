"""A log that is there already, taken over as it stands so that charting goes on from it."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import numpy as np

from sidewall.charting.rows import COUNTS, HEADINGS, NUMBERS, WORDS, Row, Setup
from sidewall.errors import LogError
from sidewall.log.cells import is_blank, parse_numbers, tidy_name
from sidewall.log.columns import understand
from sidewall.log.raw import RawColumn, RawLog
from sidewall.log.source import open_log
from sidewall.log.synonyms import understand_word

_NUMBER_COLUMNS: Final = (*COUNTS, *NUMBERS)


def adopt_log(path: Path) -> tuple[Setup, list[Row]] | None:
    """Read a log that charting can go on from, a CSV file; None if it has no rows.

    A LogError if it holds what charting would not keep: other columns, several matches, numbers
    or words that cannot be understood. Headings may stand in any order, and some be missing.
    """
    raw = open_log(path)
    columns = _columns(raw)
    if not len(raw.lines):
        return None
    texts = {name: _texts(column) for name, column in columns.items()}
    numbers = {
        name: _numbers(raw, name, columns[name]) for name in _NUMBER_COLUMNS if name in columns
    }
    matches = sorted(set(texts.get("match", [""])))
    if len(matches) != 1 or not matches[0]:
        raise LogError(
            f"{path.name} holds the matches {matches}: charting keeps one match in a file."
        )
    names = dict.fromkeys([*texts["player"], *texts.get("opponent", [])])
    players = [name for name in names if name]
    if len(players) != 2 or "" in texts["player"]:
        raise LogError(
            f"{path.name}: the players are {players}; every row names its player, and a match has "
            "two."
        )
    other = dict(zip(players, reversed(players), strict=True))
    rows = []
    for at in range(len(raw.lines)):
        row: Row = {name: numbers[name][at] for name in COUNTS}
        row |= {"player": texts["player"][at], "opponent": other[texts["player"][at]]}
        row |= {name: _word(raw, name, texts, at) for name in WORDS}
        row |= {name: numbers[name][at] if name in numbers else None for name in NUMBERS}
        row["rally_won_by"] = texts["rally_won_by"][at] or None if "rally_won_by" in texts else None
        rows.append(row)
    hands = {
        player: hand
        for player, hand in zip(texts["player"], texts.get("hand", []), strict=False)
        if hand
    }
    scoring = next((word for word in texts.get("scoring", []) if word), "par11")
    first = rows[0]["player"]
    return Setup(matches[0], (players[0], players[1]), first, scoring, hands), rows


def _columns(raw: RawLog) -> dict[str, RawColumn]:
    found: dict[str, RawColumn] = {}
    strange = []
    for text, column in raw.columns:
        known = understand(text)
        name = "" if known is None else f"{known[0]}_cm" if known[0] == "gap" else known[0]
        # x and y may say their unit, but charting keeps metres; a gap is kept in cm.
        unit_fits = known is not None and known[1] in ((None, "m") if name != "gap_cm" else ("cm",))
        if name in HEADINGS and unit_fits:
            found[name] = column
        elif not column.blank.all():
            strange.append(text)
    missing = [name for name in ("match", *COUNTS, "player") if name not in found]
    if strange or raw.overfull:
        raise LogError(
            f"{raw.source} holds what charting does not keep: {', '.join(strange) or 'more cells'}"
            f" than its headings. Its columns are {', '.join(HEADINGS)}. Chart into another file."
        )
    if missing:
        raise LogError(f"{raw.source}: no column {', '.join(missing)}. Chart into another file.")
    return found


def _texts(column: RawColumn) -> list[str]:
    tidy = np.array(
        ["" if is_blank(cell, name=True) else tidy_name(cell) for cell in column.distinct]
    )
    return [str(text) for text in tidy[column.codes]]


def _numbers(raw: RawLog, name: str, column: RawColumn) -> list[Any]:
    found = parse_numbers(column.distinct, comma_decimals=raw.comma_decimals, clock=name == "t")
    used = np.unique(column.codes)
    wrong = [
        at
        for at in used
        if found.wrong[at] or (name in COUNTS and not float(found.value[at]).is_integer())
    ]
    if wrong:
        what = "whole number" if name in COUNTS else "number"
        raise LogError(
            f"{raw.source}: {name} holds {str(column.distinct[wrong[0]])!r}, which is no {what}. "
            "Mend it in a spreadsheet first."
        )
    values: list[Any] = [
        None if blank else int(value) if name in COUNTS else float(value)
        for value, blank in zip(found.value, found.blank, strict=True)
    ]
    return [values[code] for code in column.codes]


def _word(raw: RawLog, name: str, texts: dict[str, list[str]], at: int) -> str | None:
    text = texts[name][at] if name in texts else ""
    if not text:
        return None
    meaning = understand_word(name, text)
    if meaning.value is None or meaning.beside:
        raise LogError(
            f"{raw.source}: line {raw.lines[at]}: {name} holds {text!r}; {meaning.mend}. "
            "Mend it in a spreadsheet first."
        )
    return meaning.value
