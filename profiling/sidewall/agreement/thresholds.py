"""What disagreement and errors of the gap do to the loose threshold: simulation extrapolation."""

from __future__ import annotations

import copy
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from sidewall.arguments import (
    GAP_M,
    Array,
    Table,
    as_frame,
    check_kind,
    check_level,
    check_seed,
    check_within_court,
    numbers_of,
)
from sidewall.errors import DataError
from sidewall.features.coded import need_columns
from sidewall.models.answers import LEAST_OWN, NOT_KNOWN, Threshold, threshold_of
from sidewall.models.posterior import crossings
from sidewall.models.tightness import TightnessModel

#: Added error variance, in units of the error variance that is there already.
LAMBDAS = (0.5, 1.0, 1.5, 2.0)


@dataclass(frozen=True)
class SimexPath:
    """Estimates under more and more error, and where they lead without any.

    `lambdas`, (l,), are added error variances over the one that is there, the first 0; `estimates`,
    (l, n, ..., p), are by lambda and draw of the error, at lambda 0 all the same; `covariances`,
    (l, ..., p, p), are means over draws of the estimates' own covariance.
    """

    lambdas: Array
    estimates: Array
    covariances: Array

    def mean(self) -> Array:
        """Mean over draws, shape (l, ..., p)."""
        return np.asarray(self.estimates.mean(axis=1))

    def weights(self, degree: int) -> Array:
        """Weight of each lambda in a least-squares polynomial read off at -1, shape (l,).

        A DataError with fewer lambdas than the polynomial needs.
        """
        if len(self.lambdas) <= degree:
            raise DataError(
                f"{len(self.lambdas) - 1} lambdas cannot hold a polynomial of degree {degree}; "
                f"give at least {degree}."
            )
        powers = np.vander(self.lambdas, degree + 1, increasing=True)
        return np.asarray((-1.0) ** np.arange(degree + 1) @ np.linalg.pinv(powers))

    def at_no_error(self, degree: int = 2) -> tuple[Array, Array]:
        """Extrapolate the estimate, (..., p), and its covariance, (..., p, p), to lambda = -1.

        By a polynomial of `degree`. The variance is that of Stefanski & Cook 1995, Journal of the
        American Statistical Association 90:1247-1256: at each lambda the estimates' own covariance
        less that of the estimates between draws, extrapolated as the estimate is. To it comes what
        is left of the luck of a limited number of draws. Extrapolated variances are themselves
        uncertain and may come out too small; they are kept at no less than the covariance at lambda
        0, in every direction, since allowing for an error makes nobody surer.
        """
        w, n = self.weights(degree), self.estimates.shape[1]
        means = self.mean()
        estimate = np.tensordot(w, means, axes=1)
        off = self.estimates - means[:, None]
        between = np.einsum("ln...i,ln...j->l...ij", off, off) / max(n - 1, 1)
        luck = np.tensordot(w, self.estimates, axes=1)
        luck = luck - luck.mean(axis=0)
        chance = np.einsum("n...i,n...j->...ij", luck, luck) / max(n - 1, 1) / n
        grown = np.tensordot(w, self.covariances - between, axes=1)
        return estimate, _at_least(grown, self.covariances[0]) + chance


def _at_least(covariance: Array, least: Array) -> Array:
    """Raise a covariance to no less than another in every direction."""
    root = np.linalg.cholesky(least)
    inner = np.linalg.solve(root, np.swapaxes(np.linalg.solve(root, covariance), -1, -2))
    values, vectors = np.linalg.eigh((inner + np.swapaxes(inner, -1, -2)) / 2)
    scaled = root @ vectors
    return np.asarray(
        (scaled * np.maximum(values, 1.0)[..., None, :]) @ np.swapaxes(scaled, -1, -2)
    )


