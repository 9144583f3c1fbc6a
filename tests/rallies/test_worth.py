import numpy as np
import pandas as pd
import pytest

import sidewall as sw
from sidewall import simulate


@pytest.fixture(scope="module", params=["ladder", "pair"])
def valued(chain, request):
    return chain.shot_values(measure=request.param)


def test_values_over_a_rally_add_up_to_result_minus_start_exactly(valued):
    table = valued.assign(server=valued.groupby("rally_id")["player"].transform("first"))
    decided = table[table["won"].notna()]
    sign = np.where(decided["player"].astype(str) == decided["server"].astype(str), 1.0, -1.0)
    total = (sign * decided["value"]).groupby(decided["rally_id"]).sum()
    first = decided.groupby("rally_id").first()
    np.testing.assert_allclose(total, first["won"] - first["value_before"], atol=1e-12)
    assert len(total) > 300


def test_a_let_has_no_value(valued):
    lets = valued[(valued["shots_left"] == 0) & valued["won"].isna()]
    assert len(lets) > 0
    assert lets["value_after"].isna().all()


def test_a_stronger_player_makes_more_of_the_same_balls(chain, shots):
    points = chain.value_by(["player"], draws=2).set_index("player")["points_per_100"]
    won = shots[shots["shot"] == 1].groupby("player", observed=True)["won"].mean()
    assert points[won.idxmax()] > points[won.idxmin()]


def test_against_ones_own_chain_players_gain_less():
    """Nothing at all but for the pooling, which keeps own values near the ladder's."""
    names = ["Alder", "Birch", "Cedar", "Elm", "Hazel", "Oak", "Rowan", "Yew"]
    players = simulate.draw_players(names, np.random.default_rng(4))
    shots = simulate.simulate_shots(players, simulate.round_robin(8, 9), rng=5)
    chain = sw.RallyChain().fit(sw.shot_features(shots))
    gain = [
        chain.shot_values(measure=measure).groupby("player", observed=True)["value"].mean().abs()
        for measure in ("ladder", "pair")
    ]
    assert gain[1].sum() < gain[0].sum()


def test_an_unknown_measure_is_named(chain):
    with pytest.raises(sw.errors.DataError, match="club"):
        chain.shot_values(measure="club")


def test_sums_add_up_over_the_ladder(chain):
    table = chain.value_by(["player"], draws=50)
    decided = chain.shot_values()
    total = np.nansum(decided["value"])
    assert table["points"].sum() == pytest.approx(total)
    for name in ("points", "points_per_100"):
        assert (table[f"{name}_low"] < table[name]).all()
        assert (table[name] < table[f"{name}_high"]).all()
    assert (table["n_rallies"] <= table["n_shots"]).all()
    thin = chain.value_by(["player", "stroke", "direction", "depth"], draws=20)
    few = thin["n_rallies"] < 10
    assert few.any()
    assert thin.loc[few, ["points_low", "points_per_100_high"]].isna().all(axis=None)


def test_a_chain_that_does_not_know_the_player_says_so(chain, shots):
    some = shots[shots["rally_id"] < 5].copy()
    some["player"] = some["player"].astype(str).replace("Elm", "Walnut").replace("Alder", "Walnut")
    with pytest.raises(sw.errors.DataError, match="Walnut"):
        chain.shot_values(some)


def test_rows_chosen_after_the_features_are_no_transitions(chain, shots):
    own = shots[shots["player"] == "Alder"]
    for ask in (sw.RallyChain().fit, chain.shot_values, chain.moves):
        with pytest.raises(sw.errors.DataError, match=r"next row is not the next ball.*keep="):
            ask(own)


def test_values_of_kept_shots_are_their_rows_of_the_table_of_all(chain, shots):
    own = chain.value_by(["stroke"], draws=2, keep=lambda table: table["player"] == "Alder")
    every = chain.value_by(["player", "stroke"], draws=2).query("player == 'Alder'")
    pd.testing.assert_frame_equal(own, every.drop(columns="player").reset_index(drop=True))
    with pytest.raises(sw.errors.DataError, match="no shot is left with stroke charted"):
        chain.value_by("stroke", draws=2, keep="gap_m > 90")


@pytest.fixture(scope="module", params=[61, 62, 63])
def hard(hard_log, request):
    """A chain of a hard log; "lot" sets nine decided rallies apart, and ten."""
    table = hard_log(request.param, 60, short=False)
    decided = table.loc[table["won"].notna(), "rally_id"].unique()
    lot = dict.fromkeys(decided[:9], "nine") | dict.fromkeys(decided[9:19], "ten")
    table = table.assign(lot=table["rally_id"].map(lot))
    return sw.RallyChain(sw.BallStates((0.4,))).fit(table)


