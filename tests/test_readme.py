"""What the README prints is what the program does."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import matplotlib as mpl
import pandas as pd
import pytest
from matplotlib import pyplot as plt

from sidewall.log.columns import COLUMNS, understand
from sidewall.simulate import synthetic_data_folder

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def blocks(language):
    return re.findall(rf"```{language}\n(.*?)```", README, flags=re.DOTALL)


def test_the_charting_example_runs(tmp_path, monkeypatch):
    pytest.importorskip("anywidget")
    (example,) = (block for block in blocks("python") if "ChartMatch" in block)
    monkeypatch.chdir(tmp_path)
    exec(compile(f"import sidewall as sw\n{example}", "README.md", "exec"), {})


@pytest.mark.slow
def test_the_python_example_runs(tmp_path, monkeypatch, capsys):
    (example,) = (block for block in blocks("python") if "import sidewall" in block)
    assert len([line for line in example.splitlines() if line]) <= 10
    shutil.copytree(synthetic_data_folder(), tmp_path / "sidewall-demo")
    monkeypatch.chdir(tmp_path)
    mpl.use("Agg")
    # whoever reads the README runs it as a program
    exec(compile(example, "README.md", "exec"), {})
    plt.close("all")
    assert (tmp_path / "rowan.png").stat().st_size > 10_000
    assert "threshold_m" in capsys.readouterr().out


def test_the_table_of_columns_is_the_program_s():
    lines = re.findall(r"^\| (?!column|---)(.+?) \| (yes|no|for boards) \|", README, flags=re.M)
    listed = {
        understand(name)[0]: required == "yes"
        for names, required in lines
        for name in re.split(r", | or ", names)
    }
    assert listed == {spec.name: spec.required for spec in COLUMNS}


def test_the_set_up_and_the_automatic_check_run_the_same_tests():
    command = blocks("sh")[1].split("&&")[-1].strip().removeprefix(".venv/bin/python ")
    assert command.startswith("-m pytest")
    assert f'"$python" {command}' in (ROOT / ".ci/run").read_text(encoding="utf-8").splitlines()


def test_the_demo_s_tables_hold_the_columns_named():
    for name in ("players", "matches"):
        columns = re.search(rf"`--{name} {name}.csv` \((.*?)\)", README)[1].split(", ")
        assert set(columns) == set(pd.read_csv(synthetic_data_folder() / f"{name}.csv").columns)


def test_the_true_thresholds_beside_the_picture_are_the_demo_s():
    truth = pd.read_csv(synthetic_data_folder() / "truth.csv")
    general = truth[truth[["stroke", "balance", "depth"]].isna().all(axis=1)]
    first = general[general["player"] == general["player"].iloc[0]]
    assert first["player"].iloc[0] == "Rowan"
    cm = (100 * first.set_index(["family", "side"])["threshold_m"]).round().astype(int)
    ground, volley = (
        f"{cm[family, 'forehand']} and {cm[family, 'backhand']} cm"
        for family in ("ground", "volley")
    )
    assert f"at {ground} after the bounce and at {volley} for the volley, forehand first" in README


@pytest.mark.parametrize("target", re.findall(r"\]\((?!http)(.*?)\)", README))
def test_links_lead_somewhere(target):
    assert (ROOT / target.partition("#")[0]).exists()  # places in a page: see test_records
