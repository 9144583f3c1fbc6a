"""What disagreement and errors of the gap do to the loose threshold."""

from __future__ import annotations

import copy
from collections.abc import Sequence
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from sidewall.agreement.simex import LAMBDAS, simex
from sidewall.arguments import Array, Table, as_frame, check_level, check_seed
from sidewall.errors import DataError
from sidewall.features.coded import need_columns
from sidewall.models.answers import LEAST_OWN, NOT_KNOWN, Threshold, crossings, threshold_of
from sidewall.models.tightness import TightnessModel

_CELL: Final = ["player", "side", "family"]
_ANSWER: Final = ["status", "threshold_m", "low_m", "high_m"]
_SIZE: Final = ["n_attack", "n_reset", "n_rallies"]
#: Gaps at which the gain is extrapolated, from 0 to the widest met.
_GAPS: Final = 12
_DRAWS: Final = 2000
_DEGREES: Final = {"linear": 1, "quadratic": 2}


def _fitted(model: TightnessModel | None, shots: pd.DataFrame) -> TightnessModel:
    """Fit a copy, so that the model given stays as it was."""
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
    of it is added, the model is fitted again and again, and the gain of attack over reset at
    a row of gaps is followed back to where there would be no error: simulation
    extrapolation, see :func:`~sidewall.agreement.simex.simex`.

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
    seed : int or Generator
    level : float, default 0.95

    Returns
    -------
    DataFrame
        Three rows for each player, side and family, by ``extrapolation``: none (the answer
        as charted), linear, quadratic. ``status``, ``threshold_m``, ``low_m``, ``high_m``,
        ``gap_max_m``, ``n_attack``, ``n_reset``, ``n_rallies`` as in
        :meth:`TightnessModel.thresholds`.

    Raises
    ------
    DataError
        If the standard deviation is not positive, or there are fewer than two lambdas.

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
    """
    shots = as_frame(shots)
    check_seed(seed)
    check_level(level)
    need_columns(shots, ["gap_m"])
    if len(lambdas) < max(_DEGREES.values()):
        raise DataError(f"lambdas {tuple(lambdas)}: a quadratic takes two or more.")
    base = _fitted(model, shots)
    check_level(level)
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
                    "low_m": found.low_m,
                    "high_m": found.high_m,
                    **{key: size[key] for key in (*_SIZE, "gap_max_m")},
                }
            )
    return pd.DataFrame(rows)
