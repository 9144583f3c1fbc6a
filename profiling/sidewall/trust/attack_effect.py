"""What attacking is worth once what is logged is allowed for, beside the model's own gain."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any, Final

import numpy as np
import pandas as pd
from scipy.special import ndtri

from sidewall.arguments import Array, Bools, check_fitted, check_level
from sidewall.errors import DataError, SeparationError
from sidewall.models import TightnessModel
from sidewall.models.answers import CROSSES
from sidewall.numbers import signed
from sidewall.trust.doubly_robust import (
    chance_of_choice,
    clustered_error,
    doubly_robust,
    independent_columns,
)
from sidewall.trust.overlap import RANGE, band_edges, logged_reasons, own_shots
from sidewall.trust.unseen import position

#: Edges of the bands around the threshold, metres.
AROUND_M: Final = (-0.3, -0.1, 0.1, 0.3)
_PER_COLUMN: Final = 3
_LEAST_OF_A_CHOICE: Final = 20
_ESTIMATES: Final = ("naive", "equally_loose", "effect", "logged_tilt", "model_gain", "difference")


def attack_effect(
    model: TightnessModel,
    player: str | None = None,
    *,
    bands_m: Sequence[float] | None = None,
    reasons: Sequence[str] | None = None,
    level: float = 0.95,
) -> pd.DataFrame:
    """Estimate in gap bands how many more rallies attacking wins than resetting would.

    The estimand: over the balls of the band that could have been attacked or reset as far
    as the log tells (chance of attacking 5 to 95 in 100), the average difference between
    attacking all of them and resetting all of them, in the chance of winning the rally. Two
    models are fitted within each band, of the choice and of the outcome, on the gap and every
    logged reason; the estimate is right if either is, *and* if no reason that is not
    logged drives both.

    Parameters
    ----------
    model : TightnessModel
        Fitted; its outcomes (by rally or by value) and its shots are used.
    player : str, optional
        One player's balls; all players' by default.
    bands_m : sequence of float, optional
        Edges of gap bands in metres. By default bands around the threshold: the gap minus the
        threshold of the ball's own player, side and family, from -30 to -10, -10 to 10 and
        10 to 30 cm; balls whose threshold is not known are left out.
    reasons : sequence of str, optional
        See :func:`~sidewall.trust.overlap.logged_reasons`.
    level : float, default 0.95

    Returns
    -------
    DataFrame
        One row a band: ``from_m``, ``to_m`` (gap, or gap minus threshold), ``n_attack``,
        ``n_reset``, ``n_rallies`` (used), ``kept`` (share of the band's balls that can be
        compared); and, each with ``_low`` and ``_high``: ``naive`` (attacked minus reset,
        as they are), ``equally_loose`` (allowing for the gap alone), ``effect`` (allowing for all
        that is logged), ``logged_tilt`` (equally_loose minus effect: how much easier attacked balls
        were by what is logged, to be held against
        :func:`~sidewall.trust.unseen.threshold_tilt`), ``model_gain`` (the model's gain over
        the same balls) and ``difference`` (effect minus model's gain). ``words`` says
        whether effect and model differ, or why there is no effect. The names of the reasons
        are in ``attrs["reasons"]``.

    Raises
    ------
    DataError
        When the model knows no such player, no threshold is known and no bands are given,
        or there are too few attacks or resets.

    See Also
    --------
    threshold_tilt
    unseen_reason
    choice_overlap

    Notes
    -----
    Intervals count rallies, not shots (see :mod:`~sidewall.trust.doubly_robust`); by value
    the effect does not carry the error of the value of a ball. Effect and model's gain come
    from the same shots, so their errors lean the same way, and the interval of the
    difference, which takes them as independent, is too wide rather than too short.

    Examples
    --------
    >>> table = sw.attack_effect(model, bands_m=(0.2, 0.6, 1.0))
    >>> table[["from_m", "to_m", "n_attack", "n_reset", "n_rallies"]]
       from_m  to_m  n_attack  n_reset  n_rallies
    0    0.2     0.6       131      543        120
    1    0.6     1.0       138      104        111
    """
    check_level(level)
    check_fitted(model)
    if player is not None:
        position(model, player)
    z = float(ndtri(0.5 + level / 2.0))
    used = own_shots(model.used_, player)
    place, edges = _places(model, used, bands_m, level)
    found = logged_reasons(used, reasons)
    table = used.assign(place=place)
    rows = []
    for low, high in pairwise(edges):
        inside = ((place >= low) & (place < high)).to_numpy()
        band = table[inside].reset_index(drop=True)
        columns = found.columns[inside].to_numpy()
        rows.append({"from_m": low, "to_m": high} | _band(model, band, columns, z))
    result = pd.DataFrame(rows)
    result.attrs["reasons"] = found.names
    return result


def _places(
    model: TightnessModel, used: pd.DataFrame, bands_m: Sequence[float] | None, level: float
) -> tuple[pd.Series, Array]:
    """Where each ball lies, and the edges of the bands, on the same scale."""
    if bands_m is not None:
        return used["gap_m"].astype(float), band_edges(bands_m)
    answers = model.thresholds(level)
    known = answers[answers["status"] == CROSSES]
    keys = ["player", "side", "family"]
    at = known.set_index(keys)["threshold_m"]
    of_ball = pd.MultiIndex.from_frame(used[keys].astype(str))
    place = used["gap_m"].astype(float) - at.reindex(of_ball).to_numpy()
    if place.isna().all():
        raise DataError(
            "no threshold is known yet to lay bands around; give bands_m, edges of gap bands in "
            "metres"
        )
    return place, np.asarray(AROUND_M)


def _band(model: TightnessModel, band: pd.DataFrame, columns: Array, z: float) -> dict[str, Any]:
    attack = (band["choice"] == "attack").to_numpy()
    row: dict[str, Any] = {
        "n_attack": int(attack.sum()),
        "n_reset": int((~attack).sum()),
        "n_rallies": int(band["rally_id"].nunique()),
        "kept": np.nan,
    }
    row |= {f"{name}{end}": np.nan for name in _ESTIMATES for end in ("", "_low", "_high")}
    if min(row["n_attack"], row["n_reset"]) < _LEAST_OF_A_CHOICE:
        return row | {"words": f"fewer than {_LEAST_OF_A_CHOICE} attacks or resets"}
    gap = band["gap_m"].to_numpy(dtype=float)
    X = np.column_stack([np.ones(len(band)), gap - gap.mean(), columns])
    try:
        X = X[:, _carried(X, attack)]
        chance = np.asarray(chance_of_choice(attack.astype(float), X).predict())
        keep = (chance >= RANGE[0]) & (chance <= RANGE[1])
        row["kept"] = float(keep.mean())
        some, X, attack = band[keep], X[keep], attack[keep]
        row |= {"n_attack": int(attack.sum()), "n_reset": int((~attack).sum())}
        row["n_rallies"] = int(some["rally_id"].nunique())
        X = X[:, _carried(X, attack)]
        y, t, rally = some["outcome"], attack.astype(float), some["rally_id"]
        found = {
            name: doubly_robust(y, t, X[:, :k], X[:, :k], rally)
            for name, k in (("naive", 1), ("equally_loose", 2), ("effect", X.shape[1]))
        }
    except SeparationError:
        return row | {"words": "the log tells attack from reset without fault"}
    except DataError:
        return row | {"words": "too few attacks or resets that can be compared"}
    estimates = {name: (one.effect, one.error) for name, one in found.items()}
    estimates["model_gain"] = _model_gain(model, some)
    tilt = found["equally_loose"].effect - found["effect"].effect
    moved = found["equally_loose"].influence - found["effect"].influence
    estimates["logged_tilt"] = (tilt, clustered_error(moved, rally))
    (effect, error), (gain, gain_error) = estimates["effect"], estimates["model_gain"]
    estimates["difference"] = (effect - gain, float(np.hypot(error, gain_error)))
    for name, (value, its_error) in estimates.items():
        row[name] = value
        row[f"{name}_low"], row[f"{name}_high"] = value - z * its_error, value + z * its_error
    return row | {"words": _words(row)}


def _carried(X: Array, attack: Bools) -> Bools:
    """Columns that can be told within both choices; refuses too many of them for the shots."""
    keep = independent_columns(X)
    for group in (attack, ~attack):
        some = independent_columns(X[group][:, keep])
        keep[np.flatnonzero(keep)[~some]] = False
    least = int(min(attack.sum(), (~attack).sum()))
    if least < _PER_COLUMN * keep.sum():
        raise DataError(
            f"{least} shots of the rarer choice are too few for {int(keep.sum())} columns; take "
            "fewer reasons or wider bands"
        )
    return keep


def _model_gain(model: TightnessModel, some: pd.DataFrame) -> tuple[float, float]:
    """Mean gain of attack over given balls, and its error."""
    total = np.zeros(model.posterior_.n_draws)
    for _, attack, reset in model.posterior_.of_shots(some):
        total += (attack - reset).sum(axis=1)
    return float(total.mean()) / len(some), float(total.std()) / len(some)


def _words(row: dict[str, Any]) -> str:
    effect, gain = (signed(100 * row[name], 0) for name in ("effect", "model_gain"))
    both = f"{effect} rallies in 100 with all that is logged, {gain} by the model"
    if row["difference_low"] > 0:
        return f"attacking is better than the model says: {both}"
    if row["difference_high"] < 0:
        return f"attacking is worse than the model says: {both}"
    return f"no clear disagreement: {both}"
