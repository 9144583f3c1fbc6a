"""Every fit keeps scikit-learn's contract, held against scikit-learn's own clone."""

import importlib
import inspect
import pkgutil

import numpy as np
import pytest
from sklearn.base import BaseEstimator, clone
from sklearn.utils import estimator_checks

import sidewall
import sidewall as sw
from sidewall.errors import DataError, NotFittedError, UnitError
from sidewall.estimator import Estimator
from sidewall.rallies.value import BallValue


def modules():
    for found in pkgutil.walk_packages(sidewall.__path__, "sidewall."):
        if not found.name.endswith("__main__"):
            yield importlib.import_module(found.name)


def estimators():
    """All classes of the package with a public name and a fit of an object."""
    for module in modules():
        for name, one in vars(module).items():
            if inspect.isclass(one) and one.__module__ == module.__name__ and name[0] != "_":
                fit = inspect.getattr_static(one, "fit", None)
                if inspect.isfunction(fit):
                    yield one


PUBLIC = sorted({one for one in estimators() if issubclass(one, Estimator)}, key=str)
#: Parts of an estimator that nobody makes by hand.
INSIDE = {"CensoredNormal", "PlayerCurves", "HeightGain"}
NEEDED = {"LogitDraws": {"groups": "none yet"}}


def made(kind, **params):
    return kind(**NEEDED.get(kind.__name__, {}) | params)


def test_whatever_has_a_fit_is_an_estimator():
    others = {one.__name__ for one in estimators() if not issubclass(one, Estimator)}
    assert others == INSIDE
    assert len(PUBLIC) == 13


@pytest.mark.parametrize("kind", PUBLIC, ids=lambda kind: kind.__name__)
def test_a_clone_has_the_same_parameters_and_no_results(kind):
    one = made(kind)
    again = clone(one)
    assert again is not one
    assert again.get_params(deep=False) == one.get_params(deep=False)
    assert list(one.get_params(deep=False)) == list(inspect.signature(kind).parameters)
    with pytest.raises(NotFittedError, match=rf"call {kind.__name__}\(\)\.fit\("):
        again.need_fit()


@pytest.mark.parametrize("kind", PUBLIC, ids=lambda kind: kind.__name__)
def test_the_words_of_an_estimator_are_those_of_scikit_learns(kind):
    class Theirs(BaseEstimator):
        __init__ = kind.__init__

    Theirs.__name__ = kind.__name__
    one = made(kind)
    assert repr(one) == repr(Theirs(**one.get_params(deep=False)))


#: Checks of scikit-learn's ``check_estimator`` that fit nothing; one that an older version does
#: not have is left out.
HELD = (
    "check_parameters_default_constructible",
    "check_get_params_invariance",
    "check_no_attributes_set_in_init",
    "check_estimator_cloneable",
    "check_estimator_repr",
    "check_mixin_order",
)
#: Those that do not apply, with the reason; all others fit an array of numbers.
NOT_HELD = {
    "check_set_params": "a wrong parameter is refused where it is given, not at the fit",
    "check_do_not_raise_errors_in_init_or_set_params": "the same",
    "check_valid_tag_types": "tags tell a pipeline what arrays a fit takes; ours take a log",
}


#: One whose constructor asks for something cannot be made without.
ASKED = [
    (kind, check)
    for kind in PUBLIC
    for check in HELD
    if hasattr(estimator_checks, check)
    and not (kind.__name__ in NEEDED and check == "check_parameters_default_constructible")
]


@pytest.mark.parametrize(("kind", "check"), ASKED)
def test_what_scikit_learn_asks_of_an_unfitted_estimator(kind, check):
    getattr(estimator_checks, check)(kind.__name__, made(kind))


@pytest.mark.parametrize("check", [name for name in NOT_HELD if hasattr(estimator_checks, name)])
def test_a_check_that_is_said_not_to_apply_does_not(check):
    """For some estimator at least, and by our own words: no check is left out for comfort."""
    refused = set()
    for kind in PUBLIC:
        try:
            getattr(estimator_checks, check)(kind.__name__, made(kind))
        except (DataError, UnitError, AssertionError):
            refused.add(kind.__name__)
    assert refused


@pytest.mark.parametrize("kind", PUBLIC, ids=lambda kind: kind.__name__)
def test_checks_that_fit_an_array_do_not_apply_since_it_is_no_log(kind):
    others = [name for name in inspect.signature(kind.fit).parameters if name != "self"]
    if others[0] == "shots":
        with pytest.raises(DataError, match="give a table"):
            made(kind).fit(np.zeros((30, 3)))
        return
    # of two charts, or of columns that differ by what they mean: not X and y
    assert others[:2] in (["first", "second"], ["y", "X"])


def test_parameters_change_by_the_checks_of_the_constructor():
    model = sw.TightnessModel()
    assert model.set_params(draws=300, outcome="rally") is model
    assert repr(model) == "TightnessModel(outcome='rally', draws=300)"
    with pytest.raises(DataError, match="draws"):
        model.set_params(draws=1)
    with pytest.raises(DataError, match="no parameter 'drawn'; it has outcome, horizon"):
        model.set_params(drawn=1)
    assert model.draws == 300


def test_parameters_of_a_parameter_are_told_with_its_name():
    found = sw.TightnessModel(value=BallValue()).get_params()
    assert "value__strengths" in found


def test_a_notebook_shows_the_call_the_facts_and_the_notes(shots):
    model = sw.TightnessModel(draws=50)
    assert model._repr_html_() == "<div><code>TightnessModel(draws=50)</code></div>"
    some = shots[shots["match"].isin(shots["match"].cat.categories[:4])]
    page = model.fit(some)._repr_html_()
    for name in model.players_:
        assert name in page
    assert f"{model.counted_.shots:,} attacks and resets" in page
    model.notes_ = ["<b>less</b> than usual"]
    assert "<li>&lt;b&gt;less&lt;/b&gt; than usual</li>" in model._repr_html_()
