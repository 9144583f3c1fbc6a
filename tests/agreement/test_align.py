from collections import Counter
from dataclasses import replace
from itertools import combinations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from sidewall.agreement import align
from sidewall.agreement.align import (
    _NEVER,
    Charted,
    _differ,
    _rallies,
    line_up,
    rally_costs,
    shot_costs,
)
from sidewall.errors import DataError
from sidewall.features.rallies import rally_runs
from sidewall.log.vocabulary import VOCABULARY
from sidewall.simulate.charter import second_charter


def cheapest(cost, leave):
    """Least cost over every set of pairs in order, by trying them all."""
    n, m = cost.shape
    return min(
        sum(cost[i, j] for i, j in zip(a, b, strict=True)) + leave * (n + m - 2 * k)
        for k in range(min(n, m) + 1)
        for a in combinations(range(n), k)
        for b in combinations(range(m), k)
    )


@settings(deadline=None)
@given(
    arrays(np.float64, st.tuples(st.integers(0, 5), st.integers(0, 5)),
           elements=st.floats(0, 4, width=16)),
    st.sampled_from([0.5, 1.0, 1.3]),
)  # fmt: skip
def test_no_alignment_is_cheaper(cost, leave):
    first, second = line_up(cost, leave)
    assert [i for i in first if i >= 0] == list(range(cost.shape[0]))
    assert [j for j in second if j >= 0] == list(range(cost.shape[1]))
    paired = (first >= 0) & (second >= 0)
    total = cost[first[paired], second[paired]].sum() + leave * np.sum(~paired)
    assert total == pytest.approx(cheapest(cost, leave), abs=1e-9)


def test_words_line_up():
    one, two = np.array(list("abcdef")), np.array(list("abdxef"))
    first, second = line_up(2.5 * (one[:, None] != two), 1.0)
    assert first.tolist() == [0, 1, 2, 3, -1, 4, 5]
    assert second.tolist() == [0, 1, -1, 2, 3, 4, 5]


def same_moment(table, first, second):
    """Whether each agreed pair is one shot in truth, told by its exact time."""
    both = table[table["status"] == "agreed"]
    times = [
        shots.set_index("line")["t_s"].loc[both[f"line_{w}"].astype(int)].to_numpy()
        for shots, w in ((first, "first"), (second, "second"))
    ]
    return np.abs(times[0] - times[1]) < 1e-9


def test_a_log_agrees_with_itself(match):
    found = align(match, match)
    assert (found["status"] == "agreed").all()
    np.testing.assert_array_equal(found["shot_first"], match["shot"])
    np.testing.assert_array_equal(found["gap_m_first"], match["gap_m"])
    assert (found["stroke_first"] == found["stroke_second"]).all()
    assert found["rally_pair"].nunique() == len(match.drop_duplicates(["game", "rally"]))


@pytest.mark.parametrize("times", [True, False])
def test_missed_shots_and_rallies_are_found(match, times):
    second = second_charter(match, miss=0.03, miss_rally=0.05, confuse=0.08, gap_sd_m=0.07, seed=6)
    drop = [] if times else ["t_s"]
    found = align(match.drop(columns=drop), second.drop(columns=drop))
    counts = found["status"].value_counts()
    assert counts["missed by second"] == len(match) - len(second) > 20
    assert counts["missed by first"] == 0
    assert counts["agreed"] == len(second)
    right = same_moment(found, match, second)
    # without times, one of two like shots may be taken for the other
    assert right.mean() == 1.0 if times else right.mean() > 0.98


def test_swapping_the_logs_swaps_the_answer(match):
    second = second_charter(match, miss=0.03, miss_rally=0.05, seed=6)
    one, two = align(match, second), align(second, match)
    assert (one["status"] == "missed by second").sum() == (two["status"] == "missed by first").sum()
    lone = two[two["status"] == "missed by first"]
    assert lone["shot_first"].isna().all()
    assert lone["shot_second"].notna().all()
    assert lone["player"].notna().all()


