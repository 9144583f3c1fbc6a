import warnings
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

import sidewall as sw
from sidewall.combinations import BUILT_IN
from sidewall.combinations.tries import break_words
from sidewall.errors import DataError, NotFittedError
from sidewall.scoring import HandInHandOut, Match, PointARally
from sidewall.worklist import CAUTIONS, ITEM_WORDS, WorkList, drill_for, scoring_of, work_list
from sidewall.worklist.gains import LEAST_PLAYERS, Gain, measure_gain, measures
from sidewall.worklist.items import Efforts, item_words
from sidewall.worklist.ladder import LEAST_RALLIES, LEAST_SHOTS, Standing, pooled_draws
from sidewall.worklist.worklist import (
    MAY_BE_NOTHING,
    NOT_KNOWN,
    TOO_SMALL,
    WORTH,
    list_of_player,
    match_gain,
    threshold_columns,
)


@pytest.fixture(scope="module")
def few(ladder, model):
    return WorkList(model, draws=60, seed=4).fit(ladder)


def test_the_list_is_in_order_and_complete(works):
    for player in works.players_:
        table = works.table(player)
        assert sorted(table["item"]) == sorted(works.items_)
        gains = table["gain_per_effort"].dropna().to_numpy()
        assert (np.diff(gains) <= 0).all()
        assert table["rank"].tolist() == list(range(1, len(table) + 1))
        known = table[table["status"] != NOT_KNOWN]
        assert (known["points_per_game_low"] <= known["points_per_game"]).all()
        assert (known["points_per_game"] <= known["points_per_game_high"]).all()
        assert known["first_in"].sum() == pytest.approx(1.0)
        assert set(table["status"]) <= {WORTH, MAY_BE_NOTHING, TOO_SMALL, NOT_KNOWN}
        assert (table["n_shots"] >= 0).all()


def test_status_follows_from_the_interval(works):
    table = works.tables()
    known = table[table["status"] != NOT_KNOWN]
    small = known["points_per_game_high"] < works.useful
    assert (known.loc[small, "status"] == TOO_SMALL).all()
    rest = known[~small]
    assert ((rest["status"] == WORTH) == (rest["points_per_game_low"] > 0)).all()


def test_points_are_shots_a_game_times_the_change_of_one_shot(works):
    """For a value item: a_game * (goal - now) / 100, but for the draws' covariance."""
    table = works.tables()
    some = table[table["unit"].str.startswith("points") & (table["status"] != NOT_KNOWN)]
    product = some["a_game"] * (some["goal"] - some["now"]) / 100.0
    assert some["points_per_game"].to_numpy() == pytest.approx(product.to_numpy(), abs=0.02)


def test_a_share_lies_between_the_players_own_and_what_the_ladder_makes_of_the_balls(works):
    """Counted anew: how often in 100 shots, drawn toward what others do with such balls."""
    ladder, seen = works.ladder_, 0
    for one in measures(ladder)[0]:
        gain = works._gains[one.item]
        if not one.share or gain.why:
            continue
        if one.item == "repeats":  # where there was something to repeat
            some = ladder.table.iloc[one.row]
            assert some["repeats_reply"].notna().all()
            assert (some["same_reply_run"] >= 2).all()
        rows = pd.DataFrame({"player": ladder.player[one.row], "own": one.value})
        rows["ladder"] = one.expected
        per_100 = 100.0 * rows.groupby("player").mean().abs()
        for k in np.flatnonzero(gain.standing.known):
            low, high = sorted(per_100.loc[k])
            error = 100.0 * gain.standing.drawn[:, k].std()
            assert low - error < gain.now[k] < high + error
            seen += 1
    assert seen >= len(works.players_)


