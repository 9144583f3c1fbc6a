"""Pictures of the thresholds, decisions and the work list, each with a sentence and its n."""

from __future__ import annotations

from functools import partial
from typing import Any, Final

import pandas as pd

from sidewall.plots.words import (
    cell_words,
    count,
    family_words,
    rows_by,
    threshold_difference_words,
    win_difference_words,
)
from sidewall.report.ladder import FittedLadder, own
from sidewall.report.pictures import Drawn, inline
from sidewall.report.views import Answer, Link, Picture
from sidewall.report.words import Lengths

__all__ = ["WIDE", "Gallery", "Section", "framed"]

#: As wide as a phone shows at the size that its letters are drawn in, inches.
WIDE: Final = 4.4

#: Heading, how to read, pictures.
Section = tuple[str, str, list[Picture]]


def framed(
    drawn: Drawn | None,
    title: str,
    says: str,
    n: str,
    alt: str,
    link: Link | None = None,
    wide: bool = False,
) -> list[Picture]:
    """Put a picture with its words; none where it could not be drawn."""
    if drawn is None:
        return []
    return [Picture(title, drawn.source, alt, says, n, drawn.width, drawn.height, link, wide)]


class Gallery:
    """Draws the pictures of one player.

    Parameters
    ----------
    ladder
        Fitted.
    player
        Whose report.
    lengths
        Of the reader.
    board_width_m
        For second axes in boards.
    """

    def __init__(
        self, ladder: FittedLadder, player: str, lengths: Lengths, board_width_m: float | None
    ) -> None:
        self.ladder, self.player, self.lengths = ladder, player, lengths
        self.model = ladder.value
        self.look: dict[str, Any] = {
            "unit": lengths.main.unit,
            "board_width_m": board_width_m,
            "level": ladder.level,
        }
        boards = board_width_m is not None and lengths.main.unit != "boards"
        self.boards_only = None if boards else board_width_m
        #: A second axis takes room.
        self.extra = 0.35 if boards else 0.0

    def thresholds(
        self, answers: list[Answer], links: dict[tuple[str, str], Link | None]
    ) -> Section:
        """One panel a side and stroke family."""
        from sidewall.plots import plot_threshold  # noqa: PLC0415 - slow to load

        found: list[Picture] = []
        beside = self.ladder.rally
        if beside is not None and self.player not in beside.players_:
            beside = None
        for cell, answer in zip(self.model.cells_, answers, strict=True):
            draw = partial(
                plot_threshold,
                self.model,
                self.player,
                *cell,
                **self.look,
                beside=beside,
            )
            said = answer.says if not answer.interval else f"{answer.says} ({answer.interval})"
            alt = (
                f"{answer.cell}: chance of winning the rally against the gap, attacking and "
                f"resetting. {said}."
            )
            drawn = inline(draw, (WIDE, 4.3 + self.extra))
            says = f"{said}. {answer.rule}".strip()
            found += framed(drawn, answer.cell, says, answer.n, alt, links[cell])
        read = (
            "To the right the ball is looser, upwards more rallies are won. Full orange: "
            "attacking. Dashed blue: resetting. The red line is where they cross, the bracket its "
            "interval. The bar below names the choice that is right at least 4 times in 5. Grey: "
            "the same judged by who won the rally. Fine lines: own attacks above, own resets below."
        )
        return "When does attacking pay?", read, found

    def comfort(self) -> Section:
        """Forehand against backhand."""
        from sidewall.plots import plot_comfort  # noqa: PLC0415

        rows = rows_by(own(self.model.comfort(self.ladder.level), self.player), "family")
        draw = partial(plot_comfort, self.model, self.player, **self.look)
        drawn = inline(draw, (WIDE, 2.4 + 1.9 * len(rows) + self.extra), 2)
        said, n = [], []
        for row in rows.values():
            words = family_words(self.model, str(row["family"]))
            n.append(f"{words} {row['n_forehand']:,} forehands, {row['n_backhand']:,} backhands")
            if min(row["n_forehand"], row["n_backhand"]) > 0:
                said.append(
                    f"{words[:1].upper()}{words[1:]}: "
                    f"{threshold_difference_words(row, self.lengths.main)}; rallies won from the "
                    f"same balls: {win_difference_words(row)}."
                )
        says = " ".join(said) or "One side was not charted."
        alt = f"Thresholds and rallies won, forehand beside backhand. {says}"
        read = "Bars are intervals. Squares: forehand. Diamonds: backhand."
        title = "Forehand against backhand"
        return "Which side is the better one?", read, framed(drawn, title, says, "; ".join(n), alt)

    def decisions(self, links: dict[tuple[str, str, str], Link | None]) -> Section:
        """Which balls are attacked, against the player's own threshold."""
        from sidewall.plots.decisions import plot_decisions  # noqa: PLC0415

        found: list[Picture] = []
        title = "Is the right ball chosen?"
        if self.ladder.decisions is None:
            return title, "", found
        mine = own(self.ladder.decisions, self.player)
        for side, family in self.model.cells_:
            cell = mine[(mine["side"] == side) & (mine["family"] == family)]
            if not len(cell):
                continue
            # no second axis in boards: the words stand where it would be
            look = {**self.look, "board_width_m": self.boards_only}
            draw = partial(plot_decisions, mine, self.player, side, family, **look)
            words, said = cell_words(self.model, side, family), _decision_words(cell)
            alt = f"{words}: share of balls attacked at each gap. {said}"
            link = links.get(("passed up", side, family)) or links.get(("forced", side, family))
            drawn = inline(draw, (WIDE, 3.6))
            found += framed(drawn, words, said, count(len(cell), "judged shot"), alt, link)
        read = (
            "Dots: the share of balls attacked at each gap, with intervals. The red band is "
            "the threshold's interval. Orange from below: forced, attacked though surely "
            "tight. Blue from above: passed up, reset though surely loose."
        )
        return title, read, found

    def work(self) -> Section:
        """The work list in one picture, for wide screens and paper: the cards say the same."""
        from sidewall.plots.worklist import plot_work_list  # noqa: PLC0415

        title, work = "The work list at a glance", self.ladder.work
        if work is None:
            return title, "", []
        table = work.table(self.player)
        draw = partial(
            plot_work_list, table, self.player, useful=work.useful, level=self.ladder.level
        )
        drawn = inline(draw, (8.8, 1.0 + 0.46 * min(len(table), 8)))
        says = "Filled dots are surely above nothing, hollow ones may be nothing."
        first = "; ".join(str(one) for one in table["title"].head(3))
        alt = f"Points a game to gain, item by item. First: {first}."
        n = "on each line"
        shown = framed(drawn, "Points a game to gain", says, n, alt, wide=True)
        return title, "Shaded: too small to be worth an item.", shown


def _decision_words(cell: pd.DataFrame) -> str:
    """Count what was forced and passed up, and say what it cost."""
    said = []
    for decision, other, noun in (
        ("forced", "reset tight", "tight"),
        ("passed up", "attacked loose", "loose"),
    ):
        rows = cell[cell["decision"] == decision]
        of = len(rows) + int((cell["decision"] == other).sum())
        if not of:
            said.append(f"no ball was surely {noun}")
            continue
        verb = "attacked" if decision == "forced" else "reset"
        cost = f", which cost {-rows['points'].sum():.1f} rallies" if len(rows) else ""
        said.append(f"{len(rows):,} of {of:,} surely {noun} balls were {verb}{cost}")
    words = "; ".join(said)
    return f"{words[:1].upper()}{words[1:]}."
