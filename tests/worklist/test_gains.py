"""What a measure would gain, draw by draw and player by player, in plain loops."""

from dataclasses import replace

import numpy as np
import pytest

from sidewall.worklist.gains import LEAST_PLAYERS, OTHER_SIDE, QUARTILE, measure_gain, measures


class Times:
    """How many times what the ladder's bring, told beforehand."""

    def __init__(self, times):
        self._times = times

    def times(self, known, rng):
        return self._times


@pytest.fixture(scope="module")
def found(redrawn):
    return {one.item: one for one in measures(redrawn)[0]}


def gain_of(ladder, one, other=None, seed=4):
    return measure_gain(ladder, one, other, np.random.default_rng(seed))


def quartile(values):
    """Three quarters of the way through the values in order, between two of them in proportion."""
    values = sorted(values)
    at = 0.75 * (len(values) - 1)
    low = int(at)
    part = values[min(low + 1, len(values) - 1)] - values[low]
    return values[low] + (at - low) * part


@pytest.mark.parametrize("item", ["length", "attack_errors", "length_on_target", "repeats"])
def test_every_number_of_a_gain_draw_by_draw(redrawn, found, item):
    one = replace(found[item], worth_error=0.0)
    draws, players = len(redrawn.weights), len(redrawn.names)
    rng = np.random.default_rng(11)
    times = np.ones((draws, players))
    if one.in_play is not None:
        times = rng.uniform(0.5, 1.5, (draws, players))
        one = replace(one, in_play=Times(times))
    gain = gain_of(redrawn, one)
    own, known = gain.standing, np.flatnonzero(gain.standing.known)
    assert len(known) >= LEAST_PLAYERS
    player = redrawn.player[one.row]
    goals = np.array([quartile(own.drawn[d, known]) for d in range(draws)])
    for k in range(players):
        mine = player == k
        assert own.n[k] == mine.sum()
        assert own.rallies[k] == len(set(redrawn.rally[one.row][mine]))
        if k not in known:
            assert np.isnan(gain.points[:, k]).all()
            continue
        for d in range(draws):
            shots = redrawn.weights[d, redrawn.rally[one.row][mine]].sum()
            each = one.worth * times[d, k] * (goals[d] - own.drawn[d, k])
            assert gain.points[d, k] == pytest.approx(shots / redrawn.games[k] * each)
        if one.share:
            usual = one.expected[mine].mean()
            assert gain.now[k] == pytest.approx(100.0 * abs(usual + own.drawn[:, k].mean()))
            assert gain.goal[k] == pytest.approx(100.0 * abs(usual + goals.mean()))
        else:
            assert gain.now[k] == pytest.approx(100.0 * np.mean(times[:, k] * own.drawn[:, k]))
            assert gain.goal[k] == pytest.approx(100.0 * np.mean(times[:, k] * goals))
        lost = one.worth * times[:, k].mean() * (one.value - one.expected)[mine]
        np.testing.assert_allclose(gain.loss[mine], lost)
    assert (gain.item, gain.target, gain.share, gain.why) == (one.item, QUARTILE, one.share, "")
    assert gain.row is one.row


def test_what_one_is_worth_is_drawn_once_a_set_for_all_players(redrawn, found):
    one = found["length_on_target"]
    sure, drawn = (gain_of(redrawn, replace(one, worth_error=error)) for error in (0.0, 0.03))
    times = drawn.points / sure.points * one.worth
    known = drawn.standing.known
    assert np.ptp(times[:, known], axis=1) == pytest.approx(0.0, abs=1e-9)
    away = (times[:, known][:, 0] - one.worth) / 0.03
    # five standard errors of so many draws
    n = len(away)
    assert abs(away.mean()) < 5 / np.sqrt(n)
    assert abs(away.std(ddof=1) - 1.0) < 5 / np.sqrt(2 * n)


@pytest.mark.parametrize(
    ("item", "side"), [("attack_forehand", "backhand"), ("attack_backhand", "forehand")]
)
def test_few_players_are_set_against_their_own_other_side(redrawn, found, item, side):
    """Of three with enough shots; four are enough for a quartile. Any shots serve for it."""
    one, other = replace(found["length"], item=item), gain_of(redrawn, found["repeats"]).standing
    told = np.flatnonzero(gain_of(redrawn, one).standing.known)
    assert len(told) >= LEAST_PLAYERS
    for n, quartiles in ((LEAST_PLAYERS, True), (LEAST_PLAYERS - 1, False)):
        mine = np.isin(redrawn.player[one.row], told[:n])
        few = replace(one, row=one.row[mine], value=one.value[mine], expected=one.expected[mine])
        alone, both = gain_of(redrawn, few), gain_of(redrawn, few, other)
        if quartiles:
            assert both.target == alone.target == QUARTILE
            continue
        assert alone.why == "the ladder has 3 players to compare; 4 needed"
        assert np.isnan(alone.points).all()
        assert (both.target, both.why) == (OTHER_SIDE.format(side=side), "")
        own = both.standing
        expected = own.a_game * few.worth * (other.drawn - own.drawn)
        np.testing.assert_allclose(both.points, expected)
        np.testing.assert_allclose(both.goal, 100.0 * other.drawn.mean(axis=0))