def test_every_shot_of_either_stands_once(two_charters):
    found = align(*two_charters)
    for shots, whose in zip(two_charters, ("first", "second"), strict=True):
        assert found[f"line_{whose}"].dropna().astype(int).tolist() == shots["line"].tolist()


def test_clocks_that_differ_are_set_alike(match):
    second = second_charter(match, miss=0.03, miss_rally=0.05, time_sd_s=0.2, seed=6)
    late = second.assign(t_s=second["t_s"] + 754.0)
    columns = ["status", "shot_first", "shot_second", "rally_pair"]
    pd.testing.assert_frame_equal(align(match, second)[columns], align(match, late)[columns])


def test_a_rally_typed_under_another_number_is_the_same_rally(match):
    second = match.copy()
    second["rally"] += 7
    found = align(match, second)
    assert (found["status"] == "agreed").all()
    assert (found["rally_second"] - found["rally"] == 7).all()


def test_serves_meet_serves_and_players_themselves(two_charters):
    found = align(*two_charters)
    both = found[found["status"] == "agreed"]
    serves = both["stroke_first"] == "serve"
    assert (serves == (both["stroke_second"] == "serve")).all()
    names = [
        shots.set_index("line")["player"].astype(str).loc[both[f"line_{w}"].astype(int)].to_numpy()
        for shots, w in zip(two_charters, ("first", "second"), strict=True)
    ]
    assert (names[0] == names[1]).all()


def test_only_columns_of_both_are_compared(match):
    second = match.drop(columns=["balance", "x_m"])
    found = align(match, second)
    assert "balance_first" not in found
    assert "x_m_second" not in found
    assert "contact_second" in found


def test_matches_of_one_log_only_are_left_out(ladder, match):
    found = align(ladder, match)
    assert found["match"].unique().tolist() == ["m01"]
    assert (found["status"] == "agreed").all()


def test_refusals(match):
    other = match.assign(match=pd.Categorical(["final"] * len(match)))
    with pytest.raises(DataError, match=r"no match in common.*m01.*final"):
        align(match, other)
    renamed = match.copy()
    renamed["player"] = renamed["player"].astype(str).replace({"Alder": "Ald"})
    renamed["opponent"] = renamed["opponent"].astype(str).replace({"Alder": "Ald"})
    renamed["rally_won_by"] = renamed["rally_won_by"].astype(object).replace({"Alder": "Ald"})
    with pytest.raises(DataError, match="m01: the players are Alder and Rowan"):
        align(match, renamed)
    with pytest.raises(DataError, match="no column gap_m"):
        align(match, match.drop(columns="gap_m"))


def test_what_is_blank_differs_from_nothing():
    blank_or_word = np.array([-1, 0, 2])
    assert _differ(blank_or_word, blank_or_word).tolist() == [
        [False, False, False],
        [False, False, True],
        [False, True, False],
    ]


@pytest.mark.parametrize("column", ["player", "stroke"])
def test_shots_of_two_players_are_never_one_nor_is_a_serve_anything_else(match, column):
    """One of the two is enough to keep shots apart, however alike they are in all else."""
    names = sorted(match["player"].astype(str).unique())
    one = Charted.of(match, rally_runs(match), names)
    serve = np.flatnonzero(one.words["stroke"] == 0)[:1]
    other = {name: part.copy() for name, part in one.words.items()}
    other["stroke"][serve] = 3
    two = {
        "player": replace(one, player=1 - one.player),
        "stroke": replace(one, words=other),
    }[column]
    alike = shot_costs(one, one, serve, serve, 0.0).item()
    assert alike == 0.0
    assert shot_costs(one, two, serve, serve, 0.0).item() >= _NEVER


