"""Does a season of logs come through the command line whole, and twice the same?

A season of one-game matches is simulated and written down as a club would: one log a match,
with headings of its own, gaps in centimetres, inches or floorboards by turns, and every other
match with one player charted in short. Then, through the command line alone: each log is mapped
(one guessed map a kind of log), all are joined, checked, reported for every player, compared
before and after the middle of the season, and written without names. The log without names is
read back, the names put in again, and every shot held against what was played.

All of it is done twice, in two processes with other hash seeds and in two folders; the codes of
the players are drawn in secret, so the second time uses the key of the first. At the end every
file of the one folder is the file of the other, byte for byte.

    python tests/studies/season.py --matches 60 --record
"""

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd
from records import record
from typer.testing import CliRunner

import sidewall as sw
from sidewall import simulate
from sidewall.cli.app import app
from sidewall.log import reidentify

NAMES = ("Alder", "Birch", "Cedar", "Elm", "Hazel", "Rowan")
#: A kind of log each: unit of the gap, and whether one player is charted in short.
KINDS = tuple((unit, short) for unit in ("cm", "in", "boards") for short in (False, True))
HEADINGS = {
    "player": "Hitter",
    "side": "FH/BH",
    "stroke": "Type",
    "contact": "Taken",
    "choice": "Intent",
    "rally_won_by": "Rally won by",
    "ending": "How it ended",
}
USED = ("match", "game", "rally", "shot", *HEADINGS, "gap", "gap_class", "board_width_cm")
BOARD_M = 0.07
#: What the charters of a club write for the program's words.
TYPED = {"forehand": "FH", "backhand": "BH", "after_bounce": "bounce", "off_back_wall": "back wall"}
FIRST_DAY = pd.Timestamp("2026-01-05")
#: Half of the last digit that is written, in metres, by unit.
ROUNDING_M = {"cm": 0.0005, "in": 0.005 * 0.0254, "boards": 0.005 * BOARD_M}


def play(matches, seed):
    """The season as it was played: the names of the matches, and every shot."""
    rng = np.random.default_rng(seed)
    club = NAMES if matches > 2 * len(NAMES) else NAMES[:2]  # all of them in both halves
    players = simulate.draw_players(club, rng)
    everyone = simulate.round_robin(len(club))
    schedule = [everyone[i % len(everyone)] for i in range(matches)]
    names = [f"match {i + 1:02d}" for i in range(matches)]
    shots = simulate.simulate_shots(players, schedule, rng, games_to_win=1, match_names=names)
    return names, shots


def write_logs(names, shots, folder):
    """One log a match, typed the club's way; and what a reader should find."""
    folder.mkdir()
    expected = []
    for i, name in enumerate(names):
        unit, short = KINDS[i % len(KINDS)]
        one = shots[(shots["match"] == name).to_numpy()].reset_index(drop=True)
        if short:
            who = one["player"].astype(str)
            one = simulate.chart_in_short(one, (who == who.iloc[0]).to_numpy())
        expected.append(one.assign(tolerance_m=ROUNDING_M[unit]))
        log = simulate.to_log(one, unit, board_width_m=BOARD_M)
        log = log.rename(columns={f"gap_{unit}": "gap"})
        log = log[[column for column in USED if column in log]]
        log = log.map(lambda word: TYPED.get(word, word) if isinstance(word, str) else word)
        log = log.rename(columns=HEADINGS | {"gap": f"Gap ({unit})"})
        log.to_csv(folder / f"{name}.csv", index=False)
    dates = [FIRST_DAY + pd.Timedelta(days=3 * i) for i in range(len(names))]
    table = pd.DataFrame({"match": names, "date": dates})
    table.to_csv(folder.parent / "matches.csv", index=False)
    return pd.concat(expected, ignore_index=True)


def command(*words, ends_with=0):
    """Run a command and hand back what it says."""
    done = CliRunner().invoke(app, [str(word) for word in words])
    if done.exit_code != ends_with:
        raise SystemExit(f"sidewall {words[0]} ended with {done.exit_code}:\n{done.output}")
    return done.stdout


