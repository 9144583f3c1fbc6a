"""States and loose balls against a plain reading of one row at a time."""

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest

import sidewall as sw
from sidewall.errors import DataError

LOG = range(41, 44)
WORDS_M = {"tight": (0.0, 0.2), "middling": (0.2, 0.5), "loose": (0.5, np.inf)}


def told(row, name):
    """The cell, or None where it is blank."""
    return row[name] if name in row and row[name] == row[name] else None


def looseness(row, cuts, otherwise):
    """Tight, loose, or None where nothing tells."""
    cut = otherwise
    for key, at in cuts.items():
        if key == tuple(told(row, name) for name in ("player", "side", "family")[: len(key)]):
            cut = at
    if (gap := told(row, "gap_m")) is not None:
        return "loose" if gap >= cut else "tight"
    if (word := told(row, "gap_class")) is None:
        return None
    low, high = WORDS_M[word]
    return "tight" if high <= cut else "loose" if low >= cut else None


def state(row, edges, cuts=None, otherwise=0.5, in_short=False):
    """Name of a ball's state, or None."""
    if row["stroke"] == "serve":
        return "serve"
    side, family, gap, word = (told(row, n) for n in ("side", "family", "gap_m", "gap_class"))
    if in_short and (gap is None or side is None) and (gap is not None or word is not None):
        if gap is not None:
            word = next(name for name, (low, high) in WORDS_M.items() if low <= gap < high)
        return f"{word}, in short"
    if None in (side, family, gap):
        return None
    if cuts is not None:
        band = looseness(row, cuts, otherwise)
    else:
        known = [0.0, *edges]
        k = max(i for i, edge in enumerate(known) if gap >= edge)
        cm = [f"{edge * 100:g}" for edge in known]
        band = f"{cm[k]}-{cm[k + 1]} cm" if k + 1 < len(known) else f"{cm[k]}+ cm"
    return f"{side} {family} {band}"


def same(found, expected, table, name, words):
    expected = pd.Series(pd.Categorical(expected, words), table.index, name=name)
    pd.testing.assert_series_equal(found, expected)
    assert len(expected.cat.categories.difference(expected.dropna().unique())) < len(words)


@pytest.mark.parametrize("seed", LOG)
@pytest.mark.parametrize("short", [False, True])
@pytest.mark.parametrize("edges", [(0.15, 0.3, 0.5, 0.8, 1.2), (0.4,)])
def test_the_state_of_every_ball_by_plain_reading(hard_log, seed, short, edges):
    table = hard_log(seed).iloc[::-1]
    rule = sw.BallStates(edges, in_short=short) if len(edges) == 1 else sw.BallStates()
    if len(edges) > 1 and short:
        rule = sw.BallStates(in_short=True)
    cm = [f"{100 * edge:g}" for edge in (0.0, *edges)]
    bands = [f"{a}-{b} cm" for a, b in pairwise(cm)] + [f"{cm[-1]}+ cm"]
    words = ["serve"]
    for side in ("forehand", "backhand"):
        words += [f"{side} {family} {band}" for family in ("ground", "volley") for band in bands]
    words += [f"{word}, in short" for word in WORDS_M] if short else []
    expected = [state(row, edges, in_short=short) for row in table.to_dict("records")]
    same(rule(table), expected, table, "state", words)
    assert rule.names == words
    assert rule.bands == bands


CUTS = {
    ("Birch", "forehand", "ground"): 0.2,
    ("Birch", "backhand", "volley"): 0.5,
    ("Elm", "forehand", "ground"): 0.8,
    ("Elm", "backhand", "volley"): 0.0,
    ("Cedar", "backhand", "ground"): np.nan,
}
TOGETHER = {("Birch", "forehand"): 0.2, ("Elm", "backhand"): 0.5, ("Cedar", "forehand"): np.nan}


@pytest.mark.parametrize("seed", LOG)
@pytest.mark.parametrize("cuts", [{}, CUTS, TOGETHER], ids=["none", "families", "together"])
def test_loose_balls_by_plain_reading(hard_log, seed, cuts):
    """Own thresholds, a missing one, gaps on the cut, and classes of gaps that touch it."""
    table = hard_log(seed)
    own = [(*(*key, "all strokes")[:3], cut) for key, cut in cuts.items()]
    names = ["player", "side", "family", "threshold_m"]
    thresholds = pd.DataFrame(own, columns=names) if cuts else None
    rows = table.to_dict("records")
    known = {key: cut for key, cut in cuts.items() if cut == cut}
    words = [
        f"{s} {f} {b}"
        for s in ("forehand", "backhand")
        for f in ("ground", "volley")
        for b in ("tight", "loose")
    ]
    for otherwise in (0.2, 0.3, 0.5):
        rule = sw.LooseBall(thresholds, otherwise)
        expected = [looseness(row, known, otherwise) for row in rows]
        same(rule(table), expected, table, "ball", ["tight", "loose"])
        for short in (False, True):
            expected = [state(row, (), known, otherwise, short) for row in rows]
            more = [f"{word}, in short" for word in WORDS_M] if short else []
            found = sw.BallStates(loose=rule, in_short=short)(table)
            same(found, expected, table, "state", ["serve", *words, *more])
    assert sw.LooseBall(thresholds)(table).equals(sw.LooseBall(thresholds, 0.5)(table))


@pytest.mark.parametrize("bands_m", [(0.0, 0.4), (0.4, 0.4), (0.4, 0.3), (0.1, 0.5, 0.5)])
def test_bands_that_do_not_rise_are_refused(bands_m):
    with pytest.raises(DataError, match="rise from above 0"):
        sw.BallStates(bands_m)


def test_what_a_table_of_thresholds_lacks_first_is_named():
    table = pd.DataFrame({"player": ["Elm"], "side": ["forehand"]})
    with pytest.raises(DataError, match="no column family; give the table of a fitted"):
        sw.LooseBall(table)
    with pytest.raises(DataError, match="loose_from_m"):
        sw.LooseBall(loose_from_m=-0.1)
