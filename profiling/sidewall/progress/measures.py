"""What is compared between two periods: thresholds, comfort, placement, decisions."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from sidewall.arguments import Array, Bools
from sidewall.decisions import decisions
from sidewall.log.vocabulary import CHOICES, SIDES
from sidewall.models.answers import CROSSES, LEAST_OWN
from sidewall.placement import placed_shots
from sidewall.progress.own_change import OwnChange, change_columns
from sidewall.progress.shares import ShareChange, share_change

if TYPE_CHECKING:
    from sidewall.models.tightness import TightnessModel


Row = dict[str, Any]

_STEP_M: Final = 0.005
_UNKNOWN: Final = dict.fromkeys(
    ("before", "after", "before_error", "after_error", "error"), float("nan")
)
_TIGHT: Final = ("forced", "reset tight")
_LOOSE: Final = ("passed up", "attacked loose")


def _counts(rows: pd.DataFrame, after: Bools) -> Row:
    rally = rows["rally_id"].to_numpy()
    return {
        "n_before": int((~after).sum()),
        "n_after": int(after.sum()),
        "rallies_before": len(np.unique(rally[~after])),
        "rallies_after": len(np.unique(rally[after])),
    }


def threshold_rows(
    model: TightnessModel, player: str, found: OwnChange, after: Bools, level: float
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
    With t the threshold of both periods together and g the gain of attack over reset, the
    threshold of a period is taken as ``t - g_period(t) / g'(t)``: where that period's gain
    crosses zero, to first order. Its change is zero if and only if the gain at t has not
    changed, so the test needs no slope.
    """
    table = model.thresholds(level)
    table = table[table["player"] == player].reset_index(drop=True)
    i = model.players_.index(player)
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
            row["note"] = _what_moved(model, i, j, found, t)
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
    ends = np.array([max(t - _STEP_M, 0.0), t, t + _STEP_M])
    gain = model.posterior_.gain(i, j, ends)
    slope = float((gain[:, 2] - gain[:, 0]).mean() / (ends[2] - ends[0]))
    steps = {c: -sign * step / slope for c, sign, step in _steps(model, i, j, t)}
    level = float(gain[:, 1].var()) / slope**2
    row = {}
    for name in ("before", "after"):
        row[name] = t + sum(float(s @ getattr(found[c], name)) for c, s in steps.items())
        moved = sum(float(s @ getattr(found[c], f"{name}_covariance") @ s)
                    for c, s in steps.items())  # fmt: skip
        row[f"{name}_error"] = float(np.sqrt(level + moved))
    change = sum(float(s @ found[c].covariance @ s) for c, s in steps.items())
    return row | {"error": float(np.sqrt(change))}


def _steps(model: TightnessModel, i: int, j: int, gap_m: float) -> list[tuple[str, float, Array]]:
    """By choice: its sign in the gain, and how its chance at a gap moves with the change."""
    here = np.array([gap_m])
    columns = change_columns(np.array([j]), here, len(model.cells_))[0]
    found = []
    for choice, sign in zip(CHOICES, (1.0, -1.0), strict=True):
        p = float(model.posterior_.win(i, j, choice, here).mean())
        found.append((choice, sign, p * (1.0 - p) * columns))
    return found


def _what_moved(model: TightnessModel, i: int, j: int, found: OwnChange, t: float) -> str:
    """Say whether it was the attack or the reset: chances at the threshold, before to after."""
    said = []
    for choice, _, step in _steps(model, i, j, t):
        level = float(model.posterior_.win(i, j, choice, np.array([t])).mean())
        ends = [
            100.0 * np.clip(level + float(step @ getattr(found[choice], name)), 0.0, 1.0)
            for name in ("before", "after")
        ]
        said.append(f"{choice} wins {ends[0]:.0f} to {ends[1]:.0f} in 100")
    return f"at {100 * t:.0f} cm, before to after: {', '.join(said)}"


def comfort_rows(model: TightnessModel, player: str, found: OwnChange, after: Bools) -> list[Row]:
    """Change of what the weaker side wins less than the other from the same balls, by family.

    The weaker side is the one of both periods together. Lower is better: it has caught up.
    The balls are those of both periods, so that only the curves can change.
    """
    used = model.used_
    own = (used["player"].astype(str) == player).to_numpy()
    i = model.players_.index(player)
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
        drawn, steps = _side_by_side(model, i, (f, F + f), some)
        sign = -1.0 if drawn.mean() <= 0 else 1.0
        change = sum(float(s @ found[c].covariance @ s) for c, s in steps.items())
        row |= {"side": SIDES[1] if sign < 0 else SIDES[0], "error": float(np.sqrt(change))}
        for name in ("before", "after"):
            moved = sum(float(s @ getattr(found[c], name)) for c, s in steps.items())
            spread = sum(float(s @ getattr(found[c], f"{name}_covariance") @ s)
                         for c, s in steps.items())  # fmt: skip
            row[name] = sign * (float(drawn.mean()) + moved)
            row[f"{name}_error"] = float(np.sqrt(drawn.var() + spread))
        rows.append(row | {"note": f"{row['side']} is the weaker side over both periods"})
    return rows


def _side_by_side(
    model: TightnessModel, i: int, cells: tuple[int, int], balls: pd.DataFrame
) -> tuple[Array, dict[str, Array]]:
    """Backhand less forehand over the same balls: its draws, and how it moves with a change."""
    wins = [model.posterior_.of_own(i, balls.assign(side=side)) for side in SIDES]
    gap = balls["gap_m"].to_numpy(dtype=float)
    steps = {}
    for choice in CHOICES:
        mine = (balls["choice"] == choice).to_numpy()
        total = np.zeros(len(model.cells_) + 1)
        for cell, win, sign in zip(cells, wins, (-1.0, 1.0), strict=True):
            p = win.mean(axis=0)[mine]
            columns = change_columns(np.full(int(mine.sum()), cell), gap[mine], len(model.cells_))
            total += sign * ((p * (1.0 - p)) @ columns)
        steps[choice] = total / len(balls)
    return (wins[1] - wins[0]).mean(axis=1), steps


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
