"""Do intervals for combinations cover the truth, and do searches find nothing where nothing is?

Five studies, each on rallies whose truth is known:

effect      ladders are simulated, then the winner of every rally is drawn anew, with a
            planted gain for having played the combination on. Given the states and kinds of
            the moments, the difference in each stratum is known exactly, so the truth is the
            same Mantel-Haenszel average of the chances. Also the share of permutation
            p-values at or below 0.05 where nothing is planted.
search      rallies from a first-order chain of shots, winners by the toss of a coin: everything
            found is false, so the false discovery rate is the share of runs with a finding.
planted     the same, but one sequence of one player wins more: how often it is found.
repeat      rallies of the ladder with winners drawn so that varying wins more from a known
            number of repeats on.
entropy     replies from the first-order chain, whose conditional entropy is known.

    python tests/studies/combination_coverage.py effect --runs 200
"""

import argparse
import os
import warnings

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd
from records import record

import sidewall as sw
from sidewall import simulate
from sidewall.combinations import Combination, Predictability, RepeatOrVary, Step, search
from sidewall.combinations.effect import as_moments, decisive_moments, state_codes
from sidewall.combinations.shot_columns import ShotColumns
from sidewall.combinations.stratified import Moments, mantel_haenszel
from sidewall.log.vocabulary import VOCABULARY

TREES = ["Alder", "Birch", "Cedar", "Elm", "Hazel", "Larch", "Maple", "Rowan"]

SHORT = Combination(
    "length then attack",
    [Step.own(stroke=("drive", "lob")), Step.any_reply(), Step.own(choice="attack")],
)


def ladder(rng, players=6, rounds=4):
    drawn = simulate.draw_players(TREES[:players], rng)
    return simulate.simulate_shots(drawn, simulate.round_robin(players, rounds), rng)


def with_winners(shots, server_wins, rng):
    """The same rallies, won by the server with the given chances; lets stay lets."""
    columns = ShotColumns(shots)
    first, last = columns.runs.first, columns.runs.last
    server = rng.random(len(first)) < server_wins
    code = np.where(server, columns.player[first], columns.opponent[first])
    let = columns.winner < 0
    won, ending = shots["rally_won_by"].copy(), shots["ending"].copy()
    rows = last[~let]
    won.iloc[rows] = pd.Categorical.from_codes(code[~let], dtype=shots["rally_won_by"].dtype)
    ending.iloc[rows] = "stroke"  # may be given to either player
    return shots.assign(rally_won_by=won, ending=ending)


# -- effect ------------------------------------------------------------------------------


def plant(shots, gain, rng, combination=SHORT):
    """Winners drawn anew; the chance of the server moves by `gain` for whoever played it on.

    Returns the shots and the chance of the server by rally.
    """
    columns = ShotColumns(shots)
    found = decisive_moments(columns, combination.steps, combination.decisive)
    first = columns.runs.first
    strength = rng.normal(0.0, 0.08, len(columns.names))
    server = columns.player[first]
    chance = 0.5 + strength[server] - strength[columns.opponent[first]]
    row = found.row[found.played_on]
    rally = columns.runs.of_shot[row]
    mine = columns.player[row] == server[rally]
    for of_server, sign in ((True, 1.0), (False, -1.0)):
        chance[np.unique(rally[mine == of_server])] += sign * gain
    # longer rallies go a little to the receiver, so that results depend on more than the plan
    chance -= 0.004 * np.minimum(columns.runs.length - 8, 20)
    chance = np.clip(chance, 0.02, 0.98)
    return with_winners(shots, chance, rng), chance


def true_difference(shots, chance, player=None, tries="all", combination=SHORT):
    """The Mantel-Haenszel average of the differences between the chances themselves."""
    columns = ShotColumns(shots)
    code = None if player is None else columns.player_code(player)
    found = decisive_moments(columns, combination.steps, combination.decisive, code)
    moments = as_moments(
        columns, found.row, found.played_on, state_codes(columns, None), tries == "first"
    )
    striker = moments.unit % len(columns.names)
    serves = striker == columns.player[columns.runs.first][moments.rally]
    p = np.where(serves, chance[moments.rally], 1.0 - chance[moments.rally])
    moments = Moments(p, moments.kind, moments.stratum, moments.rally, moments.unit)
    return mantel_haenszel(moments).difference


