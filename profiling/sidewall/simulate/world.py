"""The simulated game: players, and what may happen when one meets a ball, and how often.

A rally is a Markov chain. Its state is the ball as the striker meets it: side, stroke family,
depth, balance and gap. The striker picks a stroke; the shot wins, errs, is a let or leaves a
ball of some *level*, which says how tight it is. Stroke and level decide where and how the
opponent meets it. Switches of a :class:`World` add what a log does not show.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, fields, replace
from functools import cached_property, lru_cache, partial
from types import SimpleNamespace
from typing import Any, Final

import numpy as np
from scipy.special import expit, ndtr

from sidewall.arguments import Array, Ints
from sidewall.errors import DataError

#: Rows are forehand and backhand, columns ground and volley, as in the vocabulary.
CELLS: Final = (2, 2)
#: The strokes that are played after the serve: three that attack, two that reset.
PLAYED: Final = ("drop", "kill", "boast", "drive", "lob")
#: Side, stroke, depth (front, middle, back).
MERITS: Final = (2, len(PLAYED), 3)
ATTACK, RESET = 0, 1
CHOICE_OF: Final = np.array([ATTACK, ATTACK, ATTACK, RESET, RESET])
BOAST: Final = PLAYED.index("boast")
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
#: Where the middle begins, and from where a looser ball gives less and is attacked less often.
_MIDDLE_FROM_M, _FAR_M = 1.5, 1.0

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


def _none(*shape: int) -> Any:
    return field(default_factory=partial(np.zeros, shape))


@dataclass(frozen=True, eq=False)
class SimPlayer:
    """A simulated player.

    All abilities are on the log-odds scale (or log metres), 0 being the ladder's average
    and more being better. Arrays have shape (2, 2), side (forehand, backhand) by stroke
    family (ground, volley), where nothing else is said.

    Parameters
    ----------
    name : str
    hand : {"right", "left"}
    touch : ndarray
        Fewer errors and more winners when attacking.
    looseness_gain : ndarray
        How much more than average the player's attack gains from a looser ball.
    length : ndarray
        Tighter replies when resetting (log metres of the gap left).
    steadiness : ndarray
        Fewer errors when resetting.
    retrieving : float
        Takes winners away from the opponent.
    attack_from_m : ndarray
        Gap at which the player attacks half of the time: the player's habit, which need
        not be the player's threshold.
    merit : ndarray, shape (side, stroke, depth)
        How much better than that a stroke is; strokes in the order of ``PLAYED``.
    merit_slope : ndarray, shape (side, stroke)
        How much more the stroke gains from a looser ball.
    prefers : ndarray, shape (stroke,)
        Log weight of the stroke among those that serve the same choice.
    stretched : float
        How much less than average the player loses when stretched.
    kink_m : float
        How much looser the ball is at which the player's curves bend.
    drift : float
        How far touch, steadiness and (by two fifths) length move over the season.

    See Also
    --------
    sidewall.simulate.draw_players
    sidewall.simulate.World

    Examples
    --------
    >>> rowan = sw.simulate.SimPlayer("Rowan", touch=np.full((2, 2), 0.3))
    >>> rowan.hand
    'right'
    """

    name: str
    hand: str = "right"
    touch: Array = _none(*CELLS)  # noqa: RUF009
    looseness_gain: Array = _none(*CELLS)  # noqa: RUF009
    length: Array = _none(*CELLS)  # noqa: RUF009
    steadiness: Array = _none(*CELLS)  # noqa: RUF009
    retrieving: float = 0.0
    attack_from_m: Array = field(default_factory=partial(np.full, CELLS, 0.6))
    merit: Array = _none(*MERITS)  # noqa: RUF009
    merit_slope: Array = _none(*MERITS[:2])  # noqa: RUF009
    prefers: Array = _none(len(PLAYED))  # noqa: RUF009
    stretched: float = 0.0
    kink_m: float = 0.0
    drift: float = 0.0


@lru_cache(maxsize=1024)  # the same object for the same player and time: solved chains are kept
def at_season(player: SimPlayer, season: float) -> SimPlayer:
    """Return the player at a part of the season, 0 its first match and 1 its last."""
    if player.drift == 0:
        return player
    moved = player.drift * (season - 0.5)
    touch, steadiness = player.touch + moved, player.steadiness + moved
    length = player.length + 0.4 * moved
    return replace(player, touch=touch, steadiness=steadiness, length=length, drift=0.0)


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

    kink_m, pivot_m, bend_m : float
        Gaps: where bent curves bend, where looseness is 0, and how soon wider ones count for
        less.
    reply_spread : float
        Standard deviation of the log of the gap around the median of its level.
    let, backhand : float
        Chance that a shot ends in a let; and that a ball comes to the backhand.
    serve_winner, serve_error : float
        Chance that a serve wins, and that it loses, at once.
    serve_backhand, serve_forehand : float
        Chance that a serve comes to the backhand, and that it is struck on the forehand.
    serve_gap_m : float
        Median gap that a serve leaves.

    See Also
    --------
    sidewall.simulate.SimPlayer
    sidewall.simulate.simulate_shots

    Examples
    --------
    >>> world = sw.simulate.World(carry_over=0.6)
    >>> world.bits
    2
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
        if not (self.bent or self.kinks_m > 0):
            return scale - np.log1p(self.pivot_m / self.bend_m)
        kink = np.log1p((self.kink_m + np.asarray(kink_m)) / self.bend_m)
        scale = 1.8 * np.minimum(scale, kink) + 0.1 * np.maximum(scale - kink, 0.0)
        return scale - 1.8 * np.log1p(0.7 * self.kink_m / self.bend_m)

    @property
    def eases(self) -> Array:
        """Values of the unseen ease, all equally likely."""
        return np.array([-1.0, 1.0]) if self.unseen > 0 else np.zeros(1)

    @property
    def bits(self) -> int:
        """How many states a player's position has: in place, and out of place where it lasts."""
        return 2 if self.carry_over > 0 else 1

    def still_out(self, balance: Any, out: Any) -> Any:
        """Chance of being out of place at the next own ball."""
        return self.carry_over * np.maximum(balance, out)

    @cached_property
    def gap_table(self) -> Array:
        """Chance of each gap of ``GAPS_M`` by level, shape (level, grid)."""
        edges = (GAPS_M[1:] + GAPS_M[:-1]) / 2
        z = (np.log(edges) - np.log(MEDIANS_M)[:, None]) / self.reply_spread
        through = np.clip((edges - _MIDDLE_FROM_M) / (GAP_MAX_M - _MIDDLE_FROM_M), 0.0, 1.0)
        below = np.vstack([ndtr(z), through ** (2 / 3)])
        return np.diff(below, axis=1, prepend=0.0, append=1.0)

    def draw_gaps(self, level: Ints, rng: np.random.Generator) -> Array:
        """Draw gaps as `gap_table` has them, in whole centimetres, in metres."""
        normal, uniform = rng.standard_normal(len(level)), rng.random(len(level))
        through = _MIDDLE_FROM_M + (GAP_MAX_M - _MIDDLE_FROM_M) * uniform**1.5
        gap = np.append(MEDIANS_M, 0.0)[level] * np.exp(self.reply_spread * normal)
        gap = np.minimum(np.where(level == MIDDLE, through, gap), GAP_MAX_M)
        return np.asarray(np.round(gap, 2), dtype=np.float64)

    @cached_property
    def cell_table(self) -> Array:
        """Chance of how a ball on its way is met.

        Shape (kind, level, receiver out of place, side, family, depth, balance).
        """
        row = np.repeat(np.arange(len(KINDS))[:, None], LEVELS, axis=1)
        row[:, MIDDLE] = len(KINDS)
        loose = np.append(np.log(MEDIANS_M / 0.25), 0.0)
        volley = expit(_VOLLEY[row] + _VOLLEY_LOOSE[row] * loose)
        likelier = np.multiply.outer(_DEPTH_LOOSE[row] * loose, [0.0, 1.0, 0.0])
        depth = _DEPTH[row] * np.exp(likelier)[:, :, None]
        depth = depth / depth.sum(axis=-1, keepdims=True)
        tight = (_STRETCHED[row] - _STRETCHED_TIGHT[row] * loose)[..., None, None]
        stretched = expit(tight + 1.3 * np.arange(self.bits)[:, None] - np.array([0.0, 0.3]))
        backhand = np.full((len(KINDS), LEVELS), self.backhand)
        backhand[SERVE_KIND] = self.serve_backhand
        backhand[:, MIDDLE] = 0.5
        backhand[4], backhand[5] = 0.0, 1.0
        side, family, balance = (
            np.stack([1.0 - share, share], axis=-1) for share in (backhand, volley, stretched)
        )
        path = "kls,klf,klfd,klofb->klosfdb"
        return np.asarray(np.einsum(path, side, family, depth, balance))

    @cached_property
    def serve_levels(self) -> Array:
        """Chance of each level of a serve, shape (level,)."""
        lower, share = levels(np.log([self.serve_gap_m]))
        weights = np.zeros(LEVELS)
        weights[lower], weights[lower + 1] = 1.0 - share, share
        return weights

    def attack_chance(self, a: Any, who: Any, ball: Sequence[Any], ease: Any) -> Array:
        """Chance that a player attacks the ball: the habit, more often the wider the gap."""
        side, family, depth, balance, gap = ball
        from_m = a.attack_from_m[who, side, family] + np.array([-0.12, 0.0, 0.08])[depth]
        habit = expit((gap - from_m - 0.12 * balance) / 0.12 + 0.8 * ease)
        most = 0.78 - 0.36 * np.clip((gap - _FAR_M) / 0.5, 0.0, 1.0)
        return np.asarray(0.03 + most * habit)

    def shot(
        self, a: Any, who: Any, ball: Sequence[Any], stroke: Any, out: Any = 0, ease: Any = 0.0
    ) -> tuple[Array, Array, Array, Array]:
        """What a stroke does to a ball; every argument may be an array, and they broadcast.

        `a` and `who` are abilities from :func:`stack` and the striker's position there, `ball`
        is side, family, depth, balance (codes) and gap (metres). Returns the chance of an
        error; the log odds of a winner if it is none, which the opponent lowers; the log of the
        median gap left; the chance of a ball through the middle.
        """
        side, family, depth, balance, gap = ball
        loose = self.looseness(gap, a.kink_m[who])
        attacks = CHOICE_OF[stroke] == ATTACK
        merit = a.merit[who, side, stroke, depth] + a.merit_slope[who, side, stroke] * loose
        place = _PLACE[stroke, depth]
        if self.strokes:
            place = place + _PLACE_FOREHAND[stroke, depth] * (1 - 2 * np.asarray(side))
        hampered = balance * (0.65 - a.stretched[who]) + 0.35 * np.asarray(out)
        touch = a.touch[who, side, family] + a.looseness_gain[who, side, family] * loose
        steady = a.steadiness[who, side, family]
        skill = np.where(attacks, 0.5 * (touch + merit), steady + 0.5 * merit) + place - hampered
        better = a.length[who, side, family] + 0.3 * merit - hampered
        better = np.where(attacks, 0.3 * skill, better)
        if self.unseen > 0:
            skill = skill + 0.32 * self.unseen * np.asarray(ease) * attacks
        slope = np.where(attacks, self.steep, 1.0) * loose
        error = expit(_ERROR[stroke] - skill + _ERROR_SLOPE[stroke] * slope)
        winner = _WINNER[stroke] + np.where(attacks, skill, 0.0) + _WINNER_SLOPE[stroke] * slope
        reply = np.log(_REPLY_M)[stroke] + _REPLY_SLOPE[stroke] * loose - better
        middle = self.centre * _MIDDLE_SHARE[stroke] * (1.0 + 0.4 * balance)
        return error, winner, reply, np.broadcast_to(middle, reply.shape)


