"""Rows of several shots against a plain loop over rows and shots: cells, headings, units."""

import numpy as np
import pandas as pd
import pytest

from sidewall.errors import LogError
from sidewall.log.mapping.column_map import ColumnMap, Entry, SequenceCell
from sidewall.log.mapping.headings import Headings
from sidewall.log.mapping.unroll import unroll
from sidewall.log.raw import RawColumn, RawLog

NOTHING = ("", "-", "n/a", "NA")
SEEDS = range(700, 708)


def raw_of(table):
    columns = [
        (str(text), RawColumn.of(pd.Series(list(cells), dtype=object)))
        for text, cells in table.items()
    ]
    return RawLog(columns, np.arange(len(next(iter(table.values())))) + 2, "theirs.csv")


def said(cell):
    return str(cell).strip() not in NOTHING


def found_of(table, known):
    """What unroll gives, as plain lists."""
    headings = Headings(raw_of(table), known.name)
    rows, cells = unroll(headings, known)
    out = {}
    for name, one in cells.items():
        column = one.column.distinct[one.column.codes].tolist()
        labels = None if one.labels is None else one.labels.tolist()
        out[name] = (column, one.label, one.unit, one.measured_from, labels)
    return rows.tolist(), out, {headings.raw.columns[at][0] for at in headings.used}


def expected_of(rows, shared, shots):
    """Rows and cells by a loop.

    `shared` are (cells, label, unit, from) by name, `shots` a list of these; one that is ``None``
    in its place for the cells that count is always the same and shows no shot.
    """
    row, number, out = [], [], {}
    for at in range(rows):
        last = 1
        for shot, parts in enumerate(shots, 1):
            for name, (cells, _, _, _, always) in parts.items():
                if name not in ("player", "opponent") and not always and said(cells[at]):
                    last = shot
        row += [at] * last
        number += range(last)
    for name, (cells, label, unit, origin) in shared.items():
        mine = []
        for place, (at, shot) in enumerate(zip(row, number, strict=True)):
            ends = place + 1 == len(row) or row[place + 1] != at
            text = cells[at]
            if name in ("ending", "rally_won_by") and not ends:
                text = ""
            if name in ("t", "own_points", "opponent_points", "own_games", "opponent_games"):
                text = text if shot == 0 else ""
            mine.append(text)
        out[name] = (mine, label, unit, origin, None)
    names = []
    for parts in shots:
        names += [name for name in parts if name not in names]
    for name in names:
        mine, where, of = [], [], []
        given = [parts[name] for parts in shots if name in parts]
        for one in given:
            of += [one[1]] if one[1] not in of else []
        for at, shot in zip(row, number, strict=True):
            part = shots[shot].get(name)
            mine.append("" if part is None else part[0][at])
            where.append("" if part is None else part[1])
        label = " / ".join(of) if len(of) < 4 else of[0] + " ... " + of[-1]
        labels = where if len(of) > 1 else None
        out[name] = (mine, label, given[0][2], given[0][3], labels)
    return row, number, out


def in_turn(out, number):
    """Who strikes, of server and receiver."""
    if "player" in out or not {"server", "receiver"} <= set(out):
        return
    one, two = out["server"], out["receiver"]
    pairs = list(zip(one[0], two[0], number, strict=True))
    out["player"] = (
        [b if shot % 2 else a for a, b, shot in pairs],
        f"{one[1]} / {two[1]}",
        None,
        None,
        [two[1] if shot % 2 else one[1] for shot in number],
    )


def drawn(rng, words, rows, blank=0.35):
    return [
        str(rng.choice(NOTHING)) if rng.random() < blank else str(rng.choice(words))
        for _ in range(rows)
    ]


SHARED = {
    **{"game": "G", "server": "Sv", "receiver": "Rc", "ending": "End", "rally_won_by": "Won"},
    **{"t": "At", "own_points": "Pa", "opponent_points": "Pb", "own_games": "Ga"},
    **{"opponent_games": "Gb", "date": "On"},
}


def shared_of(rng, rows, names):
    """Columns said once a row: their table, the map's entries, and what is to be expected."""
    table = {SHARED[name]: drawn(rng, ["a", "b", "c"], rows) for name in names}
    entries = {name: Entry(SHARED[name]) for name in names}
    known = {name: (table[SHARED[name]], SHARED[name], None, None) for name in names}
    entries |= {"match": Entry(always="M1"), "rally": Entry(count=True)}
    known["match"] = (["M1"] * rows, "match (always)", None, None)
    return table, entries, known


