"""The columns of a curve: how the chance of one choice hangs on the gap and the shot.

The gap enters as it is, with a diminishing effect, or as a spline.

Attack and reset have a curve each, smooth in the gap, that bends where the shots bend it:

- common to all: level, gap, side, volley, bends of a natural cubic spline, strokes (level and
  slope, by side and by depth) and the situation (level and slope);
- a player's own: level, gap, side, volley, strokes and situation; for attack also a sideways
  shift of the common curve, and tents, so that a player's curve may bend elsewhere.

A shot is described by *words*: an indicator each for its stroke, stroke by side and depth,
and the columns of the situation. Since the columns are linear in the words, the curve of a
mix of shots comes from the mean of their words.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Final, Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from sidewall.arguments import Bools, Floats, Ints
from sidewall.errors import DataError
from sidewall.features.coded import positions
from sidewall.log.vocabulary import FAMILIES, SIDES
from sidewall.models.draws import Groups
from sidewall.rallies.value import BEND_M, gap_scale, natural_bends, spline_bends

#: Gaps at which the slope of the common attack curve is kept, metres.
SLOPE_GAPS_M: Final = np.arange(0.0, 3.25, 0.02)
#: Tops of the tents of a player's attack, metres.
_TENTS_M: Final = np.linspace(0.08, 0.86, 10)

# Prior scales in log odds: 0.04 is a hundredth of an even rally.
_LEVEL, _USUAL = 0.16, 0.04
_BENDS = {"attack": 0.32, "reset": 0.16}
_COMMON_WORDS, _COMMON_SLOPES = 0.2, 0.1
#: Of sideways shifts, in metres: all of the player's, by side, and their slopes.
_SHIFTS_M = (0.025, 0.02, 0.015, 0.015)


def _unit_bends() -> Floats:
    """Turns the spline's bends into columns of size 1 that say nothing about level and slope.

    Sizes are over a fixed spread of gaps, log-normal about 40 cm, so that a prior scale
    means the same in every log.
    """
    gaps = np.exp(np.log(0.4) + 0.8 * np.linspace(-2.0, 2.0, 401))
    weight = np.sqrt(np.exp(-0.5 * np.linspace(-2.0, 2.0, 401) ** 2))
    rows = np.column_stack([np.ones(401), gap_scale(gaps), spline_bends(gaps)])
    R = np.linalg.qr(rows * weight[:, None] / np.linalg.norm(weight), mode="r")
    return np.asarray(np.linalg.inv(R)[:, 2:])


_BEND_MIX: Final = _unit_bends()


def _bends(gap_m: Floats) -> Floats:
    """Bends of the gap, shape (n, 4)."""
    rows = np.column_stack([np.ones(len(gap_m)), gap_scale(gap_m), spline_bends(gap_m)])
    return np.asarray(rows @ _BEND_MIX)


def _tents(gap_m: Floats) -> Floats:
    """Piecewise-linear tents, shape (n, 10); the last one is straight to its right."""
    number = np.arange(len(_TENTS_M))
    at = np.interp(gap_scale(gap_m), gap_scale(_TENTS_M), number)
    return np.asarray(np.maximum(1.0 - np.abs(at[:, None] - number), 0.0))


@dataclass(frozen=True)
class CurveColumns:
    """Columns of the curve of one choice.

    `strokes` are those told apart, none where they are taken together; `situation` the levels of
    its columns; `slope` that of the common curve at `SLOPE_GAPS_M`, in log odds a metre.
    """

    choice: str
    strokes: tuple[str, ...]
    situation: Mapping[str, tuple[str, ...]]
    slope: Floats

    # -- words ---------------------------------------------------------------------------

    @cached_property
    def _depths(self) -> tuple[str, ...]:
        return self.situation.get("depth", ())

    @cached_property
    def word_names(self) -> list[str]:
        """What every word says."""
        names = [f"{stroke}" for stroke in self.strokes]
        names += [f"{stroke} by side" for stroke in self.strokes]
        pairs = [f"{stroke} {depth}" for stroke in self.strokes for depth in self._depths]
        names += [*pairs, *(f"{pair} by side" for pair in pairs)]
        return names + [f"{c} {level}" for c, levels in self.situation.items() for level in levels]

    @cached_property
    def _word_kind(self) -> list[str]:
        """The group of every word: which words share a spread."""
        k = len(self.strokes)
        kinds = ["stroke"] * k + ["stroke by side"] * k
        kinds += ["stroke by depth"] * (k * len(self._depths))
        kinds += ["stroke by depth and side"] * (k * len(self._depths))
        return kinds + [c for c, levels in self.situation.items() for _ in levels]

    @cached_property
    def sloping(self) -> Bools:
        """Words whose effect changes with the gap."""
        return np.array(
            [kind == "stroke" or not kind.startswith("stroke") for kind in self._word_kind], bool
        )

    def words(self, shots: pd.DataFrame) -> Floats:
        """Words of every shot, shape (n, words); a blank cell has none of its column."""
        n = len(shots)
        stroke = _codes(shots, "stroke", self.strokes)
        side = _side(shots["side"])
        strokes = _one_hot(stroke, len(self.strokes))
        columns = [strokes, strokes * side[:, None]]
        depth = _one_hot(_codes(shots, "depth", self._depths), len(self._depths))
        pairs = strokes[:, :, None] * depth[:, None, :]
        pairs = pairs.reshape(n, len(self.strokes) * len(self._depths))
        columns += [pairs, pairs * side[:, None]]
        for column, levels in self.situation.items():
            columns.append(_one_hot(_codes(shots, column, levels), len(levels)))
        return np.concatenate(columns, axis=1)

    # -- columns -------------------------------------------------------------------------

    def common(self, gap_m: Floats, side: Floats, volley: Floats, words: Floats) -> Floats:
        """Common columns, shape (n, p).

        Side and volley go from -1/2 (forehand, ground) to 1/2 (backhand, volley), shape (n,);
        words, (n, words), are indicators, or their means over a mix of shots.
        """
        slopes = words[:, self.sloping] * gap_scale(gap_m)[:, None]
        return np.concatenate([self.common_of_gap(gap_m, side, volley), words, slopes], axis=1)

    def common_of_gap(self, gap_m: Floats, side: Floats, volley: Floats) -> Floats:
        """The common columns that hang on no word: the first ones, shape (n, 15)."""
        h, bends = gap_scale(gap_m), _bends(gap_m)
        plain = [np.ones_like(h), h, side, side * h, volley, volley * h, side * volley]
        return np.column_stack([*plain, bends, bends * side[:, None]])

    def own(self, gap_m: Floats, side: Floats, volley: Floats, words: Floats) -> Floats:
        """A player's own columns, shape (n, q); parameters as above."""
        slopes = words[:, : len(self.strokes)] * gap_scale(gap_m)[:, None]
        return np.concatenate([self.own_of_gap(gap_m, side, volley), words, slopes], axis=1)

    def own_of_gap(self, gap_m: Floats, side: Floats, volley: Floats) -> Floats:
        """A player's own columns that hang on no word: the first ones."""
        h = gap_scale(gap_m)
        columns = [np.ones_like(h), h, side, side * h, volley, volley * h]
        if self.choice == "attack":
            slope = np.interp(gap_m, SLOPE_GAPS_M, self.slope)
            columns += [slope, slope * side, slope * h, slope * h * side, _tents(gap_m)]
        return np.column_stack(columns)

    def split(self, coefficients: Floats, own: bool = False) -> tuple[Floats, Floats, Floats]:
        """Coefficients of the gap alone, of the words, and of their slopes, along the last axis."""
        words = len(self.word_names)
        slopes = len(self.strokes) if own else int(self.sloping.sum())
        at = coefficients.shape[-1] - words - slopes
        return (
            coefficients[..., :at],
            coefficients[..., at : at + words],
            coefficients[..., at + words :],
        )

    @cached_property
    def groups(self) -> Groups:
        """Which coefficients share a spread, and its prior scale."""
        flat, names, scales = -1, [], []

        def group(name: str, scale: float) -> int:
            if name not in names:
                names.append(name)
                scales.append(scale)
            return names.index(name)

        common = [flat, flat, flat, group("side, gap", 0.16), flat]
        common += [group("volley, gap", 0.16), group("side, volley", 0.16)]
        common += [group("bends", _BENDS[self.choice])] * 4 + [group("bends by side", 0.08)] * 4
        common += [group(f"common {kind}", _COMMON_WORDS) for kind in self._word_kind]
        sloping = [k for k, yes in zip(self._word_kind, self.sloping, strict=True) if yes]
        common += [group(f"common {kind}, gap", _COMMON_SLOPES) for kind in sloping]
        own = [group("own level", _LEVEL)]
        own += [
            group(f"own {name}", _USUAL)
            for name in ("gap", "side", "side, gap", "volley", "volley, gap")
        ]
        if self.choice == "attack":
            shifts = ("shift", "shift by side", "shift, gap", "shift by side, gap")
            own += [group(f"own {s}", m) for s, m in zip(shifts, _SHIFTS_M, strict=True)]
            own += [group("own tents", _USUAL)] * len(_TENTS_M)
        own += [group(f"own {kind}", _USUAL) for kind in self._word_kind]
        own += [group("own stroke, gap", _USUAL)] * len(self.strokes)
        return Groups(np.array(common), np.array(own), names, np.array(scales))

    def with_slope(self, common: Floats) -> CurveColumns:
        """The same with the slope of the curve that common coefficients give."""
        n = len(SLOPE_GAPS_M)
        nothing = np.zeros((n, len(self.word_names)))
        curve = self.common(SLOPE_GAPS_M, np.zeros(n), np.zeros(n), nothing) @ common
        slope = np.gradient(curve, SLOPE_GAPS_M)
        return CurveColumns(self.choice, self.strokes, self.situation, slope)


