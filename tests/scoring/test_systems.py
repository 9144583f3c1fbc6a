"""Every score that can occur, and what follows from it, rally after rally played out."""

import re
from collections import defaultdict

import pytest

from sidewall.errors import DataError
from sidewall.scoring import HandInHandOut, PointARally

SHORT = [
    *(PointARally(to, clear) for to in (2, 3, 5) for clear in (1, 2)),
    *(HandInHandOut(to, choice) for to in (2, 4) for choice in (to, to + 1)),
]
LONG = [PointARally(), PointARally(15, clear=1), HandInHandOut(), HandInHandOut(choice=9)]


def over(game, a, b, longer):
    """Whether the game ends at a score; `longer` where hand-in-hand-out is played to one more."""
    if isinstance(game, PointARally):
        return max(a, b) >= game.to and abs(a - b) >= game.clear
    return max(a, b) == game.to + longer


def rally_on(game, state, won):
    """The state after one rally: points, who serves, whether the longer game was chosen."""
    a, b, serving, longer = state
    if isinstance(game, PointARally) or won == serving:
        a, b = a + won, b + (not won)
    level = isinstance(game, HandInHandOut) and a == b == game.to - 1
    return a, b, won, longer or (level and game.choice != game.to)


def reached(game, most):
    """All states of a game that can occur up to so many points, and all scores that end it."""
    todo = [(0, 0, serving, False) for serving in (True, False)]
    states, ends = set(todo), set()
    while todo:
        state = todo.pop()
        for won in (True, False):
            new = rally_on(game, state, won)
            if over(game, *new[:2], new[3]):
                ends.add(new[:2])
            elif new not in states and max(new[:2]) <= most:
                states.add(new)
                todo.append(new)
    if getattr(game, "choice", None) == "best":  # or the shorter game is chosen
        ends |= reached(HandInHandOut(game.to, game.to), most)[1]
    return states, ends


@pytest.mark.parametrize("game", [*SHORT, *LONG], ids=str)
def test_a_score_is_accepted_where_it_can_occur_and_is_not_the_end(game):
    most = game.to + 4
    states, ends = reached(game, most)
    can = {state[:3] for state in states}
    for a in range(most):
        for b in range(most):
            for serving in (True, False):
                if (a, b, serving) in can:
                    assert game.check_score((a, b), serving) == (a, b)
                    continue
                with pytest.raises(DataError) as told:
                    game.check_score((a, b), serving)
                if (a, b) in ends:
                    assert re.match(f"score {a}-{b} ends a game of ", str(told.value))
                elif (a, b, not serving) in can:
                    assert f"At {a}-{b} the leader has won" in str(told.value)
                    assert f"give serving={not serving}" in str(told.value)
                else:
                    assert re.match(f"score {a}-{b} cannot occur in ", str(told.value))
            if (a, b) != (0, 0) and {(a, b, True), (a, b, False)} & can:
                with pytest.raises(DataError, match=f"At {a}-{b} one of the two serves"):
                    game.check_score((a, b), None)
    assert game.check_score((0, 0), None) == (0, 0)


@pytest.mark.parametrize("game", [*SHORT, *LONG], ids=str)
def test_final_scores_are_those_that_end_it(game):
    ends = reached(game, game.to + 4)[1]
    listed = game.final_scores()
    more = {score for score, or_more in listed if or_more}
    # an endless list of 12-10, 13-11 and so on is one row
    long = {(a, b) for a, b in ends if max(a, b) > game.to} if more else set()
    assert {score for score, _ in listed} == (ends - long) | more
    if more:
        assert more == {(game.to + 1, game.to - 1), (game.to - 1, game.to + 1)}
    won = [score for score, _ in listed[: len(listed) // 2]]
    assert won == sorted(won)
    assert [(b, a) for a, b in won] == [score for score, _ in listed[len(listed) // 2 :]]


def played_out(game, state, p, r):
    """Chances of the final scores, and rallies to come, with all states kept at their chances."""
    now, ends, rallies = {state: 1.0}, defaultdict(float), 0.0
    while sum(now.values()) > 1e-13:
        rallies += sum(now.values())
        after = defaultdict(float)
        for one, chance in now.items():
            for won in (True, False):
                new = rally_on(game, one, won)
                share = p if one[2] else r
                weight = chance * (share if won else 1.0 - share)
                if over(game, *new[:2], new[3]):
                    ends[new[:2]] += weight
                else:
                    after[new] += weight
        now = after
    return ends, rallies


@pytest.mark.parametrize("game", SHORT, ids=str)
@pytest.mark.parametrize(("p", "r"), [(0.7, 0.45), (0.35, 0.6)])
def test_the_course_from_every_state(game, p, r):
    for a, b, serving, longer in sorted(reached(game, game.to + 1)[0]):
        # 8-8 given to a method is the moment at which the receiver chooses
        if isinstance(game, HandInHandOut) and a == b == game.to - 1:
            longer = game.choice != game.to  # noqa: PLW2901
        ends, rallies = played_out(game, (a, b, serving, longer), p, r)
        found = game.expected_game(p, r, (a, b), serving)
        assert found.win == pytest.approx(sum(w for (x, y), w in ends.items() if x > y), abs=1e-11)
        assert found.win == game.game_win_probability(p, r, (a, b), serving)
        assert found.rallies == pytest.approx(rallies, abs=1e-10)
        points = [sum(w * score[k] for score, w in ends.items()) for k in (0, 1)]
        assert [found.points_for, found.points_against] == pytest.approx(points, abs=1e-10)


@pytest.mark.parametrize("game", SHORT, ids=str)
@pytest.mark.parametrize("serving", [True, False, None])
def test_how_likely_each_final_score_is(game, serving):
    p, r = 0.55, 0.4
    table = game.final_score_probabilities(p, r, serving)
    assert table.columns.tolist() == ["points_for", "points_against", "or_more", "probability"]
    expected = defaultdict(float)
    for first in (True, False) if serving is None else (serving,):
        for (a, b), weight in played_out(game, (0, 0, first, False), p, r)[0].items():
            beyond = max(max(a, b) - game.to - 1, 0) if isinstance(game, PointARally) else 0
            expected[a - beyond, b - beyond] += weight / (2.0 if serving is None else 1.0)
    rows = table.set_index(["points_for", "points_against"])["probability"]
    assert set(rows.index) == set(expected)
    for score, weight in expected.items():
        assert rows[score] == pytest.approx(weight, abs=1e-11)
    assert table["or_more"].tolist() == [more for _, more in game.final_scores()]
