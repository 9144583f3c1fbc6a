"""From the heights of a cell to the height worth aiming at.

Quantities, in words first:

- **scatter**: standard deviation of the heights, balls in the tin among them;
- **gain of a lower ball**: log odds of winning by the height at which the ball met the wall;
- **chance of the tin** at an aim a: the share of shots so aimed that come below the tin's
  upper edge t, ``Phi((t - a) / s)`` with normal scatter s;
- **chance of winning** at an aim a: a shot in the tin loses, and one that meets the wall at
  height z wins with the chance w(z), so the integral of ``w(z) phi((z - a) / s) / s`` over
  all z from t upwards;
- **best height**: the aim at which that chance is largest.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final, Literal, NamedTuple

import numpy as np
import pandas as pd
from numpy.polynomial import chebyshev
from numpy.typing import ArrayLike
from scipy.special import chdtrc, expit, ndtr, ndtri

from sidewall.arguments import Array, Floats, Ints
from sidewall.errors import DataError
from sidewall.features.rates import wilson_interval
from sidewall.models.curves import GapTransform
from sidewall.placement.heights import CensoredNormal
from sidewall.placement.player_curves import PlayerCurves

Curve = Callable[[Array], Array]

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(20)
#: How far the scatter is followed, standard deviations.
_FAR = 5.0


class Best(NamedTuple):
    """The best height and what it gives, arrays of one shape.

    ``at_edge`` is -1 at the lowest and 1 at the highest height looked at, 0 in between.
    """

    height_m: Array
    win: Array
    at_edge: Ints


def tin_chance(aim_m: ArrayLike, sd_m: ArrayLike, tin_m: ArrayLike) -> Array:
    """Chance that a shot aimed at a height goes into the tin; metres, of any shapes together."""
    aim, sd, tin = (np.asarray(value, dtype=float) for value in (aim_m, sd_m, tin_m))
    return np.asarray(ndtr((tin - aim) / sd))


def win_chance(aim_m: ArrayLike, sd_m: ArrayLike, tin_m: float, curve: Curve) -> Array:
    """Chance of winning the rally with a shot aimed at a height, metres, shape S.

    The curve gives it for heights above the tin, S + (nodes,). By Gauss-Legendre quadrature over
    the part of the scatter above the tin.
    """
    aim, sd = np.broadcast_arrays(np.asarray(aim_m, dtype=float), np.asarray(sd_m, dtype=float))
    low = np.clip((tin_m - aim) / sd, -_FAR, _FAR)
    half = (_FAR - low) / 2.0
    u = low[..., None] + half[..., None] * (1.0 + _NODES)
    win = curve(aim[..., None] + sd[..., None] * u)
    win *= np.exp(-0.5 * u**2)
    return np.asarray(half * (win @ _WEIGHTS) / np.sqrt(2.0 * np.pi))


def best_height(aims_m: Array, win: Array) -> Best:
    """Height of the largest chance of winning, (..., k), of k evenly spaced ones, metres.

    Between the heights by a parabola through the largest value and its neighbours.
    """
    top = np.argmax(win, axis=-1)
    last = len(aims_m) - 1
    edge = np.select([top == 0, top == last], [-1, 1], 0)
    middle = np.clip(top, 1, last - 1)

    def take(step: int) -> Array:
        return np.take_along_axis(win, (middle + step)[..., None], axis=-1)[..., 0]

    before, at, after = take(-1), take(0), take(1)
    bend = before - 2.0 * at + after
    shift = np.where(bend < 0, 0.5 * (before - after) / np.where(bend < 0, bend, 1.0), 0.0)
    shift = np.clip(shift, -1.0, 1.0)
    step = aims_m[1] - aims_m[0]
    height = np.where(edge == 0, aims_m[middle] + shift * step, aims_m[top])
    inner = at - 0.25 * (before - after) * shift
    best = np.where(edge == 0, inner, np.take_along_axis(win, top[..., None], axis=-1)[..., 0])
    return Best(height, best, edge.astype(np.int64))


#: Fewest heights of a stroke.
_LEAST = 60
_CELL: Final = ("player", "side", "pressure")


class HeightGain:
    """Log odds of winning for one stroke by height, pooled over players.

    Beside the height: side, pressure and the incoming gap, since an easy ball is both struck
    lower and won more often. Level and slope are each player's own. 1 and 99 in 100 heights were
    lower than `lowest_m` and `highest_m`, those in the tin counted as 0: nothing is said beyond.
    """

    def __init__(
        self,
        curve: Literal["linear", "log1p", "spline"],
        prior_scale: float,
        seed: int,
    ) -> None:
        self.curve = curve
        self.prior_scale = prior_scale
        self.seed = seed

    def fit(self, rows: pd.DataFrame) -> HeightGain:
        """Estimate the curves of all players from the shots of one stroke.

        A DataError or SeparationError with too few heights above the tin, or results that cannot be
        fitted.
        """
        known = rows[rows["height_m"].notna() & rows["won"].notna()]
        if len(known) < _LEAST:
            raise DataError(
                f"{len(known)} heights above the tin, and {_LEAST} are needed for the gain of a "
                "lower ball"
            )
        loose, cell = _looseness(rows), [rows[name].astype(str) for name in _CELL]
        self._loose = loose.groupby(cell).mean()
        self._all_loose = loose.groupby(cell[1:]).mean()
        self.transform_ = GapTransform.fit(self.curve, known["height_m"])
        X = self._columns(known)
        vary = ["constant", *[name for name in X.columns if name.startswith("height")]]
        self.curves_ = PlayerCurves(self.prior_scale, self.seed)
        self.curves_.fit(known["won"], X, vary, known)
        # without the lower end, lobs that went out would speak for lobs below the service line
        self.lowest_m = float(rows["height_m"].fillna(0.0).quantile(0.01))
        self.highest_m = float(known["height_m"].quantile(0.99))
        return self

    def _columns(self, rows: pd.DataFrame) -> pd.DataFrame:
        basis = self.transform_.basis(rows["height_m"])
        X = pd.DataFrame({"constant": 1.0}, index=rows.index)
        for k in range(basis.shape[1]):
            X[f"height {k}"] = basis[:, k]
        for name in ("side", "pressure"):
            words = rows[name].astype(object).fillna("not charted").astype(str)
            for word in sorted(words.unique())[1:]:
                X[f"{name} {word}"] = (words == word).astype(float)
        X["gap"] = _looseness(rows)
        return X if X["gap"].std() > 1e-9 else X.drop(columns="gap")

    def line(self, player: str | None, side: str, pressure: str) -> tuple[Array, Array]:
        """Intercept and slopes of the height, (1 + k,), and their covariance, (1 + k, 1 + k).

        Of the middle of all players without a player; at the mean incoming gap of the cell.
        """
        values, covariance = self.curves_.of(player)
        names = self.curves_.columns_
        heights = [k for k, name in enumerate(names) if name.startswith("height")]
        pick = np.zeros((1 + len(heights), len(names)))
        pick[0, 0] = 1.0
        for word in (f"side {side}", f"pressure {pressure}"):
            if word in names:
                pick[0, names.index(word)] = 1.0
        if "gap" in names:
            pick[0, names.index("gap")] = (
                self._all_loose[side, pressure]
                if player is None
                else self._loose[player, side, pressure]
            )
        pick[range(1, 1 + len(heights)), heights] = 1.0
        return pick @ values, pick @ covariance @ pick.T


def _looseness(rows: pd.DataFrame) -> pd.Series:
    """The incoming gap on a bending scale; the middle where it is not known."""
    gap = np.log1p(rows["gap_m"].astype(float) / 0.25) - np.log1p(2.0)
    return gap.fillna(0.0)


#: Fewest heights seen for a scatter of its own.
LEAST_SEEN = 15
#: Skewness and excess kurtosis from which a normal scatter misleads about the tin, and how seldom
#: a normal one would look so.
_SKEWED, _LONG_TAILED, _STRANGE = 0.5, 1.0, 0.01


@dataclass(frozen=True)
class Scatter:
    """Mean height and scatter of one cell, with their covariance (of mean and log scatter)."""

    mean_m: float
    sd_m: float
    covariance: Floats
    seen: int
    in_tin: int
    #: Share in the tin that a normal scatter around the mean gives.
    tin_expected: float
    skewness: float
    kurtosis: float

    @property
    def is_normal(self) -> bool:
        """Whether heights lie about as a normal scatter has them.

        Neither skewed, as where safe high balls are mixed with low ones, nor with long tails. By
        the test of Jarque & Bera 1987 (International Statistical Review 55:163-172), which large
        samples do not pass for what does not matter.
        """
        n = self.seen + self.in_tin
        beyond = float(chdtrc(2, n / 6 * (self.skewness**2 + self.kurtosis**2 / 4)))
        matters = abs(self.skewness) > _SKEWED or abs(self.kurtosis) > _LONG_TAILED
        return not (beyond < _STRANGE and matters)


def scatter_of(group: pd.DataFrame, around_each_player: bool) -> Scatter | None:
    """Estimate a cell from its rows of `wall_heights`; None with too few heights.

    Around one mean, or around that of each player.
    """
    X = None
    if around_each_player:
        X = pd.get_dummies(group["player"].astype(str), dtype=float)
        enough = group.groupby(group["player"].astype(str))["height_m"].count() >= 2
        X = X[enough.index[enough]]
        group = group[X.sum(axis=1) > 0]
        X = X.loc[group.index]
    seen = int(group["height_m"].notna().sum())
    if seen < max(LEAST_SEEN, 0 if X is None else X.shape[1] + 2):
        return None
    fit = CensoredNormal().fit(group["height_m"], group["tin_m"], X, group["rally_id"])
    p = len(fit.coefficients_)
    # Maximum likelihood divides by n; n - p is unbiased without censoring.
    grow = seen / (seen - p)
    weight = np.ones(1) if X is None else X.to_numpy().mean(axis=0)
    pick = np.zeros((2, p + 1))
    pick[0, :p], pick[1, p] = weight, 1.0
    covariance = pick @ fit.covariance_.to_numpy() @ pick.T * grow
    means = np.ones((len(group), 1)) if X is None else X.to_numpy()
    means = means @ fit.coefficients_.to_numpy()
    sd = fit.sd_ * float(np.sqrt(grow))
    expected = float(tin_chance(means, sd, group["tin_m"].to_numpy()).mean())
    mean = float(weight @ fit.coefficients_.to_numpy())
    off, end = ((group[name].to_numpy(dtype=float) - means) / sd for name in ("height_m", "tin_m"))
    lost = np.isnan(off)
    # nobody knows how far below the edge: as in the normal tail there
    tail = (np.arange(lost.sum()) + 0.5) / max(lost.sum(), 1) * ndtr(np.sort(end[lost]))
    off = np.append(off[~lost], ndtri(tail))
    off = (off - off.mean()) / off.std()
    shape = float((off**3).mean()), float((off**4).mean() - 3.0)
    return Scatter(mean, sd, covariance, seen, int(lost.sum()), expected, *shape)


def scatter_row(one: Scatter, level: float) -> dict[str, Any]:
    """Numbers of a cell with their limits, for a table."""
    z = float(ndtri(0.5 + level / 2.0))
    n = one.seen + one.in_tin
    low, high = wilson_interval(one.in_tin, n, level)
    e_mean, e_sd = np.sqrt(np.diag(one.covariance))
    return {
        "n_shots": n,
        "in_tin": one.in_tin,
        "tin_share": one.in_tin / n,
        "tin_share_low": float(low),
        "tin_share_high": float(high),
        "tin_expected": one.tin_expected,
        "skewness": one.skewness,
        "kurtosis": one.kurtosis,
        "mean_m": one.mean_m,
        "mean_low_m": one.mean_m - z * e_mean,
        "mean_high_m": one.mean_m + z * e_mean,
        "sd_m": one.sd_m,
        "sd_low_m": one.sd_m * np.exp(-z * e_sd),
        "sd_high_m": one.sd_m * np.exp(z * e_sd),
    }


BEST: Final = "best height"
NO_GAIN: Final = "no gain from a lower ball"
NOT_KNOWN: Final = "not known yet"

_STEP_M: Final = 0.02
#: Share of rallies that does not matter: how wide the top of the curve is.
_FLAT: Final = 0.005
#: Draws taken together: their chances at every aim fit the processor's own memory.
_BLOCK: Final = 256


@dataclass(frozen=True)
class AimChances:
    """Chances of winning by aim, as estimated and as drawn with their errors.

    ``win`` has shape (aims,), ``drawn`` (draws, aims); ``now`` (1 + draws,) is the chance at
    the mean height, the estimate first.
    """

    scatter: Scatter
    tin_m: float
    aims_m: Array
    win: Array
    drawn: Array
    now: Array


def aims_from(low_m: float, top_m: float) -> Array:
    """Heights to look at."""
    return np.arange(low_m, max(top_m, low_m + 0.1) + _STEP_M / 2, _STEP_M)


def aim_chances(
    scatter: Scatter,
    gain: HeightGain,
    line: tuple[Array, Array],
    tin_m: float,
    draws: int,
    seed: int,
) -> AimChances:
    """Chances of winning at every aim, for the estimate and for draws around it.

    `scatter` is that of the cell, `gain` that of its stroke, `line` the cell's own. The draws of
    scatter and curve are normal and independent of each other.
    """
    values, covariance = line
    k = len(values)
    normal = np.vstack([np.zeros(k + 2), even_normal(draws, k + 2, seed)])
    lines = values + normal[:, :k] @ _root(covariance)
    moves = normal[:, k:] @ _root(scatter.covariance)
    sd = scatter.sd_m * np.exp(moves[:, 1])
    own = scatter.mean_m + moves[:, 0]

    def chance(at: Array) -> Array:
        blocks = (slice(k, k + _BLOCK) for k in range(0, len(sd), _BLOCK))
        return np.vstack([of_block(at[some], some) for some in blocks])

    def of_block(at: Array, some: slice) -> Array:
        level, *slopes = lines[some].T[..., None, None]

        def curve(z: Array) -> Array:
            columns = gain.transform_.basis(z.ravel()).T.reshape(-1, *z.shape)
            parts = (slope * column for slope, column in zip(slopes, columns, strict=True))
            return np.asarray(expit(sum(parts, level)))

        return win_chance(at, sd[some, None], tin_m, curve)

    aims = aims_from(max(tin_m, gain.lowest_m), gain.highest_m)
    few, to_all = _few_aims(aims, float(sd.min()))
    win = chance(np.broadcast_to(few, (len(sd), len(few)))) @ to_all
    return AimChances(scatter, tin_m, aims, win[0], win[1:], chance(own[:, None])[:, 0])


def _few_aims(aims_m: Array, sd_m: float) -> tuple[Array, Array]:
    """Aims that stand for all of them, and the matrix that leads from the one to the other.

    Chebyshev points: the chance of winning is as smooth along the aim as the scatter is wide,
    so a polynomial through these meets it to within some millionths.
    """
    low, high = aims_m[0], aims_m[-1]
    points = chebyshev.chebpts1(8 + int(1.25 * (high - low) / sd_m))
    degree = len(points) - 1
    along = 2.0 * (aims_m - low) / (high - low) - 1.0
    to_all = np.linalg.solve(
        chebyshev.chebvander(points, degree).T, chebyshev.chebvander(along, degree).T
    )
    return low + (high - low) * (points + 1.0) / 2.0, to_all


def aim_answer(cell: AimChances, level: float) -> dict[str, Any]:
    """Best height with limits, status and what it gains, for a row of a table."""
    scatter, tin = cell.scatter, cell.tin_m
    one, many = best_height(cell.aims_m, cell.win), best_height(cell.aims_m, cell.drawn)
    tail = 0.5 - level / 2
    # Beyond the heights looked at nothing is known but the direction.
    height = np.where(many.at_edge == 1, np.inf, many.height_m)
    height = np.where(many.at_edge == -1, -np.inf, height)
    low, high = np.quantile(height, [tail, 1 - tail], method="inverted_cdf")
    status = BEST if np.isfinite([low, high]).all() and one.at_edge == 0 else NOT_KNOWN
    if low == np.inf:
        status = NO_GAIN
    if not scatter.is_normal:
        status, low, high = NOT_KNOWN, -np.inf, np.inf
    row: dict[str, Any] = {
        "tin_m": tin,
        "n_shots": scatter.seen + scatter.in_tin,
        "status": status,
        "best_m": np.nan,
        "best_low_m": float(low),
        "best_high_m": float(high),
        "flat_from_m": np.nan,
        "flat_to_m": np.nan,
        "now_m": scatter.mean_m,
        "sd_m": scatter.sd_m,
        "tin_now": float(tin_chance(scatter.mean_m, scatter.sd_m, tin)),
        "tin_best": np.nan,
        "win_now": float(cell.now[0]),
        "win_best": np.nan,
        "gain_per_100": np.nan,
        "gain_per_100_low": np.nan,
        "gain_per_100_high": np.nan,
    }
    if status != BEST:
        return row
    flat = cell.aims_m[cell.win >= one.win - _FLAT]
    # At the height that is advised, not at each draw's own best, which could only gain.
    at = (float(one.height_m) - cell.aims_m[0]) / (cell.aims_m[1] - cell.aims_m[0])
    step = min(int(at), len(cell.aims_m) - 2)
    there = (1.0 - at + step) * cell.drawn[:, step] + (at - step) * cell.drawn[:, step + 1]
    gains = 100.0 * (there - cell.now[1:])
    return row | {
        "best_m": float(one.height_m),
        "flat_from_m": float(flat.min()),
        "flat_to_m": float(flat.max()),
        "tin_best": float(tin_chance(one.height_m, scatter.sd_m, tin)),
        "win_best": float(one.win),
        "gain_per_100": float(100.0 * (one.win - cell.now[0])),
        "gain_per_100_low": float(np.quantile(gains, tail)),
        "gain_per_100_high": float(np.quantile(gains, 1 - tail)),
    }


def even_normal(draws: int, columns: int, seed: int) -> Array:
    """Independent normal columns, (draws, columns), spread more evenly than random numbers.

    A Latin hypercube (McKay, Beckman & Conover 1979, Technometrics 21:239-245) through the
    normal quantile: each column has one number in every one of `draws` equally likely bands.
    """
    rng = np.random.default_rng(seed)
    band = rng.permuted(np.tile(np.arange(draws)[:, None], columns), axis=0)
    return np.asarray(ndtri((band + rng.random((draws, columns))) / draws))


def _root(covariance: Array) -> Array:
    values, vectors = np.linalg.eigh(0.5 * (covariance + covariance.T))
    return np.asarray((vectors * np.sqrt(np.clip(values, 0.0, None))).T)
