"""The sheet of match details as two tables: which rows, from which columns, on which lines."""

import numpy as np
import pandas as pd
import pytest

from sidewall.errors import LogError
from sidewall.log.match_details import detail_tables
from sidewall.log.raw import RawColumn, RawLog


def tables(**columns):
    cells = {name: pd.Series(list(one), dtype=object) for name, one in columns.items()}
    rows = len(next(iter(cells.values())))
    raw = RawLog(
        [(name, RawColumn.of(one)) for name, one in cells.items()], np.arange(rows) + 2, "a sheet"
    )
    found = []
    for table in detail_tables(raw):
        if table is None:
            found.append(None)
            continue
        lines = np.arange(len(table.lines))
        rows = [table.lines.tolist()] + [one.cells(lines).tolist() for _, one in table.columns]
        found.append((["line", *(text for text, _ in table.columns)], list(zip(*rows))))  # noqa: B905
        assert table.source == "a sheet"
    return found


MATCH = ["M1", "", "M3", "Nan", "-"]


@pytest.mark.parametrize(
    ("columns", "players", "matches"),
    [
        ({"match": MATCH}, None, None),
        ({"match": MATCH, "date": ["d1", "d2", "", "d4", "d5"]}, None,
         (["line", "match", "date"], [(2, "M1", "d1"), (4, "M3", ""), (5, "Nan", "d4")])),
        ({"date": ["d1", "d2"], " Match ": ["", "-"]}, None, None),
        ({"date": ["d1", "d2"], "MATCH": ["", "M2"]}, None,
         (["line", "match", "date"], [(3, "M2", "d2")])),
        ({"match": ["M1"], "loud": ["x"], "serves_first": ["Elm"], "in_full": ["Elm"],
          "player_1": ["Elm"]}, None, None),
        ({"match": ["M1", "M2"], "tin_height_in": [19, ""], "scoring": ["", "hiho"]}, None,
         (["line", "match", "tin_height_in", "scoring"],
          [(2, "M1", 19, ""), (3, "M2", "", "hiho")])),
        ({"match": ["M1", "M2", ""], "player_1": ["Elm", "Oak", "None"],
          "player_2": ["Fir", "", "-"], "hand_1": ["right", "", "left"],
          "hand_2": ["left", "right", "left"]},
         (["line", "player", "hand"], [(2, "Elm", "right"), (4, "None", "left"),
                                       (2, "Fir", "left")]), None),
        ({"match": ["M1"], "player_2": ["Fir"], "hand_2": ["left"], "hand_1": ["right"]},
         (["line", "player", "hand"], [(2, "Fir", "left")]), None),
        ({"match": ["M1"], "player_1": ["Fir"], "hand_2": ["left"]}, None, None),
        ({"match": ["M1"], "player_1": ["Fir"], "hand_1": ["n/a"]}, None, None),
    ],
)  # fmt: skip
def test_tables(columns, players, matches):
    assert tables(**columns) == [players, matches]


def test_a_sheet_without_matches():
    with pytest.raises(LogError, match=r"a sheet has no column 'match'\. Give it the headings"):
        tables(date=["d1"])
