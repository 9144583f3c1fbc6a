"""The feature table: one row a shot, with what happened just before and just after.

Where a shot was struck, where it bounced and where the opponent was stand there in coarse words.
What was measured goes before the word that was charted; words alone do where nothing was.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from sidewall.arguments import Array, Bools, Floats, Ints, Table, as_frame, check_kind
from sidewall.court.court import Court
from sidewall.court.zones import (
    BOUNCES,
    DEPTHS,
    LANES,
    OPPONENT_PLACES,
    WALLS,
    Zones,
    gap_from_x,
    wall_of,
)
from sidewall.features.coded import as_category, codes_of, need_columns
from sidewall.features.rallies import RallyRuns, player_names, rally_runs
from sidewall.log.rows import SCORES
from sidewall.log.score import first_given, hand_in_hand_out, scores_before
from sidewall.log.vocabulary import (
    CHOICES,
    CONTACTS,
    DIRECTIONS,
    FAMILIES,
    FAMILY_OF_CONTACT,
    SIDES,
    STROKES,
    VOCABULARY,
)

if TYPE_CHECKING:
    from sidewall.court.court import Court
    from sidewall.court.zones import Zones


def zones_of_court(court: Court | Zones | None) -> Zones:
    """Zones with the default boundaries for a court, or the very zones that were given."""
    if isinstance(court, Zones):
        return court
    check_kind(court, "Court", "court", "one, such as sw.Court(), or its Zones", or_none=True)
    return Zones() if court is None else Zones(court)


def place_columns(
    shots: pd.DataFrame, court: Court | Zones | None = None
) -> dict[str, pd.Categorical]:
    """Place of every contact, opponent and bounce, as far as the log tells them.

    ``depth``, ``lane``, ``wall``, ``opponent_place`` and ``bounce`` as categoricals, (shots,); what
    they mean is told by :class:`~sidewall.court.zones.Zones`. They come from ``x_m`` and ``y_m``,
    ``opponent_x_m``, ``opponent_y_m`` and ``bounce_y_m``, else from the charted words. Without
    ``x_m`` and ``lane`` a right-hander's forehand is taken to be on the right wall, and so on, and
    the gap is measured from that wall. Near the middle of the court that may be the wrong wall,
    but then the lane is the centre either way. Serves get no wall from their side: the box says
    where a server stands, not the hand.
    """
    zones = zones_of_court(court)
    x, y = _metres(shots, "x_m"), _metres(shots, "y_m")
    _, from_x = gap_from_x(x, zones.court)
    wall = from_x.codes.astype(np.int64)
    if "hand" in shots.columns:
        faced = wall_of(shots["side"], shots["hand"]).codes.astype(np.int64)
        faced[(shots["stroke"] == "serve").to_numpy()] = -1
        wall = np.where(np.isnan(x), faced, wall)
    said = _said(shots, "lane", LANES)
    wall = np.select([np.isnan(x) & (said == 0), np.isnan(x) & (said == 2)], [0, 1], wall)
    gap = shots["gap_m"].to_numpy(dtype=np.float64)
    gap = np.where(gap <= zones.court.half_width_m, gap, np.nan)
    from_gap = np.select([wall == 0, wall == 1], [gap, zones.court.width_m - gap], np.nan)
    across = np.where(np.isnan(x), from_gap, x)
    depth, lane = zones.zone_of(_or_zero(across), _or_zero(y))
    depth_codes = np.where(np.isnan(y), _said(shots, "depth", DEPTHS), depth.codes)
    lane_codes = np.where(np.isnan(across), said, lane.codes)
    opponent = zones.opponent_place(
        _metres(shots, "opponent_x_m") - x, _metres(shots, "opponent_y_m") - y
    )
    bounce = zones.bounce_of(_metres(shots, "bounce_y_m"))
    return {
        "depth": as_category(depth_codes.astype(np.int64), DEPTHS),
        "lane": as_category(lane_codes.astype(np.int64), LANES),
        "wall": as_category(wall, WALLS),
        "opponent_place": _else_said(opponent, shots, "opponent_place", OPPONENT_PLACES),
        "bounce": _else_said(bounce, shots, "bounce", BOUNCES),
    }


def _said(shots: pd.DataFrame, column: str, words: tuple[str, ...]) -> Ints:
    if column not in shots.columns:
        return np.full(len(shots), -1)
    return codes_of(shots[column], words)


def _else_said(
    told: pd.Categorical, shots: pd.DataFrame, column: str, words: tuple[str, ...]
) -> pd.Categorical:
    codes = told.codes.astype(np.int64)
    return as_category(np.where(codes < 0, _said(shots, column, words), codes), words)


def _metres(shots: pd.DataFrame, column: str) -> Floats:
    if column not in shots.columns:
        return np.full(len(shots), np.nan)
    return shots[column].to_numpy(dtype=np.float64)


def _or_zero(values: Floats) -> Floats:
    return np.where(np.isnan(values), 0.0, values)


def joint_code(*codes: Ints) -> Ints:
    """One integer for each combination of codes; -1 (missing) is a value of its own."""
    joint = np.zeros(len(codes[0]), dtype=np.int64)
    for part in codes:
        joint = joint * (int(part.max(initial=-1)) + 2) + part + 1
    return joint


def same_reply_runs(situation: Ints, reply: Ints) -> tuple[Ints, Floats]:
    """Length of the run of equal replies that ends just before each shot, shots in order of play.

    The run is 0 the first time that a `situation` (whose turn it is, and what they face) comes up;
    else how many of the latest replies to it, counted back from the one before, were all the
    same. Beside it 1.0 if this reply equals the one before, 0.0 if not, NaN the first time.
    """
    n = len(situation)
    order = np.argsort(situation, kind="stable")
    where, what = situation[order], reply[order]
    follows = np.zeros(n, dtype=bool)
    follows[1:] = where[1:] == where[:-1]
    same = follows.copy()
    same[1:] &= what[1:] == what[:-1]
    place = np.arange(n)
    began = np.maximum.accumulate(np.where(same, 0, place)) if n else place
    with_this = place - began + 1
    run = np.zeros(n, dtype=np.int64)
    run[order[1:]] = np.where(follows[1:], with_this[:-1], 0)
    repeats = np.full(n, np.nan)
    repeats[order] = np.where(follows, same, np.nan)
    return run, repeats


_NEEDED: Final = ("side", "stroke", "gap_m")
#: Words of every column, in the order of all tables.
_WORDS: Final = {
    **VOCABULARY,
    **{"family": FAMILIES, "depth": DEPTHS, "lane": LANES, "wall": WALLS, "bounce": BOUNCES},
    "opponent_place": OPPONENT_PLACES,
}


def shot_features(shots: Table, court: Court | Zones | None = None) -> pd.DataFrame:
    """Add to each shot what the models and pictures need to know about it.

    Parameters
    ----------
    shots
        A canonical shot table, whole rallies in order. Choose rows after this, not before.
    court
        A court, or zones with boundaries of one's own; the standard singles court if None.

    Returns
    -------
    DataFrame
        The same rows and index, the given columns, and:

        - ``rally_id`` (int64, from 0), ``rally_length`` (shots in the rally), ``shots_left``
          (after this one);
        - ``won``: 1.0 the hitter won the rally, 0.0 lost it, NaN a let;
        - ``family``: ground or volley, from ``contact``; ground throughout if the log has no
          such column; missing for serves and where the contact was left blank;
        - ``reply_gap_m``: gap of the opponent's next ball, that is, what this shot left him;
        - ``own_previous_stroke``, ``own_previous_choice``, ``own_previous_gap_left_m``: the
          hitter's shot before, in this rally, and the gap it left;
        - ``incoming_stroke``: the stroke the hitter is answering;
        - ``tempo_s``: seconds since the opponent struck the ball;
        - ``depth``, ``lane``, ``wall``: zone and nearest side wall of the contact;
          ``opponent_place``: the opponent in_front of the striker, behind, or out_of_the_way;
          ``bounce``: first bounce short of the service boxes, level with them (service_box) or
          behind them (behind_box). All from what was measured, else from the charted words,
          with the bounds of :class:`~sidewall.court.zones.Zones`;
        - ``opponent_distance_m``: from where the opponent stands at this contact to where he
          strikes next, in a straight line;
        - ``same_reply_run``: how many of the hitter's latest replies in this situation (same
          match, side, family and incoming stroke), counted back from the one before this, were
          one and the same (stroke, direction); ``repeats_reply``: 1.0 if this one is the same
          again, 0.0 if it varies, NaN if the situation is new. Both NaN for serves;
        - ``is_server``; ``own_points``, ``opponent_points``, ``own_games``,
          ``opponent_games``: the score before the rally, as the table gives it, else counted;
          NaN where it is not known.

    Raises
    ------
    DataError
        If a needed column is missing, a rally is not whole or the table is out of order.

    See Also
    --------
    rally_table
    zone_features
    read_shots

    Notes
    -----
    Every feature is a shift, a count or a sum on sorted arrays, with no loop over rows.
    `read_shots` gives the score with the rallies that it refused. In a table without it, a hole
    in the numbers of the rallies leaves the score unknown from there to the end of the game.

    Examples
    --------
    >>> table = sw.shot_features(shots)
    >>> table[["player", "stroke", "won", "reply_gap_m", "rally_length"]].head(2)
      player stroke  won  reply_gap_m  rally_length
    0  Cedar  serve  0.0         0.99            10
    1  Rowan   kill  1.0         0.42            10
    """
    shots = as_frame(shots)
    need_columns(shots, _NEEDED)
    runs = rally_runs(shots)
    n = len(shots)
    names = player_names(shots)
    player = codes_of(shots["player"], names)
    stroke = codes_of(shots["stroke"], STROKES)
    side = codes_of(shots["side"], SIDES)
    serve = stroke == STROKES.index("serve")
    family = _family_codes(shots, serve)
    gap = shots["gap_m"].to_numpy(dtype=np.float64)
    position = np.arange(n) - runs.first[runs.of_shot] if n else np.empty(0, dtype=np.int64)
    length = runs.length[runs.of_shot]
    winner = codes_of(shots["rally_won_by"], names)[runs.last]
    incoming = _before(stroke, 1, position, -1)

    new: dict[str, Any] = {
        "rally_id": runs.of_shot,
        "rally_length": length,
        "shots_left": length - 1 - position,
        "won": _won(player, winner[runs.of_shot]),
        "family": as_category(family, FAMILIES),
        "reply_gap_m": _after(gap, position, length),
        "own_previous_stroke": as_category(_before(stroke, 2, position, -1), STROKES),
        "own_previous_choice": as_category(
            _before(_optional_codes(shots, "choice", CHOICES), 2, position, -1), CHOICES
        ),
        "own_previous_gap_left_m": np.where(
            position >= 2, _before(gap, 1, position, np.nan), np.nan
        ),
        "incoming_stroke": as_category(incoming, STROKES),
        "tempo_s": _tempo(shots, position),
    }
    new |= place_columns(shots, court)
    new["opponent_distance_m"] = _opponent_distance(shots, position, length)
    situation = joint_code(pd.factorize(shots["match"])[0], player, side, family, incoming)
    reply = joint_code(stroke, _optional_codes(shots, "direction", DIRECTIONS))
    run, repeats = same_reply_runs(situation, reply)
    new["same_reply_run"] = np.where(serve, np.nan, run)
    new["repeats_reply"] = np.where(serve, np.nan, repeats)
    new |= _score_columns(shots, runs, player, winner)

    kept = shots.drop(columns=[name for name in new if name in shots.columns])
    return pd.concat([kept, pd.DataFrame(new, index=shots.index)], axis=1)


def with_features(table: pd.DataFrame, court: Court | Zones | None = None) -> pd.DataFrame:
    """Return the table itself if it already carries features, else `shot_features` of it.

    A table of features may hold any choice of rows (`need_whole_rallies` says whether the next
    row is the next ball); a shot table must hold whole rallies.
    Zones are told anew where a court is given, so that they are the court's own.
    """
    done = {"rally_id", "won", "family", "depth", "lane", "wall"} <= set(table.columns)
    if not done:
        return shot_features(table, court)
    table = table if court is None else table.assign(**place_columns(table, court))
    return words_in_order(table)


def words_in_order(table: pd.DataFrame) -> pd.DataFrame:
    """Put the words of a column in their order; another library may keep them in its own."""
    new = {}
    for name in set(_WORDS) & set(table.columns):
        if isinstance(table[name].dtype, pd.CategoricalDtype):
            met = table[name].cat.categories
            known = [word for word in _WORDS[name] if word in met]
            if known != list(met) and len(known) == len(met):
                new[name] = table[name].cat.reorder_categories(known)
    return table.assign(**new) if new else table


def _family_codes(shots: pd.DataFrame, serve: Bools) -> Ints:
    if "contact" not in shots.columns:
        return np.where(serve, -1, FAMILIES.index("ground"))
    lookup = [FAMILIES.index(FAMILY_OF_CONTACT[contact]) for contact in CONTACTS]
    families = np.array([*lookup, -1], dtype=np.int64)[codes_of(shots["contact"], CONTACTS)]
    return np.where(serve, -1, families)


def _optional_codes(shots: pd.DataFrame, column: str, categories: tuple[str, ...]) -> Ints:
    if column not in shots.columns:
        return np.full(len(shots), -1, dtype=np.int64)
    return codes_of(shots[column], categories)


def _before(values: Array, back: int, position: Ints, none: Any) -> Any:
    """Take the value ``back`` shots ago in the same rally; ``none`` where no such shot was."""
    shifted = np.full_like(values, none)
    shifted[back:] = values[:-back]
    return np.where(position >= back, shifted, none)


def _after(values: Floats, position: Ints, length: Ints) -> Floats:
    """Take the value at the next shot of the same rally; NaN at the last shot."""
    shifted = np.full_like(values, np.nan)
    shifted[:-1] = values[1:]
    return np.where(position < length - 1, shifted, np.nan)


def _won(player: Ints, winner: Ints) -> Floats:
    return np.where(winner < 0, np.nan, (player == winner).astype(np.float64))


def _tempo(shots: pd.DataFrame, position: Ints) -> Floats:
    if "t_s" not in shots.columns:
        return np.full(len(shots), np.nan)
    t = shots["t_s"].to_numpy(dtype=np.float64)
    return t - _before(t, 1, position, np.nan)


def _opponent_distance(shots: pd.DataFrame, position: Ints, length: Ints) -> Floats:
    columns = ("x_m", "y_m", "opponent_x_m", "opponent_y_m")
    if any(name not in shots.columns for name in columns):
        return np.full(len(shots), np.nan)
    x, y, from_x, from_y = (shots[name].to_numpy(dtype=np.float64) for name in columns)
    return np.hypot(_after(x, position, length) - from_x, _after(y, position, length) - from_y)


def _score_columns(
    shots: pd.DataFrame,
    runs: RallyRuns,
    player: Ints,
    winner: Ints,
) -> dict[str, Array]:
    first = runs.first
    server = player[first]
    match = pd.factorize(shots["match"])[0].astype(np.int64)[first]
    game, rally = (shots[name].to_numpy(dtype=np.int64)[first] for name in ("game", "rally"))
    if "scoring" in shots.columns:
        hiho = hand_in_hand_out(shots["scoring"].iloc[first])
    else:
        hiho = np.zeros(len(first), dtype=bool)
    # One is who serves the first rally of the match.
    one = server[np.flatnonzero(np.diff(match, prepend=-1))][match]
    is_one = player == one[runs.of_shot]
    given = {name: shots[name].to_numpy(dtype=np.float64) for name in SCORES if name in shots}
    said = first_given(given, is_one, runs.of_shot, len(first))
    before = scores_before(match, game, rally, one, server, winner, hiho, said)
    full = np.column_stack([before.points, before.games])[runs.of_shot]
    new: dict[str, Array] = {"is_server": player == server[runs.of_shot]}
    for place, name in enumerate(SCORES):
        new[name] = np.where(is_one, full[:, place], full[:, place ^ 1])
    return new
