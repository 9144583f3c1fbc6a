from types import SimpleNamespace

import numpy as np
import pytest

import sidewall as sw
from sidewall import simulate


@pytest.fixture(scope="session")
def players():
    names = ["Alder", "Birch", "Cedar", "Elm"]
    return simulate.draw_players(names, np.random.default_rng(5))


@pytest.fixture(scope="session")
def shots(players):
    return sw.shot_features(simulate.simulate_shots(players, simulate.round_robin(4, 6), rng=11))


@pytest.fixture(scope="session")
def chain(shots):
    return sw.RallyChain().fit(shots)


# -- slow ways that the tests of several files go --------------------------------------------


def _limits(draws, level):
    """Ends of a percentile interval of numbers, missing ones apart, by interpolation by hand."""
    known = sorted(float(x) for x in draws if x == x)
    if not known:
        return np.nan, np.nan
    ends = []
    for share in ((1.0 - level) / 2.0, (1.0 + level) / 2.0):
        at = share * (len(known) - 1)
        low = min(int(at), len(known) - 1)
        high = min(low + 1, len(known) - 1)
        ends.append(known[low] + (at - low) * (known[high] - known[low]))
    return tuple(ends)


def _redrawn(matches, draws, rng):
    """How often each rally comes, drawn with replacement within its match, the matches in turn.

    `matches` holds the match of every rally, as what sorts in the order of drawing.
    """
    found = np.zeros((draws, len(matches)))
    for match in sorted(set(matches)):
        mine = [k for k, other in enumerate(matches) if other == match]
        found[:, mine] = rng.multinomial(len(mine), [1.0 / len(mine)] * len(mine), size=draws)
    return found


def _chances(mine, theirs):
    """Win share and shots left of each of the striker's balls, by one chain of both players'.

    NaN where the rows of the ball are empty, or nothing is ever decided.
    """
    s = len(mine)
    Q = np.zeros((2 * s, 2 * s))
    R = np.zeros((2 * s, 2))
    for k in range(s):
        for j in range(s):
            Q[k, s + j], Q[s + k, j] = mine[k, j], theirs[k, j]
        R[k], R[s + k] = mine[k, s : s + 2], theirs[k, [s + 1, s]]
    visits = np.linalg.inv(np.eye(2 * s) - Q)
    ends = visits @ R
    share = np.array([w / (w + o) if w + o > 0 else np.nan for w, o in ends[:s]])
    return share, visits.sum(axis=1)[:s]


EDGES_M = (0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.8, 1.2)
CLASSES_M = {"tight": (0.0, 0.2), "middling": (0.2, 0.5), "loose": (0.5, np.inf)}
TOLD = ("left_by", "met", "choice", "side", "family", "depth", "opponent_place", "balance")


def _class_of(gap):
    return next(word for word, (low, high) in CLASSES_M.items() if low <= gap < high)


def _balls(table):
    """What is told of every ball; None where it is blank."""
    found = [
        {name: cell if cell == cell else None for name, cell in shot.items()}
        for shot in table.to_dict("records")
    ]
    for k, ball in enumerate(found):
        ball["serves"] = ball["stroke"] == "serve"
        gap, word = ball["gap_m"], ball.get("gap_class")
        ball["band"] = None if gap is None else sum(gap >= edge for edge in EDGES_M)
        ball["word"] = word
        ball["class"] = None if gap is None else _class_of(gap)
        ball["short"] = not ball["serves"] and (
            (gap is None and word is not None) or (gap is not None and ball["side"] is None)
        )
        told = [ball[name] is not None for name in ("gap_m", "side", "family")]
        ball["full"] = not ball["serves"] and all(told)
        before = found[k - 1] if k and ball["shot"] > 1 else None
        ball["left_by"] = ball["met"] = None
        if before:
            ball["left_by"] = "serve" if before["serves"] else before.get("choice")
            ball["met"] = before["word"] or before["class"]
    return found


def _stand_in(table, phi, least=20):
    """Means of the columns of the full balls that each ball charted in short may stand for."""
    balls, found = _balls(table), phi.copy()
    full = [k for k, ball in enumerate(balls) if ball["full"]]
    for at, ball in enumerate(balls):
        if not ball["short"]:
            continue
        if ball["gap_m"] is not None:
            like = [k for k in full if balls[k]["band"] == ball["band"]]
        else:
            like = [k for k in full if balls[k]["word"] == ball["word"]]
            if len(like) < least:
                like = [k for k in full if balls[k]["class"] == ball["word"]]
        for name in TOLD:
            if ball.get(name) is not None:
                narrower = [k for k in like if balls[k].get(name) == ball[name]]
                like = narrower if len(narrower) >= least else like
        if like:
            found[at] = phi[like].mean(axis=0)
    return found


@pytest.fixture(scope="session")
def slow():
    return SimpleNamespace(
        limits=_limits, redrawn=_redrawn, chances=_chances, balls=_balls, stand_in=_stand_in
    )
