"""Columns of the curves: what the documentation says of them, checked by numbers."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sidewall.errors import DataError
from sidewall.models.curves import (
    _TENTS_M,
    SLOPE_GAPS_M,
    CurveColumns,
    GapTransform,
    _bends,
    _tents,
    side_and_volley,
)
from sidewall.rallies.value import gap_scale, spline_bends

SITUATION = {"depth": ("front", "back"), "balance": ("set", "jammed")}
STROKES = ("drop", "kill")
SLOPE = np.cos(SLOPE_GAPS_M)


@pytest.fixture(params=["attack", "reset"])
def columns(request):
    return CurveColumns(request.param, STROKES, SITUATION, SLOPE)


def shot_table():
    return pd.DataFrame(
        {
            "side": ["forehand", "backhand", "backhand", "forehand"],
            "family": ["ground", "volley", "ground", None],
            "stroke": ["drop", "kill", None, "drop"],
            "depth": ["back", "front", "front", None],
            "balance": ["set", None, "jammed", "set"],
        }
    )


def test_words_are_indicators_by_name(columns):
    words = columns.words(shot_table())
    table = pd.DataFrame(words, columns=columns.word_names)
    np.testing.assert_array_equal(table["drop"], [1, 0, 0, 1])
    np.testing.assert_array_equal(table["drop by side"], [-0.5, 0, 0, -0.5])
    np.testing.assert_array_equal(table["kill by side"], [0, 0.5, 0, 0])
    np.testing.assert_array_equal(table["drop back"], [1, 0, 0, 0])
    np.testing.assert_array_equal(table["kill front"], [0, 1, 0, 0])
    np.testing.assert_array_equal(table["kill front by side"], [0, 0.5, 0, 0])
    np.testing.assert_array_equal(table["depth front"], [0, 1, 1, 0])
    np.testing.assert_array_equal(table["balance jammed"], [0, 0, 1, 0])
    assert table.shape[1] == len(set(columns.word_names))
    assert len(table.columns) == 2 + 2 + 4 + 4 + 2 + 2


def test_a_word_of_a_column_that_is_not_there_is_blank(columns):
    words = columns.words(shot_table().drop(columns=["depth", "stroke"]))
    told = pd.DataFrame(words, columns=columns.word_names)
    assert (told.drop(columns=["balance set", "balance jammed"]) == 0).all(axis=None)


def test_side_and_volley_are_halves_and_nothing_where_not_told():
    side, volley = side_and_volley(shot_table())
    np.testing.assert_array_equal(side, [-0.5, 0.5, 0.5, -0.5])
    np.testing.assert_array_equal(volley, [-0.5, 0.5, -0.5, 0.0])
    blank, _ = side_and_volley(shot_table().assign(side=None))
    np.testing.assert_array_equal(blank, 0.0)


@given(st.integers(0, 2**31), st.floats(0.0, 3.2))
def test_the_columns_of_a_mix_are_the_mean_of_the_columns(seed, gap):
    rng = np.random.default_rng(seed)
    for choice in ("attack", "reset"):
        columns = CurveColumns(choice, STROKES, SITUATION, SLOPE)
        words = rng.integers(0, 2, (5, len(columns.word_names))).astype(float)
        weight = rng.dirichlet(np.ones(5))
        same = np.full(5, gap), np.full(5, 0.5), np.full(5, -0.5)
        one = np.full(1, gap), np.full(1, 0.5), np.full(1, -0.5), (weight @ words)[None]
        for make in (columns.common, columns.own):
            np.testing.assert_allclose(weight @ make(*same, words), make(*one)[0], atol=1e-9)


def test_the_bends_are_of_size_one_and_say_nothing_of_level_and_slope():
    """Over gaps log-normal about 40 cm, by another rule of integration than the columns' own."""
    spread = np.linspace(-2.0, 2.0, 20_001)
    weight = np.exp(-0.5 * spread**2)
    weight /= weight.sum()
    gap = 0.4 * np.exp(0.8 * spread)
    rows = np.column_stack([np.ones(len(gap)), gap_scale(gap), _bends(gap)])
    gram = (rows.T * weight) @ rows
    np.testing.assert_allclose(gram[2:, 2:], np.eye(4), atol=0.02)
    np.testing.assert_allclose(gram[:2, 2:], 0.0, atol=0.02)