def test_rallies_cost_the_same_whoever_is_first(match):
    """Also where one charter knows a stroke that the other never names."""
    names = sorted(match["player"].astype(str).unique())
    one = Charted.of(match, rally_runs(match), names)
    words = one.words | {"stroke": np.where(one.words["stroke"] == 2, 1, one.words["stroke"])}
    two = replace(one, words=words)
    assert (one.words["stroke"] == 2).any()
    there, back = rally_costs(one, two, 2, 0.0), rally_costs(two, one, 2, 0.0)
    np.testing.assert_allclose(there, back.T)
    assert (np.diag(there) > 0).any()


@pytest.mark.parametrize(
    ("field", "apart", "costs"), [("t_s", 0.5, 1.5 / 4), ("t_s", 9.0, 1.5), ("gap_m", 0.2, 0.2)]
)
def test_a_shot_noted_elsewhere_or_later_costs_in_proportion_up_to_a_limit(
    match, field, apart, costs
):
    """Two seconds and more cost one and a half, half a metre and more a half."""
    names = sorted(match["player"].astype(str).unique())
    one = Charted.of(match, rally_runs(match), names)
    at = np.flatnonzero(~np.isnan(one.gap_m) & ~np.isnan(one.t_s))[:1]
    two = replace(one, **{field: getattr(one, field) + apart})
    assert shot_costs(one, two, at, at, 0.0).item() == pytest.approx(costs)


@pytest.mark.parametrize(
    ("what", "costs"), [("server", 1.0), ("winner", 0.5), ("ending", 0.25), ("game", 0.5)]
)
def test_rallies_alike_but_for_one_thing_cost_what_that_thing_weighs(match, what, costs):
    """Another server's serve is also a stroke more of the one and a stroke less of the other."""
    names = sorted(match["player"].astype(str).unique())
    one = Charted.of(match, rally_runs(match), names)
    server = one.player.copy()
    server[one.first] = 1 - server[one.first]
    ending = one.words["ending"].copy()
    ending[one.last] = np.where(ending[one.last] == 0, 1, 0)
    two = {
        "server": replace(one, player=server),
        "winner": replace(one, winner=1 - one.winner),
        "ending": replace(one, words=one.words | {"ending": ending}),
        "game": replace(one, game=one.game + 1),
    }[what]
    alike, unlike = (np.diag(rally_costs(one, other, 2, 0.0)) for other in (one, two))
    assert (alike == 0.0).all()
    shots = one.last - one.first + 1
    strokes = 1.5 * 2 / (2 * shots) if what == "server" else np.zeros(len(shots))
    won = one.winner >= 0  # what is blank costs nothing
    assert 0 < (~won).sum() < won.sum()
    np.testing.assert_allclose(unlike[won], (costs + strokes)[won])


def off(one, two, wide):
    """Distance as a share of `wide`, one at most, nothing where either is blank."""
    return 0.0 if np.isnan(one - two) else min(abs(one - two) / wide, 1.0)


def unlike(one, two):
    return not (pd.isna(one) or pd.isna(two)) and one != two


def shot_cost(a, b, late_s):
    """What two shots cost as one, by the words at the head of the module."""
    cost = 0.5 * off(a["gap_m"], b["gap_m"], 0.5)
    cost += 1.5 * off(a.get("t_s", np.nan) + late_s, b.get("t_s", np.nan), 2.0)
    for name, weight in (("stroke", 0.5), ("side", 0.5), ("direction", 0.15), ("contact", 0.15),
                         ("choice", 0.1)):  # fmt: skip
        cost += weight * (name in a and name in b and unlike(a[name], b[name]))
    serves = [shot["stroke"] == "serve" for shot in (a, b)]
    return cost + 10.0 * (a["player"] != b["player"] or serves[0] != serves[1])


