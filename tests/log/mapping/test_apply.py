"""Logs under other headings and in other forms come out as our own log does."""

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import sidewall as sw
from sidewall.errors import LogError, WriteError
from sidewall.log import ColumnMap, check_log, map_log, read_shots

SHOTS = """
[columns]
match = "Night"
game = "G"
rally = "Pt"
player = "Hitter"
side = "FH/BH"
stroke = "Shot"
gap = { column = "Dist", unit = "cm" }
ending = "How"
shot = { count = true }
scoring = { always = "par11" }

[words.stroke]
SD = "straight drive"
"xd" = "cross drive"
"-" = ""
"""
LOG = """\
Night,G,Pt,Hitter,FH/BH,Shot,Dist,How,Notes
N1,1,1,Rowan,FH,Serve,,,
N1,1,1,Hazel,BH,SD,35,,loud
N1,1,1,Rowan,BH,drop,70,win,
N1,1,2,Rowan,BH,Serve,,,
N1,1,2,Hazel,BH,XD,20,Tin,
N1,1,3,Rowan,BH,Serve,,,
N1,1,3,Hazel,BH,QQ,wide,Tin,
"""


@pytest.fixture
def shots_log(tmp_path):
    path = tmp_path / "theirs.csv"
    path.write_text(LOG)
    (tmp_path / "map.toml").write_text(SHOTS)
    return path


def test_one_row_a_shot(shots_log):
    check = check_log(shots_log, mapping=shots_log.parent / "map.toml")
    shots = check.shots
    assert shots["stroke"].tolist() == ["serve", "drive", "drop", "serve", "drive"]
    assert shots["direction"].tolist()[1] == "straight"
    assert shots["shot"].tolist() == [1, 2, 3, 1, 2]
    assert shots["gap_m"].tolist()[1:3] == [0.35, 0.7]
    assert set(shots["scoring"]) == {"par11"}
    assert shots["line"].tolist() == [2, 3, 4, 5, 6]


def test_problems_are_told_in_their_words(shots_log):
    check = check_log(shots_log, mapping=shots_log.parent / "map.toml")
    assert (check.rows_in, check.rows_used, check.rows_refused) == (7, 5, 2)
    own = check.problems.query("kind == 'row'")
    assert own[["line", "column", "value"]].to_numpy().tolist() == [[8, "Dist", "wide"]]
    folded = check.folded.groupby(["column", "found"])["read_as"].first()
    assert folded["Shot", "XD"] == "cross drive (map.toml)"
    assert folded["Notes", "(column)"] == "not used: the map does not name it"


def test_unknown_words_are_told_with_the_map_s_mend(shots_log):
    shots_log.write_text(LOG.replace("wide", "30"))
    check = check_log(shots_log, mapping=shots_log.parent / "map.toml")
    assert check.rows_refused == 0
    assert check.doubts[["line", "column", "value"]].to_numpy().tolist() == [[8, "Shot", "QQ"]]
    assert "[words.stroke] in map.toml" in check.doubts["mend"].iloc[0]


def test_read_shots_takes_a_map(shots_log):
    with pytest.warns(sw.errors.RefusedRowsWarning, match="line 8, Dist = 'wide'"):
        shots = sw.read_shots(shots_log, mapping=str(shots_log.parent / "map.toml"))
    assert len(shots) == 5


def test_the_log_is_written_under_our_headings(shots_log, tmp_path):
    out = tmp_path / "new.csv"
    table, check = map_log(shots_log, tmp_path / "map.toml", out)
    assert len(table) == check.rows_in == 7
    again = check_log(out)
    assert (again.rows_in, again.rows_refused) == (7, 2)
    pd.testing.assert_frame_equal(again.shots, check.shots)
    with pytest.raises(WriteError, match="exists"):
        map_log(shots_log, tmp_path / "map.toml", out)


def test_places_measured_from_elsewhere_and_the_gap_from_them(tmp_path):
    path = tmp_path / "theirs.csv"
    path.write_text("who,x,y,type\nRowan,,,FH serve\nHazel,-2.7,1.25,BH drive\nRowan,3,1,FH drop\n")
    text = """
    [columns]
    match = { always = "M1" }
    game = { always = "1" }
    rally = { always = "1" }
    shot = { count = true }
    player = "who"
    stroke = "type"
    x = { column = "x", unit = "m", measured_from = "middle" }
    y = { column = "y", unit = "m", measured_from = "back wall" }
    gap = { taken_from = "x" }
    ending = { always = "winner" }
    """
    shots = read_shots(path, mapping=ColumnMap.from_text(text), on_refused="raise")
    assert shots["x_m"].tolist()[1:] == [0.5, 6.2]
    assert shots["y_m"].tolist()[1:] == [8.5, 8.75]
    assert shots["gap_m"].tolist()[1:] == pytest.approx([0.5, 0.2])


