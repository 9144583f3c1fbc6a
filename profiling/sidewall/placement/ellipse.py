"""Error ellipses: where shots land, how far their mean may be off, and a robust version."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import fdtri

from sidewall.arguments import Array, Bools, check_seed, check_share, numbers_of
from sidewall.errors import DataError

#: Fewest points: below, a robust ellipse is decided by a handful of them.
_LEAST, _LEAST_ROBUST = 3, 10
#: Share of normal points that the robust ellipse keeps.
_BULK: Final = 0.975
#: How much further than the plain ellipse the robust one reaches: the logarithm of the ratio of
#: their squared radii for n normal points, as weights of the terms in `_reach`. Least squares
#: through the quantiles from 0.5 to 0.95 of simulated distances, 28 sizes from 10 to 400 with up
#: to 6,000 logs each; ``weights`` in ``tests/placement/test_ellipse.py`` makes them anew.
_REACH: Final = {
    "shots": (0.0, 13.88, -12.73, -19.05, 33.65, -72.86, 4.72, 13.57),
    "mean": (0.21, 58.64, -291.27, 455.19, 75.74, -208.8, 10.43, 9.28),
}
#: Triples that its search starts from, points that they are tried on, and those followed up.
_STARTS, _LOOKED_AT, _FOLLOWED = 200, 1500, 10


@dataclass(frozen=True)
class Ellipse:
    """An ellipse on the floor.

    Parameters
    ----------
    centre_m
        (x, y), metres.
    covariance
        Covariance of the points, shape (2, 2), square metres.
    radius
        How many standard deviations the ellipse reaches.
    n
        Points behind it; for a robust one those not set aside.
    """

    centre_m: tuple[float, float]
    covariance: Array
    radius: float
    n: int

    @property
    def half_axes_m(self) -> tuple[float, float]:
        """Long and short half axis, metres."""
        values = np.linalg.eigvalsh(self.covariance)
        long, short = np.sqrt(np.clip(values[::-1], 0.0, None)) * self.radius
        return float(long), float(short)

    @property
    def angle_deg(self) -> float:
        """Direction of the long axis, degrees from the x axis to the y axis, -90 to 90."""
        _, vectors = np.linalg.eigh(self.covariance)
        x, y = vectors[:, -1]
        angle = float(np.degrees(np.arctan2(y, x)))
        return (angle + 90.0) % 180.0 - 90.0

    def contains(self, x_m: ArrayLike, y_m: ArrayLike) -> Bools:
        """Whether points lie inside."""
        away = np.stack([np.asarray(x_m, float), np.asarray(y_m, float)], axis=-1)
        away = away - np.asarray(self.centre_m)
        square = np.einsum("...i,ij,...j->...", away, np.linalg.inv(self.covariance), away)
        return np.asarray(square <= self.radius**2, dtype=bool)

    def outline(self, points: int = 181) -> Array:
        """Points along the ellipse, shape (points, 2)."""
        turn = np.linspace(0.0, 2.0 * np.pi, points)
        values, vectors = np.linalg.eigh(self.covariance)
        root = vectors * np.sqrt(np.clip(values, 0.0, None))
        circle = np.stack([np.cos(turn), np.sin(turn)])
        return np.asarray(self.centre_m + self.radius * (root @ circle).T)


def error_ellipse(
    x_m: ArrayLike,
    y_m: ArrayLike,
    share: float = 0.8,
    *,
    of: Literal["shots", "mean"] = "shots",
    robust: bool = False,
    seed: int = 0,
) -> Ellipse:
    """Ellipse that the next shot hits with a given chance, or that holds the true mean.

    Parameters
    ----------
    x_m, y_m
        Where the shots bounced, shape (n,); those with a missing value are left out.
    share
        The chance that the next shot falls inside (``of="shots"``), or the confidence that
        the mean of all shots to come lies inside (``of="mean"``).
    of
        See `share`.
    robust
        Mean and covariance of the bulk of the shots, so that a few mishits do not blow the
        ellipse up.
    seed
        For the search of the robust one.

    Raises
    ------
    DataError
        If there are too few shots, or they lie on one line.

    See Also
    --------
    placement_table
    plot_placement

    Notes
    -----
    For n normal points the squared distance of the next from their mean, in units of their
    covariance, is ``2 (n + 1) (n - 1) / (n (n - 2))`` times F with 2 and n - 2 degrees of
    freedom, and that of the true mean the same without ``n + 1`` (Hotelling 1931, Annals of
    Mathematical Statistics 2:360-378), so the shares are exact whatever n. The robust
    estimate is the reweighted minimum covariance determinant (Rousseeuw & Van Driessen
    1999, Technometrics 41:212-223), made consistent at the normal (Croux & Haesbroeck 1999,
    Journal of Multivariate Analysis 71:161-190); its n is the number of shots kept. It knows
    its centre and its width less well than all n points would tell, and few points make it too
    narrow, so it reaches further by a factor of n and share, found by simulation of normal
    points from 10 to 400: the shares from 0.5 to 0.95 come out within 0.013, those of the mean
    within 0.035. Its shares are those of the bulk: where scatter has long tails or is skew, the
    next shot falls outside more often than said.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> ellipse = sw.error_ellipse(rng.normal(0.4, 0.2, 40), rng.normal(8.2, 0.5, 40))
    >>> ellipse.n
    40
    """
    check_share(share, "share")
    check_seed(seed)
    if of not in ("shots", "mean"):
        raise DataError(f"of is {of!r}; it must be 'shots' or 'mean'")
    points = np.column_stack([numbers_of(x_m, "x_m"), numbers_of(y_m, "y_m")])
    points = points[np.isfinite(points).all(axis=1)]
    least = _LEAST_ROBUST if robust else _LEAST
    if len(points) < least:
        raise DataError(
            f"{len(points)} shots with a known bounce; an ellipse needs at least {least}"
        )
    n = len(points)
    usual = points.mean(axis=0), np.cov(points.T), n
    mean, covariance, kept = _robust(points, seed) if robust else usual
    if not np.linalg.det(covariance) > 1e-12 * np.trace(covariance) ** 2:
        raise DataError("the shots lie on one line, so they have no ellipse; check the bounces")
    square = 2.0 * (n - 1) / (n * (n - 2)) * float(fdtri(2, n - 2, share))
    if of == "shots":
        square *= n + 1
    if robust:
        square *= float(np.exp(_REACH[of] @ _reach(n, share)))
    return Ellipse((float(mean[0]), float(mean[1])), covariance, float(np.sqrt(square)), kept)


def _reach(n: ArrayLike, share: ArrayLike) -> Array:
    """Terms of the robust ellipse's further reach, shape (8, ...).

    All but the first vanish for many points. An odd n has the smaller half to start from.
    """
    n, share = np.broadcast_arrays(np.asarray(n, dtype=float), share)
    far, odd = -np.log(1.0 - share), n % 2
    short, tiny = n**-1.5, n**-2.0
    terms = (n**0, 1 / n, short, tiny, far * short, far * tiny, odd * short, odd * far * tiny)
    return np.stack(terms)


def _robust(points: Array, seed: int) -> tuple[Array, Array, int]:
    """Reweighted minimum covariance determinant."""
    mean, covariance, half = _tightest_half(points, seed)
    square = _squares(points, mean[None], covariance[None])[0] / _consistent(half / len(points))
    bulk = points[square < -2.0 * np.log(1.0 - _BULK)]  # chi-squared with 2 degrees of freedom
    mean, covariance = _moments(bulk)
    return mean, covariance * _consistent(_BULK), len(bulk)


def _tightest_half(points: Array, seed: int) -> tuple[Array, Array, int]:
    """Mean and covariance of the half whose covariance has the least determinant; its size.

    From many triples at once, each round keeps the half that lies nearest in units of the
    covariance of the last half, which cannot make the determinant larger.
    """
    rng = np.random.default_rng(seed)
    few = rng.permutation(points)[:_LOOKED_AT]
    found = _moments(few[rng.integers(0, len(few), (_STARTS, 3))])
    for _ in range(2):
        found = _nearest_half(few, *found)
    best = np.argsort(np.linalg.det(found[1]))[:_FOLLOWED]
    found, last = (found[0][best], found[1][best]), np.full(_FOLLOWED, np.inf)
    while True:
        found = _nearest_half(points, *found)
        size = np.linalg.det(found[1])
        if not (size < last * (1.0 - 1e-9)).any():
            break
        last = size
    least = int(np.argmin(size))
    return found[0][least], found[1][least], (len(points) + 4) // 2


def _nearest_half(points: Array, mean: Array, covariance: Array) -> tuple[Array, Array]:
    half = (len(points) + 4) // 2
    nearest = np.argpartition(_squares(points, mean, covariance), half - 1, axis=1)[:, :half]
    return _moments(points[nearest])


def _squares(points: Array, mean: Array, covariance: Array) -> Array:
    """Squared distances of all points in units of each covariance, shape (k, n)."""
    x, y = (points[:, j] - mean[:, j, None] for j in (0, 1))
    inverse = np.linalg.pinv(covariance, hermitian=True)[:, :, :, None]
    return np.asarray(
        inverse[:, 0, 0] * x * x + 2.0 * inverse[:, 0, 1] * x * y + inverse[:, 1, 1] * y * y
    )


def _moments(points: Array) -> tuple[Array, Array]:
    """Mean and covariance over the last axis but one."""
    mean = points.mean(axis=-2)
    away = points - mean[..., None, :]
    return mean, np.swapaxes(away, -1, -2) @ away / points.shape[-2]


def _consistent(share: float) -> float:
    """What makes the covariance of the innermost share of normal points that of all of them."""
    return float(share / (1.0 - (1.0 - share) * (1.0 - np.log(1.0 - share))))
