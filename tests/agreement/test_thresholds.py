"""SIMEX on the place where two curves cross, with planted errors of the gap."""

import copy
from types import SimpleNamespace
from typing import ClassVar

import numpy as np
import pandas as pd
import pytest
from scipy.linalg import eigh
from scipy.special import expit

import sidewall as sw
from sidewall import simulate
from sidewall.agreement import simex, simex_thresholds, threshold_agreement, thresholds
from sidewall.agreement.thresholds import SimexPath, _gains, _joined
from sidewall.errors import DataError
from sidewall.models.answers import threshold_of
from sidewall.models.posterior import crossings
from sidewall.rallies.value import BEND_M
from sidewall.simulate.charter import second_charter

ERROR_M = 0.12


@pytest.fixture(scope="module")
def shots():
    players = simulate.draw_players(["Alder", "Birch"], np.random.default_rng(12))
    return sw.shot_features(simulate.simulate_shots(players, [(0, 1)] * 80, rng=23))


def curves(shots, gap_m, start=(0.0,) * 4, steps=6):
    """Attack minus reset: intercept and slope on log(1 + gap / 0.25 m), all balls together."""
    used = (shots["gap_m"].notna() & shots["won"].notna() & shots["choice"].notna()).to_numpy()
    attack = (shots["choice"] == "attack").to_numpy(dtype=float)[used]
    won, h = shots["won"].to_numpy()[used], np.log1p(gap_m[used] / BEND_M)
    X = np.column_stack([np.ones_like(h), h, attack, attack * h])
    b = np.array(start)
    for _ in range(steps):
        p = expit(X @ b)
        inverse = np.linalg.inv((X * (p * (1 - p))[:, None]).T @ X)
        b = b + inverse @ X.T @ (won - p)
    return b, inverse


def crossing(b):
    return BEND_M * np.expm1(-b[2] / b[3])


@pytest.mark.slow
def test_the_threshold_moves_back_toward_that_without_error(shots):
    """Over sixteen chartings, so that the luck of one is not taken for the method."""
    clean = curves(shots, shots["gap_m"].to_numpy())[0]
    errors = []
    for seed in range(16):
        charted = second_charter(shots, miss=0, confuse=0, gap_sd_m=ERROR_M, seed=seed)
        path = simex(
            # from next to the solution three of Newton's steps do what six do from nought
            lambda gap: curves(shots, gap, clean, 3), charted["gap_m"], ERROR_M, n=4, seed=seed,
            turned_back=True,
        )  # fmt: skip
        found = [path.estimates[0, 0], *(path.at_no_error(degree)[0] for degree in (1, 2))]
        errors.append([[b[3] - clean[3], crossing(b) - crossing(clean)] for b in found])
    (slope, gap), se = np.mean(errors, axis=0).T, np.std(errors, axis=0).T / np.sqrt(15)
    for error, luck in ((slope, se[0]), (gap, se[1])):
        naive, linear, quadratic = np.abs(error)
        assert naive > 4 * luck[0]  # there is something to undo
        assert linear < 0.75 * naive
        assert quadratic < 0.6 * naive


GAP_SD_M = 0.15
KEYS = ["player", "side", "family"]


class Remembering(sw.TightnessModel):
    """Fits the same gaps of the same log but once: most tests here ask about the same fits."""

    seen: ClassVar[dict] = {}

    def fit(self, shots):
        key = len(shots), shots["gap_m"].to_numpy().tobytes()
        if key not in self.seen:
            self.seen[key] = dict(vars(super().fit(shots)))
        self.__dict__ = dict(self.seen[key])
        return self


@pytest.fixture(scope="module")
def model():
    return Remembering(outcome="rally", draws=200)


@pytest.fixture(scope="module")
def long_log():
    """So many shots that the error's effect stands out from its luck."""
    players = simulate.draw_players(["Alder", "Birch"], np.random.default_rng(12))
    return simulate.simulate_shots(players, [(0, 1)] * 40, rng=21)


@pytest.fixture(scope="module")
def noisy(long_log):
    return second_charter(long_log, miss=0, confuse=0, gap_sd_m=GAP_SD_M, seed=5)


@pytest.fixture(scope="module")
def corrected(noisy, model):
    return simex_thresholds(noisy, GAP_SD_M, model, lambdas=(1.0, 2.0), n=2, seed=2)


