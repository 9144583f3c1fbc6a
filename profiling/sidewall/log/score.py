"""The score before each rally: as the log gives it, else counted from who won the rallies.

Where a rally is missing, or nobody knows who won it, the score is not known from there on,
until the log gives it again or a new game begins.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.arguments import Bools, Floats, Ints
from sidewall.errors import DataError
from sidewall.log.rallies import FIXED_WINNER, LET, RallyChecks
from sidewall.log.rows import SCORES, SERVE

_POINT_A_RALLY: Final = ("par", "pointarally", "pointperrally")
_HAND_IN: Final = ("hiho", "handin", "handout")
#: In place of a winner: a let, and a rally of which it is not known.
NOBODY: Final = -1
NOT_KNOWN: Final = -2


@dataclass(frozen=True)
class Scores:
    """The score before each rally, of one and of the other, (rallies, 2), missing where not known.

    `contradicted`, (rallies, 4), says whether a given number differs from that which the rally
    before makes: points of one and of the other, games of one and of the other.
    """

    points: Floats
    games: Floats
    contradicted: Bools


def hand_in_hand_out(scoring: pd.Series) -> Bools:
    """Whether only the server can score, rally by rally, from the log's scoring word.

    ``par`` (point-a-rally; also where it is missing) or ``hiho`` (hand-in-hand-out), with the
    points of a game after it if one likes (``par11``, ``hiho 9``); the full words are known too.
    Any other is a DataError.
    """
    codes, found = pd.factorize(scoring)
    words = [re.sub(r"[\W\d_]+", "", str(word).lower()) for word in found]
    for word, as_found in zip(words, found, strict=True):
        if not word.startswith((*_POINT_A_RALLY, *_HAND_IN)):
            raise DataError(
                f"Column scoring holds {as_found!r}. Write par for point-a-rally or hiho for "
                "hand-in-hand-out."
            )
    lookup = np.array([word.startswith(_HAND_IN) for word in words] + [False], dtype=bool)
    return lookup[codes]


def scores_before(
    match: Ints,
    game: Ints,
    rally: Ints,
    one: Ints,
    server: Ints,
    winner: Ints,
    hiho: Bools,
    given: Floats | None = None,
) -> Scores:
    """Points and games of both players up to, but not including, each rally, in order of play.

    A hole in the numbers is a rally that is missing. `one` is the player called one, the same for
    all rallies of a match; the winner may be `NOBODY` or `NOT_KNOWN`, the server below 0 if not
    known; `hiho` is where only the server scores. What is `given` before a rally, (rallies, 4),
    points and games of one and of the other, goes before what is counted.

    A let scores for nobody. A game that is over counts for whoever has more points in it if
    all its rallies are known, or leads by more than there are rallies of which the winner is
    not known; otherwise nobody knows who won it. If a full log leaves the players level, it
    goes to the winner of its last rally.
    """
    n = len(match)
    given = np.full((n, 4), np.nan) if given is None else given
    if n == 0:
        return Scores(np.empty((0, 2)), np.empty((0, 2)), np.empty((0, 4), dtype=bool))
    new_match = np.diff(match, prepend=match[0] - 1) != 0
    new_game = new_match | (np.diff(game, prepend=game[0]) != 0)
    step = np.diff(rally, prepend=0)
    # Numbers begin again in a new game, or run on from the one before.
    begins = new_game & ((rally == 1) | (~new_match & (step == 1)))
    absent = np.where(new_game, rally - 1.0, step - 1.0)
    absent[begins] = 0.0

    known = (winner != NOT_KNOWN) & ~(hiho & (server < 0) & (winner >= 0))
    scores = (winner >= 0) & (~hiho | (winner == server))
    won = np.column_stack([scores & (winner == one), scores & (winner != one)]).astype(float)
    won[~known] = np.nan
    start = np.where(begins, 0.0, np.nan)
    points, off = _running(won, new_game | (absent > 0), start, given[:, :2])

    first = np.flatnonzero(new_game)
    last = np.append(first[1:], n) - 1
    # What is missing between two games whose numbers run on may belong to either.
    between = np.where(new_game & ~new_match & (step > 1), step - 1, 0)
    after = np.append(between[first[1:]], 0)
    unknown = np.add.reduceat(absent + ~known, first) + after
    taken = _games_won(points, won, winner, one, unknown, after, first, last)
    number = game[first]
    new = new_match[first]
    hole = np.where(new, number != 1, np.diff(number, prepend=0) != 1)
    of_game = np.cumsum(new_game) - 1
    said = np.column_stack([_first_in(given[:, k], of_game, len(first)) for k in (2, 3)])
    start = np.where(new & ~hole, 0.0, np.nan)
    games, games_off = _running(taken, new | hole, start, said)
    contradicted = np.column_stack([off, games_off[of_game] & ~np.isnan(given[:, 2:])])
    return Scores(points, games[of_game], contradicted)


def _running(events: Floats, anchored: Bools, start: Floats, given: Floats) -> tuple[Floats, Bools]:
    """Sums of events (n, 2) before each row, and where they differ from a number that is given.

    A sum begins anew with the number of `start` where it is `anchored`, and goes on from a given
    number.
    """
    sums, off = np.empty(events.shape), np.empty(events.shape, dtype=bool)
    for k in range(events.shape[1]):
        said = ~np.isnan(given[:, k])
        anchor = anchored | said
        value = np.where(said, given[:, k], start)
        blank = np.isnan(events[:, k])
        event = np.where(blank, 0.0, events[:, k])
        before, unknown = np.cumsum(event) - event, np.cumsum(blank) - blank
        at = np.flatnonzero(anchor)[np.cumsum(anchor) - 1]
        sums[:, k] = np.where(unknown == unknown[at], value[at] + before - before[at], np.nan)
        due = np.append(np.nan, (sums[:, k] + events[:, k])[:-1])
        due[anchored] = np.nan
        off[:, k] = said & ~np.isnan(due) & (due != given[:, k])
    return sums, off


def _games_won(
    points: Floats,
    won: Floats,
    winner: Ints,
    one: Ints,
    unknown: Floats,
    after: Ints,
    first: Ints,
    last: Ints,
) -> Floats:
    """Whether one, or the other, has won each game; missing where not known, 0 for nobody.

    Of the rallies that are not known, ``unknown`` lie in each game and ``after`` of these
    after its last one.
    """
    n = len(winner)
    counted: Floats = np.add.reduceat(np.nan_to_num(won), first)
    ended = points[last] + np.nan_to_num(won[last])
    told: Bools = ~np.isnan(ended.sum(axis=1))
    at_last = np.where(told[:, None], ended, counted)
    open_points = np.where(told, np.isnan(won[last]).any(axis=1) + after, unknown)
    lead = at_last[:, 0] - at_last[:, 1]
    row: Ints = np.maximum.reduceat(np.where(winner >= 0, np.arange(n), -1), first)
    to_one = np.where(winner[row] == one[row], 1.0, -1.0)
    level = np.where(row >= 0, to_one, 0.0)
    sign = np.where((lead == 0) & (open_points == 0), level, np.sign(lead))
    clear = (np.abs(lead) > open_points) | (open_points == 0)
    taken = np.column_stack([sign > 0, sign < 0]).astype(float)
    taken[~clear] = np.nan
    return taken


def _first_in(values: Floats, group: Ints, groups: int) -> Floats:
    """First number given in each group of rows that follow one another."""
    found = np.full(groups, np.nan)
    told = np.flatnonzero(~np.isnan(values))
    hit, where = np.unique(group[told], return_index=True)
    found[hit] = values[told[where]]
    return found


def first_given(columns: dict[str, Floats], is_one: Bools, of_rally: Ints, rallies: int) -> Floats:
    """The score that the rows of each rally give first, as `scores_before` takes it.

    `columns` are those of own and opponent's points and games that are there, (rows,); `is_one`,
    whether the player called one strikes.
    """
    none = np.full(len(of_rally), np.nan)
    own_points, their_points, own_games, their_games = (columns.get(c, none) for c in SCORES)
    seen = []
    for own, theirs in ((own_points, their_points), (own_games, their_games)):
        for mine, other in ((own, theirs), (theirs, own)):
            seen.append(_first_in(np.where(is_one, mine, other), of_rally, rallies))
    return np.column_stack(seen)


def settle_score(checks: RallyChecks, pair: Ints, scoring: NDArray[np.object_] | None) -> None:
    """Fill in the score of every row, and note rows whose score contradicts another.

    Rallies that were refused count too, where the log tells who won them. `pair` is the players
    of each match, (matches, 2); `scoring`, (matches,), where it is known.
    """
    order, rows = checks.order, checks.rows
    at, first = order.rows, order.first
    rallies = len(first)
    match = rows.match[at[first]] if rallies else np.empty(0, dtype=np.int64)
    one = pair[match, 0]
    is_one = rows.player[at] == one[order.rally]
    columns = {name: values[at] for name, values in rows.scores.items()}
    given = first_given(columns, is_one, order.rally, rallies)
    hiho, told = _rules(scoring, len(pair))
    winner = _winners(checks, pair)
    server = np.where(rows.shot[at[first]] == 1, rows.player[at[first]], NOBODY)
    # Rules that are not understood leave points unknown, but not who won.
    scores = scores_before(
        match,
        rows.game[at[first]],
        rows.rally[at[first]],
        one,
        server,
        np.where(told[match], winner, NOT_KNOWN),
        hiho[match],
        given,
    )
    _doubt(checks, columns, is_one, given, scores)
    full = np.column_stack([scores.points, scores.games])[order.rally]
    for place, name in enumerate(SCORES):
        mine, other = full[:, place], full[:, place ^ 1]
        values = np.full(len(rows.match), np.nan)
        values[at] = np.where(is_one, mine, other)
        rows.scores[name] = values


def _rules(scoring: NDArray[np.object_] | None, matches: int) -> tuple[Bools, Bools]:
    """Whether only the server scores in each match, and whether that is known."""
    hiho, told = np.zeros(matches, dtype=bool), np.ones(matches, dtype=bool)
    if scoring is None:
        return hiho, told
    codes, words = pd.factorize(scoring)  # the last of `matches` may stand for blank names
    for code, word in enumerate(words):
        at = np.flatnonzero(codes == code)
        try:
            hiho[at] = hand_in_hand_out(pd.Series([word], dtype=object)).all()
        except DataError:
            told[at] = False
    return hiho, told


def _winners(checks: RallyChecks, pair: Ints) -> Ints:
    """Winner of each rally, of the refused ones too where the log tells it."""
    order, rows = checks.order, checks.rows
    at, last, rally = order.rows, order.last, order.rally
    count = len(last)
    two = pair[rows.match[at]]
    ending, named, player = rows.words["ending"][at], rows.winner[at], rows.player[at]
    playing = (player == two[:, 0]) | (player == two[:, 1])
    fixed = np.where((ending >= 0) & playing, FIXED_WINNER[ending], 0)
    due = np.select([fixed > 0, fixed < 0], [player, two.sum(axis=1) - player], NOBODY)
    lowest, highest = np.full(count, np.iinfo(np.int64).max), np.full(count, NOBODY)
    known = (named >= 0) & ((named == two[:, 0]) | (named == two[:, 1]))
    np.minimum.at(lowest, rally[known], named[known])
    np.maximum.at(highest, rally[known], named[known])
    by_ending = due[last]
    # Two winners, an ending or a serve within: two rallies under one number, or a slip.
    odd = ~order.ends & (ending >= 0)
    odd &= (ending != ending[last][rally]) | (ending[order.first][rally] < 0)
    odd |= ~order.begins & (rows.words["stroke"][at] == SERVE)
    odd |= (named == NOT_KNOWN) | ((named >= 0) & ~known)
    unclear = order.any(odd) | ((highest >= 0) & (lowest != highest))
    unclear |= (highest >= 0) & (by_ending >= 0) & (highest != by_ending)
    let = ending[last] == LET
    found = np.select(
        [unclear | (let & (highest >= 0)), let, highest >= 0, by_ending >= 0],
        [NOT_KNOWN, NOBODY, highest, by_ending],
        NOT_KNOWN,
    )
    return found.astype(np.int64)


def _doubt(
    checks: RallyChecks, columns: dict[str, Floats], is_one: Bools, given: Floats, scores: Scores
) -> None:
    """Note numbers that differ within a rally, or from what the rallies before make."""
    order = checks.order
    for name, values in columns.items():
        place = SCORES.index(name)
        of_one = 2 * (place // 2) + np.where(is_one, place % 2, 1 - place % 2)
        said = given[order.rally, of_one]
        told = ~np.isnan(values)
        checks.reading.doubt(
            np.sort(order.rows[told & (values != said)]),
            name,
            "another score than on an earlier shot of the rally",
            "the earlier one is used: write the score before the rally, seen by who strikes the "
            "shot",
        )
        at = np.flatnonzero(told & (values == said) & scores.contradicted[order.rally, of_one])
        _, where = np.unique(order.rally[at], return_index=True)
        checks.reading.doubt(
            np.sort(order.rows[at[where]]),
            name,
            "the rallies before it make another score",
            "the score is used as written: mend it, or who won an earlier rally",
        )
