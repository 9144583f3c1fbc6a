import numpy as np
import pandas as pd
import pytest
from scipy.special import ndtr

from sidewall.errors import DataError
from sidewall.trust import check_ranks, rank_of, simulation_ranks

DRAWS = 99


def simulate(rng):
    """A mean drawn from its prior, and five measurements of it; twice over."""
    mean = rng.normal(size=2)
    return {"mean": mean}, mean + rng.normal(size=(5, 2))


def estimate(scale=1.0, lean=0.0):
    """The exact posterior, or one that is too sure of itself, or leans."""

    def draw(data, draws, rng):
        variance = 1.0 / (1.0 + len(data))
        centre = variance * data.sum(axis=0) + lean * np.sqrt(variance)
        return {"mean": centre + scale * np.sqrt(variance) * rng.normal(size=(draws, 2))}

    return draw


def ranks(scale=1.0, lean=0.0, simulations=500, seed=1):
    return simulation_ranks(simulate, estimate(scale, lean), simulations, draws=DRAWS, seed=seed)


def first(table):
    return check_ranks(table.query("position == 0")["rank"], DRAWS)


def test_exact_posterior_gives_uniform_ranks():
    table = ranks()
    for check in (first(table), check_ranks(table["rank"], DRAWS, table["simulation"])):
        assert check.p_value > 0.01
        assert check.words(3.0) == "no fault seen"
        assert check.covered == pytest.approx(check.covered_expected, abs=4 * check.covered_se)
        line = check.ecdf
        assert line["difference"].between(1.3 * line["band_low"], 1.3 * line["band_high"]).all()


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        ({"scale": 0.5}, "intervals too short"),
        ({"scale": 2.0}, "intervals too wide"),
        ({"lean": 0.7}, "estimates too high"),
        ({"lean": -0.7}, "estimates too low"),
    ],
)
def test_a_planted_fault_is_named(fault, words):
    table = ranks(**fault)
    for check in (first(table), check_ranks(table["rank"], DRAWS, table["simulation"])):
        assert check.p_value < 1e-6
        assert words in check.words()
        line = check.ecdf
        assert not line["difference"].between(line["band_low"], line["band_high"]).all()


def test_both_tests_keep_their_level_when_ranks_hang_together():
    rng = np.random.default_rng(3)
    runs, found, lines, alone = 60, 0, 0, 0
    simulation = np.repeat(np.arange(100), 4)
    for _ in range(runs):
        shared = rng.normal(size=100)[simulation]
        u = ndtr((shared + 0.5 * rng.normal(size=400)) / np.sqrt(1.25))
        some = np.floor(u * (DRAWS + 1)).astype(int)
        check = check_ranks(some, DRAWS, simulation, bins=5)
        found += check.p_value < 0.05
        lines += (
            not check.ecdf["difference"]
            .between(check.ecdf["band_low"], check.ecdf["band_high"])
            .all()
        )
        alone += check_ranks(some, DRAWS, bins=5).p_value < 0.05
    # 4 standard errors of 60 runs at 5 in 100 are 11 in 100
    assert found / runs < 0.16
    assert lines / runs < 0.16
    assert alone / runs > 0.2  # taking them as independent would cry wolf


def test_ranks_count_draws_below_and_break_ties_by_chance():
    rng = np.random.default_rng(1)
    draws = np.array([[0.0, 1.0], [2.0, 1.0], [4.0, 1.0]])
    found = np.array([rank_of([3.0, 1.0], draws, rng) for _ in range(400)])
    assert (found[:, 0] == 2).all()
    assert np.bincount(found[:, 1], minlength=4) == pytest.approx([100] * 4, abs=40)


def test_work_can_be_shared_out():
    whole = ranks(simulations=6)
    parts = [
        simulation_ranks(simulate, estimate(), 3, draws=DRAWS, seed=1, first=k) for k in (0, 3)
    ]
    pd.testing.assert_frame_equal(whole, pd.concat(parts, ignore_index=True))


@pytest.mark.parametrize(
    ("given", "options", "words"),
    [
        ([100] * 40, {}, "found from 100 to 100"),
        ([], {}, "found none"),
        ([50] * 40, {"bins": 7}, "share out 100 ranks"),
        ([50] * 20, {}, "20 simulations are too few"),
        ([50] * 40, {"simulation": [1] * 39}, "40 ranks but 39"),
    ],
)
def test_what_cannot_be_is_refused(given, options, words):
    with pytest.raises(DataError, match=words):
        check_ranks(given, DRAWS, **options)


def test_draws_of_another_shape_are_refused():
    with pytest.raises(DataError, match="shape"):
        rank_of([1.0, 2.0], np.zeros((5, 3)), np.random.default_rng(0))
