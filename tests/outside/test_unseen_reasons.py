"""E-values as printed, and a doubly robust effect against published numbers and others' code.

Sources: VanderWeele & Ding 2017, Annals of Internal Medicine 167:268-274, whose two worked
examples (breastfeeding and infant deaths, RR 3.9, 1.8 to 8.7; breastfeeding and ovarian cancer,
RR 0.5, 0.3 to 0.8) are given from memory. Cattaneo 2010, Journal of Econometrics
155:138-154: birth weight and smoking; the data, and the results of Stata's manual for
``teffects``, are in statsmodels' own tests.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.stats import zscore
from statsmodels.discrete.discrete_model import Logit
from statsmodels.regression.linear_model import OLS
from statsmodels.treatment import tests as statsmodels_tests
from statsmodels.treatment.treatment_effects import TreatmentEffect

from sidewall.trust import doubly_robust, e_value, e_value_of_limit


@pytest.mark.parametrize(
    ("ratio", "low", "high", "of_estimate", "of_limit"),
    [(3.9, 1.8, 8.7, 7.26, 3.00), (0.5, 0.3, 0.8, 3.41, 1.81)],
)
def test_e_values_as_printed(ratio, low, high, of_estimate, of_limit):
    assert float(e_value(ratio)) == pytest.approx(of_estimate, abs=0.005)
    assert float(e_value_of_limit(ratio, low, high)) == pytest.approx(of_limit, abs=0.005)


@pytest.fixture(scope="module")
def births():
    file = Path(statsmodels_tests.__file__).parent / "results" / "cataneo2.csv"
    if not file.exists():
        pytest.skip("this statsmodels comes without its test data")
    return pd.read_csv(file)


@pytest.fixture(scope="module")
def columns(births):
    one = np.ones(len(births))
    outcome = births[["prenatal1_", "mmarried_", "mage", "fbaby_"]].to_numpy(dtype=float)
    choice = births[["mmarried_", "mage", "mage2", "fbaby_", "medu"]].to_numpy(dtype=float)
    return np.column_stack([one, outcome]), np.column_stack([one, choice])


def test_effect_of_smoking_on_birth_weight(births, columns):
    found = doubly_robust(births["bweight"], births["mbsmoke_"], *columns, link="probit")
    # Stata's manual: -230.9892 grams, robust standard error 26.21056
    assert found.effect == pytest.approx(-230.9892, abs=0.02)
    assert found.error == pytest.approx(26.21056, rel=2e-3)


def test_errors_of_independent_rows_are_those_of_statsmodels(births, columns):
    some = np.random.default_rng(1).choice(len(births), 1200, replace=False)
    y, t = births["bweight"].to_numpy(float)[some], births["mbsmoke_"].to_numpy(int)[some]
    # scaled: their optimiser and numerical slopes do badly on an age squared
    X, W = (np.column_stack([each[:, 0], zscore(each[:, 1:])])[some] for each in columns)
    found = doubly_robust(y, t, X, W)
    effect = TreatmentEffect(OLS(y, X), t, results_select=Logit(t, W).fit(disp=0))
    theirs = effect.aipw(return_results=True)
    assert found.effect == pytest.approx(float(theirs.effect[0]), rel=1e-4)  # as in their tests
    assert found.error == pytest.approx(float(theirs.sd[0]), rel=5e-3)
