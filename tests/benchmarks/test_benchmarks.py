"""Time and peak memory of reading, features and the pooled fit, by size of the log."""

from __future__ import annotations

import importlib.util
import subprocess
import sys
from pathlib import Path

import pytest

_HERE = Path(__file__).parent


def _beside(name):
    spec = importlib.util.spec_from_file_location(f"benchmark_{name}", _HERE / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


steps, side_by_side = _beside("steps"), _beside("side_by_side")

SIZES = (10_000, 100_000, 1_000_000)
#: A pooled fit of 100,000 shots of 60 players with four random effects, two quiet cores.
FIT_SECONDS = 1.0


@pytest.fixture(scope="session")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("inputs")


@pytest.fixture(scope="session", params=SIZES, ids="{:,} shots".format)
def size(request, folder):
    steps.write_inputs(folder, request.param)
    return request.param


def peak_megabytes(step, folder, n):
    """Peak memory of the step in a process of its own; NaN where the system keeps no account."""
    if not Path("/proc/self/status").exists():
        return float("nan")
    command = [sys.executable, str(_HERE / "steps.py"), step, str(folder), str(n)]
    return float(subprocess.run(command, check=True, capture_output=True, text=True).stdout)


@pytest.mark.parametrize("step", steps.STEPS)
def test_step(benchmark, step, size, folder, rows):
    if size > steps.LARGEST.get(step, size):
        pytest.skip(f"takes minutes with {size:,} shots")
    call = steps.STEPS[step](folder, size)
    slow = step in steps.LARGEST or (step == "fit, no two rows equal" and size == SIZES[-1])
    rounds = 1 if slow else 3 if size == SIZES[-1] else 7
    found = benchmark.pedantic(call, rounds=rounds, warmup_rounds=0 if slow else 1)
    assert found is not None
    taken = benchmark.stats.stats
    peak = peak_megabytes(step, folder, size)
    rows.append((step, size, taken.min, taken.median, peak))
    if step.startswith("fit"):
        assert found.converged_
    if step == "fit, gaps in whole cm" and size == SIZES[1]:
        # the best round: other work on the machine can only add to it
        assert taken.min < FIT_SECONDS


@pytest.mark.parametrize("name", side_by_side.PAIRS)
def test_side_by_side(benchmark, name, size, folder, pairs):
    make, largest = side_by_side.PAIRS[name]
    if size > largest:
        pytest.skip(f"the other way is tried up to {largest:,} shots")
    pair = make(folder, size)
    if pair is None:
        pytest.skip("the other program is not installed here")
    rounds = 3 if size == SIZES[-1] else 5
    ours = benchmark.pedantic(pair.ours, rounds=rounds, warmup_rounds=1)
    clock = benchmark._timer
    start = clock()
    other = pair.other()
    other_seconds = clock() - start
    pair.same(ours, other)
    pairs.append((name, size, benchmark.stats.stats.min, other_seconds))
