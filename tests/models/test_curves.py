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


def test_there_is_a_group_and_a_scale_for_every_column(columns):
    gap = np.array([0.1, 0.4, 2.0])
    nothing = np.zeros((3, len(columns.word_names)))
    groups = columns.groups
    assert columns.common(gap, gap, gap, nothing).shape == (3, len(groups.common))
    assert columns.own(gap, gap, gap, nothing).shape == (3, len(groups.own))
    used = {*groups.common, *groups.own} - {-1}
    assert used == set(range(len(groups.names)))
    assert len(groups.scale) == len(groups.names)
    assert (groups.scale > 0).all()


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