def test_a_match_gains_by_exact_scoring(works):
    row = works.table("Rowan").iloc[0]
    own = works.ladder_.table
    mine = (own["player"] == "Rowan") | (own["opponent"] == "Rowan")
    last = own[mine & (own["shots_left"] == 0) & own["rally_won_by"].notna()]
    share = (last["rally_won_by"] == "Rowan").mean()
    assert row["share"] == pytest.approx(share)
    games = own[mine][["match", "game"]].drop_duplicates()
    more = share + row["points_per_game"] / (len(last) / len(games))
    before, after = (Match().match_win_probability(p, p, serving=None) for p in (share, more))
    assert row["match_win"] == pytest.approx(after - before)
    known = works.table("Rowan").query("status != @NOT_KNOWN")
    for end in ("low", "high"):
        points = known[f"points_per_game_{end}"].to_numpy()
        each = match_gain(Match(), share, len(last) / len(games), points)
        assert known[f"match_win_{end}"].to_numpy() == pytest.approx(each)


def test_effort_is_the_coachs_and_changes_the_order(ladder, model, few):
    efforts = {"volley_backhand": 5, "reset_errors": 1}
    hard = WorkList(model, efforts, draws=60, seed=4).fit(ladder)
    before, after = few.table("Rowan").set_index("item"), hard.table("Rowan").set_index("item")
    assert after.loc["reset_errors", "rank"] < after.loc["volley_backhand", "rank"]
    assert after["points_per_game"].to_dict() == pytest.approx(
        before["points_per_game"].to_dict(), nan_ok=True
    )
    assert not after.loc["volley_backhand", "effort_assumed"]
    assert after.loc["length", "effort_assumed"]
    assert after.loc["reset_errors", "first_in"] > before.loc["reset_errors", "first_in"]


def test_evidence_points_into_the_log(works, ladder):
    decisions = works.decisions_
    own = decisions[(decisions["player"] == "Alder") & (decisions["decision"] == "passed up")]
    found = works.evidence("Alder", "passed_up")
    key = ["match", "game", "rally", "shot"]
    assert len(found) == len(own)
    both = found.merge(own[[*key, "points"]], on=key, suffixes=("", "_judged"))
    assert both["points"].to_numpy() == pytest.approx(both["points_judged"].to_numpy())
    assert found["points"].is_monotonic_increasing
    assert found[["line", "t_s"]].notna().all().all()
    rows = ladder.set_index("line").loc[found["line"]]
    assert (rows["player"] == "Alder").all()
    assert (rows["choice"] == "reset").all()


def test_what_each_shot_cost_follows_what_one_of_the_kind_is_worth(works):
    found, _ = measures(works.ladder_)
    for one in found:
        whole, part = (
            measure_gain(works.ladder_, each, None, np.random.default_rng(3)).loss
            for each in (one, replace(one, worth=0.37 * one.worth))
        )
        assert np.abs(whole).max() > 0
        assert part == pytest.approx(0.37 * whole, nan_ok=True)


def test_evidence_of_every_item_has_as_many_shots_as_it_says(works):
    table = works.table("Rowan").set_index("item")
    for item in works.items_:
        if item not in ("forced", "passed_up"):  # there n counts all shots that could be judged
            assert len(works.evidence("Rowan", item)) == table.loc[item, "n_shots"]


def test_half_of_the_decisions_gains_half_of_what_they_cost(ladder, model):
    half = WorkList(model, decision_target="half", draws=200).fit(ladder)
    cost = -half.evidence("Hazel", "forced")["points"].sum()
    row = half.table("Hazel").set_index("item").loc["forced"]
    games = half.ladder_.games[half.players_.index("Hazel")]
    # the pooled standing is drawn a little toward the others
    assert row["points_per_game"] == pytest.approx(cost / games / 2.0, rel=0.15)
    assert "half" in row["target"]


def test_few_shots_are_not_known_yet(ladder, model):
    first = ladder[ladder["match"] == ladder["match"].iloc[0]].reset_index(drop=True)
    works = WorkList(model, draws=100).fit(first)
    table = works.tables()
    unknown = table[table["status"] == NOT_KNOWN]
    assert len(unknown)
    assert unknown["points_per_game"].isna().all()
    short = (unknown["n_shots"] < LEAST_SHOTS) | (unknown["n_rallies"] < LEAST_RALLIES)
    assert 0 < short.sum() < len(short)
    for row in unknown[short].itertuples():
        assert row.why.startswith(f"{row.n_shots} shots in {row.n_rallies} rallies; it takes")
    assert unknown.loc[~short, "why"].str.contains("2 players to compare|on the other side").all()
    # a match knows two players: their sides are set against each other, not against a quartile
    sided = table[table["item"].isin(["attack_backhand", "volley_backhand"])]
    assert sided["target"].str.contains("own forehand").all()
    assert table.loc[table["item"] == "forced", "target"].str.contains("half").all()


