"""Choose the gap's transform by how well it predicts matches it has not seen."""

from __future__ import annotations

import copy
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.errors import DataError
from sidewall.features.coded import positions
from sidewall.features.parts import Parts
from sidewall.models.counted import CountedShots, count_used
from sidewall.models.outcome import Judge
from sidewall.models.predictor import Predictor

if TYPE_CHECKING:
    from sidewall.models.tightness import TightnessModel

Array = NDArray[np.float64]


def folds_of_matches(counted: CountedShots, folds: int) -> NDArray[np.int64]:
    """Fold of every match, folds of about equal numbers of shots: the largest matches first."""
    sizes = np.bincount(counted.match, counted.n, len(counted.matches))
    fold, load = np.empty(len(sizes), dtype=np.int64), np.zeros(folds)
    for match in np.argsort(sizes)[::-1]:
        fold[match] = np.argmin(load)
        load[fold[match]] += sizes[match]
    return fold


def held_out_predictors(
    model: TightnessModel, counted: CountedShots, kinds: Sequence[str], fold: NDArray[np.int64]
) -> dict[str, list[Predictor]]:
    """Fits that saw no match of one fold, by transform; transforms that cannot be fitted apart.

    Parameters
    ----------
    model : TightnessModel
        Gives the settings; it is not changed.
    counted : CountedShots
    kinds : sequence of {"linear", "log1p", "spline", "none"}
    fold : ndarray of int, shape (matches,)

    Raises
    ------
    DataError
        When none can be fitted, with the reason of each and the mend.
    """
    found: dict[str, list[Predictor]] = {kind: [] for kind in kinds}
    why: dict[str, str] = {}
    for k in range(int(fold.max()) + 1):
        seen = counted.of_matches(fold != k)
        for kind in list(found):
            trial = copy.copy(model)
            try:
                trial._fit_with(kind, seen)  # type: ignore[arg-type]
            except DataError as error:  # too few distinct gaps for this transform
                if len(kinds) == 1:
                    raise
                del found[kind]
                why[kind] = f"{kind}, fold {k + 1}: {error}"
                continue
            found[kind].append(trial.predictor_)
    if not found:
        folds = int(fold.max()) + 1
        raise DataError(
            f"no transform of the gap can be chosen: with one of {folds} folds of the {len(fold)} "
            f"matches left out, what remains is too little ({'; '.join(why.values())}). "
            'Chart more matches, or name a transform, such as transform="log1p", which needs no '
            "match left out"
        )
    return found


def held_out_probabilities(
    model: TightnessModel, used: pd.DataFrame, kind: str, folds: int
) -> Array:
    """Chance of winning for every shot, from a fit that saw none of its match.

    Parameters
    ----------
    model : TightnessModel
        Gives the settings; it is not changed.
    used : DataFrame
        From :func:`sidewall.models.usable.usable_shots`.
    kind : {"linear", "log1p", "spline", "none"}
    folds : int
        Number of parts into which matches are split, whole.

    Returns
    -------
    ndarray, shape (n,)
    """
    counted = count_used(used, model.situation)
    fold = folds_of_matches(counted, folds)
    predictors = held_out_predictors(model, counted, [kind], fold)[kind]
    return _by_fold(used, fold[positions(used["match"], counted.matches)], predictors)


def _by_fold(used: pd.DataFrame, fold: NDArray[np.int64], predictors: list[Predictor]) -> Array:
    win = np.empty(len(used))
    for k, predict in enumerate(predictors):
        at = fold == k
        if at.any():
            win[at] = predict(used[at])
    return win


def log_losses(won: Array, win: Array) -> Array:
    """Log loss of every shot, in nats."""
    win = np.clip(win, 1e-12, 1 - 1e-12)
    return -(won * np.log(win) + (1.0 - won) * np.log1p(-win))


def clustered_mean(values: Array, clusters: NDArray[np.int64]) -> tuple[float, float]:
    """Mean and its standard error when values of one cluster are not independent."""
    return LossSums.of(values[:, None], clusters).mean(np.ones(1))


@dataclass(frozen=True)
class LossSums:
    """Sums over shots and over clusters of several losses; they add up over parts.

    Attributes
    ----------
    total : ndarray, shape (k + 1,)
        Sums of the losses, and the number of shots.
    square : ndarray, shape (k + 1, k + 1)
        Cross products of the clusters' sums.
    clusters : int
    """

    total: Array
    square: Array
    clusters: int

    @classmethod
    def of(cls, losses: Array, clusters: NDArray[np.int64]) -> LossSums:
        """Add up losses of shape (n, k)."""
        codes = np.unique(clusters, return_inverse=True)[1]
        columns = [np.bincount(codes, weights=part) for part in losses.T]
        table = np.column_stack([*columns, np.bincount(codes)])
        return cls(table.sum(axis=0), table.T @ table, len(table))

    def __add__(self, other: LossSums) -> LossSums:
        return LossSums(
            self.total + other.total, self.square + other.square, self.clusters + other.clusters
        )

    def mean(self, combination: Array) -> tuple[float, float]:
        """Mean of a combination of the losses, and its standard error."""
        n, k = self.total[-1], self.clusters
        mean = float(combination @ self.total[:-1] / n)
        centred = np.append(combination, -mean)
        square = max(float(centred @ self.square @ centred), 0.0)
        return mean, float(np.sqrt(square * k / max(k - 1, 1)) / n)


@dataclass(frozen=True)
class LossPart:
    """Adds up the held-out losses of a part of a log."""

    judge: Judge
    matches: pd.Index
    fold: NDArray[np.int64]
    predictors: dict[str, list[Predictor]]

    def __call__(self, table: pd.DataFrame) -> LossSums:
        """Add up those of a feature table."""
        used, _ = self.judge.usable(table)
        fold = self.fold[positions(used["match"], self.matches)]
        y = used["outcome"].to_numpy(dtype=float)
        losses = [log_losses(y, _by_fold(used, fold, some)) for some in self.predictors.values()]
        return LossSums.of(np.column_stack(losses), used["rally_id"].to_numpy())


def transform_scores(
    model: TightnessModel,
    counted: CountedShots,
    parts: Parts,
    judge: Judge,
    kinds: Sequence[str],
    folds: int,
) -> pd.DataFrame:
    """Held-out log loss of each transform.

    Returns
    -------
    DataFrame
        Index the transform; ``log_loss``, ``se`` (clustered by rally), ``worse_by`` and
        ``worse_by_se`` (against the best, shot by shot). With a single match nothing can
        be held out: only "linear" is listed, with missing scores.
    """
    matches = len(counted.matches)
    if matches < 2:
        nothing = {"log_loss": [0.0], "se": [np.nan], "worse_by": [0.0], "worse_by_se": [np.nan]}
        return pd.DataFrame(nothing, index=pd.Index(["linear"], name="transform"))
    fold = folds_of_matches(counted, min(folds, matches))
    predictors = held_out_predictors(model, counted, kinds, fold)
    found = list(parts.each(LossPart(judge, counted.matches, fold, predictors)))
    sums = sum(found[1:], start=found[0])
    one = np.eye(len(predictors))
    best = int(np.argmin(sums.total[:-1]))
    rows = [(*sums.mean(here), *sums.mean(here - one[best])) for here in one]
    columns = ["log_loss", "se", "worse_by", "worse_by_se"]
    return pd.DataFrame(rows, index=pd.Index(list(predictors), name="transform"), columns=columns)