def test_a_log_without_gap_takes_it_from_the_place_of_contact(log, checked):
    check = checked(log.drop(columns="gap_cm"))
    # Lines 2 to 10 have a place for every shot but the serves, line 12 too.
    assert check.rows_used == 12
    by_line = check.shots.set_index("line")["gap_m"]
    assert by_line[[3, 4, 9, 10]].tolist() == pytest.approx([0.35, 0.7, 0.15, 1.2])
    listed = check.folded.set_index("column").loc["gap"]
    assert listed["read_as"] == "from x"
    log.loc[3, "x"] = ""
    own = checked(log.drop(columns="gap_cm")).problems.query("kind == 'row'")
    assert own[["line", "column"]].to_numpy().tolist() == [[3, "x"]]


RALLIES = """
each_row_is = "a rally"
[columns]
match = { always = "M1" }
game = "Game"
rally = { count = true }
server = "Server"
receiver = "Receiver"
ending = "Ending"
"""


def test_one_row_a_rally_with_repeated_columns(tmp_path):
    path = tmp_path / "theirs.csv"
    path.write_text(
        "Game,Server,Receiver,Ending,s1,d1,s2,d2,s3,d3\n"
        "1,Rowan,Hazel,winner,FH serve,,BH drive,14,FH drop,28\n"
        "1,Rowan,Hazel,tin,FH serve,,BH drive,x,,\n"
        "1,Hazel,Rowan,tin,FH serve,,,,BH drive,9\n"
        "1,Hazel,Rowan,tin,,,,,,\n"
        "2,Hazel,Rowan,tin,FH serve,,BH lob,10,,\n"
    )
    text = RALLIES + '[every_shot]\nstroke = "s{n}"\ngap = { column = "d{n}", unit = "in" }\n'
    check = check_log(path, mapping=ColumnMap.from_text(text))
    assert (check.rows_in, check.rows_used) == (3 + 2 + 3 + 1 + 2, 5)
    assert check.rows_in == check.rows_used + check.rows_refused
    assert check.shots["line"].tolist() == [2, 2, 2, 6, 6]
    assert check.shots["player"].tolist() == ["Rowan", "Hazel", "Rowan", "Hazel", "Rowan"]
    assert check.shots["gap_m"].tolist()[1:3] == pytest.approx([0.3556, 0.7112])
    assert check.shots["rally"].tolist() == [1, 1, 1, 1, 1]
    own = check.problems.query("kind == 'row'")
    found = set(map(tuple, own[["line", "column", "value"]].to_numpy().tolist()))
    assert found == {(3, "d2", "x"), (4, "s2", ""), (5, "s1", "")}
    assert "d2" in check.summary()


def test_one_row_a_rally_with_a_cell_of_shots(tmp_path):
    path = tmp_path / "theirs.csv"
    path.write_text(
        "Game|Server|Receiver|Ending|Shots\n"
        "1|Rowan|Hazel|winner|FH serve; BH drive,35; FH volley drop,70;\n"
        "1|Rowan|Hazel|tin|FH serve; BH drive,35,8\n"
        "1|Rowan|Hazel|tin|\n"
    )
    text = RALLIES + '[sequence]\ncolumn = "Shots"\nunit = "cm"\n'
    check = check_log(path, mapping=ColumnMap.from_text(text))
    assert (check.rows_in, check.rows_used, check.rows_refused) == (6, 3, 3)
    assert check.shots["contact"].tolist()[2] == "volley"
    own = check.problems.query("kind == 'row'")
    assert own["line"].tolist()[0] == 3
    assert own["column"].tolist()[0] == "Shots, shot 2"
    assert own["value"].tolist()[0] == "35 and 8"


EXCHANGES = """
each_row_is = "an exchange"
[columns]
match = "M"
game = "G"
rally = "R"
exchange = "E"
ending = "End"
{more}
[first]
player = "A"
stroke = "A stroke"
gap = {{ column = "A gap", unit = "cm" }}
[second]
player = "B"
stroke = "B stroke"
gap = {{ column = "B gap", unit = "cm" }}
"""
EXCHANGE_LOG = """\
M,G,R,E,A,A stroke,A gap,B,B stroke,B gap,End,Serves
M1,1,1,1,Rowan,FH serve,,Hazel,BH drive,30,,Rowan
M1,1,1,2,Rowan,BH drop,70,Hazel,,,winner,Rowan
M1,1,2,1,Rowan,BH boast,12,Hazel,FH serve,,tin,Hazel
"""


