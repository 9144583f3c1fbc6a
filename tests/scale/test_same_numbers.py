"""A log in parts gives the numbers of the table in memory."""

import numpy as np
import pandas as pd
import pytest

import sidewall as sw
from sidewall.errors import DataError
from sidewall.scale import from_parquet

SAME = {"rtol": 1e-8, "atol": 1e-10}


def check_same(ours, whole):
    assert ours.players_ == whole.players_
    assert ours.notes_ == whole.notes_
    pd.testing.assert_series_equal(ours.left_out_, whole.left_out_)
    pd.testing.assert_series_equal(ours.dispersion_, whole.dispersion_, **SAME)
    for name in ("coefficients_", "coefficient_covariance_", "design_effect_"):
        np.testing.assert_allclose(getattr(ours, name), getattr(whole, name), **SAME)
    pd.testing.assert_frame_equal(ours.thresholds(), whole.thresholds(), **SAME)
    pd.testing.assert_frame_equal(ours.comfort(), whole.comfort(), **SAME)
    pd.testing.assert_frame_equal(
        ours.curves([0.2, 0.5, 1.0]), whole.curves([0.2, 0.5, 1.0]), **SAME
    )


def test_one_part_after_another(folder, whole, outcome):
    model = sw.TightnessModel(outcome=outcome, draws=200).fit(from_parquet(folder))
    check_same(model, whole[outcome])


def test_two_processes(folder, whole):
    model = sw.TightnessModel(outcome="value", draws=200)
    check_same(model.fit(from_parquet(folder, scheduler=2)), whole["value"])


def test_fewer_columns_change_nothing(folder, whole):
    model = sw.TightnessModel(outcome="value", draws=200)
    check_same(model.fit(from_parquet(folder, columns=[])), whole["value"])


def test_the_chosen_transform_and_its_scores(shots, folder):
    table, parts = (
        sw.TightnessModel(outcome="rally", draws=200).fit(log)
        for log in (shots, from_parquet(folder))
    )
    pd.testing.assert_frame_equal(parts.transform_scores_, table.transform_scores_, **SAME)
    assert parts.transform_.kind == table.transform_.kind
    check_same(parts, table)


def test_a_situation_and_no_match_effects(shots, folder):
    options = {"transform": "linear", "situation": ("balance",), "match_effects": False}
    table, parts = (
        sw.TightnessModel(outcome="rally", **options, draws=200).fit(log)
        for log in (shots, from_parquet(folder))
    )
    check_same(parts, table)
    stretched = [model.thresholds(situation={"balance": "stretched"}) for model in (parts, table)]
    pd.testing.assert_frame_equal(*stretched, **SAME)


def test_without_contact(shots, tmp_path):
    from sidewall.scale import write_partitions  # noqa: PLC0415

    plain = shots.drop(columns="contact")
    write_partitions(plain, tmp_path / "plain", shots_per_part=3_000)
    table, parts = (
        sw.TightnessModel(outcome="rally", draws=200).fit(log)
        for log in (plain, from_parquet(tmp_path / "plain"))
    )
    check_same(parts, table)
    assert "contact not charted" in parts.notes_[0]


def test_the_chain(shots, folder):
    table, parts = (sw.RallyChain().fit(log) for log in (shots, from_parquet(folder)))
    np.testing.assert_array_equal(parts.counts_, table.counts_)
    np.testing.assert_array_equal(parts.pairs_, table.pairs_)
    np.testing.assert_array_equal(parts.rows_, table.rows_)
    pd.testing.assert_series_equal(parts.win_probability_, table.win_probability_)
    ours, theirs = parts.coarseness_test(), table.coarseness_test()
    np.testing.assert_allclose(
        [ours.slope, ours.low, ours.p, ours.within, ours.n, ours.rallies],
        [theirs.slope, theirs.low, theirs.p, theirs.within, theirs.n, theirs.rallies],
        rtol=1e-8,
    )
    one = from_parquet(folder).read(1)
    pd.testing.assert_frame_equal(
        parts.shot_values(one)[["value"]], table.shot_values(one)[["value"]]
    )


def test_a_chain_of_another_log_judges_this_one(shots, folder, whole):
    chain = sw.RallyChain().fit(shots)
    model = sw.TightnessModel(outcome="value", draws=200)
    check_same(model.fit(from_parquet(folder)), whole["value"])


def test_what_needs_the_shots_says_so(folder):
    parts = from_parquet(folder)
    model = sw.TightnessModel(outcome="rally", draws=200).fit(parts)
    with pytest.raises(DataError, match="held-out check needs the shots themselves"):
        model.diagnostics()
    chain = sw.RallyChain().fit(parts)
    with pytest.raises(DataError, match="needs the shots themselves"):
        chain.value_by()


def test_states_that_differ_between_parts_are_refused(folder):
    rule = lambda table: table["match"].astype(str).astype("category")  # noqa: E731
    with pytest.raises(DataError, match="same categories everywhere"):
        sw.RallyChain(rule).fit(from_parquet(folder))
