"""Logs too small or too even for a model: a clear answer, no traceback, no library warning."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pytest
from matplotlib import pyplot as plt
from typer.testing import CliRunner

import sidewall as sw
from sidewall.cli.app import app
from sidewall.errors import DataError, DoubtfulRowsWarning, LogError
from sidewall.simulate import draw_players, round_robin, simulate_shots, to_log

pytestmark = pytest.mark.slow

plt.switch_backend("Agg")

RALLY = ["match", "game", "rally"]


@pytest.fixture(scope="module")
def log():
    players = draw_players(["Hazel", "Rowan", "Alder"], np.random.default_rng(5))
    return to_log(simulate_shots(players, round_robin(3, 6), rng=6)).reset_index(drop=True)


@pytest.fixture(autouse=True)
def _no_warning():
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        # such logs are odd, and reading them says so
        warnings.simplefilter("ignore", DoubtfulRowsWarning)
        yield


def first_rallies(log, n):
    return log.merge(log[RALLY].drop_duplicates().head(n), on=RALLY)


def with_all(log, player=None, **cells):
    changed = log["stroke"] != "serve"
    if player is not None:
        changed &= log["player"] == player
    log = log.copy()
    for name, value in cells.items():
        log.loc[changed, name] = value
    return log


def lets_only(log):
    log = log.copy()
    log.loc[log["ending"].notna(), "ending"] = "let"
    return log.assign(rally_won_by=np.nan)


def one_attack(log):
    log = with_all(log, choice="reset")
    log.loc[log["stroke"].ne("serve").idxmax(), "choice"] = "attack"
    return log


def one_player_wins(log):
    """Rowan, or else Hazel, wins every rally of the match."""
    winner = np.where(log.groupby("match")["player"].transform(lambda x: "Rowan" in set(x)),
                      "Rowan", "Hazel")  # fmt: skip
    last = log["ending"].notna() & log["ending"].ne("let")
    log = log.copy()
    log.loc[last, "rally_won_by"] = winner[last]
    log.loc[last, "ending"] = np.where(log["player"] == winner, "winner", "tin")[last]
    return log


def serves_only(log):
    log = log[log["stroke"] == "serve"].copy()
    return log.assign(rally_won_by=log["player"], ending="winner")


TOO_LITTLE = {
    "one rally": (lambda log: first_rallies(log, 1), "attack|reset"),
    "three rallies": (lambda log: first_rallies(log, 3), "attack|reset"),
    "all attacks": (lambda log: with_all(log, choice="attack"), "reset"),
    "all resets": (lambda log: with_all(log, choice="reset"), "attack"),
    "one attack": (one_attack, "attack"),
    "constant gap": (lambda log: with_all(log, gap_cm=30, x_m=np.nan), "gap"),
    "lets only": (lets_only, "let"),
    "serves only": (serves_only, "serve"),
}
ENOUGH = {
    "one match": lambda log: log[log["match"] == log["match"].iloc[0]],
    "two gaps": lambda log: with_all(log, x_m=np.nan, gap_cm=np.where(
        log["shot"] % 2, 30, 60)[log["stroke"] != "serve"]),
    "volleys only": lambda log: with_all(log, contact="volley"),
    "own forehands only": lambda log: with_all(log, "Rowan", side="forehand"),
    "own attacks only": lambda log: with_all(log, "Rowan", choice="attack"),
    "own constant gap": lambda log: with_all(log, "Rowan", gap_cm=30, x_m=np.nan),
}  # fmt: skip


def run(*words):
    result = CliRunner().invoke(app, [str(word) for word in words])
    assert result.exception is None or isinstance(result.exception, SystemExit)
    return result


def written(log, tmp_path):
    path = tmp_path / "log.csv"
    log.to_csv(path, index=False)
    return path


def test_a_sentence_for_a_template_as_it_comes(tmp_path):
    sw.write_template(tmp_path / "log.csv")
    assert run("check", tmp_path / "log.csv").exit_code == 0
    with pytest.raises(DataError, match="attack"):
        sw.TightnessModel(draws=200).fit(sw.read_shots(tmp_path / "log.csv"))


@pytest.mark.parametrize("outcome", ["rally", "value"])
@pytest.mark.parametrize("name", TOO_LITTLE)
def test_what_is_too_little_for_a_model_is_said_in_a_coachs_words(log, tmp_path, name, outcome):
    make, said = TOO_LITTLE[name]
    path = written(make(log), tmp_path)
    checked = run("check", path)
    assert checked.exit_code == 0
    assert "0 refused" in checked.stdout
    result = run("profile", path, "--player", "Rowan", "--out", tmp_path / "out",
                 "--outcome", outcome)  # fmt: skip
    assert result.exit_code == 2
    assert result.stderr.startswith("sidewall: No profile can be made from the")
    assert not (tmp_path / "out").exists()
    with pytest.raises(DataError, match=said) as error:
        sw.TightnessModel(outcome=outcome, draws=200).fit(sw.read_shots(path))
    assert "columns of X" not in str(error.value)


def answers_allowed(statuses):
    known = {"crosses", "attack at any gap", "reset at any gap", "not known yet"}
    return set(statuses) <= known


@pytest.mark.parametrize("name", ENOUGH)
def test_what_is_just_enough_gives_answers_and_pictures(log, name):
    model = sw.TightnessModel(outcome="rally", draws=200).fit(sw.read_shots(ENOUGH[name](log)))
    assert answers_allowed(model.thresholds()["status"])
    assert np.isfinite(model.curves()[["attack", "reset"]].to_numpy()).all()
    for plot in (sw.plot_threshold, sw.plot_comfort):
        plot(model, "Rowan").ravel()[0].figure.canvas.draw()
        plt.close("all")


@pytest.mark.parametrize("name", ["one match", "own forehands only"])
def test_what_is_just_enough_gives_a_profile(log, tmp_path, name):
    path = written(ENOUGH[name](log), tmp_path)
    assert run("check", path).exit_code == 0
    out = tmp_path / "out"
    result = run("profile", path, "--player", "Rowan", "--out", out, "--outcome", "value")
    assert result.exit_code == 0, result.output
    assert answers_allowed(pd.read_csv(out / "rowan-thresholds.csv")["status"])
    assert ("Not made: held-out checks" in result.stdout) == (name == "one match")


@pytest.mark.parametrize("outcome", ["rally", "value"])
@pytest.mark.parametrize(
    "make", [lambda log: with_all(log, side="forehand"), one_player_wins], ids=["side", "winner"]
)
def test_one_side_and_one_winner_are_modelled_or_refused_in_words(log, make, outcome):
    found = fit_or_words(sw.read_shots(make(log)), outcome)
    if isinstance(found, str):
        assert "columns of X" not in found
        assert found.count(" ") > 5
    else:
        assert np.isfinite(found.curves()[["attack", "reset"]].to_numpy()).all()


def fit_or_words(shots, outcome):
    try:
        return sw.TightnessModel(outcome=outcome, draws=200).fit(shots)
    except DataError as error:
        return str(error)


def test_a_player_who_only_serves_is_named_with_the_mend(log):
    own = log[(log["player"] == "Rowan") & (log["stroke"] != "serve")][RALLY].drop_duplicates()
    others = log.merge(own, on=RALLY, how="left", indicator="own").query("own == 'left_only'")
    with pytest.warns(sw.errors.DoubtfulRowsWarning, match="rallies are missing"):
        shots = sw.read_shots(others.drop(columns="own"))
    model = sw.TightnessModel(outcome="rally", draws=200).fit(shots)
    for plot in (sw.plot_threshold, sw.plot_comfort):
        with pytest.raises(DataError, match=r"'Rowan' has no shots .*Chart some.*Hazel"):
            plot(model, "Rowan")


def test_a_log_of_which_nothing_can_be_used(log, tmp_path):
    path = written(log.assign(side="sideways"), tmp_path)
    assert run("check", path).exit_code == 1
    result = run("profile", path, "--player", "Rowan", "--out", tmp_path / "out")
    assert result.exit_code == 2
    assert "no row can be used" in result.stderr
    assert "'sidewall check' says why" in result.stderr
    with pytest.raises(LogError, match="sideways"):
        sw.read_shots(path)


@pytest.mark.parametrize("name", ["three rallies", "constant gap", "all attacks"])
def test_tables_and_zone_map_do_without_a_model(log, name):
    shots = sw.read_shots(TOO_LITTLE[name][0](log))
    assert len(sw.shot_features(shots)) == len(shots)
    assert len(sw.rally_table(shots)) == len(shots[RALLY].drop_duplicates())
    assert len(sw.zone_features(shots))
    sw.plot_zone_map(shots, "Rowan").figure.canvas.draw()
