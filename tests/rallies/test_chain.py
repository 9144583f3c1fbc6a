import numpy as np
import pandas as pd
import pytest

import sidewall as sw
from sidewall import simulate
from sidewall.errors import DataError, NotFittedError
from sidewall.rallies import intervals
from sidewall.rallies.absorbing import alternating_values, fundamental_matrix, win_share
from sidewall.rallies.intervals import row_limits, shown_rows, shown_values
from sidewall.rallies.pooling import Pooling


def test_looser_balls_are_worth_more(chain):
    """On both sides together: a single side's two bands are too few shots to tell."""
    value = chain.win_probability_
    sides = ("forehand", "backhand")
    loose, tight = (
        sum(value[f"{side} ground {band}"] for side in sides) for band in ("120+ cm", "30-50 cm")
    )
    assert loose > tight


def test_expected_shots_from_the_serve_is_the_mean_rally_length(chain, shots):
    lengths = shots.groupby("rally_id")["shot"].max()
    error = lengths.std() / np.sqrt(len(lengths))
    assert chain.expected_shots_["serve"] == pytest.approx(lengths.mean(), abs=4 * error)


def test_a_state_never_reached_is_reported(shots):
    bands = sw.BallStates(bands_m=(0.3, 3.15, 3.19))
    chain = sw.RallyChain(bands).fit(shots.assign(gap_m=shots["gap_m"].clip(upper=3.1)))
    never = [note for note in chain.notes_ if note.startswith("never reached")]
    assert any("315-319 cm" in note for note in never)
    assert np.isnan(chain.win_probability_["forehand ground 315-319 cm"])


def test_a_custom_rule_takes_the_default_ones_place(shots):
    def rule(table):
        return pd.Series(np.where(table["stroke"] == "serve", "serve", "ball"), table.index)

    chain = sw.RallyChain(rule).fit(shots)
    assert sorted(chain.states_) == ["ball", "serve"]
    assert chain.win_probability_["ball"] == pytest.approx(0.5, abs=0.05)


def test_pair_values_agree_with_the_exact_chain_of_the_simulation(players):
    """A long log of one pair; with two players only, much is drawn toward their mean."""
    pair = players[:2]
    shots = simulate.simulate_shots(pair, [(0, 1)] * 300, rng=3)
    chain = sw.RallyChain().fit(shots)
    exact = simulate.Pair(simulate.World(), *pair)
    for k, (me, you) in enumerate(((0, 1), (1, 0))):
        ours = chain.pair(pair[me].name, pair[you].name)
        assert ours.loc["serve", "win_probability"] == pytest.approx(exact.server[k], abs=0.01)


def test_unknown_player_and_unfitted_chain(chain):
    with pytest.raises(DataError, match="Walnut"):
        chain.pair("Walnut")
    with pytest.raises(NotFittedError):
        sw.RallyChain().state_values()


@pytest.mark.slow
def test_two_hundred_thousand_rallies_of_a_known_chain_agree_with_the_exact_answers():
    """Rallies drawn from written-down rows, and the values that those rows imply."""
    rng = np.random.default_rng(8)
    rows = np.array(
        [  # next: serve, tight, loose | win, lose, let
            [0.0, 0.60, 0.34, 0.03, 0.02, 0.01],
            [0.0, 0.45, 0.40, 0.02, 0.12, 0.01],
            [0.0, 0.60, 0.15, 0.18, 0.06, 0.01],
        ]
    )
    value = win_share(alternating_values(rows, rows)[0])
    length = fundamental_matrix(rows[:, :3]).sum(axis=1)
    n = 200_000
    state, turn = np.zeros(n, int), np.zeros(n, int)
    won, shots = np.full(n, np.nan), np.zeros(n, int)
    live = np.arange(n)
    cumulative = rows.cumsum(axis=1)
    while len(live):
        step = (rng.random(len(live))[:, None] > cumulative[state[live]]).sum(axis=1)
        shots[live] += 1
        for end, server_wins in ((3, turn[live] == 0), (4, turn[live] == 1)):
            won[live[step == end]] = server_wins[step == end]
        state[live], turn[live] = np.minimum(step, 2), 1 - turn[live]
        live = live[step < 3]
    decided = ~np.isnan(won)
    error = np.sqrt(0.25 / decided.sum())
    assert won[decided].mean() == pytest.approx(value[0], abs=4 * error)
    assert shots.mean() == pytest.approx(length[0], abs=4 * shots.std() / np.sqrt(n))


