import numpy as np
import pytest

from sidewall.rallies.exchange import ExchangeValues


@pytest.fixture(scope="module")
def exchange(chain):
    return ExchangeValues(chain, chain.moves())


def test_outcomes_by_a_plain_loop(exchange, chain, shots):
    value = chain.shot_values(measure="pair")["value_before"].to_numpy()
    for _, rally in shots[shots["rally_id"] < 60].groupby("rally_id"):
        rows = rally.index.to_numpy()
        for k, row in enumerate(rows):
            left = len(rows) - 1 - k
            expected = value[rows[k + 2]] if left >= 2 else rally["won"].iloc[k]
            assert exchange.outcome[row] == pytest.approx(expected, nan_ok=True)


def test_the_mean_outcome_is_the_mean_result(exchange, shots):
    """The value is worth what it stands for: on average who wins."""
    both = ~np.isnan(exchange.outcome) & shots["won"].notna().to_numpy()
    won, value = shots["won"].to_numpy()[both], exchange.outcome[both]
    rally = shots["rally_id"].to_numpy()[both]
    gap = np.bincount(rally, won - value)
    error = np.sqrt((gap**2).sum()) / both.sum()
    assert abs((won - value).mean()) < 4 * error


def test_there_is_much_less_luck_in_it(exchange, shots):
    resets = (shots["choice"] == "reset").to_numpy() & shots["won"].notna().to_numpy()
    assert np.nanvar(exchange.outcome[resets]) < 0.5 * np.var(shots["won"].to_numpy()[resets])


def test_draws_move_only_what_the_chain_values(exchange):
    moved = np.stack(exchange.draws(20, np.random.default_rng(0)))
    fixed = np.isin(exchange.outcome, [0.0, 1.0])
    np.testing.assert_array_equal(moved[:, fixed], 0.0)
    spread = np.nanstd(moved[:, ~fixed & ~np.isnan(exchange.outcome)], axis=0)
    assert (spread > 0).all()
    assert spread.mean() < 0.1
