"""The commands. Each is thin: the work is done by functions that a notebook could call.

What a command needs is loaded when it runs, so that ``sidewall --help`` answers at once.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from sidewall.beside import spare_jobs
from sidewall.cli.logs import agree, compare, join, map_columns, notebook, pseudonymise
from sidewall.cli.options import (
    REFUSED,
    BoardWidth,
    Encoding,
    Logs,
    Matches,
    Players,
    Program,
    Sheets,
    Unit,
    read_log,
    usable_log,
)
from sidewall.cli.plan import plan
from sidewall.cli.report import report, sheet
from sidewall.errors import WriteError

app = typer.Typer(
    cls=Program,
    help="From a squash shot log to a player's own loose-ball threshold.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)


def _version(asked: bool) -> None:
    if asked:
        from sidewall import __version__  # noqa: PLC0415

        typer.echo(f"sidewall {__version__}")
        raise typer.Exit


@app.callback()
def _program(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_version, is_eager=True, help="Say which version."),
    ] = False,
) -> None:
    pass


@app.command()
def demo(
    out: Annotated[Path, typer.Option("--out", help="Folder to write into.")] = Path(
        "sidewall-demo"
    ),
) -> None:
    """Write a made-up club's log and the full profile of one of its players."""
    from sidewall.cli.demo import make_demo  # noqa: PLC0415

    for line in make_demo(out):
        typer.echo(line)


@app.command()
def check(
    logs: Logs,
    players: Players = None,
    matches: Matches = None,
    board_width_cm: BoardWidth = None,
    sheet: Sheets = None,
    encoding: Encoding = None,
) -> None:
    """Say what of one or several logs can be used, and how to mend the rest.

    Ends with 0 if every row is used, 1 if rows were refused, 2 if the log cannot be read.
    """
    found = read_log(logs, players, matches, board_width_cm, sheet, encoding)
    typer.echo(found.summary())
    if found.rows_refused:
        raise typer.Exit(REFUSED)


@app.command()
def profile(
    logs: Logs,
    player: Annotated[str, typer.Option("--player", help="Whose profile.")],
    out: Annotated[Path, typer.Option("--out", help="Folder to write into.")],
    unit: Unit = "cm",
    board_width_cm: BoardWidth = None,
    players: Players = None,
    matches: Matches = None,
    outcome: Annotated[
        str,
        typer.Option(
            "--outcome",
            help="What a shot is judged by: rally (who won it), value (the chance of winning one "
            "exchange later) or both.",
        ),
    ] = "both",
    sheet: Sheets = None,
    encoding: Encoding = None,
) -> None:
    """Write the tables and pictures of one player."""
    from sidewall.cli.profile import write_profile  # noqa: PLC0415

    found = usable_log(read_log(logs, players, matches, board_width_cm, sheet, encoding))
    width_m = None if board_width_cm is None else board_width_cm / 100
    made = write_profile(found.shots, player, out, unit, width_m, outcome, jobs=spare_jobs())
    for line in made.lines():
        typer.echo(line)


@app.command()
def template(
    file: Annotated[Path, typer.Argument(help="File to write: .csv or .xlsx.")],
    replace: Annotated[
        bool, typer.Option("--replace", help="Write over a file of that name.")
    ] = False,
    gap_unit: Annotated[
        str, typer.Option("--gap-unit", help="Unit of the gap: cm, in, m or boards.")
    ] = "cm",
) -> None:
    """Write an empty log to type into, with three example rows."""
    from sidewall.log import write_template  # noqa: PLC0415

    if os.path.exists(file) and not replace:
        raise WriteError(f"{file}: the file exists. Choose another name, or add --replace.")
    typer.echo(f"Wrote {write_template(file, overwrite=replace, gap_unit=gap_unit)}")
    typer.echo(f"Type your shots under the headings, then: sidewall check {file}")


@app.command()
def efforts(
    out: Annotated[Path, typer.Option("--out", help="File to write (.toml).")],
) -> None:
    """Write a file to rate the effort of everything that can be trained, for --effort."""
    from sidewall.worklist import write_efforts  # noqa: PLC0415

    write_efforts(out)
    typer.echo(f"Wrote {out}. Change the ratings, then: sidewall report LOG ... --effort {out}")


app.command("map")(map_columns)
app.command()(pseudonymise)
app.command()(sheet)
app.command()(report)
app.command()(plan)
app.command()(join)
app.command()(compare)
app.command()(agree)
app.command()(notebook)
