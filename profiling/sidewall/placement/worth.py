"""What width and depth are worth: the opponent's attack and the striker's rally."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final, Literal

import numpy as np
import pandas as pd
from scipy.special import expit, ndtri

from sidewall.arguments import (
    GAP_M,
    LENGTH_M,
    Array,
    Table,
    as_frame,
    check_gaps_m,
    check_lengths_m,
    check_level,
    check_scale,
    check_seed,
)
from sidewall.errors import DataError
from sidewall.estimator import Estimator
from sidewall.features.coded import kept_and_left_out, struck_by
from sidewall.features.rallies import need_whole_rallies
from sidewall.features.shots import with_features
from sidewall.models.curves import GapTransform
from sidewall.placement.player_curves import PlayerCurves
from sidewall.rallies.strengths import Strengths

Depth = Literal["reply", "bounce", "none"]

OUTCOMES: Final = ("opponent_attacks", "wins")
_LEAST: Final = 100


class PlacementWorth(Estimator):
    """Chance that the opponent attacks, and that the striker wins, by the ball that was left.

    Estimands, in words: among balls that the opponent struck again, the share that the
    opponent **attacked**, and the share of rallies that the striker **won**, as smooth
    functions of the gap and the depth that the ball left. Serves are left out, and rallies
    that ended in a let where winning is asked.

    Parameters
    ----------
    transform : {"log1p", "linear", "spline"}, default "log1p"
        How the gap enters the log odds; see :class:`~sidewall.models.curves.GapTransform`.
    depth : {"reply", "bounce", "none"}, default "reply"
        Distance from the front wall at which the opponent struck the ball, or at which it
        bounced first (not known for a ball met in the air). It enters as a spline with three
        knots, beside the gap and not tied to it.
    prior_scale : float, default 0.2
        How far players may differ, in log odds; of the gap, for a standard deviation of it.
    seed : int, default 0

    Attributes
    ----------
    used_ : DataFrame
        The shots behind the fit: ``gap_left_m``, ``depth_left_m``, ``opponent_attacks``,
        ``wins``.
    curves_ : dict
        The fitted `PlayerCurves` of each outcome.
    left_out_ : Series

    See Also
    --------
    plot_worth
    placement_table
    TinMargin

    Notes
    -----
    Players are pooled as in the tightness model: level and gap slope are each one's own, the
    shape along the depth is common to all; the opponent's strength is a fixed offset of
    winning. A curve describes balls as they were left in
    the log; it becomes the worth of leaving a tighter ball only as far as nothing else that
    came with the tight ones, such as an opponent out of place, is behind the difference.

    Examples
    --------
    >>> worth = sw.PlacementWorth().fit(shots)
    >>> table = worth.curves("Rowan")
    >>> worth.centimetre("Rowan")["gap_m"].to_list()
    [0.1, 0.2, 0.3, 0.5, 0.8]
    """

    _result = "used_"

    def __init__(
        self,
        transform: Literal["log1p", "linear", "spline"] = "log1p",
        depth: Depth = "reply",
        prior_scale: float = 0.2,
        seed: int = 0,
    ) -> None:
        check_scale(prior_scale)
        check_seed(seed)
        self.transform = transform
        self.depth = depth
        self.prior_scale = prior_scale
        self.seed = seed

    def fit(self, shots: Table) -> PlacementWorth:
        """Estimate both curves for all players together.

        Parameters
        ----------
        shots : DataFrame
            A canonical shot table of whole rallies.

        Raises
        ------
        DataError
            If too few shots have a reply with a gap (and depth), or no reply has a choice.
        """
        shots = as_frame(shots)
        if self.depth not in ("reply", "bounce", "none"):
            raise DataError(f"depth is {self.depth!r}; it must be 'reply', 'bounce' or 'none'")
        table = with_features(shots)
        self.used_, self.left_out_ = self._left(table)
        used = self.used_
        if len(used) < _LEAST:
            and_depth = "" if self.depth == "none" else " and depth"
            raise DataError(
                f"{len(used)} shots have a reply whose gap{and_depth} is known; at least "
                f"{_LEAST} are needed. Left out: {self.left_out_.to_dict()}"
            )
        self.transform_ = GapTransform.fit(self.transform, used["gap_left_m"])
        self.depth_transform_ = (
            None if self.depth == "none" else GapTransform.fit("spline", used["depth_left_m"])
        )
        depth = used["depth_left_m"].to_numpy() if self.depth != "none" else None
        X = self._columns(used["gap_left_m"].to_numpy(), depth, used.index)
        self.curves_ = {}
        # A striker's own strength is in the own level: as an offset from the same rallies it would
        # take that level's error with it.
        met = used["opponent"].astype(str).map(Strengths().fit(table).strength_)
        for outcome in OUTCOMES:
            known = used[outcome].notna()
            if known.sum() < _LEAST:
                raise DataError(
                    f"{int(known.sum())} shots tell {outcome.replace('_', ' ')}; at least {_LEAST} "
                    "are needed: chart the choice, or stroke, direction and contact to derive it"
                )
            curves = PlayerCurves(self.prior_scale, self.seed)
            vary = [name for name in X.columns if not name.startswith("depth")]
            self.curves_[outcome] = curves.fit(
                used.loc[known, outcome],
                X[known],
                vary,
                used[known],
                -met[known].to_numpy() if outcome == "wins" else None,
            )
        self.players_ = self.curves_["wins"].players_
        return self

    def _left(self, table: pd.DataFrame) -> tuple[pd.DataFrame, pd.Series]:
        need_whole_rallies(table)
        follows = table["shots_left"].to_numpy() > 0

        def after(name: str) -> pd.Series:
            return table[name].shift(-1).where(follows)

        choice = after("choice").astype(object)
        new: dict[str, Any] = {
            "gap_left_m": after("gap_m"),
            "opponent_attacks": (choice == "attack").astype(float).where(choice.notna()),
            "wins": table["won"],
        }
        if self.depth != "none":
            name = "y_m" if self.depth == "reply" else "bounce_y_m"
            if name not in table.columns:
                raise DataError(
                    f"the log has no column {name.removesuffix('_m')}, which depth={self.depth!r} "
                    "needs; chart it or use depth='none'"
                )
            new["depth_left_m"] = after(name) if self.depth == "reply" else table[name]
        table = table.assign(**new)
        reasons = {
            "serve": (table["stroke"] == "serve").to_numpy(),
            "not struck again": ~follows,
            "gap of the reply not charted": table["gap_left_m"].isna().to_numpy(),
        }
        if self.depth != "none":
            reasons["depth not known"] = table["depth_left_m"].isna().to_numpy()
        kept, left_out = kept_and_left_out(reasons)
        return table[kept], left_out

    def _columns(self, gap: Array, depth: Array | None, index: Any = None) -> pd.DataFrame:
        X = pd.DataFrame({"constant": np.ones(len(gap))}, index=index)
        for k, column in enumerate(self.transform_.basis(gap).T):
            X[f"gap {k}"] = column
        if self.depth_transform_ is not None and depth is not None:
            for k, column in enumerate(self.depth_transform_.basis(depth).T):
                X[f"depth {k}"] = column
        return X

    def curves(
        self,
        player: str | None = None,
        of: Literal["gap", "depth"] = "gap",
        values_m: Sequence[float] | None = None,
        *,
        at_m: float | None = None,
        level: float = 0.95,
    ) -> pd.DataFrame:
        """Both chances along the gap or the depth left to the opponent.

        Parameters
        ----------
        player
            The striker; the middle of all players if None.
        of
            What varies.
        values_m
            Where to tell the chances, metres; by default over the middle 98% of what was met.
        at_m
            The other of the two, metres; its median by default.
        level
            Confidence level.

        Returns
        -------
        DataFrame
            ``gap_m``, ``depth_m`` and for each outcome ``opponent_attacks``, ``wins``: the
            chance, ``_low`` and ``_high`` (pointwise), and ``n_shots`` within 5 cm of gap or
            25 cm of depth.
        """
        check_level(level)
        gap, depth = self._grid(of, values_m, at_m)
        rows = self._columns(gap, depth).to_numpy()
        z = float(ndtri(0.5 + level / 2.0))
        table: dict[str, Any] = {"gap_m": gap}
        if depth is not None:
            table["depth_m"] = depth
        for outcome in OUTCOMES:
            values, covariance = self._of(outcome, player)
            eta = rows @ values
            half = z * np.sqrt(np.einsum("gk,kl,gl->g", rows, covariance, rows))
            table[outcome] = expit(eta)
            table[f"{outcome}_low"] = expit(eta - half)
            table[f"{outcome}_high"] = expit(eta + half)
        met = self._met(player)
        column, near = ("gap_left_m", 0.05) if of == "gap" else ("depth_left_m", 0.25)
        at = gap if depth is None or of == "gap" else depth
        sorted_met: Any = np.sort(met[column].to_numpy())
        table["n_shots"] = np.searchsorted(sorted_met, at + near, "right") - np.searchsorted(
            sorted_met, at - near
        )
        return pd.DataFrame(table)

    def centimetre(
        self,
        player: str | None = None,
        gaps_m: Sequence[float] = (0.1, 0.2, 0.3, 0.5, 0.8),
        *,
        at_m: float | None = None,
        level: float = 0.95,
    ) -> pd.DataFrame:
        """What a centimetre tighter is worth at given gaps.

        Parameters
        ----------
        player : str, optional
            Whose curves; those of all by default.
        gaps_m : sequence of float
            Where to tell it, metres.
        at_m, level
            As in :meth:`curves`.

        Returns
        -------
        DataFrame
            ``gap_m`` and for each outcome the change, in 100 such balls, from half a centimetre
            looser to half a centimetre tighter, with ``_low`` and ``_high`` (delta method);
            ``n_shots`` behind the curve.
        """
        check_level(level)
        gaps = check_gaps_m(gaps_m)
        z = float(ndtri(0.5 + level / 2.0))
        table: dict[str, Any] = {"gap_m": gaps}
        _, depth = self._grid("gap", gaps_m, at_m)
        near, far = (
            self._columns(np.maximum(gaps + step, 0.0), depth).to_numpy()
            for step in (-0.005, 0.005)
        )
        for outcome in OUTCOMES:
            values, covariance = self._of(outcome, player)
            tight, loose = expit(near @ values), expit(far @ values)
            change = 100.0 * (tight - loose)
            slope = 100.0 * (
                (tight * (1 - tight))[:, None] * near - (loose * (1 - loose))[:, None] * far
            )
            half = z * np.sqrt(np.einsum("gk,kl,gl->g", slope, covariance, slope))
            table[outcome] = change
            table[f"{outcome}_low"], table[f"{outcome}_high"] = change - half, change + half
        return pd.DataFrame(table).assign(n_shots=len(self._met(player)))

    def _of(self, outcome: str, player: str | None) -> tuple[Array, Array]:
        if player is not None and player not in self.players_:
            raise DataError(
                f"{player!r} has no shot with a known reply; those who have: "
                f"{', '.join(self.players_)}"
            )
        return self.curves_[outcome].of(player)

    def _met(self, player: str | None) -> pd.DataFrame:
        used = self.used_
        return used if player is None else used[struck_by(used, player)]

    def _grid(
        self, of: str, values_m: Sequence[float] | None, at_m: float | None
    ) -> tuple[Array, Array | None]:
        self.need_fit()
        if of not in ("gap", "depth"):
            raise DataError(f"of is {of!r}; it must be 'gap' or 'depth'")
        if of == "depth" and self.depth == "none":
            raise DataError("the model was fitted without depth; use depth='reply'")
        name, other, most, others_most = "gap_left_m", "depth_left_m", GAP_M, LENGTH_M
        if of == "depth":
            name, other, most, others_most = other, name, others_most, most
        if values_m is None:
            low, high = self.used_[name].quantile([0.01, 0.99])
            values = np.linspace(low, high, 60)
        else:
            values = check_lengths_m(values_m, "values_m", most=most)
        if self.depth == "none":
            return values, None
        if at_m is None:
            at_m = float(self.used_[other].median())
        fixed = check_lengths_m(at_m, "at_m", most=others_most)[0]
        rest = np.full(len(values), fixed)
        return (values, rest) if of == "gap" else (rest, values)