def rally_cost(a, b, late_s):
    kinds = [Counter((str(s["player"]), str(s["side"]), str(s["stroke"])) for s in rally)
             for rally in (a, b)]  # fmt: skip
    differ = sum(abs(kinds[0][kind] - kinds[1][kind]) for kind in {*kinds[0], *kinds[1]})
    cost = 1.5 * differ / (len(a) + len(b)) + abs(len(a) - len(b)) / max(len(a), len(b))
    cost += 1.0 * (a[0]["player"] != b[0]["player"])
    cost += 0.5 * unlike(a[-1]["rally_won_by"], b[-1]["rally_won_by"])
    cost += 0.25 * unlike(a[-1]["ending"], b[-1]["ending"])
    cost += 0.5 * (a[0]["game"] != b[0]["game"])
    return cost + 3.0 * off(a[0].get("t_s", np.nan) + late_s, b[0].get("t_s", np.nan), 10.0)


def slow_align(first, second):
    """Rows as (number of the pair, shot of the first or None, of the second or None)."""
    logs = [
        {match: [rally.to_dict("records") for _, rally in shots.groupby(["game", "rally"])]
         for match, shots in log.groupby("match", observed=True, sort=False)}
        for log in (first, second)
    ]  # fmt: skip
    rows, number = [], 0

    def lined_up(one, two, cost, late_s):
        table = np.array([[cost(a, b, late_s) for b in two] for a in one])
        places = zip(*line_up(table.reshape(len(one), len(two)), 1.0), strict=True)
        return [(one[i] if i >= 0 else None, two[j] if j >= 0 else None) for i, j in places]

    for match, one in logs[0].items():
        if match not in logs[1]:
            continue
        two = logs[1][match]
        pairs = lined_up(one, two, rally_cost, np.nan)
        late = [b[0].get("t_s", np.nan) - a[0].get("t_s", np.nan) for a, b in pairs if a and b]
        late = [each for each in late if not np.isnan(each)]
        late_s = np.median(late) if len(late) >= 5 else np.nan
        if len(late) >= 5:
            pairs = lined_up(one, two, rally_cost, late_s)
        for a, b in pairs:
            if a and b:
                rows += [(number, *pair) for pair in lined_up(a, b, shot_cost, late_s)]
            else:
                rows += [(number, shot, None) for shot in a or []]
                rows += [(number, None, shot) for shot in b or []]
            number += 1
    return rows


@pytest.mark.parametrize("times", ["both", "one", "few"])
def test_all_columns_by_loops(hard, charted_again, times):
    """Two hands, one of them late, with blanks, missed rallies and shots, and other matches."""
    first = charted_again(hard(15, matches=3, rallies=8), 2)
    second = charted_again(hard(15, matches=4, rallies=8), 1, late_s=300.25)
    second = second[second["match"] != "m1"].reset_index(drop=True)
    if times == "one":
        second = second.drop(columns=["t_s", "balance"])
    elif times == "few":  # of which too few are begun together to set a clock
        second["t_s"] = second["t_s"].where(second.index < 20)
    found, rows = align(first, second), slow_align(first, second)
    names = [name for name in (*VOCABULARY, "gap_m", "x_m", "y_m", "bounce_x_m", "bounce_y_m",
                               "t_s", "line") if name in first and name in second]  # fmt: skip
    wanted = []
    for number, a, b in rows:
        whose = "agreed" if a and b else "missed by second" if a else "missed by first"
        row = {"match": (a or b)["match"]}
        for name in ("game", "rally"):
            row |= {name: a and a[name], f"{name}_second": b and b[name]}
        row |= {"rally_pair": number, "shot_first": a and a["shot"], "shot_second": b and b["shot"],
                "player": (a or b)["player"], "status": whose}  # fmt: skip
        for name in names:
            row |= {f"{name}_first": a and a[name], f"{name}_second": b and b[name]}
        wanted.append(row)
    wanted = pd.DataFrame(wanted).astype(object)
    assert list(found) == list(wanted)
    told = found.astype(object)
    pd.testing.assert_frame_equal(
        told.where(told.notna(), None), wanted.where(wanted.notna(), None)
    )
    assert found["match"].cat.categories.tolist() == ["m0", "m2"]
    kinds = ["agreed", "missed by first", "missed by second"]
    assert found["status"].cat.categories.tolist() == kinds
    assert set(found["status"]) == set(kinds)


