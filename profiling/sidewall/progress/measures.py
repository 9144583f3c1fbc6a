"""What is compared between two periods: thresholds, comfort, placement, decisions.

A player's curves are compared without shrinkage. The tightness model draws a player's curves
toward the club's. Were the two periods two players of the model, each would be drawn by
itself: with ten matches before and one after, the period after lies nearer to the club's
average, and a player far from the average would seem to change without changing; with as many
matches in both, a real change would come out too small. So the model is fitted once, the
player being one player in both periods (what is true where nothing changed), and the change
is estimated beside it from the player's own shots alone: in each period, how far attacks and
resets lie from the player's own curves, by side and contact and along the scaled gap. The
difference is not drawn toward zero, and its error hangs on the player's own rallies only.

Where the outcome is the value of the next ball, that value is the period's own: the player
counts as another one after, with a strength of its own. The level of the player over both
periods is the model's; the change is laid around it, in shares of what each period tells, so
that level and change are independent to first order.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
from scipy.special import expit, logit

from sidewall.arguments import Array, Bools, Ints
from sidewall.decisions import decisions
from sidewall.features.coded import positions, struck_by
from sidewall.log.vocabulary import CHOICES, SIDES
from sidewall.models.answers import CROSSES, LEAST_OWN
from sidewall.models.counted import cell_of
from sidewall.placement import placed_shots
from sidewall.rallies.strengths import Strengths
from sidewall.rallies.value import SLOPE, BallValue, gap_scale, outcomes

if TYPE_CHECKING:
    from sidewall.models.tightness import TightnessModel


#: Shots, and rallies, that each period takes.
LEAST_SHOTS: Final = 10
#: Matches in each period from which their own spread is looked at.
_LEAST_MATCHES: Final = 3


@dataclass(frozen=True)
class ShareChange:
    """Shares before and after in the same mix of shots; errors are standard errors.

    Everything is missing where a period has fewer than ten such shots in ten rallies.
    """

    before: float
    after: float
    before_error: float
    after_error: float
    error: float
    n: tuple[int, int]
    rallies: tuple[int, int]

    @property
    def change(self) -> float:
        """After minus before."""
        return self.after - self.before


def share_change(
    success: Array, stratum: Array, after: Bools, rally: Array, match: Array
) -> ShareChange:
    """Compare a share of successes, 1.0 or 0.0, between periods within strata, such as targets.

    In stratum k let n_k shots before and m_k after have shares p_k and q_k. Their difference
    is averaged with weights ``w_k`` in proportion to ``n_k m_k / (n_k + m_k)``, those of
    Mantel & Haenszel, so that a change in which shots are played is no change of the share.
    The average is linear in the shots, and its variance is the sum of squares of what each
    rally adds to it, times G / (G - 1) in each period. Where both periods have three matches
    or more, the same is done by match, and the larger of the two is taken; it is never taken
    below that of independent shots at the share of both periods (with one shot and one
    success added), which few rallies that agree would do.
    """
    code, names = pd.factorize(stratum)
    when = after.astype(np.int64)
    K = len(names)
    n = np.bincount(2 * code + when, minlength=2 * K).reshape(K, 2).astype(float)
    both = np.asarray((n > 0).all(axis=1))
    use = both[code]
    y, code, when, rally, match = (a[use] for a in (success, code, when, rally, match))
    shots = np.bincount(when, minlength=2)
    rallies = [len(np.unique(rally[when == p])) for p in (0, 1)]
    counts = (int(shots[0]), int(shots[1])), (rallies[0], rallies[1])
    if min(*shots, *rallies) < LEAST_SHOTS:
        missing = float("nan")
        return ShareChange(missing, missing, missing, missing, missing, *counts)
    hits = np.bincount(2 * code + when, weights=y, minlength=2 * K).reshape(K, 2)
    share = np.divide(hits, n, out=np.zeros_like(n), where=n > 0)
    weight = np.where(both, n[:, 0] * n[:, 1] / np.maximum(n.sum(axis=1), 1), 0.0)
    weight /= weight.sum()
    before, after_share = weight @ share
    part = weight[code] * (y - share[code, when]) / n[code, when]
    variance = _variance(part, when, rally)
    if min(len(np.unique(match[when == p])) for p in (0, 1)) >= _LEAST_MATCHES:
        variance = np.maximum(variance, _variance(part, when, match))
    pooled = (hits.sum(axis=1) + 1.0) / (n.sum(axis=1) + 2.0)
    floor = np.where(both, weight**2 * pooled * (1.0 - pooled), 0.0)
    floor = (floor[both, None] / n[both]).sum(axis=0)
    variance = np.maximum(variance, floor)
    errors = np.sqrt(variance)
    return ShareChange(
        float(before),
        float(after_share),
        float(errors[0]),
        float(errors[1]),
        float(np.sqrt(variance.sum())),
        *counts,
    )


def _variance(part: Array, when: Array, cluster: Array) -> Array:
    """Of the share in each period, shape (2,)."""
    found = np.zeros(2)
    for p in (0, 1):
        sums = pd.Series(part[when == p]).groupby(cluster[when == p]).sum()
        found[p] = len(sums) / max(len(sums) - 1, 1) * float((sums**2).sum())
    return found


#: A column moves the log odds by less than about this (0.5 becomes 0.95): keeps estimates of
#: little data finite, and draws on others by next to nothing.
_WIDEST_SD: Final = 3.0
_STEPS: Final = 8
#: Scale of the prior on the spread of strengths, log odds.
_CHANGE: Final = 0.5
#: Behind the player's name in the period after: a line break stands in no name of a log.
_AFTER: Final = "\nafter"


@dataclass(frozen=True)
class Change:
    """How one choice's curve moved, in log odds, by the columns of `change_columns`, (k,).

    `before` and `after` are deviations from the player's curve over both periods, each with its
    covariance, (k, k); the change is ``after - before``, with its own. Not in it are the errors of
    the player's strength in either period, by which a ball left is valued: they move attack and
    reset alike. `strengths`, (k, k), is what they add where one choice is looked at alone, and
    `share`, (k, k), how much of a change lies before.
    """

    before: Array
    after: Array
    covariance: Array
    before_covariance: Array
    after_covariance: Array
    strengths: Array
    share: Array


#: By choice.
OwnChange = dict[str, Change]


def change_columns(cell: Ints, gap_m: Array, cells: int) -> Array:
    """A level for each side and contact, and one slope along the scaled gap."""
    return np.column_stack([cell[:, None] == np.arange(cells), gap_scale(gap_m)]).astype(float)


def own_change(model: TightnessModel, player: str, after: Bools, table: pd.DataFrame) -> OwnChange:
    """Estimate the change of a player's curves, by choice.

    The model is fitted to the features in `table`, the player under one name in both periods;
    `after` is, for each row of ``model.used_``, whether its match belongs to the period after. In a
    period, with d the deviations, H the information of the working responses and P a
    weak penalty: ``K = H + P`` and the error covariance ``K^-1 (J + P) K^-1``, J the summed
    outer products of the rallies' scores (Liang & Zeger 1986), times G / (G - k) for G
    rallies and k columns. By value, the error of the value of a ball moves both periods at
    once.
    """
    own = struck_by(model.used_, player)
    rows, late = model.used_[own].reset_index(drop=True), after[own]
    y, moved, covariance = rows["outcome"].to_numpy(dtype=float), None, np.zeros((0, 0))
    lead, known = np.zeros(len(rows)), np.zeros((2, 2))
    if model.horizon_ != "rally":
        matches = set(rows.loc[late, "match"].astype(str))
        parted = _two_players(table, player, matches)
        # a wide prior: a player may have changed by more than players of a club differ
        value = BallValue(Strengths(prior_scale=_CHANGE)).fit(parted)
        judged = outcomes(parted, value, model.horizon_)
        at = rows["row"].to_numpy()
        y, ball = judged.outcome[at], judged.ball[at]
        moved = value.columns(parted)[ball]
        moved *= np.where(ball >= 0, judged.sign[at], 0.0)[:, None]
        covariance = value.covariance_
        lead = np.where(ball >= 0, SLOPE, 0.0)
        both = positions(pd.Series([player, f"{player}{_AFTER}"]), value.strengths_.strength_.index)
        known = value.strengths_.covariance_
        known = np.diag(known[both]) if known.ndim == 1 else known[np.ix_(both, both)]
    base = model.posterior_.mean_of(rows)
    cell = cell_of(rows["side"], rows["family"], model.families_)
    columns = change_columns(cell, rows["gap_m"].to_numpy(dtype=float), len(model.cells_))
    found = {}
    for choice in CHOICES:
        mine = (rows["choice"] == choice).to_numpy() & np.isfinite(y)
        periods = []
        for chosen in (mine & ~late, mine & late):
            some = np.flatnonzero(chosen)
            shifts = np.zeros((len(some), 0)) if moved is None else moved[some]
            scale = model.curves_[choice].dispersion
            rally = rows["rally_id"].to_numpy()[some]
            mine_ = y[some], base[some], columns[some], rally, scale, shifts, lead[some]
            periods.append(_fit(*mine_))
        found[choice] = _around_the_level(periods[0], periods[1], covariance, known)
    return found


def _two_players(table: pd.DataFrame, player: str, after_matches: set[str]) -> pd.DataFrame:
    """Give the player another name in the matches of the period after."""
    late = table["match"].astype(str).isin(after_matches)
    new = {}
    for who in ("player", "opponent"):
        names = table[who].astype(str)
        new[who] = pd.Categorical(names.mask(late & (names == player), f"{player}{_AFTER}"))
    return table.assign(**new)


@dataclass(frozen=True)
class _Period:
    """Deviations in one period: estimate, error, information; how values and strength move them."""

    deviation: Array  # (k,)
    covariance: Array  # (k, k)
    information: Array  # (k, k)
    moves: Array  # (k, m)
    lead: Array  # (k,)


def _fit(
    y: Array, base: Array, C: Array, rally: Array, scale: float, shifts: Array, lead: Array
) -> _Period:
    """A player's deviations by Newton's method."""
    k = C.shape[1]
    P = np.eye(k) / _WIDEST_SD**2
    offset, d = logit(base), np.zeros(k)
    H, p = np.zeros((k, k)), base
    for _ in range(_STEPS):
        p = expit(offset + np.clip(C @ d, -4.0, 4.0))
        H = (C.T * (p * (1.0 - p) / scale)) @ C
        d = d + np.linalg.solve(H + P, C.T @ ((y - p) / scale) - P @ d)
    inverse = np.linalg.inv(H + P)
    code = np.unique(rally, return_inverse=True)[1]
    n = int(code.max(initial=-1)) + 1
    scores = np.zeros((n, k))
    np.add.at(scores, code, C * ((y - p) / scale)[:, None])
    J = n / max(n - k, 1) * scores.T @ scores
    by_outcome = inverse @ (C.T / scale)
    return _Period(d, inverse @ (J + P) @ inverse, H + P, by_outcome @ shifts, by_outcome @ lead)


def _around_the_level(before: _Period, after: _Period, values: Array, strengths: Array) -> Change:
    change = after.deviation - before.deviation
    covariance = before.covariance + after.covariance
    moves = after.moves - before.moves
    if moves.shape[1]:
        covariance = covariance + moves @ values @ moves.T
    share = np.linalg.solve(before.information + after.information, after.information)
    rest = share - np.eye(len(share))
    leads = np.column_stack([-before.lead, after.lead])
    return Change(
        -share @ change,
        -rest @ change,
        covariance,
        share @ covariance @ share.T,
        rest @ covariance @ rest.T,
        leads @ strengths @ leads.T,
        share,
    )


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

    Lower is better: attacking pays from a tighter ball. The threshold of both periods together must
    be known at the level. With t that threshold and g the gain of attack over reset, the
    threshold of a period is taken as ``t - g_period(t) / g'(t)``: where that period's gain
    crosses zero, to first order. Its change is zero if and only if the gain at t has not
    changed, so the test needs no slope.
    """
    table = model.thresholds(level, player=player)
    i = model.players_.index(player)
    own = struck_by(model.used_, player)
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


