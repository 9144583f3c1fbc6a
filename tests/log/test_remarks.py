"""What no row and no rally contradicts, and a log as a whole makes one ask."""

import pandas as pd
import pytest

from sidewall.log import check_log

PAIRS = [("Rowan", "Hazel"), ("Alder", "Birch"), ("Rowan", "Maple"), ("Hazel", "Alder")]
RALLIES = 30


def match(number, pair, scale=1.0):
    """Thirty rallies of a serve and three shots, as varied as a match is."""
    rows, server = [], 0
    for rally in range(1, RALLIES + 1):
        for shot in range(1, 5):
            turn = 7 * rally + 3 * shot + 5 * number
            rows.append(
                {
                    "match": f"M{number}",
                    "game": 1,
                    "rally": rally,
                    "shot": shot,
                    "player": pair[(server + shot + 1) % 2],
                    "side": ("forehand", "backhand")[turn % 2],
                    "stroke": "serve" if shot == 1 else ("drive", "drop", "lob")[turn % 3],
                    "gap_cm": None if shot == 1 else (20 + 5 * (turn % 23)) * scale,
                    "ending": "",
                }
            )
        rows[-1]["ending"] = ("winner", "tin")[rally % 2]
        # The one who does not serve strikes last; after the tin the server has won.
        server = (server + 1) % 2 if rows[-1]["ending"] == "winner" else server
    return pd.DataFrame(rows)


def season(**changed):
    """Four matches; ``M2=...`` puts another in place of the second."""
    found = {f"M{at}": match(at, pair) for at, pair in enumerate(PAIRS, 1)} | changed
    return pd.concat(found.values(), ignore_index=True)


def only(check):
    """The one remark on a log of which nothing is refused."""
    assert check.rows_refused == 0
    assert len(check.doubts) == 1, check.doubts["reason"].tolist()
    row = check.doubts.iloc[0]
    assert f"line {row['line']}, {row['column']}" in check.summary()
    return row


def test_nothing_is_said_of_a_plain_season(checked):
    check = checked(season())
    assert check.rows_refused == 0
    assert check.doubts.empty


@pytest.mark.parametrize("gap", [0, 50])
def test_gaps_that_are_all_the_same(checked, gap):
    log = season()
    log["gap_cm"] = log["gap_cm"].where(log["gap_cm"].isna(), gap)
    row = only(checked(log))
    assert (row["line"], row["column"], row["value"]) == (3, "gap_cm", str(gap))
    assert row["reason"] == "all 360 gaps of the log are the same"
    assert "gap_class" in row["mend"]


def test_gaps_of_one_match_that_are_all_the_same(checked):
    log = season()
    log["gap_cm"] = log["gap_cm"].where((log["match"] != "M3") | (log["shot"] == 1), 50)
    row = only(checked(log))
    assert row["line"] == 243
    assert row["reason"] == "all 90 gaps of match 'M3' are the same"


@pytest.mark.parametrize(
    ("scale", "told"),
    [(1 / 2.54, "2.54 times smaller"), (1 / 7, "7 times smaller"), (2.1, "2.1 times larger")],
)
def test_one_match_in_another_unit(checked, scale, told):
    row = only(checked(season(M2=match(2, PAIRS[1], scale))))
    assert (row["line"], row["column"]) == (123, "gap_cm")
    number, direction = told.split(" times ")
    found = row["reason"].removeprefix("match 'M2': its gaps are ").split(" times ")
    # The middle of a match lies anywhere within the step of 5 cm by which its gaps are typed.
    assert float(found[0]) == pytest.approx(float(number), rel=5 / 75)
    assert found[1] == f"{direction} than in the other matches"
    assert "another unit" in row["mend"]


def test_half_the_matches_in_another_unit(checked):
    inches = {f"M{at}": match(at, PAIRS[at - 1], 1 / 2.54) for at in (2, 3)}
    check = checked(season(**inches))
    assert check.doubts["line"].tolist() == [123, 243]
    assert check.doubts["reason"].str.contains("smaller than in the other matches").all()


def test_a_looser_match_is_no_other_unit(checked):
    assert checked(season(M2=match(2, PAIRS[1], 1.5))).doubts.empty


@pytest.mark.parametrize(
    ("heading", "scale", "looks"),
    [("gap_in", 1 / 30.48, "12 if they are feet"), ("gap_boards", 1 / 100, "name the column")],
)
def test_gaps_that_no_player_has(checked, heading, scale, looks):
    log = season()
    log["gap_cm"] = 0.6 * log["gap_cm"] * scale  # a middle gap of 45 cm
    row = only(checked(log.rename(columns={"gap_cm": heading}), board_width_cm=7))
    assert (row["line"], row["column"]) == (3, heading)
    assert "look like another unit" in row["reason"]
    assert looks in row["mend"]


