"""Commands on whole logs: map, pseudonymise, join, compare, agree and notebook."""

from __future__ import annotations

import importlib.util
import json
import math
import os
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, cast

import typer

from sidewall.cli.options import (
    REFUSED,
    BoardWidth,
    Encoding,
    Log,
    Logs,
    Matches,
    Players,
    Sheets,
    Steps,
    Unit,
    find_player,
    read_log,
    usable_log,
)
from sidewall.errors import DataError, SidewallError
from sidewall.files import plan_files, write_file

if TYPE_CHECKING:
    import pandas as pd

#: Where a shot stood in the logs that were joined: of no use in the log that comes of them.
_WHERE = ("log", "sheet", "line")
#: What a notebook holds of a cell that was not run.
_NOT_RUN: dict[str, Any] = {"execution_count": None, "outputs": []}


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


def join(
    logs: Logs,
    out: Annotated[Path, typer.Option("--out", help="Log to write: .csv, .xlsx or .parquet.")],
    players: Players = None,
    matches: Matches = None,
    board_width_cm: BoardWidth = None,
    sheet: Sheets = None,
    encoding: Encoding = None,
) -> None:
    """Write the usable shots of several logs as one log, with details of players and matches.

    Nothing is overwritten. Ends with 1 if rows were refused; these are not in the new log.
    """
    from sidewall.log import write_table  # noqa: PLC0415

    plan_files([out], overwrite=False)
    found = usable_log(read_log(logs, players, matches, board_width_cm, sheet, encoding))
    write_table(found.shots.drop(columns=[*_WHERE], errors="ignore"), out)
    for note in found.notes:
        typer.echo(note)
    typer.echo(f"Wrote {out}: {found.rows_used:,} of {found.rows_in:,} rows.")
    if found.rows_refused:
        raise typer.Exit(REFUSED)


def compare(
    logs: Logs,
    player: Annotated[str, typer.Option("--player", help="Whose periods.")],
    before: Annotated[
        list[str] | None,
        typer.Option("--before", help="A match of the first period; once for each match."),
    ] = None,
    after: Annotated[
        list[str] | None,
        typer.Option("--after", help="A match of the second period; once for each match."),
    ] = None,
    change: Annotated[
        str | None,
        typer.Option("--change", help="Instead: first day of the second period, 2026-01-31."),
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="Also write the whole table: .csv or .xlsx.")
    ] = None,
    unit: Unit = "cm",
    players: Players = None,
    matches: Matches = None,
    board_width_cm: BoardWidth = None,
    sheet: Sheets = None,
    encoding: Encoding = None,
) -> None:
    """Compare two periods of a player; the words allow for all comparisons together."""
    from sidewall.court.units import parse_unit  # noqa: PLC0415
    from sidewall.log import write_table  # noqa: PLC0415
    from sidewall.progress import compare_periods  # noqa: PLC0415

    unit = parse_unit(unit)
    if change is None and not (before and after):
        raise DataError(
            "say which matches come before and which after: --before and --after, each once for "
            "each match, or --change with the first day of the second period"
        )
    plan_files([] if out is None else [out], overwrite=False)
    width_m = None if board_width_cm is None else board_width_cm / 100
    with Steps("compare", 2) as steps:
        steps.next("reading")
        found = usable_log(read_log(logs, players, matches, board_width_cm, sheet, encoding))
        names = [str(name) for name in found.shots["player"].cat.categories]
        steps.next("models of both periods")
        table = compare_periods(
            found.shots, find_player(player, names), before, after, change=change
        )
    for line in _compared(table, unit, width_m):
        typer.echo(line)
    if out is not None:
        typer.echo(f"Wrote {write_table(table, out)}, gaps in metres.")


def _compared(table: pd.DataFrame, unit: str, width_m: float | None) -> list[str]:
    from sidewall.court.units import to_display  # noqa: PLC0415

    def number(row: dict[Any, Any], name: str) -> str:
        values = [row[name], row[f"{name}_low"], row[f"{name}_high"]]
        if any(map(math.isnan, values)):
            return "not known"
        if row["unit"] == "m":
            values = [to_display(value, unit, width_m) for value in values]
            return f"{values[0]:.0f} {unit} ({values[1]:.0f} to {values[2]:.0f})"
        return "{:.0f} in 100 ({:.0f} to {:.0f})".format(*(100 * value for value in values))

    lines = []
    for row in table.to_dict("records"):
        what = " ".join(
            str(row[name]) for name in ("measure", "side", "family") if isinstance(row[name], str)
        )
        lines.append(
            f"{what}: {row['verdict']}. Before {number(row, 'before')}, after "
            f"{number(row, 'after')}, change {number(row, 'change')}; "
            f"n {row['n_before']:,.0f} and {row['n_after']:,.0f}."
        )
    notes = [str(note) for note in table.attrs.get("notes", [])]
    return [*lines, *notes, "Each interval stands alone; the words allow for all of them together."]


