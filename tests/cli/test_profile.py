from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sidewall.cli.profile import by_outcome, readable
from sidewall.errors import UnitError


@pytest.fixture
def table():
    return pd.DataFrame(
        {
            "player": ["Rowan", "Rowan"],
            "threshold_m": [0.46789, np.nan],
            "threshold_difference_low_m": [-0.12345, 0.2],
            "win_difference_low": [-0.012345, 0.5],
            "worse_by": [0.00123456, 0.0],
            "more_shots": [1899.0, np.inf],
            "n_attack": [12, 1300],
        }
    )


def test_gaps_go_into_the_unit_and_its_name_into_the_heading(table):
    written = readable(table, "cm", None)
    assert list(written.columns) == [
        "player", "threshold_cm", "threshold_difference_low_cm", "win_difference_low",
        "worse_by", "more_shots", "n_attack",
    ]  # fmt: skip
    assert written["threshold_cm"].tolist()[0] == 46.8
    assert written["threshold_difference_low_cm"].tolist() == [-12.3, 20.0]
    assert readable(table, "in", None)["threshold_in"][0] == 18.4
    assert readable(table, "boards", 0.08)["threshold_boards"][0] == 5.85
    with pytest.raises(UnitError):
        readable(table, "boards", None)


def test_other_numbers_keep_the_digits_that_say_something(table):
    written = readable(table, "m", None)
    assert written["win_difference_low"].tolist() == [-0.012, 0.5]
    assert written["worse_by"].tolist() == [0.00123, 0.0]
    assert written["more_shots"].tolist() == ["1900", "20000+"]
    assert written["n_attack"].tolist() == [12, 1300]


def test_the_outcome_comes_first():
    joined = by_outcome({"rally": pd.DataFrame({"a": [1, 2]}), "value": pd.DataFrame({"a": [3]})})
    assert joined.to_dict("list") == {"outcome": ["rally", "rally", "value"], "a": [1, 2, 3]}
