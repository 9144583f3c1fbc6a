"""By how much a player is stronger than the opponents met, shot by shot.

The curves themselves are tested where they are read: tests/models/test_tightness.py and others.
"""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

import sidewall as sw
from sidewall.log.vocabulary import STROKES
from sidewall.models import fitting
from sidewall.models.counted import count_used
from sidewall.models.curves import SLOPE_GAPS_M, CurveColumns
from sidewall.models.fitting import (
    Judge,
    Mode,
    RoughCurve,
    ScorePart,
    Scores,
    leads,
    rough_curves,
)
from sidewall.rallies.strengths import Strengths
from sidewall.rallies.value import BallValue


@pytest.fixture(scope="module")
def model(shots):
    return sw.TightnessModel(draws=50, strokes=False).fit(shots)


def of_shots(model, strength):
    """Own strength less the opponent's, a mean over a player's usable shots one by one."""
    by_name = dict(zip(model.strengths_.strength_.index.astype(str), strength, strict=True))
    used = model.used_
    lead = used["player"].astype(str).map(by_name) - used["opponent"].astype(str).map(by_name)
    return lead.groupby(used["player"].astype(str)).mean().loc[model.players_].to_numpy()


def test_a_lead_is_own_strength_less_that_of_the_opponents_met(model):
    expected = of_shots(model, model.strengths_.strength_)
    assert np.ptp(expected) > 1e-6  # or there is nothing to tell
    np.testing.assert_allclose(model.lead_, expected, atol=1e-12)


def test_a_lead_moves_with_the_strengths_that_are_drawn(model):
    off = np.random.default_rng(1).normal(0.0, 0.2, (3, len(model.strengths_.strength_)))
    _, moved = leads(model.counted_, model.strengths_, 3, off)
    for one, draw in zip(moved, off, strict=True):
        np.testing.assert_allclose(one, of_shots(model, draw), atol=1e-12)


def test_without_draws_the_lead_is_sure(model):
    _, moved = leads(model.counted_, model.strengths_, 4, None)
    np.testing.assert_array_equal(moved, np.zeros((4, len(model.players_))))


def test_the_curve_is_bounded_at_the_same_log_odds_on_both_sides(model, monkeypatch):
    """Kind by kind: a chance of 1 in 404 at the least and 403 in 404 at the most."""
    counted = model.counted_.of_choice("attack")
    columns = model.curves_["attack"].columns
    player = np.searchsorted(model.counted_.playing, counted.player)
    players = len(model.counted_.playing)
    curve = RoughCurve(columns, counted, player, np.zeros(len(player)), players)
    rng = np.random.default_rng(2)
    common = rng.normal(0.0, 1.0, len(curve.common))
    own = rng.normal(0.0, 3.0, curve.own.shape)
    curve.common, curve.own = common, own
    one = curve._eta()
    kind = counted.kind
    plain = [curve.X[k] @ common + curve.Z[k] @ own[i] for k, i in zip(kind, player, strict=True)]
    assert min(plain) < -6.0 < 6.0 < max(plain)
    np.testing.assert_allclose(one, np.clip(plain, -6.0, 6.0), atol=1e-9)
    curve.common, curve.own = -common, -own
    np.testing.assert_allclose(curve._eta(), -one, atol=1e-9)
    monkeypatch.setattr(fitting, "_CHUNK", 7)
    np.testing.assert_allclose(curve._eta(), -one, atol=1e-9)


# -- one more pass over a hard log, a shot at a time ------------------------------------------


