"""Simulation extrapolation: what an estimate would be if a measure had no error."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from sidewall.arguments import Array
from sidewall.errors import DataError

#: Added error variance, in units of the error variance that is there already.
LAMBDAS = (0.5, 1.0, 1.5, 2.0)


@dataclass(frozen=True)
class SimexPath:
    """Estimates under more and more error, and where they lead without any.

    Attributes
    ----------
    lambdas : ndarray, shape (l,)
        Added error variance over the one that is there; the first is 0.
    estimates : ndarray, shape (l, n, ..., p)
        By lambda and draw of the error; all draws are the same at lambda 0.
    covariances : ndarray, shape (l, ..., p, p)
        Mean over draws of the estimates' own covariance.
    """

    lambdas: Array
    estimates: Array
    covariances: Array

    def mean(self) -> Array:
        """Mean over draws, shape (l, ..., p)."""
        return np.asarray(self.estimates.mean(axis=1))

    def weights(self, degree: int) -> Array:
        """Weight of each lambda in a least-squares polynomial read off at -1, shape (l,).

        Raises
        ------
        DataError
            With fewer lambdas than the polynomial needs.
        """
        if len(self.lambdas) <= degree:
            raise DataError(
                f"{len(self.lambdas) - 1} lambdas cannot hold a polynomial of degree {degree}; "
                f"give at least {degree}."
            )
        powers = np.vander(self.lambdas, degree + 1, increasing=True)
        return np.asarray((-1.0) ** np.arange(degree + 1) @ np.linalg.pinv(powers))

    def at_no_error(self, degree: int = 2) -> tuple[Array, Array]:
        """Extrapolate the estimate and its covariance to lambda = -1.

        Parameters
        ----------
        degree : int, default 2
            Of the polynomial: 1 linear, 2 quadratic.

        Returns
        -------
        estimate : ndarray, shape (..., p)
        covariance : ndarray, shape (..., p, p)

        Notes
        -----
        The variance is that of Stefanski & Cook 1995, Journal of the American Statistical
        Association 90:1247-1256: at each lambda the estimates' own covariance less that of
        the estimates between draws, extrapolated as the estimate is. To it comes what is
        left of the luck of a limited number of draws. Extrapolated variances are themselves
        uncertain and may come out too small; they are kept at no less than the covariance
        at lambda 0, in every direction, since allowing for an error makes nobody surer.
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
    seed : int or Generator
    turned_back : bool, default False
        For a measure that cannot be below zero: a value below is turned back from zero.
        If the error was turned back so when it arose, then what is added here makes
        exactly the error of the larger variance, so that nothing is lost near zero; cutting
        off at zero would pile up values there and does not add up so.

    Returns
    -------
    SimexPath

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
