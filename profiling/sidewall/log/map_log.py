"""Write a log under other headings as a log under ours."""

from __future__ import annotations

import os
from typing import Any

import pandas as pd

from sidewall.court import Court
from sidewall.log.check import LogCheck, check_log
from sidewall.log.mapping.apply import MapSource, apply_map, read_map
from sidewall.log.source import Source, open_log
from sidewall.log.writing import check_target, write_table


def map_log(
    path: Source,
    mapping: MapSource,
    out: str | os.PathLike[str] | None = None,
    *,
    overwrite: bool = False,
    court: Court | None = None,
    **options: Any,
) -> tuple[pd.DataFrame, LogCheck]:
    """Apply a map to a log.

    Parameters
    ----------
    path
        Their log.
    mapping
        The map, or the file that holds it.
    out
        Where to write the result: .csv, .xlsx or .parquet; nothing is written by default.
    overwrite
        Whether a file of that name may be replaced.
    court, **options
        As in :func:`sidewall.check_log`.

    Returns
    -------
    table : DataFrame
        Every shot of their log, refused or not, under our headings, with ``line``, the line
        of their file, and ``sheet`` where several were read.
    check : LogCheck
        What of it can be used; lines, headings and cells are those of their file.

    Raises
    ------
    LogError
        If the log or the map cannot be read.
    WriteError
        If the result cannot be written.
    UnitError
        If a length carries no unit.

    See Also
    --------
    guess_map
    ColumnMap
    check_log

    Examples
    --------
    >>> theirs = pd.read_csv("ladder.csv").rename(columns={"gap_cm": "Gap to wall (cm)"})
    >>> text = sw.guess_map(theirs)
    >>> table, check = sw.map_log(theirs, sw.ColumnMap.from_text(text))
    >>> table.columns.to_list()[:4]
    ['match', 'game', 'rally', 'shot']
    """
    if out is not None:
        check_target(out, overwrite=overwrite)
    check = check_log(path, mapping=mapping, court=court, **options)
    opening = {key: options[key] for key in ("sheet", "delimiter", "encoding") if key in options}
    known = read_map(mapping)
    raw = apply_map(open_log(path, needs=known.missing, **opening), known, court)
    table = pd.DataFrame(
        {heading: pd.Series(column.distinct[column.codes]) for heading, column in raw.columns}
    )
    if raw.sheet_names is not None:
        table = table.assign(sheet=raw.sheet_names)
    table = table.assign(line=raw.lines)
    if out is not None:
        write_table(table, out, overwrite=overwrite)
    return table, check
