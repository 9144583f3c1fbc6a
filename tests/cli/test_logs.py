"""Commands on whole logs are thin: they say what the library finds."""

from __future__ import annotations

import json
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from matplotlib import pyplot as plt
from typer.testing import CliRunner

import sidewall as sw
from sidewall.cli.app import app
from sidewall.simulate import draw_players, round_robin, second_charter, simulate_shots, to_log
from sidewall.worklist import read_efforts


@pytest.fixture(scope="module")
def shots():
    players = draw_players(["Rowan", "Hazel", "Alder"], np.random.default_rng(5))
    return simulate_shots(players, round_robin(3, 12), rng=6)


@pytest.fixture(scope="module")
def home(shots, tmp_path_factory):
    """A folder with the log in two files."""
    folder = tmp_path_factory.mktemp("logs")
    names = shots["match"].cat.categories
    for name, some in (("a.csv", names[:6]), ("b.csv", names[6:])):
        to_log(shots[shots["match"].isin(some)]).to_csv(folder / name, index=False)
    return folder


def run(*words):
    return CliRunner().invoke(app, [str(word) for word in words])


@pytest.mark.slow
def test_join_writes_one_log_that_reads_the_same(shots, home, tmp_path):
    out = tmp_path / "all.csv"
    result = run("join", home, "--out", out)
    assert result.exit_code == 0, result.output
    assert f"{len(shots):,} of {len(shots):,} rows" in result.stdout
    again, both = sw.read_shots(out), sw.read_shots([home / "a.csv", home / "b.csv"])
    pd.testing.assert_frame_equal(again.drop(columns="line"), both.drop(columns=["line", "log"]))
    assert "exists" in run("join", home, "--out", out).stderr
    twice = run("join", home, out, "--out", tmp_path / "twice.csv")
    assert twice.exit_code == 1  # every rally of the joined log is there already
    assert len(pd.read_csv(tmp_path / "twice.csv")) == len(shots)


def test_check_takes_folders_and_files(home):
    result = run("check", home / "a.csv", home / "b.csv")
    assert result.exit_code == 0
    assert result.stdout == run("check", home).stdout
    assert "Read from a.csv" in result.stdout


@pytest.mark.slow
def test_compare_says_what_the_library_finds(shots, home, tmp_path):
    mine = shots.loc[shots["player"] == "Rowan", "match"].unique().astype(str)
    periods = [word for name in mine[:4] for word in ("--before", name)]
    periods += [word for name in mine[4:] for word in ("--after", name)]
    out = tmp_path / "change.csv"
    result = run("compare", home, "--player", "rowan", *periods, "--out", out)
    assert result.exit_code == 0, result.output
    wanted = sw.compare_periods(sw.read_shots(home), "Rowan", mine[:4], mine[4:])
    written = pd.read_csv(out)
    assert written["verdict"].tolist() == wanted["verdict"].tolist()
    np.testing.assert_allclose(written["change"], wanted["change"].astype(float), rtol=1e-12)
    for row in wanted.to_dict("records"):
        (line,) = [
            line
            for line in result.stdout.splitlines()
            if line.startswith(f"{row['measure']} {row['side']}".replace(" nan", ""))
            and (not isinstance(row["family"], str) or f" {row['family']}:" in line)
        ]
        assert f": {row['verdict']}. " in line
        assert f"n {row['n_before']:,.0f} and {row['n_after']:,.0f}." in line


def test_compare_needs_two_periods(home):
    result = run("compare", home, "--player", "Rowan")
    assert result.exit_code == 2
    assert "which matches come before" in result.stderr
    for option in ("--before", "--after", "--change"):
        assert option in result.stderr


def test_agree_gives_the_summary(shots, home, tmp_path):
    second = second_charter(shots[shots["match"] == shots["match"].iloc[0]], seed=3)
    to_log(second).to_csv(tmp_path / "second.csv", index=False)
    result = run("agree", home / "a.csv", tmp_path / "second.csv", "--seed", 4)
    assert result.exit_code == 0, result.output
    logs = [sw.read_shots(home / "a.csv"), sw.read_shots(tmp_path / "second.csv")]
    assert result.stdout == sw.Agreement(seed=4).fit(*logs).summary() + "\n"


def test_a_log_is_not_compared_with_itself(home, tmp_path):
    lines = (home / "a.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    again = tmp_path / "again.csv"
    again.write_text("".join([lines[0], "\n", *lines[1:]]), encoding="utf-8")
    for second in (home / "a.csv", again):
        result = run("agree", home / "a.csv", second)
        assert result.exit_code == 2
        assert "both logs are the same" in result.stderr
        assert "two people or on two days" in result.stderr


def test_efforts_writes_ratings_to_change(tmp_path):
    out = tmp_path / "efforts.toml"
    assert run("efforts", "--out", out).exit_code == 0
    assert read_efforts(out).of("Rowan", "length") == 3
    assert "exists" in run("efforts", "--out", out).stderr


@pytest.mark.slow
def test_a_notebook_runs_on_the_user_s_own_logs(home, tmp_path, monkeypatch, capsys):
    nbformat = pytest.importorskip("nbformat")
    out = tmp_path / "my notes" / "my.ipynb"
    out.parent.mkdir()
    result = run("notebook", home, "--player", "hazel", "--out", out, "--no-open")
    assert result.exit_code == 0, result.output
    nbformat.validate(nbformat.read(out, as_version=4))
    made = json.loads(out.read_text(encoding="utf-8"))
    monkeypatch.chdir(out.parent)  # where a notebook runs
    mpl.use("Agg")
    names: dict = {}
    for cell in made["cells"]:
        if cell["cell_type"] == "code":
            exec(compile("".join(cell["source"]), "my.ipynb", "exec"), names)
    plt.close("all")
    assert names["player"] == "Hazel"
    assert len(names["shots"]) == len(sw.read_shots(home))
    assert "Read from a.csv" in capsys.readouterr().out


def test_a_notebook_is_opened_or_it_is_said_how(home, tmp_path, monkeypatch):
    opened = []
    monkeypatch.setattr("sidewall.cli.logs.subprocess.run", lambda words, **_: opened.append(words))
    monkeypatch.setattr("importlib.util.find_spec", lambda name: name)
    out = tmp_path / "my.ipynb"
    assert run("notebook", home, "--out", out).exit_code == 0
    assert opened[0][1:] == ["-m", "jupyterlab", str(out)]
    assert "exists" in run("notebook", home, "--out", out).stderr
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    result = run("notebook", home, "--out", tmp_path / "other.ipynb")
    assert result.exit_code == 2
    assert 'pip install -e ".[notebook]"' in result.stderr
    assert (tmp_path / "other.ipynb").exists()
    assert len(opened) == 1
    assert "ends in .ipynb" in run("notebook", home, "--out", Path("my.txt")).stderr