def plain_values(chain, table, measure):
    """State, chance before and after each shot, by a walk, from the columns of the balls."""
    names = sw.BallStates((0.4,))(table).astype(object)
    value = chain.ball_value_
    weights, strength = value.weights_.to_numpy(), value.strengths_.strength_
    shots = table[["shots_left", "won", "player", "opponent"]].to_dict("records")
    worth, rows = [], []
    for shot, phi in zip(shots, value.columns(table), strict=True):
        own, other = (strength.get(shot[who], 0.0) for who in ("player", "opponent"))
        lead = (own - other) / 4 if measure == "pair" else 0.0
        worth.append(0.5 + min(max(float(phi @ weights) + lead, -0.5), 0.5))
    for k, shot in enumerate(shots):
        after = 1.0 - worth[k + 1] if shot["shots_left"] else shot["won"]
        after = np.nan if np.isnan(shot["won"]) else after
        before = np.nan if np.isnan(shot["won"]) else worth[k]
        rows.append((names.iloc[k], before, after, after - before))
    return pd.DataFrame(rows, table.index, ["state", "value_before", "value_after", "value"])


@pytest.mark.parametrize("measure", ["ladder", "pair"])
def test_the_value_of_every_shot_by_a_walk(hard, measure):
    table = hard.moves().table
    expected = plain_values(hard, table, measure)
    expected["state"] = pd.Categorical(expected["state"], hard.states_)
    found = hard.shot_values(measure=measure)
    pd.testing.assert_frame_equal(found, pd.concat([table, expected], axis=1))
    kept = hard.shot_values(measure=measure, keep="depth == 'back'")
    pd.testing.assert_frame_equal(kept, found[(table["depth"] == "back").to_numpy()])
    some = table[table["match"].ne("m10")]
    again = hard.shot_values(some, measure)
    pd.testing.assert_frame_equal(again, found[table["match"].ne("m10").to_numpy()])
    if measure == "ladder":
        pd.testing.assert_frame_equal(hard.shot_values(), found)


@pytest.mark.parametrize("by", ["player", "lot", ("stroke", "depth"), ("stroke", "won")])
@pytest.mark.parametrize("keep", [None, "side == 'forehand'"])
def test_sums_of_values_with_their_intervals_by_plain_loops(hard, slow, by, keep):
    """Blanks, lets and other shots left out; a group of less than ten rallies has no interval."""
    draws, level, seed = 9, 0.7, 5
    names = [by] if isinstance(by, str) else list(by)
    table = hard.moves().table
    value, columns = plain_values(hard, table, "ladder")["value"], hard.ball_value_.columns(table)
    rng = np.random.default_rng(seed)
    rallies = table["rally_id"].tolist()
    of_match = table.drop_duplicates("rally_id")["match"].tolist()
    order = {name: k for k, name in enumerate(dict.fromkeys(of_match))}  # as they come
    weight = slow.redrawn([order[name] for name in of_match], draws, rng)
    off = hard.ball_value_.draws(draws, rng)
    groups = {}
    for k, shot in enumerate(table.to_dict("records")):
        key = tuple(shot[name] for name in names)
        kept = keep is None or shot["side"] == "forehand"
        if kept and not np.isnan(value.iloc[k]) and not any(cell != cell for cell in key):
            groups.setdefault(key, []).append(k)
    rows = []
    for key in sorted(groups):
        mine = groups[key]
        met = {rallies[k] for k in mine}
        slope = sum(
            -columns[k] - (columns[k + 1] if table["shots_left"].iloc[k] else 0.0) for k in mine
        )
        points = sum(value.iloc[k] for k in mine)
        again, rate = [], []
        for d in range(draws):
            n = sum(weight[d][rallies[k]] for k in mine)
            drawn = sum(weight[d][rallies[k]] * value.iloc[k] for k in mine) + off[d] @ slope
            again.append(drawn)
            rate.append(100 * drawn / n if n else np.nan)
        ends = [slow.limits(x, level) if len(met) >= 10 else (np.nan,) * 2 for x in (again, rate)]
        per_100 = 100 * points / len(mine)
        rows.append((*key, points, *ends[0], per_100, *ends[1], len(mine), len(met)))
    told = ["points", "points_low", "points_high"]
    told += [name.replace("points", "points_per_100") for name in told]
    expected = pd.DataFrame(rows, columns=[*names, *told, "n_shots", "n_rallies"])
    found = hard.value_by(by, draws, level, seed, keep)
    assert [found[name].dtype for name in names] == [object] * len(names) or "won" in names
    pd.testing.assert_frame_equal(
        found.astype({name: expected[name].dtype for name in names}), expected, rtol=1e-9
    )
    assert hard.value_by(by, 3, keep=keep).equals(hard.value_by(by, 3, 0.95, 0, keep))
    if keep is None and by == "lot":
        assert expected["n_rallies"].tolist() == [9, 10]
        assert expected["points_low"].isna().tolist() == [True, False]


def test_sums_are_by_player_and_stroke_of_themselves(hard):
    pd.testing.assert_frame_equal(hard.value_by(draws=3), hard.value_by(("player", "stroke"), 3))
    with pytest.raises(sw.errors.DataError, match="no shot is left with depth, bounce charted"):
        hard.value_by(["depth", "bounce"], draws=3)