def side_and_volley(shots: pd.DataFrame) -> tuple[Floats, Floats]:
    """Side and way of meeting the ball as numbers from -1/2 to 1/2; 0 where not told apart."""
    return _side(shots["side"]), _halves(shots["family"], FAMILIES)


def _side(column: Any) -> Floats:
    return _halves(column, SIDES)


def _halves(column: Any, words: Sequence[str]) -> Floats:
    codes = positions(column, pd.Index(list(words)))
    return np.asarray(np.where(codes < 0, 0.0, codes - 0.5))


def _codes(shots: pd.DataFrame, column: str, levels: Sequence[str]) -> Ints:
    if column not in shots.columns or not levels:
        return np.full(len(shots), -1, dtype=np.int64)
    return positions(shots[column], pd.Index(list(levels)))


def _one_hot(codes: Ints, size: int) -> Floats:
    return (codes[:, None] == np.arange(size)).astype(float)


Kind = Literal["linear", "log1p", "spline", "none"]

KINDS: Final[tuple[Kind, ...]] = ("linear", "log1p", "spline")

#: Knots of the spline, as quantiles (Harrell, Regression Modeling Strategies, 2nd ed.,
#: 2.4.6, for three knots).
_KNOT_QUANTILES: Final = (0.10, 0.50, 0.90)


