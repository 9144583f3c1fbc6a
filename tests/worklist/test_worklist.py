import warnings
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import sidewall as sw
from sidewall.combinations import BUILT_IN
from sidewall.combinations.tries import break_words
from sidewall.errors import DataError, NotFittedError
from sidewall.scoring import HandInHandOut, Match, PointARally
from sidewall.worklist import CAUTIONS, ITEM_WORDS, WorkList, drill_for, scoring_of, work_list
from sidewall.worklist.gains import LEAST_PLAYERS, measure_gain, measures
from sidewall.worklist.ladder import LEAST_RALLIES, LEAST_SHOTS, pooled_draws
from sidewall.worklist.worklist import (
    MAY_BE_NOTHING,
    NOT_KNOWN,
    TOO_SMALL,
    WORTH,
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


def test_seeds_repeat_and_the_function_gives_the_classs_table(ladder, model, few):
    found = work_list(ladder, model, draws=60, seed=4)
    pd.testing.assert_frame_equal(found, few.tables())
    own = work_list(ladder, model, "Rowan", draws=60, seed=4)
    pd.testing.assert_frame_equal(own, few.table("Rowan"))


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
