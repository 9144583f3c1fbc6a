"""Pictures of places and combinations, each with a sentence and its n."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import Any, Final, Literal, cast

import pandas as pd

from sidewall.combinations.combination import Combination
from sidewall.combinations.tries import break_words, funnel_table
from sidewall.plots.words import count
from sidewall.report.gallery import WIDE, Section, framed
from sidewall.report.ladder import FittedLadder, own
from sidewall.report.pictures import inline
from sidewall.report.views import Link, Picture
from sidewall.report.words import share

__all__ = ["funnel_pictures", "placement_pictures", "zone_pictures"]

#: Its words need more room.
_FUNNEL: Final = 5.6
_LEAST_IN_ZONE: Final = 30
_LEAST_BOUNCES: Final = 20
_LEAST_TRIES: Final = 20
_TOO_FEW: Final = "Too few shots in any zone to speak of."


def zone_pictures(ladder: FittedLadder, player: str) -> Section:
    """Where the player strikes from: with what result, and how bravely."""
    from sidewall.plots import plot_zone_map  # noqa: PLC0415 - slow to load

    mine = ladder.own_features(player)
    n = f"{count(int((mine['stroke'] != 'serve').sum()), 'shot')}, serves left out"
    rows = pd.DataFrame() if ladder.zones is None else own(ladder.zones, player)
    rows = rows[rows["shots"] >= _LEAST_IN_ZONE] if len(rows) else rows
    shown: tuple[tuple[Literal["win_rate", "attack_share"], str, str], ...] = (
        ("win_rate", "Rallies won, by where the ball was struck", _most_met(rows)),
        ("attack_share", "How often the ball was attacked", _bravest(rows)),
    )
    found: list[Picture] = []
    for value, title, said in shown:
        draw = partial(plot_zone_map, mine, player, value, level=ladder.level)
        alt = f"Court from above, a number in each zone. {said}"
        found += framed(inline(draw, (WIDE, 6.4)), title, said, n, alt)
    read = "The court from above, front wall at the top. The table of zones lists the rallies."
    return "Where from?", read, found


def _most_met(rows: pd.DataFrame) -> str:
    if not len(rows):
        return _TOO_FEW
    row = rows.sort_values("share", kind="stable").iloc[-1]
    won = share(row["win_rate"], row["win_low"], row["win_high"])
    return (
        f"Most balls are met at the {_place(row)}: {100 * row['share']:.0f} in 100. From there "
        f"{won} rallies in 100 are won."
    )


def _bravest(rows: pd.DataFrame) -> str:
    rows = rows[rows["attack_share"].notna()] if len(rows) else rows
    if len(rows) < 2:
        return _TOO_FEW
    rows = rows.sort_values("attack_share", kind="stable")
    most, least = (
        f"{_place(row)} {share(row['attack_share'], row['attack_low'], row['attack_high'])}"
        for row in (rows.iloc[-1], rows.iloc[0])
    )
    return f"Attacks in 100 balls: most at the {most}, fewest at the {least}."


def _place(row: pd.Series) -> str:
    depth = f"{row['depth']} " if "depth" in row.index and pd.notna(row["depth"]) else ""
    return f"{depth}{row['side']}"


def placement_pictures(ladder: FittedLadder, player: str, links: dict[str, Link | None]) -> Section:
    """Length on either side, where bounces are charted."""
    from sidewall.plots import plot_placement  # noqa: PLC0415

    title, found = "Does the length land?", list[Picture]()
    if ladder.targets is None:
        return title, "", found
    mine = ladder.own_features(player)
    rows = own(ladder.targets, player)
    rows = rows[(rows["stroke"] == "drive") & (rows["shots"] >= _LEAST_BOUNCES)]
    for row in rows.to_dict("records"):
        target = str(row["target"])
        draw = partial(
            plot_placement,
            mine,
            player,
            target,
            strokes=("drive",),
            robust=False,
            level=ladder.level,
        )
        on_target = share(row["share"], row["share_low"], row["share_high"])
        said = f"{on_target} in 100 drives to the {target} land in the target."
        n = f"{count(int(row['shots']), 'drive')} with a known bounce or a fault"
        alt = f"Court from above with the first bounces of drives to the {target}. {said}"
        drawn = inline(draw, (WIDE, 6.2))
        found += framed(drawn, f"Drives to the {target}", said, n, alt, links.get(target))
    read = (
        "Dots: on target. Crosses: beside it. The ellipse holds four bounces in five. Balls that "
        "the opponent volleyed have no bounce and are left out."
    )
    return title, read, found


def funnel_pictures(
    ladder: FittedLadder,
    player: str,
    tries: dict[str, pd.DataFrame],
    links: dict[str, Link | None],
) -> Section:
    """Combinations that were tried often enough."""
    from sidewall.plots import plot_funnel  # noqa: PLC0415

    found: list[Picture] = []
    for combination in ladder.combinations:
        mine = tries.get(combination.name)
        if mine is None or len(mine) < _LEAST_TRIES:
            continue
        table = funnel_table(mine, combination.steps, None, ladder.level)
        made = cast(Combination, _MadeFunnel(combination.name, table))
        draw = partial(plot_funnel, made, ladder.features, player, level=ladder.level)
        # its hatching makes it three times as large as an SVG
        drawn = inline(draw, (_FUNNEL, 1.6 + 0.95 * len(table)), png=True)
        said = break_words(table)
        name = f"{combination.name[:1].upper()}{combination.name[1:]}"
        n = count(len(mine), "try", "tries")
        alt = f"How many tries reach each step. {said}"
        found += framed(drawn, name, said, n, alt, links.get(combination.name))
    read = (
        "A bar a step: of the tries that were a step before, those that went on, and what came "
        "of the others."
    )
    return "Where do combinations break?", read, found


@dataclass(frozen=True)
class _MadeFunnel:
    """Stands in for a combination whose funnel is made already."""

    name: str
    table: pd.DataFrame

    def funnel(self, *_: Any, **__: Any) -> pd.DataFrame:
        return self.table