def test_a_list_is_made_without_a_warning(ladder, model):
    first = ladder[ladder["match"] == ladder["match"].iloc[0]].reset_index(drop=True)
    with warnings.catch_warnings():
        warnings.simplefilter("error", RuntimeWarning)
        table = WorkList(model, draws=50).fit(first).tables()
    sure = table[table["item"].isin(["forced", "passed_up"])]
    assert (sure["status"] != NOT_KNOWN).all()


def test_most_players_repeat_themselves_more_often_than_the_goal(works):
    """The goal is what a quarter of the players keep below."""
    table = works.tables()
    repeats = table[(table["item"] == "repeats") & (table["status"] != NOT_KNOWN)]
    assert len(repeats) >= LEAST_PLAYERS
    assert (repeats["now"] > repeats["goal"]).mean() > 0.5


def test_a_log_without_places_contact_and_times_still_gets_a_list(ladder):
    gone = ["contact", "direction", "bounce_x_m", "bounce_y_m", "t_s", "wall_z_m", "balance"]
    bare = sw.shot_features(ladder.drop(columns=gone))
    works = WorkList(sw.TightnessModel(draws=200).fit(bare), draws=100).fit(bare)
    assert "length_on_target" in works.missing_
    assert "volley_backhand" in works.missing_
    assert works.table("Linden").iloc[0]["item"] == "length"
    assert "t_s" not in works.evidence("Linden", "length").columns or (
        works.evidence("Linden", "length")["t_s"].isna().all()
    )
    with pytest.raises(DataError, match="cannot be told"):
        works.evidence("Linden", "length_on_target")


def test_seeds_repeat_and_the_function_gives_the_classs_table(small):
    model = sw.TightnessModel(draws=50, strokes=False, situation=()).fit(small)
    works = WorkList(model, draws=60, seed=4).fit(small)
    found = work_list(small, model, draws=60, seed=4)
    pd.testing.assert_frame_equal(found, works.tables())
    own = work_list(small, model, "Rowan", draws=60, seed=4)
    pd.testing.assert_frame_equal(own, works.table("Rowan"))
    other = work_list(small, model, "Rowan", draws=60, seed=5)
    assert not other.equals(own)


def test_parameters_and_players_are_checked(ladder, model, works):
    with pytest.raises(NotFittedError, match="fit"):
        WorkList().table("Rowan")
    with pytest.raises(NotFittedError, match="fit"):
        WorkList().tables()
    with pytest.raises(DataError, match="no player 'Yew' here; known: Rowan"):
        works.table("Yew")
    with pytest.raises(DataError, match="decision_target is 'all'; known: quartile, half"):
        WorkList(model, decision_target="all").fit(ladder)
    with pytest.raises(DataError, match="at least 50"):
        WorkList(model, draws=3).fit(ladder)
    with pytest.raises(DataError, match="did you mean 'length'"):
        works.evidence("Rowan", "lenght")


def test_every_item_has_a_drill_with_three_stages():
    for item in [*ITEM_WORDS, "combination: length then volley"]:
        drill = drill_for(item)
        assert all(len(stage) > 40 for stage in drill.progression)
        assert drill.aim
    said = " ".join(CAUTIONS).lower()
    for word in ("warm up", "gradually", "hurts", "eye protection", "doctor"):
        assert word in said


def test_match_gain_is_zero_for_nothing_and_grows(works):
    gain = match_gain(Match(), 0.5, 20.0, np.array([0.0, 0.2, 1.0, np.nan]))
    assert gain[0] == 0.0
    assert 0.0 < gain[1] < gain[2]
    assert np.isnan(gain[3])


@pytest.mark.parametrize(
    ("word", "game"),
    [("par11", PointARally()), ("par 15", PointARally(15)), ("hiho 9", HandInHandOut(9))],
)
def test_scoring_is_read_from_the_log(ladder, word, game):
    assert scoring_of(ladder.assign(scoring=word)) == Match(game)
    assert scoring_of(ladder.drop(columns="scoring")) == Match()


