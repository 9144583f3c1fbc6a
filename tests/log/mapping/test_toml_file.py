"""A map as text: what it comes out as, entry by entry, and what is refused with which words."""

import re

import pytest

from sidewall.errors import LogError, UnitError
from sidewall.log.mapping.column_map import ColumnMap, Entry, SequenceCell

RALLY, EXCHANGE = 'each_row_is = "a rally"\n', 'each_row_is = "an exchange"\n'
SEQUENCE = RALLY + '[sequence]\ncolumn = "All"\n'


def read(text):
    return ColumnMap.from_text(text, "m.toml")


@pytest.mark.parametrize(
    ("line", "name", "entry"),
    [
        ('game = "G"', "game", Entry("G")),
        ('game = { column = "G" }', "game", Entry("G")),
        ("game = { column = 3 }", "game", Entry("3")),
        ("game = { always = 1 }", "game", Entry(always="1")),
        ("shot = { count = true }", "shot", Entry(count=True)),
        ("rally = { count = true }", "rally", Entry(count=True)),
        ('gap = "Gap (cm)"', "gap", Entry("Gap (cm)", "cm")),
        ('gap = { column = "Gap (cm)", unit = "in" }', "gap", Entry("Gap (cm)", "in")),
        ('gap = { column = "G", unit = "inches" }', "gap", Entry("G", "in")),
        ('gap = { always = "30", unit = "cm" }', "gap", Entry(None, "cm", "30")),
        ('x = { column = "X", unit = "m", measured_from = "right wall" }', "x",
         Entry("X", "m", measured_from="right wall")),
        ('bounce_y = { column = "X", unit = "cm", measured_from = "front wall" }', "bounce_y",
         Entry("X", "cm", measured_from="front wall")),
    ],
)  # fmt: skip
def test_entries(line, name, entry):
    assert read(f"[columns]\n{line}") == ColumnMap({name: entry}, name="m.toml")


def test_a_whole_map():
    text = """
    each_row_is = "an exchange"
    file_name = "{match} game {game}"
    [columns]
    exchange = "E"
    server = "S"
    [first]
    player = "A"
    x = { column = "u", unit = "px" }
    y = { column = "v", unit = "px" }
    [second]
    player = "B"
    [words.stroke]
    "" = "drop"
    SD = ""
    [words.server]
    a = "Elm"
    [names]
    A = "Name A"
    [names.B]
    M1 = "Fir"
    [score]
    points = { A = "PA", B = "PB" }
    games = { A = "GA", B = "GB" }
    [pixels]
    here = [1, 2.5]
    [[rules]]
    when = { Reason = ["error", 3], Winner = "B" }
    then = { ending = "out", game = 2 }
    [[rules]]
    when = { End = 1 }
    then = { ending = "" }
    """
    assert read(text) == ColumnMap(
        {"exchange": Entry("E"), "server": Entry("S")},
        "an exchange",
        {"player": Entry("A"), "x": Entry("u", "px"), "y": Entry("v", "px")},
        {"player": Entry("B")},
        words={"stroke": {"": "drop", "SD": ""}, "server": {"a": "Elm"}},
        names={"A": "Name A", "B": {"M1": "Fir"}},
        score={"points": {"A": "PA", "B": "PB"}, "games": {"A": "GA", "B": "GB"}},
        pixels={"here": (1.0, 2.5)},
        rules=(
            ({"Reason": ("error", "3"), "Winner": ("B",)}, {"ending": "out", "game": "2"}),
            ({"End": ("1",)}, {"ending": ""}),
        ),
        file_name="{match} game {game}",
        name="m.toml",
    )


@pytest.mark.parametrize(
    ("more", "cell"),
    [
        ('unit = "cm"', SequenceCell("All", unit="cm")),
        ('parts = ["stroke"]', SequenceCell("All", parts=("stroke",))),
        ('parts = ["stroke", "x"]', SequenceCell("All", parts=("stroke", "x"))),
        ('parts = ["gap", "x"]\nunit = "in"\nbetween = "|"\nwithin = ":"',
         SequenceCell("All", "|", ("gap", "x"), ":", "in")),
    ],
)  # fmt: skip
def test_cells_of_shots(more, cell):
    assert read(SEQUENCE + more) == ColumnMap({}, "a rally", sequence=cell, name="m.toml")
    assert SequenceCell("All") == SequenceCell("All", ";", ("stroke", "gap"), ",", None)


