"""How much is gained by judging a shot by the ball one exchange later, and at what price?

Simulated ladders of 1, 3, 10 and 30 matches a player: coverage of the 95% threshold sets,
how many thresholds are known, how wide the difference of attack and reset is known at the
true threshold, and the same with chains whose states are too coarse.

    python tests/studies/value_against_rally.py
"""

import argparse

import numpy as np
import pandas as pd
from threshold_coverage import study

import sidewall as sw

LADDERS = {1: 60, 3: 60, 10: 24, 30: 8}
CHAINS = {
    "value": None,
    "value, one cut at 50 cm": sw.BallStates(bands_m=(0.5,)),
    "value, gap left out": sw.BallStates(bands_m=(3.1,)),
}


def row(name, rounds, options):
    table = study(options)
    by_ladder = table.groupby("ladder")["covered"].mean()
    known = table[table["status"] == "crosses"]
    error = known["threshold_m"] - known["truth_m"]
    return {
        "judged by": name,
        "matches": rounds,
        "ladders": len(by_ladder),
        "sets": len(table),
        "covered %": 100 * by_ladder.mean(),
        "se": 100 * by_ladder.std() / np.sqrt(len(by_ladder)),
        "known %": 100 * len(known) / len(table),
        "half-width": table["half_width"].median(),
        "bias": table["bias"].mean(),
        "set width cm": 100 * (known["high_m"] - known["low_m"]).median(),
        "mean error cm": 100 * error.mean(),
        "too coarse %": 100 * table.groupby("ladder")["too_coarse"].first().mean(),
    }


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--players", type=int, default=10)
    parser.add_argument("--seed", type=int, default=2027)
    parser.add_argument("--processes", type=int, default=2)
    options = vars(parser.parse_args()) | {"transform": "log1p", "prior_scale": 0.2}
    rows = []
    for rounds, ladders in LADDERS.items():
        settings = [("rally", {"outcome": "rally"})]
        for name, rule in CHAINS.items():
            if rule is None or rounds in (3, 10):
                model = {"chain": sw.RallyChain(rule)}
                settings.append((name, {"outcome": "value", "model": model}))
        for name, extra in settings:
            size = {"rounds": rounds, "ladders": ladders}
            rows.append(row(name, rounds, options | extra | size))
            print(rows[-1], flush=True)
    print()
    print(pd.DataFrame(rows).round(2).to_string(index=False))


if __name__ == "__main__":
    main()
