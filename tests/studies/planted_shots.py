"""Shots drawn from exactly the tightness model, or with one thing that breaks it.

Population curves, players and matches are drawn as the model has them, so the truth is a
matter of arithmetic. What can be broken: many shots of a rally share its result, the
gap enters in another way than the model thinks, or attacks are chosen on a ball that is
easier than the log says.
"""

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.special import expit
from sidewall.models.cells import ALL_STROKES
from sidewall.models.design import Design

from sidewall.log.vocabulary import FAMILIES
from sidewall.models.transforms import GapTransform

#: Usual values: log odds at a usual ball, and their slopes, attack then reset.
USUAL = np.array([[0.05, 1.3], [-0.05, 0.25]])
POOL = 3000


@dataclass(frozen=True)
class Saturating:
    """A truth that no transform of the model holds: all is gained by half a metre."""

    center: float
    scale: float
    reach_m: float = 0.25

    @property
    def n_columns(self):
        return 1

    def basis(self, gap_m):
        raw = 1.0 - np.exp(-np.asarray(gap_m, dtype=float) / self.reach_m)
        return ((raw - self.center) / self.scale)[:, None]


@dataclass(frozen=True)
class Plan:
    """What is drawn and how much of it."""

    players: int = 10
    matches: int = 3
    shots: int = 60  # own shots of each player in each match
    families: tuple = (ALL_STROKES,)
    fixed_spread: float = 0.0  # of the population curves around the usual ones
    player_scale: float = 0.2  # half-normal, on the spread that each column brings
    match_scale: float = 0.2  # half-normal
    shots_per_rally: int = 1
    saturating: bool = False
    easy_share: float = 0.0  # balls that are easy for a reason that is not logged
    easy_worth: float = 0.8  # log odds, attacking or resetting
    easy_tempts: float = 1.5  # log odds of attacking


@dataclass(frozen=True)
class Truth:
    """Coefficients (players, cells, 2, 2) of the true curves, and the gap's own scale."""

    values: np.ndarray
    transform: object
    cells: list
    names: list

    def advantage(self, gaps_m):
        """Attack minus reset in log odds, shape (players, cells, gaps)."""
        rows = np.column_stack([np.ones(len(gaps_m)), self.transform.basis(gaps_m)])
        return np.einsum("pck,gk->pcg", self.values[:, :, 0] - self.values[:, :, 1], rows)


def names_of(count):
    return [f"player{number:02d}" for number in range(count)]


def _draw_balls(plan, rng, count):
    """Balls met and choices made, before any result."""
    easy = rng.random(count) < plan.easy_share
    gap = np.clip(0.5 * np.exp(0.6 * rng.standard_normal(count)), 0.02, 3.1).round(2)
    tempted = (gap - 0.6) / 0.25 + plan.easy_tempts * easy
    attack = rng.random(count) < 0.05 + 0.8 * expit(tempted)
    return pd.DataFrame(
        {
            "side": np.where(rng.random(count) < 0.6, "backhand", "forehand"),
            "family": np.where(rng.random(count) < 0.25, FAMILIES[1], FAMILIES[0]),
            "choice": np.where(attack, "attack", "reset"),
            "gap_m": gap,
            "easy": easy,
        }
    )


def draw(plan, rng):
    """A truth and the shots that follow from it."""
    names = names_of(plan.players)
    balls = _draw_balls(plan, rng, plan.players * plan.matches * POOL)
    if plan.families == (ALL_STROKES,):
        balls["family"] = ALL_STROKES
    h = GapTransform.fit("log1p", balls["gap_m"])
    transform = h
    if plan.saturating:
        raw = 1.0 - np.exp(-balls["gap_m"] / Saturating.reach_m)
        spread = raw.std() / h.basis(balls["gap_m"])[:, 0].std()
        transform = Saturating(raw.mean(), spread)
    design = Design(transform, plan.families)
    usual = np.tile(USUAL, (len(design.cells), 1, 1))
    curves = usual + plan.fixed_spread * rng.standard_normal(usual.shape)
    fixed_map, random_map = design.coefficient_contrasts()
    fixed = np.linalg.lstsq(fixed_map, curves.ravel(), rcond=None)[0]
    Z = design.random(balls).to_numpy()
    active = np.sqrt((Z**2).sum(axis=0) / (Z != 0).sum(axis=0))
    sd = np.abs(rng.normal(0.0, plan.player_scale, len(active))) / active
    own = sd * rng.standard_normal((plan.players, len(active)))
    day = np.abs(rng.normal(0.0, plan.match_scale)) * rng.standard_normal(
        (plan.players, plan.matches)
    )
    player = np.repeat(np.arange(plan.players), plan.matches * POOL)
    match = np.tile(np.repeat(np.arange(plan.matches), POOL), plan.players)
    eta = design.fixed(balls).to_numpy() @ fixed + np.sum(Z * own[player], axis=1)
    besides = day[player, match] + plan.easy_worth * balls["easy"].to_numpy()
    win = expit(eta + besides)
    rows, won, rally = _rallies(plan, rng, win.reshape(-1, POOL))
    shots = balls.iloc[rows].reset_index(drop=True)
    if plan.families != (ALL_STROKES,):
        shots["contact"] = "after_bounce"
    shots = shots.assign(
        player=np.array(names)[player[rows]],
        match=np.char.add("m", match[rows].astype(str)),
        stroke="drive",
        rally_id=rally,
        won=won,
        depth=None,
        lane=None,
        wall=None,
    )
    for choice in ("attack", "reset"):
        some = balls.iloc[rows].assign(choice=choice)
        both = design.fixed(some).to_numpy() @ fixed
        both = both + np.sum(design.random(some).to_numpy() * own[player[rows]], axis=1)
        shots[f"true_{choice}"] = expit(both + besides[rows])
    values = (curves.ravel() + own @ random_map.T).reshape(plan.players, -1, 2, 2)
    return Truth(values, transform, design.cells, names), shots


def _rallies(plan, rng, win):
    """Draw rallies' results, then balls given the result.

    Given who wins a rally its balls are independent, each chosen from those met in proportion
    to its chance of that result; so each ball's chance of winning is the true curve, exactly,
    while all the balls of a rally share one result.
    """
    per, sides = plan.shots_per_rally, len(win)
    rallies = plan.shots // per
    won = rng.random((sides, rallies)) < win.mean(axis=1, keepdims=True)
    rows = np.empty((sides, rallies, per), dtype=int)
    for k, chance in enumerate(win):
        for result in (False, True):
            weight = np.cumsum(chance if result else 1.0 - chance)
            some = rng.random((int((won[k] == result).sum()), per)) * weight[-1]
            rows[k, won[k] == result] = k * POOL + np.searchsorted(weight, some)
    rally = np.repeat(np.arange(sides * rallies), per)
    return rows.ravel(), np.repeat(won.ravel(), per).astype(float), rally


def larger(plan, **changes):
    """The same plan with changes."""
    return replace(plan, **changes)
