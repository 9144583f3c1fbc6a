"""Are a method's intervals right? Ranks of the truth among draws, over many simulations.

If the truth is drawn from the prior and the data from the truth, the truth's rank among
draws from the posterior is uniform (Cook, Gelman & Rubin 2006; Talts, Betancourt, Simpson,
Vehtari & Gelman 2018, arXiv:1804.06788). Intervals that are too short put it among the
extremes too often, too wide ones too seldom, and a bias leans it to one side.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import chdtrc, fdtrc, ndtri

from sidewall.arguments import Array, check_seed
from sidewall.errors import DataError

Simulate = Callable[[np.random.Generator], tuple[Mapping[str, ArrayLike], Any]]
Estimate = Callable[[Any, int, np.random.Generator], Mapping[str, ArrayLike]]


def rank_of(truth: ArrayLike, draws: ArrayLike, rng: np.random.Generator) -> Array:
    """Count the draws below the truth; ties are broken at random.

    Parameters
    ----------
    truth : array-like, shape (...)
    draws : array-like, shape (L, ...)
    rng : numpy.random.Generator

    Returns
    -------
    ndarray of int64, shape (...)
        From 0 to L.
    """
    true, drawn = np.asarray(truth, dtype=float), np.asarray(draws, dtype=float)
    if drawn.shape[1:] != true.shape:
        raise DataError(
            f"truth has shape {true.shape} and draws {drawn.shape}: the draws need the truth's "
            "shape behind their first axis"
        )
    ties = (drawn == true).sum(axis=0)
    return np.asarray((drawn < true).sum(axis=0) + rng.integers(0, ties + 1), dtype=np.int64)


def simulation_ranks(
    simulate: Simulate,
    estimate: Estimate,
    simulations: int,
    *,
    draws: int = 99,
    seed: int | tuple[int, ...] = 0,
    first: int = 0,
) -> pd.DataFrame:
    """Draw a truth and data, estimate, and rank the truth; many times over.

    Parameters
    ----------
    simulate : callable
        Takes a Generator; returns the truth (name of a quantity -> array) and the data.
    estimate : callable
        Takes the data, a number of draws and a Generator; returns draws of every quantity
        from the method's error distribution, arrays of shape (draws, ...).
    simulations : int
    draws : int, default 99
        Draws to rank the truth among: 99 give the ranks 0 to 99.
    seed : int or tuple of int, default 0
        Simulation k has the random numbers of (seed, k), whatever ran before.
    first : int, default 0
        Number of the first simulation, to share the work among processes.

    Returns
    -------
    DataFrame
        ``simulation``, ``quantity``, ``position`` (within the quantity's array), ``rank``.
    """
    parts = []
    base = seed if isinstance(seed, tuple) else (seed,)
    for number in range(first, first + simulations):
        rng = np.random.default_rng([*base, number])
        truth, data = simulate(rng)
        drawn = estimate(data, draws, rng)
        for name, true in truth.items():
            ranks = np.atleast_1d(rank_of(true, drawn[name], rng)).ravel()
            parts.append(
                pd.DataFrame(
                    {
                        "simulation": number,
                        "quantity": name,
                        "position": np.arange(len(ranks)),
                        "rank": ranks,
                    }
                )
            )
    return pd.concat(parts, ignore_index=True)


_BAND_DRAWS: Final = 4000
_STEPS: Final = 50
#: Quantile, over the line, of what the clusters do to its variance.
_WIDE_OF_LINE: Final = 0.75


@dataclass(frozen=True)
class RankCheck:
    """Whether ranks are uniform, and how they are not.

    Attributes
    ----------
    histogram : DataFrame
        ``low``, ``high`` (ranks), ``share``, ``expected``, and ``band_low``, ``band_high``:
        where a bin's share lies 95 times in 100 if ranks are uniform.
    ecdf : DataFrame
        ``u`` (rank as a share), ``difference`` (share of ranks up to there, minus what is
        expected), ``band_low``, ``band_high``: the whole line stays within them 95 times in 100.
    p_value : float
        Of the hypothesis that ranks are uniform, on the shares of the bins.
    lean : float
        Mean rank minus its expectation, as a share of all ranks.
    shift_z : float
        Mean rank against its expectation, in standard errors: above zero, the truth lies
        above the estimates too often, so estimates are too low.
    spread_z : float
        Mean squared distance of the rank from the middle, likewise: above zero, intervals are
        too short; below, too wide.
    covered : float
        Share of truths within the middle of the ranks that holds about 95 in 100.
    covered_expected : float
        What that share is if ranks are uniform.
    covered_se : float
        Standard error, over simulations.
    draws, n, simulations : int
        Draws ranked among, ranks, and simulations they come from.
    """

    histogram: pd.DataFrame
    ecdf: pd.DataFrame
    p_value: float
    lean: float
    shift_z: float
    spread_z: float
    covered: float
    covered_expected: float
    covered_se: float
    draws: int
    n: int
    simulations: int

    def words(self, z: float = 2.0) -> str:
        """Say in words what is wrong with the intervals, if anything is.

        Parameters
        ----------
        z : float, default 2
            From how many standard errors on something is said.
        """
        found = []
        if abs(self.spread_z) > z:
            how = "short" if self.spread_z > 0 else "wide"
            share, due = 100 * self.covered, 100 * self.covered_expected
            found.append(f"intervals too {how} ({share:.0f} for {due:.0f} in 100)")
        if abs(self.shift_z) > z:
            how = "low" if self.shift_z > 0 else "high"
            found.append(f"estimates too {how} (ranks lean {100 * abs(self.lean):.1f} in 100)")
        return ", ".join(found) or "no fault seen"


def check_ranks(
    ranks: ArrayLike,
    draws: int,
    simulation: ArrayLike | None = None,
    bins: int = 10,
    seed: int = 0,
) -> RankCheck:
    """Test ranks for uniformity.

    Ranks of one simulation share their data and hang together; so every error is taken from
    the spread between simulations.

    Parameters
    ----------
    ranks : array-like of int, shape (n,)
        From 0 to `draws`.
    draws : int
    simulation : array-like, shape (n,), optional
        Which simulation each rank comes from; each its own by default.
    bins : int, default 10
        Must divide ``draws + 1``.
    seed : int, default 0
        For the band around the line.

    Raises
    ------
    DataError
        When ranks lie outside 0 to `draws`, `bins` does not divide ``draws + 1``, or there
        are not at least three simulations a bin.

    Notes
    -----
    With one rank a simulation the test is Pearson's chi-square, and the band holds the whole
    line of so many independent ranks (Sailynoja, Buerkner & Vehtari 2022, Statistics and
    Computing 32:32). Otherwise the test is Hotelling's on the shares of the bins less one,
    simulation by simulation, and the band is stretched by what the simulations do to the
    variance of the line.
    """
    check_seed(seed)
    values = np.asarray(ranks, dtype=np.int64).ravel()
    own = simulation is None
    group = np.arange(len(values)) if simulation is None else np.asarray(simulation).ravel()
    _refuse(values, draws, bins, group)
    _, code = np.unique(group, return_inverse=True)
    count = np.bincount(code).astype(float)
    runs = len(count)

    def by_run(columns: Array) -> Array:
        """Means of columns within each simulation, weighted so that all ranks count alike."""
        sums = np.stack([np.bincount(code, weights=c, minlength=runs) for c in columns.T], axis=1)
        return np.asarray(sums * (runs / len(values)))

    def z_of(column: Array, expected: float) -> tuple[float, float]:
        centred = by_run((column - expected)[:, None])[:, 0]
        error = centred.std(ddof=1) / np.sqrt(runs)
        return float(centred.mean() / error) if error > 0 else 0.0, float(error)

    width = (draws + 1) // bins
    inside = (values[:, None] // width == np.arange(bins)).astype(float)
    shares = by_run(inside)
    mean = shares.mean(axis=0)
    covariance = np.cov(by_run(inside - 1.0 / bins), rowvar=False)
    p_value = _chi_square(mean, runs) if own else _hotelling(mean, covariance, runs)
    half = float(ndtri(0.975)) * (
        np.full(bins, np.sqrt((1.0 - 1.0 / bins) / bins / runs))
        if own
        else np.sqrt(np.diag(covariance) / runs)
    )
    low = np.arange(bins) * width
    histogram = pd.DataFrame(
        {
            "low": low,
            "high": low + width - 1,
            "share": mean,
            "expected": 1.0 / bins,
            "band_low": np.maximum(1.0 / bins - half, 0.0),
            "band_high": 1.0 / bins + half,
        }
    )
    u = (values + 0.5) / (draws + 1)
    tail = round(0.025 * (draws + 1))
    middle = ((values >= tail) & (values <= draws - tail)).astype(float)
    expected = 1.0 - 2.0 * tail / (draws + 1)
    _, error = z_of(middle, expected)
    return RankCheck(
        histogram,
        _ecdf(values, draws, by_run, own, seed),
        p_value,
        float(u.mean() - 0.5),
        z_of(u, 0.5)[0],
        z_of((u - 0.5) ** 2, (1.0 - (draws + 1.0) ** -2) / 12.0)[0],
        float(middle.mean()),
        expected,
        error,
        draws,
        len(values),
        runs,
    )


def _refuse(values: Array, draws: int, bins: int, group: Array) -> None:
    if len(values) == 0 or values.min() < 0 or values.max() > draws:
        found = f"from {values.min()} to {values.max()}" if len(values) else "none"
        raise DataError(f"ranks must lie from 0 to {draws} (the number of draws); found {found}")
    if bins < 2 or (draws + 1) % bins:
        raise DataError(
            f"{bins} bins do not share out {draws + 1} ranks evenly; take a number that divides it"
        )
    if len(group) != len(values):
        raise DataError(f"{len(values)} ranks but {len(group)} numbers of simulations")
    if len(np.unique(group)) < 3 * bins:
        raise DataError(
            f"{len(np.unique(group))} simulations are too few for {bins} bins: run at least "
            f"{3 * bins}, or take fewer bins"
        )


def _chi_square(share: Array, runs: int) -> float:
    bins = len(share)
    return float(chdtrc(bins - 1, runs * bins * np.sum((share - 1.0 / bins) ** 2)))


def _hotelling(share: Array, covariance: Array, runs: int) -> float:
    """Hotelling's T-squared on all bins but the last, which follows from the others."""
    k = len(share) - 1
    off = (share - 1.0 / len(share))[:k]
    square = runs * off @ np.linalg.pinv(covariance[:k, :k]) @ off
    return float(fdtrc(k, runs - k, square * (runs - k) / (k * (runs - 1))))


@lru_cache(maxsize=8)
def _reach_of_line(runs: int, at: tuple[float, ...], seed: int) -> float:
    """Standard errors within which 95 in 100 lines of so many independent ranks stay."""
    u = np.array(at)
    alone = np.sqrt(u * (1.0 - u) / runs)
    spaces = np.diff(np.r_[0.0, u, 1.0])
    counts = np.random.default_rng(seed).multinomial(runs, spaces, size=_BAND_DRAWS)
    wander = np.cumsum(counts[:, :-1], axis=1) / runs - u
    return float(np.quantile(np.abs(wander / alone).max(axis=1), 0.95))


def _ecdf(
    values: Array,
    draws: int,
    by_run: Callable[[Array], Array],
    independent: bool,
    seed: int,
) -> pd.DataFrame:
    at = np.unique(np.linspace(0, draws, min(_STEPS, draws + 1)).round().astype(np.int64))[:-1]
    u = (at + 1.0) / (draws + 1)
    off = by_run((values[:, None] <= at) - u)
    runs = len(off)
    alone = np.sqrt(u * (1.0 - u) / runs)
    reach = _reach_of_line(runs, tuple(u), seed)
    error = alone
    if not independent:
        # one factor for the whole line: near the ends, with few ranks, none can be told
        ratio = off.var(axis=0, ddof=1) / runs / alone**2
        error = alone * np.sqrt(np.quantile(ratio, _WIDE_OF_LINE))
    return pd.DataFrame(
        {
            "u": u,
            "difference": off.mean(axis=0),
            "band_low": -reach * error,
            "band_high": reach * error,
        }
    )