@pytest.fixture(scope="module", params=["value", "rally"])
def pass_over(hard_log, request):
    """A hard log, a part of it that is scored, and rough curves of any coefficients."""
    table = hard_log(211, 120)
    keep = "side == 'backhand' or depth != 'front'"
    outcome = request.param
    value = BallValue().fit(table) if outcome == "value" else None
    judge = Judge(value, 1 if value else "rally", keep)
    strengths = Strengths().fit(table)
    situation = {"depth": ("front", "back"), "balance": ("set", "jammed")}
    strokes = ("drive", "boast") if value else ()
    rng, players, modes = np.random.default_rng(3), pd.Index(["Birch", "Cedar", "Elm"]), {}
    for choice in ("attack", "reset"):
        columns = CurveColumns(choice, strokes, situation, rng.standard_normal(len(SLOPE_GAPS_M)))
        groups = columns.groups
        common = rng.normal(0, 0.6, len(groups.common))
        own = rng.normal(0, 0.4, (3, len(groups.own)))
        modes[choice] = Mode(columns, common, own, 0.7)
    families = ("ground", "volley") if value else ("all strokes",)
    scoring = ScorePart(judge, players, strengths, families, situation, modes)
    return table, judge, scoring


def plain_scores(table, judge, scoring, balls):
    """What the pass adds up, shot by shot."""
    rally = judge.horizon == "rally"
    worth = None if rally else 0.5 + judge.value.advantage(table)
    strength = scoring.strengths.strength_
    shots = table.to_dict("records")
    told = [{k: v if v == v else None for k, v in shot.items()} for shot in shots]
    kinds, own_sums, rally_sums, xm, zm = [], {}, {}, {}, {}
    for k, shot in enumerate(told):
        short = (shot["gap_m"] is None and shot["gap_class"]) or (
            shot["gap_m"] and not shot["side"]
        )
        usable = shot["stroke"] != "serve" and shot["won"] is not None and not short
        usable &= None not in (shot["choice"], shot["family"], shot["gap_m"], shot["side"])
        if not (usable and (shot["side"] == "backhand" or shot["depth"] != "front")):
            continue
        goes_on = shot["shots_left"] > 0 and not rally
        y = 1 - worth[k + 1] if goes_on else shot["won"]
        choice, curve = shot["choice"], scoring.curves[shot["choice"]]
        family = shot["family"] if len(scoring.families) == 2 else "all strokes"
        who = list(scoring.players).index(shot["player"])
        side = {"forehand": -0.5, "backhand": 0.5}[shot["side"]]
        volley = {"ground": -0.5, "volley": 0.5}.get(family, 0.0)
        words = curve.columns.words(pd.DataFrame([shot]).fillna(np.nan))
        gap = round(shot["gap_m"] / 0.005) * 0.005
        ball = np.array([gap]), np.array([side]), np.array([volley]), words
        x, z = curve.columns.common(*ball)[0], curve.columns.own(*ball)[0]
        eta = min(max(x @ curve.common + z @ curve.own[who], -6), 6)
        lead = strength[shot["player"]] - strength[shot["opponent"]]
        residual = (y - 1 / (1 + np.exp(-eta - lead))) / curve.dispersion
        key = choice, shot["rally_id"]
        rally_sums[key] = rally_sums.get(key, 0) + residual * x
        own_sums[*key, who] = own_sums.get((*key, who), 0) + residual
        m = 0.0 if rally else (-balls[k + 1] if goes_on else 0 * balls[k]) / curve.dispersion
        if not rally:
            xm[choice] = xm.get(choice, 0) + np.outer(x, m)
            zm[choice, who] = zm.get((choice, who), 0) + np.outer(z, m)
        kinds.append((who, shot["side"], family, shot["rally_id"], shot["match"], shot["game"]))
    return kinds, rally_sums, own_sums, xm, zm


