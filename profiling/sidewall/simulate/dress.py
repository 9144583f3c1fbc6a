"""From the coded shots of `play_matches` to a shot table, as a charter would have typed it.

Strokes, places, times and balance are drawn from the state, the choice and the ball on its
way, never from the result. What a result does show, it shows as on a court: the ending has
its name, a ball in the tin hit the wall below the tin's edge, and a ball that was out or
down has no good bounce.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.court import Court, Zones
from sidewall.log.vocabulary import ENDINGS, HANDS, VOCABULARY
from sidewall.simulate.clock import draw_times
from sidewall.simulate.endings import draw_endings, draw_heights
from sidewall.simulate.flight import Flight, draw_flight
from sidewall.simulate.physics import Physics, striker_tables
from sidewall.simulate.play import ERROR, GO_ON, WIN
from sidewall.simulate.players import SimPlayer
from sidewall.simulate.strokes import draw_strokes

Array = NDArray[np.float64]
Codes = NDArray[np.int64]

_BACKHAND = 1
_SERVE_PURPOSE = 2
#: Lost shots that have no good bounce.
_NO_BOUNCE = [ENDINGS.index(word) for word in ("tin", "out", "down")]
#: Share of the way back to the T that is still missing at the opponent's strike.
_SHORT_OF_T = 0.25


def dress(
    coded: pd.DataFrame,
    players: Sequence[SimPlayer],
    schedule: Sequence[tuple[int, int]],
    rng: np.random.Generator,
    physics: Physics | None = None,
    match_names: Sequence[str] | None = None,
    court: Court | None = None,
) -> pd.DataFrame:
    """Give every coded shot its stroke, place, time and ending.

    Parameters
    ----------
    coded : DataFrame
        From :func:`~sidewall.simulate.play.play_matches`.
    players : sequence of SimPlayer
    schedule : sequence of (int, int)
        The one the matches were played by.
    rng : numpy.random.Generator
    physics : Physics, optional
    match_names : sequence of str, optional
        By default ``m01``, ``m02`` and so on.
    court : Court, optional
        Gives the tin and the lines; the standard singles court by default.

    Returns
    -------
    DataFrame
        A canonical shot table: the columns, order and types of :func:`sidewall.read_shots`,
        with choices charted and with every optional column of the log but the details of
        the match. Places are whole centimetres, times whole hundredths of a second.
    """
    physics, court = physics or Physics(), court or Court()
    code = {name: coded[name].to_numpy() for name in coded.columns}
    at = _around(code, players, schedule)
    purpose = np.where(at.serve, _SERVE_PURPOSE, code["choice"])
    next_gap = code["next_gap"] * physics.step_m
    flight = draw_flight(
        rng,
        purpose,
        code["next_side"],
        code["next_family"],
        next_gap,
        at.crosses,
        Zones(court),
    )
    met = Flight(*(_arriving(part) for part in vars(flight).values()))
    serve_x, serve_y = _serve_place(rng, at.next_left, court)
    gap = np.where(at.serve, np.nan, np.round(code["gap"] * physics.step_m, 4))
    x = np.where(at.serve, serve_x, _from_wall(gap, at.left, court))
    y = np.where(at.serve, serve_y, met.y_m)
    stroke, direction = draw_strokes(
        rng, code["choice"], met.contact, met.depth, flight.depth, at.crosses
    )
    side = np.where(at.serve, rng.random(len(x)) > physics.serve_forehand, code["side"])
    ending = draw_endings(rng, stroke, code["result"])
    error = _error_chance(code, players, physics)
    height = draw_heights(rng, stroke, ending, error, court)
    opponent_x, opponent_y = _opponent_place(rng, x, y, at.serve, at.next_left, court)
    times = draw_times(
        rng, purpose, flight.contact, flight.depth, at.last, code["game"], code["match"]
    )
    bounced = ~np.isin(ending, _NO_BOUNCE)
    bounce_x = _from_wall(flight.bounce_gap_m, at.next_left, court)
    returned = ~at.serve
    winner = np.select(
        [code["result"] == WIN, code["result"] == ERROR], [code["player"], at.opponent], -1
    )
    names = _Names([player.name for player in players], code["player"])
    matches = match_names or [f"m{k + 1:02d}" for k in range(len(schedule))]
    hands = np.array([HANDS.index(player.hand) for player in players])
    return pd.DataFrame(
        {
            "match": _coded(code["match"], list(matches)),
            "game": code["game"],
            "rally": code["rally"],
            "shot": code["shot"],
            "player": names.categorical(code["player"]),
            "opponent": names.categorical(at.opponent),
            "side": _words("side", side),
            "stroke": _words("stroke", stroke),
            "direction": _words("direction", direction),
            "contact": _words("contact", np.where(returned, met.contact, -1)),
            "gap_m": gap,
            "choice": _words("choice", code["choice"]),
            "choice_source": _coded(np.where(returned, 0, -1), ["charted", "derived"]),
            "balance": _words("balance", np.where(returned, met.balance, -1)),
            "rally_won_by": names.categorical(winner),
            "ending": _words("ending", ending),
            "x_m": np.round(x, 2),
            "bounce_x_m": np.round(np.where(bounced, bounce_x, np.nan), 2),
            "opponent_x_m": np.round(opponent_x, 2),
            "y_m": np.round(y, 2),
            "bounce_y_m": np.round(np.where(bounced, flight.bounce_y_m, np.nan), 2),
            "opponent_y_m": np.round(opponent_y, 2),
            "wall_z_m": np.round(height, 2),
            "t_s": np.round(times, 2),
            "hand": _coded(hands[code["player"]], list(HANDS)),
            "line": np.arange(len(coded), dtype=np.int64) + 2,
        }
    )


class _Around:
    """Who faces whom at each shot, and at which walls; arrays of shape (shots,)."""

    def __init__(
        self,
        serve: NDArray[np.bool_],
        last: NDArray[np.bool_],
        opponent: Codes,
        left: NDArray[np.bool_],
        next_left: NDArray[np.bool_],
    ) -> None:
        self.serve, self.last, self.opponent = serve, last, opponent
        self.left, self.next_left = left, next_left
        # A serve always crosses: into the quarter court of the other side.
        self.crosses = serve | (left != next_left)


def _around(
    code: dict[str, Any], players: Sequence[SimPlayer], schedule: Sequence[tuple[int, int]]
) -> _Around:
    pair = np.asarray(schedule, dtype=np.int64).reshape(-1, 2)
    opponent = pair[code["match"]].sum(axis=1) - code["player"]
    left_handed = np.array([player.hand == "left" for player in players])
    # The left wall is on the backhand side of a right-hander, and the other way round.
    left = (code["side"] == _BACKHAND) != left_handed[code["player"]]
    next_left = (code["next_side"] == _BACKHAND) != left_handed[opponent]
    return _Around(code["shot"] == 1, code["result"] != GO_ON, opponent, left, next_left)


def _arriving(outgoing: NDArray[Any]) -> NDArray[Any]:
    """What the shot before sent; the first value is never looked at, as it is a serve's."""
    return np.roll(outgoing, 1)


