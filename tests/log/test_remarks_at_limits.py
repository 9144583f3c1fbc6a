"""What a log as a whole makes one ask, at the numbers from which it does."""

import pandas as pd
import pytest

from sidewall.log import read_shots
from sidewall.log.remarks import remarks


def shots_of(*matches):
    """Rallies of a serve and a drive that ends in the tin: the server wins, and is to serve next.

    A match is its rallies: the gap of the drive, whether Elm serves, and the side of the drive.
    """
    rows = []
    for number, rallies in enumerate(matches, 1):
        for rally, (gap, elm, side) in enumerate(rallies, 1):
            one = {"match": f"M{number}", "game": 1, "rally": rally}
            pair = ("Elm", "Fir") if elm else ("Fir", "Elm")
            hand = ("forehand", "backhand")[rally % 2]
            rows.append({**one, "shot": 1, "player": pair[0], "side": hand, "stroke": "serve"})
            last = {"shot": 2, "player": pair[1], "side": side, "stroke": "drive"}
            rows.append({**one, **last, "gap_cm": gap, "ending": "tin"})
    return read_shots(pd.DataFrame(rows), on_refused="ignore")


def play(gaps, servers=None):
    servers = [True] * len(gaps) if servers is None else servers
    sides = [("backhand", "forehand")[at % 3 == 0] for at in range(len(gaps))]
    return list(zip(gaps, servers, sides, strict=True))


def told(shots):
    return [(one.at, one.column, one.reason) for one in remarks(shots)]


UP = list(range(20, 80))


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize(
    ("matches", "expected"),
    [
        ([[30] * 30], [(1, "gap", "all 30 gaps of the log are the same")]),
        ([[30] * 29], []),
        ([[30] * 29 + [31]], []),
        ([[31] + [30] * 30], []),
        # rows without a gap are refused, and stand in no table
        ([[""] * 3 + [30] * 30], [(1, "gap", "all 30 gaps of the log are the same")]),
        ([[30] * 20, [30] * 10], [(1, "gap", "all 30 gaps of the log are the same")]),
        ([[30] * 30, UP[:29]], [(1, "gap", "all 30 gaps of match 'M1' are the same")]),
        ([UP[:29], [30] * 30], [(59, "gap", "all 30 gaps of match 'M2' are the same")]),
        ([UP[:29], [30] * 29], []),
    ],
)
def test_gaps_that_are_all_the_same(matches, expected):
    shots = shots_of(*(play(gaps) for gaps in matches))
    found = [one for one in told(shots) if "the same" in one[2]]
    assert found == expected


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize(
    ("wrong", "count"), [(10, 20), (11, 20), (10, 19), (19, 19), (21, 40), (20, 40)]
)
def test_winners_who_do_not_serve_next(wrong, count):
    """Of twenty rallies or more that another follows, more than half."""
    servers = [True]
    for at in range(count):
        servers.append(servers[-1] ^ (at < wrong))
    found = [one for one in told(shots_of(play(UP[: count + 1], servers))) if "serve" in one[2]]
    if count >= 20 and 2 * wrong > count:
        reason = (
            f"after {wrong} of {count} rallies of the log the winner does not serve the next one"
        )
        assert found == [(1, "ending", reason)]
    else:
        assert found == []


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize(
    ("times", "counts", "reason"),
    [
        (2, (50, 50), "match 'M1': its gaps are 2 times smaller than in the other match"),
        (1.98, (50, 50), None),
        (2, (49, 50), None),
        (2, (50, 49), None),
        (0.5, (50, 50), "match 'M2': its gaps are 2 times smaller than in the other match"),
        (2, (50, 50, 50), "match 'M2': its gaps are 2 times larger than in the other matches"),
    ],
)
def test_one_match_in_another_unit(times, counts, reason):
    gaps = [40, 50, 60] * 20
    matches = [play([times ** (at == 1) * gap for gap in gaps[:n]]) for at, n in enumerate(counts)]
    found = [one for one in told(shots_of(*matches)) if "its gaps" in one[2]]
    at = 1 if reason and "'M1'" in reason else 101
    assert found == ([(at, "gap", reason)] if reason else [])


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize(
    ("rallies", "change", "same"), [(15, None, True), (14, None, False), (15, 3, False)]
)
def test_a_match_under_two_names(rallies, change, same):
    one = play(UP[:rallies])
    two = [(gap + (at == change), *more) for at, (gap, *more) in enumerate(one)]
    two = two if change is None else [*two[:4], (two[4][0] - 1, *two[4][1:]), *two[5:]]
    found = [item for item in told(shots_of(one, two, one)) if "shot for shot" in item[2]]
    size = 2 * rallies
    expected = [
        (at * size, "match", f"match 'M{at + 1}' has shot for shot the play of match 'M1'")
        for at in ((1, 2) if same else (2,) if rallies == 15 else ())
    ]
    assert found == expected
