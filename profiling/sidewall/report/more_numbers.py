"""The tables of the page that rest on the whole rally, on places and on heights."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pandas as pd

from sidewall.errors import DataError
from sidewall.placement.aim import BEST
from sidewall.report.ladder import FittedLadder, own
from sidewall.report.rally_lists import RallyLists
from sidewall.report.views import Link, NumberTable, Row
from sidewall.report.words import Lengths, share, signed, signed_in, stroke_words

__all__ = [
    "combination_rows",
    "credit_rows",
    "margin_rows",
    "placement_links",
    "placement_rows",
    "zone_links",
    "zone_rows",
]

#: Kinds of shot with fewer rallies say nothing yet.
_LEAST_RALLIES: Final = 10


def zone_links(ladder: FittedLadder, player: str, lists: RallyLists) -> dict[str, Link | None]:
    """List the rallies of each zone."""
    if ladder.zones is None:
        return {}
    shots = ladder.own_features(player)
    shots = shots[shots["stroke"] != "serve"]
    keys = [name for name in ("side", "depth") if name in ladder.zones.columns]
    links = {}
    for row in own(ladder.zones, player).to_dict("records"):
        same = np.ones(len(shots), dtype=bool)
        for name in keys:
            column = shots[name]
            missing = column.isna().to_numpy()
            same &= missing if pd.isna(row[name]) else (column == row[name]).to_numpy()
        words = _zone_words(row, keys)
        key = "zone-" + "-".join(_part(row[name]) for name in keys)
        links[words] = lists.add(key, f"Zone: {words.lower()}", shots[same])
    return links


def _part(value: Any) -> str:
    return "unknown" if pd.isna(value) else str(value)


def _zone_words(row: dict[Any, Any], keys: list[str]) -> str:
    return stroke_words(*("place not charted" if pd.isna(row[k]) else row[k] for k in keys))


def zone_rows(
    ladder: FittedLadder, player: str, lengths: Lengths, links: dict[str, Link | None]
) -> NumberTable | None:
    """Where the player strikes from."""
    if ladder.zones is None:
        return None
    keys = [name for name in ("side", "depth") if name in ladder.zones.columns]
    rows = []
    for row in own(ladder.zones, player).to_dict("records"):
        words = _zone_words(row, keys)
        gaps = lengths.interval(row["gap_q1_m"], row["gap_q3_m"])
        rows.append(
            Row(
                [
                    words,
                    f"{row['shots']:,}",
                    f"{row['rallies']:,}",
                    share(row["share"], row["share_low"], row["share_high"]),
                    f"{lengths.gap(row['gap_m'])} ({gaps})",
                    share(row["attack_share"], row["attack_low"], row["attack_high"]),
                    share(row["win_rate"], row["win_low"], row["win_high"]),
                ],
                links.get(words),
            )
        )
    return NumberTable(
        "numbers-zones",
        "Zones",
        "Where the ball was struck, serves left out. Gap: the middle one, with the middle half of "
        "all gaps in brackets (no interval). All shares in 100.",
        ["Side and depth", "Shots", "Rallies", "Share", "Gap", "Attacked", "Rallies won"],
        rows,
    )


def credit_rows(ladder: FittedLadder, player: str, lists: RallyLists) -> NumberTable | None:
    """Which shots made the next ball loose."""
    if ladder.credit is None:
        return None
    table = own(ladder.credit, player)
    told = [name for name in ("side", "stroke", "direction") if name in table.columns]
    table = table[table["rallies"] >= _LEAST_RALLIES]
    table = table.sort_values("difference", ascending=False, kind="stable")
    shots = ladder.own_features(player)
    shots = shots[(shots["stroke"] != "serve") & (shots["shots_left"] > 0)]
    keys = shots[told].astype(object)
    keys = keys.where(keys.notna(), "not charted")
    rows = []
    for row in table.to_dict("records"):
        same = np.logical_and.reduce([(keys[name] == row[name]).to_numpy() for name in told])
        words = stroke_words(*(row[name] for name in told))
        key = "opening-" + "-".join(str(row[name]).replace(" ", "-") for name in told)
        at, low, high = (100 * float(row[f"difference{end}"]) for end in ("", "_low", "_high"))
        rows.append(
            Row(
                [
                    words,
                    f"{row['shots']:,}",
                    f"{row['rallies']:,}",
                    f"{100 * row['share']:.0f}",
                    f"{100 * row['matched_share']:.0f}",
                    signed(at, low, high),
                    signed_in(row, "points_per_100"),
                ],
                lists.add(key, f"After which the rally went on: {words.lower()}", shots[same]),
            )
        )
    return NumberTable(
        "numbers-openings",
        "Who made the opening",
        "How often in 100 the player's next ball comes back loose (50 cm or more) after a shot, "
        "against the player's other shots from the same ball. Shots after which the rally goes "
        f"on; kinds with {_LEAST_RALLIES} rallies or more. Points: rallies in 100 such shots that "
        "the difference is worth.",
        ["Shot", "Shots", "Rallies", "Loose next", "Other shots", "Difference", "Points in 100"],
        rows,
    )


def combination_rows(
    ladder: FittedLadder, player: str, links: dict[str, Link | None]
) -> NumberTable | None:
    """What playing a combination on brought."""
    if ladder.effects is None:
        return None
    rows = []
    for row in own(ladder.effects, player).to_dict("records"):
        at, low, high = (100 * float(row[f"difference{end}"]) for end in ("", "_low", "_high"))
        name = str(row["combination"])
        p = row["p_adjusted"]
        rows.append(
            Row(
                [
                    f"{name[:1].upper()}{name[1:]}",
                    f"{row['played_on']:,}",
                    f"{row['another_way']:,}",
                    f"{row['rallies']:,}",
                    signed(at, low, high),
                    signed_in(row, "points_a_game", 2),
                    "" if pd.isna(p) else f"{p:.3f}",
                    str(row["status"]),
                ],
                links.get(name),
            )
        )
    return NumberTable(
        "numbers-combinations",
        "Combinations",
        "Rallies won in 100 when the combination was played on, minus rallies won when the player "
        "stood in the same state and went another way. The p-value allows for every combination "
        "and player looked at (Benjamini-Hochberg).",
        [
            *("Combination", "Played on", "Another way", "Rallies", "Difference"),
            *("Points a game", "p", "In words"),
        ],
        rows,
    )


def placement_links(ladder: FittedLadder, player: str, lists: RallyLists) -> dict[str, Link | None]:
    """List the drives to each target, by its name."""
    if ladder.placed is None:
        return {}
    placed = own(ladder.placed, player)
    placed = placed[placed["stroke"] == "drive"]
    return {
        str(target): lists.add(
            f"target-{number}", f"Drives to the {target}", placed[placed["target"] == target]
        )
        for number, target in enumerate(placed["target"].unique(), start=1)
    }


def placement_rows(
    ladder: FittedLadder, player: str, lengths: Lengths, lists: RallyLists
) -> NumberTable | None:
    """Share on target and mean error of the bounces."""
    if ladder.placement is None:
        return None
    shots = ladder.own_features(player)
    rows = []
    for row in own(ladder.placement, player).to_dict("records"):
        words = stroke_words(row["side"], row["stroke"])
        same = (shots["side"] == row["side"]) & (shots["stroke"] == row["stroke"])
        key = f"placed-{row['side']}-{row['stroke']}"
        rows.append(
            Row(
                [
                    words,
                    f"{row['shots']:,}",
                    f"{row['rallies']:,}",
                    share(row["share"], row["share_low"], row["share_high"]),
                    f"{row['faults']:,}",
                    lengths.both(row["out_m"], row["out_m_low"], row["out_m_high"]),
                    lengths.both(row["long_m"], row["long_m_low"], row["long_m_high"]),
                ],
                lists.add(key, f"Placed: {words.lower()}", shots[same.to_numpy()]),
            )
        )
    return NumberTable(
        "numbers-placement",
        "Placement",
        "First bounces against the corner that the stroke is played to. On target in 100; mean "
        "distance from the middle of the target, away from the wall (+) and too long (+). Balls "
        "that were volleyed have no bounce and do not count.",
        ["Shot", "Shots", "Rallies", "On target", "Faults", "Off the wall", "Too long"],
        rows,
    )


def margin_rows(ladder: FittedLadder, player: str, lengths: Lengths) -> NumberTable | None:
    """Height over the tin, scatter, and the height that wins most."""
    if ladder.margin is None or ladder.scatter is None:
        return None
    table = own(ladder.scatter, player)
    if not len(table):
        return None
    tin_m = _tin_of(ladder, player)
    try:
        best = ladder.margin.best(player, tin_heights_m=[tin_m], level=ladder.level)
        advised = {(row["stroke"], row["side"]): row for row in best.to_dict("records")}
    except DataError:
        advised = {}
    rows = []
    for row in table.to_dict("records"):
        tin = share(row["tin_share"], row["tin_low"], row["tin_high"])
        rows.append(
            Row(
                [
                    stroke_words(row["side"], row["stroke"]),
                    f"{row['shots']:,}",
                    tin,
                    _height(row["mean_m"], row["mean_low"], row["mean_high"]),
                    _height(row["sd_m"], row["sd_low"], row["sd_high"]),
                    _best_words(advised.get((row["stroke"], row["side"]))),
                ]
            )
        )
    return NumberTable(
        "numbers-tin",
        "Tin margin",
        f"Height on the front wall in metres, above a tin of {100 * tin_m:.0f} cm. In the tin: of "
        "100 such shots. Best height: where most rallies are won once the tin is counted.",
        ["Shot", "Heights", "In the tin", "Mean height", "Scatter", "Best height"],
        rows,
    )


def _tin_of(ladder: FittedLadder, player: str) -> float:
    shots = ladder.own_features(player)
    if "tin_height_m" in shots.columns and shots["tin_height_m"].notna().any():
        return float(shots["tin_height_m"].mode().iloc[0])
    return float(ladder.margin.tin_height_m) if ladder.margin is not None else 0.48


def _height(at: float, low: float, high: float) -> str:
    return f"{at:.2f} ({low:.2f} to {high:.2f})"


def _best_words(row: dict[Any, Any] | None) -> str:
    if row is None:
        return "not known yet"
    if row["status"] != BEST:
        return str(row["status"])
    return _height(row["best_m"], row["low_m"], row["high_m"])