@pytest.mark.slow
def test_what_was_charted_is_the_models_own_answer(noisy, corrected, model):
    own = copy.copy(model).fit(noisy).thresholds()
    none = corrected[corrected["extrapolation"] == "none"].reset_index(drop=True)
    assert none[[*KEYS, "n_attack", "n_reset"]].equals(own[[*KEYS, "n_attack", "n_reset"]])
    # normal draws at twelve gaps in place of the model's own draws
    known = own["status"].eq("crosses") & none["status"].eq("crosses")
    assert known.sum() >= 2
    off = (none["threshold_m"] - own["threshold_m"])[known].abs()
    assert (off < 0.25 * (own["threshold_high_m"] - own["threshold_low_m"])[known]).all()
    assert not hasattr(model, "posterior_"), "the model given is left as it was"


@pytest.mark.slow
def test_a_planted_error_of_the_gap_is_undone_in_part(long_log, noisy, model):
    """Against the same log charted without error: the curves' steepness moves back to it."""

    def steepness(found):
        values, _ = found
        return float((values[:, :, 4] - values[:, :, 1]).mean())  # 18 to 73 cm

    fits = {}
    for name, log in (("clean", long_log), ("noisy", noisy)):
        one = copy.copy(model).fit(log)
        fits[name] = steepness(_gains(one, one.players_, [np.linspace(0.0, 2.0, 12)] * 4))

    def fit(gap_m):
        one = copy.copy(model).fit(noisy.assign(gap_m=gap_m))
        return _gains(one, one.players_, [np.linspace(0.0, 2.0, 12)] * 4)

    path = simex(fit, noisy["gap_m"], GAP_SD_M, (1.0, 2.0), 2, 2, turned_back=True)
    assert fits["noisy"] < fits["clean"]
    # the quadratic's luck is more than its effect with two fits at each lambda
    assert steepness(path.at_no_error(1)) > fits["noisy"]


@pytest.mark.slow
def test_one_seed_one_answer(noisy, corrected, model):
    again = simex_thresholds(noisy, GAP_SD_M, model, lambdas=(1.0, 2.0), n=2, seed=2)
    pd.testing.assert_frame_equal(again, corrected)


def test_a_single_lambda_is_refused(match):
    with pytest.raises(DataError, match="two or more"):
        simex_thresholds(match, 0.1, lambdas=(1.0,))


@pytest.mark.parametrize("sd", [0.0, -0.1, np.nan])
def test_an_error_that_is_none(match, model, sd):
    with pytest.raises(DataError, match="standard deviation"):
        simex_thresholds(match, sd, model)


def test_lambdas_that_cannot_be_followed_back():
    def mean(x):
        return np.array([x.mean()]), np.eye(1)

    with pytest.raises(DataError, match="lambdas above 0"):
        simex(mean, np.ones(5), 1.0, lambdas=(0.0, 1.0))
    with pytest.raises(DataError, match="degree 2"):
        simex(mean, np.ones(5), 1.0, lambdas=(1.0,)).at_no_error(2)


def test_weights_read_a_polynomial_off_exactly():
    lambdas = np.array([0.0, 0.5, 1.0, 1.5, 2.0])
    path = SimexPath(lambdas, np.zeros((5, 2, 1)), np.zeros((5, 1, 1)))
    assert path.weights(2) @ (3.0 - 2.0 * lambdas + 0.7 * lambdas**2) == pytest.approx(5.7)
    assert path.weights(1) @ (3.0 - 2.0 * lambdas) == pytest.approx(5.0)


def test_the_interval_is_never_surer_than_as_charted():
    """A covariance that extrapolates below that at lambda 0 is kept at it."""
    path = SimexPath(
        np.array([0.0, 1.0, 2.0]),
        np.zeros((3, 2, 2)),
        np.stack([np.diag([v, 1.0 / v]) for v in (1.0, 3.0, 5.0)]),
    )
    _, covariance = path.at_no_error(1)
    assert np.linalg.eigvalsh(covariance - np.eye(2)).min() >= -1e-12
    assert covariance[1, 1] > 1.2


