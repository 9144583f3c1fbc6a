"""``sidewall map``: propose a map of a log's columns, or apply one."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from sidewall.cli.options import (
    REFUSED,
    BoardWidth,
    Encoding,
    Log,
    Matches,
    Players,
    Sheets,
)
from sidewall.errors import SidewallError

__all__ = ["map_columns"]


def map_columns(
    log: Log,
    guess: Annotated[
        bool, typer.Option("--guess", help="Propose a map; nothing is applied.")
    ] = False,
    with_map: Annotated[
        Path | None, typer.Option("--with", help="The map to apply: a TOML file.")
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", help="File to write: the map, or the log under our headings."),
    ] = None,
    players: Players = None,
    matches: Matches = None,
    board_width_cm: BoardWidth = None,
    sheet: Sheets = None,
    encoding: Encoding = None,
) -> None:
    """Read a log that has other headings, by a map that says which column is which.

    First 'sidewall map LOG --guess --out MAP.toml' and check the map, then
    'sidewall map LOG --with MAP.toml --out NEW.csv'. No file is overwritten. Ends with 0, with
    1 if rows would be refused, or with 2 if the log or the map cannot be read.
    """
    if guess == (with_map is not None):
        raise SidewallError("give either --guess or --with MAP.toml.")
    if with_map is None:
        _propose(log, out, {"sheet": sheet or None, "encoding": encoding})
        return
    if out is None:
        raise SidewallError("say with --out where to write the log.")
    from sidewall.log import map_log  # noqa: PLC0415

    table, check = map_log(
        log,
        with_map,
        out,
        players=players,
        matches=matches,
        board_width_cm=board_width_cm,
        sheet=sheet or None,
        encoding=encoding,
    )
    typer.echo(check.summary())
    typer.echo(f"Wrote {out}: {len(table):,} shots, those to mend among them.")
    if check.rows_refused:
        raise typer.Exit(REFUSED)


def _propose(log: Path, out: Path | None, opening: dict[str, Any]) -> None:
    from sidewall.files import plan_files, write_file  # noqa: PLC0415
    from sidewall.log import guess_map  # noqa: PLC0415

    if out is None:
        typer.echo(guess_map(log, **opening), nl=False)
        return
    plan_files([out], overwrite=False)
    text = guess_map(log, **opening)
    write_file(out, text, overwrite=False)
    typer.echo(
        f"Wrote {out}. Check every line, then: sidewall map {log} --with {out} --out NEW.csv"
    )
