"""The score before each rally against a loop that keeps it as a marker would."""

import math
from itertools import pairwise

import numpy as np
import pytest

from sidewall.log.score import NOBODY, NOT_KNOWN, scores_before

NAN = math.nan


def hard_rallies(rng):
    """Matches with holes, lets, unknown winners and servers, and scores given here and there."""
    rows = []
    for match in range(int(rng.integers(1, 4))):
        one, two = 10 + 2 * match, 11 + 2 * match
        hiho, runs_on, number = bool(rng.random() < 0.4), rng.random() < 0.5, 0
        if rng.random() < 0.5:
            one, two = two, one
        for game in range(1, int(rng.integers(2, 6))):
            number = number if runs_on else 0
            if rng.random() < 0.1:
                continue
            for _ in range(int(rng.integers(1, 7))):
                number += 1
                if rng.random() < 0.07:
                    continue
                winner = int(rng.choice([one, two, NOBODY, NOT_KNOWN], p=[0.43, 0.42, 0.1, 0.05]))
                server = int(rng.choice([one, two, -1], p=[0.48, 0.48, 0.04]))
                given = [NAN] * 4
                for k in range(4):
                    if rng.random() < 0.06:
                        given[k] = float(rng.integers(0, 4))
                rows.append((match, game, number, one, server, winner, hiho, given))
    return rows


def kept(rows):
    """Points and games of one and of the other before each rally, and what contradicts them."""
    points, off = [], []
    now = [NAN, NAN]
    for at, (match, game, number, one, server, winner, hiho, given) in enumerate(rows):
        before = rows[at - 1] if at else (None, None, 0)
        anew = (match, game) != before[:2]
        if anew:
            follows = match == before[0] and number == before[2] + 1
            now = [0.0, 0.0] if number == 1 or follows else [NAN, NAN]
        elif number != before[2] + 1:
            now = [NAN, NAN]
        jump = anew or number != before[2] + 1
        off.append([])
        for k in (0, 1):
            told = not math.isnan(given[k])
            off[-1].append(told and not jump and not math.isnan(now[k]) and now[k] != given[k])
            now[k] = given[k] if told else now[k]
        points.append(list(now))
        for k, gain in enumerate(gains(one, server, winner, hiho)):
            now[k] += gain
    games, games_off = kept_games(rows, points)
    return points, games, [a + b for a, b in zip(off, games_off, strict=True)]


def gains(one, server, winner, hiho):
    if winner == NOT_KNOWN or (hiho and server < 0 and winner >= 0):
        return NAN, NAN
    if winner < 0 or (hiho and winner != server):
        return 0.0, 0.0
    return (1.0, 0.0) if winner == one else (0.0, 1.0)


def kept_games(rows, points):
    parts = []
    for at, row in enumerate(rows):
        if not parts or row[:2] != rows[parts[-1][-1]][:2]:
            parts.append([])
        parts[-1].append(at)
    games, off = [None] * len(rows), [None] * len(rows)
    now, before = [NAN, NAN], None
    for part, following in zip(parts, [*parts[1:], None], strict=True):
        match, game = rows[part[0]][:2]
        due = list(now)
        jump = before is None or before[0] != match or game != before[1] + 1
        if before is None or before[0] != match:
            now = [0.0, 0.0] if game == 1 else [NAN, NAN]
        elif game != before[1] + 1:
            now = [NAN, NAN]
        before = (match, game)
        wrong = [False, False]
        for k in (0, 1):
            told = [rows[at][7][2 + k] for at in part if not math.isnan(rows[at][7][2 + k])]
            if told:
                wrong[k] = not jump and not math.isnan(due[k]) and due[k] != told[0]
                now[k] = told[0]
        for at in part:
            games[at] = list(now)
            off[at] = [w and not math.isnan(rows[at][7][2 + k]) for k, w in enumerate(wrong)]
        for k, gain in enumerate(taken(rows, points, part, following)):
            now[k] += gain
    return games, off


def taken(rows, points, part, following):
    """Who has won a game: 1 and 0, 0 and 0 for nobody, and what is missing where it is open."""
    after = 0
    if following is not None and rows[following[0]][0] == rows[part[0]][0]:
        after = max(rows[following[0]][2] - rows[part[-1]][2] - 1, 0)
    each = [gains(*rows[at][3:7]) for at in part]
    known = [[0.0 if math.isnan(x) else x for x in pair] for pair in each]
    last = part[-1]
    if not any(map(math.isnan, points[last])):
        ends = [points[last][k] + known[-1][k] for k in (0, 1)]
        unsure = after + math.isnan(each[-1][0])
    else:
        ends = [sum(pair[k] for pair in known) for k in (0, 1)]
        unsure = after + sum(math.isnan(pair[0]) for pair in each)
        number, first = rows[part[0]][2], part[0]
        joins = first and rows[first - 1][0] == rows[first][0]
        if not (joins and number == rows[first - 1][2] + 1):
            unsure += number - 1
        for one, two in pairwise(part):
            unsure += rows[two][2] - rows[one][2] - 1
    lead = ends[0] - ends[1]
    if unsure and abs(lead) <= unsure:
        return NAN, NAN
    if lead == 0:
        names = [rows[at][5] for at in part if rows[at][5] >= 0]
        lead = 0 if not names else 1 if names[-1] == rows[part[0]][3] else -1
    return float(lead > 0), float(lead < 0)


@pytest.mark.parametrize("seed", range(300, 340))
def test_scores(seed):
    rng = np.random.default_rng(seed)
    for _ in range(10):
        rows = hard_rallies(rng)
        if not rows:
            continue
        columns = [np.array(column) for column in zip(*rows, strict=True)]
        *numbers, given = columns
        found = scores_before(*numbers, given)
        points, games, off = kept(rows)
        np.testing.assert_array_equal(found.points, points)
        np.testing.assert_array_equal(found.games, games)
        np.testing.assert_array_equal(found.contradicted, off)
