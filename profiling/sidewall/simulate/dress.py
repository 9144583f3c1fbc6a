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
from numpy.typing import NDArray

from sidewall.court import Court, Zones
from sidewall.errors import DataError
from sidewall.log.vocabulary import BALANCES, CONTACTS, ENDINGS, HANDS, STROKES, VOCABULARY
from sidewall.simulate.endings import draw_endings, draw_heights
from sidewall.simulate.play import ERROR, GO_ON, WIN, check_schedule, play_matches
from sidewall.simulate.players import PLAYED, SimPlayer
from sidewall.simulate.world import KINDS, SERVE_KIND, World

Array = NDArray[np.float64]
Codes = NDArray[np.int64]
Mask = NDArray[np.bool_]

_BACK: Final = 2
_SCORE: Final = ("own_points", "opponent_points", "own_games", "opponent_games")
_LOB, _BOAST, _BACK_WALL_BOAST = (STROKES.index(s) for s in ("lob", "boast", "back_wall_boast"))
_JAMMED: Final = BALANCES.index("jammed")
_VOLLEYED, _AFTER_BOUNCE, _OFF_BACK_WALL = (
    CONTACTS.index(word) for word in ("volley", "after_bounce", "off_back_wall")
)
#: Lost shots that have no good bounce.
_NO_BOUNCE: Final = [ENDINGS.index(word) for word in ("tin", "out", "down")]

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
#: Of lobs off the back wall, those that go over the back wall's boards first.
_BACK_WALL_BOAST_SHARE: Final = 0.4
#: Of balls that are met set, those that jam the player: near the body, or through the middle.
_JAMMED_SHARE: Final = (0.01, 0.12)