def test_the_bends_span_what_the_spline_bends_to():
    gap = np.linspace(0.0, 3.0, 300)
    plain = np.column_stack([np.ones(300), gap_scale(gap), spline_bends(gap)])
    ours = np.column_stack([np.ones(300), gap_scale(gap), _bends(gap)])
    mix = np.linalg.lstsq(ours, plain, rcond=None)[0]
    np.testing.assert_allclose(ours @ mix, plain, atol=1e-9)


@given(st.lists(st.floats(0.0, 3.2), min_size=1, max_size=20))
def test_tents_sum_to_one_and_stand_at_their_tops(gaps):
    tents = _tents(np.array(gaps))
    np.testing.assert_allclose(tents.sum(axis=1), 1.0)
    assert (tents >= 0).all()
    assert ((tents > 0).sum(axis=1) <= 2).all()
    np.testing.assert_allclose(_tents(_TENTS_M), np.eye(len(_TENTS_M)), atol=1e-12)


def test_with_slope_holds_the_derivative_of_the_common_curve(columns):
    rng = np.random.default_rng(0)
    beta = rng.normal(size=len(columns.groups.common))
    nothing = np.zeros((1, len(columns.word_names)))

    def curve(gap):
        zero = np.zeros(1)
        return float((columns.common(np.array([gap]), zero, zero, nothing) @ beta)[0])

    slope = columns.with_slope(beta).slope
    step = 1e-5
    for k in range(3, len(SLOPE_GAPS_M), 17):
        gap = SLOPE_GAPS_M[k]
        exact = (curve(gap + step) - curve(gap - step)) / (2 * step)
        assert slope[k] == pytest.approx(exact, abs=0.02 * np.abs(slope).max())


def test_a_sideways_shift_moves_the_common_curve_sideways():
    """A player whose shift is d has, to first order, the common curve at gap + d."""
    columns = CurveColumns("attack", (), {}, SLOPE)
    rng = np.random.default_rng(1)
    beta = 0.05 * rng.normal(size=len(columns.groups.common))
    beta[1] = 0.8  # rises, and bends a little
    columns = columns.with_slope(beta)
    gap = np.linspace(0.3, 1.2, 30)
    zero, nothing = np.zeros(30), np.zeros((30, 0))
    own = np.zeros(len(columns.groups.own))
    shift = columns.groups.names.index("own shift")
    own[columns.groups.own == shift] = 0.01
    moved = columns.common(gap, zero, zero, nothing) @ beta
    moved = moved + columns.own(gap, zero, zero, nothing) @ own
    expected = columns.common(gap + 0.01, zero, zero, nothing) @ beta
    still = columns.common(gap, zero, zero, nothing) @ beta
    assert np.abs(moved - expected).max() < 0.1 * np.abs(expected - still).max()


GAPS = np.linspace(0.0, 2.0, 101)


@pytest.mark.parametrize("kind", ["linear", "log1p", "spline"])
def test_columns_are_centred_and_the_first_rises(kind):
    basis = GapTransform.fit(kind, GAPS).basis(GAPS)
    np.testing.assert_allclose(basis.mean(axis=0), 0.0, atol=1e-12)
    assert (np.diff(basis[:, 0]) > 0).all()


def test_spline_is_smooth_and_straight_beyond_its_knots():
    transform = GapTransform.fit("spline", GAPS)
    gap = np.linspace(0, 3, 3001)
    second = np.diff(transform.basis(gap)[:, 1], 2)
    outside = (gap[1:-1] < transform.knots_m[0] - 0.01) | (gap[1:-1] > transform.knots_m[2] + 0.01)
    np.testing.assert_allclose(second[outside], 0.0, atol=1e-10)
    assert np.abs(np.diff(second)).max() < 1e-8  # no kink


