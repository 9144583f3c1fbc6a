"""What a proposal is made of, each rule at its limits: scores, forms, words, and whole proposals.

A heading counts 1 if the reader knows it, 0.8 if it is one of the words that charters use and
0.55 if it holds one. Cells that fit weigh 0.7 of that; of a column of words 0.6 beside 0.45 of
the heading.
"""

import numpy as np
import pandas as pd
import pytest

from sidewall.log import guess_map
from sidewall.log.mapping import guess
from sidewall.log.mapping.guess import Form, Group, find_form
from sidewall.log.raw import RawColumn

N, U = "values are numbers", "values are understood"


def column(cells):
    return RawColumn.of(pd.Series(list(cells), dtype=object))


@pytest.mark.parametrize(
    ("name", "heading", "cells", "score", "why"),
    [
        ("game", "Game no.", [1, 2, 3], 1.0, f"the heading, 3 of 3 {N}"),
        ("game", "Game", [1, 0, 2, 2.5, "x", "1:02"], 0.3 + 0.7 / 3, f"the heading, 2 of 6 {N}"),
        ("own_points", "Own points", [0, 1, -1], 0.3 + 1.4 / 3, f"the heading, 2 of 3 {N}"),
        ("own_points", "Own points", [0.5], 0.3, f"the heading, 0 of 1 {N}"),
        ("gap", "Dist (cm)", ["35", "3,5", "-2"], 0.8, f"the heading, 3 of 3 {N}"),
        ("gap", "gap to wall", ["2 m", "35 cm", "x", ""], 0.55 * (0.3 + 0.7 / 3),
         f"part of the heading, 1 of 3 {N}"),
        ("t", "Clock", ["1:02", 5, "x"], 0.8 * (0.3 + 1.4 / 3), f"the heading, 2 of 3 {N}"),
        ("player", "Who", ["Elm", "Fir", "1.5", "2:1", 7], 0.8 * 0.58, f"the heading, 2 of 5 {U}"),
        ("opponent", "Opponent", ["Elm"], 1.0, f"the heading, 1 of 1 {U}"),
        ("rally_won_by", "won by", ["1", "Elm"], 0.65, f"the heading, 1 of 2 {U}"),
        ("server", "server", [7], 1.0 * 0.8, "the heading"),
        ("match", "Match", [1], 1.0, "the heading"),
        ("group", "Squad", ["a"], 1.0, "the heading"),
        ("initials", "his initials", ["RO"], 0.55, "part of the heading"),
        ("own_points", "my own points now", [3], 0.55, f"part of the heading, 1 of 1 {N}"),
        ("match", "loud", ["a"], 0.0, ""),
        ("game", "loud", [1], 0.0, f"1 of 1 {N}"),
        ("game", "game", ["", None], 1.0, "the heading"),
        ("side", "loud", ["FH", "BH"], 0.6, f"2 of 2 {U}"),
        ("side", "side", ["q", "w"], 0.3, f"the heading, 0 of 2 {U}"),
        ("side", "Side", ["FH", "BH", "q"], 0.85, f"the heading, 2 of 3 {U}"),
        ("side", "Side", ["FH", "-", "FH"], 1.0, f"the heading, 1 of 1 {U}"),
        ("side", "seite", ["VH", "RH"], 0.96, f"the heading, 2 of 2 {U}"),
        ("stroke", "my shot type", ["drop", "zz"], 0.45 * 0.55 + 0.3,
         f"part of the heading, 1 of 2 {U}"),
        ("hand", "Hand", ["right", "zz"], 0.65, f"the heading, 1 of 2 {U}"),
        ("hand", "Hand", ["FH", "BH"], 0.3, f"the heading, 0 of 2 {U}"),
        # the three hundred that stand most often are looked at
        ("game", "game", ["x", *2 * list(range(1, 301))], 1.0,
         f"the heading, 300 of 300 {N}"),
        ("game", "game", [*range(1, 300), "x", "", "-"], 0.3 + 0.7 * 299 / 300,
         f"the heading, 299 of 300 {N}"),
    ],
)  # fmt: skip
def test_scores(name, heading, cells, score, why):
    found, said = guess._score(name, heading, column(cells))
    assert found == pytest.approx(score, abs=1e-12)
    assert said == why


