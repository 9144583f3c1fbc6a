"""A rally that contradicts itself is refused as a whole, named on its first wrong line."""

import pytest

FIRST, SECOND, THIRD = [2, 3, 4], [5, 6], [7, 8, 9, 10]

CASES = [
    # changes {(line, column): typed}, line named, part of the reason, lines refused
    ({(3, "shot"): "3", (4, "shot"): "4"}, 3, "a shot is missing", FIRST),
    ({(2, "shot"): "2", (3, "shot"): "3", (4, "shot"): "4"}, 2, "not begin with shot 1", FIRST),
    ({(2, "stroke"): "lob", (2, "gap_cm"): "9"}, 2, "shot 1 is not a serve", FIRST),
    ({(3, "stroke"): "serve"}, 3, "serve within a rally", FIRST),
    ({(3, "player"): "Rowan"}, 3, "same player twice", FIRST),
    ({(8, "player"): "Rowan"}, 8, "same player twice", THIRD),
    ({(4, "ending"): "", (4, "rally_won_by"): ""}, 4, "no ending", FIRST),
    ({(4, "ending"): ""}, 4, "no ending", FIRST),
    ({(6, "ending"): "stroke", (6, "rally_won_by"): ""}, 6, "no winner", SECOND),
    ({(6, "ending"): "no_let", (6, "rally_won_by"): ""}, 6, "no winner", SECOND),
    ({(2, "rally_won_by"): "Hazel"}, 2, "two winners", FIRST),
    ({(4, "rally_won_by"): "Alder"}, 4, "not one of the two players", FIRST),
    ({(4, "rally_won_by"): "Rwoan"}, 4, "not one of the two players", FIRST),
    ({(4, "rally_won_by"): "Hazel"}, 4, "contradicts the ending", FIRST),
    ({(6, "rally_won_by"): "Hazel"}, 6, "contradicts the ending", SECOND),
    ({(10, "rally_won_by"): "Hazel"}, 10, "a let has no winner", THIRD),
    ({(3, "ending"): "winner"}, 3, "goes on after its ending", FIRST),
    ({(3, "ending"): "tin"}, 3, "goes on after its ending", FIRST),
    ({(4, "t"): "11"}, 4, "runs backwards", FIRST),
    ({(3, "t"): "", (4, "t"): "9"}, 4, "runs backwards", FIRST),
]


@pytest.mark.parametrize(("changes", "line", "reason", "lines"), CASES)
def test_one_contradiction(log, checked, changes, line, reason, lines):
    for (row, column), typed in changes.items():
        log.loc[row, column] = typed
    check = checked(log)
    assert sorted(set(check.problems["line"])) == lines
    rally = check.problems.query("kind == 'rally'")
    assert rally["line"].tolist() == [line]
    assert reason in rally["reason"].iloc[0]
    assert set(check.problems["kind"]) <= {"rally", "with its rally"}
    assert (check.problems.query("kind == 'with its rally'")["mend"] == f"mend line {line}").all()


def test_summary_counts_each_kind(log, checked):
    log.loc[3, "side"] = "?"
    log.loc[6, "rally_won_by"] = "Hazel"
    text = checked(log).summary()
    assert "1 with a mistake of their own" in text
    assert "1 where a rally contradicts itself" in text
    assert "3 without a mistake" in text


def test_match_with_one_player(log, checked):
    log.loc[13, "player"] = "Alder"
    check = checked(log)
    assert set(check.problems["line"]) == {11, 12, 13}
    assert "two players" in check.problems["reason"].iloc[0]


def test_match_with_three_players_in_earnest(log, checked):
    log.loc[[3, 6], "player"] = "Maple"
    check = checked(log)
    assert set(check.problems["line"]) == set(range(2, 11))
    assert "does not have two players" in check.problems["reason"].iloc[0]


def test_a_third_name_on_one_row_is_a_slip(log, checked):
    log.loc[10, "player"] = "Hazell"
    check = checked(log)
    assert set(check.problems["line"]) == set(THIRD)
    assert "write Rowan or Hazel" in check.problems.query("kind == 'row'")["mend"].iloc[0]


@pytest.mark.parametrize(("line", "winner"), [(4, "Rowan"), (6, "Rowan"), (13, "Alder")])
def test_winner_is_derived_from_the_ending(log, checked, line, winner):
    log.loc[line, "rally_won_by"] = ""
    check = checked(log)
    assert check.rows_refused == 0
    assert check.shots.set_index("line").loc[line, "rally_won_by"] == winner
    assert check.folded["read_as"].tolist() == ["derived from the ending"]


def test_without_a_winner_column_all_that_can_be_derived_is(log, checked):
    check = checked(log.drop(columns="rally_won_by"))
    assert check.rows_refused == 0
    assert check.shots["rally_won_by"].notna().sum() == 4


def test_winner_on_another_row_of_the_rally(log, checked):
    log.loc[4, ["ending", "rally_won_by"]] = ["stroke", ""]
    log.loc[2, "rally_won_by"] = "Hazel"
    check = checked(log)
    assert check.rows_refused == 0
    assert check.shots.set_index("line").loc[4, "rally_won_by"] == "Hazel"
    assert check.shots.set_index("line")["rally_won_by"].isna()[2]
    assert check.folded["read_as"].tolist() == ["as on another row of the rally"]


def test_opponent_makes_up_for_a_player_who_never_strikes(log, checked):
    log = log.loc[[11]].assign(opponent="Birch")
    shots = checked(log).shots
    assert shots["opponent"].tolist() == ["Birch"]
    assert list(shots["player"].cat.categories) == ["Alder", "Birch"]


def test_opponent_is_known_though_every_strike_of_his_is_refused(log, checked):
    log.loc[13, "side"] = "?"
    shots = checked(log).shots.set_index("line")
    assert shots.loc[11, "opponent"] == "Birch"


def test_opponent_who_does_not_play(log, checked):
    log["opponent"] = ""
    log.loc[3, "opponent"] = "Alder"
    check = checked(log)
    problem = check.problems.query("kind == 'row'").iloc[0]
    assert problem[["line", "column", "value"]].tolist() == [3, "opponent", "Alder"]


def test_rally_of_one_shot(log, checked):
    shots = checked(log).shots.set_index("line")
    assert shots.loc[11, "opponent"] == "Birch"
    assert shots.loc[11, "rally_won_by"] == "Alder"


def test_times_may_repeat_and_be_missing(log, checked):
    log.loc[[3, 8], "t"] = ["10", ""]
    assert checked(log).rows_refused == 0
