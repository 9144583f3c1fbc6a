import pytest

from sidewall.errors import DataError
from sidewall.scoring import HandInHandOut, Match, PointARally

PAR, HIHO = PointARally(), HandInHandOut()


@pytest.mark.parametrize(
    ("p", "r", "words"),
    [
        (1.2, 0.5, r"p_serve is 1\.2, .*between 0 and 1"),
        (0.5, -0.1, r"p_receive is -0\.1"),
        ([0.5, 52], 0.5, r"p_serve is 52 at position 1, .*such as 0\.52"),
        ([[0.5, 0.5], [0.5, float("nan")]], 0.5, r"p_serve is nan at position 1, 1"),
        ("half", 0.5, r"p_serve holds 'half', which is not a number"),
        ([0.5, 0.5], [0.5, 0.5, 0.5], r"shape \(2,\) and p_receive \(3,\)"),
    ],
)
def test_probabilities(p, r, words):
    for ask in (PAR.game_win_probability, HIHO.expected_game, Match().match_win_probability):
        with pytest.raises(DataError, match=words):
            ask(p, r)


@pytest.mark.parametrize(
    ("game", "score", "serving", "words"),
    [
        (PAR, (11, 9), True, "11-9 ends a game of point-a-rally to 11, two clear: give"),
        (PAR, (3, 11), False, "3-11 ends"),
        (PAR, (15, 13), True, "15-13 ends"),
        (PAR, (12, 3), True, "12-3 cannot occur"),
        (PAR, (15, 12), True, "15-12 cannot occur"),
        (PAR, (-1, 3), False, "-1-3 is below 0"),
        (PAR, (5.5, 3), True, "not a score"),
        (PAR, 5, True, "not a score"),
        (PAR, (1, 2, 3), True, "not a score"),
        (PAR, (3, 0), False, "At 3-0 the leader .* give serving=True"),
        (PAR, (0, 3), True, "At 0-3 the leader .* give serving=False"),
        (PAR, (12, 13), True, "give serving=False"),
        (PAR, (3, 3), None, "At 3-3 one of the two serves"),
        (PAR, (0, 0), "yes", "serving='yes'"),
        (PointARally(clear=1), (11, 10), True, "11-10 ends a game of .* one clear"),
        (PointARally(clear=1), (12, 11), True, "12-11 cannot occur"),
        (PointARally(clear=1), (11, 11), True, "11-11 cannot occur"),
        (HIHO, (9, 7), True, "9-7 ends a game of hand-in-hand-out to 9"),
        (HIHO, (10, 8), True, "10-8 ends a game of hand-in-hand-out to 10"),
        (HIHO, (10, 7), True, "10-7 cannot occur"),
        (HIHO, (10, 10), True, "10-10 cannot occur"),
        (HandInHandOut(choice=9), (9, 8), True, "9-8 ends a game of hand-in-hand-out to 9"),
        (HandInHandOut(choice=9), (9, 9), True, "9-9 cannot occur"),
    ],
)
def test_scores(game, score, serving, words):
    with pytest.raises(DataError, match=words):
        game.game_win_probability(0.5, 0.5, score, serving)
    with pytest.raises(DataError, match=words):
        Match(game).expected_match(0.5, 0.5, (1, 1), score, serving)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: PointARally(1), "to=1: give a whole number of at least 2"),
        (lambda: PointARally(11.5), "to=11.5"),
        (lambda: PointARally(clear=3), "clear=3"),
        (lambda: HandInHandOut(to=0), "to=0"),
        (lambda: HandInHandOut(to=1), "to=1: give a whole number of at least 2"),
        (lambda: HandInHandOut(choice=11), "choice=11: at 8-8 the receiver plays to 9 or 10"),
        (lambda: Match(best_of=4), "best_of=4 is even.*give 5 or 3"),
        (lambda: Match(best_of=-1), "best_of=-1"),
        (lambda: Match("par"), "game='par' is no way of scoring"),
    ],
)
def test_settings(make, words):
    with pytest.raises(DataError, match=words):
        make()


@pytest.mark.parametrize(
    ("games", "score", "serving", "words"),
    [
        ((3, 1), (0, 0), True, "games 3-1 end a best of 5"),
        ((3, 3), (0, 0), True, "games 3-3 cannot occur in a best of 5: give fewer than 3"),
        ((4, 0), (0, 0), True, "games 4-0 cannot occur"),
        ((0, -1), (0, 0), True, "games 0--1 is below 0"),
        ((0, 1), (0, 0), True, "the winner of the last game serves first: give serving=False"),
        ((2, 0), (0, 0), False, "give serving=True"),
        ((1, 1), (0, 0), None, "None is for the start of the match"),
    ],
)
def test_matches(games, score, serving, words):
    with pytest.raises(DataError, match=words):
        Match().match_win_probability(0.5, 0.5, games, score, serving)


def test_final_scores_of_several_players_at_once():
    with pytest.raises(DataError, match="give one number each"):
        PAR.final_score_probabilities([0.5, 0.6], 0.5)


def test_a_match_that_never_ends():
    with pytest.raises(DataError, match="match from 0-0 in games, 0-0 in points, never ends"):
        Match().match_win_probability(0, 1)
    with pytest.raises(DataError, match="a gain has no meaning"):
        Match().match_gain_per_rally_share(0, 1)
    assert Match().match_win_probability(0, 1, (2, 1), (10, 8)) == 1.0