def test_one_more_pass_shot_by_shot(pass_over, monkeypatch):
    table, judge, scoring = pass_over
    balls = None if judge.value is None else judge.value.columns(table)
    found = scoring(table)
    kinds, rally_sums, own_sums, xm, zm = plain_scores(table, judge, scoring, balls)
    for choice in ("attack", "reset"):
        J, ours_xm, ours_zm, own = found.of_choice[choice]
        sums = [s for key, s in rally_sums.items() if key[0] == choice]
        np.testing.assert_allclose(J, sum(np.outer(s, s) for s in sums), rtol=1e-8, atol=1e-9)
        mine = [s for key, s in own_sums.items() if key[0] == choice]
        assert own == pytest.approx(sum(s * s for s in mine), rel=1e-9)
        if balls is None:
            assert (ours_xm.size, ours_zm.size) == (0, 0)
            continue
        np.testing.assert_allclose(ours_xm, xm[choice], rtol=1e-8, atol=1e-9)
        for who in range(3):
            plain = zm.get((choice, who), np.zeros(ours_zm.shape[1:]))
            np.testing.assert_allclose(ours_zm[who], plain, rtol=1e-8, atol=1e-9)
    cells = [(s, f) for s in ("forehand", "backhand") for f in scoring.families]
    for who in range(3):
        in_cell = [len({k[3] for k in kinds if k[0] == who and k[1:3] == cell}) for cell in cells]
        in_family = [
            len({k[3] for k in kinds if k[0] == who and k[2] == f}) for f in scoring.families
        ]
        assert found.rallies[who].tolist() == in_cell + in_family
        matches = {k[4] for k in kinds if k[0] == who}
        games = {k[4:] for k in kinds if k[0] == who}
        assert found.played[:, who].tolist() == [len(matches), len(games)]
    assert found.missed.n_shots == len(kinds)
    assert found.missed.n_rallies == len({k[3] for k in kinds})
    assert (found.carried is None) == (balls is None)
    monkeypatch.setattr(fitting, "_CHUNK", 9)
    names = ["m3", "m10", "m2", "m1"]
    parts = Scores.add_up(scoring(table[(table["match"] == name)]) for name in names)
    for choice in ("attack", "reset"):
        for one, other in zip(parts.of_choice[choice], found.of_choice[choice], strict=True):
            np.testing.assert_allclose(one, other, rtol=1e-8, atol=1e-9)
    np.testing.assert_array_equal(parts.rallies, found.rallies)
    np.testing.assert_array_equal(parts.played, found.played)
    np.testing.assert_allclose(parts.missed.gg, found.missed.gg, rtol=1e-9)


def test_working_responses_row_by_row(pass_over):
    """Weights, right-hand sides and dispersion of counted rows, at any coefficients."""
    table, judge, scoring = pass_over
    used = judge.usable(table)[0]
    if scoring.families == ("all strokes",):
        used = used.assign(family="all strokes")
    counted = count_used(used, scoring.situation, scoring.strengths.strength_.index)
    for choice in ("attack", "reset"):
        rows, mode = counted.of_choice(choice), scoring.curves[choice]
        strength = scoring.strengths.strength_.to_numpy()
        offset = strength[rows.player] - strength[rows.opponent]
        player = np.searchsorted(counted.playing, rows.player)
        curve = RoughCurve(mode.columns, rows, player, offset, 3)
        mean = rows.total.sum() / rows.n.sum()
        assert curve.common[0] == pytest.approx(np.log(mean / (1 - mean)))
        assert not curve.common[1:].any()
        assert not curve.own.any()
        curve.common, curve.own = mode.common, mode.own
        moments = curve.moments()
        kinds = rows.kinds.to_dict("records")
        squares = shots = 0.0
        plain = []
        for k in range(len(rows)):
            kind = kinds[rows.kind[k]]
            side = {"forehand": -0.5, "backhand": 0.5}[kind["side"]]
            volley = {"ground": -0.5, "volley": 0.5}.get(kind["family"], 0.0)
            words = mode.columns.words(rows.kinds.iloc[[rows.kind[k]]])
            ball = np.array([kind["gap_m"]]), np.array([side]), np.array([volley]), words
            x, z = mode.columns.common(*ball)[0], mode.columns.own(*ball)[0]
            eta = min(max(x @ mode.common + z @ mode.own[player[k]], -6), 6)
            p = 1 / (1 + np.exp(-eta - offset[k]))
            n, total, square = rows.n[k], rows.total[k], rows.square[k]
            squares += (square - 2 * p * total + n * p * p) / (p * (1 - p))
            shots += n
            plain.append((player[k], x, z, n * p * (1 - p), total - n * p, eta))
        phi = squares / shots
        assert curve.dispersion == pytest.approx(phi)
        weight = [w / phi for *_, w, _, _ in plain]
        right = [r / phi + w / phi * eta for *_, w, r, eta in plain]
        xx = sum(w * np.outer(one[1], one[1]) for w, one in zip(weight, plain, strict=True))
        np.testing.assert_allclose(moments.xx, xx, rtol=1e-9, atol=1e-9)
        xy = sum(r * one[1] for r, one in zip(right, plain, strict=True))
        np.testing.assert_allclose(moments.xy, xy, rtol=1e-8, atol=1e-8)
        for who in range(3):
            mine = [k for k, one in enumerate(plain) if one[0] == who]
            zy = sum((right[k] * plain[k][2] for k in mine), np.zeros(moments.zy.shape[1]))
            np.testing.assert_allclose(moments.zy[who], zy, rtol=1e-8, atol=1e-8)
            assert moments.level[who] == pytest.approx(sum(weight[k] for k in mine))
        assert vars(curve.mode) == {
            "columns": mode.columns,
            "common": mode.common,
            "own": mode.own,
            "dispersion": curve.dispersion,
        }


