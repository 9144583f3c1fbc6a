from __future__ import annotations

import copy

import numpy as np
import pandas as pd
import pytest

import sidewall as sw
from sidewall.combinations import RepeatOrVary, repeat_or_vary
from sidewall.combinations.repeat_or_vary import CONTRAST
from sidewall.errors import DataError, NotFittedError


@pytest.fixture(scope="module")
def planted(study):
    # steeper, and the replies that decide are nearly sure: no straight line holds that, and a
    # plain logistic regression crosses at 3 and not at 2.5 as well
    rng = np.random.default_rng([5, 4])
    return sw.shot_features(study.plant_repeats(study.ladder(rng, 6, 15), rng, slope=1.2))


@pytest.fixture(scope="module")
def fitted(planted):
    return RepeatOrVary().fit(planted)


def test_counts_by_groups(planted, fitted):
    use = planted[planted["repeats_reply"].notna() & planted["won"].notna()]
    run = use["same_reply_run"].clip(upper=6)
    for row in fitted.counts_.itertuples():
        mine = use[(run == row.repeats) & (use["repeats_reply"] == (row.reply == "repeated"))]
        assert row.n_shots == len(mine)
        assert row.win_rate == pytest.approx(mine["won"].mean())
        assert row.n_rallies == mine["rally_id"].nunique()
    assert fitted.counts_["n_shots"].sum() == len(fitted.used_)


def test_a_planted_crossing_is_found(fitted):
    answers = fitted.answers()
    average = answers.iloc[0]
    assert pd.isna(average["player"])
    assert average["status"] == "vary from here on"
    assert average["repeats_low"] <= 2.5 <= average["repeats_high"]
    assert average["repeats_low"] < average["repeats"] < average["repeats_high"]
    assert answers["player"].tolist()[1:] == fitted.players_
    assert average["n_repeated"] == answers["n_repeated"].iloc[1:].sum()


def test_rows_of_all_players_are_numbered_through(fitted):
    for table in (fitted.answers(), fitted.curves()):
        assert table.index.tolist() == list(range(len(table)))


def test_of_a_player_who_seldom_repeats_nothing_is_told(fitted):
    """Four own repeats are too few, five are enough, whatever the pooled lines say."""
    all_told = fitted.answers()
    at = int((all_told["status"][1:] != "not known yet").idxmax())
    name, status = all_told["player"][at], all_told["status"][at]
    assert status != "not known yet"
    used = fitted.used_
    own = ((used["player"].astype(str) == name) & (used["repeated"] == 1)).to_numpy()
    for left, told in ((4, "not known yet"), (5, status)):
        few = copy.copy(fitted)
        few.used_ = used[~own | (np.cumsum(own) <= left)]
        row = few.answers().iloc[at]
        assert (row["n_repeated"], row["status"]) == (left, told)


def test_the_set_is_where_the_drawn_lines_cross(fitted):
    level, slope = fitted._lines(CONTRAST)[-1].T
    rises = slope > 0
    assert rises.mean() > 0.99
    cross = np.where(rises, 1.0 - level / slope, np.inf)  # else it never turns to varying
    average = fitted.answers().iloc[0]
    inside = (cross > 1.0) & (cross < fitted.most)
    assert inside.mean() > 0.97
    assert average["repeats"] == pytest.approx(np.median(cross), abs=0.02)
    # the ends are draws: the next ones outward
    assert average["repeats_low"] == pytest.approx(np.quantile(cross, 0.025, method="lower"))
    assert average["repeats_high"] == pytest.approx(np.quantile(cross, 0.975, method="higher"))


def test_a_sudden_change_is_told_early_as_the_notes_say(planted):
    """Repeating wins more up to 4 repeats and much less from the fifth on."""
    assert "somewhat early" in RepeatOrVary.__doc__
    rng = np.random.default_rng(8)
    late = planted["same_reply_run"] >= 5
    repeated = planted["repeats_reply"].eq(True)
    chance = np.select([repeated & late, repeated], [0.2, 0.6], 0.5)
    won = pd.Series(rng.random(len(planted)) < chance, planted.index).astype(planted["won"].dtype)
    average = RepeatOrVary().fit(planted.assign(won=won)).answers().iloc[0]
    assert average["status"] == "vary from here on"
    assert average["repeats"] < 4.0


def test_curves_cross_where_the_answer_says(fitted):
    curves = fitted.curves()
    average = curves[curves["player"].isna()]
    wide = average.pivot_table(index="repeats", columns="reply", values="win")
    better = (wide["varied"] > wide["repeated"]).to_numpy()
    crossing = fitted.answers()["repeats"][0]
    assert better.tolist() == (wide.index.to_numpy() > crossing).tolist()
    assert ((curves["win_low"] < curves["win"]) & (curves["win"] < curves["win_high"])).all()
    assert len(curves) == 12 * (1 + len(fitted.players_))


def test_nothing_planted_is_not_known(study):
    rng = np.random.default_rng(9)
    shots = study.ladder(rng, 4, 3)
    shots = study.with_winners(shots, np.full(shots["shot"].eq(1).sum(), 0.5), rng)
    answers = RepeatOrVary().fit(shots).answers()
    assert answers["status"][0] == "not known yet"
    assert np.isnan(answers["repeats"][0])


def with_smashes(planted, count):
    """So many balls that came in as drives came in as smashes, and were all won."""
    drives = planted["repeats_reply"].notna() & (planted["incoming_stroke"] == "drive")
    at = planted.index[drives][:count]
    shots = planted.astype({"incoming_stroke": object})
    shots.loc[at, ["incoming_stroke", "won"]] = ["smash", 1.0]
    return shots


def test_a_word_met_seldom_joins_the_usual_one_and_a_note_says_so(planted):
    shots = with_smashes(planted, 7)
    found = RepeatOrVary().fit(shots)
    said = "incoming_stroke smash: 7 shots, too few to be told apart; they count as drive"
    assert said in found.notes_
    as_drives = RepeatOrVary().fit(shots.replace({"incoming_stroke": {"smash": "drive"}}))
    assert as_drives.notes_ == [note for note in found.notes_ if note != said]
    pd.testing.assert_frame_equal(found.answers(), as_drives.answers())


def test_a_word_that_was_always_won_spoils_nothing(planted, fitted):
    found = RepeatOrVary().fit(with_smashes(planted, 40))
    assert "incoming_stroke smash" in found._rows.X.columns
    assert not any("smash" in note for note in found.notes_)
    # 40 of thousands of shots, and they have a coefficient of their own
    average = found.answers().iloc[0]
    assert average["status"] == "vary from here on"
    assert average["repeats_low"] <= fitted.answers()["repeats"][0] <= average["repeats_high"]


def test_refusals(by_hand, ladder):
    with pytest.raises(NotFittedError, match="RepeatOrVary"):
        RepeatOrVary().answers()
    with pytest.raises(DataError, match="Only 0 shots repeat"):
        RepeatOrVary().fit(by_hand(("Hazel", "serve", "drive straight")))
    with pytest.raises(DataError, match="most is 1"):
        RepeatOrVary(most=1).fit(ladder)


def test_gaps_that_are_all_alike_are_no_column(planted):
    rows = repeat_or_vary.repeat_rows(planted.assign(gap_m=0.5), 3)
    assert "gap" not in rows.X
