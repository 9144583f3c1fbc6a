"""The tables of the appendix, each number with its n and interval."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any, Final

import numpy as np
import pandas as pd

from sidewall.errors import DataError
from sidewall.models.answers import CROSSES
from sidewall.numbers import UNKNOWN, share
from sidewall.placement.aim import BEST
from sidewall.plots.words import (
    answer_words,
    cell_words,
    family_words,
    records,
    rows_by,
    threshold_difference_words,
    win_difference_words,
)
from sidewall.report.ladder import FittedLadder, own
from sidewall.report.sections import LEAST_RALLIES, LIKE_BALL, tin_of
from sidewall.report.sheet import gap_words, rules_of
from sidewall.report.views import NumberTable
from sidewall.report.words import Lengths, signed_in, stroke_words
from sidewall.worklist.worklist import NOT_KNOWN

Row = dict[str, Any]
Columns = Mapping[str, Callable[[Row], str]]


def number_tables(ladder: FittedLadder, player: str, lengths: Lengths) -> list[NumberTable]:
    """Every table of a player that the log has rows for."""
    numbers = _Numbers(ladder, player, lengths)
    makers = (
        *(numbers.rules, numbers.changes, numbers.comfort, numbers.work, numbers.decisions),
        *(numbers.zones, numbers.openings, numbers.combinations, numbers.placement, numbers.tin),
    )
    return [table for table in (make() for make in makers) if table is not None]


def _share(name: str) -> Callable[[Row], str]:
    return lambda row: share(row[name], row[f"{name}_low"], row[f"{name}_high"])


def _count(name: str) -> Callable[[Row], str]:
    return lambda row: f"{row[name]:,}"


_SHOTS: Final = {"Shots": _count("n_shots"), "Rallies": _count("n_rallies")}
_CHOICES: Final = {"Attacks": _count("n_attack"), "Resets": _count("n_reset")}


class _Numbers:
    def __init__(self, ladder: FittedLadder, player: str, lengths: Lengths) -> None:
        self.ladder, self.player, self.lengths = ladder, player, lengths

    def _table(
        self, name: str, title: str, caption: str, rows: pd.DataFrame, columns: Columns
    ) -> NumberTable | None:
        if not len(rows):
            return None
        cells = [[words(row) for words in columns.values()] for row in records(rows)]
        return NumberTable(f"numbers-{name}", title, caption, list(columns), cells)

    def _cell(self, row: Row) -> str:
        return cell_words(str(row["side"]), str(row["family"]))

    def rules(self) -> NumberTable | None:
        words, rally = self.lengths.main, self.ladder.by_rally(self.player)
        even = rows_by(self.ladder.thresholds(self.player), "side", "family")
        other = {} if rally is None else rows_by(rally, "side", "family")

        def crossing(row: Row) -> str:
            answer = even[row["side"], row["family"]]
            if answer["status"] != CROSSES:
                return answer_words(answer, words)[0]
            ends = self.lengths.interval(answer["threshold_low_m"], answer["threshold_high_m"])
            return f"{self.lengths.gap(answer['threshold_m'])} ({ends})"

        def known(words: Callable[[Row], str]) -> Callable[[Row], str]:
            return lambda row: words(row) if row["known"] else UNKNOWN

        def by_rally(row: Row) -> str:
            answer = other.get((row["side"], row["family"]))
            return "" if answer is None else answer_words(answer, words)[0]

        return self._table(
            "rules",
            "The tapes",
            "The rule is the gap at which 65 in 100 draws say attack, a little beyond the even "
            "chance, since better play later raises what one's own ball is worth. Cost: rallies "
            "in 100 such balls that knowing the truth would save, with its upper limit. Even: "
            "where attack and reset are worth the same, with its interval; in the last column "
            "judged by who won the rally.",
            pd.DataFrame(rules_of(self.ladder, self.player).values()),
            {
                "Side and stroke": self._cell,
                "Rule": known(lambda row: gap_words(row["rule_m"], self.lengths)),
                "Cost": known(lambda row: f"{row['cost']:.2f} (up to {row['cost_at_most']:.2f})"),
                "Even": crossing,
                "Even, by rally": by_rally,
                **_CHOICES,
                "Rallies": lambda row: f"{even[row['side'], row['family']]['n_rallies']:,}",
                "Own share": lambda row: f"{100 * row['own']:.0f} in 100",
            },
        )

    def changes(self) -> NumberTable | None:
        parts = []
        for name in self.ladder.value.situation_:
            rows = self.ladder.rules(self.player, name)
            rows = rows[rows["basis"] == "own level"]
            parts.append(rows.assign(where=rows[name].astype(str)))
        return self._table(
            "changes",
            "The tapes by situation and place",
            "The same rule among such balls alone, where the log has enough of them.",
            pd.concat(parts) if parts else pd.DataFrame(),
            {
                "Side and stroke": self._cell,
                "Ball": lambda row: row["where"].replace("_", " "),
                "Rule": lambda row: gap_words(row["rule_m"], self.lengths),
                "Cost": lambda row: f"{row['cost']:.2f} (up to {row['cost_at_most']:.2f})",
                **_CHOICES,
            },
        )

    def comfort(self) -> NumberTable | None:
        return self._table(
            "comfort",
            "Forehand against backhand",
            "How much looser the ball must be on one side, and how many rallies in 100 either "
            "side would win from the same balls.",
            self.ladder.comfort(self.player),
            {
                "Stroke": lambda row: stroke_words(family_words(row["family"])),
                "Even chance": lambda row: threshold_difference_words(row, self.lengths.main),
                "Rallies won": win_difference_words,
                "Forehands": _count("n_forehand"),
                "Backhands": _count("n_backhand"),
                "Rallies": _count("n_rallies"),
            },
        )

    def work(self) -> NumberTable | None:
        work = self.ladder.work

        def known(words: Callable[[Row], str]) -> Callable[[Row], str]:
            return lambda row: "" if row["status"] == NOT_KNOWN else words(row)

        def first(row: Row) -> str:
            return f"{100 * row['first_in']:.0f} in 100" if math.isfinite(row["first_in"]) else ""

        def target(row: Row) -> str:
            if not np.isfinite([row["now"], row["goal"]]).all():
                return str(row["target"])
            return f"{row['now']:.1f} to {row['goal']:.1f} {row['unit']}, {row['target']}"

        def effort(row: Row) -> str:
            return f"{row['effort']:g}{' (assumed)' if row['effort_assumed'] else ''}"

        return self._table(
            "work",
            "The work list",
            "Most gain for least effort first. Gain: rallies won more in a game if such shots were "
            "as good as the target says, all else as it was. First: how often the item comes first "
            "when rallies are drawn again.",
            pd.DataFrame() if work is None else work.table(self.player),
            {
                "Item": lambda row: f"{row['rank']}. {row['title']}",
                "In words": lambda row: str(row["status"]),
                "Gain a game": known(lambda row: signed_in(row, "points_per_game", 2)),
                "Matches in 100": known(lambda row: signed_in(row, "match_win", times=100)),
                "Effort": effort,
                "First": known(first),
                "n": lambda row: f"{row['n_shots']:,} in {row['n_rallies']:,} rallies",
                "Target": known(target),
                "Note": lambda row: str(row["why"]),
            },
        )

    def decisions(self) -> NumberTable | None:
        rows = own(self.ladder.decision_table, self.player)
        return self._table(
            "decisions",
            "Decisions",
            "Every attack and reset in its own situation. Forced: attacked though surely tight. "
            "Passed up: reset though surely loose. Points: rallies won (+) or lost (−) in 100 such "
            "shots against the other choice at the same gap. What a shot is called is said by the "
            "half of the matches that it is not in, what it cost by its own half and by all.",
            rows[rows["n_shots"] > 0] if len(rows) else rows,
            {
                "Side, stroke and decision": lambda row: f"{self._cell(row)}: {row['decision']}",
                **_SHOTS,
                "In 100 shots": _share("share"),
                "Points in 100": lambda row: signed_in(row, "points_per_100"),
            },
        )

    def zones(self) -> NumberTable | None:
        def gap(row: Row) -> str:
            ends = self.lengths.interval(row["gap_q1_m"], row["gap_q3_m"])
            return f"{self.lengths.gap(row['gap_m'])} ({ends})"

        def place(row: Row) -> str:
            parts = [row[name] for name in ("side", "depth") if name in row]
            return stroke_words(*("place not charted" if pd.isna(one) else one for one in parts))

        return self._table(
            "zones",
            "Zones",
            "Where the ball was struck, serves left out. Gap: the middle one, with the middle half "
            "of all gaps in brackets (no interval). All shares in 100.",
            own(self.ladder.zones, self.player),
            {
                "Side and depth": place,
                **_SHOTS,
                "Share": _share("share"),
                "Gap": gap,
                "Attacked": _share("attack_share"),
                "Rallies won": _share("win_rate"),
            },
        )

    def openings(self) -> NumberTable | None:
        rows = own(self.ladder.credit, self.player)
        if len(rows):
            rows = rows[rows["n_rallies"] >= LEAST_RALLIES]
            rows = rows.sort_values("difference", ascending=False, kind="stable")

        def shot(row: Row) -> str:
            return stroke_words(*(row[k] for k in ("side", "stroke", "direction") if k in row))

        return self._table(
            "openings",
            "Who made the opening",
            "How often in 100 the next ball comes back loose (50 cm or more) after a shot, "
            f"against the player's other shots from {LIKE_BALL}. Shots after which the rally goes "
            f"on; kinds with {LEAST_RALLIES} rallies or more. Points: rallies in 100 such shots "
            "that the difference is worth.",
            rows,
            {
                "Shot": shot,
                **_SHOTS,
                "Loose next": lambda row: f"{100 * row['share']:.0f}",
                "Other shots": lambda row: f"{100 * row['matched_share']:.0f}",
                "Difference": lambda row: signed_in(row, "difference", times=100),
                "Points in 100": lambda row: signed_in(row, "points_per_100"),
            },
        )

    def combinations(self) -> NumberTable | None:
        def adjusted(row: Row) -> str:
            return "" if pd.isna(row["p_adjusted"]) else f"{row['p_adjusted']:.3f}"

        return self._table(
            "combinations",
            "Combinations",
            "Rallies won in 100 when the combination was played on, minus rallies won when the "
            "player stood in the same state of the same match and went another way. The p-value "
            "allows for every combination and player looked at (Benjamini-Hochberg).",
            own(self.ladder.effects, self.player),
            {
                "Combination": lambda row: stroke_words(row["combination"]),
                "Played on": _count("played_on"),
                "Another way": _count("another_way"),
                "Rallies": _count("n_rallies"),
                "Difference": lambda row: signed_in(row, "difference", times=100),
                "Points a game": lambda row: signed_in(row, "points_a_game", 2),
                "p": adjusted,
                "In words": lambda row: str(row["status"]),
            },
        )

    def placement(self) -> NumberTable | None:
        return self._table(
            "placement",
            "Placement",
            "First bounces against the corner that the stroke is played to. On target in 100; mean "
            "distance from the middle of the target, away from the wall (+) and too long (+). "
            "Balls that were volleyed have no bounce and do not count.",
            own(self.ladder.placement, self.player),
            {
                "Shot": lambda row: stroke_words(row["side"], row["stroke"]),
                **_SHOTS,
                "On target": _share("share"),
                "Faults": _count("faults"),
                "Off the wall": lambda row: signed_in(row, "out_m", 2),
                "Too long": lambda row: signed_in(row, "long_m", 2),
            },
        )

    def tin(self) -> NumberTable | None:
        rows, margin = own(self.ladder.scatter, self.player), self.ladder.margin
        if margin is None or not len(rows):
            return None
        tin_m = tin_of(self.ladder, self.player)
        try:
            best = margin.best(self.player, tin_heights_m=[tin_m], level=self.ladder.level)
        except DataError:
            best = pd.DataFrame()
        advised = rows_by(best, "stroke", "side")

        def height(row: Row, *names: str) -> str:
            at, low, high = (f"{row[name]:.2f}" for name in names)
            return f"{at} ({low} to {high})"

        def advice(row: Row) -> str:
            found = advised.get((row["stroke"], row["side"]))
            if found is None or found["status"] != BEST:
                return "not known yet" if found is None else str(found["status"])
            return height(found, "best_m", "best_low_m", "best_high_m")

        return self._table(
            "tin",
            "Tin margin",
            f"Height on the front wall in metres; the tin is {100 * tin_m:.0f} cm high. Tin: "
            "of 100 such shots. Best height: where most rallies are won once the tin is counted.",
            rows,
            {
                "Shot": lambda row: stroke_words(row["side"], row["stroke"]),
                "Heights": _count("n_shots"),
                "In the tin": _share("tin_share"),
                "Mean height": lambda row: height(row, "mean_m", "mean_low_m", "mean_high_m"),
                "Scatter": lambda row: height(row, "sd_m", "sd_low_m", "sd_high_m"),
                "Best height": advice,
            },
        )
