"""A player's thresholds at equal minutes of charting: both players in full, or one in short.

    python tests/studies/equal_minutes.py --ladders 20 --record

A player meets five opponents in turn. Rallies are charted from the first on until the minutes are
used up: every shot in full ("both in full"), the opponents' as a word for the gap and the choice
("opponent in short"), or every third rally of three times as many matches, both in full
("every third rally"). A shot takes the clicks and keys that `charting.py` counts at the usual
level, at its assumed seconds for a click, a key and making up one's mind; the time to watch the
rally is the same in all of them and is left out.

Of every threshold of the player (side and contact) whose truth is known: how often it is known,
the width of its 95% interval, its bias, and how often the interval holds the truth, over ladders.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import tempfile
from importlib.metadata import version
from pathlib import Path

import charting
import numpy as np
import pandas as pd

import sidewall as sw
from sidewall import simulate

RESULTS = Path(__file__).parent / "results" / "equal_minutes.json"
NAMES = ("Rowan", "Alder", "Birch", "Cedar", "Elm", "Hazel")
HOURS = (2, 6)
ARMS = ("both in full", "opponent in short", "every third rally")


class Timed(charting.Charter):
    """Keeps the seconds of every shot, apart for full and short ones."""

    def __init__(self, chart):
        super().__init__(chart)
        self.took = {"full": [], "short": []}

    def _keep(self, kind, before):
        new = self.presses[before:]
        keys = sum(press.how == "key" for press in new)
        clicks = len(new) - keys
        seconds = charting.SECONDS_A_CLICK * clicks + charting.SECONDS_A_KEY * keys
        self.took[kind].append(seconds + charting.SECONDS_OF_THOUGHT)

    def short_row(self, shot):
        before = len(self.presses)
        super().short_row(shot)
        self._keep("short", before)

    def full_row(self, shot, following):
        before = len(self.presses)
        super().full_row(shot, following)
        self._keep("full", before)


def seconds_a_shot():
    """Mean seconds of a full and of a short shot at the usual level."""
    took = {"full": [], "short": []}
    with tempfile.TemporaryDirectory() as folder:
        for name in charting.MATCH["players"]:
            charter, _ = charting.charted(folder, "usual", name, charter=Timed)
            for kind, seconds in charter.took.items():
                took[kind] += seconds
    return {kind: float(np.mean(seconds)) for kind, seconds in took.items()}


def charted(raw, arm, hours, seconds):
    """What is charted of the player's matches in so many hours."""
    other = (raw["player"].astype(str) != NAMES[0]).to_numpy()
    short = other & (arm == "opponent in short")
    table = simulate.chart_in_short(raw, short) if short.any() else raw
    keep = np.ones(len(raw), dtype=bool)
    if arm == "every third rally":
        keep = (raw.groupby(["match", "game", "rally"], observed=True).ngroup() % 3 == 0).to_numpy()
    clock = np.cumsum(np.where(short, seconds["short"], seconds["full"]) * keep)
    rally = raw.groupby(["match", "game", "rally"], observed=True).ngroup().to_numpy()
    last = rally[np.searchsorted(clock, 3600 * hours)]  # the rally in which the time is up
    return table[keep & (rally < last)].reset_index(drop=True)


def ladder(seed, seconds):
    """Rows of one ladder: every threshold of the player under every arm."""
    rng = np.random.default_rng(seed)
    players = simulate.draw_players(list(NAMES), rng)
    schedule = [(0, 1 + k % 5) for k in range(3 * 5 * max(HOURS))]
    truth = simulate.true_thresholds(players, schedule)
    # seconds of a full shot for all, and a third of the rallies: so many shots are enough
    enough = 3 * 3600 * max(HOURS) / seconds["full"]
    raw = simulate.simulate_shots(players, schedule[: int(np.ceil(enough / 700))], rng=rng)
    for hours in HOURS:
        for arm in ARMS:
            log = charted(raw, arm, hours, seconds)
            own = log["player"].astype(str) == NAMES[0]
            model = sw.TightnessModel(draws=200, seed=seed).fit(log)
            found = model.thresholds().merge(
                truth, on=["player", "side", "family"], suffixes=("", "_true")
            )
            found = found[(found["player"] == NAMES[0]) & (found["status_true"] == "crosses")]
            for row in found.to_dict("records"):
                yield {
                    "seed": seed,
                    "hours": hours,
                    "arm": arm,
                    "own_shots": int(own.sum()),
                    "known": row["status"] == "crosses",
                    "width_cm": 100 * (row["high_m"] - row["low_m"]),
                    "error_cm": 100 * (row["threshold_m"] - row["threshold_m_true"]),
                    "held": bool(row["low_m"] <= row["threshold_m_true"] <= row["high_m"]),
                }


