from functools import cache
from types import SimpleNamespace

import numpy as np
import pandas as pd
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


# -- hard logs, and slow ways that the tests of several files go ------------------------------

#: Gaps on the borders of every class and band, and of the court.
BORDERS_M = (0.0, 0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.8, 1.2, 3.2)
#: In this order, which is not that of the names; of the first, no winner is known.
MATCHES = {
    "m2": ("Alder", "Birch"),
    "m10": ("Birch", "Cedar"),
    "m1": ("Elm", "Cedar"),
    "m3": ("Birch", "Elm"),
}


def _with_blanks(rng, words, n, share=0.2):
    found = rng.choice(np.array(words, dtype=object), n)
    found[rng.random(n) < share] = None
    return found


@cache
def _hard_log(seed, rallies=40, short=True):
    """Features of a few random rallies; every column that may be blank is, here and there.

    Half of the gaps lie on a border. The first player has no decided rally, and the first
    category of players has no shot at all. With `short`, some balls have a gap in words, or
    no side.
    """
    rng = np.random.default_rng([seed, 77])
    rows = []
    for k in range(rallies):
        match = list(MATCHES)[k * len(MATCHES) // rallies]
        pair = MATCHES[match][:: rng.choice([1, -1])]
        n = int(rng.choice([1, 2, 3, 4, 6, 9]))
        winner = None if match == "m2" or rng.random() < 0.1 else pair[rng.integers(2)]
        for shot in range(1, n + 1):
            last = shot == n
            striker = pair[(shot - 1) % 2]
            ending = "let" if winner is None else "winner" if winner == striker else "tin"
            rows.append(
                {
                    "match": match,
                    "game": 1 + k % (rallies // 4) // 5,
                    "rally": k + 1,
                    "shot": shot,
                    "player": striker,
                    "opponent": pair[shot % 2],
                    "rally_won_by": winner if last else None,
                    "ending": ending if last else None,
                }
            )
    table = pd.DataFrame(rows)
    n = len(table)
    serve = (table["shot"] == 1).to_numpy()
    words = {
        "stroke": ("drive", "drop", "boast"),
        "direction": ("straight", "cross"),
        "side": ("forehand", "backhand"),
        "contact": ("volley", "after_bounce", "off_back_wall"),
        "choice": ("attack", "reset"),
        "balance": ("set", "stretched", "jammed"),
        "depth": ("front", "middle", "back"),
        "opponent_place": ("in_front", "behind", "out_of_the_way"),
    }
    table = table.assign(**{name: _with_blanks(rng, some, n) for name, some in words.items()})
    table["stroke"] = np.where(serve, "serve", rng.choice(words["stroke"], n))
    table["choice"] = table["choice"].where(~serve, None)
    gap = np.where(rng.random(n) < 0.5, rng.choice(BORDERS_M, n), rng.gamma(2.0, 0.3, n).clip(0, 3))
    gap[rng.random(n) < np.where(serve, 0.9, 0.2)] = np.nan
    if short:
        told = (rng.random(n) < np.where(np.isnan(gap), 0.7, 0.2)) & ~serve
        table["gap_class"] = np.where(told, rng.choice(["tight", "middling", "loose"], n), None)
    else:
        gap[table["side"].isna()] = np.nan
    table["gap_m"] = gap
    for name, most in (("x_m", 6.4), ("y_m", 9.75), ("opponent_x_m", 6.4), ("opponent_y_m", 9.75)):
        table[name] = np.where(rng.random(n) < 0.5, np.nan, rng.uniform(0, most, n))
    for name in ("player", "opponent", "rally_won_by"):
        table[name] = pd.Categorical(table[name], ["Ash", "Birch", "Alder", "Elm", "Cedar"])
    table["match"] = pd.Categorical(table["match"], [*MATCHES])
    features = sw.shot_features(table)
    # read off the words alone, so that words and places are blank apart
    for name in ("depth", "opponent_place"):
        features[name] = pd.Categorical(_with_blanks(rng, words[name], n), words[name])
    return features


@pytest.fixture(scope="session")
def hard_log():
    return _hard_log


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