def _from_wall(gap_m: Array, left: NDArray[np.bool_], court: Court) -> Array:
    return np.where(left, gap_m, court.width_m - gap_m)


def _serve_place(
    rng: np.random.Generator, to_left: NDArray[np.bool_], court: Court
) -> tuple[Array, Array]:
    """Within the service box opposite to the receiver's quarter court."""
    box = court.service_box_m
    from_wall = box * (0.45 + 0.5 * rng.random(len(to_left)))
    y = court.short_line_y_m + box * (0.05 + 0.7 * rng.random(len(to_left)))
    return _from_wall(from_wall, ~to_left, court), y


def _opponent_place(
    rng: np.random.Generator,
    x: Array,
    y: Array,
    serve: NDArray[np.bool_],
    to_left: NDArray[np.bool_],
    court: Court,
) -> tuple[Array, Array]:
    """On the way back to the T from the own last strike; waiting for a serve at the back."""
    t_x, t_y = court.t_m
    noise = rng.standard_normal((2, len(x)))
    waits_x = _from_wall(np.full(len(x), 1.4), to_left, court)
    waits_y = court.service_box_back_y_m + 0.6
    back_x = t_x + _SHORT_OF_T * (_arriving(x) - t_x)
    back_y = t_y + _SHORT_OF_T * (_arriving(y) - t_y)
    opponent_x = np.where(serve, waits_x + 0.15 * noise[0], back_x + 0.35 * noise[0])
    opponent_y = np.where(serve, waits_y + 0.20 * noise[1], back_y + 0.50 * noise[1])
    margin = 0.2
    return (
        np.clip(opponent_x, margin, court.width_m - margin),
        np.clip(opponent_y, margin, court.length_m - margin),
    )


def _error_chance(code: dict[str, Any], players: Sequence[SimPlayer], physics: Physics) -> Array:
    """Chance of losing the rally with the shot; it does not hang on the opponent."""
    tables = np.stack([striker_tables(physics, player, player).error for player in players])
    serve = code["shot"] == 1
    at = (np.where(serve, 0, code[name]) for name in ("choice", "side", "family", "gap"))
    return np.where(serve, physics.serve_error, tables[code["player"], *at])


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
