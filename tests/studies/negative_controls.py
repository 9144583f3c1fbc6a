"""How often is something claimed where nothing is? Winners are shuffled, shots left as they are.

Within each match the winners of the decided rallies are dealt out anew, so that no shot, no
choice and no sequence has anything to do with who wins. Whatever is then claimed is false.

search      sequences of rallies from a chain of shots. With habits (each player often strikes as
            two shots before) many sequences truly occur more often than their parts say, but none
            wins more or less. Without habits every finding is false.
ladder      ladders of ten players with three matches each, everything that is claimed of a player
            or of all: items of the work list (an interval of 95 in 100 lies above nothing: 2.5),
            points of decisions, comfort, thresholds, combinations. A known threshold, or one
            choice better at any gap, is false too: either choice wins half of the rallies.

    python tests/studies/negative_controls.py search --runs 200
    python tests/studies/negative_controls.py ladder --runs 20

Recorded: claims, chances to claim, the share in 100 and its standard error over runs.
"""

import argparse
import os
import warnings
from multiprocessing import Pool

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pandas as pd
from combination_coverage import first_order_rallies
from records import record

import sidewall as sw
from sidewall import simulate
from sidewall.combinations import BUILT_IN, effects, search
from sidewall.decisions import decision_table, decisions
from sidewall.worklist import WorkList

TREES = ["Alder", "Aspen", "Birch", "Cedar", "Elm", "Hazel", "Larch", "Linden", "Maple", "Rowan"]
RALLY = ["match", "game", "rally"]


def shuffled(shots, rng):
    """The same shots, the winners of decided rallies dealt out anew within their match."""
    last = ~shots.duplicated(RALLY, keep="last").to_numpy()
    rows = np.flatnonzero(last & shots["rally_won_by"].notna().to_numpy())
    winner, ending = shots["rally_won_by"].copy(), shots["ending"].copy()
    match = pd.factorize(shots["match"].iloc[rows])[0]
    for code in np.unique(match):
        some = rows[match == code]
        winner.iloc[some] = shots["rally_won_by"].iloc[rng.permutation(some)].to_numpy()
    ending.iloc[rows] = "stroke"  # may be given to either player
    return shots.assign(rally_won_by=winner, ending=ending)


def with_habits(shots, share, rng):
    """Some shots, but for the first two of a player, become what the striker played before."""
    at = np.flatnonzero((shots["shot"].to_numpy() >= 4) & (rng.random(len(shots)) < share))
    columns = {name: shots[name].cat.codes.to_numpy().copy() for name in ("stroke", "direction")}
    for codes in columns.values():
        for row in at:
            codes[row] = codes[row - 2]
    made = {
        name: pd.Categorical.from_codes(codes, dtype=shots[name].dtype)
        for name, codes in columns.items()
    }
    return shots.assign(**made)


# -- search ------------------------------------------------------------------------------


def search_run(seed, base=2032, habits=0.5):
    """What searches of one shuffled log name: a row a way of searching."""
    rng = np.random.default_rng([base, seed])
    shots = with_habits(first_order_rallies(rng), habits, rng)
    shots = shuffled(shots, rng)
    rows = []
    for confirm in (False, True):
        table = search(shots, confirm=confirm, seed=rng)
        for column in ("found", "confirmed")[: 1 + confirm]:
            rows.append(
                {
                    "run": seed,
                    "claim": f"habits {habits:g}, "
                    + ("all matches" if not confirm else "half of the matches")
                    + f", {column}: ",
                    "wins": table[column].str.contains("wins").any(),
                    "occurs": table[column].str.contains("occurs").any(),
                    "any": (table[column] != "").any(),
                    "looked": len(table),
                    "occurring": table[column].str.contains("occurs").sum(),
                }
            )
    return pd.DataFrame(rows)


def search_claims(task):
    seed, base = task
    return pd.concat([search_run(seed, base, habits) for habits in (0.5, 0.0)])


def search_figures(table):
    found = {}
    for claim, part in table.groupby("claim", sort=False):
        # with habits, only what is said of winning is false
        for kind in ("wins",) if claim.startswith("habits 0.5") else ("wins", "any"):
            words = {"wins": "a winning or losing sequence", "any": "any sequence"}[kind]
            found[claim + words] = share(part[["run"]].assign(hits=part[kind].astype(int), n=1))
            found[claim + words]["sequences a search looked at"] = float(part["looked"].mean())
        found[claim + "sequences named as occurring more or less often"] = {
            "mean of a search": float(part["occurring"].mean())
        }
    return found


