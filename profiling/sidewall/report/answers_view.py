"""The loose thresholds as answers and rulers, for the first screen."""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from sidewall.models.answers import CROSSES, LEAST_OWN, NOT_KNOWN
from sidewall.plots.strip import Stretch, stretches
from sidewall.plots.words import answer_words, cell_words, count, rows_by
from sidewall.report.ladder import FittedLadder, own
from sidewall.report.rally_lists import RallyLists
from sidewall.report.views import Answer, Link, Part, Ruler
from sidewall.report.words import Lengths, answer_sentence, rule_words

__all__ = ["threshold_answers", "threshold_links"]

#: A ruler ends here, or at the widest gap met where that is nearer: beyond a metre every
#: ball is a gift, and the ends that matter would be squeezed.
_LONGEST_M: Final = 1.0
_TICKS_M: Final = (0.0, 0.25, 0.5, 0.75, 1.0)
#: Room for a letter on a ruler as wide as a phone, per cent.
_LETTER: Final = 2.4


def threshold_links(
    ladder: FittedLadder, player: str, lists: RallyLists
) -> dict[tuple[str, str], Link | None]:
    """List the rallies behind each threshold, by side and family."""
    used = own(ladder.value.used_, player)
    links = {}
    for side, family in ladder.value.cells_:
        rows = used[(used["side"] == side) & (used["family"] == family)]
        words = cell_words(ladder.value, side, family)
        links[side, family] = lists.add(
            f"threshold-{side}-{family}".replace(" ", "-"),
            f"{words}: every attack and reset behind the threshold",
            rows,
        )
    return links


def threshold_answers(
    ladder: FittedLadder,
    player: str,
    lengths: Lengths,
    links: dict[tuple[str, str], Link | None],
) -> list[Answer]:
    """Make the answers of a player, one a side and stroke family."""
    model, level = ladder.value, ladder.level
    answers = rows_by(own(model.thresholds(level), player), "side", "family")
    others = (
        {}
        if ladder.rally is None or player not in ladder.rally.players_
        else rows_by(own(ladder.rally.thresholds(level), player), "side", "family")
    )
    curves = own(model.curves(level=level), player)
    found = []
    for (side, family), answer in answers.items():
        curve = curves[(curves["side"] == side) & (curves["family"] == family)]
        charted = min(answer["n_attack"], answer["n_reset"]) >= LEAST_OWN
        parts = stretches(curve, float(answer["gap_max_m"])) if charted else []
        says, interval = answer_sentence(answer, lengths)
        beside = ""
        if (side, family) in others:
            beside = answer_words(others[side, family], lengths.main)[0]
        found.append(
            Answer(
                cell=cell_words(model, side, family),
                says=says,
                interval=interval,
                boards=lengths.boards(answer["threshold_m"]) if interval else "",
                rule=rule_words(answer, parts, lengths, charted),
                n=", ".join(
                    (
                        count(int(answer["n_attack"]), "attack"),
                        count(int(answer["n_reset"]), "reset"),
                    )
                ),
                beside=beside,
                known=answer["status"] != NOT_KNOWN,
                ruler=_ruler(answer, parts, lengths),
                link=links.get((side, family)),
            )
        )
    return found


def _ruler(answer: dict[str, Any], parts: list[Stretch], lengths: Lengths) -> Ruler:
    widest = float(answer["gap_max_m"])
    end = min(widest, _LONGEST_M) if np.isfinite(widest) and widest > 0 else _LONGEST_M

    def at(gap_m: float) -> float:
        return round(100.0 * min(max(gap_m, 0.0), end) / end, 2)

    drawn = []
    for part in parts:
        left, right = at(part.low_m), at(part.high_m)
        choice = part.choice if part.choice in ("attack", "reset") else "open"
        words = "your call" if choice == "open" else choice
        if right - left < _LETTER * len(words):
            words = ""
        if right > left:
            drawn.append(Part(choice, left, round(right - left, 2), words))
    drawn = drawn or [Part("open", 0.0, 100.0, "not known yet")]
    ticks = [(at(gap), lengths.main.number(gap)) for gap in _TICKS_M if gap <= end]
    if answer["status"] != CROSSES:
        return Ruler(drawn, ticks)
    return Ruler(drawn, ticks, at(answer["threshold_m"]), at(answer["low_m"]), at(answer["high_m"]))
