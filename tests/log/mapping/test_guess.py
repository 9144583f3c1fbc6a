"""A proposed map is right where it says something, and says ? where it does not know."""

import tomllib

import pandas as pd
import pytest

from sidewall.court import Court
from sidewall.log import ColumnMap, check_log, guess_map

LOG = """\
Match no,G,Pt,Hitter,FH/BH,Shot,Dist,Outcome,Notes
N1,1,1,Rowan,FH,Serve,,,
N1,1,1,Hazel,BH,SD,35,,loud
N1,1,1,Rowan,BH,drop,70,win,
N1,1,2,Rowan,BH,Serve,,,
N1,1,2,Hazel,BH,XD,20,Tin,
"""


def headings(table):
    return {
        name: entry if isinstance(entry, str) else entry.get("column")
        for name, entry in table.items()
    }


def test_a_log_under_other_headings(tmp_path):
    path = tmp_path / "theirs.csv"
    path.write_text(LOG)
    text = guess_map(path)
    found = tomllib.loads(text)
    assert headings(found["columns"]) == {
        "match": "Match no",
        "game": "G",
        "rally": "Pt",
        "player": "Hitter",
        "side": "FH/BH",
        "stroke": "Shot",
        "gap": "Dist",
        "ending": "Outcome",
        "shot": None,
    }
    assert found["columns"]["gap"]["unit"] == "?"
    assert found["words"]["stroke"] == {"SD": "?", "XD": "?"}
    assert "# not used: 'Notes'" in text
    with pytest.raises(Exception, match="still"):
        ColumnMap.from_text(text)
    for word, meaning in (("SD", "straight drive"), ("XD", "cross drive"), ("unit", "cm")):
        text = text.replace(f'"{word}" = "?"', f'"{word}" = "{meaning}"')
        text = text.replace(f'{word} = "?"', f'{word} = "{meaning}"')
    assert check_log(path, mapping=ColumnMap.from_text(text)).rows_used == 5


def test_our_own_log_is_known(log):
    found = tomllib.loads(guess_map(log))
    assert found["each_row_is"] == "a shot"
    assert headings(found["columns"]) == {name: name if name != "gap" else "gap_cm" for name in [
        *("match", "game", "rally", "shot", "player", "side", "stroke", "gap", "rally_won_by"),
        *("ending", "direction", "contact", "choice", "balance", "x", "y", "t"),
    ]}  # fmt: skip


@pytest.mark.parametrize("pattern", ["shot{n}_{what}", "{what} {n}", "S{nn} {what}"])
def test_repeated_columns(pattern):
    row = {"Match": "M1", "Game": 1, "Rally": 1, "Server": "Rowan", "Receiver": "Hazel"}
    row["Ending"] = "winner"
    strokes = ["serve", "drive", "drop"]
    for number, stroke in enumerate(strokes, 1):
        name = pattern.replace("{nn}", f"{number:02d}").replace("{n}", str(number))
        row |= {name.replace("{what}", "stroke"): f"FH {stroke}"}
        row |= {name.replace("{what}", "gap_cm"): "" if number == 1 else 10 * number}
    frame = pd.DataFrame([row, row | {"Rally": 2}])
    text = guess_map(frame)
    assert tomllib.loads(text)["each_row_is"] == "a rally"
    if "?" in text:
        text = text.replace('unit = "?"', 'unit = "cm"')
    check = check_log(frame, mapping=ColumnMap.from_text(text))
    assert (check.rows_used, check.rows_in) == (6, 6)


@pytest.mark.parametrize(
    ("longest", "unit"), [(Court().length_m, "m"), (Court().length_m + 0.1, "?"), (25.0, "?")]
)
def test_lengths_are_metres_where_the_court_holds_them_all(longest, unit):
    """And where some have decimals: whole numbers may be anything."""
    cells = [0.5, 1.2, 3.1, 4.7, 2.2, 5.9, longest]
    frame = pd.DataFrame({"Match": "M1", "Rally": 1, "Shot": range(1, 8), "y": cells})
    assert tomllib.loads(guess_map(frame))["columns"]["y"]["unit"] == unit
    whole = frame.assign(y=[1, 2, 3, 4, 5, 6, 7])
    assert tomllib.loads(guess_map(whole))["columns"]["y"]["unit"] == "?"