def test_a_spline_needs_gaps_that_vary():
    with pytest.raises(DataError, match="spline"):
        GapTransform.fit("spline", np.full(50, 0.3))


def test_unknown_kind():
    with pytest.raises(DataError, match="cube"):
        GapTransform.fit("cube", GAPS)  # type: ignore[arg-type]


@pytest.mark.parametrize("choice", ["attack", "reset"])
@pytest.mark.parametrize("strokes", [(), ("drop", "kill", "lob")])
@pytest.mark.parametrize("situation", [{}, {"balance": ("jammed", "set")}, SITUATION])
def test_every_column_of_hard_balls_by_name(hard_log, choice, strokes, situation):
    """Words, common and own columns of each ball, and the group and prior scale of each column.

    Scales in log odds: 0.04 is a hundredth of an even rally, levels four of them.
    """
    table = hard_log(261)[["side", "family", "stroke", "depth", "balance", "gap_m"]]
    table = table[table["gap_m"].notna()].reset_index(drop=True)
    columns = CurveColumns(choice, strokes, situation, SLOPE)
    depths = situation.get("depth", ())
    rows, common, own = [], [], []
    bends, tents = _bends(table["gap_m"].to_numpy()), _tents(table["gap_m"].to_numpy())
    side_, volley_ = side_and_volley(table)
    for k, shot in enumerate(table.to_dict("records")):
        side = {"forehand": -0.5, "backhand": 0.5}.get(shot["side"], 0.0)
        volley = {"ground": -0.5, "volley": 0.5}.get(shot["family"], 0.0)
        assert (side_[k], volley_[k]) == (side, volley)
        words, kinds = {}, {}
        for s in strokes:
            words[s], kinds[s] = float(shot["stroke"] == s), "stroke"
        for s in strokes:
            words[f"{s} by side"], kinds[f"{s} by side"] = words[s] * side, "stroke by side"
        pairs = [(f"{s} {d}", words[s] * (shot["depth"] == d)) for s in strokes for d in depths]
        words |= dict(pairs)
        kinds |= dict.fromkeys(dict(pairs), "stroke by depth")
        words |= {f"{name} by side": there * side for name, there in pairs}
        kinds |= {f"{name} by side": "stroke by depth and side" for name, _ in pairs}
        for c, levels in situation.items():
            words |= {f"{c} {w}": float(shot[c] == w) for w in levels}
            kinds |= {f"{c} {w}": c for w in levels}
        rows.append(words)
        h, gap = np.log1p(shot["gap_m"] / 0.25) - np.log1p(0.4 / 0.25), shot["gap_m"]
        steep = [n for n, kind in kinds.items() if kind == "stroke" or "stroke" not in kind]
        of_all = [1, h, side, side * h, volley, volley * h, side * volley]
        of_all += [*bends[k], *(bends[k] * side), *words.values()]
        common.append(of_all + [words[name] * h for name in steep])
        mine = [1, h, side, side * h, volley, volley * h]
        if choice == "attack":
            slope = np.interp(gap, SLOPE_GAPS_M, SLOPE)
            mine += [slope, slope * side, slope * h, slope * h * side, *tents[k]]
        own.append(mine + [*words.values()] + [words[s] * h for s in strokes])
    assert columns.word_names == list(words)
    found = columns.words(table)
    np.testing.assert_array_equal(found, pd.DataFrame(rows).to_numpy(float).reshape(len(rows), -1))
    ball = table["gap_m"].to_numpy(), side_, volley_, found
    np.testing.assert_allclose(columns.common(*ball), common, atol=1e-12)
    np.testing.assert_allclose(columns.own(*ball), own, atol=1e-12)
    expected = [None, None, None, ("side, gap", 0.16), None, ("volley, gap", 0.16)]
    expected += [("side, volley", 0.16)] + [("bends", 0.32 if choice == "attack" else 0.16)] * 4
    expected += [("bends by side", 0.08)] * 4
    expected += [(f"common {kind}", 0.2) for kind in kinds.values()]
    expected += [(f"common {kinds[name]}, gap", 0.1) for name in steep]
    of_own = [("own level", 0.16), ("own gap", 0.04), ("own side", 0.04), ("own side, gap", 0.04)]
    of_own += [("own volley", 0.04), ("own volley, gap", 0.04)]
    if choice == "attack":  # shifts are in metres
        of_own += [("own shift", 0.025), ("own shift by side", 0.02), ("own shift, gap", 0.015)]
        of_own += [("own shift by side, gap", 0.015), *[("own tents", 0.04)] * 10]
    of_own += [(f"own {kind}", 0.04) for kind in kinds.values()]
    of_own += [("own stroke, gap", 0.04)] * len(strokes)
    groups = columns.groups

    def told(codes):
        return [None if g < 0 else (groups.names[g], groups.scale[g]) for g in codes]

    assert told(groups.common) == expected
    assert told(groups.own) == of_own
    names = list(dict.fromkeys(one[0] for one in [*expected, *of_own] if one))
    assert [n for n in groups.names if strokes or n != "own stroke, gap"] == names
    rng = np.random.default_rng(1)
    for mine, size in ((False, len(expected)), (True, len(of_own))):
        coefficients = rng.standard_normal((2, size))
        parts = columns.split(coefficients, mine)
        assert [part.shape[1] for part in parts[1:]] == [
            len(words),
            len(strokes) if mine else len(steep),
        ]
        np.testing.assert_array_equal(np.concatenate(parts, axis=1), coefficients)