#: Mean seconds to the opponent's strike by purpose (attack, reset, serve) and by how the
#: opponent meets the ball: volley, after the bounce in front, middle, back, off the back
#: wall. Fitted to the published tempo of about 1.34 s (men) and 1.39 s (women) a shot.
_SECONDS: Final = np.array(
    (
        (0.96, 1.18, 1.14, 1.28, 1.68),
        (1.08, 1.36, 1.30, 1.42, 1.76),
        (1.25, 1.40, 1.54, 1.64, 1.94),
    )
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
        One for each match; by default ``m01``, ``m02`` and so on.
    court : Court, optional

    Returns
    -------
    DataFrame
        A canonical shot table, one row a shot; see :func:`dress`.

    Raises
    ------
    DataError
        If a match names a player that there is not, or one player twice, if two players
        share a name, or if there are not as many names as matches.

    Examples
    --------
    >>> players = draw_players(["Rowan", "Hazel"], np.random.default_rng(1))
    >>> shots = simulate_shots(players, [(0, 1)], rng=2)
    """
    check_schedule(players, schedule)
    if match_names is not None and len(set(match_names)) != len(schedule):
        raise DataError(
            f"match_names: {len(set(match_names))} different names for {len(schedule)} matches; "
            "give each match its own."
        )
    generator = np.random.default_rng(rng)
    world = world or World()
    coded = play_matches(players, schedule, generator, world, games_to_win)
    return dress(coded, players, schedule, generator, world, match_names, court)


def dress(
    coded: pd.DataFrame,
    players: Sequence[SimPlayer],
    schedule: Sequence[tuple[int, int]],
    rng: np.random.Generator,
    world: World,
    match_names: Sequence[str] | None = None,
    court: Court | None = None,
) -> pd.DataFrame:
    """Give every coded shot its places, time and ending.

    Parameters
    ----------
    coded : DataFrame
        From :func:`~sidewall.simulate.play.play_matches`.
    players : sequence of SimPlayer
    schedule : sequence of (int, int)
        The one the matches were played by.
    rng : numpy.random.Generator
    world : World
    match_names : sequence of str, optional
        By default ``m01``, ``m02`` and so on.
    court : Court, optional
        Gives the tin and the lines; the standard singles court by default.

    Returns
    -------
    DataFrame
        A canonical shot table: the columns, order and types of :func:`sidewall.read_shots`,
        with choices charted and with every optional column of the log but the details of
        the match; without the balance and the opponent's place in a world that does not
        chart them. Gaps and places are whole centimetres, times hundredths of a second.
    """
    court = court or Court()
    code = {name: coded[name].to_numpy() for name in coded.columns}
    serve, last, count = code["shot"] == 1, code["result"] != GO_ON, len(coded)
    pair = np.asarray(schedule, dtype=np.int64).reshape(-1, 2)
    opponent = pair[code["match"]].sum(axis=1) - code["player"]
    left_handed = np.array([player.hand == "left" for player in players])
    # The left wall is on the backhand side of a right-hander, and the other way round.
    to_left = (code["next_side"] == 1) != left_handed[opponent]
    at_left = np.where(serve, ~to_left, (code["side"] == 1) != left_handed[code["player"]])
    crosses = at_left != to_left

    flight = _Flight(rng, code, crosses, Zones(court))
    stroke = np.where(serve, 0, np.array([STROKES.index(s) for s in PLAYED])[code["stroke"]])
    contact = _arriving(flight.contact)
    contact = np.where((stroke == _BOAST) & (contact == _OFF_BACK_WALL), _AFTER_BOUNCE, contact)
    over_boards = rng.random(count) < _BACK_WALL_BOAST_SHARE
    over_boards &= (stroke == _LOB) & (contact == _OFF_BACK_WALL) & crosses
    stroke = np.where(over_boards, _BACK_WALL_BOAST, stroke)
    straight = np.isin(stroke, (_BOAST, _BACK_WALL_BOAST)) | serve
    gap = np.where(serve, np.nan, _charted(rng, code["gap_m"], world, court))
    jams = rng.random(count) < np.where(code["gap_m"] > 1.0, *_JAMMED_SHARE[::-1])
    balance = np.where((code["balance"] == 0) & jams, _JAMMED, code["balance"])

    serve_x, serve_y = _serve_place(rng, at_left, court)
    x = np.where(serve, serve_x, _from_wall(gap, at_left, court))
    y = np.where(serve, serve_y, _arriving(flight.y_m))
    side = np.where(serve, rng.random(count) > world.serve_forehand, code["side"])
    ending = draw_endings(rng, stroke, code["result"])
    height = draw_heights(rng, stroke, ending, code["error"], court)
    opponent_x, opponent_y = _opponent_place(rng, code, x, y, to_left, court)
    bounced = ~np.isin(ending, _NO_BOUNCE)
    bounce_x = _from_wall(flight.bounce_gap_m, to_left, court)
    winner = np.select(
        [code["result"] == WIN, code["result"] == ERROR], [code["player"], opponent], -1
    )
    names = _Names([player.name for player in players], code["player"])
    matches = match_names or [f"m{k + 1:02d}" for k in range(len(schedule))]
    hands = np.array([HANDS.index(player.hand) for player in players])
    table = pd.DataFrame(
        {
            "match": _coded(code["match"], list(matches)),
            "game": code["game"],
            "rally": code["rally"],
            "shot": code["shot"],
            "player": names.categorical(code["player"]),
            "opponent": names.categorical(opponent),
            "side": _words("side", side),
            "stroke": _words("stroke", stroke),
            "direction": _words("direction", np.where(straight, -1, crosses)),
            "contact": _words("contact", np.where(serve, -1, contact)),
            "gap_m": gap,
            "choice": _words("choice", code["choice"]),
            "choice_source": _coded(np.where(serve, -1, 0), ["charted", "derived"]),
            "balance": _words("balance", np.where(serve, -1, balance)),
            "rally_won_by": names.categorical(winner),
            "ending": _words("ending", ending),
            "x_m": np.round(x, 2),
            "bounce_x_m": np.round(np.where(bounced, bounce_x, np.nan), 2),
            "opponent_x_m": np.round(opponent_x, 2),
            "y_m": np.round(y, 2),
            "bounce_y_m": np.round(np.where(bounced, flight.bounce_y_m, np.nan), 2),
            "opponent_y_m": np.round(opponent_y, 2),
            "wall_z_m": np.round(height, 2),
            "t_s": np.round(_times(rng, code, flight, last), 2),
            **{name: code[name].astype(float) for name in _SCORE},
            "hand": _coded(hands[code["player"]], list(HANDS)),
            "line": np.arange(count, dtype=np.int64) + 2,
        }
    )
    hidden = [] if world.chart_balance else ["balance", "opponent_x_m", "opponent_y_m"]
    return table.drop(columns=hidden)


class _Flight:
    """How the opponent meets each ball, also one that nobody reached; arrays of shape (shots,).

    The bounce is missing for a ball that is met in the air.
    """

    def __init__(
        self, rng: np.random.Generator, code: dict[str, Any], crosses: Mask, zones: Zones
    ) -> None:
        count, depth, kind = len(crosses), code["next_depth"], code["kind"]
        volley, serve, long = code["next_family"] == 1, kind == SERVE_KIND, _LONG[kind]
        first, second = zones.depth_edges_m
        near, far = np.array([_NEAREST_M, first, second]), np.array([first, second, _FARTHEST_M])
        a, b = np.where(long[:, None], _WITHIN_LONG[depth], _WITHIN_SHORT[depth]).T
        # A serve is good only behind the short line, and bounces before it is met.
        good = zones.court.short_line_y_m + 0.06
        nearest = np.where(serve, np.maximum(near[depth], good + 0.4), near[depth])
        self.y_m = nearest + (far[depth] - nearest) * rng.beta(a, b)

        off_back = ~volley & long & (depth == _BACK) & (rng.random(count) < _OFF_BACK_WALL_SHARE)
        self.contact = np.select([volley, off_back], [_VOLLEYED, _OFF_BACK_WALL], _AFTER_BOUNCE)

        least, extra = np.where(long[:, None], _CARRY_LONG[depth], _CARRY_SHORT[depth]).T
        bounce_y = self.y_m - least - extra * rng.random(count)
        shortest = np.where(serve, good, 0.25)
        self.bounce_y_m = np.where(volley, np.nan, np.maximum(bounce_y, shortest))

        inward = np.abs(rng.standard_normal(count)) * np.where(crosses, 0.30, 0.06)
        gap = code["next_gap_m"] * np.exp(0.15 * rng.standard_normal(count)) + inward
        # A serve is good only in the quarter court, clear of the half-court line.
        widest = zones.court.half_width_m - np.where(serve, 0.10, 0.0)
        self.bounce_gap_m = np.where(volley, np.nan, np.clip(gap, 0.02, widest))


def _arriving(outgoing: NDArray[Any]) -> NDArray[Any]:
    """What the shot before sent; the first value is never looked at, as it is a serve's."""
    return np.roll(outgoing, 1)


def _from_wall(gap_m: Array, left: Mask, court: Court) -> Array:
    return np.where(left, gap_m, court.width_m - gap_m)


def _charted(rng: np.random.Generator, gap_m: Array, world: World, court: Court) -> Array:
    """Gaps as they are charted; an error beyond a wall or the middle is turned back."""
    if world.charting_error_m == 0:
        return gap_m
    read = np.abs(gap_m + world.charting_error_m * rng.standard_normal(len(gap_m)))
    read = np.where(read > court.half_width_m, 2 * court.half_width_m - read, read)
    return np.asarray(np.round(read, 2), dtype=np.float64)


def _serve_place(rng: np.random.Generator, at_left: Mask, court: Court) -> tuple[Array, Array]:
    """Within the service box on that side."""
    box = court.service_box_m
    from_wall = box * (0.45 + 0.5 * rng.random(len(at_left)))
    y = court.short_line_y_m + box * (0.05 + 0.7 * rng.random(len(at_left)))
    return _from_wall(from_wall, at_left, court), y


def _opponent_place(
    rng: np.random.Generator, code: dict[str, Any], x: Array, y: Array, to_left: Mask, court: Court
) -> tuple[Array, Array]:
    """On the way back to the T from the own last strike; waiting for a serve at the back."""
    t_x, t_y = court.t_m
    serve = code["shot"] == 1
    noise = rng.standard_normal((2, len(x)))
    waits_x = _from_wall(np.full(len(x), 1.4), to_left, court)
    waits_y = court.service_box_back_y_m + 0.6
    was_stretched = _arriving(code["balance"]) == 1
    missing = np.array(_SHORT_OF_T)[np.where(code["opponent_out"] == 1, 2, was_stretched * 1)]
    back_x = t_x + missing * (_arriving(x) - t_x)
    back_y = t_y + missing * (_arriving(y) - t_y)
    opponent_x = np.where(serve, waits_x + 0.15 * noise[0], back_x + 0.35 * noise[0])
    opponent_y = np.where(serve, waits_y + 0.20 * noise[1], back_y + 0.50 * noise[1])
    margin = 0.2
    return (
        np.clip(opponent_x, margin, court.width_m - margin),
        np.clip(opponent_y, margin, court.length_m - margin),
    )


def _times(rng: np.random.Generator, code: dict[str, Any], flight: _Flight, last: Mask) -> Array:
    """Seconds into the match's video of every shot, never running back."""
    count, match = len(last), code["match"]
    purpose = np.where(code["shot"] == 1, len(_SECONDS) - 1, code["choice"])
    met = np.select(
        [flight.contact == _AFTER_BOUNCE, flight.contact == _OFF_BACK_WALL],
        [1 + code["next_depth"], 4],
        0,
    )
    step = _SECONDS[purpose, met] * np.exp(_SECONDS_SPREAD * rng.standard_normal(count))
    pause = _BETWEEN_RALLIES_S * np.exp(0.3 * rng.standard_normal(count))
    new_game = np.append((np.diff(code["game"]) != 0) | (np.diff(match) != 0), False)
    step = step + np.where(last, pause, 0.0) + np.where(last & new_game, _BETWEEN_GAMES_S, 0.0)
    begins = np.cumsum(step) - step
    first = np.flatnonzero(np.diff(match, prepend=-1))
    return _WARM_UP_S + begins - np.repeat(begins[first], np.diff(np.append(first, count)))


class _Names:
    """Names in the order in which they first strike."""

    def __init__(self, names: list[str], codes: Codes) -> None:
        used, first = np.unique(codes, return_index=True)
        used = used[np.argsort(first)]
        self.names = [names[k] for k in used]
        self.place = np.full(len(names) + 1, -1)  # the last place is for nobody, -1
        self.place[used] = np.arange(len(used))

    def categorical(self, codes: Codes) -> pd.Categorical:
        return _coded(self.place[codes], self.names)


def _words(name: str, codes: NDArray[Any]) -> pd.Categorical:
    return _coded(codes.astype(np.int64), list(VOCABULARY[name]))


def _coded(codes: NDArray[Any], names: list[str]) -> pd.Categorical:
    built: Any = pd.Categorical.from_codes(codes, categories=pd.Index(names))
    return built