def test_pooled_standings_shrink_noise_and_keep_what_is_sure():
    rng = np.random.default_rng(5)
    truth = rng.normal(0.0, 0.02, 40)
    for error, kept in ((0.002, 0.9), (0.06, 0.5)):
        raw = truth + rng.normal(0.0, error, 40)
        drawn = raw + rng.normal(0.0, error, (800, 40))
        found = pooled_draws(raw, drawn, 0.05, rng)
        slope = np.polyfit(raw, found.mean(axis=0), 1)[0]
        assert (slope > kept) == (error < 0.01)
        closer = np.mean((found.mean(axis=0) - truth) ** 2) / np.mean((raw - truth) ** 2)
        assert closer < 1.05
        low, high = np.quantile(found, [0.025, 0.975], axis=0)
        assert np.mean((low <= truth) & (truth <= high)) > 0.85


def test_thresholds_stand_beside_items_of_a_side(works):
    answers = works.thresholds_.set_index(["player", "side", "family"])
    table = works.table("Rowan").set_index("item")
    row = table.loc["volley_backhand"]
    own = answers.loc[("Rowan", "backhand", "volley")]
    assert row["threshold_m"] == own["threshold_m"]
    assert row["threshold_low_m"] == own["threshold_low_m"]
    assert row["other_side_m"] == answers.loc[("Rowan", "forehand", "volley"), "threshold_m"]
    all_backhand = answers.xs(("backhand", "volley"), level=("side", "family"))["threshold_m"]
    assert row["ladder_quartile_m"] == pytest.approx(all_backhand.quantile(0.25))
    limits = {
        "own other side": row["other_side_m"],
        "ladder's quartile": row["ladder_quartile_m"],
    }
    worse = [words for words, limit in limits.items() if row["threshold_m"] > limit]
    assert row["threshold_is_worse"] == " and ".join(worse)
    assert np.isnan(table.loc["length", "threshold_m"])
    assert table.loc["length", "threshold_is_worse"] == ""


def test_a_combination_says_at_which_step_it_breaks(works, ladder):
    item = "combination: length then volley"
    row = works.table("Rowan").set_index("item").loc[item]
    stages = BUILT_IN["length then volley"].funnel(ladder, player="Rowan")
    assert row["why"] == break_words(stages)
    assert "step" in row["why"]


@pytest.mark.parametrize(
    ("own", "other", "words"),
    [
        (0.60, 0.50, "own other side and ladder's quartile"),
        (0.40, 0.50, ""),
        (0.50, 0.50, "ladder's quartile"),  # as high is not higher
        (0.46, 0.50, "ladder's quartile"),
        (0.60, np.nan, "ladder's quartile"),
    ],
)
def test_a_threshold_is_worse_where_it_is_higher(own, other, words):
    """Four others stand at 40, 45, 50 and 55 cm; a quarter of all five lie below 45."""
    sides = {"Rowan": (own, other)} | {f"P{k}": (0.40 + 0.05 * k, 0.3) for k in range(4)}
    rows = [
        {"player": name, "side": side, "family": "ground", "threshold_m": at}
        for name, both in sides.items()
        for side, at in zip(("forehand", "backhand"), both, strict=True)
    ]
    answers = pd.DataFrame(rows).assign(threshold_low_m=0.2, threshold_high_m=0.9)
    found = threshold_columns(answers, "Rowan", "attack_forehand")
    assert found["threshold_is_worse"] == words
    assert found["threshold_m"] == own


def gain_of_two(item, means, sds, *, n=(40, 30), known=(True, True), share=False, why="", notes=()):
    """An item's gain for two players, in 400 draws of no pattern."""
    rng = np.random.default_rng([len(item), *n])
    points = np.array(means) + np.array(sds) * rng.standard_normal((400, 2))
    counts, rallies = np.array(n), np.array(n) // 2
    own = Standing(np.array(known), counts, rallies, np.zeros(2), points, points)
    now, goal = 10.0 * counts + 1.0, 20.0 * counts + 3.0
    row = np.arange(2)
    return Gain(item, f"to {item}", points, own, now, goal, share, row, row, why, dict(notes))


