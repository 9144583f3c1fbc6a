"""Coverage of the 95% intervals of placement, on planted scatter, gain, width and drills.

In the ladder a lower ball gains nothing, so these shots have a simulation of their own: drops
of eight players whose heights are normal, whose balls in the tin are lost, and whose other
balls are won the more often the lower they are.

    python tests/studies/placement_coverage.py --logs 250
"""

import argparse
import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd
from records import record
from scipy.special import expit, ndtr

from sidewall.placement import PlacementWorth, TinMargin, error_ellipse
from sidewall.placement.aim import best_height, scatter_of, scatter_row, tin_chance, win_chance
from sidewall.placement.on_target import mean_error, pace_slope
from sidewall.placement.practice import share_difference

TREES = ["Alder", "Birch", "Cedar", "Elm", "Hazel", "Laurel", "Maple", "Rowan"]
TIN_M, MIDDLE_M = 0.48, 0.75
MATCHES = 5
TIGHT_SCATTER, TIGHT_LEVEL = 1.3, -0.3  # of a drop off a tight ball
PACE_SLOPE = -0.12  # log odds of the target, a metre a second


def draw_players(rng):
    """Mean height, scatter, level and slope (log odds a metre) of each player."""
    n = len(TREES)
    return pd.DataFrame(
        {
            "mean_m": rng.normal(0.78, 0.05, n),
            "sd_m": 0.16 * np.exp(rng.normal(0.0, 0.15, n)),
            "level": rng.normal(0.4, 0.15, n),
            "slope": rng.normal(-3.0, 0.5, n),
        },
        index=TREES,
    )


def true_best(one):
    """Best height of a player of `draw_players`, to a tenth of a millimetre."""
    aims = np.arange(TIN_M, 1.4, 0.001)
    win = win_chance(aims, one.sd_m, TIN_M, lambda z: expit(one.level + one.slope * (z - MIDDLE_M)))
    return float(best_height(aims, win).height_m)


def true_chance(one, aim):
    """Chance of winning of a player of `draw_players` aiming at a height."""
    return float(
        win_chance(aim, one.sd_m, TIN_M, lambda z: expit(one.level + one.slope * (z - MIDDLE_M)))
    )


def feature_table(rows):
    """What a table of features has beside what a study draws."""
    fixed = {"family": "ground", "depth": "front", "lane": "left", "wall": "left"}
    return rows.assign(**fixed, game=1, rally=rows["rally_id"])


def drops(players, shots, rng, tight_share=0.0):
    """One drop a rally: heights, tins and results, as a table of features.

    From a tight ball the scatter is wider and the rally is won less often.
    """
    parts = []
    for name, one in players.iterrows():
        tight = rng.random(shots) < tight_share
        z = rng.normal(one.mean_m, one.sd_m * np.where(tight, TIGHT_SCATTER, 1.0))
        match = np.arange(shots) % MATCHES
        form = rng.normal(0.0, 0.1, MATCHES)[match]
        level = one.level + np.where(tight, TIGHT_LEVEL, 0.0)
        win = expit(level + one.slope * (z - MIDDLE_M) + form)
        in_tin = z < TIN_M
        won = np.where(in_tin, 0.0, rng.random(shots) < win)
        parts.append(
            pd.DataFrame(
                {
                    "player": name,
                    "match": [f"{name} {k}" for k in match],
                    # half of the balls in the tin have no height, as in a log
                    "wall_z_m": np.where(in_tin & (rng.random(shots) < 0.5), np.nan, z),
                    "ending": np.where(in_tin, "tin", None),
                    "won": won,
                    "gap_m": np.where(tight, 0.0, 0.3) + rng.uniform(0.02, 0.28, shots),
                }
            )
        )
    table = pd.concat(parts, ignore_index=True)
    table["rally_id"] = np.arange(len(table))
    return feature_table(table.assign(shot=2, stroke="drop", side="forehand"))


def left_balls(rng, shots):
    """Balls left to one of the others, two rows a rally, and each player's coefficients.

    Those of winning are against the opponents that the player met.
    """
    n = len(TREES)
    attack = np.column_stack([rng.normal(-1.6, 0.15, n), rng.normal(1.6, 0.12, n)])
    strength = rng.normal(0.0, 0.3, n)
    win = np.column_stack([strength + rng.normal(0.0, 0.1, n), rng.normal(-0.5, 0.12, n)])
    who = np.repeat(np.arange(n), shots)
    other = (who + rng.choice([1, 2, 3], len(who), p=[0.5, 0.3, 0.2])) % n
    gap = np.round(0.28 * np.exp(0.7 * rng.standard_normal(len(who))), 2).clip(0.0, 3.2)
    depth = rng.uniform(2.0, 9.4, len(who))
    h = np.log1p(gap / 0.25) - np.log1p(0.28 / 0.25)
    form = rng.normal(0.0, 0.1, (n, MATCHES))[who, np.arange(len(who)) % MATCHES]
    attacked = rng.random(len(who)) < expit(attack[who, 0] + attack[who, 1] * h + form)
    won = rng.random(len(who)) < expit(win[who, 0] + win[who, 1] * h + form - strength[other])
    win[:, 0] -= np.bincount(who, strength[other], n) / shots
    won = won.astype(float)
    names = np.array(TREES)
    match = [f"{names[w]} {k % MATCHES}" for k, w in enumerate(who)]
    first = pd.DataFrame({"player": names[who], "match": match, "shot": 1, "won": won})
    first["shots_left"] = 1
    second = first.assign(player=names[other], shot=2, shots_left=0, won=1.0 - won)
    second = second.assign(opponent=names[who], is_server=False)
    first = first.assign(opponent=names[other], is_server=True)
    first = first.assign(gap_m=0.4, y_m=5.0, choice="reset")
    second = second.assign(gap_m=gap, y_m=depth, choice=np.where(attacked, "attack", "reset"))
    table = pd.concat([first.assign(rally_id=first.index), second.assign(rally_id=first.index)])
    table = table.sort_values(["rally_id", "shot"], ignore_index=True)
    table = feature_table(table.assign(stroke="drive", side="backhand", ending=None))
    return table, attack, win


