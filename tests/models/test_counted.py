"""Counted shots: nothing is lost, and parts make the whole."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sidewall.errors import DataError
from sidewall.log.vocabulary import CHOICES, FAMILIES, SIDES, STROKES
from sidewall.models.counted import (
    ALL_STROKES,
    cell_of,
    check_choices,
    count_used,
    families_told_apart,
    levels_told_apart,
    put_together,
    usable_shots,
    widest_gaps,
)
from sidewall.models.curves import counted_quantiles

SITUATION = {"balance": ("set", "jammed")}


@pytest.fixture(scope="module")
def used(by_value):
    kinds = np.array(["set", "set", "set", "jammed", None], dtype=object)
    return by_value.used_.assign(balance=kinds[np.arange(len(by_value.used_)) % 5])


@pytest.fixture(scope="module")
def names(by_value):
    return by_value.strengths_.strength_.index


@settings(max_examples=6, deadline=None)
@given(st.integers(0, 2**31))
def test_parts_in_any_order_make_the_whole(used, names, seed):
    rng = np.random.default_rng(seed)
    matches = used["match"].cat.categories
    part = rng.integers(0, 4, len(matches))
    of_match = part[used["match"].cat.codes]
    tables = [used[of_match == k] for k in rng.permutation(np.unique(of_match))]
    together = put_together([count_used(table, SITUATION, names) for table in tables])
    whole = count_used(used, SITUATION, names)
    pd.testing.assert_frame_equal(together.kinds, whole.kinds)
    for name in ("players", "player", "opponent", "kind", "n", "total", "square"):
        ours, theirs = getattr(together, name), getattr(whole, name)
        if ours.dtype.kind == "f":
            np.testing.assert_allclose(ours, theirs, rtol=1e-12)
        else:
            np.testing.assert_array_equal(ours, theirs)


@settings(deadline=None)
@given(st.lists(st.tuples(st.floats(0, 3), st.integers(1, 5)), min_size=1, max_size=30))
def test_quantiles_of_counted_values_are_numpys(pairs):
    values, counts = (np.array(part, dtype=float) for part in zip(*pairs, strict=True))
    shares = [0.0, 0.1, 0.5, 0.99, 1.0]
    plain = np.quantile(np.repeat(values, counts.astype(int)), shares)
    np.testing.assert_allclose(counted_quantiles(values, counts, shares), plain, atol=1e-12)


# -- hard logs -------------------------------------------------------------------------------

WHY = (
    "not kept",
    "serve",
    "ended in a let",
    "charted in short: no side, or the gap in words",
    "choice neither charted nor derivable",
    "contact not charted",
    "gap not charted",
)


@pytest.mark.parametrize("seed", [221, 222, 223])
@pytest.mark.parametrize("keeps", [False, True])
def test_every_shot_of_a_hard_log_is_used_or_left_out_for_its_first_reason(hard_log, seed, keeps):
    table = hard_log(seed)
    kept = np.random.default_rng(seed).random(len(table)) < 0.8 if keeps else None
    if seed == 222:
        table = table.assign(outcome=np.where(table["shot"] % 3 == 0, np.nan, 0.25))
    rows, out = [], dict.fromkeys(WHY, 0)
    for k, shot in enumerate(table.to_dict("records")):
        told = {name: None if cell != cell else cell for name, cell in shot.items()}
        outcome = told["outcome"] if seed == 222 else told["won"]
        word, gap = told["gap_class"], told["gap_m"]
        short = (gap is None and word is not None) or (gap is not None and told["side"] is None)
        fails = (
            kept is not None and not kept[k],
            shot["stroke"] == "serve",
            outcome is None,
            short,
            told["choice"] is None,
            told["family"] is None,
            gap is None,
        )
        if any(fails):
            out[WHY[fails.index(True)]] += 1
        else:
            rows.append((k, outcome))
    used, left_out = usable_shots(table, kept)
    assert used["row"].tolist() == [k for k, _ in rows]
    assert used["outcome"].tolist() == [outcome for _, outcome in rows]
    assert used.index.tolist() == list(range(len(rows)))
    same = table.iloc[used["row"]].reset_index(drop=True)
    pd.testing.assert_frame_equal(used[[*table.columns]], same)
    expected = pd.Series({why: n for why, n in out.items() if n}, name="shots")
    pd.testing.assert_series_equal(left_out, expected)


@pytest.mark.parametrize("seed", [224, 225, 226])
def test_counted_rows_of_a_hard_log_are_in_the_order_of_their_words(hard_log, seed):
    """Players, opponents, then kinds: sides, families, choices, strokes, blanks first, gaps."""
    used = usable_shots(hard_log(seed, 80))[0]
    outcomes = np.random.default_rng(seed).random(len(used))
    used = used.assign(outcome=outcomes)
    names = pd.Index(["Cedar", "Ash", "Elm", "Birch", "Alder"])
    words = {
        "side": SIDES,
        "family": (*FAMILIES, "all strokes"),
        "choice": CHOICES,
        "stroke": STROKES,
        "balance": ("set", "jammed"),
        "depth": ("back", "front"),
    }
    told = {name: words[name] for name in ("balance", "depth")}
    rows, kinds = {}, set()
    for shot in used.to_dict("records"):
        codes = [words[c].index(shot[c]) if shot[c] in words[c] else -1 for c in words]
        kind = (*codes, round(shot["gap_m"] / 0.005))
        kinds.add(kind)
        who = [names.get_loc(shot[c]) for c in ("player", "opponent")]
        n, total, square = rows.get((*who, kind), (0, 0.0, 0.0))
        y = shot["outcome"]
        rows[*who, kind] = n + 1, total + y, square + y * y
    counted = count_used(used, told, names)
    kinds = sorted(kinds)
    plain = {c: [[*words[c], None][kind[k]] for kind in kinds] for k, c in enumerate(words)}
    expected = pd.DataFrame({c: pd.Categorical(plain[c], words[c]) for c in words})
    expected = expected.assign(gap_m=[0.005 * kind[-1] for kind in kinds])
    pd.testing.assert_frame_equal(counted.kinds, expected)
    order = sorted(rows)
    assert counted.player.tolist() == [row[0] for row in order]
    assert counted.opponent.tolist() == [row[1] for row in order]
    assert counted.kind.tolist() == [kinds.index(row[2]) for row in order]
    for k, name in enumerate(("n", "total", "square")):
        np.testing.assert_allclose(
            getattr(counted, name), [rows[row][k] for row in order], atol=1e-8
        )
    assert len(counted) == len(rows)
    assert counted.playing.tolist() == sorted({row[0] for row in order})
    by_kind = {kind: [0.0, 0.0] for kind in kinds}
    for (*_, kind), (n, total, _) in rows.items():
        by_kind[kind][0] += n
        by_kind[kind][1] += total
    np.testing.assert_allclose(counted.by_kind[["n", "total"]], [*by_kind.values()], atol=1e-8)
    for choice in CHOICES:
        some = counted.of_choice(choice)
        at = [k for k, row in enumerate(order) if row[2][2] == CHOICES.index(choice)]
        np.testing.assert_array_equal(some.n, counted.n[at])
        np.testing.assert_array_equal(some.kind, counted.kind[at])
    cells = [(side, family) for side in SIDES for family in FAMILIES]
    widest = []
    for side, family in cells:
        met = [
            kind[-1] * 0.005
            for (*_, kind), (n, *_) in rows.items()
            for _ in range(n)
            if kind[:2] == (SIDES.index(side), FAMILIES.index(family))
        ]
        widest.append(np.quantile(met, 0.99) if met else np.nan)
    np.testing.assert_allclose(widest_gaps(counted, cells), widest)
    # families put together: the same shots, but for that word
    one = count_used(used.assign(family=ALL_STROKES), told, names)
    both = counted.together()
    pd.testing.assert_frame_equal(both.kinds, one.kinds)
    for name in ("player", "opponent", "kind", "n", "total", "square"):
        np.testing.assert_allclose(getattr(both, name), getattr(one, name), atol=1e-8)
    # a cell that nobody met has no widest gap
    some = counted.of_choice("attack")
    fewer = count_used(used[used["side"] == "forehand"], told, names)
    assert np.isnan(widest_gaps(fewer, cells)).tolist() == [False, False, True, True]
    assert len(some) < len(counted)


def counts_of(rows):
    """Counted shots, one a gap, from (side, family, choice, number, first gap) rows."""
    shots = [
        (side, family, choice, "drive", first + 0.05 * k * (first < 1))
        for side, family, choice, n, first in rows
        for k in range(n)
    ]
    used = pd.DataFrame(shots, columns=["side", "family", "choice", "stroke", "gap_m"])
    used = used.assign(player="Elm", opponent="Oak", outcome=1.0)
    return count_used(used, {}, pd.Index(["Elm", "Oak"]))


CELLS = [(s, f, c) for s in SIDES for f in FAMILIES for c in CHOICES]


@pytest.mark.parametrize("rare", range(8))
def test_families_are_told_apart_where_each_cell_has_twenty(rare):
    for n in (20, 19, 0):
        rows = [(*cell, n if k == rare else 20 + k, 0.1) for k, cell in enumerate(CELLS)]
        families, notes = families_told_apart(counts_of(rows), ["contact"])
        if n == 20:
            assert (families, notes) == (("ground", "volley"), [])
            continue
        assert families == ("all strokes",)
        assert notes == [
            f"only {n} charted: {' '.join(CELLS[rare])} (at least 20 needed); ground strokes and "
            "volleys taken together"
        ]
    assert families_told_apart(counts_of(rows), ["side"]) == (
        ("all strokes",),
        ["contact not charted: strokes of all kinds taken together"],
    )


def test_levels_are_told_apart_from_twenty_on_and_listed_in_order():
    met = {
        "depth": pd.Series({"back": 20, "front": 31, "middle": 19}),
        "balance": pd.Series({"set": 300, "jammed": 19}),
        "hand": pd.Series({"b": 25, "a": 21, "d": 3, "c": 1}),
        "lane": pd.Series(dtype=float),
        "bounce": pd.Series({"odd": 20.0, "box": 20.0, "deep": 44.0}),
    }
    order = {"depth": ("front", "middle", "back"), "bounce": ("none", "deep")}
    levels, notes = levels_told_apart(met, order)
    assert levels == {
        "depth": ("front", "back"),
        "hand": ("a", "b"),
        "bounce": ("deep", "box", "odd"),
    }
    assert list(levels) == ["depth", "hand", "bounce"]
    assert notes == [
        "depth: charted too seldom to tell apart: middle (19)",
        "balance: fewer than two kinds charted often enough to tell apart",
        "hand: charted too seldom to tell apart: c (1), d (3)",
    ]


BOTH = [(s, "ground", c) for s in SIDES for c in CHOICES]


@pytest.mark.parametrize("rare", range(4))
def test_eight_of_each_side_and_choice_at_two_gaps_are_enough(rare):
    nothing = pd.Series(dtype=int)
    check_choices(counts_of([(*cell, 8, 0.1) for cell in BOTH]), nothing)
    name = f"{BOTH[rare][0]} {BOTH[rare][2]}"
    few = [(*cell, 7 if k == rare else 8, 0.1) for k, cell in enumerate(BOTH)]
    with pytest.raises(DataError, match=rf"each side and choice \({name}: 7; at least 8 needed"):
        check_choices(counts_of(few), nothing)
    flat = [(*cell, 8, 1.5 if k == rare else 0.1) for k, cell in enumerate(BOTH)]
    with pytest.raises(DataError, match=f"every {name} was met at the same gap"):
        check_choices(counts_of(flat), nothing)


@pytest.mark.parametrize(
    ("none", "n", "why"),
    [
        ("attack", 16, "has no attack among its 32 usable shots.*chart the choice"),
        ("backhand", 16, "has no backhand among its 32 usable shots.*chart both sides"),
        ("reset", 15, "forehand reset: 0; backhand reset: 0; at least 8"),
        ("forehand", 15, "forehand attack: 0; forehand reset: 0; at least 8"),
    ],
)
def test_a_long_log_of_one_choice_or_side_is_told_so_and_a_short_one_that_it_is_short(none, n, why):
    rows = [(*cell, n, 0.1) for k, cell in enumerate(BOTH) if none not in cell]
    assert (counts_of(rows).shots >= 32) == (n == 16)
    with pytest.raises(DataError, match=why):
        check_choices(counts_of(rows), pd.Series(dtype=int))


def test_a_log_of_nothing_says_why():
    nothing = counts_of([])
    with pytest.raises(DataError, match=r"no shot can be used \(serve: 3; not kept: 4\)"):
        check_choices(nothing, pd.Series({"serve": 3, "not kept": 4}))
    with pytest.raises(DataError, match=r"no shot can be used \(the log is empty\)"):
        check_choices(nothing, pd.Series(dtype=int))


def test_cells_are_sides_first_and_blank_where_either_is():
    side = pd.Series(["forehand", "backhand", None, "backhand", "forehand"])
    family = pd.Series(["volley", "ground", "ground", None, "ground"])
    assert cell_of(side, family, ("ground", "volley")).tolist() == [1, 2, -1, -1, 0]
    assert cell_of(side, family, ("ground",)).tolist() == [-1, 1, -1, -1, 0]
