"""Effect of a choice by two models at once: right if either of them is.

One model says who is chosen, the other what comes of it. The estimate is that of
``statsmodels.treatment`` (augmented inverse propensity weighting, Robins, Rotnitzky & Zhao
1994, Journal of the American Statistical Association 89:846-866). Its error here is that of
all the estimating equations together (Stefanski & Boos 2002, The American Statistician
56:29-38), summed by rally: shots of a rally share one result.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike

from sidewall.arguments import Array, Bools
from sidewall.errors import DataError, SeparationError

Link = Literal["logit", "probit"]


@dataclass(frozen=True)
class DoublyRobust:
    """An average effect of treating all instead of none.

    Attributes
    ----------
    effect, error : float
        Estimate and its standard error, clustered.
    mean_0, mean_1 : float
        Mean outcome if none, and if all, were treated.
    influence : ndarray, shape (n,)
        What each row adds to the estimate's error: error squared is the sum of squares of
        the clusters' sums over n squared.
    """

    effect: float
    error: float
    mean_0: float
    mean_1: float
    influence: Array


def independent_columns(X: Array) -> Bools:
    """Say which columns are not a mixture of those before them."""
    from scipy.linalg import qr  # noqa: PLC0415 - slow to load

    size = np.sqrt((X**2).sum(axis=0))
    scaled = X / np.where(size > 0, size, 1.0)
    if len(X) < X.shape[1]:
        scaled = np.vstack([scaled, np.zeros((X.shape[1] - len(X), X.shape[1]))])
    (triangle,) = qr(scaled, mode="r")
    return np.asarray(np.abs(np.diag(triangle)) > 1e-7)


def chance_of_choice(chosen: Array, X: Array, link: Link = "logit") -> Any:
    """Fit the chance of being chosen, 0 or 1, to independent columns with an intercept, (n, p).

    A SeparationError when some mixture of columns tells the choice without fault.
    """
    from statsmodels.discrete.discrete_model import Logit, Probit  # noqa: PLC0415 - slow
    from statsmodels.tools.sm_exceptions import (  # noqa: PLC0415
        ConvergenceWarning,
        PerfectSeparationError,
        PerfectSeparationWarning,
    )

    model = {"logit": Logit, "probit": Probit}[link](chosen, X)
    try:
        with warnings.catch_warnings(), np.errstate(over="ignore"):
            warnings.simplefilter("error", ConvergenceWarning)
            warnings.simplefilter("error", PerfectSeparationWarning)
            return model.fit(disp=0, maxiter=100)
    except (
        ConvergenceWarning,
        PerfectSeparationWarning,
        PerfectSeparationError,
        np.linalg.LinAlgError,
    ) as cause:
        raise SeparationError(
            f"what is logged tells attack from reset without fault among these {len(chosen):,} "
            "shots, so there is nothing to compare; take fewer reasons or a wider gap band"
        ) from cause


def doubly_robust(
    outcome: ArrayLike,
    chosen: ArrayLike,
    X_outcome: ArrayLike,
    X_choice: ArrayLike,
    cluster: ArrayLike | None = None,
    link: Link = "logit",
) -> DoublyRobust:
    """Estimate the mean outcome if all were chosen minus that if none were.

    The estimand: over the rows given, the average difference that the choice makes, provided
    that nothing but the columns given drives both choice and outcome. Outcomes follow a
    linear model in each group, choices a logistic one; the estimate is consistent if either
    holds.

    Parameters
    ----------
    outcome : array-like, shape (n,)
    chosen : array-like of 0 and 1, shape (n,)
    X_outcome, X_choice : array-like, shape (n, p), (n, q)
        Columns of the two models, each with an intercept and without dependent columns.
    cluster : array-like, shape (n,), optional
        Rows that hang together; each its own by default.
    link : {"logit", "probit"}, default "logit"

    Raises
    ------
    DataError
        When a group has no more rows than the outcome model has columns.
    SeparationError
        When the choice is told without fault.
    """
    from statsmodels.regression.linear_model import OLS  # noqa: PLC0415 - slow to load
    from statsmodels.treatment.treatment_effects import TreatmentEffect  # noqa: PLC0415

    y, t = np.asarray(outcome, dtype=float), np.asarray(chosen, dtype=float)
    X, W = np.asarray(X_outcome, dtype=float), np.asarray(X_choice, dtype=float)
    groups = np.array([(t == 0).sum(), (t == 1).sum()])
    if groups.min() <= X.shape[1]:
        raise DataError(
            f"{groups[1]} attacks and {groups[0]} resets are too few for {X.shape[1]} columns; "
            "take fewer reasons or a wider gap band"
        )
    choice = chance_of_choice(t, W, link)
    both = TreatmentEffect(OLS(y, X), t.astype(int), results_select=choice)
    effect, mean_0, mean_1 = (float(x) for x in both.aipw(return_results=False))
    influence = _influence(y, t, X, W, choice, both, effect)
    error = clustered_error(influence, np.arange(len(y)) if cluster is None else cluster)
    return DoublyRobust(effect, error, mean_0, mean_1, influence)


def clustered_error(influence: Array, cluster: ArrayLike) -> float:
    """Standard error of an estimate from its rows' influences, which add up by cluster."""
    code = np.unique(cluster, return_inverse=True)[1]
    sums = np.bincount(code, weights=influence)
    scale = len(sums) / max(len(sums) - 1, 1)
    return float(np.sqrt(scale * np.sum(sums**2)) / len(influence))


def _influence(
    y: Array, t: Array, X: Array, W: Array, choice: Any, both: Any, effect: float
) -> Array:
    """Each row's influence on the effect, that through the two models included."""
    n = len(y)
    e = np.asarray(choice.predict())
    slope = np.asarray(choice.model.pdf(W @ np.asarray(choice.params)))  # of the chance
    mu = [X @ np.asarray(fit.params) for fit in (both.results0, both.results1)]
    off = [y - m for m in mu]
    own = mu[1] - mu[0] + t * off[1] / e - (1 - t) * off[0] / (1 - e) - effect
    # how the effect moves with the coefficients of each model
    by_1 = (X * (1.0 - t / e)[:, None]).mean(axis=0)
    by_0 = -(X * (1.0 - (1 - t) / (1 - e))[:, None]).mean(axis=0)
    pull = -slope * (t * off[1] / e**2 + (1 - t) * off[0] / (1 - e) ** 2)
    by_choice = (W * pull[:, None]).mean(axis=0)
    for group, residual, by in ((t, off[1], by_1), (1 - t, off[0], by_0)):
        information = (X * group[:, None]).T @ X / n
        own = own + group * residual * (X @ np.linalg.solve(information, by))
    weight = slope / (e * (1 - e))
    information = (W * (weight * slope)[:, None]).T @ W / n
    own = own + weight * (t - e) * (W @ np.linalg.solve(information, by_choice))
    return np.asarray(own)