def effect_run(seed, gain, permutations):
    rng = np.random.default_rng([seed, 1])
    shots, chance = plant(ladder(rng), gain, rng)
    shots = sw.shot_features(shots)
    rows = []
    for tries in ("all", "first"):
        for by in (None, "player"):
            table = SHORT.effect(shots, by=by, tries=tries, permutations=permutations, seed=rng)
            for row in table.itertuples():
                truth = true_difference(shots, chance, row.player, tries)
                rows.append(
                    {
                        "run": seed,
                        "tries": tries,
                        "who": "all players" if row.player is None else "one player",
                        "too_few": row.status == "too few",
                        "covered": row.difference_low <= truth <= row.difference_high,
                        "width": row.difference_high - row.difference_low,
                        "error": row.difference - truth,
                        "rejected": row.p <= 0.05,
                    }
                )
    return pd.DataFrame(rows)


def effect(options):
    rows = []
    for gain in (0.15, 0.0):
        runs = [effect_run(k, gain, options.permutations) for k in range(options.runs)]
        table = pd.concat(runs, ignore_index=True)
        for (who, tries), part in table.groupby(["who", "tries"]):
            known = part[~part["too_few"]]
            by_run = known.groupby("run")["covered"].mean()
            row = {"planted_gain": gain, "who": who, "tries": tries, "intervals": len(known)}
            row |= {"covered": 100 * known["covered"].mean()}
            row |= {"se": 100 * by_run.std() / np.sqrt(len(by_run))}
            row |= {"width": known["width"].mean(), "mean_error": known["error"].mean()}
            row |= {"too_few": part["too_few"].sum()}
            if gain == 0.0 and options.permutations:
                row |= {"p_at_most_0.05": 100 * known["rejected"].mean()}
            rows.append(row)
    return rows


# -- search ------------------------------------------------------------------------------

LETTERS = [
    ("drive", "straight"),
    ("drive", "cross"),
    ("lob", "cross"),
    ("drop", "straight"),
    ("drop", "cross"),
    ("kill", "straight"),
]
#: Shares of the next letter after each; the last row follows a serve. What is missing ends.
NEXT = 0.9 * np.array(
    [
        [0.50, 0.22, 0.08, 0.10, 0.04, 0.06],
        [0.30, 0.34, 0.10, 0.12, 0.06, 0.08],
        [0.34, 0.26, 0.16, 0.12, 0.04, 0.08],
        [0.28, 0.26, 0.22, 0.16, 0.06, 0.02],
        [0.26, 0.28, 0.20, 0.14, 0.10, 0.02],
        [0.34, 0.30, 0.20, 0.08, 0.04, 0.04],
        [0.52, 0.30, 0.06, 0.04, 0.02, 0.06],
    ]
)


