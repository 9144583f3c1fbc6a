"""What disagreement and errors of the gap do to the loose threshold."""

from __future__ import annotations

import copy
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from sidewall.agreement.simex import LAMBDAS, simex
from sidewall.arguments import Table, as_frame, check_level, check_seed
from sidewall.errors import DataError
from sidewall.features.coded import need_columns
from sidewall.models.threshold_table import LEAST_OWN
from sidewall.models.thresholds import NOT_KNOWN, Threshold, quantile, threshold
from sidewall.models.tightness import TightnessModel

__all__ = ["simex_thresholds", "threshold_agreement"]

Array = NDArray[Any]

_CELL: Final = ["player", "side", "family"]
_ANSWER: Final = ["status", "threshold_m", "low_m", "high_m"]
_SIZE: Final = ["n_attack", "n_reset", "n_rallies"]
_DEGREES: Final = {"linear": 1, "quadratic": 2}


def _fitted(model: TightnessModel | None, shots: pd.DataFrame) -> TightnessModel:
    """Fit a copy, so that the model given stays as it was."""
    return copy.copy(model or TightnessModel(transform="log1p")).fit(shots)


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
        Fitted anew to either log; by default by value, with the gap by log1p.
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
    half = (both["high_m_first"] - both["low_m_first"]) / 2
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
        joined[column] = pd.Categorical(joined[column], categories=names)
    joined["match"] = pd.Categorical(joined["match"], categories=joined["match"].unique())
    for column in columns:
        if isinstance(others[column].dtype, pd.CategoricalDtype) and joined[column].dtype == object:
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
    of it is added, the model is fitted again and again, and the difference between attack
    and reset is followed back to where there would be no error: simulation extrapolation,
    see :func:`~sidewall.agreement.simex.simex`.

    Parameters
    ----------
    shots : DataFrame
        A canonical shot table.
    gap_sd_m : float or array-like, shape (shots,)
        Standard deviation of the error of a charted gap, metres, taken as known;
        ``Agreement.gap_error_`` gives it from two charters.
    model : TightnessModel, optional
        By default by value, with the gap by log1p. "auto" takes the better of linear and
        log1p.
    lambdas : sequence of float, default (0.5, 1, 1.5, 2)
    n : int, default 20
        Fits at each lambda.
    seed : int or Generator
    level : float, default 0.95

    Returns
    -------
    DataFrame
        Three rows for each player, side and family, by ``extrapolation``: none (the answer
        as charted), linear, quadratic. ``status``, ``threshold_m``, ``low_m``, ``high_m``,
        ``gap_max_m``, ``n_attack``, ``n_reset``, ``n_rallies`` as in
        :meth:`TightnessModel.thresholds`; ``advantage_slope``, by how much attack gains on
        reset, in log odds, a unit of the transformed gap.

    Raises
    ------
    DataError
        If the standard deviation is not positive, there are fewer than two lambdas, or the gap
        enters as a spline.

    Notes
    -----
    The coefficients of attack minus reset are extrapolated, not the thresholds, which are
    missing where curves do not cross. Linear undoes part of the error's effect, quadratic
    more, at the price of a wider interval. The interval is Fieller's set with the
    covariance of Stefanski & Cook 1995, which stands on the model's own, clustered by
    rally. A gap cannot be below zero: readings that the added error takes below are turned
    back from the wall, which is right if charters' errors near the wall are of that kind
    and which keeps the method exact for them. The error is taken to be independent from
    shot to shot and of everything else. The standard deviation's own uncertainty is not in
    the interval: try both of its limits.
    """
    shots = as_frame(shots)
    check_seed(seed)
    check_level(level)
    need_columns(shots, ["gap_m"])
    if len(lambdas) < max(_DEGREES.values()):
        raise DataError(f"lambdas {tuple(lambdas)}: a quadratic takes two or more.")
    base = _with_one_column(_fitted(model, shots), shots)
    z = quantile(level)
    # the gap's scale is centred anew at each fit; all are written in that of the first
    centre = float(base.transform_.center[0])

    def fit(gap_m: Array) -> tuple[Array, Array]:
        # whole centimetres, as charted: equal rows are fitted as one, and 0.3 cm of rounding
        # is nothing beside an error of several
        found = _fitted(base, shots.assign(gap_m=np.round(gap_m, 2)))
        return _advantages(found, centre)

    path = simex(fit, shots["gap_m"], gap_sd_m, lambdas, n, seed, turned_back=True)
    sizes = base.thresholds(level)
    charted = path.estimates[0, 0], path.covariances[0]
    answers = {"none": charted, **{k: path.at_no_error(d) for k, d in _DEGREES.items()}}
    return _table(base, sizes, answers, z)


def _with_one_column(base: TightnessModel, shots: pd.DataFrame) -> TightnessModel:
    """Settle the transform: fits can be compared only on one scale of the gap."""
    kind = base.transform_.kind
    if kind == "spline" and base.transform == "auto":
        scores = base.transform_scores_["log_loss"]
        kind = "linear" if scores["linear"] < scores["log1p"] else "log1p"
    if kind == "spline":
        raise DataError(
            "With a spline the knots move with the error, so fits cannot be compared. Use "
            "TightnessModel(transform='log1p') or 'linear'."
        )
    if base.transform == kind:
        return base
    settled = copy.copy(base)
    settled.transform = kind  # type: ignore[assignment]
    return settled.fit(shots)


def _advantages(model: TightnessModel, centre: float) -> tuple[Array, Array]:
    """Attack minus reset, (players, cells, 2), and covariance, on a scale centred at `centre`."""
    values, covariances = model._cell_coefficients(None)
    moved = np.array([[1.0, centre - float(model.transform_.center[0])], [0.0, 1.0]])
    minus = moved @ np.hstack([np.eye(2), -np.eye(2)])
    both = values.reshape(*values.shape[:2], 4)
    return both @ minus.T, minus @ covariances @ minus.T


def _table(
    base: TightnessModel, sizes: pd.DataFrame, answers: dict[str, tuple[Array, Array]], z: float
) -> pd.DataFrame:
    rows = []
    cells = len(base.cells_)
    for at, size in enumerate(sizes.to_dict("records")):
        own = min(size["n_attack"], size["n_reset"]) >= LEAST_OWN
        for name, (values, covariances) in answers.items():
            d, V = values[at // cells, at % cells], covariances[at // cells, at % cells]
            gap_max = float(size["gap_max_m"])
            found = threshold(base.transform_, d, V, gap_max, z) if own else Threshold(NOT_KNOWN)
            rows.append(
                {
                    **{key: size[key] for key in _CELL},
                    "extrapolation": name,
                    "status": found.status,
                    "threshold_m": found.gap_m,
                    "low_m": found.low_m,
                    "high_m": found.high_m,
                    "advantage_slope": d[1],
                    **{key: size[key] for key in (*_SIZE, "gap_max_m")},
                }
            )
    return pd.DataFrame(rows)
