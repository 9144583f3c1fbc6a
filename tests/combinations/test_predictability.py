from __future__ import annotations

from collections import Counter

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

import sidewall as sw
from sidewall.combinations import Predictability, predictability
from sidewall.combinations.predictability import _bits, corrected_log
from sidewall.errors import DataError
from sidewall.features.rates import clustered_rate
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


def grassberger(n):
    """G(n) by its recurrence: G(1), G(2), then by twos; odd ones equal the even one below."""
    if n < 2:
        return -np.euler_gamma - np.log(2)
    return 2 - np.euler_gamma - np.log(2) + sum(2 / (2 * k + 1) for k in range(1, n // 2))


def slow_bits(counts):
    """Entropy of a place in bits; 0 where one reply alone was given, missing where none was."""
    counts = [int(c) for c in counts if c]
    if len(counts) < 2:
        return 0.0 if counts else np.nan
    n = sum(counts)
    return max((np.log(n) - sum(c * grassberger(c) for c in counts) / n) / np.log(2), 0.0)


def slow_average(places):
    """Mean of the entropies by the number of replies; `places` are counts by place."""
    told = [(sum(counts), slow_bits(counts)) for counts in places if sum(counts)]
    return np.average([bits for _, bits in told], weights=[n for n, _ in told]) if told else np.nan


@pytest.mark.parametrize(
    ("options", "charted"),
    [({}, True), ({"situation": "side", "reply": ("choice", "stroke"), "level": 0.8}, True),
     ({"situation": ["incoming_stroke"]}, False)],
)  # fmt: skip
def test_both_tables_by_loops(hard, options, charted):
    """Every column, with blank replies and situations, a player without any, drawn rallies."""
    shots = hard(91, matches=6, rallies=40)
    if not charted:
        shots = shots.assign(direction=shots["direction"].where(np.zeros(len(shots), bool)))
    found = Predictability(least=8, draws=15, seed=2, **options).fit(shots)
    situation = options.get("situation", ("side", "family", "incoming_stroke"))
    situation = [situation] if isinstance(situation, str) else list(situation)
    reply = list(options.get("reply", ("stroke", "direction") if charted else ("stroke",)))
    z = norm.ppf(0.5 + options.get("level", 0.95) / 2)
    table = sw.shot_features(shots)
    table = table[table["stroke"].ne("serve").fillna(True)]
    places, struck = {}, table["player"].value_counts()
    for shot in table.to_dict("records"):
        place = (shot["player"], *(shot[name] for name in situation))
        if not any(pd.isna(each) for each in (*place, shot["stroke"])):
            said = [shot[name] for name in reply[::-1] if not pd.isna(shot[name])]
            said = " ".join(said).replace("_", " ")
            places.setdefault(place, []).append((said, shot["rally_id"], shot["match"]))
    places = {place: balls for place, balls in places.items() if len(balls) >= 8}
    place_in = [
        {word: at for at, word in enumerate(table[name].cat.categories)}
        for name in ("player", *situation)
    ]
    order = sorted(places, key=lambda p: [at[w] for at, w in zip(place_in, p, strict=True)])
    # the same rallies are drawn: those in use, matches numbered as they come
    match_of = {rally: match for balls in places.values() for _, rally, match in balls}
    rallies, matches = sorted(match_of), list(dict.fromkeys(match_of[r] for r in sorted(match_of)))
    codes = np.array([matches.index(match_of[rally]) for rally in rallies])
    weights = rally_weights(codes, 15, np.random.default_rng(2))
    weights = [dict(zip(rallies, row, strict=True)) for row in weights]

    def counts_of(place, weight=None):
        counts = Counter()
        for said, rally, _ in places[place]:
            counts[said] += 1 if weight is None else weight[rally]
        return list(counts.values())

    def ends(bits, again):
        error = z * np.std([x for x in again if not np.isnan(x)], ddof=1)
        return [bits, max(bits - error, 0.0), bits + error, 2**bits]

    rows, left_out = [], []
    for place in order:
        balls = places[place]
        bits, replies = slow_bits(counts_of(place)), Counter(said for said, *_ in balls)
        usual = found.situations_[
            (found.situations_[["player", *situation]] == list(place)).all(axis=1)
        ]["usual_reply"].iloc[0]
        assert replies[usual] == max(replies.values())
        rally = np.array([r for _, r, _ in balls])
        rate = clustered_rate(np.array([said == usual for said, *_ in balls], float), rally,
                              np.zeros(len(balls), int), 1, options.get("level", 0.95))  # fmt: skip
        rows.append([*place, *ends(bits, [slow_bits(counts_of(place, w)) for w in weights]),
                     len(balls), len(set(rally)), usual, rate.rate[0], rate.low[0],
                     rate.high[0]])  # fmt: skip
    wanted = pd.DataFrame(rows, columns=list(found.situations_))
    wanted = wanted.sort_values("bits", kind="stable", ignore_index=True)
    pd.testing.assert_frame_equal(found.situations_.astype(wanted.dtypes), wanted, rtol=1e-9)
    for who in dict.fromkeys(place[0] for place in order):
        own = [place for place in order if place[0] == who]
        balls = [ball for place in own for ball in places[place]]
        bits = slow_average([counts_of(place) for place in own])
        again = [slow_average([counts_of(place, w) for place in own]) for w in weights]
        left_out.append([who, *ends(bits, again), len(balls), len({r for _, r, _ in balls}),
                         len(own), struck[who] - len(balls)])  # fmt: skip
    wanted = pd.DataFrame(left_out, columns=list(found.players_))
    wanted = wanted.sort_values("bits", kind="stable", ignore_index=True)
    pd.testing.assert_frame_equal(found.players_.astype(wanted.dtypes), wanted, rtol=1e-9)
    assert len(found.players_) == 3
    assert (found.players_["left_out"] > 0).all()


def test_many_draws_are_one_after_the_other(hard, monkeypatch):
    """Twenty at a time give what all at once give, to the last player."""
    shots, seen = hard(92, matches=4, rallies=20), []

    def drawn(match, n, rng):
        seen.append(rng.integers(0, 3, (n, len(match))).astype(float))
        return seen[-1]

    monkeypatch.setattr(predictability, "rally_weights", drawn)
    found = Predictability("side", least=5, draws=45).fit(shots)
    assert [len(each) for each in seen] == [20, 20, 5]
    whole = np.vstack(seen)
    monkeypatch.setattr(predictability, "_CHUNK", 45)
    monkeypatch.setattr(predictability, "rally_weights", lambda match, n, rng: whole)
    once = Predictability("side", least=5, draws=45).fit(shots)
    pd.testing.assert_frame_equal(found.players_, once.players_)
    pd.testing.assert_frame_equal(found.situations_, once.situations_)


def test_what_is_taken_where_nothing_is_said():
    asked = Predictability()
    assert asked.situation == ("side", "family", "incoming_stroke")
    assert (asked.reply, asked.least, asked.draws) == (None, 10, 200)
    assert (asked.level, asked.seed) == (0.95, 0)
    for wrong, said in (({"draws": 1}, "draws is 1"), ({"least": 1}, "least is 1")):
        with pytest.raises(DataError, match=said):
            Predictability(**wrong)
    assert Predictability(draws=2, least=2).draws == 2


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