# -- ladder ------------------------------------------------------------------------------


def ladder_claims(task):
    seed, base = task
    warnings.simplefilter("ignore")
    rng = np.random.default_rng([base, seed])
    players = simulate.draw_players(TREES, rng)
    shots = simulate.simulate_shots(players, three_matches(len(players)), rng)
    shots = sw.shot_features(shuffled(shots, rng))
    rows = []

    def claim(name, hits):
        hits = np.asarray(hits)
        rows.append({"run": seed, "claim": name, "hits": int(hits.sum()), "n": len(hits)})

    for outcome in ("value", "rally"):
        model = sw.TightnessModel(outcome=outcome, draws=200).fit(shots)
        status = model.thresholds()["status"]
        for word in ("attack at any gap", "reset at any gap", "crosses"):
            claim(f"threshold, by {outcome}: {word}", status == word)
        table = model.comfort()
        low, high = (table[f"win_difference_{end}"] for end in ("low", "high"))
        claim(f"comfort, by {outcome}: one side wins more", (low > 0) | (high < 0))
        low, high = (table[f"threshold_difference_{end}_m"].dropna() for end in ("low", "high"))
        claim(f"comfort, by {outcome}: one side's threshold is higher", (low > 0) | (high < 0))
        judged = decision_table(decisions(shots, model), model, "player")
        for word, part in judged.groupby("decision", observed=True):
            if word != "not known yet":
                low, high = (part[f"points_per_100_{end}"] for end in ("low", "high"))
                claim(f"points, by {outcome}: {word}", (low > 0) | (high < 0))
        if outcome == "value":
            works = WorkList(model, draws=400).fit(shots).tables()
            for item, part in works.groupby("item"):  # not known yet is no claim
                if item not in ("reset_errors", "attack_errors"):  # no rally ends in an error here
                    claim(f"work list: {item}", part["points_per_game_low"] > 0)
    table = effects([one.as_charted(shots) for one in BUILT_IN.values()], shots, by="player")
    known = table[table["status"] != "too few"]
    for name, part in known.groupby("combination"):
        claim(f"combination, by interval: {name}", part["status"].isin(["gains", "costs"]))
    claim(
        "combination, by permutation, adjusted: any of a ladder",
        [(known["p_adjusted"] <= 0.05).any()],
    )
    return pd.DataFrame(rows)


def three_matches(players):
    """Everybody plays those one, two and five places on: two thirds of these, three each."""
    pairs = [(k, (k + 1) % players) for k in range(players)]
    return pairs + [(k, k + players // 2) for k in range(players // 2)]


def ladder_figures(table):
    return {name: share(part) for name, part in table.groupby("claim", sort=True)}


# -- figures -----------------------------------------------------------------------------


def share(table):
    """Share of false claims in 100, runs being independent and what is within a run not."""
    by_run = table.groupby("run")[["hits", "n"]].sum()
    hits, n, runs = int(by_run["hits"].sum()), int(by_run["n"].sum()), len(by_run)
    found = {"claims": hits, "chances": n, "runs": runs}
    if not n:
        return found
    excess = by_run["hits"] - hits / n * by_run["n"]
    error = np.sqrt(runs / max(runs - 1, 1) * (excess**2).sum()) / n
    return found | {"in 100": 100.0 * hits / n, "standard error": 100.0 * float(error)}


STUDIES = {"search": (search_claims, search_figures), "ladder": (ladder_claims, ladder_figures)}


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("study", choices=[*STUDIES])
    parser.add_argument("--runs", type=int, default=20)
    parser.add_argument("--seed", type=int, default=2032)
    parser.add_argument("--processes", type=int, default=1)
    options = parser.parse_args()
    run, figures = STUDIES[options.study]
    tasks = [(k, options.seed) for k in range(options.runs)]
    with Pool(options.processes) as pool:
        table = pd.concat(pool.imap(run, tasks, chunksize=1), ignore_index=True)
    rows = [{"claim": name} | row for name, row in figures(table).items()]
    record(f"negative_controls_{options.study}", rows, options.seed)


if __name__ == "__main__":
    main()