@pytest.mark.parametrize("seed", SEEDS)
def test_columns_that_repeat(seed):
    rng = np.random.default_rng(seed)
    rows = int(rng.integers(1, 6))
    names = [name for name in SHARED if rng.random() < 0.7]
    table, entries, known = shared_of(rng, rows, names)
    most = int(rng.integers(1, 8))
    every = {
        "stroke": Entry("S{n} what"),
        "gap": Entry("gap {nn}", "in"),
        "x": Entry("x{n}", "cm", measured_from="middle"),
    }
    if rng.random() < 0.4:
        every["player"] = Entry("who {n}")
    shots = [{} for _ in range(most)]
    for at in range(most):
        for name, entry in every.items():
            if rng.random() < 0.8 or at == most - 1:  # a column may lack some shots
                text = entry.column.replace("{nn}", f"{at + 1:02d}").replace("{n}", str(at + 1))
                table[text] = drawn(rng, ["1", "22", "drop"], rows, 0.5)
                shots[at][name] = (table[text], text, entry.unit, entry.measured_from, False)
    row, number, out = expected_of(rows, known, shots)
    out["shot"] = ([shot + 1 for shot in number], "shot (counted)", None, None, None)
    in_turn(out, number)
    table["loud"] = ["?"] * rows
    theirs = ColumnMap(entries, "a rally", every_shot=every)
    found_row, found, used = found_of(table, theirs)
    assert found_row == row
    assert found == out
    assert list(found) == list(out)
    assert used == set(table) - {"loud"}