def test_one_row_an_exchange(tmp_path):
    path = tmp_path / "theirs.csv"
    path.write_text(EXCHANGE_LOG)
    plain = check_log(path, mapping=ColumnMap.from_text(EXCHANGES.format(more="")))
    assert plain.shots["line"].tolist() == [2, 2, 3]  # in rally 2 the serve comes second
    served = ColumnMap.from_text(EXCHANGES.format(more='server = "Serves"'))
    check = check_log(path, mapping=served)
    assert check.rows_refused == 0
    assert check.shots["player"].tolist() == ["Rowan", "Hazel", "Rowan", "Hazel", "Rowan"]
    assert check.shots["shot"].tolist() == [1, 2, 3, 1, 2]
    assert check.shots["gap_m"].tolist()[-1] == 0.12


@settings(max_examples=20, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.lists(st.lists(st.integers(0, 300), min_size=0, max_size=7), min_size=1, max_size=5))
def test_long_to_wide_and_back(rallies):
    rows, wide = [], []
    for number, gaps in enumerate([[10], *rallies], 1):
        flat = {"m": "M1", "g": 1, "r": number, "A": "Rowan", "B": "Hazel", "end": "winner"}
        for shot, gap in enumerate(["", *gaps], 1):
            stroke = "serve" if shot == 1 else "drive"
            side = "forehand" if gap != "" and gap % 2 else "backhand"
            last = shot == len(gaps) + 1
            rows.append(
                {"match": "M1", "game": 1, "rally": number, "shot": shot}
                | {"player": ("Hazel", "Rowan")[shot % 2], "side": side, "stroke": stroke}
                | {"gap_cm": gap, "ending": "winner" if last else ""}
            )
            flat |= {f"side{shot}": side, f"stroke{shot}": stroke, f"gap{shot}": gap}
        wide.append(flat)
    text = """
    each_row_is = "a rally"
    [columns]
    match = "m"
    game = "g"
    rally = "r"
    server = "A"
    receiver = "B"
    ending = "end"
    [every_shot]
    side = "side{n}"
    stroke = "stroke{n}"
    gap = { column = "gap{n}", unit = "cm" }
    """
    expected = read_shots(pd.DataFrame(rows), on_refused="raise")
    found = read_shots(pd.DataFrame(wide), mapping=ColumnMap.from_text(text), on_refused="raise")
    pd.testing.assert_frame_equal(found.drop(columns="line"), expected.drop(columns="line"))


@pytest.mark.parametrize(
    ("change", "error", "message"),
    [
        (('"Hitter"', '"Hiter"'), LogError, "columns.player is 'Hiter'.*Did you mean 'Hitter'"),
        (('player = "Hitter"', ""), LogError, "required column missing: player"),
    ],
)
def test_mistakes_in_a_map(shots_log, change, error, message):
    assert change[0] in SHOTS
    with pytest.raises(error, match=f"(?s){message}"):
        check_log(shots_log, mapping=ColumnMap.from_text(SHOTS.replace(*change), "map.toml"))


def test_two_columns_of_one_heading(tmp_path):
    path = tmp_path / "theirs.csv"
    path.write_text(LOG.replace("Notes", "Hitter"))
    with pytest.raises(LogError, match="two columns have the heading 'Hitter'"):
        check_log(path, mapping=ColumnMap.from_text(SHOTS))


def test_shots_are_counted_only_where_the_map_says_so(shots_log):
    """A map that forgot the shots is refused by their name; rows in any order give no numbers."""
    text = SHOTS.replace("shot = { count = true }\n", "")
    with pytest.raises(LogError, match="shot"):
        check_log(shots_log, mapping=ColumnMap.from_text(text))


def test_a_problem_of_an_exchange_is_told_under_the_heading_of_its_own_player(tmp_path):
    path = tmp_path / "theirs.csv"
    path.write_text(EXCHANGE_LOG.replace("BH drive,30", "BH drive,wide"))
    check = check_log(path, mapping=ColumnMap.from_text(EXCHANGES.format(more="")))
    found = check.problems.query("value == 'wide'")["column"]
    assert set(found) == {"B gap"}