@pytest.mark.slow
def test_two_charters_thresholds_stand_side_by_side(ladder, two_charters):
    first, second = two_charters
    model = sw.TightnessModel(draws=200)  # by rally four matches tell no threshold
    found = threshold_agreement(first, second, rest=ladder, model=model)
    assert sorted(found["player"].unique()) == sorted(first["player"].astype(str).unique())
    assert len(found) == 8
    both = found.dropna(subset=["threshold_m_first", "threshold_m_second"])
    np.testing.assert_allclose(
        both["difference_m"], both["threshold_m_second"] - both["threshold_m_first"]
    )
    # one match of four charted twice moves an answer by much less than its interval
    assert both["share_of_interval"].max() < 1.0
    assert (found["n_attack_first"] != found["n_attack_second"]).any()


@pytest.mark.slow
def test_a_log_against_itself_differs_by_nothing(ladder, match):
    model = sw.TightnessModel(draws=200)
    found = threshold_agreement(match, match, rest=ladder, model=model)
    assert found["same_answer"].all()
    assert (found["difference_m"].dropna() == 0).all()
    own = copy.copy(model).fit(ladder).thresholds()
    both = found.merge(own, on=KEYS)
    assert both["threshold_m"].notna().any()
    np.testing.assert_allclose(both["threshold_m_first"], both["threshold_m"], atol=1e-4)


def test_a_charters_matches_take_the_place_of_the_ladders_own(ladder, match):
    """What the charter has no column for is left out; the other matches stay as they are."""
    own = match.drop(columns="tempo_s", errors="ignore").assign(gap_m=0.123)
    matches = set(own["match"].astype(str))
    joined = _joined(ladder, own, matches)
    theirs = joined[~joined["match"].astype(str).isin(matches)]
    others = ladder[~ladder["match"].astype(str).isin(matches)]
    assert 0 < len(theirs) == len(others) < len(ladder)
    assert theirs["gap_m"].tolist() == pytest.approx(others["gap_m"].tolist(), nan_ok=True)
    assert (joined.loc[joined["match"].astype(str).isin(matches), "gap_m"] == 0.123).all()
    assert len(joined) == len(others) + len(own)


def test_an_answer_that_one_log_alone_has_rests_on_no_shot_of_the_other(ladder):
    """The second charter did not note how the ball was met: volleys are told by the first alone."""
    second = ladder.drop(columns="contact")
    model = sw.TightnessModel(outcome="rally", strokes=False, draws=50)
    found = threshold_agreement(ladder, second, model=model)
    volleys = found[found["family"] == "volley"]
    assert (volleys["n_attack_first"] > 0).any()
    for name in ("n_attack", "n_reset", "n_rallies"):
        assert (volleys[f"{name}_second"] == 0).all()
    assert (volleys["status_second"] == "not known yet").all()


def test_other_matches_are_refused(ladder, match):
    with pytest.raises(DataError, match=r"one of the two only.*m02"):
        threshold_agreement(match, ladder[ladder["match"].isin(["m01", "m02"])])


def covered(shots):
    """A mean and a slope with their errors: two players, two coefficients."""

    def fit(x):
        values = np.array([[x.mean(), (x**2).mean()], [np.abs(x).sum(), x.max()]])
        spread = np.stack([np.eye(2) * (1 + x.var()), np.array([[2.0, 0.5], [0.5, 1 + x.std()]])])
        return values, spread

    return fit


