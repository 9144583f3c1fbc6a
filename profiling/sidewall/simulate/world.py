"""The simulated game: what may happen when a player meets a ball, and how often.

A rally is a Markov chain. Its state is the ball as the striker meets it: side, stroke family,
depth, balance and gap. The striker picks a stroke; the shot wins, errs, is a let or leaves a
ball of some *level*, which says how tight it is. Stroke and level decide where and how the
opponent meets it. Switches of a :class:`World` add what a log does not show.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import lru_cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, ndtr

from sidewall.errors import DataError
from sidewall.simulate.players import SimPlayer

Array = NDArray[np.float64]

ATTACK, RESET = 0, 1
#: Choice that each stroke of ``PLAYED`` serves.
CHOICE_OF: Final = np.array([ATTACK, ATTACK, ATTACK, RESET, RESET])
_DROP, _KILL, BOAST, _DRIVE, _LOB = range(5)
GAP_MAX_M: Final = 3.2
#: Gaps at which the chain is solved: every centimetre to 1 m, every fourth from there.
GAPS_M: Final[Array] = np.append(np.arange(101), 104 + 4 * np.arange(55)) / 100.0
#: Axes of a ball that is met, before its gap: side, family, depth, balance.
CELL: Final = (2, 2, 3, 2)

#: A ball on its way is known by its kind and its level. Every stroke but the boast is a kind;
#: a boast is two, since it ends on the other side: at the opponent's forehand or backhand.
KINDS: Final = ("drop", "kill", "drive", "lob", "boast to forehand", "boast to backhand", "serve")
SERVE_KIND: Final = 6
#: Median gaps of the levels of a ball on its way; the last level goes through the middle.
MEDIANS_M: Final = np.geomspace(0.05, 1.2, 10)
MIDDLE: Final = len(MEDIANS_M)
LEVELS: Final = MIDDLE + 1
_MIDDLE_FROM_M: Final = 1.5
#: From here a looser ball gives less, and is attacked less often.
_FAR_M: Final = 1.0

# By stroke: drop, kill, boast, drive, lob. Log odds at the pivot gap.
_ERROR: Final = np.array([-1.93, -1.7, -2.25, -4.05, -3.9])
_ERROR_SLOPE: Final = np.array([-2.3, -2.6, -1.4, -1.4, -1.2])
_WINNER: Final = np.array([-1.85, -1.45, -2.4, -4.4, -4.9])
_WINNER_SLOPE: Final = np.array([1.9, 2.3, 1.1, 1.0, 0.4])
#: Median gap left, metres, and how it narrows with the looseness of the ball that is met.
_REPLY_M: Final = np.array([0.30, 0.36, 0.42, 0.24, 0.30])
_REPLY_SLOPE: Final = np.array([-0.30, -0.25, -0.15, -0.90, -0.70])
#: Merit of a stroke by depth (front, middle, back), common to all players.
_PLACE: Final = np.array(
    [[0.20, 0.00, -0.30], [0.05, 0.15, -0.25], [-0.35, 0.00, 0.15], [0.0] * 3, [0.20, -0.10, 0.0]]
)
#: What the switch ``strokes`` adds, on the forehand; the opposite on the backhand.
_PLACE_FOREHAND: Final = np.array(
    [[-0.4, 0.1, 0.3], [0.5, 0.3, -0.3], [-0.4, 0.2, 0.4], [0.3, -0.2, 0.2], [-0.3, 0.2, -0.2]]
)
#: Weights of the strokes by family and depth, within the choice that they serve.
_MIX: Final = np.array(
    [
        [[0.70, 0.52, 0.56], [0.66, 0.60, 0.55]],
        [[0.20, 0.30, 0.16], [0.30, 0.36, 0.35]],
        [[0.10, 0.18, 0.28], [0.04, 0.04, 0.10]],
        [[0.55, 0.90, 0.84], [0.80, 0.88, 0.84]],
        [[0.45, 0.10, 0.12], [0.20, 0.10, 0.12]],
    ]
)
#: How much more often each is played when stretched.
_MIX_STRETCHED: Final = np.array([1.0, 0.6, 1.6, 1.0, 2.0])

# By kind and, last, for a ball through the middle.
_VOLLEY: Final = np.array([-3.6, -2.4, -1.7, -1.2, -2.8, -2.8, -0.20, 0.4])
_VOLLEY_LOOSE: Final = np.array([0.0, 0.2, 0.4, 0.4, 0.0, 0.0, 0.3, 0.0])
_STRETCHED: Final = np.array([-0.15, -0.35, -1.65, -2.0, 0.05, 0.05, -3.0, -3.0])
_STRETCHED_TIGHT: Final = np.array([0.35, 0.35, 0.6, 0.5, 0.3, 0.3, 0.4, 0.0])
#: Weights of front, middle, back by family.
_DEPTH: Final = np.array(
    [
        [[0.87, 0.12, 0.01], [0.55, 0.44, 0.01]],
        [[0.62, 0.33, 0.05], [0.30, 0.67, 0.03]],
        [[0.005, 0.105, 0.89], [0.01, 0.77, 0.22]],
        [[0.005, 0.065, 0.93], [0.01, 0.66, 0.33]],
        [[0.82, 0.17, 0.01], [0.60, 0.39, 0.01]],
        [[0.82, 0.17, 0.01], [0.60, 0.39, 0.01]],
        [[0.0, 0.08, 0.92], [0.0, 0.70, 0.30]],
        [[0.06, 0.54, 0.40], [0.04, 0.84, 0.12]],
    ]
)
#: How much likelier the middle of the court gets with a looser ball (log odds by log metre).
_DEPTH_LOOSE: Final = np.array([0.4, 0.4, 0.6, 0.5, 0.2, 0.2, 0.3, 0.0])
#: Balls through the middle by stroke, as multiples of the share asked for.
_MIDDLE_SHARE: Final = np.array([0.30, 0.50, 0.35, 1.30, 1.00])


@dataclass(frozen=True)
class World:
    """What the simulated game is like. The defaults are the plain game; switches combine.

    Parameters
    ----------
    carry_over : float
        Chance that a player who was stretched or out of place is out of place still at the
        next own ball: stretched more often, hitting worse, and open to winners. 0 is off,
        0.6 is much. Being out of place is not charted.
    chart_balance : bool
        Whether the log holds the balance and the opponent's place.
    strokes : bool
        Strokes differ more by depth and side, and drawn players differ by stroke (level and
        slope in the gap) and by stroke and depth.
    steep : float
        Multiplies the slopes in the gap of attacks; 3 is steep.
    bent : bool
        Curves bend at `kink_m`: steeper before it, a tenth of their slope beyond.
    kinks_m : float
        Standard deviation between drawn players of the place of the kink; 0.08 is much.
    centre : float
        Share of balls through the middle of the court, about 1.5 m or more from the walls.
    charting_error_m : float
        Standard deviation of the error of the charted gap.
    unseen : float
        How much easier attacked balls are than the state says, rallies in 100: an ease that
        no log holds raises the chance to attack and the attack's success.
    drift : float
        Standard deviation between drawn players of how far abilities move (log odds) from
        the season's first match to its last.
    """

    carry_over: float = 0.0
    chart_balance: bool = True
    strokes: bool = False
    steep: float = 1.0
    bent: bool = False
    kinks_m: float = 0.0
    centre: float = 0.0
    charting_error_m: float = 0.0
    unseen: float = 0.0
    drift: float = 0.0
    kink_m: float = 0.5
    pivot_m: float = 0.5
    bend_m: float = 0.5
    reply_spread: float = 0.66
    let: float = 0.006
    backhand: float = 0.695
    serve_winner: float = 0.012
    serve_error: float = 0.010
    serve_backhand: float = 0.60
    serve_gap_m: float = 0.42
    serve_forehand: float = 0.85

    def __post_init__(self) -> None:
        chances = {"carry_over", "centre", "let", "backhand", "serve_winner", "serve_error"}
        chances |= {"serve_backhand", "serve_forehand"}
        for name, value in vars(self).items():
            good = isinstance(value, int | float) and value >= 0
            if not good or (name in chances and value > 1):
                what = "a chance, from 0 to 1" if name in chances else "a number from 0 up"
                raise DataError(f"World: {name} is {value!r}; give {what}.")

    def looseness(self, gap_m: Any, kink_m: Any = 0.0) -> Array:
        """The scale on which log odds are linear; 0 at the pivot of the plain game."""
        gap = np.asarray(gap_m, dtype=float)
        # From the middle a ball has further to go to a wall (common practice, no source).
        far = np.maximum(gap - _FAR_M, 0.0)
        scale: Array = np.log1p((gap - 0.75 * far) / self.bend_m)
        if self.bent or self.kinks_m > 0:
            kink = np.log1p((self.kink_m + np.asarray(kink_m)) / self.bend_m)
            scale = 1.8 * np.minimum(scale, kink) + 0.1 * np.maximum(scale - kink, 0.0)
            return scale - 1.8 * np.log1p(0.7 * self.kink_m / self.bend_m)
        return scale - np.log1p(self.pivot_m / self.bend_m)

    @property
    def eases(self) -> Array:
        """Values of the unseen ease, all equally likely."""
        return np.array([-1.0, 1.0]) if self.unseen > 0 else np.zeros(1)

    @property
    def bits(self) -> int:
        """How many states a player's position has: in place, and out of place where it lasts."""
        return 2 if self.carry_over > 0 else 1

    def still_out(self, balance: Any, out: Any) -> Array:
        """Chance of being out of place at the next own ball."""
        return self.carry_over * np.maximum(balance, out)