def found(name, low, high, truth):
    return {"interval": name, "hit": bool(low <= truth <= high)}


def tin_intervals(rng, shots, curve="linear"):
    players = draw_players(rng)
    margin = TinMargin(curve=curve).fit(drops(players, shots, rng))
    return [row for name, one in players.iterrows() for row in tin_cell(margin, name, one)]


def pressure_intervals(rng, shots):
    """The same for drops off tight balls, which have cells of their own."""
    players = draw_players(rng)
    margin = TinMargin(pressure="gap").fit(drops(players, shots, rng, tight_share=0.5))
    pressed = players.assign(
        sd_m=TIGHT_SCATTER * players["sd_m"], level=players["level"] + TIGHT_LEVEL
    )
    return [row for name, one in pressed.iterrows() for row in tin_cell(margin, name, one, "tight")]


def tin_cell(margin, name, one, pressure="any"):
    """Every interval of one player's drops, or of those under one pressure."""
    which = {} if pressure == "any" else {"pressure": pressure}

    def own(table):
        table = table[table["player"] == name]
        return (table if not which else table[table["pressure"] == pressure]).iloc[0]

    row, top = own(margin.scatter()), own(margin.best(tin_heights_m=[TIN_M]))
    rows = [
        found("mean height", row["mean_low_m"], row["mean_high_m"], one.mean_m),
        found("scatter", row["sd_low_m"], row["sd_high_m"], one.sd_m),
    ]
    cell = (name, "drop", "forehand")
    tin = margin.tin_chances(*cell, aims_m=[0.65], **which).iloc[0]
    truth = float(tin_chance(0.65, one.sd_m, TIN_M))
    rows.append(found("chance of the tin", tin["tin_low"], tin["tin_high"], truth))
    best = true_best(one)
    rows.append(found("best height", top["best_low_m"], top["best_high_m"], best))
    known = top["status"] == "best height"
    rows.append({"interval": "best height known", "hit": known})
    if known:
        rows.append({"interval": "best height, error (mm)", "hit": 1000 * (top["best_m"] - best)})
        there, now = (true_chance(one, at) for at in (top["best_m"], one.mean_m))
        gain = 100 * (there - now)
        ends = (top[f"gain_per_100_{end}"] for end in ("low", "high"))
        rows.append(found("gain at the height advised", *ends, gain))
    curve = margin.win_curve(*cell, **which)
    at = curve.iloc[(curve["aim_m"] - 0.70).abs().idxmin()]
    truth = true_chance(one, at["aim_m"])
    rows.append(found("chance of winning at 0.70 m", at["win_low"], at["win_high"], truth))
    return rows


def worth_intervals(rng, shots):
    table, attack, win = left_balls(rng, shots)
    model = PlacementWorth().fit(table)
    gaps = [0.1, 0.3, 0.8]
    rows = []
    for k, name in enumerate(TREES):
        curve, cm = model.curves(name, values_m=gaps), model.centimetre(name, gaps)
        for outcome, true in (("opponent_attacks", attack[k]), ("wins", win[k])):

            def chance(gap, true=true):
                return expit(true[0] + true[1] * (np.log1p(gap / 0.25) - np.log1p(0.28 / 0.25)))

            for at, gap in enumerate(gaps):
                low, high = (curve[f"{outcome}_{end}"][at] for end in ("low", "high"))
                rows.append(found(f"curve, {outcome}", low, high, chance(gap)))
                low, high = (cm[f"{outcome}_{end}"][at] for end in ("low", "high"))
                truth = 100 * (chance(gap - 0.005) - chance(gap + 0.005))
                rows.append(found(f"a centimetre, {outcome}", low, high, truth))
    return rows


