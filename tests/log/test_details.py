"""Details of players and matches, from tables or from repeated columns."""

import numpy as np
import pandas as pd
import pytest

from sidewall.errors import LogError, UnitError
from sidewall.log import ColumnMap, check_log, guess_map, read_shots


@pytest.fixture
def boards(log):
    log["gap_cm"] = log["gap_cm"].replace({"35": "5", "70": "10", "20": "3", "90": "13"})
    log["gap_cm"] = log["gap_cm"].replace({"15": "2", "120": "17", "30.5": "4"})
    return log.rename(columns={"gap_cm": "gap_boards"})


PLAYERS = pd.DataFrame(
    {
        "Player": ["rowan", "Hazel", "Alder", "Nobody"],
        "hand": ["R", "left", "", "right"],
        "group": ["A squad", "A squad", "B squad", ""],
        "initials": ["Ro", "Ha", "Al", "No"],
    }
)
MATCHES = pd.DataFrame(
    {
        "match": ["M1", "M2"],
        "date": ["2026-03-31", "2026-04-02"],
        "tin_height_cm": [48, 43],
        "board_width_cm": ["7", "6,5"],
        "scoring": ["point a rally to 11", "point a rally to 11"],
    }
)


def test_tables(log, checked):
    shots = checked(log, players=PLAYERS, matches=MATCHES).shots
    first = shots.drop_duplicates("player").set_index("player")
    assert first["hand"].astype(object).loc["Rowan"] == "right"
    assert first["hand"].astype(object).loc["Hazel"] == "left"
    assert first["hand"].isna()["Alder"]
    assert first["hand"].isna()["Birch"]
    assert list(shots["hand"].cat.categories) == ["right", "left"]
    assert first["group"].astype(object)["Alder"] == "B squad"
    assert first["initials"].astype(object)["Hazel"] == "Ha"
    match = shots.drop_duplicates("match").set_index("match")
    assert match["date"].tolist() == [pd.Timestamp("2026-03-31"), pd.Timestamp("2026-04-02")]
    assert shots["date"].dtype == "datetime64[ns]"
    assert match["tin_height_m"].tolist() == [0.48, 0.43]
    assert match["board_width_m"].tolist() == [0.07, 0.065]
    assert list(match["scoring"].cat.categories) == ["point a rally to 11"]


def test_tables_from_files(log, tmp_path):
    PLAYERS.to_csv(tmp_path / "players.csv", index=False)
    MATCHES.to_excel(tmp_path / "matches.xlsx", index=False)
    shots = read_shots(
        log, players=tmp_path / "players.csv", matches=str(tmp_path / "matches.xlsx")
    )
    pd.testing.assert_frame_equal(shots, read_shots(log, players=PLAYERS, matches=MATCHES))


def test_details_survive_reading_the_table_again(log):
    shots = read_shots(log, players=PLAYERS, matches=MATCHES)
    pd.testing.assert_frame_equal(read_shots(shots), shots)


def test_repeated_on_the_rows_is_the_same(log):
    by_player = PLAYERS.replace({"rowan": "Rowan"}).set_index("Player")
    for name in by_player:
        log[name] = [by_player[name].get(player, "") for player in log["player"]]
    for name in MATCHES.columns[1:]:
        log[name] = [MATCHES.set_index("match")[name][match] for match in log["match"]]
    shots = read_shots(log)
    table = read_shots(log.iloc[:, :17], players=PLAYERS, matches=MATCHES)
    for name in ("hand", "date", "tin_height_m", "board_width_m", "scoring"):
        pd.testing.assert_series_equal(shots[name], table[name])
    for name in ("group", "initials"):
        assert (
            shots[name].astype(object).fillna("") == table[name].astype(object).fillna("")
        ).all()


def test_a_value_on_one_row_holds_for_the_match(log, checked):
    log["date"] = ""
    log.loc[7, "date"] = "31.3.2026"
    check = checked(log)
    assert check.shots["date"].notna().sum() == 9


def test_a_row_that_says_otherwise(log, checked):
    log["hand"] = log["player"].map({"Rowan": "right"}).fillna("")
    log.loc[4, "hand"] = "left"
    check = checked(log)
    problem = check.problems.query("kind == 'row'").iloc[0]
    assert problem[["line", "column", "value"]].tolist() == [4, "hand", "left"]
    assert "right elsewhere for the same player" in problem["reason"]


