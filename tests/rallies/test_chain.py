import numpy as np
import pandas as pd
import pytest

import sidewall as sw
from sidewall import simulate
from sidewall.errors import DataError, NotFittedError
from sidewall.rallies.absorbing import alternating_values, fundamental_matrix, win_share


def test_every_shot_is_counted_once(chain, shots):
    assert chain.counts_.sum() == len(shots)
    assert chain.visits_.sum() == len(shots)


def test_rows_add_to_one_and_values_are_chances(chain):
    reached = chain.visits_ > 0
    np.testing.assert_allclose(chain.transition_[reached].sum(axis=1), 1.0)
    value = chain.win_probability_[reached]
    assert value.between(0, 1).all()
    assert (chain.expected_shots_[reached] >= 1).all()


def test_looser_balls_are_worth_more(chain):
    """On both sides together: a single side's two bands are too few shots to tell."""
    value = chain.win_probability_
    sides = ("forehand", "backhand")
    loose, tight = (
        sum(value[f"{side} ground {band}"] for side in sides) for band in ("120+ cm", "30-50 cm")
    )
    assert loose > tight


def test_expected_shots_from_the_serve_is_the_mean_rally_length(chain, shots):
    lengths = shots.groupby("rally_id")["shot"].max()
    error = lengths.std() / np.sqrt(len(lengths))
    assert chain.expected_shots_["serve"] == pytest.approx(lengths.mean(), abs=4 * error)


def test_a_state_never_reached_is_reported(shots):
    bands = sw.BallStates(bands_m=(0.3, 3.15, 3.19))
    chain = sw.RallyChain(bands).fit(shots.assign(gap_m=shots["gap_m"].clip(upper=3.1)))
    never = [note for note in chain.notes_ if note.startswith("never reached")]
    assert any("315-319 cm" in note for note in never)
    assert np.isnan(chain.win_probability_["forehand ground 315-319 cm"])


def test_a_custom_rule_takes_the_default_ones_place(shots):
    def rule(table):
        return pd.Series(np.where(table["stroke"] == "serve", "serve", "ball"), table.index)

    chain = sw.RallyChain(rule).fit(shots)
    assert sorted(chain.states_) == ["ball", "serve"]
    assert chain.win_probability_["ball"] == pytest.approx(0.5, abs=0.05)


def test_pair_values_agree_with_the_exact_chain_of_the_simulation(players):
    """A long log of one pair; with two players only, much is drawn toward their mean."""
    pair = players[:2]
    shots = simulate.simulate_shots(pair, [(0, 1)] * 300, rng=3)
    chain = sw.RallyChain().fit(shots)
    exact = simulate.Pair(simulate.World(), *pair)
    for k, (me, you) in enumerate(((0, 1), (1, 0))):
        ours = chain.pair(pair[me].name, pair[you].name)
        assert ours.loc["serve", "win_probability"] == pytest.approx(exact.server[k], abs=0.01)


def test_unknown_player_and_unfitted_chain(chain):
    with pytest.raises(DataError, match="Walnut"):
        chain.pair("Walnut")
    with pytest.raises(NotFittedError):
        sw.RallyChain().state_values()


def test_win_share_of_nothing_is_missing():
    share = win_share(np.array([[0.2, 0.2], [0.0, 0.0]]))
    assert share[0] == 0.5
    assert np.isnan(share[1])


@pytest.mark.slow
def test_two_hundred_thousand_rallies_of_a_known_chain_agree_with_the_exact_answers():
    """Rallies drawn from written-down rows, and the values that those rows imply."""
    rng = np.random.default_rng(8)
    rows = np.array(
        [  # next: serve, tight, loose | win, lose, let
            [0.0, 0.60, 0.34, 0.03, 0.02, 0.01],
            [0.0, 0.45, 0.40, 0.02, 0.12, 0.01],
            [0.0, 0.60, 0.15, 0.18, 0.06, 0.01],
        ]
    )
    value = win_share(alternating_values(rows, rows)[0])
    length = fundamental_matrix(rows[:, :3]).sum(axis=1)
    n = 200_000
    state, turn = np.zeros(n, int), np.zeros(n, int)
    won, shots = np.full(n, np.nan), np.zeros(n, int)
    live = np.arange(n)
    cumulative = rows.cumsum(axis=1)
    while len(live):
        step = (rng.random(len(live))[:, None] > cumulative[state[live]]).sum(axis=1)
        shots[live] += 1
        for end, server_wins in ((3, turn[live] == 0), (4, turn[live] == 1)):
            won[live[step == end]] = server_wins[step == end]
        state[live], turn[live] = np.minimum(step, 2), 1 - turn[live]
        live = live[step < 3]
    decided = ~np.isnan(won)
    error = np.sqrt(0.25 / decided.sum())
    assert won[decided].mean() == pytest.approx(value[0], abs=4 * error)
    assert shots.mean() == pytest.approx(length[0], abs=4 * shots.std() / np.sqrt(n))


def test_a_chain_takes_thresholds_for_its_states(shots):
    thresholds = pd.DataFrame(
        {"player": ["Alder"], "side": ["forehand"], "family": ["ground"], "threshold_m": [0.2]}
    )
    chain = sw.RallyChain(sw.BallStates(loose=sw.LooseBall(thresholds))).fit(shots)
    assert "backhand volley loose" in chain.states_
