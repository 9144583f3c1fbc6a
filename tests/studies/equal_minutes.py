"""A player's thresholds at equal minutes of charting: both players in full, or one in short.

    python tests/studies/equal_minutes.py --ladders 9 --record
    python tests/studies/equal_minutes.py --ladders 8 --club 10 --record

A player meets five opponents in turn. Rallies are charted from the first on until the minutes are
used up: every shot in full ("both in full"), the opponents' as a word for the gap and the choice
("opponent in short"), or every third rally of three times as many matches, both in full
("every third rally"). A shot takes the clicks and keys that `charting.py` counts at the usual
level, at its assumed seconds for a click, a key and making up one's mind; the time to watch the
rally is the same in all of them and is left out. With ``--club``, so many matches of the
opponents among themselves, in full, stand in the log before.

What attacking gains over resetting is nothing at a player's true threshold. So, of every true
threshold of the player (side and contact): the width of the 95% interval of that gain there, its
bias, and how often the interval holds nothing, in rallies in 100, over ladders. Beside it, how
often the threshold is known. Widths in cm would be those of the few that are.
"""

from __future__ import annotations

import argparse
import json
import tempfile

import charting
import numpy as np
import pandas as pd
from records import record

import sidewall as sw
from sidewall import simulate

ASSUMED = (
    f"Assumed: {charting.SECONDS_A_CLICK} s a click, {charting.SECONDS_A_KEY} s a key, "
    f"{charting.SECONDS_OF_THOUGHT} s of thought a shot."
)
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


def ladder(seed, seconds, club):
    """Rows of one ladder: every threshold of the player under every arm."""
    rng = np.random.default_rng(seed)
    players = simulate.draw_players(list(NAMES), rng)
    schedule = [(0, 1 + k % 5) for k in range(3 * 5 * max(HOURS))]
    truth = simulate.true_thresholds(players, schedule)
    # seconds of a full shot for all, and a third of the rallies: so many shots are enough
    enough = 3 * 3600 * max(HOURS) / seconds["full"]
    raw = simulate.simulate_shots(players, schedule[: int(np.ceil(enough / 700))], rng=rng)
    others = [(1 + one, 1 + two) for one, two in simulate.round_robin(5, club)[:club]]
    before = [simulate.simulate_shots(players, others, rng=rng)] if club else []
    before = [one.assign(match="club " + one["match"].astype(str)) for one in before]
    for hours in HOURS:
        for arm in ARMS[:2] if club else ARMS:
            log = pd.concat([*before, charted(raw, arm, hours, seconds)], ignore_index=True)
            for name in ("match", "player", "opponent", "rally_won_by"):
                log[name] = log[name].astype(str).where(log[name].notna(), None).astype("category")
            own = log["player"].astype(str) == NAMES[0]
            model = sw.TightnessModel(draws=200, seed=seed).fit(log)
            answers = model.thresholds().set_index(["player", "side", "family"])
            for cell in truth[truth["status"] == "crosses"].to_dict("records"):
                if cell["player"] != NAMES[0] or cell["family"] not in set(model.families_):
                    continue
                key = (NAMES[0], cell["side"], cell["family"])
                if cell["threshold_m"] > model.gap_max_m()[key[1:]]:
                    continue
                curve = model.curves(gaps_m=[cell["threshold_m"]])
                gain = curve.set_index(["player", "side", "family"]).loc[key]
                yield {
                    "seed": seed,
                    "cell": " ".join(key[1:]),
                    "hours": hours,
                    "arm": arm,
                    "own_shots": int(own.sum()),
                    "known": answers.loc[key, "status"] == "crosses",
                    "width": 100 * (gain["gain_high"] - gain["gain_low"]),
                    "error": 100 * gain["gain"],
                    "held": 100.0 * (gain["gain_low"] <= 0.0 <= gain["gain_high"]),
                }


def summary(rows):
    """Means with their standard errors; ladders are the independent units."""
    table = pd.DataFrame(rows)
    table["known"] = 100.0 * table["known"]
    found = []
    for (hours, arm), some in table.groupby(["hours", "arm"]):
        line = {"hours": int(hours), "arm": arm, "ladders": int(some["seed"].nunique())}
        line |= {"own_shots": round(float(some["own_shots"].mean())), "thresholds": len(some)}
        for name in ("width", "error", "held", "known"):
            line |= _mean(some, name)
        found.append(line | {"rms_error": float(np.sqrt((some["error"] ** 2).mean()))})
    return found


def _mean(some, name):
    by = some.groupby("seed")[name].agg(["sum", "size"])
    mean = by["sum"].sum() / by["size"].sum()
    off = by["sum"] - mean * by["size"]
    error = np.sqrt((off**2).sum() * len(by) / max(len(by) - 1, 1)) / by["size"].sum()
    return {name: float(mean), f"{name}_standard_error": float(error)}


def narrower(rows):
    """Width of each arm over that of both in full, of the same thresholds."""
    table = pd.DataFrame(rows).set_index(["seed", "cell", "hours", "arm"])["width"]
    log = np.log(table).unstack()  # noqa: PD010 - nothing to add up
    found = []
    for arm in (one for one in ARMS[1:] if one in log):
        ratio = (log[arm] - log[ARMS[0]]).dropna().rename("ratio").reset_index()
        for hours, some in ratio.groupby("hours"):
            mean = _mean(some, "ratio")
            ends = [mean["ratio"] + z * mean["ratio_standard_error"] for z in (0, -2, 2)]
            names = ("width_in_100_of_both_in_full", "low", "high")
            line = {"hours": int(hours), "arm": arm}
            found.append(line | dict(zip(names, (100 * np.exp(ends)).tolist(), strict=True)))
    return found


def main():
    """Run the ladders and print, or record, what came out."""
    ask = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    ask.add_argument("--ladders", type=int, default=20)
    ask.add_argument("--seed", type=int, default=2101)
    ask.add_argument("--club", type=int, default=0, help="matches of others in the log")
    ask.add_argument("--record", action="store_true")
    asked = ask.parse_args()
    seconds, rows = seconds_a_shot(), []
    for number in range(asked.ladders):
        rows += ladder(asked.seed + number, seconds, asked.club)
        figures = {"seconds a shot": [seconds], "": summary(rows)}
        if number:
            figures["beside both in full"] = narrower(rows)
        if asked.record:
            name = "equal_minutes_club" if asked.club else "equal_minutes"
            record(name, figures, asked.seed, about=f"{number + 1} ladders. {ASSUMED}")
    if not asked.record:
        print(json.dumps(figures, indent=1))


if __name__ == "__main__":
    main()
