"""Benchmarks are collected only when asked for: ``pytest tests/benchmarks --benchmark-enable``."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

#: Rows of the closing table: step, shots, seconds (best, median), peak megabytes.
ROWS = pytest.StashKey[list[tuple[str, int, float, float, float]]]()


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    # None leaves the decision to the other plugins.
    return None if config.getoption("benchmark_enable") else True


@pytest.fixture(scope="session")
def rows(pytestconfig):
    return pytestconfig.stash.setdefault(ROWS, [])


def pytest_terminal_summary(terminalreporter, config):
    """Print what was measured, with the growth exponents."""
    rows = config.stash.get(ROWS, [])
    if not rows:
        return
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
