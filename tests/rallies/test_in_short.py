"""Balls charted in short against plain means, the full log and the simulator's exact chances."""

import numpy as np
import pandas as pd
import pytest

import sidewall as sw
from sidewall import simulate
from sidewall.rallies import in_short as module
from sidewall.rallies.in_short import FullBalls, _left_by, gap_class_of, has_short_rows, in_short
from sidewall.rallies.value import BallValue, ball_columns, outcomes

CLASSES = ("tight", "middling", "loose")


def first_in_full(raw):
    """Shots of the player of each match who is not charted in full."""
    first = raw.groupby(raw["match"].astype(str))["player"].transform("first").astype(str)
    return (raw["player"].astype(str) != first).to_numpy()


@pytest.fixture(scope="module")
def logs():
    """Four ladders: charted in full, with one player of each match in short, and that log with
    the middle of its class for each such gap.
    """
    made = []
    for seed in (31, 32, 33, 34):
        rng = np.random.default_rng(seed)
        players = simulate.draw_players(["Alder", "Birch", "Cedar", "Elm", "Hazel", "Rowan"], rng)
        raw = simulate.simulate_shots(players, simulate.round_robin(6, 4), rng=rng)
        other = first_in_full(raw)
        short = simulate.chart_in_short(raw, other)
        middle = short["gap_class"].map({"tight": 0.1, "middling": 0.35, "loose": 1.85})
        bare = short.drop(columns="gap_class")
        bare["gap_m"] = short["gap_m"].fillna(middle.astype(float))
        tables = [sw.shot_features(one) for one in (raw, short, bare)]
        made.append((players, other, *tables))
    return made


class OwnColumnsStay(FullBalls):
    """Takes every ball for what its row says."""

    def stand_in(self, table, phi):
        return phi


def judged(table, bare=False):
    """What every shot is judged by."""
    with pytest.MonkeyPatch.context() as patch:
        if bare:
            patch.setattr(FullBalls, "stand_in", OwnColumnsStay.stand_in)
        return outcomes(table, BallValue().fit(table)).outcome


def exact_chances(full, players, rows):
    """The simulator's chance of winning with each shot, by its own linear algebra."""
    from sidewall.simulate import GAPS_M, PLAYED, Pair, World  # noqa: PLC0415

    words = {"stroke": PLAYED, "side": ("forehand", "backhand"), "family": ("ground", "volley")}
    words |= {"depth": ("front", "middle", "back"), "balance": ("set", "stretched")}
    names = {player.name: player for player in players}
    exact = pd.Series(np.nan, index=full.index)
    for pair, balls in full[rows].groupby(["player", "opponent"], observed=True):
        chances = Pair(World(), *(names[str(name)] for name in pair)).chances(0)
        at = [pd.Index(w).get_indexer(balls[c].astype(str)) for c, w in words.items()]
        assert min(code.min() for code in at) >= 0
        curves = zip(balls["gap_m"], chances[tuple(at)], strict=True)
        exact[balls.index] = [np.interp(gap, GAPS_M, curve) for gap, curve in curves]
    return exact.to_numpy()


def test_own_shots_are_judged_as_in_the_full_log(logs):
    """By choice and class of the ball met, over the four ladders: what the opponent charted in
    short makes of the mean outcome, beside bare midpoints, the full log and the exact chances.
    """
    cells = {"full": [], "short": [], "bare": [], "exact": []}
    for players, other, full, short, bare in logs:
        known = full["won"].notna() & full["stroke"].isin(simulate.PLAYED)
        own = (known & full["balance"].ne("jammed")).to_numpy() & ~other
        found = {"full": judged(full), "short": judged(short), "bare": judged(bare, bare=True)}
        found["exact"] = exact_chances(full, players, own)
        met = gap_class_of(full["gap_m"].to_numpy())
        by = pd.DataFrame(found)[own].groupby([full["choice"].astype(str)[own], met[own]])
        for name, mean in by.mean().items():
            cells[name].append(mean.to_numpy())
    mean = {name: np.array(one) for name, one in cells.items()}
    assert mean["full"].shape == (4, 6)

    def apart(one, other):
        return np.sqrt(np.mean((mean[one] - mean[other]) ** 2))

    assert apart("short", "full") < 0.5 * apart("bare", "full")
    # beside the truth, the short log loses little to the full one, and bare midpoints more
    assert apart("short", "exact") < apart("bare", "exact")
    assert apart("short", "exact") < apart("full", "exact") + 0.5 * apart("bare", "full")


def test_a_measured_gap_without_a_side_narrows_the_class(logs):
    full = logs[0][2]
    row = full.index[(full["shot"] > 2) & (full["gap_m"] < 0.05)][0]
    table = full.copy()
    table.loc[row, ["side", "stroke", "contact", "family"]] = None
    assert in_short(table).sum() == 1
    phi = ball_columns(table)[0]
    names = ball_columns(table)[1]
    ours = FullBalls.of(table, phi).stand_in(table, phi)[row]
    bend = names.index("forehand ground, gap"), names.index("forehand ground")
    # the mean scaled gap among forehands: below 5 cm, not of all tight balls
    assert ours[bend[0]] / ours[bend[1]] < np.log1p(0.05 / 0.25) - np.log1p(0.4 / 0.25)