@pytest.mark.parametrize("own_squares", [0.5, 3.0, 40.0])
@pytest.mark.parametrize("shifts", [None, 0.0])
def test_draws_are_widened_by_what_rallies_share_and_luck_is_left_out(
    pass_over, monkeypatch, own_squares, shifts
):
    """What is drawn from, by both design effects; by value there is no luck."""
    table, judge, scoring = pass_over
    counted = count_used(
        judge.usable(table)[0], scoring.situation, scoring.strengths.strength_.index
    )
    rows, mode = counted.of_choice("reset"), scoring.curves["reset"]
    player = np.searchsorted(counted.playing, rows.player)
    curve = RoughCurve(mode.columns, rows, player, np.zeros(len(rows)), 3)
    moments = curve.moments()
    xm, zm = np.full((len(moments.xx), 2), 2.0), np.full((*moments.zy.shape, 2), 3.0)
    asked = []

    def noted(*args):
        asked.append(args)
        return "drawn"

    monkeypatch.setattr(fitting, "draw", noted)
    level = moments.level
    for wide in (0.25, 2.5):
        own = own_squares * level.sum()
        sums = SimpleNamespace(of_choice={"reset": (wide * moments.xx, xm, zm, own)})
        given = None if shifts is None else np.full((4, 2), shifts)
        fitted = curve.drawn(sums, 4, None, given)
        moved, _, count, warm, _, passed, luck, _ = asked.pop()
        assert (count, warm, passed is given, fitted.draws) == (4, 66, True, "drawn")
        assert fitted.design_effect == pytest.approx(wide, abs=1e-6)
        assert fitted.own_design_effect == pytest.approx(own_squares, abs=1e-6)
        most = max(wide, 1.0)
        np.testing.assert_allclose(moved.xx, moments.xx / most)
        np.testing.assert_allclose(moved.xm, xm / most)
        np.testing.assert_allclose(moved.zm, zm / most)
        if shifts is None and own_squares > most:
            np.testing.assert_allclose(luck, (own_squares - most) / level)
        else:
            assert luck is None


def rough_curve(pass_over, choice="attack"):
    """A curve of nothing yet, of counted rows of a hard log."""
    table, judge, scoring = pass_over
    names = scoring.strengths.strength_.index
    counted = count_used(judge.usable(table)[0], scoring.situation, names)
    rows, mode = counted.of_choice(choice), scoring.curves[choice]
    player = np.searchsorted(counted.playing, rows.player)
    return RoughCurve(mode.columns, rows, player, np.zeros(len(rows)), 3), mode


class Drawn:
    """What a round draws: means that tell the rounds apart."""

    def __init__(self, k, curve, groups):
        self.spread = np.full((4, len(groups.names)), 1.0 + k)
        self.spread[0] += 4.0  # a mean of 2 + k
        self.mean = np.full(curve.X.shape[1], 0.01 * k), np.full((3, curve.Z.shape[1]), 0.02 * k)