def summary(rows):
    """Means over ladders with their standard errors; ladders are the independent units."""
    table = pd.DataFrame(rows)
    found = []
    for (hours, arm), some in table.groupby(["hours", "arm"]):
        known = some[some["known"]]
        line = {"hours": int(hours), "arm": arm, "ladders": int(some["seed"].nunique())}
        line |= {"own_shots": round(float(some["own_shots"].mean()))}
        line |= {"thresholds": len(some), "known_in_100": 100 * float(some["known"].mean())}
        shown = (("width_cm", "width_cm"), ("bias_cm", "error_cm"), ("held_in_100", "held"))
        for name, column in shown:
            by = known.groupby("seed")[column].agg(["sum", "size"])
            mean = by["sum"].sum() / by["size"].sum()
            off = by["sum"] - mean * by["size"]
            error = np.sqrt((off**2).sum()) / by["size"].sum()
            scale = 100 if column == "held" else 1
            line |= {name: scale * float(mean), f"{name}_error": scale * float(error)}
        squares = known.groupby("seed")["error_cm"].apply(lambda e: (e**2).sum()).sum()
        line["rms_error_cm"] = float(np.sqrt(squares / len(known)))
        found.append(line)
    return found


def paired(rows):
    """Width of each arm less that of both in full, where both know the threshold, by ladder."""
    table = pd.DataFrame(rows)
    table["cell"] = table.groupby(["seed", "hours", "arm"]).cumcount()
    wide = table[table["known"]].set_index(["seed", "hours", "cell", "arm"])["width_cm"]
    wide = wide.unstack()  # noqa: PD010 - nothing to add up
    found = []
    for hours, some in wide.groupby("hours"):
        for arm in ARMS[1:]:
            by = (some[arm] - some[ARMS[0]]).dropna().groupby("seed").mean()
            error = float(by.std(ddof=1) / np.sqrt(len(by)))
            line = {"hours": int(hours), "arm": arm, "ladders": len(by)}
            found.append(line | {"narrower_cm": -float(by.mean()), "narrower_cm_error": error})
    return found


def main():
    """Run the ladders and print, or record, what came out."""
    ask = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    ask.add_argument("--ladders", type=int, default=20)
    ask.add_argument("--seed", type=int, default=2101)
    ask.add_argument("--record", action="store_true")
    asked = ask.parse_args()
    seconds, rows = seconds_a_shot(), []
    for number in range(asked.ladders):
        rows += ladder(asked.seed + number, seconds)
        figures = {"seconds_a_shot": seconds, "arms": summary(rows)}
        if number:
            figures["narrower_than_both_in_full"] = paired(rows)
        if asked.record:
            content = {
                "command": f"python tests/studies/equal_minutes.py --ladders {number + 1} "
                f"--seed {asked.seed} --record",
                "seed": asked.seed,
                "versions": {name: version(name) for name in ("numpy", "pandas", "scipy")},
                "date": dt.datetime.now(dt.UTC).date().isoformat(),
                "assumed": {
                    "seconds_a_click": charting.SECONDS_A_CLICK,
                    "seconds_a_key": charting.SECONDS_A_KEY,
                    "seconds_of_thought": charting.SECONDS_OF_THOUGHT,
                },
                "figures": figures,
            }
            RESULTS.parent.mkdir(exist_ok=True)
            RESULTS.write_text(json.dumps(content, indent=1) + "\n", "utf-8")
    print(json.dumps(figures, indent=1))


if __name__ == "__main__":
    main()
