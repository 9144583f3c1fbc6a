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


def test_after_one_shot_stands_what_the_opponent_does_not_have(valued):
    inner = valued[valued["shots_left"] > 0].index.to_numpy()
    np.testing.assert_allclose(
        valued["value_after"].to_numpy()[inner],
        1.0 - valued["value_before"].to_numpy()[inner + 1],
        atol=1e-12,
    )


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


def test_values_of_new_shots_use_the_fitted_chain(chain, shots):
    some = shots[shots["rally_id"] < 40]
    values = chain.shot_values(some)
    whole = chain.shot_values()
    np.testing.assert_allclose(values["value"], whole["value"].iloc[: len(some)])


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


def test_kept_shots_have_the_values_that_they_have_among_all(chain, shots):
    kept = chain.shot_values(shots, keep="player == 'Alder'")
    every = chain.shot_values(shots)
    pd.testing.assert_frame_equal(kept, every[every["player"] == "Alder"])


def test_values_of_kept_shots_are_their_rows_of_the_table_of_all(chain, shots):
    own = chain.value_by(["stroke"], draws=2, keep=lambda table: table["player"] == "Alder")
    every = chain.value_by(["player", "stroke"], draws=2).query("player == 'Alder'")
    pd.testing.assert_frame_equal(own, every.drop(columns="player").reset_index(drop=True))
    with pytest.raises(sw.errors.DataError, match="no shot is left with stroke charted"):
        chain.value_by("stroke", draws=2, keep="gap_m > 90")
