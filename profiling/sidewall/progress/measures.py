"""What is compared between two periods: thresholds, comfort, placement, decisions."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.decisions import decisions
from sidewall.log.vocabulary import CHOICES, SIDES
from sidewall.models.answers import CROSSES, LEAST_OWN
from sidewall.models.comfort import _win_difference
from sidewall.placement import placed_shots
from sidewall.progress.own_change import OwnChange
from sidewall.progress.shares import ShareChange, share_change

if TYPE_CHECKING:
    from sidewall.models.tightness import TightnessModel

__all__ = ["comfort_rows", "decision_rows", "placement_rows", "threshold_rows"]

Array = NDArray[Any]
Row = dict[str, Any]

_STEP_M: Final = 0.005
_UNKNOWN: Final = dict.fromkeys(
    ("before", "after", "before_error", "after_error", "error"), float("nan")
)
_TIGHT: Final = ("forced", "reset tight")
_LOOSE: Final = ("passed up", "attacked loose")


def _counts(rows: pd.DataFrame, after: NDArray[np.bool_]) -> Row:
    rally = rows["rally_id"].to_numpy()
    return {
        "n_before": int((~after).sum()),
        "n_after": int(after.sum()),
        "rallies_before": len(np.unique(rally[~after])),
        "rallies_after": len(np.unique(rally[after])),
    }


def threshold_rows(
    model: TightnessModel, player: str, found: OwnChange, after: NDArray[np.bool_], level: float
) -> list[Row]:
    """Change of the loose threshold, by side and stroke family.

    Lower is better: attacking pays from a tighter ball.

    Parameters
    ----------
    model : TightnessModel
    player : str
    found : OwnChange
    after : ndarray of bool
        For each row of ``model.used_``.
    level : float
        The threshold of both periods together must be known at this level.

    Notes
    -----
    With t the threshold of both periods together and D the difference of log odds of attack
    and reset, the threshold of a period is taken as ``t - D_period(t) / D'(t)``: where that
    period's difference crosses zero, to first order. Its change is zero if and only if the
    difference at t has not changed, so the test needs no slope.
    """
    table = model.thresholds(level)
    table = table[table["player"] == player].reset_index(drop=True)
    i, k = model.players_.index(player), 1 + model.transform_.n_columns
    own = (model.used_["player"].astype(str) == player).to_numpy()
    rows: list[Row] = []
    for j, (side, family) in enumerate(model.cells_):
        answer = table.iloc[j]
        cell = own & ((model.used_["side"] == side) & (model.used_["family"] == family)).to_numpy()
        some, when = model.used_[cell], after[cell]
        row: Row = {"measure": "threshold", "side": side, "family": family, "unit": "m",
                    "better_when": "lower", "least": 0.0,
                    "most": float(answer["gap_max_m"]),
                    **_counts(some, when), **_UNKNOWN}  # fmt: skip
        choice = some["choice"].astype(str).to_numpy()
        least = min(int((when == p)[choice == c].sum()) for p in (False, True) for c in CHOICES)
        if answer["status"] == CROSSES and least >= LEAST_OWN:
            t = float(answer["threshold_m"])
            row |= _shift(model, i, j, found, t)
            row["note"] = _what_moved(model, j, k, found, t)
        else:
            row["note"] = (
                f"fewer than {LEAST_OWN} attacks or resets in a period"
                if least < LEAST_OWN
                else f"threshold of both periods together: {answer['status']}"
            )
        rows.append(row)
    return rows


def _shift(model: TightnessModel, i: int, j: int, found: OwnChange, t: float) -> Row:
    """Thresholds of both periods around t, and their errors."""
    basis = model.transform_.basis
    k = 1 + model.transform_.n_columns
    low, high = max(t - _STEP_M, 0.0), t + _STEP_M
    slope_of_h = (basis([high]) - basis([low]))[0] / (high - low)
    d = model.coefficients_[i, j, 0] - model.coefficients_[i, j, 1]
    slope = float(d[1:] @ slope_of_h)
    c = np.zeros((len(model.cells_), 2, k))
    c[j, 0] = np.r_[1.0, basis([t])[0]]
    c[j, 1] = -c[j, 0]
    step = -c.ravel() / slope
    ends = [t + float(step @ period) for period in (found.before, found.after)]
    return {
        "before": ends[0],
        "after": ends[1],
        "before_error": float(np.sqrt(step @ found.before_covariance @ step)),
        "after_error": float(np.sqrt(step @ found.after_covariance @ step)),
        "error": float(np.sqrt(step @ found.change_covariance @ step)),
    }


def _what_moved(model: TightnessModel, j: int, k: int, found: OwnChange, t: float) -> str:
    """Say whether it was the attack or the reset: chances at the threshold, before to after."""
    from scipy.special import expit  # noqa: PLC0415

    x = np.r_[1.0, model.transform_.basis([t])[0]]
    said = []
    for c, choice in enumerate(CHOICES):
        ends = [
            100.0 * expit(period.reshape(-1, 2, k)[j, c] @ x)
            for period in (found.before, found.after)
        ]
        said.append(f"{choice} wins {ends[0]:.0f} to {ends[1]:.0f} in 100")
    return f"at {100 * t:.0f} cm, before to after: {', '.join(said)}"


def comfort_rows(
    model: TightnessModel, player: str, found: OwnChange, after: NDArray[np.bool_]
) -> list[Row]:
    """Change of what the weaker side wins less than the other from the same balls, by family.

    The weaker side is the one of both periods together. Lower is better: it has caught up.
    The balls are those of both periods, so that only the curves can change.
    """
    used, k = model.used_, 1 + model.transform_.n_columns
    own = (used["player"].astype(str) == player).to_numpy()
    level = model.coefficients_[model.players_.index(player)]
    F = len(model.families_)
    rows: list[Row] = []
    for f, family in enumerate(model.families_):
        mine = own & (used["family"] == family).to_numpy()
        some, when = used[mine], after[mine]
        row: Row = {"measure": "comfort", "side": "", "family": family, "unit": "share",
                    "better_when": "lower", "least": -1.0, "most": 1.0,
                    **_counts(some, when), **_UNKNOWN}  # fmt: skip
        backhand = (some["side"] == "backhand").to_numpy()
        least = min(
            int((when == p)[backhand == b].sum()) for p in (False, True) for b in (False, True)
        )
        if least < 2 * LEAST_OWN:
            rows.append(row | {"note": f"fewer than {2 * LEAST_OWN} shots of a side in a period"})
            continue
        cells = [f, F + f]  # forehand, backhand
        at = np.concatenate([np.arange(c * 2 * k, (c + 1) * 2 * k) for c in cells])

        def difference(theta: Array, V: Array, some: pd.DataFrame = some) -> tuple[float, float]:
            win, error = _win_difference(model, some, theta.reshape(2, 2 * k), V)
            return float(win[1] - win[0]), error

        V = found.change_covariance[np.ix_(at, at)]
        both, error = difference(level[cells].ravel(), V)
        sign = -1.0 if both <= 0 else 1.0
        row |= {"side": SIDES[1] if both <= 0 else SIDES[0], "error": error}
        for name in ("before", "after"):
            theta, V = getattr(found, name)[at], getattr(found, f"{name}_covariance")
            value, error = difference(theta, V[np.ix_(at, at)])
            row |= {name: sign * value, f"{name}_error": error}
        rows.append(row | {"note": f"{row['side']} is the weaker side over both periods"})
    return rows


def placement_rows(
    shots: pd.DataFrame, player: str, after_matches: list[str], targets: Any = None
) -> list[Row]:
    """Change of the share on target, by side, within targets; none without bounces."""
    if not {"bounce_x_m", "bounce_y_m"} <= set(shots.columns):
        return []
    placed = placed_shots(shots, targets)
    placed = placed[(placed["player"].astype(str) == player) & placed["on_target"].notna()]
    rows: list[Row] = []
    for side in SIDES:
        some = placed[placed["side"] == side]
        found = _share(
            some["on_target"].to_numpy(dtype=float),
            some["target"].astype(str).to_numpy(),
            some,
            after_matches,
        )
        what: Row = {"measure": "on target", "side": side, "family": "", "better_when": "higher"}
        rows.append(what | _share_row(found, "shots with a known bounce"))
    return rows


def decision_rows(
    shots: pd.DataFrame, model: TightnessModel, player: str, after_matches: list[str], level: float
) -> list[Row]:
    """Change of the share of tight balls attacked, and of loose balls reset.

    Tight and loose are judged by the threshold of both periods together: one yardstick.
    """
    judged = decisions(shots, model, level)
    judged = judged[judged["player"].astype(str) == player]
    word = judged["decision"].astype(str)
    cell = (judged["side"].astype(str) + " " + judged["family"].astype(str)).to_numpy()
    rows: list[Row] = []
    for measure, kinds, balls in (("forced", _TIGHT, "tight"), ("passed up", _LOOSE, "loose")):
        of = word.isin(kinds).to_numpy()
        success = (word == measure).to_numpy(dtype=float)
        found = _share(success[of], cell[of], judged[of], after_matches)
        what: Row = {"measure": measure, "side": "", "family": "", "better_when": "lower"}
        rows.append(what | _share_row(found, f"{balls} balls"))
    return rows


def _share(
    success: Array, stratum: Array, rows: pd.DataFrame, after_matches: list[str]
) -> ShareChange:
    match = rows["match"].astype(str)
    after = match.isin(after_matches).to_numpy()
    return share_change(success, stratum, after, rows["rally_id"].to_numpy(), match.to_numpy())


def _share_row(found: ShareChange, balls: str) -> Row:
    return {
        "unit": "share",
        "least": 0.0,
        "most": 1.0,
        "n_before": found.n[0],
        "n_after": found.n[1],
        "rallies_before": found.rallies[0],
        "rallies_after": found.rallies[1],
        "before": found.before,
        "after": found.after,
        "before_error": found.before_error,
        "after_error": found.after_error,
        "error": found.error,
        "note": f"of {balls}" + (", too few" if np.isnan(found.error) else ""),
    }
