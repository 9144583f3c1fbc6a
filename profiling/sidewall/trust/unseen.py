"""How strong an unseen reason must be to overturn what the model says of a player.

The hitter chooses to attack on grounds that the log may not hold: an easy ball, a slow
opponent. Then attacked balls were easier than reset balls of the same gap, and attacking
looks better than it is. No number of shots shows this; one can only say how much of it it
would take.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import logit

from sidewall.arguments import (
    GAP_M,
    Array,
    check_fitted,
    check_gaps_m,
    check_level,
    check_number,
    check_player,
    check_within_court,
    numbers_of,
)
from sidewall.court.units import GapWords
from sidewall.errors import DataError
from sidewall.models import TightnessModel
from sidewall.models.answers import ALWAYS_ATTACK, ALWAYS_RESET, CROSSES


def draws_at(
    model: TightnessModel, player: str, cell: tuple[str, str], gaps_m: ArrayLike
) -> tuple[Array, Array]:
    """Draws of the chance of winning by attacking and by resetting, each (draws, gaps)."""
    i, j = position(model, player), model.cells_.index(cell)
    gaps = np.asarray(gaps_m, dtype=float)
    attack, reset = (model.posterior_.win(i, j, c, gaps) for c in ("attack", "reset"))
    return attack, reset


def position(model: TightnessModel, player: str) -> int:
    """Position of a player in the model; a DataError with the names it knows."""
    check_fitted(model)
    return model.players_.index(check_player(player, model.players_))


def counts_of(model: TightnessModel, player: str) -> list[dict[str, int]]:
    """Own attacks, resets and rallies, cell by cell; refuse an unknown player."""
    position(model, player)
    counts = model.cell_counts()
    own = counts[counts.index.get_level_values("player") == player]
    rows: list[dict[Any, Any]] = own.to_dict("records")
    return [{str(name): int(n) for name, n in row.items()} for row in rows]


def e_value(risk_ratio: ArrayLike) -> Array:
    """How strong an unseen reason would have to be to explain a risk ratio away.

    The least risk ratio that the reason would need with the choice *and* with winning,
    both, beyond everything that is adjusted for, if the choice itself did nothing:
    ``RR + sqrt(RR (RR - 1))``, of 1 / RR for a ratio below 1 (VanderWeele & Ding 2017, Annals
    of Internal Medicine 167:268-274). A reason that falls short in one can make up for it
    in the other.

    Parameters
    ----------
    risk_ratio : array-like
        Above zero; NaN gives NaN.

    Returns
    -------
    ndarray
        1 where there is nothing to explain.

    Raises
    ------
    DataError
        When a ratio is not above zero.

    Examples
    --------
    >>> round(float(e_value(3.9)), 2)
    7.26
    """
    ratio = numbers_of(risk_ratio, "risk_ratio")
    if (ratio <= 0).any():
        raise DataError(
            f"a risk ratio is {ratio[ratio <= 0].flat[0]:g}; it must be above zero: the chance of "
            "winning after an attack over the chance after a reset"
        )
    away = np.maximum(ratio, 1.0 / ratio)
    return np.asarray(away + np.sqrt(away * (away - 1.0)))


def e_value_of_limit(risk_ratio: ArrayLike, low: ArrayLike, high: ArrayLike) -> Array:
    """E-value of the confidence limit that is nearer to 1; 1 where the interval holds 1.

    Parameters
    ----------
    risk_ratio, low, high : array-like
        Ratios and their confidence limits, all above zero.

    Raises
    ------
    DataError
        When a limit is not above zero, or a ratio does not lie between its limits.
    """
    ratio, below, above = (np.asarray(x, dtype=float) for x in (risk_ratio, low, high))
    if ((ratio < below) | (ratio > above)).any():
        raise DataError("a risk ratio does not lie between its limits; check their order")
    nearer = np.select([below > 1.0, above < 1.0], [below, above], 1.0)
    nearer = np.where(np.isnan(below) | np.isnan(above), np.nan, nearer)
    return e_value(nearer)


_GAPS_M: Final = (0.2, 0.4, 0.6, 0.8, 1.0, 1.2)
_MOVES_M: Final = (-0.2, -0.1, 0.1, 0.2)
_GRID_M: Final = 0.01


def unseen_reason(
    model: TightnessModel,
    player: str,
    gaps_m: Sequence[float] | None = None,
    level: float = 0.95,
) -> pd.DataFrame:
    """Gain of attack at several gaps, and the unseen reason that would explain it away.

    Parameters
    ----------
    model : TightnessModel
        Fitted.
    player : str
    gaps_m : sequence of float, optional
        By default every 20 cm from 20 cm to 1.2 m, as far as gaps were met.
    level : float, default 0.95

    Returns
    -------
    DataFrame
        One row a side, family and gap: ``attack``, ``reset`` (chances of winning the
        rally), ``risk_ratio`` (attack over reset: winning is common, so the ratio of the
        chances itself, not that of the odds) with ``risk_ratio_low`` and
        ``risk_ratio_high`` (of the draws), ``better`` (attack, reset, or not known
        where the interval holds 1), ``e_value`` and ``e_value_limit`` (see
        :func:`~sidewall.trust.e_value`; of the estimate, and of the limit nearer to
        1, which is 1 where nothing is known anyway), ``n_attack``, ``n_reset``,
        ``n_rallies`` (the player's own).

    Raises
    ------
    DataError
        When the model knows no such player.

    See Also
    --------
    threshold_tilt
    attack_effect
    trust.e_value

    Examples
    --------
    >>> table = sw.unseen_reason(model, "Rowan", gaps_m=[0.4, 0.8])
    >>> table[["side", "family", "gap_m", "n_attack", "n_reset", "n_rallies"]].head(2)
           side  family  gap_m  n_attack  n_reset  n_rallies
    0  forehand  ground    0.4        23       88         38
    1  forehand  ground    0.8        23       88         38
    """
    cut = 0.5 * (1.0 - check_level(level))
    counts = counts_of(model, player)
    rows: list[dict[str, Any]] = []
    asked = None if gaps_m is None else check_gaps_m(gaps_m, float(model.gap_max_m().max()))
    for cell, n, widest in zip(model.cells_, counts, model.gap_max_m(), strict=True):
        gaps = [g for g in _GAPS_M if g <= widest] if asked is None else asked
        attack, reset = draws_at(model, player, cell, gaps)
        with np.errstate(divide="ignore"):
            log_ratio = np.log(attack) - np.log(reset)
        ends = np.quantile(log_ratio, [cut, 1.0 - cut], axis=0)
        win = np.stack([attack.mean(axis=0), reset.mean(axis=0)], axis=1)
        ratio: Array = win[:, 0] / win[:, 1]
        low, high = np.exp(ends[0]), np.exp(ends[1])
        better = np.select([low > 1.0, high < 1.0], ["attack", "reset"], "not known")
        table = {
            "gap_m": gaps,
            "attack": win[:, 0],
            "reset": win[:, 1],
            "risk_ratio": ratio,
            "risk_ratio_low": low,
            "risk_ratio_high": high,
            "better": better,
            "e_value": e_value(ratio),
            "e_value_limit": e_value_of_limit(ratio, low, high),
        }
        for g in range(len(gaps)):
            row = {"player": player, "side": cell[0], "family": cell[1]}
            rows.append(row | {name: values[g] for name, values in table.items()} | n)
    return pd.DataFrame(rows)


def threshold_tilt(
    model: TightnessModel,
    player: str,
    moves_m: Sequence[float] = _MOVES_M,
    level: float = 0.95,
    *,
    unit: str = "cm",
    board_width_m: float | None = None,
) -> pd.DataFrame:
    """How much easier attacked balls must have been for the threshold to lie elsewhere.

    If, at the same gap, the balls that were attacked were easier than those that were
    reset by `tilt` rallies in 100, attacking looks better by just that much than it is, and
    the threshold truly lies where the model's gain of attack equals the tilt. Below zero they
    were harder: attacks that were forced.

    Parameters
    ----------
    model : TightnessModel
        Fitted.
    player : str
    moves_m : sequence of float
        Moves of the threshold to ask about, metres; looser is positive.
    level : float, default 0.95
        Of the threshold's set, whose ends are asked about too, and of the tilt's interval.
    unit, board_width_m
        For the words.

    Returns
    -------
    DataFrame
        One row a side, family and target: ``status`` and ``threshold_m`` (the model's
        answer), ``target`` (a move, or "loose end" and "tight end" of the set),
        ``target_m``, ``tilt_log_odds``, ``tilt`` (rallies in 100) with ``tilt_low`` and
        ``tilt_high``, ``n_attack``, ``n_reset``, ``n_rallies`` and ``words``. Where one
        choice is better at any gap, the target is the gap at which it is so by least: the
        answer ends there. Targets beyond the gaps met, and those that no constant tilt
        can reach because the gain does not rise there, are missing (NaN).

    Raises
    ------
    DataError
        When the model knows no such player.
    UnitError
        When the unit is unknown, or boards have no width.

    See Also
    --------
    unseen_reason
    attack_effect

    Examples
    --------
    >>> table = sw.threshold_tilt(model, "Rowan", moves_m=[-0.1, 0.1])
    >>> table.columns.to_list()[:4]
    ['player', 'side', 'family', 'status']
    """
    cut = 0.5 * (1.0 - check_level(level))
    counts = counts_of(model, player)
    own = model.thresholds(level, player=player)
    write = GapWords(unit, board_width_m)
    write.gap(0.5)  # a width that is missing is found at once
    moves = [
        check_within_court(check_number(move, "moves_m"), "moves_m", GAP_M) for move in moves_m
    ]
    rows: list[dict[str, Any]] = []
    for answer, n in zip(own.to_dict("records"), counts, strict=True):
        cell = (str(answer["side"]), str(answer["family"]))
        widest = float(answer["gap_max_m"])
        grid = np.append(np.arange(0.0, widest, _GRID_M), widest)
        advantage = np.subtract(*draws_at(model, player, cell, grid)).mean(axis=0)
        head = {"player": player, "side": cell[0], "family": cell[1]}
        head |= {"status": answer["status"], "threshold_m": answer["threshold_m"]}
        for target, gap in _targets(answer, moves, grid, advantage, write):
            at = _tilt(model, player, cell, gap, cut)
            if answer["status"] == CROSSES and not _reached(grid, advantage, gap, at[1] / 100.0):
                at = (np.nan,) * 4
            names = ("tilt_log_odds", "tilt", "tilt_low", "tilt_high")
            row: dict[str, Any] = head | {"target": target, "target_m": gap}
            row |= dict(zip(names, at, strict=True)) | n
            rows.append(row | {"words": _tilt_words(answer, gap, at[1], write)})
    return pd.DataFrame(rows)


def _targets(
    answer: dict[Any, Any],
    moves_m: Sequence[float],
    grid: Array,
    advantage: Array,
    write: GapWords,
) -> list[tuple[str, float]]:
    if answer["status"] == CROSSES:
        at = float(answer["threshold_m"])
        found = [
            (f"{write.gap(abs(move))} {'looser' if move > 0 else 'tighter'}", at + move)
            for move in moves_m
            if at + move >= 0.0
        ]
        ends = [("tight end", answer["threshold_low_m"]), ("loose end", answer["threshold_high_m"])]
        return found + [(name, float(gap)) for name, gap in ends]
    if answer["status"] in (ALWAYS_ATTACK, ALWAYS_RESET):
        return [("any gap", float(grid[np.abs(advantage).argmin()]))]
    return [("none", float("nan"))]


def _tilt(
    model: TightnessModel, player: str, cell: tuple[str, str], gap: float, cut: float
) -> tuple[float, ...]:
    """Log odds, and rallies in 100 with limits, of attack over reset at a gap."""
    if np.isnan(gap):
        return (np.nan,) * 4
    attack, reset = (part[:, 0] for part in draws_at(model, player, cell, [gap]))
    gain = 100.0 * (attack - reset)
    odds = float(logit(attack.mean()) - logit(reset.mean()))
    return odds, float(gain.mean()), *(float(end) for end in np.quantile(gain, [cut, 1.0 - cut]))


def _reached(grid: Array, advantage: Array, gap: float, tilt: float) -> bool:
    """Whether a constant tilt makes this gap the threshold: reset better below, attack above."""
    if not grid[0] <= gap <= grid[-1]:
        return False
    below, above = grid < gap - _GRID_M, grid > gap + _GRID_M
    return bool((advantage[below] <= tilt).all() and (advantage[above] >= tilt).all())


def _tilt_words(answer: dict[Any, Any], gap: float, tilt: float, write: GapWords) -> str:
    status = answer["status"]
    if status not in (CROSSES, ALWAYS_ATTACK, ALWAYS_RESET):
        return "not known yet, so there is nothing to overturn"
    if np.isnan(tilt):
        return "no constant tilt moves it there within the gaps met"
    how = "easier" if tilt > 0 else "harder"
    points, digits = abs(tilt), 0 if abs(tilt) >= 9.5 else 1
    reason = f"if balls that were attacked were {how} by {points:.{digits}f} rallies in 100"
    if status == CROSSES:
        here = write.gap(answer["threshold_m"])
        return f"the threshold would move from {here} to {write.gap(gap)} {reason}"
    return f"{status!r} would no longer hold at {write.gap(gap)} {reason}"