def simex(
    fit: Callable[[Array], tuple[Array, Array]],
    measured: ArrayLike,
    error_sd: ArrayLike,
    lambdas: Sequence[float] = LAMBDAS,
    n: int = 20,
    seed: int | np.random.Generator = 0,
    *,
    turned_back: bool = False,
) -> SimexPath:
    """Refit with error added, again and again.

    Parameters
    ----------
    fit : callable
        Takes the measure, shape (m,), and returns estimates of shape (..., p) and their
        covariance, shape (..., p, p).
    measured : array-like, shape (m,)
        Measure with error; NaN where missing.
    error_sd : float or array-like, shape (m,)
        Standard deviation of the error, taken as known.
    lambdas : sequence of float, default (0.5, 1, 1.5, 2)
        Added error variance, in units of the variance that is there.
    n : int, default 20
        Draws of the error at each lambda; one draw serves all lambdas, scaled, so that the
        path is smooth.
    seed : int or Generator, default 0
    turned_back : bool, default False
        For a measure that cannot be below zero: a value below is turned back from zero.
        If the error was turned back so when it arose, then what is added here makes
        exactly the error of the larger variance, so that nothing is lost near zero; cutting
        off at zero would pile up values there and does not add up so.

    Raises
    ------
    DataError
        If the standard deviation is not a positive number, or a lambda is not above 0.

    Notes
    -----
    Cook & Stefanski 1994, Journal of the American Statistical Association 89:1314-1328;
    Carroll, Ruppert, Stefanski & Crainiceanu 2006, Measurement Error in Nonlinear Models,
    2nd ed., chapter 5.
    """
    x, sd = np.asarray(measured, dtype=float), np.asarray(error_sd, dtype=float)
    if not (np.isfinite(sd) & (sd >= 0)).all() or not (sd > 0).any():
        raise DataError(
            f"The standard deviation of the error is {np.unique(sd).tolist()[:3]}; give a "
            "positive number. Agreement gives one from two charters of one match."
        )
    if not lambdas or min(lambdas) <= 0 or n < 2:
        raise DataError(f"lambdas {tuple(lambdas)}, n = {n}: give lambdas above 0 and n from 2.")
    rng = np.random.default_rng(seed)
    theta, covariance = fit(x)
    estimates = [np.broadcast_to(theta, (n, *theta.shape))]
    covariances = [covariance]
    errors = [sd * rng.standard_normal(x.shape) for _ in range(n)]
    for extra in lambdas:
        found = []
        for error in errors:
            noisy = x + np.sqrt(extra) * error
            found.append(fit(np.abs(noisy) if turned_back else noisy))
        estimates.append(np.stack([one for one, _ in found]))
        covariances.append(np.mean([two for _, two in found], axis=0))
    return SimexPath(np.array([0.0, *lambdas]), np.stack(estimates), np.stack(covariances))


_CELL: Final = ["player", "side", "family"]
_ANSWER: Final = ["status", "threshold_m", "threshold_low_m", "threshold_high_m"]
_SIZE: Final = ["n_attack", "n_reset", "n_rallies"]
#: Gaps at which the gain is extrapolated, from 0 to the widest met.
_GAPS: Final = 12
_DRAWS: Final = 2000
_DEGREES: Final = {"linear": 1, "quadratic": 2}


def _fitted(model: TightnessModel | None, shots: pd.DataFrame) -> TightnessModel:
    """Fit a copy, so that the model given stays as it was."""
    check_kind(model, "TightnessModel", "model", "one, sw.TightnessModel()", or_none=True)
    return copy.copy(model or TightnessModel()).fit(shots)


