"""How the gap enters the model: straight, with a diminishing effect, or as a spline."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike

from sidewall.arguments import Floats
from sidewall.errors import DataError
from sidewall.rallies.value import BEND_M, natural_bends

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
