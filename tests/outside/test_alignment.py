"""Two charters' shots lined up, against the edit distance of another library (rapidfuzz).

Leaving a shot without a partner is its insertion or deletion, pairing two that differ its
substitution. The library takes whole weights, ours costs in units of a shot left over, so
that its weights are ours times 10. Of its least cost there may be several alignments: costs
are compared, never pairs.
"""

import numpy as np
import pytest
from rapidfuzz.distance import Levenshtein

from sidewall.agreement.align import LEAVE, Charted, line_up, shot_costs
from sidewall.log.vocabulary import STROKES


def rally(rng, most=25):
    """Strokes by position; without the serve, which is never paired with another stroke."""
    return rng.integers(1, len(STROKES), rng.integers(0, most + 1))


def rewritten(rng, strokes):
    """Chart a rally again: some shots missed, some read wrongly, some seen twice."""
    kept = strokes[rng.random(len(strokes)) > 0.15]
    wrong = rng.random(len(kept)) < 0.2
    kept = np.where(wrong, rng.integers(1, len(STROKES), len(kept)), kept)
    return np.repeat(kept, 1 + (rng.random(len(kept)) < 0.1))


def cost_of(first, second, cost, leave):
    both = (first >= 0) & (second >= 0)
    return cost[first[both], second[both]].sum() + leave * np.sum(~both)


def words(strokes):
    return [STROKES[k] for k in strokes]


@pytest.mark.parametrize(("leave", "differ"), [(1.0, 1.0), (1.0, 1.9), (1.0, 2.5), (0.7, 0.4)])
def test_costs_of_random_strings(leave, differ):
    rng = np.random.default_rng(1)
    weights = (round(10 * leave), round(10 * leave), round(10 * differ))
    for _ in range(100):
        one = rally(rng)
        two = rewritten(rng, one) if rng.random() < 0.5 else rally(rng)
        cost = differ * (one[:, None] != two)
        found = cost_of(*line_up(cost, leave), cost, leave)
        expected = Levenshtein.distance(words(one), words(two), weights=weights) / 10
        assert found == pytest.approx(expected, abs=1e-9)


def charted(strokes):
    """A player's shots of which only the stroke was charted."""
    n = len(strokes)
    blank = np.full(n, np.nan)
    word = {"stroke": strokes, "side": np.full(n, -1)}
    end, zero = np.array([n - 1]), np.zeros(1, dtype=int)
    return Charted(np.zeros(n, dtype=int), word, blank, blank, zero, end, zero, zero)


def test_costs_of_charted_strokes():
    """Two strokes that differ cost half of what a shot left over costs."""
    rng = np.random.default_rng(2)
    for _ in range(100):
        one = rally(rng)
        two = rewritten(rng, one)
        rows = np.arange(len(one)), np.arange(len(two))
        cost = shot_costs(charted(one), charted(two), *rows, float("nan"))
        found = cost_of(*line_up(cost, LEAVE), cost, LEAVE)
        expected = Levenshtein.distance(words(one), words(two), weights=(10, 10, 5)) / 10
        assert found == pytest.approx(expected, abs=1e-9)