@lru_cache(maxsize=64)
def gap_table(world: World) -> Array:
    """Chance of each gap of ``GAPS_M`` by level, shape (level, grid)."""
    edges = (GAPS_M[1:] + GAPS_M[:-1]) / 2
    z = (np.log(edges) - np.log(MEDIANS_M)[:, None]) / world.reply_spread
    through = np.clip((edges - _MIDDLE_FROM_M) / (GAP_MAX_M - _MIDDLE_FROM_M), 0.0, 1.0)
    below = np.vstack([ndtr(z), through ** (2 / 3)])
    ends = np.zeros((LEVELS, 1)), np.ones((LEVELS, 1))
    table: Array = np.diff(np.hstack([ends[0], below, ends[1]]), axis=1)
    return table


def draw_gaps(world: World, level: NDArray[np.int64], rng: np.random.Generator) -> Array:
    """Draw gaps as :func:`gap_table` has them, in whole centimetres, in metres."""
    median = MEDIANS_M[np.minimum(level, MIDDLE - 1)]
    normal, uniform = rng.standard_normal(len(level)), rng.random(len(level))
    through = _MIDDLE_FROM_M + (GAP_MAX_M - _MIDDLE_FROM_M) * uniform**1.5
    gap = np.where(level == MIDDLE, through, median * np.exp(world.reply_spread * normal))
    return np.asarray(np.round(np.minimum(gap, GAP_MAX_M), 2), dtype=np.float64)