def threshold_agreement(
    first: Table,
    second: Table,
    rest: Table | None = None,
    model: TightnessModel | None = None,
    level: float = 0.95,
) -> pd.DataFrame:
    """Thresholds from one charter's log and from the other's, side by side.

    The same rallies were charted twice, so what differs between the two answers comes from
    the charting alone. The interval of each answer is about the luck of the rallies, which
    both share; it is no interval of the difference.

    Parameters
    ----------
    first, second : DataFrame
        Canonical shot tables of the same matches.
    rest : DataFrame, optional
        The ladder's log. Matches that are charted twice take the place of its own.
    model : TightnessModel, optional
        Fitted anew to either log; by default by value.
    level : float, default 0.95

    Returns
    -------
    DataFrame
        ``player``, ``side``, ``family`` of the players charted twice; status, threshold,
        limits and counts by either log (``threshold_m_first``, ``threshold_m_second`` and
        so on); ``difference_m``, second less first, where both are known;
        ``share_of_interval``, its size in half-widths of the first's interval;
        ``same_answer``, whether the status is the same.

    Raises
    ------
    DataError
        If the two logs do not hold the same matches, or the model cannot be fitted.

    See Also
    --------
    Agreement
    simex_thresholds

    Examples
    --------
    >>> fast = sw.TightnessModel(outcome="rally", strokes=False, draws=50)
    >>> again = sw.simulate.second_charter(shots, seed=1)
    >>> table = sw.threshold_agreement(shots, again, model=fast)
    >>> table[["player", "side", "family", "same_answer"]].shape
    (16, 4)
    """
    first = as_frame(first, "first")
    second = as_frame(second, "second")
    rest = None if rest is None else as_frame(rest, "rest")
    check_level(level)
    for log in (first, second):
        need_columns(log, ("match",))
    matches = [set(shots["match"].astype(str).unique()) for shots in (first, second)]
    if matches[0] != matches[1]:
        odd = ", ".join(sorted(matches[0] ^ matches[1]))
        raise DataError(f"Charted by one of the two only: {odd}. Give the same matches to both.")
    found = []
    for shots in (first, second):
        whole = shots if rest is None else _joined(rest, shots, matches[0])
        table = _fitted(model, whole).thresholds(level)
        found.append(table[table["player"].isin(shots["player"].astype(str).unique())])
    keep = [*_CELL, *_ANSWER, *_SIZE]
    both = found[0][keep].merge(
        found[1][keep], on=_CELL, how="outer", suffixes=("_first", "_second"), sort=False
    )
    for whose in ("first", "second"):
        both[f"status_{whose}"] = both[f"status_{whose}"].fillna(NOT_KNOWN)
        for name in _SIZE:
            both[f"{name}_{whose}"] = both[f"{name}_{whose}"].fillna(0).astype(np.int64)
    both["difference_m"] = both["threshold_m_second"] - both["threshold_m_first"]
    half = (both["threshold_high_m_first"] - both["threshold_low_m_first"]) / 2
    both["share_of_interval"] = both["difference_m"].abs() / half
    both["same_answer"] = both["status_first"] == both["status_second"]
    return both


def _joined(rest: pd.DataFrame, shots: pd.DataFrame, matches: set[str]) -> pd.DataFrame:
    """Put a charter's matches in the place of the ladder's own."""
    others = rest[~rest["match"].astype(str).isin(matches).to_numpy()]
    columns = [c for c in others.columns if c in shots.columns]
    joined = pd.concat([others[columns], shots[columns]], ignore_index=True)
    names = list(dict.fromkeys([*others["player"].astype(str), *shots["player"].astype(str)]))
    for column in ("player", "opponent", "rally_won_by"):
        joined[column] = pd.Categorical(joined[column].astype(object), categories=names)
    joined["match"] = pd.Categorical(joined["match"], categories=joined["match"].unique())
    for column in columns:
        if isinstance(others[column].dtype, pd.CategoricalDtype):  # unlike words made them text
            joined[column] = joined[column].astype("category")
    return joined


