"""The tables of the page: thresholds, comfort and decisions."""

from __future__ import annotations

from typing import Any, Final, cast

import pandas as pd

from sidewall.models.answers import CROSSES
from sidewall.plots.words import (
    answer_words,
    cell_words,
    family_words,
    rows_by,
    threshold_difference_words,
    win_difference_words,
)
from sidewall.report.ladder import FittedLadder, own
from sidewall.report.rally_lists import RallyLists
from sidewall.report.views import Link, NumberTable, Row
from sidewall.report.words import Lengths, share, signed_in, stroke_words

__all__ = [
    "comfort_rows",
    "decision_links",
    "decision_rows",
    "shot_words",
    "signed_points",
    "threshold_rows",
]

Links = dict[tuple[str, str], Link | None]
DecisionLinks = dict[tuple[str, str, str], Link | None]

#: Decisions that cost, with what they are.
_COSTLY: Final = {
    "forced": "attacked although the ball was surely tight",
    "passed up": "reset although the ball was surely loose",
}


def threshold_rows(
    ladder: FittedLadder, player: str, lengths: Lengths, links: Links
) -> NumberTable:
    """Thresholds by value and by rally."""
    model, level = ladder.value, ladder.level
    by_rally = {}
    if ladder.rally is not None:
        by_rally = rows_by(own(ladder.rally.thresholds(level), player), "side", "family")
    rows = []
    for cell, answer in rows_by(own(model.thresholds(level), player), "side", "family").items():
        crosses = answer["status"] == CROSSES
        other = by_rally.get(cell)
        rows.append(
            Row(
                [
                    cell_words(model, *cell),
                    lengths.gap(answer["threshold_m"])
                    if crosses
                    else answer_words(answer, lengths.main)[0],
                    lengths.interval(answer["low_m"], answer["high_m"]),
                    f"{answer['n_attack']:,}",
                    f"{answer['n_reset']:,}",
                    f"{answer['n_rallies']:,}",
                    "" if other is None else answer_words(other, lengths.main)[0],
                ],
                links.get(cast(tuple[str, str], cell)),
            )
        )
    return NumberTable(
        "numbers-thresholds",
        "Loose thresholds",
        f"The gap from which attacking beats resetting, in {lengths.main.unit}, judged by the "
        "chance of winning one exchange later; in the last column judged by who won the rally.",
        ["Side and stroke", "Attack from", "Interval", "Attacks", "Resets", "Rallies", "By rally"],
        rows,
    )


def comfort_rows(ladder: FittedLadder, player: str, lengths: Lengths) -> NumberTable:
    """Forehand against backhand."""
    model = ladder.value
    rows = []
    for row in own(model.comfort(ladder.level), player).to_dict("records"):
        one: dict[str, Any] = {str(name): value for name, value in row.items()}
        words = family_words(model, str(one["family"]))
        rows.append(
            Row(
                [
                    f"{words[:1].upper()}{words[1:]}",
                    threshold_difference_words(one, lengths.main),
                    win_difference_words(one),
                    f"{one['n_forehand']:,}",
                    f"{one['n_backhand']:,}",
                    f"{one['n_rallies']:,}",
                ]
            )
        )
    return NumberTable(
        "numbers-comfort",
        "Forehand against backhand",
        "How much looser the ball must be on one side, and how many rallies in 100 either side "
        "would win from the same balls. The rallies are those of the thresholds.",
        ["Stroke", "Threshold", "Rallies won", "Forehands", "Backhands", "Rallies"],
        rows,
    )


def decision_links(
    ladder: FittedLadder, player: str, lengths: Lengths, lists: RallyLists
) -> DecisionLinks:
    """List forced and passed-up balls by decision, side and family, the costliest first."""
    links: DecisionLinks = {}
    if ladder.decisions is None:
        return links
    mine = own(ladder.decisions, player)
    for side, family in ladder.value.cells_:
        cell = mine[(mine["side"] == side) & (mine["family"] == family)]
        words = cell_words(ladder.value, side, family)
        for decision, what in _COSTLY.items():
            rows = cell[cell["decision"] == decision].sort_values("points", kind="stable")
            links[decision, side, family] = lists.add(
                f"{decision}-{side}-{family}".replace(" ", "-"),
                f"{words}: {decision}, {what}",
                rows,
                [shot_words(row, lengths) for row in rows.head(12).to_dict("records")],
            )
    return links


def shot_words(row: dict[Any, Any], lengths: Lengths) -> str:
    """Say a shot in a few words: what was struck, how loose the ball was, what it cost."""
    names = ("side", "direction", "stroke")
    parts = [row.get(name) for name in names]
    shot = stroke_words(*[part for part in parts if isinstance(part, str)])
    gap = f" at {lengths.gap(row['gap_m'])}" if pd.notna(row.get("gap_m")) else ""
    points = row.get("points")
    cost = "" if pd.isna(points) else f", {signed_points(float(points))} of a rally"
    return f"{shot}{gap}{cost}"


def signed_points(points: float) -> str:
    """Write what a shot brought or cost, in hundredths of a rally."""
    return f"{'−' if points < 0 else '+'}{abs(points):.2f}"


def decision_rows(ladder: FittedLadder, player: str, links: DecisionLinks) -> NumberTable | None:
    """How often each decision was made, and what it brought or cost."""
    if ladder.decision_table is None:
        return None
    rows = []
    for row in own(ladder.decision_table, player).to_dict("records"):
        if not row["n"]:
            continue
        cell = cell_words(ladder.value, str(row["side"]), str(row["family"]))
        decision = str(row["decision"])
        rows.append(
            Row(
                [
                    f"{cell}: {decision}",
                    f"{row['n']:,}",
                    f"{row['rallies']:,}",
                    share(row["share"], row["share_low"], row["share_high"]),
                    signed_in(row, "points_per_100"),
                ],
                links.get((decision, str(row["side"]), str(row["family"]))),
            )
        )
    return NumberTable(
        "numbers-decisions",
        "Decisions",
        "Every attack and reset against the player's own threshold. Forced: attacked though "
        "surely tight. Passed up: reset though surely loose. Points: rallies won (+) or lost (−) "
        "in 100 such shots against the other choice at the same gap.",
        ["Side, stroke and decision", "Shots", "Rallies", "In 100 shots", "Points in 100"],
        rows,
    )
