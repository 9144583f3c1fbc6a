"""Every move of a log by a plain walk through its rallies."""

from itertools import groupby

import numpy as np
import pytest

import sidewall as sw
from sidewall.errors import DataError
from sidewall.rallies.transitions import ChainCounts, CountPart, add_up, transitions

SEEDS = range(51, 54)


def walk(table, rule):
    """Start, target, striker and opponent of every shot, by name; None where not known."""
    names = ["rally_id", "won", "player", "opponent"]
    shots = table[names].assign(state=rule(table).astype(object)).to_dict("records")
    rows = []
    for rally, found in groupby(shots, key=lambda shot: shot["rally_id"]):
        some = list(found)
        states = [shot["state"] if shot["state"] == shot["state"] else None for shot in some]
        for k, shot in enumerate(some):
            if k + 1 < len(some):
                to = states[k + 1]
            else:
                to = "let" if np.isnan(shot["won"]) else "win" if shot["won"] == 1 else "lose"
            rows.append((states[k], to, shot["player"], shot["opponent"], rally))
    return rows


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("words", [False, True])
def test_moves_and_their_counts_by_a_plain_walk(hard_log, seed, words):
    """With a state of no name, rallies of one shot, lets; and a rule that gives plain words."""
    table = hard_log(seed)
    rule = sw.BallStates((0.3,))
    states = rule.names

    def in_words(some):
        return rule(some).astype(object)

    moves = transitions(table, in_words if words else rule)
    expected = walk(table, rule)
    if words:
        states = sorted({row[0] for row in expected if row[0]})
    to = [*states, "win", "lose", "let"]
    names = sorted({*table["player"], *table["opponent"]})
    assert moves.states == states
    assert moves.players == names == ["Alder", "Birch", "Cedar", "Elm"]
    counts = np.zeros((len(names), len(states), len(to)))
    for k, (start, target, player, opponent, rally) in enumerate(expected):
        assert moves.start[k] == (states.index(start) if start else -1)
        assert moves.target[k] == (to.index(target) if target else -1)
        assert (moves.striker[k], moves.opponent[k]) == (names.index(player), names.index(opponent))
        assert moves.rally[k] == rally
        assert moves.known[k] == bool(start and target)
        assert moves.pair[k] == names.index(player) * 4 + names.index(opponent)
        if start and target:
            counts[names.index(player), states.index(start), to.index(target)] += 1
    assert len(moves.start) == len(expected) == len(table)
    found = CountPart(in_words if words else rule)(table)
    assert (found.states, found.players) == (states, names)
    np.testing.assert_array_equal(found.counts, counts)


@pytest.mark.parametrize("seed", SEEDS)
def test_parts_of_matches_in_any_order_count_as_the_whole(hard_log, seed):
    """Names come up in another order in every part, and not all in each."""
    table, rule = hard_log(seed), sw.BallStates((0.3,), in_short=True)
    whole = ChainCounts.of(transitions(table, rule))
    for names in (["m2", "m10", "m1", "m3"], ["m3", "m1", "m2", "m10"]):
        parts = (CountPart(rule)(table[table["match"] == name]) for name in names)
        found = add_up(parts)
        assert (found.states, found.players) == (whole.states, whole.players)
        np.testing.assert_array_equal(found.counts, whole.counts)


def test_states_and_players_of_a_chain_are_kept_and_others_refused_by_name(hard_log):
    table, rule = hard_log(51), sw.BallStates((0.3,))
    more = ["Ash", "Elm", "Cedar", "Birch", "Alder", "Yew"]
    moves = transitions(table, rule, more, rule.names)
    assert moves.players == more
    assert [more[k] for k in moves.striker] == list(table["player"])
    with pytest.raises(DataError, match=r"does not know Alder, Elm; fit it again"):
        transitions(table, rule, ["Birch", "Cedar"], rule.names)
    # who only ever met a serve that ended the rally struck no shot
    only = table[table["rally_length"].eq(1) & table["player"].eq("Birch")]
    only = only[only["match"] == "m2"]
    assert set(only["opponent"]) == {"Alder"}
    for known, strange in (("Birch", "Alder"), ("Alder", "Birch")):
        with pytest.raises(DataError, match=f"does not know {strange};"):
            transitions(only, rule, [known])
    assert transitions(only, rule).players == ["Alder", "Birch"]
    with pytest.raises(DataError, match="other states than the fitted chain has"):
        transitions(table, rule, None, rule.names[:-1])