@lru_cache(maxsize=64)
def cell_table(world: World) -> Array:
    """Chance of how a ball on its way is met.

    Returns
    -------
    ndarray, shape (kind, level, receiver out of place, side, family, depth, balance)
    """
    kind = np.broadcast_to(np.arange(len(KINDS))[:, None], (len(KINDS), LEVELS))
    row = np.where(np.arange(LEVELS) == MIDDLE, len(KINDS), kind)
    loose = np.append(np.log(MEDIANS_M / 0.25), 0.0)
    volley = expit(_VOLLEY[row] + _VOLLEY_LOOSE[row] * loose)
    family = np.stack([1.0 - volley, volley], axis=-1)
    depth = _DEPTH[row] * np.exp(
        np.multiply.outer(_DEPTH_LOOSE[row] * loose, [0.0, 1.0, 0.0])[:, :, None]
    )
    depth = depth / depth.sum(axis=-1, keepdims=True)
    out = np.arange(world.bits)[:, None]
    stretched = expit(
        (_STRETCHED[row] - _STRETCHED_TIGHT[row] * loose)[..., None, None]
        + 1.3 * out
        - np.array([0.0, 0.3])
    )
    balance = np.stack([1.0 - stretched, stretched], axis=-1)
    backhand = np.full((len(KINDS), LEVELS), world.backhand)
    backhand[SERVE_KIND] = world.serve_backhand
    backhand[:, MIDDLE] = 0.5
    backhand[4], backhand[5] = 0.0, 1.0
    side = np.stack([1.0 - backhand, backhand], axis=-1)
    table: Array = np.einsum("kls,klf,klfd,klofb->klosfdb", side, family, depth, balance)
    return table


def kind_of(stroke: Any, side: Any, other_hand: Any) -> NDArray[np.int64]:
    """Kind of the ball on its way.

    Parameters
    ----------
    stroke : array_like of int
        Position in ``PLAYED``.
    side : array_like of int
        From which it is struck.
    other_hand : array_like of bool
        Whether striker and opponent play with different hands.
    """
    # From my backhand a boast ends at the other wall: the forehand of another right-hander.
    to = np.where(other_hand, side, 1 - np.asarray(side))
    plain = np.array([0, 1, 4, 2, 3])[stroke]
    return np.where(np.asarray(stroke) == BOAST, 4 + to, plain)


@dataclass(frozen=True)
class Abilities:
    """Abilities of many players as arrays, looked up by position; see :class:`SimPlayer`."""

    touch: Array
    looseness_gain: Array
    length: Array
    steadiness: Array
    attack_from_m: Array
    merit: Array
    merit_slope: Array
    prefers: Array
    stretched: Array
    retrieving: Array
    kink_m: Array
    left: NDArray[np.bool_]

    @classmethod
    def of(cls, players: list[SimPlayer]) -> Abilities:
        """Stack the abilities of players."""
        names = [one.name for one in fields(cls) if one.name != "left"]
        parts = {n: np.array([getattr(p, n) for p in players], dtype=float) for n in names}
        return cls(**parts, left=np.array([p.hand == "left" for p in players]))


