"""What a user's type checker sees: the package is typed, and one axes is told from many."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

import sidewall as sw

pytest.importorskip("mypy")

PACKAGE = Path(sw.__file__).parent

SCRIPT = """
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from numpy.typing import NDArray

import sidewall as sw

shots: pd.DataFrame = sw.read_shots("log.csv")
model = sw.TightnessModel(situation="balance", draws=200).fit(shots, keep="balance == 'set'")
table: pd.DataFrame = model.thresholds(level=0.9)
panel: Axes = sw.plot_threshold(model, "Rowan", "forehand", "volley")
panels: NDArray[np.object_] = sw.plot_threshold(model, "Rowan")
drawn: Axes = sw.plot_threshold(model, "Rowan", "forehand", ax=panel)
judged: Axes = sw.plot_decisions(table, "Rowan", "forehand", "volley", unit="in")
pair: NDArray[np.object_] = sw.plot_chain(model.chain_, "Rowan")
court: Axes = sw.plot_chain(model.chain_, ax=panel)
match: Axes = sw.plot_match_win_probability(best_of=5)
zones: pd.DataFrame = sw.zone_features(shots, by="player")

sw.TightnessModel(outcome="games", draws=200)  # wrong
model.thresholds(level="wide")  # wrong
sw.plot_threshold(model, "Rowan").set_title("threshold")  # wrong
sw.zone_features({"player": ["Rowan"]})  # wrong
"""


@pytest.mark.slow
def test_a_script_of_a_user_is_checked(tmp_path):
    assert (PACKAGE / "py.typed").is_file()
    (tmp_path / "script.py").write_text(SCRIPT, encoding="utf-8")
    run = subprocess.run(
        [sys.executable, "-m", "mypy", "--no-incremental", "--follow-imports=silent", "script.py"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        env=os.environ | {"PYTHONPATH": str(PACKAGE.parent)},
        check=False,
    )
    found = {int(line.split(":")[1]) for line in run.stdout.splitlines() if ": error: " in line}
    lines = enumerate(SCRIPT.splitlines(), start=1)
    assert found == {number for number, line in lines if line.endswith("# wrong")}, run.stdout
