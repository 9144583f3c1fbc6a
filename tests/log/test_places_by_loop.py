"""Coarse words beside measures, row by row: noted where no eye within half a metre would say so."""

import numpy as np
import pandas as pd
import pytest

from sidewall.court import Court
from sidewall.log import check_log

COURT = Court()
WIDE, LONG, BOX = COURT.width_m, COURT.length_m, COURT.service_box_m
SHORT, BEHIND = COURT.short_line_y_m, COURT.service_box_back_y_m
BY_EYE = 0.5
WORDS = {
    "depth": ["front", "middle", "back"],
    "lane": ["left", "centre", "right"],
    "bounce": ["short", "service_box", "behind_box"],
    "gap_class": ["tight", "middling", "loose"],
    "opponent_place": ["in_front", "behind", "out_of_the_way"],
}
EDGES = {"depth": (SHORT - BOX, BEHIND), "bounce": (SHORT, BEHIND), "gap_class": (0.2, 0.5)}
MEASURES = {"x_m": WIDE, "y_m": LONG, "bounce_y_m": LONG, "opponent_x_m": WIDE,
            "opponent_y_m": LONG, "gap_m": WIDE / 2}  # fmt: skip


def hard_rows(rng, count):
    """Words beside measures that are near, or far, or not there; all to the millimetre."""
    rows = []
    for _ in range(count):
        row = {}
        for name, most in MEASURES.items():
            # never on a limit, which stand at whole centimetres
            value = int(rng.integers(0, int(100 * most))) / 100 + 0.003
            row[name] = "" if rng.random() < 0.15 and name != "gap_m" else round(value, 3)
        if rng.random() < 0.2:
            row["gap_m"] = ""
        for name, words in WORDS.items():
            row[name] = "" if rng.random() < 0.2 else str(rng.choice(words))
        if row["gap_m"] == "" == row["gap_class"]:
            row["gap_class"] = "loose"
        rows.append(row)
    return rows


def zone(value, edges):
    return sum(value >= edge for edge in edges)


def place_of(across, behind):
    if abs(across) > WIDE / 2 or abs(behind) <= 0.5:
        return "out_of_the_way"
    return "in_front" if behind < 0 else "behind"


def noted(row):
    """Columns that are noted, and what they are told."""
    x, y, gap = (None if row[k] == "" else row[k] for k in ("x_m", "y_m", "gap_m"))
    near = None if x is None else min(x, WIDE - x)
    found = []
    for name, measure in (("depth", y), ("bounce", row["bounce_y_m"]), ("gap_class", gap)):
        if row[name] == "" or measure in (None, ""):
            continue
        eye = [zone(min(max(measure + by, 0), LONG), EDGES[name]) for by in (-BY_EYE, BY_EYE)]
        if not eye[0] <= WORDS[name].index(row[name]) <= eye[1]:
            found.append((name, WORDS[name][zone(measure, EDGES[name])]))
    word, side = row["lane"], gap if near is None else near
    if word and side is not None:
        off = side < BOX - BY_EYE if word == "centre" else side > BOX + BY_EYE
        if x is not None and word != "centre":
            off |= x > WIDE / 2 + BY_EYE if word == "left" else x < WIDE / 2 - BY_EYE
        if x is not None:
            told = WORDS["lane"][zone(x, (BOX, WIDE - BOX))]
        else:
            told = "centre" if side > BOX else "another place"
        found += [("lane", told)] if off else []
    other = [None if row[k] == "" else row[k] for k in ("opponent_x_m", "opponent_y_m")]
    word = row["opponent_place"]
    if word and None not in (x, y, *other):
        across, behind = abs(x - other[0]), other[1] - y
        seen = {
            place_of(max(across + a, 0), behind + b)
            for a in (-BY_EYE, 0, BY_EYE)
            for b in (-BY_EYE, 0, BY_EYE)
        }
        found += [("opponent_place", place_of(across, behind))] if word not in seen else []
    told = [(name, f"the measures of the row say {one.replace('_', ' ')}") for name, one in found]
    if gap is not None and near is not None and abs(gap - near) > BY_EYE:
        text = (
            f"a gap of {gap:.2f} m, but x_m puts the ball {near:.2f} m from the nearest side wall"
        )
        told.append(("gap_m", text))
    return told


def log_of(rows):
    """A serve and then one of the rows, rally by rally."""
    table = []
    for rally, row in enumerate(rows, 1):
        one = {"match": "M1", "game": 1, "rally": rally, "side": "forehand"}
        table.append({**one, "shot": 1, "player": "Elm", "stroke": "serve"})
        last = {"shot": 2, "player": "Fir", "stroke": "drive", "ending": "tin"}
        table.append({**one, **last, **row})
    return pd.DataFrame(table)


@pytest.mark.parametrize("seed", range(60, 68))
def test_words_beside_measures(seed):
    rows = hard_rows(np.random.default_rng(seed), 120)
    check = check_log(log_of(rows))
    assert check.rows_refused == 0
    doubts = check.doubts[check.doubts["reason"].str.contains("of the row say|puts the ball")]
    found = sorted(zip(doubts["line"], doubts["column"], doubts["reason"], strict=True))
    assert found == sorted((2 * at + 3, *one) for at, row in enumerate(rows) for one in noted(row))


@pytest.mark.parametrize(("left_out", "column"), [("depth", "y_m"), ("lane", "bounce_y_m")])
def test_words_or_measures_that_the_log_does_not_have(left_out, column):
    rows = hard_rows(np.random.default_rng(70), 60)
    check = check_log(log_of(rows).drop(columns=[left_out, column]))
    doubts = check.doubts[check.doubts["reason"].str.contains("of the row say|puts the ball")]
    assert sorted(zip(doubts["line"], doubts["column"], strict=True)) == sorted(
        (2 * at + 3, name)
        for at, row in enumerate(rows)
        for name, _ in noted({**row, left_out: "", column: ""})
    )
