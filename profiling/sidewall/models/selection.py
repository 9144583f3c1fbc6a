"""Choose the gap's transform by how well it predicts matches it has not seen."""

from __future__ import annotations

import copy
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.errors import DataError

if TYPE_CHECKING:
    from sidewall.models.tightness import TightnessModel


def held_out_probabilities(
    model: TightnessModel, used: pd.DataFrame, kind: str, folds: int
) -> NDArray[np.float64]:
    """Chance of winning for every shot, from a fit that saw none of its match.

    Parameters
    ----------
    model : TightnessModel
        Gives the settings; it is not changed.
    used : DataFrame
        From :func:`sidewall.models.tightness.usable_shots`.
    kind : {"linear", "log1p", "spline"}
    folds : int
        Number of parts into which matches are split, whole.

    Returns
    -------
    ndarray, shape (n,)
    """
    from sklearn.model_selection import GroupKFold  # noqa: PLC0415 - slow to load

    matches = used["match"].astype(str).to_numpy()
    win = np.empty(len(used))
    for seen, unseen in GroupKFold(folds).split(used, groups=matches):
        trial = copy.copy(model)
        trial._fit_with(kind, used.iloc[seen])  # type: ignore[arg-type]
        win[unseen] = trial.predict_proba(used.iloc[unseen])[:, 1]
    return win


def log_losses(won: NDArray[np.float64], win: NDArray[np.float64]) -> NDArray[np.float64]:
    """Log loss of every shot, in nats."""
    win = np.clip(win, 1e-12, 1 - 1e-12)
    return -(won * np.log(win) + (1.0 - won) * np.log1p(-win))


def clustered_mean(values: NDArray[np.float64], clusters: NDArray[np.int64]) -> tuple[float, float]:
    """Mean and its standard error when values of one cluster are not independent."""
    mean = float(values.mean())
    _, codes = np.unique(clusters, return_inverse=True)
    sums = np.bincount(codes, weights=values - mean)
    k = len(sums)
    return mean, float(np.sqrt(np.sum(sums**2) * k / max(k - 1, 1)) / len(values))


def transform_scores(
    model: TightnessModel, used: pd.DataFrame, kinds: Sequence[str], folds: int
) -> pd.DataFrame:
    """Held-out log loss of each transform.

    Returns
    -------
    DataFrame
        Index the transform; ``log_loss``, ``se`` (clustered by rally), ``worse_by`` and
        ``worse_by_se`` (against the best, shot by shot). With a single match nothing can
        be held out: only "linear" is listed, with missing scores.
    """
    matches = used["match"].nunique()
    if matches < 2:
        nothing = {"log_loss": [0.0], "se": [np.nan], "worse_by": [0.0], "worse_by_se": [np.nan]}
        return pd.DataFrame(nothing, index=pd.Index(["linear"], name="transform"))
    won, rally = used["outcome"].to_numpy(), used["rally_id"].to_numpy()
    losses = {}
    for kind in kinds:
        try:
            win = held_out_probabilities(model, used, kind, min(folds, matches))
        except DataError:  # too few distinct gaps for this transform
            continue
        losses[kind] = log_losses(won, win)
    if not losses:
        raise DataError(f"none of the transforms {', '.join(kinds)} fits this log")
    best = min(losses, key=lambda kind: losses[kind].mean())
    rows = []
    for loss in losses.values():
        rows.append((*clustered_mean(loss, rally), *clustered_mean(loss - losses[best], rally)))
    columns = ["log_loss", "se", "worse_by", "worse_by_se"]
    return pd.DataFrame(rows, index=pd.Index(list(losses), name="transform"), columns=columns)
