import numpy as np
import pandas as pd
import pytest

import sidewall as sw
from sidewall.errors import DataError
from sidewall.rallies import credit as module
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


def test_parts_with_other_states_are_refused_whichever_comes_first():
    one, two = (ChainCounts([name], ["Elm"], np.zeros((1, 1, 4))) for name in ("loose", "tight"))
    for parts in ((one, two), (two, one)):
        with pytest.raises(DataError, match="other states in other parts"):
            add_up(parts)
    assert add_up([one, one]).states == ["loose"]


@pytest.fixture(scope="module", params=[64, 65])
def hard(hard_log, request):
    """A chain of a hard log in which balls have a state, a depth and a balance in common."""
    table = hard_log(request.param, 160, short=False)
    table = table.assign(balance=table["balance"].where(table["balance"] == "set"))
    return sw.RallyChain(sw.BallStates((0.4,))).fit(table)


def plain_table(chain, outcome, by, slow, draws, level, seed, loose=None, keep=None):
    """Each kind against the other shots of its places, a place and a draw at a time."""
    table = chain.moves().table
    states = sw.BallStates((0.4,))(table).astype(object)
    rng = np.random.default_rng(seed)
    of_match = table.drop_duplicates("rally_id")["match"].astype(str).tolist()
    weight = np.vstack([np.ones(len(of_match)), slow.redrawn(of_match, draws, rng)])
    shots = table.to_dict("records")
    beside = [name for name in ("depth", "balance") if name not in by]
    kinds, places = {}, {}
    for k, shot in enumerate(shots):
        on = shot["shots_left"] > 0
        known = pd.notna(states.iloc[k]) and shot["stroke"] != "serve"
        if not (on and known and (keep is None or keep(shot))):
            continue
        key = tuple("not charted" if pd.isna(shot[name]) else shot[name] for name in by)
        place = (shot["player"], states.iloc[k], *(str(shot[name]) for name in beside))
        kinds.setdefault(key, []).append(k)
        places.setdefault(place, []).append((key, k))

    def compare(w, kind):
        n = own = other = 0.0
        for met in places.values():
            mine = [k for key, k in met if key == kind]
            rest = [k for key, k in met if key != kind]
            m, r = (sum(w[shots[k]["rally_id"]] for k in some) for some in (mine, rest))
            if m and r:
                n += m
                own += sum(w[shots[k]["rally_id"]] * outcome[k] for k in mine)
                other += m * sum(w[shots[k]["rally_id"]] * outcome[k] for k in rest) / r
        return (own / n, other / n, n) if n else (np.nan, np.nan, 0.0)

    value, balls = chain.ball_value_, np.array([shot["stroke"] != "serve" for shot in shots])
    if loose is not None:
        phi = value.columns(table)
        more = phi[balls & loose].mean(axis=0) - phi[balls & ~loose].mean(axis=0)
        worth = float(more @ value.weights_)
        drawn = worth + value.draws(draws, rng) @ more
    rows = []
    for kind in sorted(kinds):
        (share, matched, n), *again = (compare(w, kind) for w in weight)
        off = [own - other for own, other, _ in again]
        row = [*kind, share, matched, share - matched, *slow.limits(off, level), len(kinds[kind])]
        row += [len({shots[k]["rally_id"] for k in kinds[kind]}), int(n)]
        if loose is not None:
            points = [100 * one * other for one, other in zip(drawn, off, strict=True)]
            row += [100 * worth * (share - matched), *slow.limits(points, level)]
        rows.append(row)
    names = [*by, "share", "matched_share", "difference", "difference_low", "difference_high"]
    names += ["n_shots", "n_rallies", "n_matched_shots"]
    if loose is not None:
        names += ["points_per_100", "points_per_100_low", "points_per_100_high"]
    return pd.DataFrame(rows, columns=names)


def two_on(table, told):
    """What is told of the shot after next, in the same rally; 0 where there is none."""
    shots = table.to_dict("records")
    return [float(s["shots_left"] >= 2 and told(shots[k + 2])) for k, s in enumerate(shots)]


@pytest.mark.parametrize("by", [("stroke",), ("stroke", "direction"), ("player", "depth")])
@pytest.mark.parametrize("keep", [None, "opponent_place == 'behind'"])
def test_the_whole_table_of_credit_by_plain_loops(hard, slow, by, keep):
    """Set-up and finish; blanks are a kind of their own, and a place of their own."""
    table, draws, level, seed = hard.moves().table, 6, 0.6, 8
    asked = None if keep is None else (lambda shot: shot["opponent_place"] == "behind")
    loose = (table["gap_m"] >= 0.5).to_numpy()
    outcome = two_on(table, lambda shot: shot["gap_m"] >= 0.5)
    expected = plain_table(hard, outcome, by, slow, draws, level, seed, loose, asked)
    found = hard.set_up_credit(by, None, draws, level, seed, keep)
    pd.testing.assert_frame_equal(found.astype(expected.dtypes), expected, rtol=1e-9)
    outcome = two_on(table, lambda shot: shot["shots_left"] == 0 and shot["won"] == 1)
    expected = plain_table(hard, outcome, by, slow, draws, level, seed, None, asked)
    found = hard.finish_credit(by, draws, level, seed, keep)
    pd.testing.assert_frame_equal(found.astype(expected.dtypes), expected, rtol=1e-9)


def test_redrawn_cells_taken_in_pieces_are_the_whole(hard, monkeypatch):
    whole = hard.set_up_credit("stroke", draws=7)
    for most in (1, 40, 10_000):
        monkeypatch.setattr(module, "_MOST_NUMBERS", most)
        pd.testing.assert_frame_equal(hard.set_up_credit("stroke", draws=7), whole)


def test_credit_is_by_stroke_and_direction_of_itself(hard):
    by = ("stroke", "direction")
    one = hard.set_up_credit(draws=3)
    pd.testing.assert_frame_equal(one, hard.set_up_credit(by, sw.LooseBall(), 3, 0.95, 0))
    pd.testing.assert_frame_equal(hard.finish_credit(draws=3), hard.finish_credit(by, 3, 0.95, 0))