def attack_rows(model: TightnessModel, player: str, found: OwnChange, after: Bools) -> list[Row]:
    """Change of the share of rallies won after an attack, by side.

    The balls are those attacked in either period, so that only the curve can change.
    """
    i, used = model.players_.index(player), model.used_
    attacks = struck_by(used, player) & (used["choice"] == "attack").to_numpy()
    rows: list[Row] = []
    for side in SIDES:
        mine = attacks & (used["side"] == side).to_numpy()
        some, when = used[mine], after[mine]
        row: Row = {"measure": "attack", "side": side, "family": "", "unit": "share",
                    "better_when": "higher", "least": 0.0, "most": 1.0,
                    **_counts(some, when), **_UNKNOWN}  # fmt: skip
        if min(row["n_before"], row["n_after"]) < LEAST_OWN:
            rows.append(row | {"note": f"fewer than {LEAST_OWN} attacks in a period"})
            continue
        drawn = model.posterior_.of_own(i, some)
        p = drawn.mean(axis=0)
        cell = cell_of(some["side"], some["family"], model.families_)
        columns = change_columns(cell, some["gap_m"].to_numpy(dtype=float), len(model.cells_))
        step, change = (p * (1.0 - p)) @ columns / len(some), found["attack"]
        ways = {"before": step @ change.share, "after": step - step @ change.share, "": step}
        errors = {
            name: step @ getattr(change, f"{name}_covariance".strip("_")) @ step
            + way @ change.strengths @ way
            for name, way in ways.items()
        }
        for name in ("before", "after"):
            row[name] = float(p.mean() + step @ getattr(change, name))
            row[f"{name}_error"] = float(np.sqrt(drawn.mean(axis=1).var() + errors[name]))
        row["error"] = float(np.sqrt(errors[""]))
        rows.append(row | {"note": "from the balls attacked in either period"})
    return rows


def comfort_rows(model: TightnessModel, player: str, found: OwnChange, after: Bools) -> list[Row]:
    """Change of what the weaker side wins less than the other from the same balls, by family.

    The weaker side is the one of both periods together. Lower is better: it has caught up.
    The balls are those of both periods, so that only the curves can change.
    """
    used = model.used_
    own = struck_by(used, player)
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
    placed = placed[struck_by(placed, player) & placed["on_target"].notna()]
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
    judged = judged[struck_by(judged, player)]
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