@pytest.mark.parametrize("resumed", [False, True])
def test_rounds_on_the_way_to_a_curve(pass_over, monkeypatch, resumed):
    """Two from nothing, one from a fit; each begins at the spreads and the mode before."""
    curve, mode = rough_curve(pass_over)
    asked = []

    def noted(moments, groups, count, warm, rng, start=None):
        asked.append((count, warm, rng, None if start is None else start[0]))
        return Drawn(len(asked), curve, groups)

    monkeypatch.setattr(fitting, "draw", noted)
    if resumed:
        before = Drawn(7, curve, mode.columns.groups)
        steep = mode.columns.with_slope(mode.common)
        common, own = mode.common, np.arange(2.0)[:, None] + np.zeros(curve.Z.shape[1])
        before.mean = common, own
        fitted = SimpleNamespace(columns=steep, draws=before)
        curve.resume(fitted, np.array([1, -1, 0]))
        assert curve.columns is steep
        assert curve.common is common
        np.testing.assert_array_equal(curve.own[:, 0], [1.0, 0.0, 0.0])
        np.testing.assert_array_equal(curve.own[0], own[1])
        ball = curve.rows.kinds["gap_m"].to_numpy()
        slope = np.interp(ball, SLOPE_GAPS_M, steep.slope)
        np.testing.assert_allclose(curve.Z[:, 6], slope)
    rng = object()
    assert curve.settle(rng) is curve
    if resumed:
        assert asked == [(60, 20, rng, 9.0)]
    else:
        assert asked == [(60, 60, rng, None), (60, 20, rng, 3.0)]
    last = len(asked)
    assert (curve.common == 0.01 * last).all()
    assert (curve.own == 0.02 * last).all()
    assert (curve._start == 2.0 + last).all()
    expected = curve.columns.with_slope(curve.common).slope
    np.testing.assert_allclose(curve.columns.slope, expected)
    ball = curve.rows.kinds["gap_m"].to_numpy()
    np.testing.assert_allclose(curve.Z[:, 6], np.interp(ball, SLOPE_GAPS_M, expected))


def test_a_fit_with_other_words_is_no_start(pass_over):
    curve, mode = rough_curve(pass_over)
    other = CurveColumns("attack", ("lob",), {}, mode.columns.slope)
    curve.resume(SimpleNamespace(columns=other), np.array([0, 1, 2]))
    assert curve.columns is mode.columns
    assert (curve._rounds, curve._start) == (2, None)


@pytest.mark.parametrize("by_stroke", [False, True])
def test_rough_curves_are_of_the_strokes_and_opponents_met(pass_over, monkeypatch, by_stroke):
    table, judge, scoring = pass_over
    strengths = scoring.strengths
    used = judge.usable(table)[0]
    counted = count_used(used, scoring.situation, strengths.strength_.index)
    monkeypatch.setattr(RoughCurve, "settle", lambda self, rng: (self, rng)[0])
    resumed = []
    monkeypatch.setattr(RoughCurve, "resume", lambda self, fit, at: resumed.append((fit, [*at])))
    start = ({"attack": "one", "reset": "two"}, ["Elm", "Yew", "Birch"])
    told = scoring.situation, by_stroke
    for given in (None, start):
        found = rough_curves(counted, strengths, told, np.random.default_rng(0), given)
    assert resumed == [("one", [2, -1, 0]), ("two", [2, -1, 0])]
    assert list(found) == ["attack", "reset"]
    order = [w for w in STROKES if w in set(used["stroke"])]
    for choice, curve in found.items():
        own = used[used["choice"] == choice]
        met = [w for w in order if w in set(own["stroke"])]
        assert curve.columns.strokes == (tuple(met) if by_stroke else ())
        assert curve.columns.choice == choice
        assert curve.columns.situation == scoring.situation
        assert not curve.columns.slope.any()
        assert curve.players == 3
        names = strengths.strength_.index[curve.rows.player]
        assert [["Birch", "Cedar", "Elm"][k] for k in curve.player] == names.tolist()
        others = strengths.strength_.index[curve.rows.opponent]
        lead = strengths.strength_[names].to_numpy() - strengths.strength_[others].to_numpy()
        np.testing.assert_allclose(curve.offset, lead, atol=1e-12)
        assert curve.rows.shots == len(own)