def test_a_word_is_taken_as_the_log_uses_it(logs):
    """A charter calls balls up to 35 cm tight: rows with word and number both show it."""
    *_, full, short, _ = logs[0]
    gap = full["gap_m"].to_numpy()
    said = np.where(np.isnan(gap), -1, np.searchsorted([0.35, 0.6], gap, side="right"))
    words = pd.Series(pd.Categorical.from_codes(said, list(CLASSES)), index=full.index)
    both = short.assign(gap_class=words)  # own rows carry both
    phi = ball_columns(both)[0]
    balls = FullBalls.of(both, phi)
    taught = balls.keys[balls._of_gap(-1, 0)]
    untaught = FullBalls.of(short, ball_columns(short)[0])
    plain = untaught.keys[untaught._of_gap(-1, 0)]
    edges = np.append(0.0, [0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.8, 1.2])
    assert edges[taught[:, 0]].max() == pytest.approx(0.3)
    assert edges[plain[:, 0]].max() == pytest.approx(0.15)


def test_a_log_without_full_balls_keeps_the_rows_as_they_are(logs):
    raw = logs[0][2].drop(columns="gap_class", errors="ignore")
    bare = sw.shot_features(simulate.chart_in_short(raw, np.ones(len(raw), dtype=bool)))
    value = BallValue().fit(bare)
    assert np.isfinite(value.predict(bare)).all()


def test_the_chain_gives_short_balls_states_of_their_own(logs):
    *_, full, short, _ = logs[0]
    chain = sw.RallyChain().fit(short)
    words = [f"{word}, in short" for word in CLASSES]
    assert chain.states_[-3:] == words
    shots = short["gap_class"].value_counts()
    moves = chain.moves()
    assert (moves.start >= 0).all()  # nothing is left out of the chain
    for word in CLASSES:
        code = chain.states_.index(f"{word}, in short")
        assert (moves.start == code).sum() == shots[word]
    # a loose ball is worth more, in short or in full
    assert chain.win_probability_[words].is_monotonic_increasing
    assert not [name for name in sw.RallyChain().fit(full).states_ if "in short" in name]


def test_what_left_a_ball_is_the_shot_before_it_in_the_same_rally():
    table = pd.DataFrame(
        {
            "rally_id": [0, 0, 0, 1, 1, 1],
            "shot": [1, 2, 3, 2, 3, 5],  # the serve of the second rally is missing, and a shot
            "stroke": ["serve", "drive", "drop", "drive", "drop", "drive"],
            "choice": [None, "reset", "attack", "reset", "attack", "reset"],
            "gap_m": [np.nan, 0.1, 0.9, 0.1, 0.9, 0.1],
        }
    )
    left_by, met = _left_by(table, np.full(len(table), -1))
    attack, reset, serve = 0, 1, 2
    assert left_by.tolist() == [-1, serve, reset, -1, reset, -1]
    assert met.tolist() == [-1, -1, 0, -1, 0, -1]
    assert attack not in left_by  # no ball follows one


@pytest.mark.parametrize("seed", [141, 142])
@pytest.mark.parametrize("least", [20, 4])
def test_what_every_ball_of_a_hard_log_stands_for(hard_log, slow, seed, least, monkeypatch):
    """Blanks in all that a row may tell; words beside numbers, often and seldom."""
    monkeypatch.setattr(module, "LEAST", least)
    table = hard_log(seed, 160)
    seldom = table.assign(gap_class=table["gap_class"].where(table["gap_m"].isna()))
    for some in (table, seldom, table.drop(columns=["gap_class", "choice", "opponent_place"])):
        phi = ball_columns(some)[0]
        expected = slow.stand_in(some, phi, least)
        balls = FullBalls.of(some, phi)
        assert balls.n.sum() == sum(ball["full"] for ball in slow.balls(some))
        ours = balls.stand_in(some, phi)
        np.testing.assert_allclose(ours, expected, atol=1e-8)
        halves = [some[some["rally_id"] < 70], some[some["rally_id"] >= 70]]
        added = FullBalls.add_up(FullBalls.of(h, ball_columns(h)[0]) for h in halves[::-1])
        np.testing.assert_allclose(added.stand_in(some, phi), ours, atol=1e-8)
        short = [ball["short"] for ball in slow.balls(some)]
        assert in_short(some).tolist() == short
        assert has_short_rows(some)
        assert not has_short_rows(some[~np.array(short)])


def test_classes_of_gaps_on_their_borders():
    gaps = np.array([0.0, 0.1999, 0.2, 0.4999, 0.5, 3.2, np.nan])
    assert gap_class_of(gaps).tolist() == [0, 0, 1, 1, 2, 2, -1]


@pytest.mark.parametrize("rows", [slice(0, 0), slice(0, 1)])
def test_a_log_of_no_full_ball_stands_for_nothing(hard_log, rows):
    """No rows, or a serve; balls charted in short keep their own columns."""
    table = hard_log(141, 160)
    few = FullBalls.of(table.iloc[rows], ball_columns(table.iloc[rows])[0])
    assert len(few.n) == 0
    phi = ball_columns(table)[0]
    np.testing.assert_array_equal(few.stand_in(table, phi), phi)
    # one full ball, of another class than most
    at = table.index[(table["gap_m"] >= 0.5) & table["side"].notna() & table["family"].notna()]
    at = next(k for k in at if table.loc[k, "stroke"] != "serve")
    one = FullBalls.of(table.loc[[at]], phi[[at]])
    word = table["gap_class"].where(table["gap_m"].isna() & table["stroke"].ne("serve"))
    ours = one.stand_in(table, phi)
    loose = (word == "loose").to_numpy()
    np.testing.assert_allclose(ours[loose], np.tile(phi[at], (loose.sum(), 1)), atol=1e-9)
    tight = word.isin(["tight", "middling"]).to_numpy()
    assert tight.any()
    np.testing.assert_array_equal(ours[tight], phi[tight])