@pytest.mark.parametrize("turned_back", [False, True])
def test_refits_with_more_and_more_error_by_loops(turned_back):
    x = np.array([0.1, 0.5, 0.3, 0.9, 0.0])
    sd = np.array([0.1, 0.0, 0.3, 0.2, 0.4])
    fit = covered(x)
    path = simex(fit, x, sd, (0.5, 2.0), 3, 8, turned_back=turned_back)
    rng = np.random.default_rng(8)
    errors = [sd * rng.standard_normal(5) for _ in range(3)]
    assert path.lambdas.tolist() == [0.0, 0.5, 2.0]
    for k, extra in enumerate((0.0, 0.5, 2.0)):
        told = []
        for error in errors:
            noisy = x + np.sqrt(extra) * error
            told.append(fit(np.abs(noisy) if turned_back and k else noisy))
        np.testing.assert_allclose(path.estimates[k], [values for values, _ in told])
        np.testing.assert_allclose(path.covariances[k], np.mean([v for _, v in told], axis=0))
    # read off at -1, each coefficient alone; its variance is that of the fits less that of draws
    for degree in (1, 2):
        estimate, covariance = path.at_no_error(degree)

        def off(y, degree=degree):
            return np.polyval(np.polyfit(path.lambdas, y, degree), -1.0)

        for i in range(2):
            wanted = [off(path.estimates[:, :, i, c].mean(axis=1)) for c in range(2)]
            np.testing.assert_allclose(estimate[i], wanted)
            grown = np.empty((2, 2))
            for a, b in np.ndindex(2, 2):
                between = [np.cov(each[:, i].T)[a, b] for each in path.estimates]
                grown[a, b] = off(path.covariances[:, i, a, b] - between)
            # no less than as charted, in every direction: in the scale in which that is one
            least = path.covariances[0, i]
            values, vectors = eigh(grown, least)
            back = np.linalg.inv(vectors)
            raised = back.T @ np.diag(np.maximum(values, 1.0)) @ back
            luck = np.array([[off(path.estimates[:, n, i, c]) for c in range(2)] for n in range(3)])
            np.testing.assert_allclose(covariance[i], raised + np.cov(luck.T) / 3)
    usual = simex(fit, x, 0.1)
    assert usual.lambdas.tolist() == [0.0, 0.5, 1.0, 1.5, 2.0]
    assert usual.estimates.shape == (5, 20, 2, 2)
    same = simex(fit, x, 0.1, (0.5, 1.0, 1.5, 2.0), 20, 0, turned_back=False)
    np.testing.assert_array_equal(usual.estimates, same.estimates)
    for wrong in ({"n": 1}, {"lambdas": ()}, {"lambdas": (1.0, -1.0)}):
        with pytest.raises(DataError, match="give lambdas above 0 and n from 2"):
            simex(fit, x, sd, **wrong)
    for sds in (np.zeros(5), [0.1, 0.1, -0.1, 0.1, 0.1], [0.1, np.inf, 0.1, 0.1, 0.1]):
        with pytest.raises(DataError, match="positive number"):
            simex(fit, x, sds)


class Told:
    """In place of a fitted model: gains and thresholds that follow from the log."""

    players_, cells_ = ["Elm", "Yew", "Ash"], ["forehand", "backhand"]

    def __init__(self, shots, order=1):
        self.gap = shots["gap_m"].to_numpy(dtype=float)
        self.players_ = Told.players_[::order]
        self.posterior_ = self
        self.asked = []

    def gap_max_m(self):
        return np.array([1.1, 2.2])

    def gain(self, player, cell, gaps_m):
        self.asked.append((cell, gaps_m))
        who = Told.players_.index(self.players_[player])
        rng = np.random.default_rng([who, cell])
        # at first each is worse, then better; one crosses, one always gains, one is never sure
        level = [-0.3, 0.9, -0.1][who]
        slope = [0.6, 0.1, 0.1][who] + 0.3 * np.nanmean(self.gap)
        line = level + slope * np.asarray(gaps_m)
        return line + [0.02, 0.02, 0.3][who] * rng.normal(size=(50, 1)) * (1 + cell)

    def thresholds(self, level):
        rows = []
        for player in self.players_:
            for cell in self.cells_:
                seldom = player == "Elm" and cell == "backhand"
                rows.append({
                    "player": player, "side": cell, "family": "ground",
                    "n_attack": 4 if seldom else 5, "n_reset": 4 if player == "Ash" else 9,
                    "n_rallies": 7 + int(100 * level), "gap_max_m": 1.1,
                })  # fmt: skip
        return pd.DataFrame(rows)