def agree(
    first: Annotated[Path, typer.Argument(help="The log of one charter.")],
    second: Annotated[Path, typer.Argument(help="The same matches by the other.")],
    board_width_cm: BoardWidth = None,
    seed: Annotated[int, typer.Option("--seed", help="For the draws of rallies.", min=0)] = 0,
    encoding: Encoding = None,
) -> None:
    """Say how far two charters of the same matches agree."""
    from sidewall.agreement import Agreement  # noqa: PLC0415

    with Steps("agree", 2) as steps:
        steps.next("reading")
        shots = [
            usable_log(read_log([log], None, None, board_width_cm, None, encoding)).shots
            for log in (first, second)
        ]
        rows = [one.drop(columns=[*_WHERE], errors="ignore") for one in shots]
        if rows[0].equals(rows[1]):
            raise DataError(
                f"{first} and {second}: both logs are the same, so nothing is told by their "
                "agreement; chart the match twice, by two people or on two days"
            )
        steps.next("intervals")
        found = Agreement(seed=seed).fit(*shots)
    typer.echo(found.summary())


def notebook(
    logs: Logs,
    out: Annotated[Path, typer.Option("--out", help="Notebook to write (.ipynb).")],
    player: Annotated[
        str | None, typer.Option("--player", help="Whose; by default who strikes most shots.")
    ] = None,
    no_open: Annotated[
        bool, typer.Option("--no-open", help="Write it only, without JupyterLab.")
    ] = False,
    players: Players = None,
    matches: Matches = None,
    board_width_cm: BoardWidth = None,
    sheet: Sheets = None,
    encoding: Encoding = None,
) -> None:
    """Write a notebook on your own logs, ready to run, and open it in JupyterLab.

    Nothing is overwritten.
    """
    if out.suffix != ".ipynb":
        raise SidewallError(f"{out}: give the notebook a name that ends in .ipynb.")
    plan_files([out], overwrite=False)
    found = usable_log(read_log(logs, players, matches, board_width_cm, sheet, encoding))
    names = [str(name) for name in found.shots["player"].cat.categories]
    usual = str(found.shots["player"].value_counts().idxmax())
    who = usual if player is None else find_player(player, names)
    tables = {"players": players, "matches": matches}
    given: dict[str, Any] = {name: _from(out, file) for name, file in tables.items() if file}
    options = {"board_width_cm": board_width_cm, "sheet": sheet or None, "encoding": encoding}
    given |= {name: value for name, value in options.items() if value is not None}
    write_file(out, _notebook([_from(out, log) for log in logs], given, who))
    typer.echo(f"Wrote {out}, on {who}.")
    if no_open:
        return
    if importlib.util.find_spec("jupyterlab") is None:
        raise SidewallError(
            'JupyterLab is not installed. Run: pip install -e ".[notebook]", then: '
            f"jupyter lab {out}. Or add --no-open."
        )
    subprocess.run([sys.executable, "-m", "jupyterlab", str(out)], check=False)


def _from(out: Path, path: Path) -> str:
    """The path as the notebook, which runs in its own folder, has to write it."""
    try:
        return Path(os.path.relpath(path, out.absolute().parent)).as_posix()
    except ValueError:  # another drive
        return str(path.absolute())


def _notebook(logs: list[str], options: dict[str, Any], player: str) -> str:
    more = "".join(f", {name}={value!r}" for name, value in options.items())
    log = repr(logs[0]) if len(logs) == 1 else repr(logs)
    cells = [
        f"# {player}: which balls to attack\n\nRun the cells from the top: Shift and Enter.",
        "```\nimport sidewall as sw\nfrom sidewall.decisions import decisions\n\n"
        f"check = sw.check_log({log}{more})\n"
        "shots = check.shots\nprint(check.summary())",
        "## The loose threshold\n\nOne model for all players of the log: a player with few shots "
        "borrows from the others.",
        f"```\nplayer = {player!r}\nmodel = sw.TightnessModel().fit(shots)\n"
        'model.thresholds().query("player == @player").round(2)',
        "```\nsw.plot_threshold(model, player);",
        "## Forehand against backhand",
        "```\nsw.plot_comfort(model, player);",
        "## Forced and passed-up balls\n\nEvery attack and reset against the player's own "
        "threshold.",
        "```\njudged = decisions(shots, model)\n"
        'sw.decision_table(judged, model, by="player").query("player == @player").round(2)',
        "## What to train first",
        "```\nsw.WorkList(model).fit(shots).table(player).head(6).round(2)",
        "## Where from, and with what result",
        "```\nsw.plot_zone_map(shots, player);",
    ]
    made = []
    for number, text in enumerate(cells, 1):
        words = text.removeprefix("```\n")
        kind, results = ("code", _NOT_RUN) if words != text else ("markdown", {})
        cell: dict[str, Any] = {"cell_type": kind, "id": f"cell-{number:02d}", "metadata": {}}
        made.append(cell | {"source": words.splitlines(keepends=True)} | results)
    kernel = {"display_name": "Python 3", "language": "python", "name": "python3"}
    whole = {
        "cells": made,
        "metadata": {"kernelspec": kernel, "language_info": {"name": "python"}},
        "nbformat": 4,
        "nbformat_minor": 5,
    }
    return json.dumps(whole, indent=1, ensure_ascii=False) + "\n"
