"""What the browser shows, as plain values: everything is decided here, nothing there."""

from __future__ import annotations

from typing import Any, Final

from sidewall.charting.chart import Chart
from sidewall.charting.hand import derived_choice
from sidewall.charting.keys import key_table
from sidewall.charting.rows import HEADINGS, Problem, Row
from sidewall.court.floor import CLICK_PX, FloorView, floor_drawing

#: Rows of the table that are shown at a time.
ROWS_SHOWN: Final = 4
_NEAR_WALL_M: Final = 0.4


#: Levels of charting in words: what is taken, what it makes possible, what it costs. Costs are
#: counted over sixty shots; minutes assume how long a click, a key and a thought take
#: (`tests/studies/charting.py cost`).
LEVEL_TEXTS: Final = (
    {
        "name": "short",
        "takes": "Click where the ball is struck, key the stroke.",
        "makes_possible": "Thresholds, comfort and zones by side, stroke, depth and lane; "
        "decisions; combinations.",
        "costs": "2.1 clicks and keys a shot; some 42 minutes for a match of 860 shots.",
    },
    {
        "name": "usual",
        "takes": "Also click where the opponent stands; key T or J if the striker is not set.",
        "makes_possible": "All that, with like balls compared with like. Players attack when they "
        "are set and the opponent is out of place; where the log does not say so, that looks like "
        "skill.",
        "costs": "3.2 clicks and keys a shot; some 60 minutes for such a match.",
    },
    {
        "name": "full",
        "takes": "Also click where the ball bounces and how high it hits the front wall.",
        "makes_possible": "All that, and length and width on target, and height over the tin.",
        "costs": "4.9 clicks and keys a shot; some 89 minutes for such a match.",
    },
)
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
        "levels": list(LEVEL_TEXTS),
        "click_px": CLICK_PX,
        "video": video,
        "file": chart.store.path.name,
    }


def floor_view(view: FloorView | None) -> dict[str, Any]:
    """Return how the video shows the floor; empty if that is not known.

    Its ``errors`` are 95% errors of the gap of a ball near the worse side wall, in cm, by
    distance from the front wall in metres.
    """
    if view is None:
        return {}
    court, px = view.court, max(float(point["px"]) for point in view.points)
    to_picture = view.to_picture
    errors = []
    for share in (0.05, 0.3, 0.55, 0.75, 0.95):
        y = share * court.length_m
        pixels = [to_picture @ [x, y, 1] for x in (_NEAR_WALL_M, court.width_m - _NEAR_WALL_M)]
        worst = max(view.error_m(u / w, v / w, px)[0] for u, v, w in pixels)
        errors.append({"y": round(y, 2), "cm": round(196 * worst, 1)})
    return {
        "frame": list(view.frame),
        "to_picture": to_picture.tolist(),
        "to_floor": view.to_floor.tolist(),
        "errors": errors,
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
        "missing": chart.lacking() if held and chart.selected is None else [],
        "click": chart.click,
        "short": chart.short,
        "level": table.level,
        "chosen": table.settings.level is not None,
        "in_full": [
            at
            for at, name in enumerate(table.setup.players)
            if name in (table.settings.in_full or table.setup.players)
        ],
        "selected": chart.selected,
        "rows": _window(chart, problems),
        "count": len(table.rows),
        "problems": len({problem.row for problem in problems}),
        "whole": [problem.text for problem in problems if problem.row is None],
        "path": _path(chart),
        "undos": chart.store.session.undos,
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
