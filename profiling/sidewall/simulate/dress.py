"""From the coded shots of `play_matches` to a shot table, as a charter would have typed it.

Side, family, depth, balance, gap, stroke and result are the chain's own. What is added here,
places within a depth, contacts off the back wall, bounces, heights and times, is drawn from
these and never from the result. What a result does show, it shows as on a court: the ending
has its name, a ball in the tin hit the wall below the tin's edge, and a ball that was out or
down has no good bounce.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
from scipy.special import ndtr, ndtri

from sidewall.arguments import Array, Bools, Ints
from sidewall.court import Court, Zones
from sidewall.errors import DataError
from sidewall.log.vocabulary import BALANCES, CONTACTS, ENDINGS, HANDS, STROKES, VOCABULARY
from sidewall.simulate.charter import measured
from sidewall.simulate.play import ERROR, GO_ON, LET, WIN, check_schedule, pick, play_matches
from sidewall.simulate.world import KINDS, PLAYED, SERVE_KIND, SimPlayer, World

Codes = Ints
Mask = Bools

_BACK: Final = 2
_SCORE: Final = ("own_points", "opponent_points", "own_games", "opponent_games")
_SERVE, _DRIVE, _LOB, _BOAST, _BACK_WALL_BOAST = (
    STROKES.index(s) for s in ("serve", "drive", "lob", "boast", "back_wall_boast")
)
_JAMMED: Final = BALANCES.index("jammed")
_VOLLEYED, _AFTER_BOUNCE, _OFF_BACK_WALL = range(len(CONTACTS))
_WINNER, _TIN, _OUT, _DOWN, _STROKE, _NO_LET, _LET = range(len(ENDINGS))

_NO_LET_SHARE: Final = 0.04
#: By stroke: shares of tin, out, down and stroke (given to the opponent) among lost shots; how
#: far over the tin it is aimed when nothing is at risk, metres, if it may end in the tin; mean
#: and standard deviation of the height otherwise. A drive to the back then hits the wall about
#: the service line, a safe drop 30 to 45 cm over the tin (common practice, no source).
_BY_STROKE: Final = {
    "serve": (0.00, 0.65, 0.35, 0.00, np.nan, 3.0, 0.45),
    "drive": (0.28, 0.16, 0.42, 0.14, 1.50, 0.0, 0.0),
    "drop": (0.86, 0.00, 0.08, 0.06, 0.52, 0.0, 0.0),
    "lob": (0.00, 0.62, 0.33, 0.05, np.nan, 3.4, 0.40),
    "boast": (0.80, 0.02, 0.13, 0.05, 0.60, 0.0, 0.0),
    "back_wall_boast": (0.00, 0.45, 0.55, 0.00, np.nan, 2.4, 0.45),
    "kill": (0.88, 0.02, 0.05, 0.05, 0.36, 0.0, 0.0),
}
_HOW: Final = np.array([_BY_STROKE.get(stroke, (1.0,) * 7) for stroke in STROKES])
#: How much higher a drive is aimed by a player who is stretched, to win time.
_SLOW: Final = 1.35
#: Where a ball in the tin hits it, at the lowest: half the ball's size over the floor; and
#: standard deviations that the aim never falls below: at worst nearly every other ball dies.
_LOWEST_M, _LEAST_MARGIN = 0.02, 0.05

#: Nearest and farthest contacts from the front wall, metres.
_NEAREST_M, _FARTHEST_M = 0.60, 9.45
#: Where in its depth a ball is met, from the near to the far edge (parameters of a beta), for
#: balls that die at the front and for those that are played to length.
_WITHIN_SHORT: Final = np.array([(2.2, 2.4), (1.4, 3.0), (2.0, 3.0)])
_WITHIN_LONG: Final = np.array([(6.0, 1.2), (3.0, 1.8), (2.4, 2.0)])
#: Distance that a ball flies on from its bounce to the contact, by depth: least and range,
#: metres. So most drives bounce from the service boxes back (common practice, no source).
_CARRY_SHORT: Final = np.array([(0.30, 0.50), (0.80, 1.00), (1.20, 1.40)])
_CARRY_LONG: Final = np.array([(0.20, 0.20), (0.35, 0.65), (0.35, 1.05)])
_LONG: Final = np.array([kind in ("drive", "lob", "serve") for kind in KINDS])
_OFF_BACK_WALL_SHARE: Final = 0.28
#: Of lobs off the back wall to the other side, those played against the back wall.
_BACK_WALL_BOAST_SHARE: Final = 0.4
#: Of balls that are met set, those that jam the player: near the body, or through the middle.
_JAMMED_SHARE: Final = (0.01, 0.12)

#: Mean seconds to the opponent's strike by purpose (attack, reset, serve) and by how the
#: opponent meets the ball: volley, after the bounce in front, middle, back, off the back
#: wall. Fitted to the published tempo of about 1.34 s (men) and 1.39 s (women) a shot.
_SECONDS: Final = np.array(
    [[0.96, 1.18, 1.14, 1.28, 1.68], [1.08, 1.36, 1.3, 1.42, 1.76], [1.25, 1.4, 1.54, 1.64, 1.94]]
)
_SECONDS_SPREAD: Final = 0.13
_WARM_UP_S, _BETWEEN_RALLIES_S, _BETWEEN_GAMES_S = 20.0, 12.0, 90.0

#: Share of the way back to the T that is still missing at the opponent's strike: after a
#: stroke played in balance, stretched, and out of place.
_SHORT_OF_T: Final = (0.25, 0.40, 0.65)


def simulate_shots(
    players: Sequence[SimPlayer],
    schedule: Sequence[tuple[int, int]],
    rng: int | np.random.Generator,
    world: World | None = None,
    *,
    games_to_win: int = 3,
    match_names: Sequence[str] | None = None,
    court: Court | None = None,
) -> pd.DataFrame:
    """Play matches and chart every shot.

    Parameters
    ----------
    players : sequence of SimPlayer
    schedule : sequence of (int, int)
        Positions in `players` of the two opponents of each match; see
        :func:`~sidewall.simulate.play.round_robin`.
    rng : int or numpy.random.Generator
        A seed, or a generator to go on with.
    world : World, optional
        The plain game by default.
    games_to_win : int, default 3
        3 for the best of five, 2 for the best of three.
    match_names : sequence of str, optional
        By default ``m01``, ``m02`` and so on.
    court : Court, optional

    Returns
    -------
    DataFrame
        A canonical shot table, one row a shot: the columns, order and types of
        :func:`sidewall.read_shots`, with choices charted and with every optional column of the
        log but the details of the match; without the balance and the opponent's place in a
        world that does not chart them. Gaps and places are whole centimetres, times hundredths
        of a second.

    Raises
    ------
    DataError
        If a match names a player that there is not, or one player twice, if two players
        share a name, or if there are not as many names as matches.

    See Also
    --------
    sidewall.simulate.draw_players
    sidewall.simulate.round_robin
    sidewall.simulate.to_log

    Examples
    --------
    >>> players = sw.simulate.draw_players(["Rowan", "Hazel"], np.random.default_rng(1))
    >>> played = sw.simulate.simulate_shots(players, [(0, 1)], rng=2)
    >>> played[["match", "rally", "shot", "player", "stroke"]].head(2)
      match  rally  shot player stroke
    0   m01      1     1  Hazel  serve
    1   m01      1     2  Rowan  drive
    """
    check_schedule(players, schedule)
    if match_names is not None and len(set(match_names)) != len(schedule):
        raise DataError(
            f"match_names: {len(set(match_names))} different names for {len(schedule)} matches; "
            "give each match its own."
        )
    generator, world = np.random.default_rng(rng), world or World()
    coded = play_matches(players, schedule, generator, world, games_to_win)
    names = match_names or [f"m{k + 1:02d}" for k in range(len(schedule))]
    return _dress(coded, players, schedule, generator, world, names, court or Court())


def _dress(
    coded: pd.DataFrame,
    players: Sequence[SimPlayer],
    schedule: Sequence[tuple[int, int]],
    rng: np.random.Generator,
    world: World,
    match_names: Sequence[str],
    court: Court,
) -> pd.DataFrame:
    """Give every shot that :func:`play_matches` coded its places, time and ending."""
    code: dict[str, Any] = {name: coded[name].to_numpy() for name in coded.columns}
    serve, last, count = code["shot"] == 1, code["result"] != GO_ON, len(coded)
    pair = np.asarray(schedule, dtype=np.int64).reshape(-1, 2)
    opponent = pair[code["match"]].sum(axis=1) - code["player"]
    left_handed = np.array([player.hand == "left" for player in players])
    # The left wall is on the backhand side of a right-hander, and the other way round.
    to_left = (code["next_side"] == 1) != left_handed[opponent]
    at_left = np.where(serve, ~to_left, (code["side"] == 1) != left_handed[code["player"]])
    crosses = at_left != to_left

    next_contact, next_y, bounce_gap, bounce_y = _flight(rng, code, crosses, Zones(court))
    stroke = np.where(serve, _SERVE, np.array([STROKES.index(s) for s in PLAYED])[code["stroke"]])
    contact = _arriving(next_contact)
    contact = np.where((stroke == _BOAST) & (contact == _OFF_BACK_WALL), _AFTER_BOUNCE, contact)
    backwards = rng.random(count) < _BACK_WALL_BOAST_SHARE
    backwards &= (stroke == _LOB) & (contact == _OFF_BACK_WALL) & crosses
    stroke = np.where(backwards, _BACK_WALL_BOAST, stroke)
    gap = np.where(serve, np.nan, code["gap_m"])
    if world.charting_error_m > 0:
        gap = measured(gap, world.charting_error_m, court.half_width_m, rng)
    jams = rng.random(count) < np.where(code["gap_m"] > 1.0, *_JAMMED_SHARE[::-1])
    balance = np.where((code["balance"] == 0) & jams, _JAMMED, code["balance"])

    # A serve is struck within the service box on that side.
    box = court.service_box_m
    serve_x = _from_wall(box * (0.45 + 0.5 * rng.random(count)), at_left, court)
    serve_y = court.short_line_y_m + box * (0.05 + 0.7 * rng.random(count))
    x = np.where(serve, serve_x, _from_wall(gap, at_left, court))
    y = np.where(serve, serve_y, _arriving(next_y))
    side = np.where(serve, rng.random(count) > world.serve_forehand, code["side"])
    ending = _endings(rng, stroke, code["result"])
    height = _heights(rng, code, stroke, ending, court)
    opponent_x, opponent_y = _opponent_place(rng, code, x, y, to_left, court)
    good = ~np.isin(ending, (_TIN, _OUT, _DOWN))
    who = code["player"]
    winner = np.select([code["result"] == WIN, code["result"] == ERROR], [who, opponent], -1)
    columns: dict[str, Any] = {
        "match": _coded(code["match"], match_names),
        **{name: code[name] for name in ("game", "rally", "shot", "player")},
        "opponent": opponent,
        "side": side,
        "stroke": stroke,
        "direction": np.where(np.isin(stroke, (_SERVE, _BOAST, _BACK_WALL_BOAST)), -1, crosses),
        "contact": np.where(serve, -1, contact),
        "gap_m": gap,
        "choice": code["choice"],
        "choice_source": _coded(np.where(serve, -1, 0), ["charted", "derived"]),
        "balance": np.where(serve, -1, balance),
        "rally_won_by": winner,
        "ending": ending,
        "x_m": x,
        "bounce_x_m": np.where(good, _from_wall(bounce_gap, to_left, court), np.nan),
        "opponent_x_m": opponent_x,
        "y_m": y,
        "bounce_y_m": np.where(good, bounce_y, np.nan),
        "opponent_y_m": opponent_y,
        "wall_z_m": height,
        "t_s": _times(rng, code, next_contact, last),
        **{name: code[name].astype(float) for name in _SCORE},
        "hand": _coded(left_handed[who], HANDS),
        "line": np.arange(count, dtype=np.int64) + 2,
    }
    for name in VOCABULARY.keys() & columns.keys():
        columns[name] = _coded(columns[name], VOCABULARY[name])
    used, first = np.unique(who, return_index=True)
    used = used[np.argsort(first)]  # in the order in which they first strike
    place = np.full(len(players) + 1, -1)  # the last place is for nobody, -1
    place[used] = np.arange(len(used))
    for name in ("player", "opponent", "rally_won_by"):
        columns[name] = _coded(place[columns[name]], [players[k].name for k in used])
    hidden = [] if world.chart_balance else ["balance", "opponent_x_m", "opponent_y_m"]
    return pd.DataFrame(columns).drop(columns=hidden).round(2)


def _flight(
    rng: np.random.Generator, code: dict[str, Any], crosses: Mask, zones: Zones
) -> tuple[Codes, Array, Array, Array]:
    """Where and how the opponent meets each ball, also one that nobody reached.

    Contact, distance from the front wall, and the bounce's distances from the side wall at
    which the ball is met and from the front wall; missing for a ball met in the air.
    """
    count, depth, kind = len(crosses), code["next_depth"], code["kind"]
    volley, serve, long = code["next_family"] == 1, kind == SERVE_KIND, _LONG[kind]
    first, second = zones.depth_edges_m
    near, far = np.array([_NEAREST_M, first, second]), np.array([first, second, _FARTHEST_M])
    a, b = np.where(long[:, None], _WITHIN_LONG[depth], _WITHIN_SHORT[depth]).T
    # A serve is good only behind the short line, and bounces before it is met.
    good = zones.court.short_line_y_m + 0.06
    nearest = np.where(serve, np.maximum(near[depth], good + 0.4), near[depth])
    y = nearest + (far[depth] - nearest) * rng.beta(a, b)

    off_back = ~volley & long & (depth == _BACK) & (rng.random(count) < _OFF_BACK_WALL_SHARE)
    contact = np.select([volley, off_back], [_VOLLEYED, _OFF_BACK_WALL], _AFTER_BOUNCE)
    least, extra = np.where(long[:, None], _CARRY_LONG[depth], _CARRY_SHORT[depth]).T
    bounce_y = np.maximum(y - least - extra * rng.random(count), np.where(serve, good, 0.25))
    inward = np.abs(rng.standard_normal(count)) * np.where(crosses, 0.30, 0.06)
    gap = code["next_gap_m"] * np.exp(0.15 * rng.standard_normal(count)) + inward
    # A serve is good only in the quarter court, clear of the half-court line.
    gap = np.clip(gap, 0.02, zones.court.half_width_m - np.where(serve, 0.10, 0.0))
    return contact, y, np.where(volley, np.nan, gap), np.where(volley, np.nan, bounce_y)


def _endings(rng: np.random.Generator, stroke: Codes, result: Codes) -> Codes:
    """Draw how the rally ends, as a code into the vocabulary; -1 where it goes on."""
    lost = np.array([_TIN, _OUT, _DOWN, _STROKE])[pick(rng, _HOW[stroke, :4])]
    refused = (rng.random(len(stroke)) < _NO_LET_SHARE) & (stroke != _SERVE)
    won = np.where(refused, _NO_LET, _WINNER)
    return np.select([result == WIN, result == ERROR, result == LET], [won, lost, _LET], -1)


def _heights(
    rng: np.random.Generator, code: dict[str, Any], stroke: Codes, ending: Codes, court: Court
) -> Array:
    """Draw the height at which the ball hits the front wall, metres.

    The height is normal (cut off at the floor), and a ball is in the tin exactly when it
    falls below the tin's upper edge: the chance of the tin, a share of the chance of
    losing the rally with this shot, fixes how many standard deviations over it the ball is
    aimed, and the riskier the ball, the nearer the aim and the wider the scatter. A ball that
    was down never reached the wall: its height is missing.
    """
    tin, line = court.tin_height_m, court.front_wall_line_m
    tin_share, over_tin, mean, spread = _HOW[stroke][:, [0, 4, 5, 6]].T
    margin = np.maximum(-ndtri(np.clip(code["error"] * tin_share, 1e-9, 0.5)), _LEAST_MARGIN)
    below = ndtr(-margin)
    uniform = rng.random(len(stroke))
    hit_tin = ending == _TIN
    slow = np.where((code["balance"] == 1) & (stroke == _DRIVE), _SLOW, 1.0)
    scatter = over_tin * slow / (margin + 0.6)
    floor = ndtr((_LOWEST_M - tin) / scatter - margin)
    share = np.where(hit_tin, floor + uniform * (below - floor), below + uniform * (1.0 - below))
    height = tin + scatter * (margin + ndtri(share))
    height = np.where(np.isnan(over_tin), mean + spread * ndtri(uniform), height)
    on_serve = court.service_line_m + court.line_width_m
    lowest = np.where(stroke == _SERVE, on_serve, tin) + 0.01
    height = np.where(hit_tin, np.minimum(height, tin - 0.01), np.maximum(height, lowest))
    height = np.minimum(height, line - 0.02)
    out = line + court.line_width_m + 0.6 * uniform
    return np.select([ending == _OUT, ending == _DOWN], [out, np.nan], height)


def _arriving(outgoing: Array) -> Array:
    """What the shot before sent; the first value is never looked at, as it is a serve's."""
    return np.roll(outgoing, 1)


