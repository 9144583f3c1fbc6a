"""Small rallies written by hand, a simulated ladder, and two studies as modules."""

from __future__ import annotations

import importlib
import math

import numpy as np
import pandas as pd
import pytest

import sidewall as sw
from sidewall import simulate
from sidewall.combinations.step import CONDITIONS, variants
from sidewall.combinations.stratified import Moments, mantel_haenszel, permutation_p
from sidewall.court.zones import Zones

NAMES = ["Rowan", "Hazel"]


def hand_rallies(*rallies, match="m1", extra=None):
    """Rallies as (winner or None, shot, shot, ...); a shot is a dict or "stroke direction".

    Rowan serves the first rally, the winner the next; the first shot is the serve.
    """
    rows, server = [], "Rowan"
    for number, (winner, *shots) in enumerate(rallies, start=1):
        for k, shot in enumerate(shots):
            said = (
                dict(zip(("stroke", "direction"), shot.split(), strict=False))
                if isinstance(shot, str)
                else dict(shot)
            )
            striker = NAMES[(NAMES.index(server) + k) % 2]
            row = {
                "match": match, "game": 1, "rally": number, "shot": k + 1, "player": striker,
                "opponent": NAMES[1 - NAMES.index(striker)], "side": "forehand",
                "direction": None, "contact": "after_bounce", "choice": None,
                "gap_m": np.nan if k == 0 else 0.5, "rally_won_by": None, "ending": None,
                "t_s": 10.0 * number + k, **said,
            }  # fmt: skip
            rows.append(row)
        rows[-1]["rally_won_by"] = winner
        rows[-1]["ending"] = "let" if winner is None else "stroke"
        server = winner or server
    table = pd.DataFrame(rows)
    table["line"] = np.arange(len(table)) + 2
    return table


@pytest.fixture(scope="session")
def by_hand(in_categories):
    return lambda *rallies, **given: in_categories(hand_rallies(*rallies, **given), NAMES)


@pytest.fixture(scope="session")
def ladder():
    players = simulate.draw_players(["Alder", "Birch", "Cedar", "Elm"], np.random.default_rng(5))
    return simulate.simulate_shots(players, simulate.round_robin(4, 4), rng=11)


@pytest.fixture(scope="session")
def study():
    return importlib.import_module("combination_coverage")


@pytest.fixture(scope="session")
def controls():
    return importlib.import_module("negative_controls")


ZONES = Zones()


def asked_of(shot, name, value):
    """Whether a shot meets one condition: True, False, or None where that was not charted."""
    if name == "room_m":
        ends = [shot[f"{what}_{axis}_m"] for axis in "xy" for what in ("bounce", "opponent")]
        found = None if any(map(np.isnan, ends)) else math.dist(ends[::2], ends[1::2])
    elif name.startswith(("opponent_", "bounce_")):
        which, part = name.split("_")
        x, y = shot[f"{which}_x_m"], shot[f"{which}_y_m"]
        edges, at = {"depth": (ZONES.depth_edges_m, y), "lane": (ZONES.lane_edges_m, x)}[part]
        words = CONDITIONS[name].words
        found = None if np.isnan(x + y) else words[sum(at >= edge for edge in edges)]
    elif name == "ball":
        gap = shot["gap_m"]
        found = None if np.isnan(gap) else "loose" if gap >= 0.5 else "tight"
    else:
        found = shot[name]
    if found is None or pd.isna(found):
        return None
    if isinstance(found, str):
        return found in value
    low, high = value
    return (low is None or found >= low) and (high is None or found < high)


def meets_all(shot, conditions):
    """Whether a shot meets all: False if one fails, else None if one was not charted."""
    said = [asked_of(shot, name, value) for name, value in conditions.items()]
    return False if False in said else None if None in said else True


@pytest.fixture(scope="session")
def meeting():
    return meets_all


class Slow:
    """The comparison by loops: moments shot by shot, strata as words, games by name."""

    def __init__(self, shots, steps, decisive, state):
        told = sw.shot_features(shots).reset_index(drop=True)
        told["state"] = state(told).astype(object)
        # who won stands with the last shot only
        told["rally_won_by"] = told.groupby("rally_id")["rally_won_by"].transform("last")
        self.games = told[["match", "game", "player"]].drop_duplicates()
        self.names = list(shots["player"].cat.categories)
        self.states = list(state(told).cat.categories)
        records = told.to_dict("records")
        step = steps[decisive - 1]
        lead_ups = {way[: way.index(decisive - 1)] for way in variants(steps)}
        self.after, self.moments, self.unsure = [], [], []
        for row, shot in enumerate(records):
            follows = any(
                shot["shot"] > len(way)
                and all(meets_all(records[row - len(way) + j], steps[k].conditions)
                        for j, k in enumerate(way))
                for way in lead_ups
            )  # fmt: skip
            if not follows:
                continue
            self.after.append((row, shot))
            asked, decided = step.conditions, step.decided
            suits = meets_all(shot, {k: v for k, v in asked.items() if k not in decided})
            played = meets_all(shot, {k: v for k, v in asked.items() if k in decided})
            if suits is None or (suits and played is None):
                self.unsure.append((row, shot["player"]))
            elif suits:
                self.moments.append((row, shot, played))

    def row(self, player, tries, level, permutations, rng):
        mine, seen = [], set()
        for _, shot, played in self.moments:
            who, winner = shot["player"], shot["rally_won_by"]
            known = not pd.isna(winner) and not pd.isna(shot["state"])
            if not known or player not in (None, who):
                continue
            if tries == "first" and (shot["rally_id"], who) in seen:
                continue
            seen.add((shot["rally_id"], who))
            # matches in the order of play, all that had moments
            place = (shot["match"], self.names.index(who), self.states.index(shot["state"]))
            unit = shot["rally_id"] * 100 + self.names.index(who)
            mine.append((float(winner == who), played, place, shot["rally_id"], unit))
        strata = sorted({one[2] for one in mine})
        won, kind, place, rally, unit = zip(*mine, strict=True) if mine else ((),) * 5
        m = Moments(np.array(won), np.array(kind, bool),
                    np.array([strata.index(one) for one in place], int),
                    np.array(rally, int), np.array(unit, int))  # fmt: skip
        found = mantel_haenszel(m, level)
        p = permutation_p(m, permutations, rng, found.pair_effect)
        games = self.games if player is None else self.games[self.games["player"] == player]
        rate = len({one[4] for one in mine if one[1]}) / len(games) if len(games) else np.nan
        status = "gains" if found.low > 0 else "costs" if found.high < 0 else "not known yet"
        told = {
            "win_rate_played_on": found.rate_1, "win_rate_another_way": found.rate_0,
            "difference": found.difference, "difference_low": found.low,
            "difference_high": found.high, "odds_ratio": found.odds_ratio,
            "odds_ratio_low": found.odds_low, "odds_ratio_high": found.odds_high, "p": p,
            "points_a_game": rate * found.difference, "points_a_game_low": rate * found.low,
            "points_a_game_high": rate * found.high,
        }  # fmt: skip
        if found.too_few:
            status, told = "too few", dict.fromkeys(told, np.nan)
        return told | {
            "player": player, "status": status, "played_on": sum(one[1] for one in mine),
            "another_way": sum(not one[1] for one in mine), "compared": found.n_1 + found.n_0,
            "n_rallies": found.rallies, "strata": found.strata, "games": len(games),
            "tries_a_game": rate,
            "not_charted": sum(player in (None, who) for _, who in self.unsure),
        }  # fmt: skip


@pytest.fixture(scope="session")
def slowly():
    return Slow
