"""Counted shots: nothing is lost, and parts make the whole."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sidewall.models.selection import LossSums, folds_of_matches

from sidewall.models.counted import ALL_STROKES, count_used, put_together
from sidewall.models.transforms import counted_quantiles


@pytest.fixture(scope="module")
def used(by_value):
    balance = np.where(np.arange(len(by_value.used_)) % 5, "set", "jammed")
    return by_value.used_.assign(balance=balance)


def test_counts_are_those_of_a_group_by(used):
    counted = count_used(used, ["balance"])
    keys = ["player", "match", "side", "family", "choice", "gap_m", "balance"]
    plain = used.astype({name: str for name in keys if name != "gap_m"}).groupby(keys)["outcome"]
    kinds = counted.kinds.iloc[counted.kind].reset_index(drop=True)
    ours = kinds.assign(
        player=counted.players[counted.player],
        match=counted.matches[counted.match],
        n=counted.n,
        total=counted.total,
    )
    ours = ours.astype({name: str for name in keys if name != "gap_m"}).set_index(keys)
    assert len(ours) == plain.ngroups
    assert (ours["n"] == plain.size().reindex(ours.index)).all()
    np.testing.assert_allclose(ours["total"], plain.sum().reindex(ours.index))
    assert counted.square.sum() == pytest.approx((used["outcome"] ** 2).sum())


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 2**31))
def test_parts_in_any_order_make_the_whole(used, seed):
    rng = np.random.default_rng(seed)
    matches = used["match"].cat.categories
    part = rng.integers(0, 4, len(matches))
    of_match = part[used["match"].cat.codes]
    tables = [used[of_match == k] for k in rng.permutation(np.unique(of_match))]
    together = put_together([count_used(table, ["balance"]) for table in tables])
    whole = count_used(used, ["balance"])
    pd.testing.assert_frame_equal(together.kinds, whole.kinds)
    for name in ("players", "matches", "player", "match", "kind", "n", "total", "square"):
        np.testing.assert_array_equal(getattr(together, name), getattr(whole, name))


def test_families_together_keep_every_shot(used):
    counted = count_used(used)
    one = counted.together()
    assert set(one.kinds["family"]) == {ALL_STROKES}
    assert len(one) < len(counted)
    assert one.shots == counted.shots
    assert one.total.sum() == pytest.approx(counted.total.sum())


def test_folds_are_those_of_scikit_learn(used):
    from sklearn.model_selection import GroupKFold  # noqa: PLC0415

    counted = count_used(used)
    match = used["match"].astype(str).to_numpy()
    ours = folds_of_matches(counted, 4)[counted.matches.get_indexer(pd.Index(match))]
    for k, (_, unseen) in enumerate(GroupKFold(4).split(used, groups=match)):
        np.testing.assert_array_equal(np.flatnonzero(ours == k), unseen)


@settings(deadline=None)
@given(st.lists(st.tuples(st.floats(0, 3), st.integers(1, 5)), min_size=1, max_size=30))
def test_quantiles_of_counted_values_are_numpys(pairs):
    values, counts = (np.array(part, dtype=float) for part in zip(*pairs, strict=True))
    shares = [0.0, 0.1, 0.5, 0.99, 1.0]
    plain = np.quantile(np.repeat(values, counts.astype(int)), shares)
    np.testing.assert_allclose(counted_quantiles(values, counts, shares), plain, atol=1e-12)


def test_losses_of_parts_add_up():
    rng = np.random.default_rng(0)
    losses, rally = rng.random((300, 3)), np.sort(rng.integers(0, 40, 300))
    cut = int(np.searchsorted(rally, 20))
    both = LossSums.of(losses[:cut], rally[:cut]) + LossSums.of(losses[cut:], rally[cut:])
    step = np.array([1.0, -1.0, 0.0])
    difference = losses[:, 0] - losses[:, 1]
    sums = np.bincount(rally, difference - difference.mean())
    k = len(np.unique(rally))
    assert both.mean(step)[0] == pytest.approx(difference.mean())
    assert both.mean(step)[1] == pytest.approx(np.sqrt((sums**2).sum() * k / (k - 1)) / 300)