@pytest.mark.parametrize("kind", ["linear", "log1p", "spline", "none"])
@pytest.mark.parametrize("counted", [False, True])
def test_a_transform_by_its_formulas(kind, counted):
    """Gaps in any order, some met more often; knots are quantiles of the shots."""
    rng = np.random.default_rng(4)
    gaps, counts = rng.gamma(2, 0.3, 30), rng.integers(1, 6, 30)
    every = np.repeat(gaps, counts) if counted else gaps
    found = GapTransform.fit(kind, gaps, counts if counted else None)
    a, b, c = np.quantile(every, [0.1, 0.5, 0.9])

    def plain(gap):
        if kind == "none":
            return []
        if kind == "linear":
            return [gap]
        if kind == "log1p":
            return [np.log(1 + gap / 0.25)]
        cube = [max(gap - knot, 0) ** 3 for knot in (a, b, c)]
        bend = cube[0] - cube[1] * (c - a) / (c - b) + cube[2] * (b - a) / (c - b)
        return [gap, bend / (c - a) ** 2]

    center = np.mean([plain(gap) for gap in every], axis=0) if kind != "none" else np.empty(0)
    np.testing.assert_allclose(found.center, center, rtol=1e-9)
    np.testing.assert_allclose(found.knots_m, [a, b, c] if kind == "spline" else [], rtol=1e-12)
    asked = np.array([0.0, 0.3, 1.0, 3.2])
    expected = np.array([plain(gap) for gap in asked]).reshape(4, -1) - center
    np.testing.assert_allclose(found.basis(asked), expected, atol=1e-12)


def test_the_slope_is_kept_every_two_centimetres_and_tents_stand_between_tight_and_loose():
    np.testing.assert_allclose(SLOPE_GAPS_M, [0.02 * k for k in range(163)], atol=1e-12)
    assert len(_TENTS_M) == 10
    np.testing.assert_allclose(np.diff(_TENTS_M), (0.86 - 0.08) / 9)
    assert (_TENTS_M[0], _TENTS_M[-1]) == (0.08, 0.86)