def simex_thresholds(
    shots: Table,
    gap_sd_m: ArrayLike,
    model: TightnessModel | None = None,
    lambdas: Sequence[float] = LAMBDAS,
    n: int = 20,
    seed: int | np.random.Generator = 0,
    level: float = 0.95,
) -> pd.DataFrame:
    """Thresholds with the error of the charted gaps allowed for.

    An error of the gap flattens the curves and moves the place where they cross. Here more
    of it is added, the model is fitted again and again, and the gain of attack over reset at
    a row of gaps is followed back to where there would be no error: simulation
    extrapolation, see :func:`~sidewall.agreement.thresholds.simex`.

    Parameters
    ----------
    shots : DataFrame
        A canonical shot table.
    gap_sd_m : float or array-like, shape (shots,)
        Standard deviation of the error of a charted gap, metres, taken as known;
        ``Agreement.gap_error_`` gives it from two charters.
    model : TightnessModel, optional
        By default by value.
    lambdas : sequence of float, default (0.5, 1, 1.5, 2)
    n : int, default 20
        Fits at each lambda.
    seed : int or Generator, default 0
    level : float, default 0.95

    Returns
    -------
    DataFrame
        Three rows for each player, side and family, by ``extrapolation``: none (the answer
        as charted), linear, quadratic. ``status``, ``threshold_m``, ``threshold_low_m``,
        ``threshold_high_m``, ``gap_max_m``, ``n_attack``, ``n_reset``, ``n_rallies`` as in
        :meth:`TightnessModel.thresholds`.

    Raises
    ------
    DataError
        If the standard deviation is not positive, or there are fewer than two lambdas.

    See Also
    --------
    Agreement
    threshold_agreement
    TightnessModel

    Notes
    -----
    The gain of attack minus reset is extrapolated at twelve gaps, not the thresholds, which
    are missing where curves do not cross. Linear undoes part of the error's effect, quadratic
    more, at the price of a wider interval. The thresholds are read off normal draws of the
    gain with the covariance of Stefanski & Cook 1995, which stands on that of the model's own
    draws. A gap cannot be below zero: readings that the added error takes below are turned
    back from the wall, which is right if charters' errors near the wall are of that kind
    and which keeps the method exact for them. The error is taken to be independent
    shot to shot and of everything else. The standard deviation's own uncertainty is not in
    the interval: try both of its limits.

    Examples
    --------
    >>> fast = sw.TightnessModel(outcome="rally", strokes=False, draws=50)
    >>> table = sw.simex_thresholds(shots, 0.05, fast, lambdas=(1.0, 2.0), n=2)
    >>> table["extrapolation"].unique().tolist()
    ['none', 'linear', 'quadratic']
    """
    shots = as_frame(shots)
    check_seed(seed)
    check_level(level)
    check_within_court(numbers_of(gap_sd_m, "gap_sd_m").max(initial=0.0), "gap_sd_m", GAP_M)
    need_columns(shots, ["gap_m"])
    if len(lambdas) < max(_DEGREES.values()):
        raise DataError(f"lambdas {tuple(lambdas)}: a quadratic takes two or more.")
    base = _fitted(model, shots)
    gaps = [np.linspace(0.0, float(widest), _GAPS) for widest in base.gap_max_m()]

    def fit(gap_m: Array) -> tuple[Array, Array]:
        return _gains(_fitted(base, shots.assign(gap_m=gap_m)), base.players_, gaps)

    path = simex(fit, shots["gap_m"], gap_sd_m, lambdas, n, seed, turned_back=True)
    charted = path.estimates[0, 0], path.covariances[0]
    answers = {"none": charted, **{k: path.at_no_error(d) for k, d in _DEGREES.items()}}
    return _table(base, gaps, answers, level, np.random.default_rng(seed))


def _gains(model: TightnessModel, players: list[str], gaps: list[Array]) -> tuple[Array, Array]:
    """Gain of attack over reset, (players, cells, gaps), and its covariance."""
    size = len(players), len(model.cells_), _GAPS
    mean, covariance = np.zeros(size), np.zeros((*size, _GAPS))
    for i, player in enumerate(players):
        at = model.players_.index(player)
        for j, some in enumerate(gaps):
            drawn = model.posterior_.gain(at, j, some)
            mean[i, j] = drawn.mean(axis=0)
            covariance[i, j] = np.cov(drawn.T) + 1e-10 * np.eye(_GAPS)
    return mean, covariance


def _table(
    base: TightnessModel,
    gaps: list[Array],
    answers: dict[str, tuple[Array, Array]],
    level: float,
    rng: np.random.Generator,
) -> pd.DataFrame:
    rows = []
    cells = len(base.cells_)
    for at, size in enumerate(base.thresholds(level).to_dict("records")):
        own = min(size["n_attack"], size["n_reset"]) >= LEAST_OWN
        for name, (values, covariances) in answers.items():
            i, j = divmod(at, cells)
            found = Threshold(NOT_KNOWN)
            if own:
                drawn = rng.multivariate_normal(
                    values[i, j], covariances[i, j], _DRAWS, method="eigh"
                )
                found = threshold_of(crossings(drawn, gaps[j]), level)
            rows.append(
                {
                    **{key: size[key] for key in _CELL},
                    "extrapolation": name,
                    "status": found.status,
                    "threshold_m": found.gap_m,
                    "threshold_low_m": found.low_m,
                    "threshold_high_m": found.high_m,
                    **{key: size[key] for key in (*_SIZE, "gap_max_m")},
                }
            )
    return pd.DataFrame(rows)
