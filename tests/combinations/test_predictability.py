from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import sidewall as sw
from sidewall.combinations import Predictability, predictability
from sidewall.combinations.predictability import _bits, corrected_log
from sidewall.errors import DataError
from sidewall.rallies.intervals import rally_weights


def entropy_bits(counts):
    """Entropy of one place, by the code that serves all of them."""
    n = np.asarray(counts, dtype=np.float64)
    return _bits(n[None], np.zeros(len(n), dtype=int), np.zeros(1, dtype=int))[0][0, 0]


def test_corrected_log_as_in_the_paper():
    """Grassberger 2003: G_1 = -gamma - ln 2, G_2 = 2 - gamma - ln 2, and on by twos."""
    euler = np.euler_gamma
    n = np.arange(1, 40)
    G = corrected_log(n)
    assert G[0] == pytest.approx(-euler - np.log(2))
    assert G[1] == pytest.approx(2 - euler - np.log(2))
    assert G[2::2] == pytest.approx(G[1:-1:2])  # G_(2n+1) = G_(2n)
    even = np.arange(1, 19)
    assert G[2 * even + 1] == pytest.approx(G[2 * even - 1] + 2 / (2 * even + 1))
    assert corrected_log(0) == 0
    assert corrected_log(10_000) == pytest.approx(np.log(10_000), abs=1e-3)


def test_entropy_of_many_is_the_plain_one():
    p = np.array([0.5, 0.25, 0.125, 0.125])
    assert entropy_bits(p * 80_000) == pytest.approx(1.75, abs=1e-3)
    assert entropy_bits([7]) == 0.0
    assert np.isnan(entropy_bits([0, 0]))


def test_entropy_of_few_has_little_bias():
    rng = np.random.default_rng(0)
    p = np.array([0.3, 0.25, 0.15, 0.1, 0.08, 0.06, 0.04, 0.02])
    truth = -np.sum(p * np.log2(p))
    counts = rng.multinomial(12, p, 3000)
    share = counts / 12
    plain = -np.sum(np.where(share > 0, share * np.log2(np.where(share > 0, share, 1)), 0), axis=1)
    assert np.mean([entropy_bits(row) for row in counts]) == pytest.approx(truth, abs=0.06)
    assert plain.mean() < truth - 0.35


def test_players_and_situations_by_groups(ladder):
    found = Predictability(seed=1, draws=40).fit(ladder)
    table = sw.shot_features(ladder)
    table = table[table["stroke"] != "serve"]
    keys = ["player", "side", "family", "incoming_stroke"]
    known = table.dropna(subset=keys[1:])
    reply = known["stroke"].astype(object) + known["direction"].astype(object).fillna(" unknown")
    counts = known.assign(reply=reply).groupby([*keys, "reply"], observed=True).size()
    for row in found.situations_.itertuples():
        own = counts.loc[(row.player, row.side, row.family, row.incoming_stroke)]
        assert row.replies == own.sum() >= 10
        assert row.bits == pytest.approx(entropy_bits(own))
        assert row.usual_share == pytest.approx(own.max() / own.sum())
        assert row.choices == pytest.approx(2**row.bits)
    for row in found.players_.itertuples():
        own = found.situations_[found.situations_["player"] == row.player]
        assert row.bits == pytest.approx(np.average(own["bits"], weights=own["replies"]))
        assert row.situations == len(own)
        assert row.replies + row.left_out == (table["player"] == row.player).sum()
        assert 0 <= row.bits_low < row.bits < row.bits_high
    assert found.situations_["bits"].is_monotonic_increasing
    again = Predictability(seed=1, draws=40).fit(ladder)
    pd.testing.assert_frame_equal(found.players_, again.players_)


def test_usual_reply_in_words(by_hand):
    rally = ("Hazel", "serve", "drive straight", "drive cross", "drop straight")
    found = Predictability(least=5).fit(by_hand(*[rally] * 12))
    row = found.situations_[found.situations_["incoming_stroke"] == "serve"].iloc[0]
    assert (row["usual_reply"], row["usual_share"]) == ("straight drive", 1.0)
    assert row["bits"] == 0.0


def test_coverage_of_a_known_entropy(study):
    """A short version of the study; 40 intervals, 95 in 100 of them expected to cover."""
    covered = []
    for seed in range(10):
        table = study.first_order_rallies(np.random.default_rng([seed, 5]), rounds=3)
        found = Predictability(situation=("incoming_stroke",), draws=60, seed=seed).fit(table)
        truth = study.true_bits(table)
        low, high = (found.players_[f"bits_{end}"] for end in ("low", "high"))
        covered += list((low <= truth) & (truth <= high))
    assert np.mean(covered) > 0.84


def test_refusals(by_hand, ladder):
    with pytest.raises(DataError, match="10 times by one player"):
        Predictability().fit(by_hand(("Hazel", "serve", "drive straight")))
    with pytest.raises(DataError, match="no column 'mood'"):
        Predictability(situation=("mood",)).fit(ladder)


@pytest.mark.parametrize("draws", [3, 4, 10])
def test_so_many_draws_are_made_as_are_asked_for(ladder, monkeypatch, draws):
    made = []

    def counted(match, n, rng):
        made.append(n)
        return rally_weights(match, n, rng)

    monkeypatch.setattr(predictability, "_CHUNK", 4)
    monkeypatch.setattr(predictability, "rally_weights", counted)
    Predictability(draws=draws, seed=1).fit(ladder)
    assert sum(made) == draws
    assert max(made) <= 4
