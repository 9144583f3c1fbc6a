"""Is the tightness model to be believed? Checks on matches it has not seen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.errors import DataError
from sidewall.features.clustered import clustered_rate
from sidewall.models.selection import clustered_mean, held_out_probabilities, log_losses

if TYPE_CHECKING:
    from sidewall.models.tightness import TightnessModel

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Diagnostics:
    """Held-out checks of a tightness model.

    Attributes
    ----------
    held_out : DataFrame
        Log loss of the model and of two that know less ("no gap", "no player"):
        ``log_loss``, ``se``, and ``worse_by`` with ``worse_by_se`` against the model,
        clustered by rally.
    calibration : DataFrame
        Shots in bins of predicted chance: ``predicted``, ``observed`` with ``low`` and
        ``high``, ``n`` shots, ``n_rallies``.
    brier : Series
        ``score`` and its parts: ``reliability`` (0 is best), ``resolution`` (more is
        better), ``uncertainty``, and the within-bin remainder.
    n_shots, n_rallies : int
    """

    held_out: pd.DataFrame
    calibration: pd.DataFrame
    brier: pd.Series
    n_shots: int
    n_rallies: int


def diagnose(model: TightnessModel, folds: int = 5, bins: int = 10) -> Diagnostics:
    """Predict every match from the others and compare with what happened.

    Parameters
    ----------
    model : TightnessModel
        A fitted model.
    folds : int, default 5
        Parts into which whole matches are split.
    bins : int, default 10
        Bins of equal size for the calibration curve and the Brier score's parts.

    Raises
    ------
    DataError
        When the log holds a single match, so that nothing can be held out.
    """
    used = model.used_[model.used_["won"].notna()]
    matches = used["match"].nunique()
    if matches < 2:
        raise DataError("nothing can be held out of a single match; chart one more")
    folds = min(folds, matches)
    won, rally = used["won"].to_numpy(), used["rally_id"].to_numpy()
    kind = model.transform_.kind
    win = held_out_probabilities(model, used, kind, folds)
    predictions = {
        "model": win,
        "no gap": held_out_probabilities(model, used, "none", folds),
        "no player": held_out_probabilities(model, used.assign(player="anybody"), kind, folds),
    }
    losses = {name: log_losses(won, p) for name, p in predictions.items()}
    rows = [
        (*clustered_mean(loss, rally), *clustered_mean(loss - losses["model"], rally))
        for loss in losses.values()
    ]
    held_out = pd.DataFrame(
        rows,
        index=pd.Index(list(losses), name="predictor"),
        columns=["log_loss", "se", "worse_by", "worse_by_se"],
    )
    calibration = calibration_table(won, win, rally, bins)
    return Diagnostics(
        held_out, calibration, brier_parts(won, win, bins), len(used), len(np.unique(rally))
    )


def _bins(win: Array, bins: int) -> NDArray[np.int64]:
    """Number of each prediction's bin, from 0 without empty bins."""
    edges = np.quantile(win, np.linspace(0.0, 1.0, bins + 1)[1:-1])
    return np.unique(np.searchsorted(edges, win, side="right"), return_inverse=True)[1]


def calibration_table(
    won: Array, win: Array, rally: NDArray[np.int64], bins: int = 10, level: float = 0.95
) -> pd.DataFrame:
    """Predicted against observed chance of winning in bins of equal size.

    Parameters
    ----------
    won : ndarray, shape (n,)
        Results, 0 or 1.
    win : ndarray, shape (n,)
        Predicted chances.
    rally : ndarray of int, shape (n,)
        Rally of each shot; intervals allow for the shared result.
    bins : int, default 10
    level : float, default 0.95

    Returns
    -------
    DataFrame
        ``predicted``, ``observed``, ``low``, ``high``, ``n``, ``n_rallies``.
    """
    code = _bins(win, bins)
    k = int(code.max()) + 1
    rate = clustered_rate(won, rally, code, k, level)
    predicted = np.bincount(code, weights=win, minlength=k) / np.bincount(code, minlength=k)
    return pd.DataFrame(
        {
            "predicted": predicted,
            "observed": rate.rate,
            "low": rate.low,
            "high": rate.high,
            "n": rate.n,
            "n_rallies": rate.clusters,
        }
    )


def brier_parts(won: Array, win: Array, bins: int = 10) -> pd.Series:
    """Brier score and its parts, ``score = reliability - resolution + uncertainty + within``.

    The parts are those of Murphy 1973, Journal of Applied Meteorology 12:595-600, for
    predictions replaced by their bin's mean; ``within`` is what the binning leaves out
    (Stephenson, Coelho & Jolliffe 2008, Weather and Forecasting 23:752-757).
    """
    code = _bins(win, bins)
    n = np.bincount(code)
    mean_win = np.bincount(code, weights=win) / n
    mean_won = np.bincount(code, weights=won) / n
    base = won.mean()
    share = n / len(won)
    score = float(np.mean((win - won) ** 2))
    reliability = float(share @ (mean_win - mean_won) ** 2)
    resolution = float(share @ (mean_won - base) ** 2)
    uncertainty = float(base * (1.0 - base))
    return pd.Series(
        {
            "score": score,
            "reliability": reliability,
            "resolution": resolution,
            "uncertainty": uncertainty,
            "within": score - reliability + resolution - uncertainty,
        }
    )
