"""Thresholds of every player, side and stroke family, with counts beside them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, cast

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.models.cells import choice_counts
from sidewall.models.thresholds import NOT_KNOWN, Threshold, shots_to_settle, threshold

if TYPE_CHECKING:
    from sidewall.models.tightness import TightnessModel

Array = NDArray[np.float64]

#: Own attacks and own resets that an answer about a player takes.
LEAST_OWN: Final = 5

_NAMES = "player side family status threshold_m low_m high_m n_attack n_reset n_rallies"


def _advantage(values: Array, covariance: Array) -> tuple[Array, Array]:
    """Coefficients of attack minus reset and their covariance, for one cell."""
    k = values.shape[-1]
    minus = np.hstack([np.eye(k), -np.eye(k)])
    return values[0] - values[1], minus @ covariance @ minus.T


def cell_thresholds(
    model: TightnessModel, values: Array, covariances: Array, z: float
) -> list[list[Threshold]]:
    """Answers by player and cell; not known with fewer than five own shots of a choice.

    Parameters
    ----------
    model : TightnessModel
    values : ndarray, shape (players, cells, 2, 1 + k)
    covariances : ndarray, shape (players, cells, 2 * (1 + k), 2 * (1 + k))
    z : float
    """
    widest = [float(gap) for gap in model.gap_max_m()]
    enough = _choices(model).min(axis=2) >= LEAST_OWN
    return [
        [
            threshold(model.transform_, *_advantage(v, V), gap, z) if own else Threshold(NOT_KNOWN)
            for v, V, gap, own in zip(*player, widest, charted, strict=True)
        ]
        for *player, charted in zip(values, covariances, enough, strict=True)
    ]


def _choices(model: TightnessModel) -> NDArray[np.int64]:
    """Attacks and resets, shape (players, cells, 2)."""
    return choice_counts(model.counted_, pd.Index(model.players_), model.cells_)


def threshold_table(
    model: TightnessModel, values: Array, covariances: Array, z: float
) -> pd.DataFrame:
    """The table behind :meth:`TightnessModel.thresholds`; same parameters as above."""
    found = cell_thresholds(model, values, covariances, z)
    widest = model.gap_max_m()
    counts = model.cell_counts().to_numpy()
    information = [_information_per_shot(model, *cell) for cell in model.cells_]
    choices = _choices(model)
    shares = choices.sum(axis=0) / choices.sum(axis=(0, 2))[:, None]
    rows = []
    for i, player in enumerate(model.players_):
        for j, cell in enumerate(model.cells_):
            answer, gap, more = found[i][j], float(widest.iloc[j]), 0.0
            if answer.status == NOT_KNOWN:
                d, V = _advantage(values[i, j], covariances[i, j])
                more = shots_to_settle(model.transform_, d, V, information[j], gap, z)
                # an attack or reset that is still missing takes so many shots to come by
                more = max(more, *np.ceil((LEAST_OWN - choices[i, j]) / shares[j]))
            known = (answer.status, answer.gap_m, answer.low_m, answer.high_m)
            rows.append((player, *cell, *known, *counts[i * len(shares) + j], more, gap))
    return pd.DataFrame(rows, columns=[*_NAMES.split(), "more_shots", "gap_max_m"])


def _information_per_shot(model: TightnessModel, side: str, family: str) -> Array:
    """What one more shot of a cell tells about attack minus reset, on average.

    Of n shots a share s is attacks; the difference of two independent fits has variance
    ``(n s I_a)^-1 + (n (1 - s) I_r)^-1``, whose inverse is proportional to n.
    """
    kinds = model.counted_.by_kind
    met = kinds[(kinds["side"] == side) & (kinds["family"] == family)]
    shots = max(met["n"].sum(), 1.0)
    variance = np.zeros((1 + model.transform_.n_columns,) * 2)
    for choice in ("attack", "reset"):
        some = met[met["choice"] == choice]
        rows = np.column_stack([np.ones(len(some)), model.transform_.basis(some["gap_m"])])
        n = some["n"].to_numpy()
        p = some["total"].sum() / n.sum() if n.sum() else 0.5
        weight = p * (1.0 - p) / model.dispersion_[choice]
        variance += np.linalg.pinv(weight * rows.T @ (rows * n[:, None]) / shots)
    return cast(Array, np.linalg.pinv(variance))