def test_gaps_that_are_all_wide(checked):
    log = season()
    log["gap_cm"] = 2.5 + log["gap_cm"] / 300
    row = only(checked(log.rename(columns={"gap_cm": "gap_m"})))
    assert "the 360 gaps look like another unit: read as metres" in row["reason"]


def test_one_match_under_two_names(checked):
    row = only(checked(season(M5=match(1, PAIRS[0]).assign(match="Copy"))))
    assert (row["line"], row["column"], row["value"]) == (482, "match", "Copy")
    assert row["reason"] == "match 'Copy' has shot for shot the play of match 'M1'"
    assert "delete one" in row["mend"]


def test_one_shot_tells_two_matches_apart(checked):
    other = match(1, PAIRS[0]).assign(match="Copy")
    # The same sum of gaps, in another order.
    other.loc[[1, 2], "gap_cm"] = other.loc[[2, 1], "gap_cm"].to_numpy()
    assert other["gap_cm"].iloc[1] != other["gap_cm"].iloc[2]
    assert checked(season(M5=other)).doubts.empty


@pytest.mark.parametrize("slip", ["Rowann", "Rwan", "Rowen", "Rwoan"])
def test_a_name_that_is_almost_another(checked, slip):
    log = season(M1=match(1, (slip, "Hazel")), M5=match(5, ("Rowan", "Birch")))
    row = only(checked(log))
    assert (row["line"], row["column"], row["value"]) == (2, "player", slip)
    assert f"{slip!r} plays in match 'M1' alone" in row["reason"]
    assert "'Rowan'" in row["reason"]


def test_of_two_names_that_are_as_rare_the_later_one(checked):
    row = only(checked(season(M3=match(3, ("Rowann", "Maple")))))
    assert (row["line"], row["value"]) == (242, "Rowann")


@pytest.mark.parametrize(
    "names",
    [
        ("Oak A", "Oak B"),  # an initial
        ("Oak 11", "Oak 12"),  # a number
        ("Ash", "Ask"),  # short
        ("Rowan", "Roweno"),  # two letters
        ("Rowan Ash", "Rowen Oak"),  # two words
    ],
)
def test_names_that_tell_two_players_apart(checked, names):
    log = season(M3=match(3, (names[0], "Maple")), M4=match(4, ("Hazel", names[1])))
    assert checked(log).doubts.empty


def test_players_who_met_are_two(checked):
    assert checked(season(M3=match(3, ("Alder", "Elder")))).doubts.empty


@pytest.mark.parametrize("side", ["forehand", "backhand"])
def test_every_shot_on_one_side(checked, side):
    row = only(checked(season().assign(side=side)))
    assert (row["line"], row["column"], row["value"]) == (2, "side", side)
    assert row["reason"] == f"every shot of the log is a {side} (480 shots)"


def test_endings_that_the_next_server_contradicts(checked):
    swapped = {"winner": "tin", "tin": "winner"}
    row = only(checked(season().replace({"ending": swapped})))
    assert (row["line"], row["column"]) == (5, "ending")
    assert row["reason"].startswith("after 116 of 116 rallies of the log the winner does not")
    assert "winner is mixed up with tin" in row["mend"]


def test_endings_of_one_match_that_the_next_server_contradicts(checked):
    swapped = {"winner": "tin", "tin": "winner"}
    row = only(checked(season(M2=match(2, PAIRS[1]).replace({"ending": swapped}))))
    assert "after 29 of 29 rallies of match 'M2'" in row["reason"]


def test_a_few_endings_may_contradict_the_next_server(checked):
    log = season()
    few = (log["ending"] != "") & (log["rally"] % 3 == 0)
    log.loc[few, "ending"] = log.loc[few, "ending"].map({"winner": "tin", "tin": "winner"})
    assert checked(log).doubts.empty


def test_logs_of_one_match_each_are_looked_at_together():
    logs = [match(at, pair) for at, pair in enumerate(PAIRS, 1)]
    assert check_log(logs).doubts.empty
    inches = match(2, PAIRS[1], 1 / 2.54)
    copy = match(1, PAIRS[0]).assign(match="Copy")
    same = match(6, ("Oak", "Rowan")).assign(side="forehand")
    found = check_log([logs[0], inches, *logs[2:], copy, same]).doubts
    assert found["log"].tolist() == ["table 2", "table 5", "table 6"]
    assert found["line"].tolist() == [3, 2, 2]
    for reason, part in zip(found["reason"], ("smaller", "'Copy'", "every shot"), strict=True):
        assert part in reason
