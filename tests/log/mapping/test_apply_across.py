"""What a map makes of several columns: pixels, names, scores, rules, blanks and file names."""

import numpy as np
import pytest

from sidewall.court import Court
from sidewall.court.floor import FloorView, known_points
from sidewall.errors import LogError, UnitError
from sidewall.log import ColumnMap, check_log

MAP = """
[columns]
match = "Tie"
game = "G"
rally = "Pt"
shot = "No"
player = "Who"
side = "Side"
stroke = "Stroke"
contact = "Air"
gap = { column = "Gap", unit = "cm" }
rally_won_by = "To"

[words.contact]
"" = "after_bounce"
y = "volley"

[names]
A = "Name A"
B = "Name B"

[score]
points = { A = "PtsA", B = "PtsB" }

[[rules]]
when = { Reason = ["fault", "mistake"], Where = "tin" }
then = { ending = "tin" }

[[rules]]
when = { Reason = ["fault", "mistake"] }
then = { ending = "out" }

[[rules]]
when = { Reason = "clean" }
then = { ending = "winner" }

[[rules]]
when = { shot = "1" }
then = { stroke = "serve" }
"""
LOG = """\
Tie,G,Pt,No,Who,Side,Stroke,Air,Gap,To,Name A,Name B,PtsA,PtsB,Reason,Where
T1,1,1,1,A,FH,drive,,,,Rowan,Hazel,0,0,,
T1,1,1,2,B,BH,drop,y,40,B,Rowan,Hazel,0,0,Clean,
T1,1,2,1,B,FH,drive,,,,Rowan,Hazel,0,1,,
T1,1,2,2,A,BH,drive,,35,B,Rowan,Hazel,0,1,mistake,Tin
T2,1,1,1,b,FH,drive,,,,Cedar,Alder,0,0,,
T2,1,1,2,a,BH,drive,,35,B,Cedar,Alder,0,0,fault,
"""


def read(tmp_path, log=LOG, text=MAP, name="theirs.csv"):
    (tmp_path / name).write_text(log)
    return check_log(tmp_path / name, mapping=ColumnMap.from_text(text, "map.toml"))


def test_blanks_names_scores_and_rules(tmp_path):
    check = read(tmp_path)
    assert check.rows_refused == 0, check.problems
    shots = check.shots
    assert shots["player"].tolist() == ["Rowan", "Hazel", "Hazel", "Rowan", "Alder", "Cedar"]
    assert shots["rally_won_by"].dropna().tolist() == ["Hazel", "Hazel", "Alder"]
    assert shots["stroke"].tolist()[::2] == ["serve"] * 3
    assert shots["ending"].dropna().tolist() == ["winner", "tin", "out"]
    assert shots["contact"].tolist()[1::2] == ["volley", "after_bounce", "after_bounce"]
    assert shots["own_points"].tolist()[:4] == [0, 0, 1, 0]
    assert shots["opponent_points"].tolist()[:4] == [0, 0, 0, 1]
    folded = check.folded.set_index(["found", "read_as"])["rows"]
    assert folded["(rule 2)", "out (map.toml)"] == 1  # the first rule that fits counts
    assert folded["blank", "after_bounce (map.toml)"] == 5


def test_names_by_match(tmp_path):
    tables = '[names.A]\nT1 = "Rowan"\nT2 = "Cedar"\n[names.B]\nT1 = "Hazel"\nT2 = "Alder"\n'
    text = MAP.replace('[names]\nA = "Name A"\nB = "Name B"\n', tables)
    assert set(read(tmp_path, text=text).shots["player"]) == {"Rowan", "Hazel", "Alder", "Cedar"}
    with pytest.raises(LogError, match=r"names\.A does not say who that is in the match 'T2'"):
        read(tmp_path, text=text.replace('T2 = "Cedar"\n', ""))


def test_one_file_a_game(tmp_path):
    text = MAP.replace('match = "Tie"\ngame = "G"\n', "")
    text = 'file_name = "{match}, game {game}"\n' + text
    first = "\n".join(LOG.splitlines()[:3]) + "\n"
    for game in (1, 2):
        (tmp_path / f"Rowan v Hazel, game {game}.csv").write_text(first)
    shots = check_log(tmp_path, mapping=ColumnMap.from_text(text, "map.toml")).shots
    assert shots[["match", "game"]].drop_duplicates().to_numpy().tolist() == [
        ["Rowan v Hazel", 1],
        ["Rowan v Hazel", 2],
    ]
    with pytest.raises(LogError, match="which the file 'theirs' does not fit"):
        read(tmp_path, text=text)


CORNERS = ("front left corner", "front right corner", "back right corner", "back left corner")
CLICKED = ((400, 300), (880, 300), (1180, 680), (100, 680))
PIXELS = "[pixels]\n" + "".join(
    f'"{name}" = [{u}, {v}]\n' for name, (u, v) in zip(CORNERS, CLICKED, strict=True)
)