def assigned(columns, names):
    columns = [(text, column(cells)) for text, cells in columns]
    return {
        name: one.place
        for name, one in guess._assign(columns, set(range(len(columns))), names).items()
    }


def test_the_surest_comes_first_and_each_column_once():
    sides, unsure = ["FH", "BH"], ["FH", "BH", "q"]
    # equal ones: the first; and our order, not theirs
    names = ("game", "side", "stroke")
    assert assigned([("a", sides), ("b", sides), ("G", [1])], names) == {"game": 2, "side": 0}
    assert assigned([("Side", unsure), ("b", sides)], names) == {"side": 0}
    assert assigned([("b", sides), ("Side", sides)], names) == {"side": 1}
    # "Shot" may be the stroke or its number: the cells tell
    both = ("shot", "stroke")
    assert assigned([("Shot", ["drop", "lob"])], both) == {"stroke": 0}
    assert assigned([("Shot", [1, 2])], both) == {"shot": 0}
    assert assigned([("Shot", [1, 2]), ("shot no", [1, 2])], both) == {"shot": 0}
    # half is enough, and less is not
    five = ["FH", "BH", "forehand", "backhand", "f", "q"]
    known = guess._score("side", "loud", column(five))
    assert known == (0.5, f"5 of 6 {U}")
    assert assigned([("loud", five)], names) == {"side": 0}
    assert assigned([("loud", [*five, "w"])], names) == {}
    assert assigned([("x", sides)], ()) == {}


@pytest.mark.parametrize(
    ("name", "cells", "unit"),
    [
        ("x", [0.5, 1, 2, 3, 4, 5], "m"),
        ("x", [0.5, 1, 2, 3, 4], "?"),
        ("x", [0.5, 1, 2, 3, 4, "", "u"], "?"),
        ("x", ["0,5", 1, 2, 3, 4, 9.75], "m"),
        ("x", [0.5, 1, 2, 3, 4, 9.76], "?"),
        ("x", [0, 1, 2, 3, 4, 5, 6], "?"),
        ("gap", [0.5, 1, 2, 3, 4, 5], "?"),
        ("x", ["u"], "?"),
    ],
)
def test_units(name, cells, unit):
    assert guess._unit_of(name, column(cells)) == unit


@pytest.mark.parametrize(
    ("headings", "patterns", "stems", "places", "others", "players"),
    [
        (["G", "s1", "s2", "s3"], ["s{n}"], ["s"], [1], {1, 2, 3}, False),
        (["s3", "s2", "s1", "s7"], ["s{n}"], ["s"], [2], {0, 1, 2, 3}, False),
        (["S01 what", "S02 what", "S03 what", "S10 what", "S12 who"],
         ["S{nn} what"], ["what"], [0], {0, 1, 2, 3}, False),
        (["shot1_hitter", "shot2_hitter", "shot3_hitter", "gap 1", "gap 2", "gap 3"],
         ["shot{n}_hitter", "gap {n}"], ["hitter", "gap"], [0, 3], {0, 1, 2, 3, 4, 5}, True),
        (["player 1", "player 2", "player 3"], ["player {n}"], ["player"], [0], {0, 1, 2}, True),
        (["shot 1", "shot 2", "shot 3"], ["shot {n}"], ["shot"], [0], {0, 1, 2}, False),
        (["1st", "2st", "3st"], ["{n}st"], ["st"], [0], {0, 1, 2}, False),
        (["no 1 x", "no 2 x", "no 3 x"], ["no {n} x"], ["x"], [0], {0, 1, 2}, False),
        (["hit1 y", "hit2 y", "hit3 y"], ["hit{n} y"], ["y"], [0], {0, 1, 2}, False),
    ],
)  # fmt: skip
def test_headings_that_repeat(headings, patterns, stems, places, others, players):
    form = find_form(headings, [column([""])] * len(headings))
    (group,) = form.groups
    assert form.each_row_is == "a rally"
    assert group == Group("every_shot", tuple(places), tuple(stems), tuple(patterns))
    assert set(form.sequence_places) == others
    assert form.sequence_lines == ()
    assert form.has_players is players
    assert form.shared_names == guess._OF_RALLY