def test_thresholds_followed_back_by_loops(monkeypatch):
    """Gains at twelve gaps of every player, in whatever order a fit has them; read off draws."""
    fits = []

    def fitted(model, shots):
        fits.append(Told(shots, 1 if len(fits) % 2 == 0 else -1))
        return fits[-1]

    monkeypatch.setattr(thresholds, "_fitted", fitted)
    monkeypatch.setattr(Told, "thresholds", lambda self, level, real=Told.thresholds: (
        real(self, level).assign(n_reset=9)))  # fmt: skip
    shots = pd.DataFrame({"gap_m": [0.1, 0.4, np.nan, 0.8]})
    found = simex_thresholds(shots, 0.1, None, (1.0, 2.0), 2, 3, 0.8)
    rng, path, at = np.random.default_rng(3), [], [np.linspace(0, m, 12) for m in (1.1, 2.2)]
    for one in fits[1:]:
        assert len(one.asked) == 6
        assert all(np.array_equal(gaps, at[cell]) for cell, gaps in one.asked)
    errors = [0.1 * rng.standard_normal(4) for _ in range(2)]
    for extra in (0.0, 1.0, 2.0):
        told = []
        for error in errors:
            model = Told(pd.DataFrame({"gap_m": np.abs(shots["gap_m"] + np.sqrt(extra) * error)}))
            drawn = [[model.gain(i, j, at[j]) for j in range(2)] for i in range(3)]
            means = [[d.mean(axis=0) for d in row] for row in drawn]
            told.append((means, [[np.cov(d.T) + 1e-10 * np.eye(12) for d in row] for row in drawn]))
        path.append([np.array(part) for part in zip(*told, strict=True)])
    whole = SimexPath(np.array([0.0, 1.0, 2.0]), np.stack([one for one, _ in path]),
                      np.stack([two.mean(axis=0) for _, two in path]))  # fmt: skip
    answers = {"none": (whole.estimates[0, 0], whole.covariances[0])}
    answers |= {"linear": whole.at_no_error(1), "quadratic": whole.at_no_error(2)}
    rng, rows = np.random.default_rng(3), []
    for place, size in enumerate(fits[0].thresholds(0.8).to_dict("records")):
        i, j = place // 2, place % 2
        for name, (mean, spread) in answers.items():
            row = {key: size[key] for key in ("player", "side", "family")}
            row |= {"extrapolation": name, "status": "not known yet"}
            row |= dict.fromkeys(["threshold_m", "threshold_low_m", "threshold_high_m"], np.nan)
            if size["n_attack"] >= 5:
                drawn = rng.multivariate_normal(mean[i, j], spread[i, j], 2000, method="eigh")
                one = threshold_of(crossings(drawn, at[j]), 0.8)
                row |= {"status": one.status, "threshold_m": one.gap_m,
                        "threshold_low_m": one.low_m, "threshold_high_m": one.high_m}  # fmt: skip
            row |= {key: size[key] for key in ("n_attack", "n_reset", "n_rallies", "gap_max_m")}
            rows.append(row)
    wanted = pd.DataFrame(rows)
    # normal draws are the same but for rounding in the covariance's directions
    pd.testing.assert_frame_equal(found, wanted, atol=0.02)
    assert len(set(found["status"])) >= 3
    with pytest.raises(DataError, match=r"lambdas \(1.0,\): a quadratic takes two or more"):
        simex_thresholds(shots, 0.1, None, (1.0,))


def test_five_own_of_each_kind_are_enough(monkeypatch):
    monkeypatch.setattr(thresholds, "_fitted", lambda model, shots: Told(shots))
    shots = pd.DataFrame({"gap_m": [0.1, 0.4, 0.2, 0.8]})
    found = simex_thresholds(shots, 0.1, None, (1.0, 2.0), 2)
    told = found["status"] != "not known yet"
    enough = (found["n_attack"] >= 5) & (found["n_reset"] >= 5)
    assert set(found["player"][~enough]) == {"Elm", "Ash"}
    assert (told <= enough).all()
    assert told[(found["player"] == "Yew") | (found["player"] == "Elm") & enough].all()
    usual = simex_thresholds(shots, 0.1)
    pd.testing.assert_frame_equal(
        usual, simex_thresholds(shots, 0.1, None, (0.5, 1.0, 1.5, 2.0), 20, 0, 0.95)
    )