def draw_players(
    names: Sequence[str], rng: np.random.Generator, spread: float = 1.0, world: World | None = None
) -> list[SimPlayer]:
    """Draw players from the ladder's population.

    Parameters
    ----------
    names : sequence of str
    rng : numpy.random.Generator
    spread : float, default 1
        Multiplies every standard deviation between players; 0 makes them all alike.
    world : World, optional
        Where its switches say so, players differ by stroke, in the place of the kink and in
        how they change over the season.

    Returns
    -------
    list of SimPlayer

    See Also
    --------
    sidewall.simulate.SimPlayer
    sidewall.simulate.round_robin
    sidewall.simulate.simulate_shots

    Examples
    --------
    >>> players = sw.simulate.draw_players(["Rowan", "Hazel"], np.random.default_rng(1))
    >>> [player.hand for player in players]
    ['right', 'right']
    """
    world = world or World()

    def ability(overall: float, by_side: float, by_family: float) -> Array:
        by_cell = rng.normal(0.0, by_side, (2, 1)) + rng.normal(0.0, by_family, (1, 2))
        return spread * (rng.normal(0.0, overall) + by_cell)

    def one(name: str) -> SimPlayer:
        player = SimPlayer(
            name=name,
            hand="left" if rng.random() < 0.1 else "right",
            touch=ability(0.30, 0.30, 0.20),
            looseness_gain=ability(0.20, 0.15, 0.0),
            length=ability(0.12, 0.08, 0.0),
            steadiness=ability(0.20, 0.15, 0.0),
            retrieving=float(spread * rng.normal(0.0, 0.15)),
            attack_from_m=np.clip(0.66 + ability(0.12, 0.08, 0.05), 0.2, 1.2),
            prefers=spread * rng.normal(0.0, 0.25, len(PLAYED)),
        )
        drawn: dict[str, Any] = {}
        if world.strokes:
            by_stroke = rng.normal(0.0, 0.45, (1, len(PLAYED), 1))
            by_side = rng.normal(0.0, 0.25, (2, len(PLAYED), 1))
            drawn["merit"] = spread * (by_stroke + by_side + rng.normal(0.0, 0.35, MERITS))
            drawn["merit_slope"] = spread * rng.normal(0.0, 0.4, MERITS[:2])
        if world.kinks_m > 0:
            drawn["kink_m"] = float(np.clip(spread * rng.normal(0.0, world.kinks_m), -0.35, 0.6))
        if world.drift > 0:
            drawn["drift"] = float(spread * rng.normal(0.0, world.drift))
        return replace(player, **drawn)

    return [one(name) for name in names]


