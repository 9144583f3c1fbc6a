"""From scatter and gain to the height worth aiming at.

Three quantities, in words first:

- **chance of the tin** at an aim a: the share of shots so aimed that come below the tin's
  upper edge t, ``Phi((t - a) / s)`` with normal scatter s;
- **chance of winning** at an aim a: a shot in the tin loses, and one that meets the wall at
  height z wins with the chance w(z), so the integral of ``w(z) phi((z - a) / s) / s`` over
  all z from t upwards;
- **best height**: the aim at which that chance is largest.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr

from sidewall.arguments import Array, Ints

Curve = Callable[[Array], Array]

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(24)
#: How far the scatter is followed, standard deviations.
_FAR = 5.5


class Best(NamedTuple):
    """The best height and what it gives, arrays of one shape.

    ``at_edge`` is -1 at the lowest and 1 at the highest height looked at, 0 in between.
    """

    height_m: Array
    win: Array
    at_edge: Ints


def tin_chance(aim_m: ArrayLike, sd_m: ArrayLike, tin_m: ArrayLike) -> Array:
    """Chance that a shot aimed at a height goes into the tin.

    Parameters
    ----------
    aim_m, sd_m, tin_m
        Metres; any shapes that broadcast together.
    """
    aim, sd, tin = (np.asarray(value, dtype=float) for value in (aim_m, sd_m, tin_m))
    return np.asarray(ndtr((tin - aim) / sd))


def win_chance(aim_m: ArrayLike, sd_m: ArrayLike, tin_m: float, curve: Curve) -> Array:
    """Chance of winning the rally with a shot aimed at a height.

    Parameters
    ----------
    aim_m, sd_m
        Metres; shapes that broadcast together to S.
    tin_m
        Upper edge of the tin.
    curve
        Gives the chance of winning for heights above the tin, shape S + (nodes,), as an array
        of the same shape.

    Returns
    -------
    ndarray, shape S
        By Gauss-Legendre quadrature over the part of the scatter above the tin.
    """
    aim, sd = np.broadcast_arrays(np.asarray(aim_m, dtype=float), np.asarray(sd_m, dtype=float))
    low = np.clip((tin_m - aim) / sd, -_FAR, _FAR)
    half = (_FAR - low) / 2.0
    u = low[..., None] + half[..., None] * (1.0 + _NODES)
    density = np.exp(-0.5 * u**2) / np.sqrt(2.0 * np.pi)
    z = aim[..., None] + sd[..., None] * u
    return np.asarray(half * np.sum(_WEIGHTS * density * curve(z), axis=-1))


def best_height(aims_m: Array, win: Array) -> Best:
    """Height of the largest chance of winning along the last axis.

    Parameters
    ----------
    aims_m
        (k,) evenly spaced heights, metres.
    win
        (..., k) chance of winning at each.

    Returns
    -------
    Best
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
