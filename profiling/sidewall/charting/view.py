"""What the browser shows, as plain values: everything is decided here, nothing there."""

from __future__ import annotations

from typing import Any, Final

from sidewall.charting.chart import Chart
from sidewall.charting.floor import floor_drawing
from sidewall.charting.hand import derived_choice, missing
from sidewall.charting.keys import key_table
from sidewall.charting.rows import HEADINGS, Problem, Row

#: Rows of the table that are shown at a time.
ROWS_SHOWN: Final = 5
_SHOWN: Final = tuple(
    name for name in HEADINGS if name not in ("match", "opponent", "hand", "scoring")
)


def setup_view(chart: Chart, video: str) -> dict[str, Any]:
    """Return what does not change: players, keys, the court to scale, the video's address."""
    setup = chart.table.setup
    return {
        "match": setup.match,
        "players": list(setup.players),
        "keys": _named_keys(setup.players),
        "floor": floor_drawing(chart.court),
        "video": video,
        "file": chart.store.path.name,
    }


def state_view(chart: Chart, problems: list[Problem]) -> dict[str, Any]:
    """Return what an action may have changed."""
    table = chart.table
    due, score, shown = table.next, table.standing, chart.shown()
    held = chart.hand.fields
    keyed = shown if chart.selected is not None else held
    return {
        "due": {
            "game": due.game,
            "rally": due.rally,
            "shot": due.shot,
            "striker": table.setup.players.index(due.striker),
        },
        "points": list(score.points),
        "games": list(score.games),
        "hand": _plain(shown),
        "keyed": [name for name, value in keyed.items() if value is not None],
        "derived": derived_choice(shown) if "stroke" in shown else None,
        "missing": missing(shown) if held and chart.selected is None else [],
        "in_hand": bool(held),
        "selected": chart.selected,
        "rows": _window(chart, problems),
        "count": len(table.rows),
        "problems": len({problem.row for problem in problems}),
        "whole": [problem.text for problem in problems if problem.row is None],
        "path": _path(chart),
        "undos": chart.store.session.undos,
        "redos": chart.store.session.redos,
        "message": chart.message,
        "trouble": chart.store.log_trouble,
    }


def _window(chart: Chart, problems: list[Problem]) -> list[dict[str, Any]]:
    """Rows around the selected one, or the last ones."""
    rows = chart.table.rows
    middle = len(rows) if chart.selected is None else chart.selected + ROWS_SHOWN // 2
    end = min(max(middle, ROWS_SHOWN), len(rows))
    texts: dict[int | None, list[str]] = {}
    for problem in problems:
        texts.setdefault(problem.row, []).append(problem.text)
    players = chart.table.setup.players
    return [
        {
            "at": at,
            "who": players.index(rows[at]["player"]),
            "cells": _plain(rows[at]),
            "problems": texts.get(at, []),
        }
        for at in range(max(end - ROWS_SHOWN, 0), end)
    ]


def _path(chart: Chart) -> list[dict[str, Any]]:
    """Places of the rally under charting, or of the selected row's rally."""
    table = chart.table
    if chart.selected is not None:
        row = table.rows[chart.selected]
        rally = (row["game"], row["rally"])
    else:
        rally = (table.next.game, table.next.rally)
    return [
        {
            "at": at,
            "x": row["x"],
            "y": row["y"],
            "shot": row["shot"],
            "who": table.setup.players.index(row["player"]),
        }
        for at, row in enumerate(table.rows)
        if (row["game"], row["rally"]) == rally and row["x"] is not None and row["y"] is not None
    ]


def _named_keys(players: tuple[str, str]) -> list[dict[str, str]]:
    keys = key_table()
    for key in keys:
        if key["action"] == "won_by":
            key["label"] = f"rally to {players[int(key['value'])]}"
    return keys


def _plain(row: Row) -> dict[str, Any]:
    return {name: row.get(name) for name in _SHOWN}