def attack_chance(
    world: World, a: Abilities, who: Any, ball: tuple[Any, Any, Any, Any, Any], ease: Any
) -> Array:
    """Chance that a player attacks the ball: the habit, more often the wider the gap."""
    side, family, depth, balance, gap = ball
    from_m = a.attack_from_m[who, side, family] + np.array([-0.12, 0.0, 0.08])[depth]
    habit = expit((gap - from_m - 0.12 * balance) / 0.12 + 0.8 * ease)
    most = 0.78 - 0.36 * np.clip((gap - _FAR_M) / 0.5, 0.0, 1.0)
    chance: Array = 0.03 + most * habit
    return chance


def stroke_mix(a: Abilities, who: Any, family: Any, depth: Any, balance: Any) -> Array:
    """Share of each stroke within the choice that it serves, shape (..., stroke)."""
    weight = np.moveaxis(_MIX, 0, -1)[family, depth] * np.exp(a.prefers[who])
    weight = weight * np.where(np.asarray(balance)[..., None] == 1, _MIX_STRETCHED, 1.0)
    attack = CHOICE_OF == ATTACK
    total = np.where(
        attack,
        (weight * attack).sum(axis=-1, keepdims=True),
        (weight * ~attack).sum(axis=-1, keepdims=True),
    )
    share: Array = weight / total
    return share


@dataclass(frozen=True)
class Shot:
    """Chances of a shot: it errs; else it wins with log odds that the opponent lowers.

    ``reply`` is the log of the median gap left, ``middle`` the chance that the ball goes
    through the middle of the court.
    """

    error: Array
    winner: Array
    reply: Array
    middle: Array


def shot(
    world: World,
    a: Abilities,
    who: Any,
    ball: tuple[Any, Any, Any, Any, Any],
    stroke: Any,
    out: Any = 0,
    ease: Any = 0.0,
) -> Shot:
    """What a stroke does to a ball; every argument may be an array, and they broadcast.

    Parameters
    ----------
    world : World
    a : Abilities
    who : array_like of int
        Position of the striker in `a`.
    ball : tuple
        Side, family, depth, balance (codes) and gap (metres).
    stroke : array_like of int
        Position in ``PLAYED``.
    out : array_like of int
        Whether the striker is out of place.
    ease : array_like
        See ``World.eases``.
    """
    side, family, depth, balance, gap = ball
    loose = world.looseness(gap, a.kink_m[who])
    attacks = CHOICE_OF[stroke] == ATTACK
    merit = a.merit[who, side, stroke, depth] + a.merit_slope[who, side, stroke] * loose
    place = _PLACE[stroke, depth]
    if world.strokes:
        place = place + _PLACE_FOREHAND[stroke, depth] * (1 - 2 * np.asarray(side))
    hampered = balance * (0.65 - a.stretched[who]) + 0.35 * np.asarray(out)
    skill = np.where(
        attacks,
        0.5 * (a.touch[who, side, family] + a.looseness_gain[who, side, family] * loose + merit),
        a.steadiness[who, side, family] + 0.5 * merit,
    )
    skill = skill + place - hampered
    better = np.where(attacks, 0.3 * skill, a.length[who, side, family] + 0.3 * merit - hampered)
    if world.unseen > 0:
        skill = skill + 0.32 * world.unseen * np.asarray(ease) * attacks
    slope = np.where(attacks, world.steep, 1.0) * loose
    error = expit(_ERROR[stroke] - skill + _ERROR_SLOPE[stroke] * slope)
    winner = _WINNER[stroke] + np.where(attacks, skill, 0.0) + _WINNER_SLOPE[stroke] * slope
    reply = np.log(_REPLY_M)[stroke] + _REPLY_SLOPE[stroke] * loose - better
    middle = world.centre * _MIDDLE_SHARE[stroke] * (1.0 + 0.4 * balance)
    return Shot(error, winner, reply, np.broadcast_to(middle, reply.shape))


def levels(reply: Array) -> tuple[NDArray[np.int64], Array]:
    """Lower of the two levels between which a reply lies, and the share of the upper one."""
    spacing = np.log(MEDIANS_M[1] / MEDIANS_M[0])
    at = np.clip((reply - np.log(MEDIANS_M[0])) / spacing, 0.0, MIDDLE - 1 - 1e-9)
    lower = at.astype(np.int64)
    return lower, at - lower


def open_to_winners(a: Abilities, who: Any, out: Any) -> Array:
    """What the opponent adds to the log odds of a winner."""
    return 0.6 * np.asarray(out) - a.retrieving[who]


def serve_levels(world: World) -> Array:
    """Chance of each level of a serve, shape (level,)."""
    lower, share = levels(np.log(np.array(world.serve_gap_m)))
    weights = np.zeros(LEVELS)
    weights[int(lower)], weights[int(lower) + 1] = 1.0 - float(share), float(share)
    return weights