PX = 'x = { column = "u", unit = "px" }\n'
PY = 'y = { column = "v", unit = "px" }\n'
POINT = "[pixels]\nhere = [1, 2]\n"


@pytest.mark.parametrize(
    ("text", "error", "told"),
    [
        ("a = 1", LogError, "m.toml: the map has an unknown name 'a'. It may hold: each_row_is, "),
        ("column = 1", LogError, "unknown name 'column'. Did you mean 'columns'? It may hold"),
        ("columns = 3", LogError, "m.toml: columns must be a table: write [columns] on a line of"),
        (RALLY + "every_shot = 3", LogError, "every_shot must be a table: write [every_shot]"),
        ('[columns]\nserver = "S"', LogError, "[columns] has an unknown name 'server'"),
        (EXCHANGE + '[first]\nserver = "S"', LogError, "[first] has an unknown name 'server'"),
        (RALLY + '[first]\nside = "S"', LogError, "[first] does not go with each_row_is = 'a r"),
        (EXCHANGE + '[sequence]\ncolumn = "S"', LogError, "[sequence] does not go with"),
        ('[every_shot]\nside = "S{n}"', LogError, "[every_shot] does not go with each_row_is = "),
        (EXCHANGE + '[first]\nside = "S"', LogError, "an exchange has two shots: fill in"),
        (EXCHANGE + '[second]\nside = "S"', LogError, "an exchange has two shots: fill in"),
        (RALLY, LogError, "fill in either [every_shot] or [sequence]"),
        (RALLY + '[every_shot]\nside = "S{n}"\n[sequence]\ncolumn = "A"\nunit = "cm"', LogError,
         "fill in either [every_shot] or [sequence]"),
        (SEQUENCE + 'unit = "cm"\n[columns]\nstroke = "S"', LogError, "stroke is given twice, "),
        (RALLY + '[columns]\nside = "S"\n[every_shot]\nside = "S{n}"', LogError,
         "side is given twice, under [columns] and for the shots of a row. Keep one."),
        (EXCHANGE + '[columns]\nside = "S"\n[first]\nstroke = "S"\n[second]\nside = "T"', LogError,
         "side is given twice"),
        ("[columns]\ngame = true", LogError, "columns.game is True. Write your heading in quot"),
        ("[columns]\ngame = { column = true }", LogError, "columns.game.column is True. Write it"),
        ("[columns]\ngame = { column = [1] }", LogError, "columns.game.column is [1]. Write it in"),
        ("[columns]\nshot = { count = false }", LogError, "columns.shot.count is False. Write co"),
        ("[columns]\nshot = { count = 1 }", LogError, "columns.shot.count is 1. Write count = t"),
        ('[columns]\ngame = { colum = "a" }', LogError, "columns.game has an unknown name 'colum'"),
        ('[columns]\ngame = " ? "', LogError, "columns.game: column is still '?'. Fill it in, or"),
        ("[columns]\ngame = {}", LogError, "columns.game says nothing. Give one of column, alwa"),
        ('[columns]\nshot = { always = "1", count = true }', LogError, "says always and count. "),
        ('[columns]\ngap = { taken_from = "y" }', LogError, "only the gap can be taken from ano"),
        ('[columns]\ngame = { taken_from = "x" }', LogError, "only the gap can be taken from ano"),
        ('[columns]\nx = { taken_from = "x" }', LogError, "only the gap can be taken from anoth"),
        ('[columns]\ngap = { taken_from = "x" }', LogError, "columns.gap is taken from x, and the"),
        ('[columns]\ngame = { column = "a", unit = "cm" }', LogError, "columns.game is no length"),
        ('[columns]\nx = "a"', UnitError, "columns.x does not say its unit, and nor does the hea"),
        ('[columns]\nx = { always = "3" }', UnitError, "nor does the heading '3'. Add it, such"),
        ('[columns]\ngap = { column = "a", unit = "px" }', UnitError, "columns.gap: Unknown unit"),
        ('[columns]\nwall_z = { column = "a", unit = "px" }', UnitError, "Unknown unit 'px'"),
        ('[columns]\nx = { column = "a", unit = "px", measured_from = "middle" }', UnitError,
         "Unknown unit 'px'"),
        ('[columns]\nwall_z = { column = "a", unit = "m", measured_from = "middle" }', LogError,
         "columns.wall_z: only x and y can be measured from somewhere else"),
        ('[columns]\ngame = { column = "a", measured_from = "middle" }', LogError,
         "columns.game: only x and y can be measured from somewhere else"),
        ('[columns]\ny = { column = "a", unit = "m", measured_from = "middle" }', LogError,
         "columns.y.measured_from is 'middle'. Use one of 'front wall', 'back wall'."),
        ('[columns]\nx = { column = "a", unit = "m", measured_from = "front wall" }', LogError,
         "Use one of 'left wall', 'right wall', 'middle'."),
        (RALLY + "sequence = 3", LogError, "[sequence] needs the heading of the cell: column"),
        (RALLY + '[sequence]\nunit = "cm"', LogError, "[sequence] needs the heading of the cell"),
        (SEQUENCE + 'colum = "a"', LogError, "[sequence] has an unknown name 'colum'"),
        (SEQUENCE + 'parts = ["stroke", "stroke"]', LogError, "sequence.parts names a column twi"),
        (SEQUENCE + 'parts = ["stroke", "set"]', LogError, "sequence.parts is ['stroke', 'set']."),
        (SEQUENCE + 'parts = [["stroke"]]', LogError, "sequence.parts is [['stroke']]. List our"),
        (SEQUENCE + "parts = []", LogError, "sequence.parts is []. List our columns in the order"),
        (SEQUENCE + 'parts = "stroke"', LogError, "sequence.parts is 'stroke'. List our columns"),
        (SEQUENCE + "between = 3", LogError, "sequence.between is 3. Write it in quotation marks"),
        (SEQUENCE + 'within = ""', LogError, "sequence.within is ''. Write it in quotation marks"),
        (SEQUENCE + 'unit = "?"', LogError, "sequence: unit is still '?'"),
        (SEQUENCE + 'unit = "cm"\nbetween = ","', LogError, "between and within are both ','."),
        (SEQUENCE, UnitError, "m.toml: sequence does not say its unit"),
        (SEQUENCE + 'unit = "feet"', UnitError, "m.toml: sequence: Unknown unit 'feet'"),
        ("words = 3", LogError, "words must be tables: write [words.stroke], for instance"),
        ("[words]\nstroke = 3", LogError, "[words.stroke] must hold lines such as"),
        ("[words.stroke]\na = 3", LogError, "[words.stroke] must hold lines such as"),
        ('[words.strok]\na = "b"', LogError, "[words] has an unknown name 'strok'. Did you mean "),
        ('[words.stroke]\na = " ?"', LogError, "words.stroke: a is still '?'"),
        ('[words.stroke]\n"a  b" = "drop"\n"A b" = "lob"', LogError, "[words.stroke] gives a word"),
        ('[words.ending]\n"" = "let"', LogError, "words.ending gives a blank a meaning"),
        ("names = 3", LogError, "[names] must hold names and texts in quotation marks"),
        ("[names]\nA = 3", LogError, "[names] must hold names and texts"),
        ('[names]\nA = " "', LogError, "[names] must hold names and texts"),
        ("[names.A]\nM1 = 3", LogError, "[names] must hold names and texts"),
        ('[names.A]\nM1 = ""\nM2 = "Elm"', LogError, "[names] must hold names and texts"),
        ('score = "a"', LogError, "[score] must hold names and texts"),
        ('[score]\nsets = { A = "a", B = "b" }', LogError, "[score] has an unknown name 'sets'"),
        ('[score]\npoints = "a"\n[columns]\nplayer = "p"', LogError, "score.points needs the pla"),
        ('[score]\npoints = { A = "a", B = "b" }', LogError, "score.points needs the player's col"),
        ('[columns]\nplayer = "p"\n[score]\ngames = { A = "a" }', LogError, "score.games needs"),
        ('[columns]\nplayer = "p"\n[score]\ngames = { A = "a", B = "b", C = "c" }', LogError,
         'a heading for each of the two as they stand in it: games = { A = "Score A"'),
        ("pixels = 3", LogError, "pixels must be a table: write [pixels] on a line of its own."),
        ("[pixels]\na = 3", LogError, "[pixels] 'a' is 3. Write the point of the floor and its"),
        ("[pixels]\na = [1]", LogError, "[pixels] 'a' is [1]. Write"),
        ("[pixels]\na = [1, 2, 3]", LogError, "[pixels] 'a' is [1, 2, 3]. Write"),
        ("[pixels]\na = [1, true]", LogError, "[pixels] 'a' is [1, True]. Write"),
        (POINT, LogError, 'm.toml: places in pixels (unit = "px") and the four points'),
        ("[columns]\n" + PX + PY, LogError, "Give both, or neither."),
        ("[columns]\n" + PX + POINT, UnitError, "m.toml: x is in pixels, so y is needed in pixe"),
        ("[columns]\n" + PY + POINT, UnitError, "m.toml: y is in pixels, so x is needed in pixe"),
        ("[columns]\nbounce_" + PX + POINT, UnitError, "so bounce_y is needed in pixels too."),
        ("rules = 3", LogError, "m.toml: rule 1 must say when and then: when = {"),
        ("rules = [3]", LogError, "rule 1 must say when and then"),
        ('[[rules]]\nwhen = { a = "b" }', LogError, "rule 1 must say when and then"),
        ('[[rules]]\nwhen = {}\nthen = { game = "1" }', LogError, "rule 1 must say when and then"),
        ('[[rules]]\nwhen = { a = "b" }\nthen = { game = "1" }\n[[rules]]\nwhen = 1\nif = 2',
         LogError, "rule 2 must say when and then"),
        ('[[rules]]\nwhen = { a = "b" }\nthen = { gam = "1" }', LogError,
         "rule 1, then has an unknown name 'gam'. Did you mean 'game'?"),
        ('file_name = "game"', LogError, "m.toml: file_name is 'game'. Put each of our columns"),
        ('file_name = "{match} {match}"', LogError, "file_name is '{match} {match}'. Put each"),
        ('file_name = "{match}"\n[columns]\nmatch = "M"', LogError, "not under [columns] too."),
        ('file_name = "{mach}"', LogError, "file_name has an unknown name 'mach'. Did you mean"),
        ("a = ", LogError, "m.toml: this is no TOML ("),
    ],
)  # fmt: skip
def test_mistakes(text, error, told):
    with pytest.raises(error, match=re.escape(told)) as caught:
        read(text)
    assert str(caught.value).startswith("m.toml: ")
    assert type(caught.value) is error


