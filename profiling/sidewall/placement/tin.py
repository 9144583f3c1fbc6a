"""Tin margin: how much a player's heights scatter, and how high above the tin to aim."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, Literal

import numpy as np
import pandas as pd
from scipy.special import ndtri

from sidewall.arguments import (
    HEIGHT_M,
    Table,
    as_frame,
    check_count,
    check_length_m,
    check_lengths_m,
    check_level,
    check_scale,
    check_seed,
)
from sidewall.errors import DataError, SeparationError
from sidewall.estimator import Estimator
from sidewall.placement.aim import (
    LEAST_SEEN,
    AimChances,
    HeightGain,
    Scatter,
    aim_answer,
    aim_chances,
    aims_from,
    scatter_of,
    scatter_row,
    tin_chance,
)
from sidewall.placement.heights import TIN_HEIGHTS_M, Pressure, wall_heights

ALL_PLAYERS: Final = "all players"


class TinMargin(Estimator):
    """Scatter of heights on the front wall, chance of the tin, and the best height to aim at.

    Estimands, for a player, stroke, side and pressure: the **scatter** is the standard
    deviation of the height at which such shots cross the plane of the front wall, those below
    the tin's edge among them. The **chance of the tin** at an aimed height is the share of
    shots with that scatter around it that come below the edge. The **best height** is the aim
    at which most rallies are won: in the tin the rally is lost, above it it is won with the
    chance that balls of that height have had in the log.

    Parameters
    ----------
    pressure : {"none", "balance", "gap"}, default "none"
        See :func:`~sidewall.placement.heights.wall_heights`.
    tight_below_m : float, default 0.3
    tin_height_m : float, default 0.48
        For matches that do not carry their own.
    curve : {"linear", "log1p", "spline"}, default "linear"
        How the height enters the log odds of winning.
    prior_scale : float, default 0.2
        How far players may differ, in log odds; of the height, for a standard deviation of it.
    seed : int, default 0

    Attributes
    ----------
    heights_ : DataFrame
        The shots used; see :func:`~sidewall.placement.heights.wall_heights`.
    left_out_ : Series
    gains_ : dict
        For each stroke with enough shots, the fitted `HeightGain`.
    notes_ : list of str
        What could not be fitted, and why.

    See Also
    --------
    plot_aim
    plot_front_wall_hits
    PlacementWorth

    Notes
    -----
    Nobody knows where a player aimed in a match. The mean height stands for the aim, and what
    the player varied on purpose counts as scatter; a drill at one height (a practice log)
    tells the scatter without that. Balls in the tin are censored, see `CensoredNormal`.

    The gain of a lower ball is what the log shows beside equal stroke, side, pressure and
    incoming gap. Easy balls are struck lower and won more often, so some of it may be the ease.

    Examples
    --------
    >>> margin = sw.TinMargin().fit(shots)
    >>> margin.scatter()["stroke"].unique().tolist()
    ['drive', 'drop', 'lob', 'boast', 'kill']
    """

    _result = "heights_"

    def __init__(
        self,
        pressure: Pressure = "none",
        tight_below_m: float = 0.3,
        tin_height_m: float = 0.48,
        curve: Literal["linear", "log1p", "spline"] = "linear",
        prior_scale: float = 0.2,
        seed: int = 0,
    ) -> None:
        check_length_m(tight_below_m, "tight_below_m")
        check_length_m(tin_height_m, "tin_height_m", HEIGHT_M)
        check_scale(prior_scale)
        check_seed(seed)
        self.pressure = pressure
        self.tight_below_m = tight_below_m
        self.tin_height_m = tin_height_m
        self.curve = curve
        self.prior_scale = prior_scale
        self.seed = seed

    def fit(self, shots: Table) -> TinMargin:
        """Estimate all scatters and the gain of a lower ball.

        Parameters
        ----------
        shots : DataFrame
            A canonical shot table of whole rallies.

        Raises
        ------
        DataError
            If the log has no heights, or lacks what `pressure` needs.
        """
        shots = as_frame(shots)
        self.heights_, self.left_out_ = wall_heights(
            shots, self.tin_height_m, self.pressure, self.tight_below_m
        )
        self.notes_: list[str] = []
        self._scatter: dict[tuple[str, ...], Scatter] = {}
        for key, group in self.heights_.groupby(["stroke", "side", "pressure"], observed=True):
            names = tuple(str(part) for part in key)
            self._add((ALL_PLAYERS, *names), group)
            for player, own in group.groupby("player", observed=True):
                self._add((str(player), *names), own)
        self.gains_: dict[str, HeightGain] = {}
        for stroke, group in self.heights_.groupby("stroke", observed=True):
            gain = HeightGain(self.curve, self.prior_scale, self.seed)
            try:
                self.gains_[str(stroke)] = gain.fit(group)
            except (DataError, SeparationError) as error:  # the other strokes can still be told
                self.notes_.append(f"{stroke}: {error}")
        return self

    def _add(self, key: tuple[str, ...], group: pd.DataFrame) -> None:
        try:
            one = scatter_of(group, around_each_player=key[0] == ALL_PLAYERS)
        except DataError as error:  # the other cells can still be told
            self.notes_.append(f"{', '.join(key)}: {error}")
            return
        if one is None:
            return
        self._scatter[key] = one
        if not one.is_normal:
            self.notes_.append(
                f"{', '.join(key)}: heights do not lie as a normal scatter has them (skewness "
                f"{one.skewness:.1f}, excess kurtosis {one.kurtosis:.1f}), so no best height is "
                "told; where low balls are mixed with safe ones, tell them apart by `pressure`"
            )

    # -- what is known of a cell --------------------------------------------------------

    def scatter(self, level: float = 0.95) -> pd.DataFrame:
        """Mean height, scatter and chance of the tin, cell by cell.

        Parameters
        ----------
        level : float, default 0.95
            Confidence level of the intervals.

        Returns
        -------
        DataFrame
            One row a player (``all players``: around each one's own mean), stroke, side and
            pressure: ``n_shots``, ``in_tin``, ``tin_share`` with Wilson limits, ``tin_expected``
            (what the fitted normal scatter gives), ``skewness`` and ``kurtosis`` (beyond that of
            a normal scatter, 0 for both), ``mean_m`` and ``sd_m`` with limits. Cells of fewer
            than 15 heights are left out.
        """
        check_level(level)
        self.need_fit()
        names = ("player", "stroke", "side", "pressure")
        return pd.DataFrame(
            [
                dict(zip(names, key, strict=True)) | scatter_row(one, level)
                for key, one in self._scatter.items()
            ]
        )

    def tin_chances(
        self,
        player: str,
        stroke: str,
        side: str,
        pressure: str | None = None,
        *,
        tin_height_m: float = 0.48,
        aims_m: Sequence[float] | None = None,
        level: float = 0.95,
    ) -> pd.DataFrame:
        """Chance of the tin at each aimed height, with limits from those of the scatter.

        Parameters
        ----------
        player, stroke, side, pressure
            The cell; the pressure where they were told apart.
        tin_height_m : float, default 0.48
            Height of the tin's upper edge.
        aims_m : sequence of float, optional
            Heights aimed at; by default from the tin to a metre above it.
        level : float, default 0.95
            Confidence level of the intervals.

        Returns
        -------
        DataFrame
            ``aim_m``, ``tin``, ``tin_low``, ``tin_high``.
        """
        check_level(level)
        check_length_m(tin_height_m, "tin_height_m", HEIGHT_M)
        one = self._scatter[self._key(player, stroke, side, pressure)]
        aims = aims_from(tin_height_m, tin_height_m + 1.0)
        aims = aims if aims_m is None else check_lengths_m(aims_m, "aims_m", most=HEIGHT_M)
        z = float(ndtri(0.5 + level / 2.0)) * float(np.sqrt(one.covariance[1, 1]))
        ends = [tin_chance(aims, one.sd_m * np.exp(k), tin_height_m) for k in (-z, z)]
        return pd.DataFrame(
            {
                "aim_m": aims,
                "tin": tin_chance(aims, one.sd_m, tin_height_m),
                "tin_low": np.minimum(*ends),
                "tin_high": np.maximum(*ends),
            }
        )

    def win_curve(
        self,
        player: str,
        stroke: str,
        side: str,
        pressure: str | None = None,
        *,
        tin_height_m: float = 0.48,
        level: float = 0.95,
        draws: int = 1024,
    ) -> pd.DataFrame:
        """Chance of winning the rally at each aimed height.

        Parameters
        ----------
        player, stroke, side, pressure, tin_height_m, level
            As in :meth:`tin_chances`.
        draws : int, default 1024
            Draws of scatter and curve behind the limits; made up to a power of two.

        Returns
        -------
        DataFrame
            ``aim_m``, ``win``, ``win_low``, ``win_high`` (pointwise).
        """
        check_level(level)
        check_count(draws, "draws", 2)
        check_length_m(tin_height_m, "tin_height_m", HEIGHT_M)
        key = self._key(player, stroke, side, pressure)
        self._top(stroke)
        cell = self._cell(key, tin_height_m, draws)
        low, high = np.quantile(cell.drawn, [0.5 - level / 2, 0.5 + level / 2], axis=0)
        return pd.DataFrame(
            {"aim_m": cell.aims_m, "win": cell.win, "win_low": low, "win_high": high}
        )

    def best(
        self,
        player: str | None = None,
        *,
        tin_heights_m: Sequence[float] = TIN_HEIGHTS_M,
        level: float = 0.95,
        draws: int = 1024,
    ) -> pd.DataFrame:
        """Best height to aim at, cell by cell and for each tin.

        Parameters
        ----------
        player
            One player, or ``all players``; everybody if None.
        tin_heights_m
            Tins to answer for. Heights are only known above the tin of the log's matches, so
            the answer for a lower one follows the curve a little beyond.
        level
            Confidence level.
        draws
            Draws of scatter and curve behind the limits; made up to a power of two.

        Returns
        -------
        DataFrame
            One row a player, stroke, side, pressure and ``tin_m``: ``n_shots``; ``status``, one
            of ``best height``, ``no gain from a lower ball``, ``not known yet``; ``best_m``,
            ``best_low_m``, ``best_high_m`` (a limit beyond the heights looked at is infinite);
            ``flat_from_m``, ``flat_to_m``: the aims that cost less than half a rally in 100;
            ``now_m``, the mean height now; chance of the tin there (``tin_now``) and at the
            best (``tin_best``); ``win_now``, ``win_best`` and ``gain_per_100`` (rallies won
            more in 100 such shots, with limits). Where not known yet, what follows from the
            best height is missing; ``notes_`` names the cells whose scatter is not normal.

        Raises
        ------
        DataError
            If there is no such player, or no stroke whose gain of a lower ball was fitted.

        Notes
        -----
        Scatter and curve are estimated from parts of the likelihood that share no parameter
        (heights; results given heights), so their errors are independent. Limits are quantiles
        of the best height over evenly spread normal draws of both (Krinsky & Robb 1986,
        Review of Economics and Statistics 68:715-719).
        """
        check_level(level)
        check_count(draws, "draws", 2)
        self.need_fit()
        keys = [key for key in self._scatter if key[1] in self.gains_]
        if player is not None:
            known = {key[0] for key in self._scatter}
            if player not in known:
                raise DataError(
                    f"{player!r} has no stroke with {LEAST_SEEN} known heights; those who have: "
                    f"{', '.join(sorted(known))}"
                )
            keys = [key for key in keys if key[0] == player]
        if not keys:
            raise DataError(f"no best height can be told. {'; '.join(self.notes_)}".strip())
        rows = [
            dict(zip(("player", "stroke", "side", "pressure"), key, strict=True))
            | aim_answer(self._cell(key, float(tin), draws), level)
            for key in keys
            for tin in check_lengths_m(tin_heights_m, "tin_heights_m", most=HEIGHT_M)
        ]
        return pd.DataFrame(rows)

    def _cell(self, key: tuple[str, ...], tin_m: float, draws: int) -> AimChances:
        gain = self.gains_[key[1]]
        line = gain.line(None if key[0] == ALL_PLAYERS else key[0], *key[2:])
        return aim_chances(self._scatter[key], gain, line, tin_m, draws, self.seed)

    # -- finding a cell ---------------------------------------------------------------

    def _top(self, stroke: str) -> float:
        self.need_fit()
        if stroke not in self.gains_:
            fitted = ", ".join(self.gains_) or "none"
            raise DataError(
                f"the gain of a lower {stroke} is not known. Fitted strokes: {fitted}. "
                f"{'; '.join(self.notes_)}"
            )
        return self.gains_[stroke].highest_m

    def _key(self, player: str, stroke: str, side: str, pressure: str | None) -> tuple[str, ...]:
        self.need_fit()
        mine = [key for key in self._scatter if key[:3] == (player, stroke, side)]
        fits = [key for key in mine if pressure is None or key[3] == pressure]
        if len(fits) != 1:
            known = ", ".join(key[3] for key in mine)
            raise DataError(
                f"{player!r}, {stroke}, {side}: "
                + (
                    f"name the pressure, one of {known}"
                    if mine
                    else f"fewer than {LEAST_SEEN} heights are known; scatter() lists what is"
                )
            )
        return fits[0]
