from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from sidewall.cli.app import app
from sidewall.cli.plan import _lines, _sizes, advice
from sidewall.progress import Plan
from sidewall.simulate import draw_players, round_robin, simulate_shots, to_log

pytestmark = pytest.mark.slow


def run(*words):
    return CliRunner().invoke(app, ["plan", *(str(word) for word in words)])


@pytest.fixture(scope="module")
def log(tmp_path_factory):
    players = draw_players(["Rowan", "Hazel"], np.random.default_rng(5))
    path = tmp_path_factory.mktemp("log") / "club.csv"
    shots = simulate_shots(players, round_robin(2, 4), rng=6, games_to_win=2)
    to_log(shots).to_csv(path, index=False)
    return path


def test_a_log_gives_a_table_and_two_sentences(log):
    words = (log, "--player", "rowan", "--most", 1, "--simulations", 2)
    result = run(*words, "--half-width-cm", 30)
    assert result.exit_code == 0, result.output
    lines = result.stdout.splitlines()
    assert lines[0] == "Simulated 2 times each: matches like Rowan's 4 matches of the log."
    assert [line.split()[0] for line in lines[2:3]] == ["1"]
    assert sum(line.startswith("A half width of 30 cm ") for line in lines) == 1
    at = lines.index("In which matches:")
    assert lines[at + 1].split()[:2] == ["against", "Hazel"]
    assert "; 4 charted; about " in lines[at + 1]
    first = next(k for k, line in enumerate(lines) if line.startswith("Chart next: "))
    saved = [float(line.split("  (")[0].split()[-1]) for line in lines[first + 3 : first + 7]]
    assert saved == sorted(saved, reverse=True)
    assert all(" and " in line for line in lines[first + 3 : first + 7])
    assert any(line.startswith("Whom to chart: the log holds ") for line in lines)
    assert result.stderr == ""  # the bar is for terminals
    assert run(*words, "--half-width-cm", 30).stdout == result.stdout


def test_mistakes_are_said_plainly(log):
    for words, said in (
        ((log,), "Add --player; the log has"),
        ((log, "--player", "Oak"), "No player is called 'Oak'"),
        (("--player", "Rowan"), "no log is given"),
        (("--outcome", "luck"), "use rally or value"),
        (("--half-width-cm", -1), "above 0"),
    ):
        result = run(*words)
        assert result.exit_code == 2
        assert result.stdout == ""
        assert said in result.stderr


def test_numbers_of_matches():
    assert _sizes(1) == [1]
    assert _sizes(8) == [1, 2, 3, 5, 8]
    assert _sizes(10) == [1, 2, 3, 5, 8, 10]


def test_every_kind_of_answer_is_said():
    row = {"n_matches": 2, "n_rallies": 160, "n_shots": 700, "half_width_m": 0.2,
           "half_width_low_m": 0.15, "half_width_high_m": np.inf, "known": 0.625,
           "known_error": 0.05, "sets": 40}  # fmt: skip
    table = pd.DataFrame([row | {"n_matches": 1, "half_width_m": np.inf}, row])
    said = {
        how: _lines(Plan(table, 0.1, matches, how, 4, "the club"))
        for how, matches in (("simulated", 2.0), ("forecast", 8.0), ("out of reach", np.inf))
    }
    assert said["simulated"][2].split() == ["1", "160", "700", "open", "62", "(5)"]
    assert "20 cm (15 to open)" in said["simulated"][3]
    assert said["simulated"][-1] == "A half width of 10 cm takes about 2 charted matches."
    assert said["forecast"][-1].endswith(
        "8 charted matches: a forecast from 2 by the square-root law."
    )
    assert "out of reach of 2 matches" in said["out of reach"][-1]


@pytest.mark.parametrize(("others", "says"), [(0, "both players in full"), (2, "in short")])
def test_whom_to_chart_depends_on_the_rest_of_the_log(others, says):
    def match(name, pair, shots):
        return [
            {"match": name, "player": pair[k % 2], "gap_m": 0.3, "side": "forehand"}
            for k in range(shots)
        ]

    rows = match("one", ("Rowan", "Hazel"), 40)
    rows += [row for k in range(others) for row in match(f"other {k}", ("Alder", "Elm"), 20)]
    # those charted in short teach the common curves nothing
    rows += [row | {"gap_m": None} for row in match("third", ("Alder", "Elm"), 200)]
    text = advice(pd.DataFrame(rows), "Rowan")
    assert says in text
    assert f"{20 * others} shots in full of other matches, and 20 of Rowan" in text