def season(folder, matches, seed, key=None):
    """All of it in one folder, which is the working folder from then on."""
    folder.mkdir(parents=True)
    os.chdir(folder)
    names, shots = play(matches, seed)
    expected = write_logs(names, shots, folder / "typed")
    mapped = folder / "mapped"
    mapped.mkdir()
    for i, name in enumerate(names):
        a_map = Path(f"kind {i % len(KINDS) + 1}.toml")
        if not a_map.exists():
            command("map", f"typed/{name}.csv", "--guess", "--out", a_map)
        command("map", f"typed/{name}.csv", "--with", a_map, "--out", f"mapped/{name}.csv")
    command("join", "mapped", "--matches", "matches.csv", "--out", "season.csv")
    said = [command("check", "season.csv")]
    command("report", "season.csv", "--all", "--out", "pages", "--fresh")
    middle = (FIRST_DAY + pd.Timedelta(days=3 * (matches // 2))).date().isoformat()
    compare = ("compare", "season.csv", "--player", NAMES[0], "--change", middle)
    said.append(command(*compare, "--out", "change.csv"))
    if key is not None:
        shutil.copy(key, "key.csv")
    command("pseudonymise", "season.csv", "--out", "codes.csv", "--key", "key.csv")
    said.append(command("check", "codes.csv"))
    Path("said.txt").write_text("\n".join(said), encoding="utf-8")
    compare_with(expected, reidentify(sw.read_shots("codes.csv"), "key.csv"))


def compare_with(expected, found):
    """Every shot that was played is there, and says what was typed of it."""
    order = ["match", "game", "rally", "shot"]
    expected, found = (
        table.assign(match=table["match"].astype(str)).sort_values(order, ignore_index=True)
        for table in (expected, found)
    )
    for column in (*order, "player", "side", "stroke", "contact", "choice", "ending", "gap_class"):
        pd.testing.assert_series_equal(
            expected[column].astype(object).where(expected[column].notna(), None),
            found[column].astype(object).where(found[column].notna(), None),
            check_names=False,
        )
    off = (expected["gap_m"] - found["gap_m"]).abs()
    assert (off.isna() == expected["gap_m"].isna()).all()
    # read to the last digit that was written, and written without names once more
    assert (off.dropna() <= 2.0 * expected["tolerance_m"][off.notna()] + 1e-9).all()


def same_files(one, two):
    """Files of both folders, and the names of those that differ or are in one only."""
    files = [
        {f.relative_to(folder).as_posix(): f for f in folder.rglob("*") if f.is_file()}
        for folder in (one, two)
    ]
    every = sorted({*files[0], *files[1]})
    differ = [
        name
        for name in every
        if any(name not in of for of in files)
        or files[0][name].read_bytes() != files[1][name].read_bytes()
    ]
    return every, differ


def twice(folder, matches, seed):
    """The season in two folders, each in a process of its own with a hash seed of its own."""
    folders = [folder / "one", folder / "two"]
    for number, into in enumerate(folders):
        words = ["--matches", str(matches), "--seed", str(seed), "--into", str(into)]
        words += ["--key", str(folders[0] / "key.csv")] if number else []
        cache = folder / f"cache {number}"
        env = os.environ | {"PYTHONHASHSEED": str(number + 1), "XDG_CACHE_HOME": str(cache)}
        subprocess.run([sys.executable, __file__, *words], check=True, env=env)
    return same_files(*folders)


def main():
    ask = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    ask.add_argument("--matches", type=int, default=60)
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument("--into", type=Path, help="one season only, into this folder")
    ask.add_argument("--key", type=Path, help="key of the codes to use")
    ask.add_argument("--record", action="store_true")
    asked = ask.parse_args()
    if asked.into is not None:
        season(asked.into, asked.matches, asked.seed, asked.key)
        return
    with tempfile.TemporaryDirectory() as home:
        files, differ = twice(Path(home), asked.matches, asked.seed)
        shots = pd.read_csv(Path(home) / "one" / "season.csv")
        rows = [
            {
                "matches": shots["match"].nunique(),
                "shots": len(shots),
                "shots_read_back": len(sw.read_shots(Path(home) / "one" / "codes.csv")),
                "pages": sum(name.endswith(".html") for name in files),
                "files": len(files),
                "files_that_differ": len(differ),
            }
        ]
    print(*differ, sep="\n")
    if asked.record:
        record("season", rows, asked.seed)
    if differ:
        sys.exit(1)


if __name__ == "__main__":
    main()
