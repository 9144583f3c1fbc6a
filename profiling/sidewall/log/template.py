"""A log to start from: the headings and one short rally."""

from __future__ import annotations

import csv
import io
import os
from pathlib import Path
from typing import Any, Final

from sidewall.court.units import parse_unit, to_display
from sidewall.errors import LogError
from sidewall.files import plan_files, write_file
from sidewall.log.sheet_formulas import LOG_COLUMNS

#: Width of a board in the example.
EXAMPLE_BOARD_M: Final = 0.07
#: Three shots: a serve, a drive that stays loose, and a volleyed drop that wins. Gaps in cm.
EXAMPLE: Final[tuple[dict[str, Any], ...]] = (
    {"shot": 1, "player": "Rowan", "side": "forehand", "stroke": "serve", "t": 12.0},
    {
        "shot": 2,
        "player": "Hazel",
        "side": "backhand",
        "stroke": "drive",
        "direction": "straight",
        "contact": "after_bounce",
        "gap": 35,
        "choice": "reset",
        "balance": "set",
        "depth": "back",
        "lane": "left",
        "opponent_place": "in_front",
        "bounce": "behind_box",
        "t": 13.5,
    },
    {
        "shot": 3,
        "player": "Rowan",
        "side": "backhand",
        "stroke": "drop",
        "direction": "straight",
        "contact": "volley",
        "gap": 70,
        "choice": "attack",
        "balance": "set",
        "depth": "middle",
        "lane": "left",
        "opponent_place": "behind",
        "bounce": "short",
        "rally_won_by": "Rowan",
        "ending": "winner",
        "t": 14.7,
    },
)
_SAME: Final = {"match": "Rowan v Hazel", "game": 1, "rally": 1}
#: What a workbook fills in besides is left out.
HEADINGS: Final = tuple(name for name in LOG_COLUMNS if name not in ("opponent", "remark"))


def write_template(
    path: str | os.PathLike[str], *, overwrite: bool = False, gap_unit: str = "cm"
) -> Path:
    """Write a log to type into, with three example rows.

    A workbook fills in by formulas whatever follows from the rows above: match, game, rally,
    shot, who strikes and, but for a stroke or a no-let, who won. Words are picked from
    lists, a row that contradicts the one above is coloured and the remark beside it says
    why, one sheet holds the details of matches and players, and one explains every column.

    Parameters
    ----------
    path
        Ends in ``.csv`` or ``.xlsx``.
    overwrite
        Whether a file of that name may be replaced.
    gap_unit
        Unit of the gap: cm, in, m or boards.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    LogError
        If the suffix is another.
    WriteError
        If the file exists or cannot be written.
    UnitError
        If the unit is unknown.

    See Also
    --------
    read_shots
    ChartMatch

    Examples
    --------
    >>> sw.write_template("new-log.xlsx", gap_unit="in").name
    'new-log.xlsx'
    """
    file = Path(path)
    suffix = file.suffix.lower()
    heading = f"gap_{parse_unit(gap_unit)}"
    if suffix not in (".csv", ".xlsx"):
        raise LogError(f"{file}: a template ends in .csv or .xlsx.")
    plan_files([file], overwrite=overwrite)
    if suffix == ".csv":
        headings = [heading if name == "gap" else name for name in HEADINGS]
        rows = [[shot.get(name) for name in HEADINGS] for shot in example(heading)]
        text = io.StringIO(newline="")
        csv.writer(text).writerows([headings, *rows])
        # With its mark, so that every spreadsheet takes it for UTF-8.
        data = text.getvalue().encode("utf-8-sig")
    else:
        from sidewall.log.template_workbook import workbook_bytes  # noqa: PLC0415

        data = workbook_bytes(heading, example(heading))
    return write_file(file, data, overwrite=overwrite)


def example(gap_heading: str) -> list[dict[str, Any]]:
    """Rows of the example, with the gap in the unit of its heading."""
    rounding = {"gap_cm": 0, "gap_boards": 0}.get(gap_heading, 2)
    unit = gap_heading.removeprefix("gap_")
    rows = []
    for shot in EXAMPLE:
        row = {**_SAME, **shot}
        if "gap" in row:
            gap = to_display(row["gap"] / 100, unit, EXAMPLE_BOARD_M)
            row["gap"] = round(gap, rounding) if rounding else round(gap)
        rows.append(row)
    return rows
