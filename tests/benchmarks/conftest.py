"""Benchmarks are collected only when asked for: ``pytest tests/benchmarks --benchmark-enable``."""

from __future__ import annotations

import json
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

#: Rows of the closing table: step, shots, seconds (best, median), peak megabytes.
ROWS = pytest.StashKey[list[tuple[str, int, float, float, float]]]()
#: Rows of the table side by side: what, shots, seconds of ours, seconds of the other way.
PAIRS = pytest.StashKey[list[tuple[str, int, float, float]]]()
STEP_COLUMNS = ("step", "shots", "best_s", "median_s", "peak_mb")
PAIR_COLUMNS = ("pair", "shots", "ours_s", "other_s")


def pytest_addoption(parser):
    parser.addoption("--record", help="write what was measured to this JSON file", type=Path)


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    # None leaves the decision to the other plugins.
    return None if config.getoption("benchmark_enable") else True


@pytest.fixture(scope="session")
def rows(pytestconfig):
    return pytestconfig.stash.setdefault(ROWS, [])


@pytest.fixture(scope="session")
def pairs(pytestconfig):
    return pytestconfig.stash.setdefault(PAIRS, [])


def pytest_terminal_summary(terminalreporter, config):
    """Print what was measured, and write it down if asked to."""
    rows, pairs = config.stash.get(ROWS, []), config.stash.get(PAIRS, [])
    if rows:
        _say_steps(terminalreporter, rows)
    if pairs:
        _say_pairs(terminalreporter, pairs)
    if config.getoption("record") and (rows or pairs):
        kept = {
            "steps": [dict(zip(STEP_COLUMNS, row, strict=True)) for row in rows],
            "side_by_side": [dict(zip(PAIR_COLUMNS, row, strict=True)) for row in pairs],
        }
        config.getoption("record").write_text(json.dumps(kept, indent=1), encoding="utf-8")


def _say_pairs(terminalreporter, pairs):
    """Print the two ways side by side."""
    terminalreporter.section("side by side, equal answers asserted")
    say = terminalreporter.write_line
    say(f"{'ours | the other way':<44}{'shots':>11}{'ours':>11}{'other':>11}{'ratio':>9}")
    for what, n, ours, other in sorted(pairs):
        say(f"{what:<44}{n:>11,}{ours:>9.3f} s{other:>9.3f} s{other / ours:>9.2f}")
    say("ratio: time of the other way, done once, over the best of ours.")


def _say_steps(terminalreporter, rows):
    """Print each step with its growth exponents."""
    terminalreporter.section("time and memory by size of the log")
    say = terminalreporter.write_line
    say(f"{'step':<24}{'shots':>11}{'best':>11}{'median':>11}{'exponent':>10}{'peak':>10}")
    for step in dict.fromkeys(row[0] for row in rows):
        of_step = sorted(row[1:] for row in rows if row[0] == step)
        growth = [
            f"{np.log(after[1] / before[1]) / np.log(after[0] / before[0]):.2f}"
            for before, after in pairwise(of_step)
        ]
        for (n, best, median, peak), exponent in zip(of_step, ["", *growth], strict=True):
            shown = "" if np.isnan(peak) else f"{peak:,.0f} MB"
            say(f"{step:<24}{n:>11,}{best:>9.3f} s{median:>9.3f} s{exponent:>10}{shown:>10}")
    say(
        "exponent: growth of the best time from the size before (1 is in proportion). peak: "
        "largest resident memory of a fresh process that does the step once."
    )