@pytest.mark.parametrize("seed", SEEDS)
def test_a_cell_of_shots(seed):
    rng = np.random.default_rng(seed)
    rows = int(rng.integers(2, 6))
    names = [name for name in SHARED if rng.random() < 0.7]
    table, entries, known = shared_of(rng, rows, names)
    parts = [("stroke", "gap"), ("player", "gap", "x"), ("stroke",)][seed % 3]
    unit = [None, "cm"][seed % 2] if "gap" not in parts else "cm"
    between, within = [(";", ","), ("|", ":"), (" > ", "@")][seed // 2 % 3]
    cells, split = [], []
    for _ in range(rows):
        steps = []
        for _ in range(int(rng.integers(0, 6))):
            steps.append(drawn(rng, ["a", "bb", "7"], int(rng.integers(1, len(parts) + 3)), 0.3))
        texts = [within.join(step) for step in steps] + [""] * int(rng.integers(0, 3))
        cells.append(between.join(texts))
        while steps and not within.join(steps[-1]).strip():
            steps.pop()
        split.append(steps)
    table["All"] = cells
    shots = []
    for at in range(max([len(steps) for steps in split] + [1])):
        parts_of = {}
        for place, name in enumerate(parts):
            mine = []
            for steps in split:
                texts = [text.strip() for text in steps[at]] if at < len(steps) else []
                rest = texts[place : None if place + 1 == len(parts) else place + 1]
                mine.append(" and ".join(rest))
            length = name in ("gap", "x")
            unit_of = (unit or "m") if length else None
            parts_of[name] = (mine, f"All, shot {at + 1}", unit_of, None, False)
        shots.append(parts_of)
    row, number, out = expected_of(rows, known, shots)
    out["shot"] = ([shot + 1 for shot in number], "shot (counted)", None, None, None)
    in_turn(out, number)
    cell = SequenceCell("All", between, parts, within, unit)
    found_row, found, _ = found_of(table, ColumnMap(entries, "a rally", sequence=cell))
    assert found_row == row
    assert found == out
    assert list(found) == list(out)


def test_cells_of_shots_without_one():
    """The columns are there, so that each row can be refused with its line."""
    theirs = ColumnMap({}, "a rally", sequence=SequenceCell("All", unit="cm"))
    rows, found, _ = found_of({"All": ["", ";;", " ; "]}, theirs)
    assert rows == [0, 1, 2]
    assert {name: one[:3] for name, one in found.items()} == {
        "stroke": ([""] * 3, "All, shot 1", None),
        "gap": ([""] * 3, "All, shot 1", "cm"),
        "shot": ([1] * 3, "shot (counted)", None),
    }


@pytest.mark.parametrize("seed", SEEDS)
def test_exchanges(seed):
    """With the server's shot first where that is said, and the number of the shot worked out."""
    rng = np.random.default_rng(seed)
    rows = int(rng.integers(2, 7))
    serves, players = seed % 2 == 0, seed % 4 < 2
    names = [name for name in SHARED if rng.random() < 0.7 and name not in ("server", "receiver")]
    names += ["server"] if serves else []
    table, entries, known = shared_of(rng, rows, names)
    numbers = [["1", " 2", "3", 4, "x", "1.5", "123456", "1234567", "²", ""][i] for i in
               rng.integers(0, 10, rows)]  # fmt: skip
    table["No"] = numbers
    entries = {"exchange": Entry("No")} | entries
    known = {"exchange": (numbers, "No", None, None)} | known
    sides, shots = [{}, {}], [{}, {}]
    for at, letter in enumerate("AB"):
        columns = {"stroke": Entry(f"{letter} what"), "gap": Entry(f"{letter} gap", "cm")}
        columns |= {"player": Entry(letter)} if players else {}
        for name, entry in columns.items():
            words = ["a", "A ", "b"] if name == "player" else ["1", "drop"]
            table[entry.column] = drawn(rng, words, rows, 0.4)
            shots[at][name] = (table[entry.column], entry.column, entry.unit, None, False)
        sides[at] = columns | {"side": Entry(always="forehand")}
        shots[at]["side"] = (["forehand"] * rows, "side (always)", None, None, True)
    if serves and players:
        other = [{}, {}]
        for name in shots[0]:
            label = " / ".join(shots[at][name][1] for at in (0, 1))
            cells = [[], []]
            for at in range(rows):
                server = " ".join(str(table["Sv"][at]).split()).lower()
                second = " ".join(str(table["B"][at]).split()).lower()
                mine = [shots[0][name][0][at], shots[1][name][0][at]]
                mine = mine[::-1] if server == second else mine
                cells[0].append(mine[0])
                cells[1].append(mine[1])
            for at in (0, 1):
                other[at][name] = (cells[at], label, *shots[0][name][2:])
        shots = other
    row, number, out = expected_of(rows, known, shots)
    counted = []
    for at, shot in zip(row, number, strict=True):
        text = str(numbers[at]).strip()
        plain = text != "" and all(one in "0123456789" for one in text) and len(text) <= 6
        counted.append(2 * int(text) - 1 + shot if plain else numbers[at])
    out["shot"] = (counted, "No", None, None, None)
    in_turn(out, number)
    theirs = ColumnMap(entries, "an exchange", first=sides[0], second=sides[1])
    found_row, found, _ = found_of(table, theirs)
    assert found_row == row
    assert found == out
    assert list(found) == list(out)


@pytest.mark.parametrize(
    ("numbers", "shots"),
    [
        ([1], 1),
        ([1, 2, 4], 4),
        ([1, 22], 22),  # a pause of twenty
        ([1, 23], 1),  # and one of twenty-one
        ([21], 21),
        ([*range(1, 500, 21), 500], 500),
        ([*range(1, 500, 21), 500, 501], 500),
    ],
)
def test_how_far_numbers_are_followed(numbers, shots):
    table = {f"s{n}": ["drop"] for n in numbers}
    theirs = ColumnMap({}, "a rally", every_shot={"stroke": Entry("s{n}")})
    rows, found, used = found_of(table, theirs)
    assert (rows, found["shot"][0]) == ([0] * shots, list(range(1, shots + 1)))
    assert used == {f"s{n}" for n in numbers if n <= shots}


@pytest.mark.parametrize(
    ("entry", "shown"), [(Entry("what"), "'what'"), (Entry(always="drop"), "'drop'")]
)
def test_a_repeated_column_needs_its_number(entry, shown):
    theirs = ColumnMap({}, "a rally", every_shot={"stroke": entry}, name="m.toml")
    with pytest.raises(LogError, match=rf"m\.toml: every_shot\.stroke is {shown}\. Put \{{n\}}"):
        found_of({"what": ["drop"]}, theirs)


def test_a_repeated_column_that_no_shot_has():
    every = {"stroke": Entry("s{n}"), "gap": Entry("gap {n}", "cm")}
    said = r"every_shot\.gap is 'gap 1', and theirs\.csv has no such heading"
    with pytest.raises(LogError, match=said):
        found_of({"s1": ["drop"]}, ColumnMap({}, "a rally", every_shot=every))


def two_sides(table, columns=None, first=None, second=None):
    sides = (
        {"player": Entry("A"), "stroke": Entry("A what")},
        {
            "player": Entry("B"),
            "stroke": Entry("B what"),
        },
    )
    theirs = ColumnMap(
        columns or {},
        "an exchange",
        first=sides[0] | (first or {}),
        second=sides[1] | (second or {}),
        name="m.toml",
    )
    return found_of(table, theirs)


TWO = {"A": ["Elm"], "A what": ["serve"], "B": ["Fir"], "B what": ["drop"], "Sv": ["Fir"]}


def test_which_shot_an_exchange_holds_must_be_said():
    with pytest.raises(LogError, match=r"m\.toml: nothing says which shot of the rally"):
        two_sides(TWO)
    for entry in (Entry(count=True), Entry("No")):
        found = two_sides({**TWO, "No": ["5"]}, {"shot": entry})[1]
        assert found.get("shot", ([],))[0] == (["5", "5"] if entry.column else [])


@pytest.mark.parametrize("place", ["first", "second"])
def test_a_column_of_one_shot_alone_where_the_server_decides(place):
    table = {**TWO, "how": ["set"], "No": ["1"]}
    columns = {"exchange": Entry("No"), "server": Entry("Sv")}
    with pytest.raises(LogError, match="gives balance for one of the two shots only"):
        two_sides(table, columns, **{place: {"balance": Entry("how")}})
    found = two_sides(table, {"exchange": Entry("No")}, **{place: {"balance": Entry("how")}})[1]
    assert found["balance"][0] == (["set", ""] if place == "first" else ["", "set"])


def test_lengths_of_two_kinds_are_named():
    table = {**TWO, "No": ["1"], "gA": ["1"], "gB": ["1"], "x1": ["1"], "x2": ["1"]}
    columns = {"exchange": Entry("No")}
    with pytest.raises(LogError, match=r"gives gap in more than one way \(gA: cm; gB: in\)"):
        two_sides(table, columns, {"gap": Entry("gA", "cm")}, {"gap": Entry("gB", "in")})
    said = r"gives x in more than one way \(x1: m; x2: m, middle\)"
    with pytest.raises(LogError, match=said):
        two_sides(
            table, columns, {"x": Entry("x1", "m")}, {"x": Entry("x2", "m", None, False, "middle")}
        )
    said = r"gives remark in more than one way \(gA: no unit; gB: m\)"
    with pytest.raises(LogError, match=said):
        two_sides(table, columns, {"remark": Entry("gA")}, {"remark": Entry("gB", "m")})


@pytest.mark.parametrize(
    ("heading", "place"),
    [("Gap", 0), (" Gap ", 0), ("GAP", None), ("Own  x", 3), ("own_x", 3), ("?", None), ("", 4)],
)
def test_a_heading_is_found_as_written_or_but_for_case_and_spacing(heading, place):
    headings = Headings(raw_of({"Gap": ["1"], "gap": [""], "loud": ["2"], "Own x": ["3"], "": [1]}),
                        "m.toml")  # fmt: skip
    if heading == "GAP":
        with pytest.raises(LogError, match=r"csv: two columns have the heading 'GAP', and the map"):
            headings.find(heading)
    else:
        assert headings.find(heading) == place


def test_columns_that_the_map_does_not_name_are_listed():
    table = {"a": ["1", "2"], "b": ["", ""], "c": ["x", ""], "": ["1", "2"]}
    headings = Headings(raw_of(table), "m.toml")
    assert headings.cells("a", "columns.game").tolist() == ["1", "2"]
    headings.note_unused()
    why = "not used: the map does not name it"
    assert headings.raw.folded.table().to_numpy().tolist() == [
        ["b", "(column)", why, 1],
        ["c", "(column)", why, 1],
        ["(column 4)", "(column)", why, 2],
    ]