def made_up_list(level=0.9):
    """Five items of two players: sure, unsure, too small, as large as another, not known."""
    notes, nothing = [(0, "it breaks at step 2")], np.nan
    chain = "combination: length then volley"
    gains = [
        gain_of_two("length", (0.30, 0.05), (0.05, 0.01), n=(40, 20)),
        gain_of_two("repeats", (0.30, 0.30), (0.40, 0.40), n=(50, 20), share=True),
        gain_of_two(chain, (0.02, 0.5), (0.01, 0.1), notes=notes),
        gain_of_two("forced", (nothing, 0.2), (1.0, 0.1), n=(29, 35), known=(False, True)),
        gain_of_two("attack_forehand", (nothing, nothing), (1.0, 1.0), why="only one player"),
        gain_of_two("volley_backhand", (nothing, nothing), (1.0, 1.0)),
    ]  # fmt: skip
    efforts = Efforts({"length": 2.0, "repeats": 1.5})
    answers = [
        {"player": who, "side": side, "family": family, "threshold_m": at}
        for who, at in (("Elm", 0.4), ("Yew", 0.6))
        for side in ("forehand", "backhand")
        for family in ("ground", "volley")
    ]
    return SimpleNamespace(
        players_=["Elm", "Yew"],
        ladder_=SimpleNamespace(
            won=np.array([33.0, 0.0]), decided=np.array([60.0, 0.0]), games=np.array([4.0, 0.0])
        ),
        _gains={one.item: one for one in gains},
        efforts_=efforts,
        match_=Match(PointARally(15)),
        thresholds_=pd.DataFrame(answers).assign(threshold_low_m=0.1, threshold_high_m=1.0),
        useful=0.1,
        level=level,
    )