def stack(players: Sequence[SimPlayer]) -> Any:
    """Abilities of players as arrays with an axis for the players, by the names they have."""
    names = [one.name for one in fields(SimPlayer) if one.name not in ("name", "hand")]
    a = SimpleNamespace(**{n: np.array([getattr(p, n) for p in players], float) for n in names})
    a.left = np.array([p.hand == "left" for p in players])
    return a


def kind_of(stroke: Any, side: Any, other_hand: Any) -> Ints:
    """Kind of the ball on its way; `other_hand`: striker's and opponent's hands differ."""
    # From my backhand a boast ends at the other wall: the forehand of another right-hander.
    to = np.where(other_hand, side, 1 - np.asarray(side))
    plain = np.array([0, 1, 4, 2, 3])[stroke]
    return np.where(np.asarray(stroke) == BOAST, 4 + to, plain)


def stroke_mix(a: Any, who: Any, family: Any, depth: Any, balance: Any) -> Array:
    """Share of each stroke within the choice that it serves, shape (..., stroke)."""
    weight = np.moveaxis(_MIX, 0, -1)[family, depth] * np.exp(a.prefers[who])
    weight = weight * np.where(np.asarray(balance)[..., None] == 1, _MIX_STRETCHED, 1.0)
    attack = (CHOICE_OF == ATTACK) * 1.0
    of_choice = np.outer(attack, attack) + np.outer(1.0 - attack, 1.0 - attack)
    return np.asarray(weight / (weight @ of_choice))


def levels(reply: Array) -> tuple[Ints, Array]:
    """Lower of the two levels between which a reply lies, and the share of the upper one."""
    spacing = np.log(MEDIANS_M[1] / MEDIANS_M[0])
    at = np.clip((reply - np.log(MEDIANS_M[0])) / spacing, 0.0, MIDDLE - 1 - 1e-9)
    lower = at.astype(np.int64)
    return lower, at - lower


def open_to_winners(a: Any, who: Any, out: Any) -> Array:
    """What the opponent adds to the log odds of a winner."""
    return np.asarray(0.6 * np.asarray(out) - a.retrieving[who])