def test_five_rallies_begun_in_both_set_the_clocks(hard):
    """With four the clock of the second stays as it is, so that its times tell nothing."""
    shots = hard(16, matches=2, rallies=5, blank=0.0)
    shots = shots[shots["match"] == "m1"].reset_index(drop=True)
    for rallies, known in ((5, True), (4, False)):
        one = shots[shots["rally"] <= rallies].reset_index(drop=True)
        names = sorted(one["player"].astype(str).unique())
        charted = Charted.of(one, rally_runs(one), names)
        (first, second), late_s = _rallies(charted, replace(charted, t_s=charted.t_s + 90.0), 2)
        assert first.tolist() == second.tolist() == list(range(rallies))
        assert (late_s == 90.0) == known == (not np.isnan(late_s))


@pytest.mark.parametrize("late_s", [np.nan, 0.0, -1.25])
def test_what_any_two_rallies_and_shots_cost_by_loops(hard, charted_again, late_s):
    """Every pair of rallies of a match, and every pair of shots of some of them."""
    match = hard(17, matches=2, rallies=12, blank=0.2)
    match = match[match["match"] == "m1"].reset_index(drop=True)
    logs = [charted_again(match, seed) for seed in (4, 5)]
    names = sorted(match["player"].astype(str).unique())
    one, two = (Charted.of(log, rally_runs(log), names) for log in logs)
    rallies = [[part.to_dict("records") for _, part in log.groupby(["game", "rally"])]
               for log in logs]  # fmt: skip
    wanted = [[rally_cost(a, b, late_s) for b in rallies[1]] for a in rallies[0]]
    np.testing.assert_allclose(rally_costs(one, two, 2, late_s), wanted)
    for i, a in enumerate(rallies[0]):
        for j, b in enumerate(rallies[1]):
            rows = [np.arange(c.first[k], c.last[k] + 1) for c, k in ((one, i), (two, j))]
            wanted = [[shot_cost(x, y, late_s) for y in b] for x in a]
            np.testing.assert_allclose(shot_costs(one, two, *rows, late_s), wanted)
    kinds = one.strokes(2)
    assert kinds.sum(axis=1).tolist() == [len(rally) for rally in rallies[0]]


@pytest.mark.parametrize("missed", ["first", "second"])
def test_rallies_of_one_charter_alone_tell_nothing_of_the_clocks(hard, missed):
    shots = hard(18, matches=2, rallies=6, blank=0.0)
    shots = shots[shots["match"] == "m1"].reset_index(drop=True)
    for rallies, known in ((6, True), (5, False)):
        whole = shots[shots["game"] * 5 + shots["rally"] <= 5 + rallies].reset_index(drop=True)
        fewer = whole[(whole["game"] > 1) | (whole["rally"] > 1)].reset_index(drop=True)
        fewer["t_s"] += 90.0
        names = sorted(whole["player"].astype(str).unique())
        pair = [Charted.of(log, rally_runs(log), names) for log in (whole, fewer)]
        (one, two), late_s = _rallies(*(pair if missed == "second" else pair[::-1]), 2)
        assert sorted([one.min(), two.min()]) == [-1, 0]
        wanted = (90.0 if missed == "second" else -90.0) if known else np.nan
        assert late_s == pytest.approx(wanted, nan_ok=True)


def test_a_match_of_a_single_shot(hard):
    shots = hard(19, matches=3, rallies=1, longest=1)
    shots = shots.drop(columns=["t_s"])
    found = align(shots, shots)
    assert found["status"].tolist() == ["agreed"] * 3
    assert found["match"].tolist() == ["m0", "m1", "m2"]
    assert found["rally_pair"].tolist() == [0, 1, 2]
