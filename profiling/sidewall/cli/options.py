"""What the commands share: options, how a log is read and a player found, how an error is told."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperGroup

from sidewall.errors import DataError, LogError, SidewallError
from sidewall.files import Account, account

if TYPE_CHECKING:
    from sidewall.log import LogCheck


#: Exit codes; the last is what a shell says of a program that Ctrl-C ended.
REFUSED, FAILED, STOPPED = 1, 2, 130

Logs = Annotated[
    list[Path],
    typer.Argument(help="Shot logs (.csv, .xlsx or .parquet) and folders of them."),
]
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


class Program(TyperGroup):
    """The commands, each run so that what goes wrong is told plainly."""

    def invoke(self, ctx: Any) -> Any:
        """Run the command that was asked for."""
        with plain_errors():
            return super().invoke(ctx)


@contextmanager
def plain_errors() -> Iterator[None]:
    """Turn what went wrong, or Ctrl-C, into a message: what was written and what was not."""
    with account() as own, _noted_interrupts() as stopped:
        try:
            yield
        except typer.Exit:
            raise
        except SidewallError as error:
            if not stopped:
                said = [f"sidewall: {error}", *(_what_was_written(own) if own.written else ())]
                typer.echo("\n".join(said), err=True)
                raise typer.Exit(FAILED) from error
        except (Exception, KeyboardInterrupt) as error:
            # Libraries may make something else of an interrupt that comes while they load.
            if not stopped and not isinstance(error, KeyboardInterrupt):
                raise
            stopped.append(signal.SIGINT)
        if stopped:
            said = ["sidewall: stopped by Ctrl-C.", *_what_was_written(own)]
            typer.echo("\n".join(said), err=True)
            raise typer.Exit(STOPPED)


@contextmanager
def _noted_interrupts() -> Iterator[list[int]]:
    """Note Ctrl-C besides raising KeyboardInterrupt, which not every library lets pass."""
    noted: list[int] = []

    def note(number: int, _: Any) -> None:
        noted.append(number)
        raise KeyboardInterrupt

    # Left alone where it is ignored, as behind nohup, or taken by someone else.
    own = signal.getsignal(signal.SIGINT) is signal.default_int_handler
    own = own and threading.current_thread() is threading.main_thread()
    if own:
        signal.signal(signal.SIGINT, note)
    try:
        yield noted
    finally:
        if own:
            signal.signal(signal.SIGINT, signal.default_int_handler)


def _what_was_written(own: Account) -> list[str]:
    if not own.written:
        return ["Nothing was written."]
    left = own.left
    said = ["Written whole:", *_listed(own.written)]
    if left:
        said += ["Not written, and as it was before:", *_listed(left)]
    return said


def _listed(paths: Iterable[Path]) -> list[str]:
    return [f"  {path}" for path in paths]


class Steps:
    """A progress bar of a command on the error stream, shown where that is a terminal."""

    def __init__(self, command: str, total: int) -> None:
        from tqdm import tqdm  # noqa: PLC0415

        self.bar = tqdm(total=total, desc=command, unit="step", leave=False, disable=None)
        self.begun = False

    def next(self, what: str) -> None:
        """Say what comes now; what came before is done."""
        if self.begun:
            self.bar.update()
        self.begun = True
        self.bar.set_postfix_str(what)

    def __enter__(self) -> Steps:
        return self

    def __exit__(self, *_: object) -> None:
        self.bar.close()


def read_log(
    logs: list[Path],
    players: Path | None,
    matches: Path | None,
    board_width_cm: float | None,
    sheets: list[str] | None,
    encoding: str | None,
) -> LogCheck:
    """Read and check logs, and folders of them, with the tables beside them."""
    from sidewall.log import check_log  # noqa: PLC0415

    return check_log(
        logs[0] if len(logs) == 1 else logs,
        players=players,
        matches=matches,
        board_width_cm=board_width_cm,
        sheet=sheets or None,
        encoding=encoding,
    )


def usable_log(found: LogCheck) -> LogCheck:
    """Return the check if any row can be used, and say how many cannot."""
    if found.rows_refused:
        typer.echo(
            f"{found.rows_refused:,} of {found.rows_in:,} rows are refused and left out; "
            "'sidewall check' says why.",
            err=True,
        )
    if not found.rows_used:
        raise LogError(f"{found.source}: no row can be used, so there is nothing to go on.")
    return found


_MOST_LISTED = 12


def find_player(asked: str, players: Sequence[str]) -> str:
    """Return the player meant; case does not matter unless two players differ in nothing else.

    A DataError with the names that come close, or all where they are few.
    """
    if asked in players:
        return asked
    folded = [name for name in players if name.casefold() == asked.strip().casefold()]
    if len(folded) == 1:
        return folded[0]
    by_fold = {name.casefold(): name for name in players}
    close = [by_fold[name] for name in get_close_matches(asked.casefold(), list(by_fold), n=3)]
    message = f"No player is called {asked!r}."
    if close:
        message += f" Close names: {', '.join(close)}."
    elif len(players) <= _MOST_LISTED:
        message += f" Players in the log: {', '.join(players)}."
    else:
        message += f" The log has {len(players)} players, such as {', '.join(players[:5])}."
    raise DataError(message)