def paced_drives(rng, shots):
    """Three drives a rally: the pace and the luck of one rally are alike, players differ."""
    n = len(TREES)
    who = np.repeat(np.arange(n), shots)
    rally = np.arange(len(who)) // 3
    pace = 17.0 + 1.5 * rng.standard_normal(rally[-1] + 1)[rally] + 2.0 * rng.normal(size=len(who))
    level, slope = rng.normal(-0.3, 0.3, n), rng.normal(PACE_SLOPE, 0.03, n)
    # shared luck through the normal score leaves each ball's own chance what it is
    score = np.sqrt(0.3) * rng.standard_normal(rally[-1] + 1)[rally]
    score += np.sqrt(0.7) * rng.standard_normal(len(who))
    hit = ndtr(score) < expit(level[who] + slope[who] * (pace - 17.0))
    names = np.array(TREES)[who]
    match = np.char.add(names, (rally % MATCHES).astype(str))
    return pd.DataFrame(
        {"player": names, "match": match, "rally_id": rally, "pace_m_s": pace, "on_target": hit}
    )


def pace_intervals(rng, shots):
    row = pace_slope(paced_drives(rng, shots).astype({"on_target": float}), 0.95)
    truth = np.exp(PACE_SLOPE)
    return [found("pace, odds ratio", row["odds_ratio_low"], row["odds_ratio_high"], truth)]


def height_intervals(rng, balls):
    """Heights of one player, those of a rally alike, and a tenth of them in the tin."""
    rally = np.arange(balls) // 4
    z = rng.normal(0.8, 0.16 * np.sqrt(0.3), rally[-1] + 1)[rally]
    z += rng.normal(0.0, 0.16 * np.sqrt(0.7), balls)
    heights = {"height_m": np.where(z < 0.6, np.nan, z), "in_tin": z < 0.6}
    group = pd.DataFrame(heights | {"tin_m": 0.6, "rally_id": rally})
    row = scatter_row(scatter_of(group, around_each_player=False), 0.95)
    return [
        found("mean height, rallies alike", row["mean_low_m"], row["mean_high_m"], 0.8),
        found("scatter, rallies alike", row["sd_low_m"], row["sd_high_m"], 0.16),
    ]


def drill_intervals(rng, balls):
    rows = height_intervals(rng, 200)
    for _ in range(50):
        p1, p2 = rng.uniform(0.2, 0.8, 2)
        h1, h2 = rng.binomial(balls, p1), rng.binomial(balls, p2)
        _, low, high = share_difference(h1, balls, h2, balls)
        rows.append(found("difference of shares", low, high, p2 - p1))
        rally = np.repeat(np.arange(balls // 2), 2)
        error = 0.1 + rng.normal(0, 0.3, len(rally)) + rng.normal(0, 0.2, balls // 2)[rally]
        rows.append(found("mean error", *mean_error(error, rally)[1:], 0.1))
        root = np.array([[0.4, 0.0], [0.3, 0.9]])
        points = rng.standard_normal((balls + 1, 2)) @ root.T
        inside = error_ellipse(*points[:-1].T, 0.95).contains(*points[-1])
        rows.append({"interval": "ellipse of the next shot", "hit": bool(inside)})
        inside = error_ellipse(*points[:-1].T, 0.95, of="mean").contains(0.0, 0.0)
        rows.append({"interval": "ellipse of the mean", "hit": bool(inside)})
    return rows


USUAL = ["tin", "worth", "drill", "pace"]
PARTS = {
    "tin": tin_intervals,
    "spline": lambda rng, shots: tin_intervals(rng, shots, "spline"),
    "pressure": pressure_intervals,
    "worth": worth_intervals,
    "drill": lambda rng, _: drill_intervals(rng, 40),
    "pace": pace_intervals,
}


def one_log(seed, base, shots, parts):
    rng = np.random.default_rng([base, seed])
    rows = [row for name in parts for row in PARTS[name](rng, shots)]
    return pd.DataFrame(rows).assign(log=seed)


def result(table):
    """Share covered in 100 and its standard error, with logs as the units."""
    share = table.pivot_table(index="interval", columns="log", values="hit", sort=False)
    by = table.groupby("interval", sort=False)["hit"]
    return pd.DataFrame(
        {
            "covered %": 100 * by.mean(),
            "se": 100 * share.std(axis=1) / np.sqrt(share.notna().sum(axis=1)),
            "intervals": by.size(),
        }
    )


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--logs", type=int, default=250)
    parser.add_argument("--shots", type=int, default=400, help="shots of each of eight players")
    parser.add_argument("--seed", type=int, default=2029)
    parser.add_argument(
        "--only", choices=PARTS, nargs="+", default=["tin", "worth", "drill", "pace"]
    )
    options = parser.parse_args()
    wanted = (options.seed, options.shots, options.only)
    parts = [one_log(k, *wanted) for k in range(options.logs)]
    table = pd.concat(parts, ignore_index=True)
    table["hit"] = table["hit"].astype(float)
    shown = result(table)
    # the error is in millimetres, not a share
    errors = table[table["interval"].str.contains("error \\(mm\\)")]
    shown = shown.drop(index=errors["interval"].unique())
    figures = {"coverage": shown.reset_index()}
    if len(errors):
        hit = errors["hit"]
        error = {"mean_mm": hit.mean(), "sd_mm": hit.std(), "n": len(hit)}
        figures["error of the best height"] = [error]
    record(f"placement_{options.shots}_shots_{'_'.join(options.only)}", figures, options.seed)


if __name__ == "__main__":
    main()
