from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sidewall.court.units import GapWords
from sidewall.plots.strip import stretches, sure_words


def curve(*better):
    return pd.DataFrame({"gap_m": 0.1 * np.arange(len(better)), "p_attack_sure": better})


def test_stretches_follow_one_another_to_the_widest_gap():
    parts = stretches(curve(0.1, 0.2, 0.5, 0.79, 0.8, 0.95), 0.6)
    assert [part.choice for part in parts] == ["reset", "too close to call", "attack"]
    assert [part.low_m for part in parts] == pytest.approx([0.0, 0.2, 0.4])
    assert [part.high_m for part in parts] == pytest.approx([0.2, 0.4, 0.6])


@pytest.mark.parametrize(
    ("better", "says"),
    [
        ((0.1, 0.5, 0.9), "attack is right 4 times in 5 from 20 cm"),
        ((0.1, 0.5, 0.6), "reset is right 4 times in 5 up to 10 cm"),
        ((0.9, 0.9), "attack is right 4 times in 5 at any gap"),
        ((0.1, 0.1), "reset is right 4 times in 5 at any gap"),
        ((0.5, 0.5), ""),
        ((0.9, 0.5, 0.3), ""),
        ((), ""),
    ],
)
def test_the_sure_stretch_is_said_in_words(better, says):
    assert sure_words(curve(*better), GapWords()) == says