@pytest.mark.parametrize(
    "headings",
    [
        *(
            ["s1", "s2"],
            ["s2", "s3", "s4"],
            ["s1", "s3", "s4"],
            ["1", "2", "3"],
            ["s1", "t2", "u3"],
        ),
        *(["s0", "s1", "s2"], []),
    ],
)
def test_headings_that_do_not_repeat(headings):
    assert find_form(headings, [column([""])] * len(headings)) == Form()


def pairs(*marks, stems=("name", "what", "gap (cm)")):
    return [f"{mark} {stem}" for stem in stems for mark in marks]


@pytest.mark.parametrize(
    ("headings", "first", "second", "stems"),
    [
        (["G", *pairs("A", "B")], (1, 3, 5), (2, 4, 6), ("name", "what", "gap cm")),
        (pairs("p1", "p2"), (0, 2, 4), (1, 3, 5), ("name", "what", "gap cm")),
        (pairs("2", "1"), (1, 3, 5), (0, 2, 4), ("name", "what", "gap cm")),
        # as many of either: those that come first among the marks
        ([*pairs("first", "second"), *pairs("A", "B")], (6, 8, 10), (7, 9, 11),
         ("name", "what", "gap cm")),
        # more of the others
        ([*pairs("first", "second", stems=("x", "y", "z", "u")), *pairs("A", "B")], (0, 2, 4, 6),
         (1, 3, 5, 7), ("x", "y", "z", "u")),
        # one alone has no partner; a mark alone is no heading; one mark is taken off
        ([*pairs("server", "receiver"), "server t", "server"], (0, 2, 4), (1, 3, 5),
         ("name", "what", "gap cm")),
        (["A b x", "B b x", *pairs("A", "B", stems=("what", "gap")), "A x"], (0, 2, 4), (1, 3, 5),
         ("b x", "what", "gap")),
    ],
)  # fmt: skip
def test_pairs_of_headings(headings, first, second, stems):
    form = find_form(headings, [column([""])] * len(headings))
    assert form.each_row_is == "an exchange"
    assert form.groups == tuple(
        Group(table, places, stems, tuple(headings[at] for at in places))
        for table, places in (("first", first), ("second", second))
    )
    assert form.has_players is ("name" in stems)
    assert "shot" in form.shared_names
    assert "rally" in form.shared_names


def test_two_pairs_are_no_exchange():
    headings = pairs("A", "B", stems=("name", "what"))
    assert find_form(headings, [column([""])] * 4) == Form()
    headings = pairs("A", "B", stems=("player", "what", "gap"))
    assert find_form(headings, [column([""])] * 6).has_players


def sequence(*cells, more=()):
    form = find_form(["G", 'The "all"', *more], [column(["1"]), column(cells), *map(column, more)])
    return form.sequence_lines


@pytest.mark.parametrize(
    ("cells", "between", "within", "width"),
    [
        (("drop; lob", "serve; lob"), ";", ",", 1),
        (("drop,3; lob", "serve; lob,4"), ";", ",", 2),
        (("drop:3 > lob", "serve > lob:4"), ">", ":", 2),
        (("drop@3|lob@4", "serve"), None, "", 0),  # three steps of two cells
        (("drop@3|lob@4", "serve|lob"), "|", "@", 2),
        (("drop:1/2|lob:1/2", "serve|lob"), "|", ":", 2),  # as many of either
        (("drop/1/2|lob/1:2", "serve|lob"), "|", "/", 2),
        (("drop\nlob", "serve\nlob"), "\\n", ",", 1),
        (("drop/lob", "serve/lob"), "/", ",", 1),
        (("drop;lob;drop",), None, "", 0),  # one cell is not enough
        (("drop;lob;drop", "-"), None, "", 0),
        (("drop;lob", "drop;x;y"), ";", ",", 1),  # three of five
        (("drop;lob", "drop;x;y;z"), None, "", 0),
        (("drop;lob;;", "drop;x;y"), ";", ",", 1),  # empty steps are none
    ],
)  # fmt: skip
def test_cells_of_many_shots(cells, between, within, width):
    lines = sequence(*cells)
    if between is None:
        assert lines == ()
        return
    expected = ["", "[sequence]", 'column = "The \\"all\\""']
    expected += [f'between = "{between}"  # between two shots']
    given = '"stroke", "gap"' if width > 1 else '"stroke"'
    expected += [f"parts = [{given}]  # what a shot gives, in this order"]
    expected += [f'within = "{within}"  # between two parts of a shot']
    expected += ['unit = "?"  # of the gap'] if width > 1 else []
    assert list(lines) == expected


