"""A log in parts gives the numbers of the table in memory."""

import os
from concurrent.futures import BrokenExecutor

import numpy as np
import pandas as pd
import pytest

import sidewall as sw
from sidewall.errors import DataError, LogError
from sidewall.rallies.value import BallValue
from sidewall.scale import from_parquet
from sidewall.scale.folder import _processes

pytestmark = pytest.mark.slow

SAME = {"rtol": 1e-8, "atol": 1e-10}


def check_same(ours, whole):
    assert ours.players_ == whole.players_
    assert ours.notes_ == whole.notes_
    pd.testing.assert_series_equal(ours.left_out_, whole.left_out_)
    assert ours.situation_ == whole.situation_
    for choice, curve in ours.curves_.items():
        other = whole.curves_[choice]
        for name in ("dispersion", "design_effect"):
            assert getattr(curve, name) == pytest.approx(getattr(other, name), rel=1e-8)
        for name in ("common", "spread"):
            np.testing.assert_allclose(
                getattr(curve.draws, name), getattr(other.draws, name), rtol=1e-6, atol=1e-8
            )
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


def test_processes_stay_for_the_next_pass_and_dead_ones_are_replaced(folder):
    shots = from_parquet(folder, scheduler=2)
    counts = list(shots.each(len))
    assert sum(counts) == shots.shots
    pool = _processes(2)
    with pytest.raises(BrokenExecutor):
        pool.submit(os._exit, 1).result()
    with pytest.raises(LogError, match="ended before it was done"):
        list(shots.each(len))
    assert list(shots.each(len)) == counts
    assert _processes(2) is not pool


def test_columns_that_nothing_reads_change_nothing(folder, whole):
    model = sw.TightnessModel(outcome="value", draws=200)
    needed = ["balance", "x_m", "y_m", "opponent_x_m", "opponent_y_m"]
    check_same(model.fit(from_parquet(folder, columns=needed)), whole["value"])


def test_named_situations_without_strokes(shots, folder):
    table, parts = (
        sw.TightnessModel(outcome="rally", situation="balance", strokes=False, draws=200).fit(log)
        for log in (shots, from_parquet(folder))
    )
    check_same(parts, table)
    pd.testing.assert_frame_equal(
        parts.thresholds(by="balance"), table.thresholds(by="balance"), **SAME
    )


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
    np.testing.assert_array_equal(parts.rows_, table.rows_)
    pd.testing.assert_series_equal(parts.win_probability_, table.win_probability_)
    one = from_parquet(folder).read(1)
    pd.testing.assert_frame_equal(
        parts.shot_values(one)[["value"]], table.shot_values(one)[["value"]]
    )


def test_the_value_of_a_ball_found_beforehand_judges_alike(shots, folder, whole):
    value = BallValue().fit(from_parquet(folder))
    model = sw.TightnessModel(outcome="value", value=value, draws=200)
    check_same(model.fit(shots), whole["value"])


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
