"""A log to start from: the headings and one short rally."""

from __future__ import annotations

import csv
import os
from pathlib import Path
from typing import Any, Final

from sidewall.errors import LogError
from sidewall.log.columns import COLUMNS
from sidewall.log.vocabulary import HANDS, VOCABULARY

#: Three shots: a serve, a drive that stays loose, and a volleyed drop that wins.
EXAMPLE: Final[tuple[dict[str, Any], ...]] = (
    {"shot": 1, "player": "Rowan", "side": "forehand", "stroke": "serve", "t": 12.0},
    {
        "shot": 2,
        "player": "Hazel",
        "side": "backhand",
        "stroke": "drive",
        "direction": "straight",
        "contact": "after_bounce",
        "gap_cm": 35,
        "choice": "reset",
        "balance": "set",
        "t": 13.5,
    },
    {
        "shot": 3,
        "player": "Rowan",
        "side": "backhand",
        "stroke": "drop",
        "direction": "straight",
        "contact": "volley",
        "gap_cm": 70,
        "choice": "attack",
        "balance": "set",
        "rally_won_by": "Rowan",
        "ending": "winner",
        "t": 14.7,
    },
)
_SAME: Final = {"match": "Rowan v Hazel", "game": 1, "rally": 1}
HEADINGS: Final = (
    "match",
    "game",
    "rally",
    "shot",
    "player",
    "side",
    "stroke",
    "direction",
    "contact",
    "gap_cm",
    "choice",
    "balance",
    "rally_won_by",
    "ending",
    "t",
)


def write_template(path: str | os.PathLike[str], *, overwrite: bool = False) -> Path:
    """Write a log with its headings and three example rows.

    Parameters
    ----------
    path
        Ends in ``.csv`` or ``.xlsx``; a workbook carries a second sheet that explains every
        column.
    overwrite
        Whether a file of that name may be replaced.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    LogError
        If the suffix is another, the file exists, or it cannot be written.
    """
    file = Path(path)
    suffix = file.suffix.lower()
    if suffix not in (".csv", ".xlsx"):
        raise LogError(f"{file}: a template ends in .csv or .xlsx.")
    if file.exists() and not overwrite:
        raise LogError(f"{file}: the file exists. Choose another name, or pass overwrite=True.")
    rows = [[{**_SAME, **shot}.get(name) for name in HEADINGS] for shot in EXAMPLE]
    try:
        if suffix == ".csv":
            # With its mark, so that every spreadsheet takes it for UTF-8.
            with file.open("w", encoding="utf-8-sig", newline="") as stream:
                csv.writer(stream).writerows([HEADINGS, *rows])
        else:
            _workbook(file, rows)
    except OSError as error:
        raise LogError(
            f"{file}: the file cannot be written ({error.strerror}). Close it elsewhere, or choose "
            "a folder that exists and that you may write to."
        ) from error
    return file


def explanations() -> list[tuple[str, str, str, str]]:
    """Return heading, whether it is required, meaning and allowed words of every column."""
    units = {"gap": "gap_cm, gap_in, gap_m or gap_boards"}
    rows = []
    for spec in COLUMNS:
        words = HANDS if spec.name == "hand" else VOCABULARY.get(spec.name, ())
        heading = spec.name
        if spec.kind == "length":
            plain = f"{spec.name} (in metres), " if spec.metres_assumed else ""
            heading = units.get(spec.name, f"{plain}{spec.name}_cm or {spec.name}_in")
        rows.append((heading, "yes" if spec.required else "no", spec.meaning, ", ".join(words)))
    return rows


def _workbook(file: Path, rows: list[list[Any]]) -> None:
    from openpyxl import Workbook  # noqa: PLC0415
    from openpyxl.styles import Font  # noqa: PLC0415

    book = Workbook()
    log = book.active
    log.title = "log"
    for row in (list(HEADINGS), *rows):
        log.append(row)
    columns = book.create_sheet("columns")
    for line in (("column", "required", "meaning", "words"), *explanations()):
        columns.append(line)
    for sheet, widths in ((log, [14] * len(HEADINGS)), (columns, [40, 10, 64, 72])):
        sheet.freeze_panes = "A2"
        for cell, width in zip(sheet[1], widths, strict=True):
            cell.font = Font(bold=True)
            sheet.column_dimensions[cell.column_letter].width = width
    book.save(file)
    book.close()