def first_order_rallies(rng, players=4, rounds=6, rallies=70):
    """Rallies in which each shot follows from the one before alone; winners by a coin."""
    pairs = simulate.round_robin(players, rounds)
    match = np.repeat(np.arange(len(pairs)), rallies)
    n = len(match)
    server = rng.integers(0, 2, n)
    code = np.full(n, len(LETTERS))
    going = np.arange(n)
    parts = [np.column_stack([going, np.ones(n, int), code])]
    shot = 1
    while len(going):
        edges = np.cumsum(NEXT[code[going]], axis=1)
        drawn = (rng.random(len(going))[:, None] > edges).sum(axis=1)
        going, drawn = going[drawn < len(LETTERS)], drawn[drawn < len(LETTERS)]
        code[going] = drawn
        shot += 1
        parts.append(np.column_stack([going, np.full(len(going), shot), drawn]))
    rows = pd.DataFrame(np.concatenate(parts), columns=["id", "shot", "letter"])
    rows = rows.sort_values(["id", "shot"], ignore_index=True)
    of, letter = rows["id"].to_numpy(), rows["letter"].to_numpy()
    striker = (server[of] + rows["shot"].to_numpy() - 1) % 2
    pair = np.asarray(pairs)[match[of]]
    names = np.array(TREES[:players], dtype=object)
    last = np.append(of[1:] != of[:-1], True)
    winner = names[np.asarray(pairs)[match, rng.integers(0, 2, n)]]
    both = np.array([*LETTERS, ("serve", None)], dtype=object)
    table = pd.DataFrame(
        {
            "match": pd.Categorical([f"m{k}" for k in match[of]]),
            "game": 1 + of % rallies // 20,
            "rally": 1 + of % rallies % 20,
            "shot": rows["shot"],
            "player": names[pair[np.arange(len(of)), striker]],
            "opponent": names[pair[np.arange(len(of)), 1 - striker]],
            "side": rng.choice(["forehand", "backhand"], len(of)),
            "stroke": both[letter, 0],
            "direction": both[letter, 1],
            "gap_m": np.where(rows["shot"] == 1, np.nan, rng.gamma(2.0, 0.25, len(of))),
            "rally_won_by": np.where(last, winner[of], None),
            "ending": np.where(last, "stroke", None),
            "line": np.arange(len(of)) + 2,
        }
    )
    table["match"] = pd.Categorical(table["match"], categories=table["match"].unique())
    for column in ("player", "opponent", "rally_won_by"):
        table[column] = pd.Categorical(table[column], categories=list(names))
    for column in ("side", "stroke", "direction", "ending"):
        table[column] = pd.Categorical(table[column], categories=VOCABULARY[column])
    return table


def search_run(seed, least=10):
    rng = np.random.default_rng([seed, 2])
    return search(first_order_rallies(rng), least=least, seed=rng)


def false_discoveries(options):
    kinds = {"occurs": [], "wins": [], "any": [], "confirmed": []}
    looked = []
    for seed in range(options.runs):
        table = search_run(seed)
        looked.append(len(table))
        kinds["occurs"].append(table["found"].str.contains("occurs").any())
        kinds["wins"].append(table["found"].str.contains("wins").any())
        kinds["any"].append((table["found"] != "").any())
        kinds["confirmed"].append((table["confirmed"] != "").any())
    return [
        {"finding": name, "runs": options.runs, "sequences_a_run": np.mean(looked)}
        | {"runs_with_one": 100 * np.mean(hits)}
        for name, hits in kinds.items()
    ]


PLANTED = Combination(
    "planted",
    [
        Step.own(stroke="drive", direction="cross"),
        Step.reply(stroke="drive", direction="straight"),
        Step.own(stroke="drive", direction="straight"),
    ],
)


def plant_sequence(shots, gain, rng, player="Alder"):
    """Winners drawn anew: rallies in which a player played a sequence are won more often."""
    columns = ShotColumns(shots)
    found = PLANTED.find(shots, player=player)
    chance = np.full(len(columns.runs.first), 0.5)
    rally = found.loc[found["finished"], "rally_id"].unique()
    serves = columns.player[columns.runs.first[rally]] == columns.player_code(player)
    chance[rally] += np.where(serves, gain, -gain)
    return with_winners(shots, chance, rng)


def planted(options):
    hits = {"found": [], "confirmed": []}
    for seed in range(options.runs):
        rng = np.random.default_rng([seed, 3])
        shots = plant_sequence(first_order_rallies(rng), 0.4, rng)
        table = search(shots, seed=rng)
        own = table[
            (table["player"] == "Alder")
            & (table["sequence"] == "cross drive, straight drive, straight drive")
        ]
        for name, values in hits.items():
            values.append(own[name].str.contains("wins more").any())
    shares = {name: 100 * np.mean(values) for name, values in hits.items()}
    return [{"planted": PLANTED.name, "runs": options.runs} | shares]


# -- repeat or vary ----------------------------------------------------------------------