def test_a_chain_takes_thresholds_for_its_states(shots):
    thresholds = pd.DataFrame(
        {"player": ["Alder"], "side": ["forehand"], "family": ["ground"], "threshold_m": [0.2]}
    )
    chain = sw.RallyChain(sw.BallStates(loose=sw.LooseBall(thresholds))).fit(shots)
    assert "backhand volley loose" in chain.states_


LABELS = ["serve", "well", "bend", "gap", "rest", "loop", "none"]


@pytest.fixture(scope="module", params=range(3))
def labelled(hard_log, request):
    """A hard log whose balls bear random names, some blank; from "well" and "loop" nothing ends.

    One player's shots are all blank, so that nothing is known of the first of the chain.
    """
    rng = np.random.default_rng(request.param)
    table = hard_log(60 + request.param)
    label = rng.choice(["well", "bend", "gap", "rest", None], len(table), p=[0, 0.2, 0.2, 0.5, 0.1])
    label = np.where(table["shot"] == 1, "serve", label).astype(object)
    long = table["shot"].eq(1) & table["rally_length"].eq(9) & table["match"].ne("m2")
    for at in np.flatnonzero(long)[:3]:
        label[at + 1 : at + 6] = ["well", "loop", "well", "well", None]
    label[(table["player"] == "Alder").to_numpy()] = None
    return table.assign(label=label)


def by_label(table):
    return pd.Series(pd.Categorical(table["label"], LABELS), table.index)


def plain_counts(table, weight=None):
    """Moves of every player, by a walk, each rally as often as it is drawn."""
    names, s = sorted({*table["player"], *table["opponent"]}), len(LABELS)
    counts = np.zeros((len(names), s, s + 3))
    shots = table[["rally_id", "shots_left", "player", "won"]]
    shots = shots.assign(label=by_label(table).cat.codes).to_dict("records")
    for k, shot in enumerate(shots):
        if shot["shots_left"]:
            to = shots[k + 1]["label"]
        else:
            to = s + (2 if np.isnan(shot["won"]) else 0 if shot["won"] == 1 else 1)
        if shot["label"] >= 0 and to >= 0:
            often = 1.0 if weight is None else weight[shot["rally_id"]]
            counts[names.index(shot["player"]), shot["label"], to] += often
    return counts


def emptied(counts):
    """Counts without the rows from which no walk leads to an end, and which these are."""
    s = counts.shape[1]
    total = counts.sum(axis=0)
    out = {k for k in range(s) if total[k, s:].sum() or not total[k].sum()}
    for _ in range(s):
        out |= {k for k in range(s) if any(total[k, j] and j in out for j in range(s))}
    stuck = [k for k in range(s) if k not in out]
    found = counts.copy()
    found[:, stuck] = 0.0
    return found, stuck


def plain_ladder(counts):
    rows = counts.sum(axis=0)
    return np.array([row / row.sum() if row.sum() else row for row in rows])


def blanked(values, ladder):
    """Missing for balls that were not met."""
    return [x if row.sum() else np.nan for x, row in zip(values, ladder, strict=True)]


