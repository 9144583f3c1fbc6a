import numpy as np
import pandas as pd
import pytest

import sidewall as sw
from sidewall.errors import DataError
from sidewall.rallies.credit import finished_next, loose_next, matched_table
from sidewall.rallies.transitions import ChainCounts, add_up


def test_next_loose_and_finish_by_a_plain_loop(chain, shots):
    moves = chain.moves()
    is_loose = (shots["gap_m"] >= 0.5).to_numpy()
    loose, finish = loose_next(moves, is_loose), finished_next(moves)
    for _, rally in shots[shots["rally_id"] < 60].groupby("rally_id"):
        rows = rally.index.to_numpy()
        for k, row in enumerate(rows):
            later = rows[k + 2] if k + 2 < len(rows) else None
            assert loose[row] == (later is not None and is_loose[later])
            won = later == rows[-1] and rally["won"].iloc[-1] == 1.0
            assert finish[row] == (later is not None and bool(won))


def planted(chain, rng, effect):
    """Outcomes in which drives across add `effect`, and loose states add for everyone."""
    table = chain.moves().table
    gap = table["gap_m"].fillna(0.3).clip(0, 1)
    cross = (table["stroke"] == "drive") & (table["direction"] == "cross")
    return (rng.random(len(table)) < 0.2 + 0.4 * gap + effect * cross).to_numpy().astype(float)


@pytest.mark.parametrize("effect", [0.0, 0.15])
def test_a_planted_effect_is_found_and_none_is_not(chain, effect):
    outcome = planted(chain, np.random.default_rng(6), effect)
    by = ["stroke", "direction"]
    table = matched_table(chain, outcome, by, 200, 0.95, np.random.default_rng(1))
    row = table[(table["stroke"] == "drive") & (table["direction"] == "cross")].iloc[0]
    assert row["difference"] == pytest.approx(effect, abs=0.04)
    assert row["difference_low"] <= effect + 0.03
    assert row["difference_high"] >= effect - 0.03
    if effect:
        assert row["difference_low"] > 0
    moves = chain.moves()
    goes_on = moves.target < len(moves.states)
    assert table["n_shots"].sum() == (goes_on & (moves.table["stroke"] != "serve")).sum()


@pytest.mark.parametrize("name", ["balance", "depth"])
def test_a_shot_played_from_harder_balls_gets_no_blame_for_them(chain, name):
    """What comes hangs on the ball alone; without that column kinds of shot would differ by it."""
    levels = chain.moves().table[name]
    told = levels.notna().to_numpy()
    outcome = (levels == levels[told].mode()[0]).to_numpy(dtype=float)
    options = ["stroke"], 20, 0.95, np.random.default_rng(2)
    table = matched_table(chain, outcome, *options)
    matched = table[table["n_matched_shots"] > 0]
    assert matched["difference"].to_numpy() == pytest.approx(0.0, abs=1e-12)
    assert len(set(matched["matched_share"])) > 1


def test_credit_carries_points_counts_and_intervals(chain):
    table = chain.set_up_credit(draws=60)
    assert {"n_shots", "n_rallies", "matched_share"} <= set(table)
    assert (np.sign(table["points_per_100"]) == np.sign(table["difference"])).all()
    for name in ("difference", "points_per_100"):
        assert (table[f"{name}_low"] <= table[name]).all()
        assert (table[name] <= table[f"{name}_high"]).all()


def test_by_player_and_personal_thresholds(chain):
    thresholds = pd.DataFrame(
        {"player": ["Alder"], "side": ["forehand"], "family": ["ground"], "threshold_m": [0.3]}
    )
    table = chain.set_up_credit(["player", "stroke"], sw.LooseBall(thresholds), draws=40)
    assert set(table["player"]) == {"Alder", "Birch", "Cedar", "Elm"}


def test_an_unknown_column_is_named(chain):
    with pytest.raises(sw.errors.DataError, match="spin"):
        chain.finish_credit(["spin"], draws=5)


def test_kinds_that_one_player_never_mixes_cannot_be_compared(chain):
    with pytest.raises(sw.errors.DataError, match="nothing to compare"):
        chain.set_up_credit(["player"], draws=5)


@pytest.mark.parametrize("credit", ["set_up_credit", "finish_credit"])
def test_credit_of_kept_shots_is_that_of_one_player_among_all(chain, credit):
    # the comparison is within players, so one player's rows come out of either table
    table = getattr(chain, credit)(["player", "stroke"], draws=2)
    own = getattr(chain, credit)(["player", "stroke"], draws=2, keep="player == 'Elm'")
    pd.testing.assert_frame_equal(
        own, table[table["player"] == "Elm"].reset_index(drop=True), check_dtype=False
    )


def test_matched_shots_by_plain_loops(chain):
    """Shots of a kind, each against all others of its place, also where there is but one."""
    moves = chain.moves()
    outcome = (moves.table["gap_m"].fillna(0.0) > 0.4).to_numpy(dtype=float)
    table = matched_table(chain, outcome, ["stroke"], 2, 0.95, np.random.default_rng(0))
    use = (moves.start >= 0) & (moves.target < len(moves.states))
    use &= (moves.table["stroke"] != "serve").to_numpy()
    rows = moves.table.loc[use, ["player", "stroke", "depth", "balance"]].astype(object)
    rows = rows.where(rows.notna(), "none").assign(state=moves.start[use], y=outcome[use])
    others = set()
    for row in table.itertuples():
        n, own, other = 0, 0.0, 0.0
        for _, place in rows.groupby(["player", "state", "depth", "balance"]):
            mine = place["stroke"] == row.stroke
            if mine.any() and not mine.all():
                n += mine.sum()
                own += place.loc[mine, "y"].sum()
                other += mine.sum() * place.loc[~mine, "y"].mean()
                others.add(int((~mine).sum()))
        assert row.n_matched_shots == n
        assert row.share == pytest.approx(own / n)
        assert row.matched_share == pytest.approx(other / n)
    assert 1 in others


def test_parts_with_other_states_are_refused_whichever_comes_first():
    one, two = (ChainCounts([name], ["Elm"], np.zeros((1, 1, 4))) for name in ("loose", "tight"))
    for parts in ((one, two), (two, one)):
        with pytest.raises(DataError, match="other states in other parts"):
            add_up(parts)
    assert add_up([one, one]).states == ["loose"]