def plant_repeats(shots, rng, crossing=2.5, slope=1.2):
    """Winners drawn anew so that varying wins more beyond a number of repeats.

    One reply a rally and player, the last, decides the chance, with log odds that are
    straight in the number of repeats; so the truth for all replies is diluted alike at every
    number of repeats, and the crossing stays where it is.
    """
    table = sw.shot_features(shots)
    columns = ShotColumns(shots)
    use = table["repeats_reply"].notna().to_numpy()
    row = np.flatnonzero(use)
    pick = pd.Series(rng.random(len(row))).groupby(columns.runs.of_shot[row]).idxmax()
    row = row[pick.to_numpy()]
    run = np.minimum(table["same_reply_run"].to_numpy()[row], 6)
    sign = 0.5 - table["repeats_reply"].to_numpy()[row]
    logit = sign * slope * (run - crossing) * 2.0
    rally = columns.runs.of_shot[row]
    serves = columns.player[row] == columns.player[columns.runs.first[rally]]
    chance = np.full(len(columns.runs.first), 0.5)
    chance[rally] = 1.0 / (1.0 + np.exp(-np.where(serves, logit, -logit)))
    return with_winners(shots, chance, rng)


def repeat(options):
    rows = []
    for seed in range(options.runs):
        rng = np.random.default_rng([seed, 4])
        shots = plant_repeats(ladder(rng, 6, 8), rng)
        answer = RepeatOrVary().fit(shots).answers().iloc[0]
        low = answer["repeats_low"] if np.isfinite(answer["repeats_low"]) else -np.inf
        high = answer["repeats_high"] if np.isfinite(answer["repeats_high"]) else np.inf
        rows.append((answer["status"], low <= 2.5 <= high, answer["repeats"]))
    table = pd.DataFrame(rows, columns=["status", "covered", "repeats"])
    row = {"truth": 2.5, "runs": options.runs, "covered": 100 * table["covered"].mean()}
    return [row | table["status"].value_counts().to_dict() | {"median": table["repeats"].median()}]


# -- entropy -----------------------------------------------------------------------------


def true_bits(table):
    """Conditional entropy of the reply, weighed by how often each stroke came in."""
    strokes = [stroke for stroke, _ in LETTERS] + ["serve"]
    share = NEXT / NEXT.sum(axis=1, keepdims=True)
    code = {pair: k for k, pair in enumerate(LETTERS)}
    came = [
        code.get((s, d), len(LETTERS))
        for s, d in zip(
            table["stroke"].astype(object), table["direction"].astype(object), strict=True
        )
    ]
    came = np.asarray(came)
    first = table["shot"].to_numpy() == 1
    replied = np.flatnonzero(~first)
    by_letter = np.bincount(came[replied - 1], minlength=len(strokes)).astype(float)
    bits = 0.0
    for stroke in dict.fromkeys(strokes):
        of = np.array([s == stroke for s in strokes])
        weight = by_letter * of
        p = weight @ share / weight.sum()
        bits += weight.sum() * -np.sum(p * np.log2(p))
    return bits / by_letter.sum()


def entropy(options):
    covered, error = [], []
    for seed in range(options.runs):
        rng = np.random.default_rng([seed, 5])
        table = first_order_rallies(rng)
        found = Predictability(situation=("incoming_stroke",), seed=rng).fit(table).players_
        truth = true_bits(table)  # all players are alike
        covered += list((found["bits_low"] <= truth) & (truth <= found["bits_high"]))
        error += list(found["bits"] - truth)
    row = {"bits": truth, "intervals": len(covered), "covered": 100 * np.mean(covered)}
    return [row | {"mean_error_bits": np.mean(error)}]


STUDIES = {
    "effect": effect,
    "search": false_discoveries,
    "planted": planted,
    "repeat": repeat,
    "entropy": entropy,
}


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("study", choices=[*STUDIES])
    parser.add_argument("--runs", type=int, default=200)
    parser.add_argument("--permutations", type=int, default=199)
    options = parser.parse_args()
    warnings.simplefilter("error", RuntimeWarning)
    record(f"combinations_{options.study}", STUDIES[options.study](options), seed=0)


if __name__ == "__main__":
    main()