def test_everything_that_a_chain_tells_by_plain_loops(labelled, slow):
    """Its numbers come from one walk, and from one chain of both strikers' balls."""
    chain = sw.RallyChain(by_label).fit(labelled)
    seen = plain_counts(labelled)
    counts, stuck = emptied(seen)
    assert {LABELS[k] for k in stuck} == {"well", "loop"}
    assert chain.states_ == LABELS
    assert chain.players_ == ["Alder", "Birch", "Cedar", "Elm"]
    assert chain.notes_ == ["never reached: none", "never left: well", "never left: loop"]
    np.testing.assert_array_equal(chain.counts_, counts)
    index = pd.Index(LABELS, name="state")
    visits = seen.sum(axis=(0, 2)).astype(int)
    pd.testing.assert_series_equal(chain.visits_, pd.Series(visits, index, name="n_shots"))
    ladder = plain_ladder(counts)
    to = [*LABELS, "win", "lose", "let"]
    pd.testing.assert_frame_equal(chain.transition_, pd.DataFrame(ladder, index, to))
    pooling = Pooling.fit(counts)
    pd.testing.assert_series_equal(
        chain.concentration_, pd.Series(pooling.alpha, index, name="concentration")
    )
    np.testing.assert_allclose(chain.rows_, pooling.rows(counts), rtol=1e-12)
    share, left = slow.chances(ladder, ladder)
    values = pd.Series(blanked(share, ladder), index, name="win probability")
    pd.testing.assert_series_equal(chain.win_probability_, values)
    lengths = pd.Series(blanked(left, ladder), index, name="shots left")
    pd.testing.assert_series_equal(chain.expected_shots_, lengths)
    visits = np.zeros(ladder[:, : len(LABELS)].shape)
    step = np.eye(len(LABELS))
    for _ in range(5000):  # the sum of all powers
        visits += step
        step = step @ ladder[:, : len(LABELS)]
    pd.testing.assert_frame_equal(
        chain.fundamental_matrix_, pd.DataFrame(visits, index, LABELS), rtol=1e-9
    )
    for one, player in enumerate(chain.players_):
        for opponent in (None, "Alder", "Cedar"):
            theirs = ladder if opponent is None else chain.rows_[chain.players_.index(opponent)]
            share, left = slow.chances(chain.rows_[one], theirs)
            expected = pd.DataFrame(
                {
                    "win_probability": blanked(share, ladder),
                    "expected_shots": blanked(left, ladder),
                    "n_shots": counts[one].sum(axis=1).astype(int),
                },
                index,
            )
            pd.testing.assert_frame_equal(chain.pair(player, opponent), expected)


def redrawn_chains(chain, table, slow, draws, seed):
    """Counts of every draw of rallies within matches, in the order of the matches' names."""
    matches = table.drop_duplicates("rally_id")["match"].astype(str).tolist()
    for weight in slow.redrawn(matches, draws, np.random.default_rng(seed)):
        yield emptied(plain_counts(table, weight))[0]