@dataclass(frozen=True)
class GapTransform:
    """A monotone scale for the gap, centred on the gaps that were met.

    ``gap``, ``log(1 + gap / 0.25 m)``, a restricted cubic spline with three `knots_m` (straight
    outside the outer two), or no gap at all (for comparison). `center`, (k,), is subtracted from
    each column, so that intercepts stand for a usual ball.
    """

    kind: Kind
    center: Floats
    knots_m: Floats = field(default_factory=lambda: np.empty(0))

    @classmethod
    def fit(cls, kind: Kind, gap_m: ArrayLike, counts: ArrayLike | None = None) -> GapTransform:
        """Choose centre and knots from the gaps of a log, each met once or `counts` times.

        A DataError when `kind` is unknown, or the gaps vary too little for a spline.
        """
        gap = np.asarray(gap_m, dtype=float)
        if kind not in (*KINDS, "none"):
            raise DataError(f"transform is {kind!r}; it must be one of {', '.join(KINDS)}")
        n = np.ones(len(gap)) if counts is None else np.asarray(counts, dtype=float)
        knots = counted_quantiles(gap, n, _KNOT_QUANTILES) if kind == "spline" else np.empty(0)
        if kind == "spline" and len(np.unique(knots)) < 3:
            raise DataError(
                "the gaps take too few values for a spline (its knots coincide at "
                f"{np.unique(knots).round(3)} m); use transform='linear'"
            )
        raw = _columns(kind, gap, knots)
        return cls(kind, n @ raw / max(n.sum(), 1.0), knots)

    def basis(self, gap_m: ArrayLike) -> Floats:
        """Columns for given gaps, shape (n, k)."""
        return _columns(self.kind, np.asarray(gap_m, dtype=float), self.knots_m) - self.center


def counted_quantiles(values: Floats, counts: Floats, shares: Sequence[float]) -> Floats:
    """Quantiles, linear between order statistics, of values that were each met so often, (n,)."""
    order = np.argsort(values, kind="stable")
    values, ends = values[order], np.cumsum(counts[order])
    at = np.asarray(shares) * (ends[-1] - 1.0)
    low = np.floor(at)
    below, above = (
        values[np.minimum(np.searchsorted(ends, place, side="right"), len(values) - 1)]
        for place in (low, low + 1.0)
    )
    return below + (at - low) * (above - below)


def _columns(kind: Kind, gap: Floats, knots: Floats) -> Floats:
    if kind == "none":
        return np.empty((len(gap), 0))
    if kind == "linear":
        return gap[:, None]
    if kind == "log1p":
        return np.log1p(gap / BEND_M)[:, None]
    return np.column_stack([gap, natural_bends(gap, knots)])