def test_a_cell_of_shots():
    frame = pd.DataFrame(
        {
            "Match": "M1",
            "Game": 1,
            "Server": "Rowan",
            "Receiver": "Hazel",
            "Ending": "winner",
            'The "rally"': ["FH serve > BH drive:30 > FH drop:70", "FH serve > BH lob:30"],
        }
    )
    text = guess_map(frame).replace('unit = "?"', 'unit = "cm"')
    assert tomllib.loads(text)["sequence"]["between"] == ">"
    assert check_log(frame, mapping=ColumnMap.from_text(text)).rows_used == 5


def test_pairs_of_columns():
    frame = pd.DataFrame(
        [("M1", 1, 1, 1, "Rowan", "FH serve", "", "Hazel", "BH drive", 30, "tin")],
        columns=[
            *("Match", "Game", "Rally", "Exchange", "A player", "A stroke", "A gap (cm)"),
            *("B player", "B stroke", "B gap (cm)", "Ending"),
        ],
    )
    text = guess_map(frame)
    assert tomllib.loads(text)["each_row_is"] == "an exchange"
    assert check_log(frame, mapping=ColumnMap.from_text(text)).rows_used == 2


SNAKE = """\
match_name,game_number,rally_number,shot_index,hitter_name,stroke_side,shot_type,distance_to_wall,rally_outcome,rally_winner
N1,1,1,1,Rowan,FH,serve,,,
N1,1,1,2,Hazel,BH,drive,35,,
N1,1,1,3,Rowan,BH,drop,70,winner,Rowan
"""


def test_snake_case_names_are_known_and_units_are_not_guessed(tmp_path):
    (tmp_path / "theirs.csv").write_text(SNAKE)
    columns = tomllib.loads(guess_map(tmp_path / "theirs.csv"))["columns"]
    assert headings(columns) == {
        **{"match": "match_name", "game": "game_number", "rally": "rally_number"},
        **{"shot": "shot_index", "player": "hitter_name", "side": "stroke_side"},
        **{"stroke": "shot_type", "gap": "distance_to_wall", "ending": "rally_outcome"},
        "rally_won_by": "rally_winner",
    }
    assert columns["gap"]["unit"] == "?"


@pytest.mark.parametrize(
    ("head", "cells", "words"),
    [
        ("Spiel,Satz,Ballwechsel,Spieler,Seite,Schlag,Wandabstand", ("VH", "RH"),
         {"VH": "forehand", "RH": "backhand"}),
        ("rencontre,jeu,echange,joueur,cote,coup,ecart", ("CD", "RV"),
         {"CD": "forehand", "RV": "backhand"}),
        ("partido,juego,punto,jugador,lado,golpe,distancia", ("der", "rev"),
         {"der": "forehand", "rev": "backhand"}),
        # of no one language: nothing is proposed
        ("match,game,rally,player,side,stroke,gap", ("VH", "RV"), {"VH": "?", "RV": "?"}),
    ],
)  # fmt: skip
def test_other_languages(tmp_path, head, cells, words):
    one, two = cells
    rows = [head, f"N1,1,1,Rowan,{one},serve,", f"N1,1,1,Hazel,{two},drop,35"]
    (tmp_path / "theirs.csv").write_text("\n".join(rows) + "\n")
    found = tomllib.loads(guess_map(tmp_path / "theirs.csv"))
    names = ["match", "game", "rally", "player", "side", "stroke", "gap"]
    known = headings(found["columns"])
    assert {name: known.get(name) for name in names} == dict(
        zip(names, head.split(","), strict=True)
    )
    assert found["columns"]["gap"]["unit"] == "?"
    assert found["words"]["side"] == words