def test_intervals_of_states_and_rows_by_rallies_drawn_again(labelled, slow):
    """Every table with intervals, each draw walked through by itself."""
    chain = sw.RallyChain(by_label).fit(labelled)
    draws, level = 12, 0.8
    ladders, values, lengths, own, own_values, own_lengths = [], [], [], [], [], []
    at = chain.players_.index("Cedar")
    for counts in redrawn_chains(chain, labelled, slow, draws, 0):
        ladder = plain_ladder(counts)
        share, left = slow.chances(ladder, ladder)
        ladders.append(ladder)
        values.append(blanked(share, ladder))
        lengths.append(blanked(left, ladder))
        mine = chain.pooling_.rows(counts)[at]
        share, left = slow.chances(mine, ladder)
        own.append(mine)
        own_values.append(blanked(share, ladder))
        own_lengths.append(blanked(left, ladder))

    def ends(some):
        found = [slow.limits(column, level) for column in np.array(some).reshape(draws, -1).T]
        return np.transpose(found)

    def with_ends(middle, some_values, some_lengths):
        found = {}
        for name, some in (("win_probability", some_values), ("expected_shots", some_lengths)):
            low, high = ends(some)
            found |= {name: middle[name], f"{name}_low": low, f"{name}_high": high}
        return pd.DataFrame({**found, "n_shots": middle["n_shots"]})

    middle = {
        "win_probability": chain.win_probability_,
        "expected_shots": chain.expected_shots_,
        "n_shots": chain.visits_,
    }
    expected = with_ends(middle, values, lengths)
    assert expected["win_probability_low"].isna().sum() >= 3
    pd.testing.assert_frame_equal(chain.state_values(draws, level), expected)
    pd.testing.assert_frame_equal(shown_values(chain, None, draws, level), expected)
    mine = with_ends(chain.pair("Cedar"), own_values, own_lengths)
    pd.testing.assert_frame_equal(shown_values(chain, "Cedar", draws, level)[[*mine.columns]], mine)
    for player, some in ((None, ladders), ("Cedar", own)):
        for found, end in zip(row_limits(chain, player, draws, level), ends(some), strict=True):
            np.testing.assert_allclose(found.ravel(), end, rtol=1e-9, atol=1e-12)
    rows, n = shown_rows(chain, None)
    np.testing.assert_array_equal(rows, chain.transition_)
    assert n.tolist() == chain.visits_.tolist()
    rows, n = shown_rows(chain, "Cedar")
    np.testing.assert_array_equal(rows, chain.rows_[at])
    assert n.tolist() == chain.counts_[at].sum(axis=1).tolist()


def test_a_long_list_of_draws_taken_in_pieces_is_the_whole(labelled, monkeypatch):
    chain = sw.RallyChain(by_label).fit(labelled)
    whole = chain.state_values(7, 0.9, 3), shown_values(chain, "Elm", 7, 0.9)
    monkeypatch.setattr(intervals, "_CHUNK_CELLS", 2 * chain.counts_.size + 1)
    again = chain.state_values(7, 0.9, 3), shown_values(chain, "Elm", 7, 0.9)
    for one, other in zip(whole, again, strict=True):
        pd.testing.assert_frame_equal(one, other)
    assert not chain.state_values(7, 0.9, 4).equals(whole[0])
    boot = intervals.RallyBootstrap(chain.moves(), chain.pooling_, 7, np.random.default_rng(3))
    assert [len(some) for some in boot.counts()] == [2, 2, 2, 1]
    assert len(list(boot.rows())) == 7
    monkeypatch.setattr(intervals, "_CHUNK_CELLS", 1)
    assert [len(some) for some in boot.counts()] == [1] * 7


def test_a_chain_of_parts_is_that_of_the_whole_but_for_shots(labelled):
    """And a log in which one part alone has balls charted in short has states for them in all."""

    class InParts:
        columns = tuple(labelled.columns)

        def each(self, function):
            for name in ("m3", "m2", "m1", "m10"):
                yield function(labelled[labelled["match"] == name])

    for rule in (by_label, None):
        whole, parts = sw.RallyChain(rule).fit(labelled), sw.RallyChain(rule).fit(InParts())
        assert (parts.states_, parts.players_) == (whole.states_, whole.players_)
        np.testing.assert_array_equal(parts.counts_, whole.counts_)
        np.testing.assert_allclose(parts.rows_, whole.rows_, rtol=1e-12)
        with pytest.raises(DataError, match="this answer about a chain needs the shots"):
            parts.state_values(2)
    assert whole.states_[-1] == "loose, in short"


def test_a_log_of_nothing_known_is_refused(labelled):
    with pytest.raises(DataError, match="no shot has both a known state and a known contin"):
        sw.RallyChain(by_label).fit(labelled.assign(label=None))
    with pytest.raises(DataError, match="no player 'Ash' in the chain; it knows Alder, Birch, Ced"):
        sw.RallyChain(by_label).fit(labelled).pair("Ash")