def pixel_log(places):
    """A log of one rally a ball, with the balls in pixels of the camera that sees the corners."""
    points = [
        {"name": n, "u": u, "v": v, "px": 1.0} for n, (u, v) in zip(CORNERS, CLICKED, strict=True)
    ]
    view = FloorView(points, (1280, 720), Court())
    rows = ["match,game,rally,shot,player,side,stroke,u,v,ending"]
    for rally, (x, y) in enumerate(places, 1):
        seen = view.to_picture @ np.array([x, y, 1.0])
        u, v = seen[:2] / seen[2]
        one, two = ("Rowan", "Hazel") if rally % 2 else ("Hazel", "Rowan")
        rows += [
            f"m,1,{rally},1,{one},forehand,serve,,,",
            f"m,1,{rally},2,{two},backhand,drop,{u:.3f},{v:.3f},winner",
        ]
    return "\n".join(rows) + "\n"


IN_PIXELS = """
[columns]
match = "match"
game = "game"
rally = "rally"
shot = "shot"
player = "player"
side = "side"
stroke = "stroke"
ending = "ending"
x = { column = "u", unit = "px" }
y = { column = "v", unit = "px" }
gap = { taken_from = "x" }

"""


def test_pixels_become_metres_and_the_gap(tmp_path):
    places = [(0.3, 8.0), (6.1, 2.0), (3.0, 5.5)]
    shots = read(tmp_path, pixel_log(places), IN_PIXELS + PIXELS).shots
    struck = shots[shots["shot"] == 2]
    np.testing.assert_allclose(struck[["x_m", "y_m"]].to_numpy(), places, atol=0.002)
    np.testing.assert_allclose(struck["gap_m"], [0.3, 0.3, 3.0], atol=0.002)
    assert known_points(Court())["front left corner"] == (0.0, 0.0)


def test_a_pixel_above_the_floor_refuses_its_row(tmp_path):
    log = pixel_log([(0.3, 8.0)])
    ball = log.splitlines()[2].split(",")
    above = log.replace(f"{ball[7]},{ball[8]}", "640,10")
    check = read(tmp_path, above, IN_PIXELS + PIXELS)
    assert check.rows_used == 0
    assert {"u", "v"} & set(check.problems["column"])


@pytest.mark.parametrize(
    ("pixels", "said"),
    [
        (",5", {"v": "half a place", "u": "blank"}),
        ("3,", {"u": "half a place"}),
        ("3,five", {"u": "half a place", "v": "'five' is no number"}),
        ("640,-20", {"u": "above the floor", "v": "above the floor"}),
    ],
)
def test_a_place_that_is_not_known_is_not_read_as_metres(tmp_path, pixels, said):
    """Five pixels from the top are not five metres from the front, whatever the other half is."""
    log = pixel_log([(0.3, 8.0)])
    ball = log.splitlines()[2].split(",")
    check = read(tmp_path, log.replace(f"{ball[7]},{ball[8]}", pixels), IN_PIXELS + PIXELS)
    assert check.rows_used == 0
    found = check.problems[check.problems["line"] == 3].set_index("column")["reason"]
    assert set(found.index) == set(said)
    assert all(words in found[column] for column, words in said.items())


@pytest.mark.parametrize(
    ("text", "error", "message"),
    [
        (IN_PIXELS, LogError, "four points of the floor under \\[pixels\\] go together"),
        (MAP + PIXELS, LogError, "go together"),
        (IN_PIXELS + PIXELS.replace("[100, 680]", "[640, 300]"), LogError, "line"),
        (IN_PIXELS + PIXELS.replace("400, 300", "880, 300", 1).replace(
            "[880, 300]\n\"back", "[400, 300]\n\"back"), LogError, r"\[pixels\]"),
        (IN_PIXELS + PIXELS.replace("back left", "upper left"), LogError, "no point 'upper left"),
        (IN_PIXELS + PIXELS.replace("[100, 680]", '"here"'), LogError, "its pixels from the left"),
        (IN_PIXELS.replace('y = { column = "v", unit = "px" }', "") + PIXELS, UnitError,
         "y is needed in pixels too"),
        (MAP.replace('"" = "after_bounce"', '"" = "after_bounce"\n[words.ending]\n"" = "let"'),
         LogError, "would end the rally at every shot"),
        (MAP.replace("then = { ending", "then = { endign"), LogError, "Did you mean 'ending'"),
        (MAP.replace("then = { stroke", "than = { stroke"), LogError, "must say when and then"),
        (MAP.replace("Reason =", "Raeson ="), LogError, "Did you mean 'Reason'"),
        (MAP.replace("points = {", "sets = {"), LogError, "unknown name 'sets'"),
        (MAP.replace(', B = "PtsB"', ""), LogError, "a heading for each of the two"),
        (MAP.replace('A = "Name A"', 'A = "Nmae A"'), LogError, "Did you mean 'Name A'"),
        (MAP.replace('A = "Name A"', "A = 1"), LogError, "texts in quotation marks"),
        ('file_name = "game"\n' + MAP, LogError, "Put each of our columns"),
        ('file_name = "{match}"\n' + MAP, LogError, "not under .columns. too"),
        ('file_name = "{mach}"\n' + MAP, LogError, "Did you mean 'match'"),
    ],
)  # fmt: skip
def test_mistakes(tmp_path, text, error, message):
    with pytest.raises(error, match=message):
        read(tmp_path, LOG if text.count("Tie") else pixel_log([(0.3, 8.0)]), text)
