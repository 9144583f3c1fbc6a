"""What the commands share: their options, how a log is read, how an error is told."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sidewall.errors import SidewallError

if TYPE_CHECKING:
    from sidewall.log import LogCheck

__all__ = [
    "FAILED",
    "REFUSED",
    "BoardWidth",
    "Encoding",
    "Log",
    "Matches",
    "Players",
    "Sheets",
    "Unit",
    "plain_errors",
    "read_log",
]

REFUSED, FAILED = 1, 2

Log = Annotated[Path, typer.Argument(help="The shot log: .csv, .xlsx or .parquet.")]
Players = Annotated[
    Path | None, typer.Option("--players", help="Table of players: hand, group, initials.")
]
Matches = Annotated[
    Path | None, typer.Option("--matches", help="Table of matches: date, board width, tin height.")
]
BoardWidth = Annotated[
    float | None,
    typer.Option("--board-width-cm", help="Width of one floorboard, where the log has none."),
]
Sheets = Annotated[
    list[str] | None,
    typer.Option(
        "--sheet",
        help="Sheet of a workbook to read; may be given several times. By default every sheet "
        "that holds a log.",
    ),
]
Encoding = Annotated[
    str | None,
    typer.Option("--encoding", help="Encoding of text files that are not UTF-8, such as cp1250."),
]
Unit = Annotated[str, typer.Option("--unit", help="Unit of every gap: cm, in, m or boards.")]


@contextmanager
def plain_errors() -> Iterator[None]:
    """Turn what went wrong into one message and exit code 2."""
    try:
        yield
    except SidewallError as error:
        typer.echo(f"sidewall: {error}", err=True)
        raise typer.Exit(FAILED) from error


def read_log(
    log: Path,
    players: Path | None,
    matches: Path | None,
    board_width_cm: float | None,
    sheets: list[str] | None,
    encoding: str | None,
) -> LogCheck:
    """Read and check a log with the tables beside it."""
    from sidewall.log import check_log  # noqa: PLC0415

    return check_log(
        log,
        players=players,
        matches=matches,
        board_width_cm=board_width_cm,
        sheet=sheets or None,
        encoding=encoding,
    )
