"""`sidewall plan`: what to chart next, and how many matches for a given precision."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from sidewall.cli.options import (
    BoardWidth,
    Encoding,
    Matches,
    Players,
    Sheets,
    find_player,
    read_log,
)
from sidewall.errors import DataError

if TYPE_CHECKING:
    import pandas as pd

    from sidewall.progress import Plan

_COUNTS: Final = (
    *("side", "family", "n_attack", "n_reset", "n_matches"),
    *(name + end for name in ("saves", "saves_per_game") for end in ("", "_low", "_high")),
)


def plan(
    logs: Annotated[
        list[Path] | None,
        typer.Argument(help="Shot logs to take the matches from; else an invented club."),
    ] = None,
    player: Annotated[
        str | None, typer.Option("--player", help="Whose matches; needed with a log.")
    ] = None,
    half_width_cm: Annotated[
        float, typer.Option("--half-width-cm", help="Wanted: threshold known within plus or minus.")
    ] = 15.0,
    most: Annotated[
        int, typer.Option("--most", help="Most matches to try; more take longer.", min=1)
    ] = 8,
    simulations: Annotated[
        int, typer.Option("--simulations", help="Of each number of matches.", min=2)
    ] = 4,
    outcome: Annotated[
        str, typer.Option("--outcome", help="What a shot is judged by: rally or value.")
    ] = "value",
    seed: Annotated[int, typer.Option("--seed", help="For the simulation.", min=0)] = 0,
    players: Players = None,
    matches: Matches = None,
    board_width_cm: BoardWidth = None,
    sheet: Sheets = None,
    encoding: Encoding = None,
) -> None:
    """Say what to chart next, and how many matches make a threshold as sure as asked."""
    from sidewall.progress import plan as simulated_plan  # noqa: PLC0415

    if outcome not in ("rally", "value"):
        raise DataError(f"Unknown outcome {outcome!r}; use rally or value.")
    shots = None
    if logs:
        shots = read_log(logs, players, matches, board_width_cm, sheet, encoding).shots
        names = [str(name) for name in shots["player"].cat.categories]
        if player is None:
            raise DataError(f"Whose matches? Add --player; the log has {', '.join(names)}.")
        player = find_player(player, names)
    found = simulated_plan(
        shots,
        player,
        half_width_m=half_width_cm / 100,
        matches=_sizes(most),
        simulations=simulations,
        outcome="rally" if outcome == "rally" else "value",
        seed=seed,
    )
    for line in _lines(found):
        typer.echo(line)
    if shots is not None and player is not None:
        typer.echo(advice(shots, player))


def advice(shots: pd.DataFrame, player: str) -> str:
    """Whom to chart in full: the opponent's shots shape the curves that all players share.

    A study of equal minutes (``tests/studies/equal_minutes.py``) found intervals wider with the
    opponent in short where the log held the player's matches alone, and not where it held others'
    in full. Where between these the turn lies is a judgement: as many shots elsewhere as own.
    """
    from sidewall.features.coded import struck_by  # noqa: PLC0415

    own = struck_by(shots, player)
    match = shots["match"].astype(str)
    elsewhere = ~match.isin(match[own].unique()).to_numpy()
    full = (shots["gap_m"].notna() & shots["side"].notna()).to_numpy()
    others, mine = int((full & elsewhere).sum()), int((full & own).sum())
    held = f"the log holds {others:,} shots in full of other matches, and {mine:,} of {player}"
    if others >= mine:
        return f"Whom to chart: {held}: {player} in full, opponents in short (in_full) saves time."
    return f"Whom to chart: {held}: chart both players in full for now."


def _sizes(most: int) -> list[int]:
    """1, 2, 3, 5, 8 and so on, and the most itself."""
    sizes = [1, 2]
    while sizes[-1] < most:
        sizes.append(sizes[-1] + sizes[-2])
    return sorted({*(k for k in sizes if k < most), most})


def _lines(found: Plan) -> list[str]:
    lines = [
        f"Simulated {found.simulations} times each: {found.source}.",
        "matches  rallies  own shots  half width (simulation's 95%)  known in 100 (error)",
    ]
    for row in found.table.to_dict("records"):
        width = _cm(row["half_width_m"])
        if width != "open":
            width += f" cm ({_cm(row['half_width_low_m'])} to {_cm(row['half_width_high_m'])})"
        lines.append(
            f"{row['n_matches']:7d}  {row['n_rallies']:7,d}  {row['n_shots']:9,d}  {width:>29}  "
            f"{100 * row['known']:12.0f} ({100 * row['known_error']:.0f})"
        )
    wanted = f"A half width of {100 * found.half_width_m:g} cm"
    last = int(found.table["n_matches"].iloc[-1])
    if found.how == "simulated":
        lines.append(f"{wanted} takes about {found.matches:.0f} charted matches.")
    elif found.how == "forecast":
        lines.append(
            f"{wanted} takes about {found.matches:.0f} charted matches: a forecast from {last} by "
            "the square-root law."
        )
    else:
        lines.append(f"{wanted} is out of reach of {last} matches, and of a forecast from them.")
    return lines + _next_lines(found)


def _next_lines(found: Plan) -> list[str]:
    """What to chart next, in words; nothing where there is nothing to say."""
    tables = [table for table in found.balls if len(table)]
    if not tables:
        return []
    n = int(tables[0]["n_matches"].iloc[0])
    lines = [
        "",
        "Chart next: points in 100 games that one more match would save, as expected today, since",
        "the gap to attack from would lie nearer the best one. Near 0, that gap is settled.",
        "In brackets between what 95 in 100 such matches would save, and own attacks and resets "
        f"so far, of {n} {'match' if n == 1 else 'matches'}.",
    ]
    lines += [_point_words(row) for row in tables[0].to_dict("records")]
    if len(tables) > 1:
        lines.append("Told apart, most useful of each:")
        lines += [_point_words(table.to_dict("records")[0]) for table in tables[1:]]
    lines.append("In which matches:")
    for row in found.opponents.to_dict("records"):
        said = f"about {row['balls']:.0f} {_ball_words(row)} balls a match"
        lines.append(
            f"  {'against ' + row['opponent']:42}  {_saved(row)}; "
            f"{row['n_matches']} charted; {said})"
        )
    return lines


def _ball_words(row: dict[Any, Any]) -> str:
    return f"{row['side']} {'' if row['family'] == 'all strokes' else row['family']}".strip()


def _point_words(row: dict[Any, Any]) -> str:
    """The kind of ball, what one more match would save, and how much is charted of it."""
    told = [f"{name} {level}" for name, level in row.items() if name not in _COUNTS]
    named = ", ".join([_ball_words(row), *(one.replace("_", " ") for one in told)])
    return f"  {named:42}  {_saved(row)}; {row['n_attack']:,} and {row['n_reset']:,})"


def _saved(row: dict[Any, Any]) -> str:
    mean, low, high = (100 * row["saves_per_game" + end] for end in ("", "_low", "_high"))
    return f"{mean:.1f}  ({low:.1f} to {high:.1f}"


def _cm(metres: float) -> str:
    return f"{100 * metres:.0f}" if metres < float("inf") else "open"
