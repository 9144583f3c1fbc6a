from collections import Counter

import numpy as np
import pandas as pd
import pytest

import sidewall as sw
from sidewall.decisions import decisions
from sidewall.models.halves import Halves, _dealt_out, _half_of, _met


def units(met):
    """Half of every row of a table of who played in which rally."""
    half = _dealt_out(met)
    keys = pd.MultiIndex.from_frame(met[list(half.index.names)])
    return half, half.reindex(keys).to_numpy()


def rallies(matches):
    """Rows match, game, rally, player from (match, players, games, rallies a game)."""
    return pd.DataFrame(
        [
            (match, str(g), str(r), player)
            for match, players, games, many in matches
            for g in range(games)
            for r in range(many)
            for player in players
        ],
        columns=["match", "game", "rally", "player"],
    )


def test_whole_matches_are_dealt_out_where_each_player_has_two():
    met = rallies([("a", "xy", 3, 10), ("b", "yz", 3, 12), ("c", "zx", 3, 14), ("d", "xy", 1, 9),
                   ("e", "yz", 2, 9), ("f", "zx", 2, 11)])  # fmt: skip
    half, of_row = units(met)
    assert half.index.names == ["match"]
    shares = pd.crosstab(met["player"], of_row, normalize="index")
    assert shares.to_numpy().min() > 0.25


@pytest.mark.parametrize(
    ("games", "names"), [(3, ["match", "game"]), (1, ["match", "game", "rally"])]
)
def test_a_single_match_is_dealt_out_by_games_or_else_by_rallies(games, names):
    half, of_row = units(rallies([("a", "xy", games, 10)]))
    assert half.index.names == names
    assert set(of_row) == {0, 1}


@pytest.fixture(scope="module")
def fitted(shots):
    model = sw.TightnessModel(draws=100).fit(shots)
    return model, Halves(model)


def test_no_rally_is_in_both_halves_and_each_half_is_fitted_to_its_own(fitted, shots):
    model, halves = fitted
    table = model.used_
    half = halves.of(table)
    assert set(half) == {0, 1}
    assert (
        not table.assign(half=half)[["match", "half"]].drop_duplicates()["match"].duplicated().any()
    )
    for k, posterior in enumerate(halves.posteriors):
        own = table.loc[half == k, ["match", "game", "rally", "shot"]].reset_index(drop=True)
        seen = posterior.model.used_[["match", "game", "rally", "shot"]].reset_index(drop=True)
        pd.testing.assert_frame_equal(own, seen)
        assert posterior.model.value_ is model.value_


def test_rallies_that_the_fit_has_not_seen_are_in_neither(fitted):
    model, halves = fitted
    other = model.used_.head(20).assign(match="another day")
    assert (halves.of(other) == -1).all()


def test_shots_that_the_whole_did_not_keep_are_kept_by_no_half(shots):
    model = sw.TightnessModel(draws=50).fit(shots, keep="gap_m < 0.8")
    for posterior in model.halves().posteriors:
        assert (posterior.model.used_["gap_m"] < 0.8).all()
    parts = [len(posterior.model.used_) for posterior in model.halves().posteriors]
    assert sum(parts) == len(model.used_)


def test_a_half_with_one_choice_alone_has_no_fit_and_decides_nothing_of_the_other(shots):
    """The same two players twice, and in one of the matches nobody attacks."""
    one = shots[shots["match"] == shots["match"].iloc[0]]
    meek = (one["game"].astype(int) == 1).to_numpy()
    log = one.drop(columns="rally_id").assign(
        match=np.where(meek, "first", "second"),
        choice=one["choice"].astype(object).mask(meek & (one["choice"] == "attack")),
    )
    log = sw.shot_features(log)
    model = sw.TightnessModel(draws=50).fit(log)
    assert [one is None for one in model.halves().posteriors].count(True) == 1
    judged = decisions(log, model)
    other = judged["match"] == "second"
    assert set(judged.loc[other, "decision"]) == {"not known yet"}
    assert (judged.loc[~other, "decision"] != "not known yet").any()
    assert judged.loc[other, "points"].isna().all()


def plain_halves(met):
    """Half of every unit by name: in their order, to the half with fewer rallies of its players."""
    for unit in (["match"], ["match", "game"], ["match", "game", "rally"]):
        of = {}
        for row in met.to_dict("records"):
            of.setdefault(row["player"], set()).add(tuple(row[name] for name in unit))
        if min(len(units) for units in of.values()) >= 2:
            break
    rallies_of = {}
    for row in met.to_dict("records"):
        key = tuple(row[name] for name in unit)
        rallies_of.setdefault(key, Counter())[row["player"]] += 1
    so_far, found = (Counter(), Counter()), {}
    for key in sorted(rallies_of):
        mine = rallies_of[key]
        n = [sum(half[player] for player in mine) for half in so_far]
        found[key] = int(n[0] > n[1])
        so_far[found[key]].update(mine)
    return unit, found


@pytest.mark.parametrize("seed", range(8))
def test_units_are_dealt_out_as_by_a_plain_loop(seed):
    rng = np.random.default_rng(seed)
    matches = [
        (f"m{k}", "".join(rng.choice(list("wxyz"), 2, replace=False)), rng.integers(1, 4), 1 + seed)
        for k in rng.permutation(12)[: 2 + seed]
    ]
    met = rallies(matches).sample(frac=1.0, random_state=seed)
    met = met[rng.random(len(met)) < 0.8]
    unit, expected = plain_halves(met)
    half = _dealt_out(met)
    assert list(half.index.names) == unit
    keys = [key if isinstance(key, tuple) else (key,) for key in half.index]
    assert dict(zip(keys, half, strict=True)) == expected
    table = pd.concat([met, met.head(3).assign(match="unseen")], ignore_index=True)
    plain = [expected.get(tuple(row[u] for u in unit), -1) for row in table.to_dict("records")]
    assert _half_of(table, half).tolist() == plain


def test_what_was_met_is_the_rallies_with_a_gap(hard_log):
    table = hard_log(241)
    found = _met(table)
    expected = []
    for shot in table.to_dict("records"):
        row = tuple(str(shot[name]) for name in ("match", "game", "rally", "player"))
        if shot["gap_m"] == shot["gap_m"] and row not in expected:
            expected.append(row)
    assert [*found.itertuples(index=False, name=None)] == expected
    assert [*found.columns] == ["match", "game", "rally", "player"]