def test_a_cell_of_many_shots_goes_before_headings_that_repeat():
    headings = ["s1", "s2", "s3", "all"]
    cells = [column([""])] * 3 + [column(["drop;lob", "lob;drop"])]
    form = find_form(headings, cells)
    assert (form.sequence_places, form.groups) == ((3,), ())
    # fifty cells are looked at, blank ones too
    many = [f"x{at};y" for at in range(50)] + [
        f"drop;lob;{'serve;' * (at + 1)}" for at in range(50)
    ]
    assert find_form(["all"], [column(many)]) == Form()
    assert find_form(["all"], [column(many[50:] + many[:50])]).sequence_places == (0,)
    edge = [f"x{at};y" for at in range(49)] + ["drop;" * 200, *many[50:]]
    assert find_form(["all"], [column(edge)]).sequence_places == (0,)
    assert find_form(["all"], [column([f"x{at};y" for at in range(50)] + edge[49:])]) == Form()


HEAD = [
    "# A proposal, and nothing is applied yet. Left: our name. Right: your heading.",
    "# Check every line, fill in each ?, and delete what is wrong.",
]
NONE = "  # no such column was found"


def test_a_proposal_for_a_log_that_lacks_nearly_all():
    table = pd.DataFrame({"Who": ["Elm", "Fir"], "": [1, 2], "x": [1, 2], "loud": ["u", "v"]})
    assert guess_map(table).splitlines() == [
        *HEAD,
        'each_row_is = "a shot"',
        "",
        "[columns]",
        f'player = "Who"  # the heading, 2 of 2 {U}',
        f'x = {{ column = "x", unit = "?" }}  # the heading, 2 of 2 {N}',
        'match = { always = "?" }' + NONE,
        'game = { always = "?" }' + NONE,
        'rally = "?"' + NONE,
        "shot = { count = true }  # counted in the order of the file",
        'gap = { taken_from = "x" }  # distance to the nearest side wall',
        *(f'{name} = "?"{NONE}' for name in ("side", "stroke", "ending")),
        "# not used: 'loud'",
    ]
    without = guess_map(table.drop(columns="x")).splitlines()
    assert f'gap = "?"{NONE}' in without
    assert not any("taken_from" in line for line in without)


def test_a_proposal_for_repeated_columns():
    words = ["serve", "zz", "ZZ ", "yy", "drop", "w" * 59, "v" * 60]
    table = pd.DataFrame({"Match": ["m"] * 7, "Ending": ["winner"] * 7})
    for n in (1, 2, 3):
        table[f"shot{n} stroke"] = words if n == 1 else ""
        table[f"shot{n} cm gap"] = 35
        table[f"shot{n} loud"] = "u"
    assert guess_map(table).splitlines() == [
        *HEAD,
        'each_row_is = "a rally"',
        "",
        "[columns]",
        'match = "Match"  # the heading',
        f'ending = "Ending"  # the heading, 1 of 1 {U}',
        'game = { always = "?" }' + NONE,
        "rally = { count = true }" + NONE,
        'server = "?"  # who strikes the first shot',
        'receiver = "?"  # who strikes the second shot',
        "",
        "[every_shot]",
        f'stroke = "shot{{n}} stroke"  # the heading, 2 of 7 {U}',
        f'gap = {{ column = "shot{{n}} cm gap", unit = "?" }}  # part of the heading, 1 of 1 {N}',
        "# not used: 'shot{n} loud'",
        "",
        "[words.stroke]",
        "# ours: serve, drive, drop, lob, boast, back_wall_boast, skid_boast, kill, flick, smash",
        '"zz" = "?"',
        '"yy" = "?"',
        f'"{"w" * 59}" = "?"',
    ]
    for n in (1, 2, 3):
        table[f"shot{n} hitter"] = "Elm"
    text = guess_map(table)
    assert "server" not in text
    assert "receiver" not in text
    assert f'player = "shot{{n}} hitter"  # the heading, 1 of 1 {U}' in text


