"""``sidewall pseudonymise``: a log without names."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, cast

import typer

from sidewall.cli.options import Encoding, Log, Matches, Players, Sheets

__all__ = ["pseudonymise"]


def pseudonymise(
    log: Log,
    out: Annotated[Path, typer.Option("--out", help="Log to write: .csv, .xlsx or .parquet.")],
    key: Annotated[
        Path,
        typer.Option("--key", help="File of the codes; one that is there is used and extended."),
    ],
    players: Players = None,
    matches: Matches = None,
    dates: Annotated[
        str,
        typer.Option(
            "--dates",
            help="drop leaves dates out; shift moves all by one secret number of weeks; keep.",
        ),
    ] = "drop",
    sheet: Sheets = None,
    encoding: Encoding = None,
) -> None:
    """Write a log with codes in place of names, and the key in a file of its own.

    Only columns of a log are kept, and only cells that are understood. Keep the key apart:
    whoever has it can undo the codes. Nothing is overwritten.
    """
    from sidewall.log import pseudonyms  # noqa: PLC0415

    done = pseudonyms.pseudonymise(
        log,
        out,
        key,
        players=players,
        matches=matches,
        dates=cast(pseudonyms.Dates, dates),
        sheet=sheet or None,
        encoding=encoding,
    )
    for file in done.files:
        typer.echo(f"Wrote {file}")
    new = ", ".join(f"{count} {kind}" for kind, count in done.new_codes.items())
    typer.echo(f"Key: {done.key} (new codes: {new or 'none'}). Keep it apart from the log.")
    typer.echo(f"{done.rows:,} rows in, {done.rows:,} rows out.")
    if done.dropped:
        typer.echo(f"Columns left out: {', '.join(done.dropped)}")
    if done.cells_replaced:
        typer.echo(f"Cells that were not understood, now '?': {done.cells_replaced:,}")
    what = {"drop": "left out", "shift": "moved by whole weeks", "keep": "kept as they are"}
    typer.echo(f"Dates: {what[done.dates]}.")
