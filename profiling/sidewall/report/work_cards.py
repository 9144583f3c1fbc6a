"""The work list as cards."""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from sidewall.plots.words import count
from sidewall.report.ladder import FittedLadder
from sidewall.report.numbers import shot_words
from sidewall.report.rally_lists import RallyLists
from sidewall.report.views import Card, Link
from sidewall.report.words import Lengths, signed, signed_in
from sidewall.worklist import drill_for
from sidewall.worklist.worklist import MAY_BE_NOTHING, NOT_KNOWN, WORTH

__all__ = ["work_cards"]

#: Cards shown in full; the others follow as short ones.
_MOST: Final = 5
#: Shots listed for an item: those that cost most.
_MOST_SHOTS: Final = 60
#: Words of the work list that a player need not know.
_QUARTILE: Final = "the ladder's upper quartile"
_AGAINST: Final = "against the ladder"


def work_cards(
    ladder: FittedLadder, player: str, lengths: Lengths, lists: RallyLists
) -> tuple[list[Card], list[Card]]:
    """Make the cards of a player: those to read, and the others."""
    if ladder.work is None:
        return [], []
    rows = ladder.work.table(player).to_dict("records")
    full = [row for row in rows if row["status"] in (WORTH, MAY_BE_NOTHING)][:_MOST]
    chosen = {row["item"] for row in full}
    cards = [_card(ladder, player, row, lengths, lists) for row in full]
    rest = [_card(ladder, player, row, lengths, None) for row in rows if row["item"] not in chosen]
    return cards, rest


def _card(
    ladder: FittedLadder,
    player: str,
    row: dict[Any, Any],
    lengths: Lengths,
    lists: RallyLists | None,
) -> Card:
    item = str(row["item"])
    drill = drill_for(item)
    known = row["status"] != NOT_KNOWN
    key = f"work-{row['rank']}"
    n = f"{row['n']:,} {row['counted']} in {count(int(row['rallies']), 'rally', 'rallies')}"
    if np.isfinite(row["a_game"]):
        n += f", {row['a_game']:.0f} a game"
    return Card(
        rank=int(row["rank"]),
        anchor=key,
        title=str(row["title"]),
        status=str(row["status"]),
        gain=signed_in(row, "points_per_game", 2) if known else "",
        match=_match_words(row) if known else "",
        target=_target_words(row) if known else "",
        effort=_effort_words(row),
        sure=_sure_words(row) if known else "",
        n=n,
        why=str(row["why"]),
        drill=f"{drill.name[:1].upper()}{drill.name[1:]}",
        aim=drill.aim,
        stages=list(zip(("Simple", "Varied", "In a game"), drill.progression, strict=True)),
        link=None if lists is None else _evidence(ladder, player, item, key, row, lengths, lists),
    )


def _evidence(
    ladder: FittedLadder,
    player: str,
    item: str,
    key: str,
    row: dict[Any, Any],
    lengths: Lengths,
    lists: RallyLists,
) -> Link | None:
    if ladder.work is None:
        return None
    shots = ladder.work.evidence(player, item)
    shown = shots.head(_MOST_SHOTS)
    title = f"Work list {row['rank']}: {row['title']}"
    if len(shown) < len(shots):
        title += f" (the {_MOST_SHOTS} of {len(shots):,} shots that cost most)"
    first = [shot_words(one, lengths) for one in shown.head(12).to_dict("records")]
    return lists.add(key, title, shown, first)


def _match_words(row: dict[Any, Any]) -> str:
    at, low, high = (100.0 * float(row[f"match_win{end}"]) for end in ("", "_low", "_high"))
    return signed(at, low, high)


def _target_words(row: dict[Any, Any]) -> str:
    now, goal = float(row["now"]), float(row["goal"])
    target = str(row["target"]).replace(_QUARTILE, "what the best quarter of this log's players do")
    if not np.isfinite([now, goal]).all():
        return f"{target[:1].upper()}{target[1:]}"
    unit = str(row["unit"]).replace(_AGAINST, "above or below the log's average")
    return f"From {_number(now)} to {_number(goal)} {unit}: {target}"


def _number(value: float) -> str:
    text = f"{abs(value):.1f}"
    return f"−{text}" if value < 0 and float(text) else text


def _effort_words(row: dict[Any, Any]) -> str:
    assumed = " (assumed: nobody has rated it)" if row["effort_assumed"] else ""
    return f"{row['effort']:g} of 5{assumed}"


def _sure_words(row: dict[Any, Any]) -> str:
    first = float(row["first_in"])
    if not np.isfinite(first):
        return ""
    return f"comes first in {100 * first:.0f} of 100 redraws of the rallies"
