"""Counted shots: nothing is lost, and parts make the whole."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sidewall.models.counted import ALL_STROKES, count_used, put_together
from sidewall.models.curves import counted_quantiles

SITUATION = {"balance": ("set", "jammed")}


@pytest.fixture(scope="module")
def used(by_value):
    kinds = np.array(["set", "set", "set", "jammed", None], dtype=object)
    return by_value.used_.assign(balance=kinds[np.arange(len(by_value.used_)) % 5])


@pytest.fixture(scope="module")
def names(by_value):
    return by_value.strengths_.strength_.index


def test_counts_are_those_of_a_group_by(used, names):
    counted = count_used(used, SITUATION, names)
    keys = ["player", "opponent", "side", "family", "choice", "stroke", "balance", "gap_m"]
    plain = used.assign(gap_m=(used["gap_m"] / 0.005).round() * 0.005)
    kinds = counted.kinds.iloc[counted.kind].reset_index(drop=True)
    ours = kinds.assign(
        player=names[counted.player],
        opponent=names[counted.opponent],
        n=counted.n,
        total=counted.total,
        square=counted.square,
    )

    def as_text(table):
        table = table.round({"gap_m": 6})
        words = table[keys[:-1]].astype(object)
        return table.assign(**words.where(words.notna(), "blank").astype(str))

    plain, ours = as_text(plain), as_text(ours)
    plain, ours = plain.groupby(keys)["outcome"], ours.set_index(keys)
    assert len(ours) == plain.ngroups
    assert (ours["n"] == plain.size().reindex(ours.index)).all()
    np.testing.assert_allclose(ours["total"], plain.sum().reindex(ours.index))
    squares = plain.apply(lambda y: (y**2).sum()).reindex(ours.index)
    np.testing.assert_allclose(ours["square"], squares)


@settings(max_examples=6, deadline=None)
@given(st.integers(0, 2**31))
def test_parts_in_any_order_make_the_whole(used, names, seed):
    rng = np.random.default_rng(seed)
    matches = used["match"].cat.categories
    part = rng.integers(0, 4, len(matches))
    of_match = part[used["match"].cat.codes]
    tables = [used[of_match == k] for k in rng.permutation(np.unique(of_match))]
    together = put_together([count_used(table, SITUATION, names) for table in tables])
    whole = count_used(used, SITUATION, names)
    pd.testing.assert_frame_equal(together.kinds, whole.kinds)
    for name in ("players", "player", "opponent", "kind", "n", "total", "square"):
        ours, theirs = getattr(together, name), getattr(whole, name)
        if ours.dtype.kind == "f":
            np.testing.assert_allclose(ours, theirs, rtol=1e-12)
        else:
            np.testing.assert_array_equal(ours, theirs)


def test_families_together_keep_every_shot(used, names):
    counted = count_used(used, {}, names)
    one = counted.together()
    assert set(one.kinds["family"]) == {ALL_STROKES}
    assert len(one) < len(counted)
    assert one.shots == counted.shots
    assert one.total.sum() == pytest.approx(counted.total.sum())


@settings(deadline=None)
@given(st.lists(st.tuples(st.floats(0, 3), st.integers(1, 5)), min_size=1, max_size=30))
def test_quantiles_of_counted_values_are_numpys(pairs):
    values, counts = (np.array(part, dtype=float) for part in zip(*pairs, strict=True))
    shares = [0.0, 0.1, 0.5, 0.99, 1.0]
    plain = np.quantile(np.repeat(values, counts.astype(int)), shares)
    np.testing.assert_allclose(counted_quantiles(values, counts, shares), plain, atol=1e-12)