@pytest.mark.parametrize(
    "text",
    [
        RALLY + '[columns]\nserver = "S"\n[every_shot]\nside = "S{n}"',
        RALLY + '[columns]\ngap = { taken_from = "x" }\n[every_shot]\nx = "x{n} (m)"',
        SEQUENCE + 'parts = ["x"]\n[columns]\ngap = { taken_from = "x" }',
        '[columns]\nplayer = "p"\n[score]\ngames = { A = "a", B = "b" }',
        EXCHANGE + '[first]\nplayer = "p"\n[second]\nplayer = "q"\n[score]\n'
        'games = { A = "a", B = "b" }',
        "[columns]\n" + PX + PY + POINT,
        'file_name = "{match} {game}"\n[columns]\nrally = "R"',
        '[words.ending]\n"-" = ""',
        '[names]\nB = "Name B"\n[names.A]\nM1 = "Elm"',
    ],
)
def test_what_goes_together(text):
    assert read(text).name == "m.toml"


def test_files(tmp_path):
    with pytest.raises(LogError, match=r"none\.toml: there is no such map\. `sidewall map --guess"):
        ColumnMap.read(tmp_path / "none.toml")
    (tmp_path / "m.toml").write_bytes('[columns]\ngame = "Jeu é"'.encode("cp1252"))
    for path in (tmp_path / "m.toml", tmp_path):
        with pytest.raises(LogError, match="the map cannot be read: save it as UTF-8 text"):
            ColumnMap.read(path)
    (tmp_path / "m.toml").write_bytes('\ufeff[columns]\ngame = "Jeu é"'.encode())
    assert ColumnMap.read(tmp_path / "m.toml") == ColumnMap({"game": Entry("Jeu é")}, name="m.toml")


def test_headings_that_are_missing():
    text = EXCHANGE + '[columns]\nexchange = "E"\nshot = { count = true }\ngame = "No. {n}"\n'
    text += '[first]\nplayer = "A"\n[second]\nplayer = "B"'
    known = read(text)
    assert known.missing([]) == ["E", "No. 1", "A", "B"]
    assert known.missing(["e ", "NO 1", "A"]) == ["B"]
    cell = read(SEQUENCE + 'unit = "cm"\n[columns]\ngame = "All"')
    assert cell.missing(["x"]) == ["All"]
    assert cell.missing(["ALL"]) == cell.missing(["all"]) == []
    sign = ColumnMap({"game": Entry("#")})
    assert sign.missing(["#"]) == []
    assert sign.missing(["G"]) == ["#"]