@pytest.mark.parametrize("level", [0.8, 0.95])
@pytest.mark.parametrize("k", [0, 1])
def test_every_cell_of_a_made_up_list(k, level):
    works = made_up_list(level)
    table = list_of_player(works, k)
    assert table["rank"].tolist() == [1, 2, 3, 4, 5, 6]
    gains, efforts = works._gains, dict.fromkeys(works._gains, 3.0) | {"length": 2, "repeats": 1.5}
    known = {item: not np.isnan(gain.points[0, k]) for item, gain in gains.items()}
    per_effort = {i: gains[i].points[:, k] / efforts[i] for i in gains if known[i]}
    best = [max(per_effort, key=lambda i: per_effort[i][d]) for d in range(400)]
    gain_each = {i: per_effort[i].mean() if known[i] else 0.0 for i in gains}
    order = sorted(gains, key=lambda i: (not known[i], -gain_each[i], -gains[i].standing.n[k]))
    assert table["item"].tolist() == order
    unit = {"forced": "points in 100 judged shots", "repeats": "in 100 shots"}
    why = {"combination: length then volley": "it breaks at step 2" if k == 0 else ""}
    if k == 0:
        why["forced"] = "29 shots in 14 rallies; it takes 30 in 15"
    why["attack_forehand"] = "only one player"
    why["volley_backhand"] = "too few shots on the other side to compare with"
    words = {0: {"length": WORTH, "repeats": MAY_BE_NOTHING}, 1: {"length": TOO_SMALL}}
    for row in table.to_dict("records"):
        item, gain = row["item"], gains[row["item"]]
        low, high = np.quantile(gain.points[:, k], [0.5 - level / 2, 0.5 + level / 2])
        ends = [gain.points[:, k].mean(), low, high]
        points = [row[f"points_per_game{end}"] for end in ("", "_low", "_high")]
        assert points == pytest.approx(ends, nan_ok=True)
        wins = [row[f"match_win{end}"] for end in ("", "_low", "_high")]
        if k == 0 and known[item]:
            now, then = 0.55, 0.55 + np.array(ends) / 15.0
            assert wins == pytest.approx([
                works.match_.match_win_probability(p, p, serving=None)
                - works.match_.match_win_probability(now, now, serving=None) for p in then
            ])  # fmt: skip
            assert (row["share"], row["a_game"]) == (0.55, gain.standing.n[0] / 4.0)
        else:
            assert np.isnan(wins).all()
        if k == 1:
            assert np.isnan([row["share"], row["a_game"]]).all()
        assert (row["effort"], row["effort_assumed"]) == (
            efforts[item], item not in ("length", "repeats"))  # fmt: skip
        assert row["gain_per_effort"] == pytest.approx(ends[0] / efforts[item], nan_ok=True)
        first = best.count(item) / 400 if known[item] else np.nan
        assert row["first_in"] == pytest.approx(first, nan_ok=True)
        assert row["why"] == why.get(item, "")
        if not known[item]:
            assert row["status"] == NOT_KNOWN
        else:
            at = TOO_SMALL if high < 0.1 else WORTH if low > 0 else MAY_BE_NOTHING
            assert row["status"] == words[k].get(item, at) == at
        assert (row["n_shots"], row["n_rallies"]) == (gain.standing.n[k], gain.standing.n[k] // 2)
        assert (row["now"], row["goal"]) == (gain.now[k], gain.goal[k])
        assert row["unit"] == unit.get(item, "points in 100 shots against the ladder")
        assert (row["title"], row["counted"]) == (item_words(item).title, item_words(item).counted)
        assert (row["target"], row["drill"]) == (f"to {item}", drill_for(item).name)
        sided = item in ("attack_forehand", "volley_backhand")
        assert row["threshold_m"] == pytest.approx([0.4, 0.6][k] if sided else np.nan, nan_ok=True)
        assert row["other_side_m"] == pytest.approx(row["threshold_m"], nan_ok=True)


def test_ties_go_to_what_rests_on_more_shots():
    works = made_up_list()
    same = works._gains["length"].points
    for item, n in (("length", 20), ("repeats", 30), ("forced", 25)):
        one = works._gains[item]
        own = replace(one.standing, n=np.array([n, n]), known=np.array([True, True]))
        works._gains[item] = replace(one, points=same, standing=own)
    works.efforts_ = Efforts({})
    items = list_of_player(works, 0)["item"].tolist()
    assert items[:3] == ["repeats", "forced", "length"]


@pytest.mark.parametrize("item", ["forced", "passed_up"])
def test_what_decisions_cost_is_counted_one_by_one(few, item):
    """Sums over the player's own such shots of all judged; the goal is a quartile of each draw."""
    gain, ladder, judged = few._gains[item], few.ladder_, few.decisions_
    word = item.replace("_", " ")
    told = judged[judged["decision"] != "not known yet"]
    known = np.flatnonzero(gain.standing.known)
    assert len(known) >= LEAST_PLAYERS
    each = gain.standing.drawn
    for k, name in enumerate(few.players_):
        own = told[told["player"] == name]
        such = own[own["decision"] == word]
        assert gain.standing.n[k] == len(own)
        assert gain.standing.rallies[k] == own["rally_id"].nunique()
        assert gain.notes[k] == f"{len(such):,} such shots among {len(own):,} that could be judged"
        assert gain.standing.raw[k] == pytest.approx(such["points"].sum() / len(own))
        mine = ladder.player[gain.row] == k
        assert sorted(gain.loss[mine]) == pytest.approx(sorted(such["points"]))
        rallies = ladder.rally[own["row"]]
        for d in range(0, 60, 7):
            shots = ladder.weights[d, rallies].sum()
            assert gain.standing.a_game[d, k] == pytest.approx(shots / ladder.games[k])
            goal = np.quantile(each[d, known], 0.75)
            expected = shots / ladder.games[k] * (goal - each[d, k])
            assert gain.points[d, k] == pytest.approx(expected, nan_ok=True)
        assert gain.now[k] == pytest.approx(100.0 * each[:, k].mean(), nan_ok=True)
        goals = np.quantile(each[:, known], 0.75, axis=1)
        assert gain.goal[k] == pytest.approx(100.0 * goals.mean())
        # the curves and the rallies are drawn about what was charted
        if gain.standing.known[k]:
            error = each[:, k].std(ddof=1)
            assert abs(each[:, k].mean() - gain.standing.raw[k]) < error
    assert (gain.share, gain.why) == (False, "")
