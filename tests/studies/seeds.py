"""How often does a test fail by chance?

A test of statistics has a fixed seed, so that it passes always or never; whether its tolerance
is right shows only with other seeds. Here every whole number that is given to
``numpy.random.default_rng``, by a test or by the package, is moved on, the tests are run, and the
failures of each are counted over many such moves. A test that fails more than once in a hundred
has a tolerance that its seed suits; one that fails at every move holds a value of its seed.

    python tests/studies/seeds.py tests/rallies tests/placement --moves 50 --record

Tests that ask for no such seed are run too and cannot fail. Slow ones are left out.
"""

import argparse
import os
import sys
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from records import known, record

HOME = Path(__file__).parents[2]
QUIET = ("-q", "-p", "no:cacheprovider", "--no-header", "--hypothesis-seed=0")


def moved(default_rng, by):
    """numpy's door to generators, with every whole seed moved on."""

    def door(seed=None):
        whole = isinstance(seed, int | np.integer) and not isinstance(seed, bool)
        return default_rng(int(seed) + by if whole else seed)

    return door


class Count:
    """A plugin that counts runs and failures by test, and where it is told stops asking."""

    def __init__(self, seconds):
        self.seconds, self.slow = seconds, set()
        self.runs, self.failures = Counter(), Counter()

    def pytest_collection_modifyitems(self, items):
        """Leave out what took too long the first time."""
        items[:] = [item for item in items if item.nodeid not in self.slow]

    def pytest_runtest_logreport(self, report):
        """Count a test once, whatever phase fails."""
        if report.when == "call" and report.duration > self.seconds:
            self.slow.add(report.nodeid)
        if report.when == "call" and not report.skipped:
            self.runs[report.nodeid] += 1
        if report.failed:
            self.failures[report.nodeid] += 1


def main():
    ask = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    ask.add_argument("tests", nargs="+", help="files or folders, as pytest takes them")
    ask.add_argument("--moves", type=int, default=50)
    ask.add_argument("--seconds", type=float, default=1.0, help="longer tests are left out")
    ask.add_argument("--record", action="store_true")
    asked = ask.parse_args()
    os.chdir(HOME)
    original, count = np.random.default_rng, Count(asked.seconds)
    for by in range(0, 1000 * asked.moves, 1000):
        np.random.default_rng = moved(original, by)
        pytest.main([*QUIET, *asked.tests], plugins=[count])
        if by == 0 and count.failures:
            sys.exit(f"fails with its own seed: {', '.join(count.failures)}")
    np.random.default_rng = original
    failed = [
        {"test": test, "failed": n, "of": count.runs[test]}
        for test, n in sorted(count.failures.items())
    ]
    whole = [n for n in count.runs.values() if n == asked.moves]
    row = {
        "tests_run": " ".join(asked.tests),
        "moves": asked.moves,
        "tests": len(whole),
        "left_out_as_long": len(count.slow),
        "fail_more_than_1_in_100": sum(one["failed"] > one["of"] / 100 for one in failed),
    }
    print(row, *failed, sep="\n")
    if asked.record:
        before = known().get("seeds", {"figures": {"parts": [], "failures": []}})["figures"]
        others = [r for r in before["parts"] if r["tests_run"] != row["tests_run"]]
        ours = {one["test"] for one in failed} | set(count.runs)
        kept = [one for one in before["failures"] if one["test"] not in ours]
        figures = {"parts": [*others, row], "failures": [*kept, *failed]}
        record("seeds", figures, [1000 * move for move in range(asked.moves)])


if __name__ == "__main__":
    main()