def test_answers_of_two_logs_side_by_side_by_loops(monkeypatch):
    """Cells that one log alone has, blanks, and players of other matches, who are left out."""
    keys = ["player", "side", "family"]
    answer = ["status", "threshold_m", "threshold_low_m", "threshold_high_m"]
    size = ["n_attack", "n_reset", "n_rallies"]
    cells = {
        1: [("Elm", "forehand", "ground", "crosses", 0.5, 0.3, 0.9, 6, 7, 8),
            ("Yew", "forehand", "ground", "crosses", 0.4, 0.2, 0.5, 5, 5, 5),
            ("Oak", "forehand", "ground", "crosses", 0.4, 0.2, 0.5, 5, 5, 5),
            ("Yew", "backhand", "ground", "not known yet", np.nan, np.nan, np.nan, 1, 2, 3)],
        2: [("Elm", "forehand", "ground", "crosses", 0.2, 0.1, 0.3, 9, 9, 9),
            ("Elm", "backhand", "volley", "attack at any gap", np.nan, np.nan, np.nan, 8, 7, 9),
            ("Yew", "forehand", "ground", "reset at any gap", np.nan, np.nan, np.nan, 5, 6, 5)],
    }  # fmt: skip
    asked = []

    def fitted(model, shots):
        whose = int(shots["whose"].iloc[0])

        def told(level):
            asked.append((model, level, len(shots)))
            return pd.DataFrame(cells[whose], columns=[*keys, *answer, *size]).assign(more=1)

        return SimpleNamespace(thresholds=told)

    monkeypatch.setattr(thresholds, "_fitted", fitted)
    logs = [pd.DataFrame({"match": ["a", "b", "b"], "player": ["Elm", "Yew", "Elm"], "whose": k})
            for k in (1, 2)]  # fmt: skip
    found = threshold_agreement(*logs, model="this", level=0.7)
    assert asked == [("this", 0.7, 3)] * 2
    by = [{row[:3]: row[3:] for row in cells[k] if row[0] != "Oak"} for k in (1, 2)]
    rows = []
    for key in dict.fromkeys([*by[0], *by[1]]):
        nothing = ("not known yet", np.nan, np.nan, np.nan, 0, 0, 0)
        one, two = (each.get(key, nothing) for each in by)
        half = (one[3] - one[2]) / 2
        rows.append([*key, *one, *two, two[1] - one[1], abs(two[1] - one[1]) / half,
                     one[0] == two[0]])  # fmt: skip
    names = [*keys, *(f"{name}_{w}" for w in ("first", "second") for name in (*answer, *size)),
             "difference_m", "share_of_interval", "same_answer"]  # fmt: skip
    wanted = pd.DataFrame(rows, columns=names).sort_values(keys, ignore_index=True)
    assert set(found) == set(wanted)
    found = found.sort_values(keys, ignore_index=True)
    pd.testing.assert_frame_equal(found[names], wanted)
    threshold_agreement(*logs)
    assert asked[-1] == (None, 0.95, 3)
    odd = logs[1].assign(match=["a", "c", "b"])
    with pytest.raises(DataError, match="one of the two only: c"):
        threshold_agreement(logs[0], odd)


def test_a_ladder_with_a_charters_matches(hard, charted_again):
    """Columns that both have, players of both by name, the charter's matches at the end."""
    rest = hard(35, matches=3).assign(more=1)
    own = charted_again(hard(35, matches=4), 3)
    own = own[own["match"].isin(["m1", "m3"])].drop(columns="t_s").reset_index(drop=True)
    joined = _joined(rest, own, {"m1", "m3"})
    others = rest[rest["match"] != "m1"]
    columns = [name for name in others if name in own]
    assert list(joined) == columns
    assert "more" not in columns
    for name in columns:
        wanted = [*others[name].astype(object), *own[name].astype(object)]
        told = joined[name].astype(object)
        assert told.where(told.notna(), None).tolist() == [
            None if pd.isna(each) else each for each in wanted
        ]
    assert joined["match"].cat.categories.tolist() == ["m0", "m2", "m1", "m3"]
    names = list(dict.fromkeys([*others["player"], *own["player"]]))
    for name in ("player", "opponent", "rally_won_by"):
        assert joined[name].cat.categories.tolist() == names
    assert isinstance(joined["side"].dtype, pd.CategoricalDtype)
    # whose words are fewer: they stay words, and text stays text
    other = own.assign(side=own["side"].cat.remove_unused_categories(), note="typed")
    other = other[other["side"] == "forehand"].assign(side=pd.Categorical(["forehand"] * sum(
        other["side"] == "forehand")))  # fmt: skip
    joined = _joined(rest.assign(note="typed"), other, {"m1", "m3"})
    assert isinstance(joined["side"].dtype, pd.CategoricalDtype)
    assert not isinstance(joined["note"].dtype, pd.CategoricalDtype)
