"""Coverage of the points intervals of decisions and of the work list.

Points per 100 decisions, and what forced and passed-up balls cost, are held against the
simulation's exact chances for the very shots that were judged so. What execution items would
gain is held against the same quantity on a log many times as long of the same players and
matches.

    python tests/studies/decisions_coverage.py --ladders 40
"""

import argparse
import os
from multiprocessing import Pool

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd
from records import record
from worlds import NAMES

import sidewall as sw
from sidewall import simulate
from sidewall.court.zones import DEPTHS
from sidewall.decisions import decision_table
from sidewall.log.vocabulary import FAMILIES, SIDES
from sidewall.simulate.world import ATTACK, CHOICE_OF, RESET
from sidewall.worklist import WorkList
from sidewall.worklist.gains import measures
from sidewall.worklist.ladder import Ladder

LONGER = 20
DRAWS = 400


def exact_chances(shots, players, schedule, world=None):
    """Exact chance of winning by attacking and by resetting every ball, shape (2, n).

    Each ball in its own side, family, depth, balance and gap; the stroke drawn from the
    player's own mix of the choice in that situation. A mean over the player's matches.
    """
    win = simulate.win_chances(players, schedule, world)
    _, mix = simulate.occupancy(players, schedule, world)
    names = [player.name for player in players]
    ball = tuple(
        pd.Index(words).get_indexer(shots[name].astype(str))
        for name, words in {
            "player": names,
            "side": SIDES,
            "family": FAMILIES,
            "depth": DEPTHS,
        }.items()
    )
    # nothing but the word tells a jammed ball from one that is met set
    ball = (*ball, (shots["balance"] == "stretched").to_numpy().astype(int))
    assert min(code.min() for code in ball) >= 0
    gap = shots["gap_m"].to_numpy()
    above = np.clip(np.searchsorted(simulate.GAPS_M, gap), 1, len(simulate.GAPS_M) - 1)
    low, high = simulate.GAPS_M[above - 1], simulate.GAPS_M[above]
    part = ((gap - low) / (high - low))[:, None]
    by_stroke = (1 - part) * win[(*ball, slice(None), above - 1)]
    by_stroke += part * win[(*ball, slice(None), above)]
    weighed = by_stroke * mix[ball]
    return np.array([weighed[:, choice == CHOICE_OF].sum(axis=1) for choice in (ATTACK, RESET)])


def exact_points(shots, players, schedule, world=None):
    """Chance with the choice that was made, less that with the other, of every shot, exactly."""
    attack, reset = exact_chances(shots, players, schedule, world)
    return np.where(shots["choice"] == "attack", attack - reset, reset - attack)


def counted(name, low, high, truth):
    known = ~(np.isnan(low) | np.isnan(truth))
    hit = (low[known] <= truth[known]) & (truth[known] <= high[known])
    return {"interval": name, "hits": int(hit.sum()), "n": int(known.sum())}


def decided(works, exact):
    judged = works.decisions_
    table = decision_table(judged, works.model_, ["player"])
    true = pd.Series(100 * exact).groupby([judged["player"], judged["decision"]], observed=True)
    key = pd.MultiIndex.from_frame(table[["player", "decision"]].astype(str))
    mean = true.mean()
    mean.index = mean.index.map(lambda pair: tuple(map(str, pair)))
    table["true"] = mean.reindex(key).to_numpy()
    table = table[table["n_shots"] >= 5]
    ends = ["points_per_100_low", "points_per_100_high", "true"]
    return [
        counted(f"points per 100, {name}", *some[ends].to_numpy().T)
        for name, some in table.groupby("decision", observed=True)
        if some["points_per_100_low"].notna().any()
    ]  # fmt: skip


def goals(own, known):
    return np.quantile(own[known], 0.75) - own


def gained(works, exact, long_shots):
    names, games = works.players_, works.ladder_.games
    judged = works.decisions_
    who = pd.Index(names).get_indexer(judged["player"].astype(str))
    told = (judged["decision"] != "not known yet").to_numpy()
    n = np.bincount(who[told], minlength=len(names))
    true = {}
    for item, word in (("forced", "forced"), ("passed_up", "passed up")):
        mine = (judged["decision"] == word).to_numpy()
        cost = np.bincount(who[mine], exact[mine], minlength=len(names)) / n
        true[item] = n / games * goals(cost, np.ones(len(names), bool))
    longer = Ladder(long_shots, works.model_, 50, np.random.default_rng(0))
    order = [longer.names.index(name) for name in names]
    for one in measures(longer)[0]:
        if one.share:
            continue
        m = longer.sums(one.row, np.ones(len(one.row)))[0]
        mean = (longer.sums(one.row, one.value - one.expected)[0] / m)[order]
        true[one.item] = (m / longer.games)[order] * goals(mean, np.ones(len(names), bool))
    found = []
    for item, gain in true.items():
        low, high = np.quantile(works._gains[item].points, [0.025, 0.975], axis=0)
        found.append(counted(f"gain, {item}", low, high, gain))
    best = [max(true, key=lambda item, k=k: true[item][k]) for k in range(len(names))]
    for k, name in enumerate(names):
        own = works.table(name)
        row = own[own["item"] == own["item"].iloc[0]].iloc[0]
        found.append(
            {
                "interval": "truly first, as often as",
                "hits": int(row["item"] == best[k]),
                "n": 1,
                "said": row["first_in"],
            }
        )
    return found


def one_ladder(task):
    seed, base = task
    rng = np.random.default_rng([base, seed])
    players = simulate.draw_players(NAMES, rng)
    schedule = simulate.round_robin(10, 4)
    shots = sw.shot_features(simulate.simulate_shots(players, schedule, rng))
    model = sw.TightnessModel(draws=200).fit(shots)
    works = WorkList(model, draws=DRAWS).fit(shots)
    exact = exact_points(works.decisions_, players, schedule)
    longer = sw.shot_features(simulate.simulate_shots(players, schedule * LONGER, rng))
    found = decided(works, exact) + gained(works, exact, longer)
    return pd.DataFrame(found).assign(ladder=seed)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--ladders", type=int, default=60)
    parser.add_argument("--seed", type=int, default=2031)
    parser.add_argument("--processes", type=int, default=2)
    options = parser.parse_args()
    tasks = [(k, options.seed) for k in range(options.ladders)]
    with Pool(options.processes) as pool:
        table = pd.concat(pool.imap(one_ladder, tasks, chunksize=1))
    each = table.groupby(["interval", "ladder"], sort=False)[["hits", "n"]].sum()
    each["share"] = each["hits"] / each["n"]
    by = each.groupby("interval", sort=False)
    result = pd.DataFrame(
        {
            "covered %": 100 * by["hits"].sum() / by["n"].sum(),
            "se": 100 * by["share"].std() / np.sqrt(by.size()),
            "intervals": by["n"].sum(),
            "said %": 100 * table.groupby("interval", sort=False)["said"].mean(),
        }
    )
    record("decisions", result.reset_index(), options.seed)


if __name__ == "__main__":
    main()