def _from_wall(gap_m: Array, left: Mask, court: Court) -> Array:
    return np.where(left, gap_m, court.width_m - gap_m)


def _opponent_place(
    rng: np.random.Generator, code: dict[str, Any], x: Array, y: Array, to_left: Mask, court: Court
) -> tuple[Array, Array]:
    """On the way back to the T from the own last strike; waiting for a serve at the back."""
    serve, was_stretched = code["shot"] == 1, _arriving(code["balance"]) == 1
    missing = np.array(_SHORT_OF_T)[np.where(code["opponent_out"] == 1, 2, was_stretched * 1)]
    waits = (_from_wall(np.full(len(x), 1.4), to_left, court), court.service_box_back_y_m + 0.6)
    sizes, spreads = (court.width_m, court.length_m), ((0.15, 0.35), (0.20, 0.50))
    noise, places = rng.standard_normal((2, len(x))), []
    for k, own in enumerate((x, y)):
        back = court.t_m[k] + missing * (_arriving(own) - court.t_m[k])
        place = np.where(serve, waits[k], back) + np.where(serve, *spreads[k]) * noise[k]
        places.append(np.clip(place, 0.2, sizes[k] - 0.2))
    return places[0], places[1]


def _times(rng: np.random.Generator, code: dict[str, Any], contact: Codes, last: Mask) -> Array:
    """Seconds into the match's video of every shot, never running back."""
    count, match = len(last), code["match"]
    purpose = np.where(code["shot"] == 1, len(_SECONDS) - 1, code["choice"])
    met = [contact == _AFTER_BOUNCE, contact == _OFF_BACK_WALL]
    seconds = _SECONDS[purpose, np.select(met, [1 + code["next_depth"], 4], 0)]
    step = seconds * np.exp(_SECONDS_SPREAD * rng.standard_normal(count))
    pause = _BETWEEN_RALLIES_S * np.exp(0.3 * rng.standard_normal(count))
    new_game = np.append((np.diff(code["game"]) != 0) | (np.diff(match) != 0), False)
    step = step + np.where(last, pause, 0.0) + np.where(last & new_game, _BETWEEN_GAMES_S, 0.0)
    begins = np.cumsum(step) - step
    first = np.flatnonzero(np.diff(match, prepend=-1))
    return _WARM_UP_S + begins - np.repeat(begins[first], np.diff(np.append(first, count)))


def _coded(codes: Array, names: Sequence[str]) -> pd.Categorical:
    built: Any = pd.Categorical.from_codes(codes.astype(int), categories=pd.Index(list(names)))
    return built