def test_a_row_that_says_otherwise_is_named_by_the_heading_of_its_file(log):
    theirs = log.assign(date="31.3.2026").rename(columns={"date": "Match day"})
    theirs.loc[4, "Match day"] = "1.4.2026"
    text = guess_map(theirs)
    assert "Match day" in text
    check = check_log(theirs, mapping=ColumnMap.from_text(text))
    problem = check.problems.query("kind == 'row'").iloc[0]
    assert problem[["line", "column", "value"]].tolist() == [4, "Match day", "1.4.2026"]


def test_table_goes_before_the_log(log, checked):
    log["hand"] = "right"
    check = checked(log, players=PLAYERS)
    own = check.problems.query("kind == 'row'")
    assert own["line"].tolist() == [3, 6, 8, 10]
    assert own["mend"].str.contains("the player table").all()


@pytest.mark.parametrize(
    ("column", "typed", "reason"),
    [
        ("hand", "both", "no hand"),
        ("date", "3/4/2026", "no clear date"),
        ("date", "2026-02-30", "no clear date"),
        ("tin_height_cm", "4.8", "not plausible"),
        ("board_width_cm", "wide", "no number"),
    ],
)
def test_damaged_detail(log, checked, column, typed, reason):
    log[column] = ""
    log.loc[3, column] = typed
    problem = checked(log).problems.query("kind == 'row'").iloc[0]
    assert problem["line"] == 3
    assert reason in problem["reason"]


@pytest.mark.parametrize(("typed", "date"), [("3/4/2026", "2026-04-03"), ("13/4/2026", None)])
def test_one_clear_date_tells_the_order_of_the_others(log, checked, typed, date):
    log["date"] = log["match"].map({"M1": "31/3/2026", "M2": typed})
    shots = checked(log).shots
    assert shots["date"].iloc[0] == pd.Timestamp("2026-03-31")
    assert shots["date"].iloc[-1] == pd.Timestamp(date or "2026-04-13")


@pytest.mark.parametrize(
    ("table", "error", "part"),
    [
        (pd.DataFrame({"name": ["Rowan"]}), LogError, "no column player"),
        (pd.DataFrame({"player": ["A", "a"], "hand": ["left", "right"]}), LogError, "line 3"),
        (pd.DataFrame({"player": ["A"], "hand": ["both"]}), LogError, "line 2.*right, left"),
        (pd.DataFrame({"player": ["A"], "hand": ["l"], "HAND": ["l"]}), LogError, "both stand"),
    ],
)
def test_damaged_players(log, table, error, part):
    with pytest.raises(error, match=part):
        read_shots(log, players=table)


def test_width_in_boards_is_no_width(log):
    with pytest.raises(UnitError, match="needs a unit"):
        read_shots(log, matches=pd.DataFrame({"match": ["M1"], "board_width": [7]}))


def test_boards_need_a_width(boards):
    with pytest.raises(UnitError, match="width of a board is not known"):
        read_shots(boards)


@pytest.mark.parametrize("width", [0, -7, 0.7e9, float("nan")])
def test_boards_of_no_width(boards, width):
    with pytest.raises(UnitError):
        read_shots(boards, board_width_cm=width)


def test_boards_by_argument(boards):
    shots = read_shots(boards, board_width_cm=7)
    assert shots["gap_m"].iloc[1] == pytest.approx(0.35)
    assert (shots["board_width_m"] == 0.07).all()


def test_boards_by_match_with_the_argument_for_the_rest(boards):
    matches = pd.DataFrame({"match": ["M2"], "board_width_in": [2.5]})
    shots = read_shots(boards, matches=matches, board_width_cm=7)
    assert shots["gap_m"].iloc[1] == pytest.approx(0.35)
    assert shots["gap_m"].iloc[-1] == pytest.approx(4 * 2.5 * 0.0254)


def test_boards_of_one_match_unknown(boards, checked):
    check = checked(boards, matches=pd.DataFrame({"match": ["M2"], "board_width_cm": [7]}))
    own = check.problems.query("kind == 'row'")
    assert set(own["line"]) == {3, 4, 6, 8, 9, 10}
    assert own["reason"].str.contains("not known for this match").all()
    assert np.isfinite(check.shots["board_width_m"]).all()