@pytest.mark.parametrize("given", [(), ("Exchange",), ("Shot no",)])
def test_a_proposal_for_pairs(given):
    table = {"Match": ["m"], "Game": [1], "Rally": [1], **{one: [1] for one in given}}
    table |= {"A stroke": ["drop"], "B stroke": ["lob"], "A what": ["u"], "B what": ["zz"]}
    table |= {"A gap (in)": [3], "B gap (in)": [4], "Ending": ["tin"], "Server": ["Elm"]}
    lines = guess_map(pd.DataFrame(table)).splitlines()
    at = lines.index("[columns]")
    own = {"Exchange": 'exchange = "Exchange"  # the heading',
           "Shot no": f'shot = "Shot no"  # the heading, 1 of 1 {N}'}  # fmt: skip
    expected = {
        'match = "Match"  # the heading',
        f'game = "Game"  # the heading, 1 of 1 {N}',
        f'rally = "Rally"  # the heading, 1 of 1 {N}',
        f'ending = "Ending"  # the heading, 1 of 1 {U}',
        'server = "Server"  # the heading',
        *(own[one] for one in given),
        *([] if given else ["shot = { count = true }  # counted in the order of the file"]),
    }
    end = lines.index("[first]")
    assert set(lines[at + 1 : end - 1]) == expected
    assert len(lines[at + 1 : end - 1]) == len(expected)
    assert lines[end:] == [
        line
        for letter, table in (("A", "[first]"), ("B", "[second]"))
        for line in (
            *([""] if letter == "B" else []),
            table,
            f'stroke = "{letter} stroke"  # the heading, 1 of 1 {U}',
            f'gap = "{letter} gap (in)"  # the heading, 1 of 1 {N}',
            f"# not used: '{letter} what'",
        )
    ]


def test_words_that_are_not_understood():
    found = {}
    cells = [f"w{at}" for at in range(39)] + ["FH"]
    guess._collect(found, "side", column(cells))
    guess._collect(found, "side", column(["W3", "x1", "x2"]))
    guess._collect(found, "player", column(["Elm"]))
    assert found == {"side": [*(f"w{at}" for at in range(39)), "x1"]}


@pytest.mark.parametrize(
    ("name", "unknown", "ours"),
    [
        ("side", ["VH"], {"vh": "forehand"}),
        ("side", ["RV", "CD"], {"rv": "backhand", "cd": "forehand"}),
        ("side", ["RV", "VH"], {}),
        ("side", ["RV", "zz"], {}),
        ("side", [], {}),
        ("stroke", ["lob", "Stopp"], {"lob": "lob", "stopp": "drop"}),
        ("ending", ["zz"], {}),
    ],
)
def test_words_of_another_language(name, unknown, ours):
    found = guess._abroad(name, unknown)
    assert {word: found[word] for word in ours} == ours
    assert bool(found) == bool(ours)


def test_headings_with_odd_letters_and_sheets_that_are_not_read(tmp_path):
    odd = 'Who "é\x7f'
    text = guess_map(pd.DataFrame({odd: ["FH", "BH"]}))
    assert 'side = "Who \\"é\\u007f"  # 2 of 2' in text
    path = tmp_path / "theirs.xlsx"
    with pd.ExcelWriter(path) as book:
        pd.DataFrame({"Who": ["Elm"]}).to_excel(book, sheet_name="one", index=False)
        pd.DataFrame({"What": ["u"]}).to_excel(book, sheet_name="two", index=False)
    lines = guess_map(path).splitlines()
    assert lines[:5] == [
        *HEAD,
        "# Read: sheet 'one'",
        "# Other headings, not read: sheet 'two'",
        'each_row_is = "a shot"',
    ]
    pd.DataFrame({"Who": ["Elm"]}).to_excel(path, index=False)
    assert guess_map(path).splitlines()[2] == 'each_row_is = "a shot"'
    assert np.all(["sheet" not in line for line in guess_map(path).splitlines()])
