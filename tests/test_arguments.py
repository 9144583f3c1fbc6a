"""What a caller hands in is taken in its usual forms, and otherwise refused by name."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from sidewall import arguments
from sidewall.combinations import Combination
from sidewall.court import Court
from sidewall.errors import DataError, SidewallError
from sidewall.log import ColumnMap
from sidewall.placement import read_targets
from sidewall.simulate.scenario import load_scenario
from sidewall.worklist import read_efforts

TABLE = pd.DataFrame(
    {"player": ["Rowan", "Hazel", "Rowan"], "gap_m": [0.2, np.nan, 0.7]}, index=[5, 3, 9]
)
NAMES = ["player", "side", "balance"]


class OnlyArrow:
    """A table that can do nothing but speak the protocol."""

    def __init__(self, table):
        self._table = pa.Table.from_pandas(table, preserve_index=False)

    def __arrow_c_stream__(self, requested_schema=None):
        return self._table.__arrow_c_stream__(requested_schema)


def test_a_pandas_table_is_taken_as_it_is():
    assert arguments.as_frame(TABLE) is TABLE


@pytest.mark.parametrize(
    ("most", "said"), [(1, "a and 2 more"), (2, "a, b and 1 more"), (3, "a, b, c"), (9, "a, b, c")]
)
def test_a_long_list_is_cut_and_says_so(most, said):
    assert arguments.first_of(["a", "b", "c"], most) == said


def test_any_arrow_table_becomes_the_same_table():
    plain = TABLE.reset_index(drop=True)
    pd.testing.assert_frame_equal(arguments.as_frame(OnlyArrow(plain)), plain)


def test_a_polars_table_becomes_the_same_table():
    polars = pytest.importorskip("polars")
    found = arguments.as_frame(polars.DataFrame({"gap_m": [0.2, None], "side": ["forehand", None]}))
    assert found["gap_m"].dtype == float
    assert found["gap_m"].isna().tolist() == [False, True]
    assert found["side"].isna().tolist() == [False, True]


@pytest.mark.parametrize("rows", [3, 0])
def test_words_that_polars_counts_stay_words(rows):
    polars = pytest.importorskip("polars")
    words = polars.Series("side", ["forehand", None, "backhand"], polars.Categorical)
    found = arguments.as_frame(polars.DataFrame([words])[:rows])
    assert found["side"].astype(object).where(found["side"].notna(), None).tolist() == [
        *["forehand", None, "backhand"][:rows]
    ]


@pytest.mark.parametrize("wrong", [None, {}, "log.csv", [1, 2], np.ones((2, 2))])
def test_what_is_no_table_is_refused(wrong):
    with pytest.raises(DataError, match=r"^balls is .*give a table"):
        arguments.as_frame(wrong, "balls")


@pytest.mark.parametrize(
    ("check", "right"),
    [
        (arguments.check_level, [0.5, 0.95, np.float64(0.8)]),
        (arguments.check_scale, [1, 0.2, np.float32(2.0)]),
        (arguments.check_folds, [2, 5, np.int64(3)]),
        (arguments.check_seed, [0, 7, np.int64(3)]),
    ],
)
def test_right_numbers_pass(check, right):
    assert [check(one) for one in right] == right


@pytest.mark.parametrize(
    ("check", "wrong"),
    [
        (arguments.check_level, [0, 1, 95, -1, np.nan, "0.95", None, True, [0.9]]),
        (arguments.check_scale, [0, -1, np.nan, np.inf, "1", None]),
        (arguments.check_folds, [0, 1, 2.5, -3, "5", None, True]),
        (arguments.check_seed, [-1, 1.5, "a", None, False, [1]]),
    ],
)
def test_wrong_numbers_are_refused_by_name(check, wrong):
    name = check.__name__.removeprefix("check_").replace("scale", "prior_scale")
    for one in wrong:
        with pytest.raises(DataError, match=f"^{name} is .*give a"):
            check(one)


def test_a_level_in_percent_is_mended():
    with pytest.raises(
        DataError, match=r"level is 95; give a number between 0 and 1, such as 0\.95"
    ):
        arguments.check_level(95)


def test_a_generator_is_a_seed():
    rng = np.random.default_rng(3)
    assert arguments.check_seed(rng) is rng


def test_counts_keep_to_their_ends():
    assert arguments.check_count(3, "bins", 3, 3) == 3
    with pytest.raises(DataError, match="bins is 2; give a whole number from 3 to 5"):
        arguments.check_count(2, "bins", 3, 5)


def test_shares_hold_their_ends_only_where_asked():
    assert arguments.check_share(1.0, "share", ends=True) == 1.0
    with pytest.raises(DataError, match=r"share is 1\.0; give a number between 0 and 1"):
        arguments.check_share(1.0, "share")


def test_gaps_are_an_array():
    assert arguments.check_gaps_m(0.3).tolist() == [0.3]
    assert arguments.check_gaps_m((0, 0.5), widest=0.5).tolist() == [0.0, 0.5]


@pytest.mark.parametrize(
    "wrong", [[], [[0.1]], [-0.1], [np.nan], ["wide"], "0.2", None, {}, [None]]
)
def test_wrong_gaps_are_refused(wrong):
    with pytest.raises(DataError, match=r"^gaps_m .*takes metres"):
        arguments.check_gaps_m(wrong)


def test_centimetres_are_told_from_metres():
    with pytest.raises(DataError, match=r"gaps_m holds 50 m \(centimetres\? divide by 100\)"):
        arguments.check_gaps_m([20, 50], widest=1.5)
    with pytest.raises(DataError, match=r"gaps_m holds 1\.8 m, and nothing is known beyond 1\.50"):
        arguments.check_gaps_m([0.2, 1.8], widest=1.5)


def test_no_length_is_beyond_the_court():
    court = Court()
    assert court.half_width_m == arguments.GAP_M
    assert (court.width_m, court.length_m) == (arguments.WIDTH_M, arguments.LENGTH_M)
    assert court.front_wall_line_m == arguments.HEIGHT_M
    assert arguments.check_length_m(3.2, "loose_from_m") == 3.2
    assert arguments.check_lengths_m([0.3, 9.75], "y_m", most=9.75).tolist() == [0.3, 9.75]
    with pytest.raises(
        DataError, match=r"^y_m holds 60 m \(centimetres\? .* none is above 9\.75 m"
    ):
        arguments.check_lengths_m([0.3, 60], "y_m", most=9.75)


def test_one_name_is_a_list_of_one():
    assert arguments.column_names("player", NAMES) == ("player",)
    assert arguments.column_names(["side", "player"], NAMES) == ("side", "player")
    assert arguments.column_names((), NAMES) == ()


@pytest.mark.parametrize("wrong", [None, 3, {"player": 1}, ["player", 2], b"player"])
def test_what_is_no_name_is_refused(wrong):
    with pytest.raises(DataError, match=r"^by is .*give a name or a list of names"):
        arguments.column_names(wrong, NAMES)


def test_an_unknown_column_is_refused_with_the_nearest():
    with pytest.raises(
        DataError, match=r"situation: the table has no column 'balanse'.*did you mean 'balance'"
    ):
        arguments.column_names("balanse", NAMES, "situation")
    with pytest.raises(DataError, match="by names 'side' twice"):
        arguments.column_names(["side", "side"], NAMES)


def test_words_outside_the_list_are_refused():
    arguments.check_words(["attack", None, "reset"], ["attack", "reset"], "choice")
    with pytest.raises(DataError, match="choice holds 'Attack'; did you mean 'attack'"):
        arguments.check_words(pd.Series(["reset", "Attack"]), ["attack", "reset"], "choice")
    with pytest.raises(DataError, match="unit is 3; known: cm, in"):
        arguments.check_word(3, ["cm", "in"], "unit")


def test_an_unknown_player_is_refused_with_the_nearest():
    assert arguments.check_player("Rowan", ["Rowan", "Hazel"]) == "Rowan"
    with pytest.raises(DataError, match="no player 'rowen' here; did you mean 'Rowan'"):
        arguments.check_player("rowen", ["Rowan", "Hazel"])


ROWANS = [True, False, True]


@pytest.mark.parametrize(
    "keep",
    [
        "player == 'Rowan'",
        lambda table: table["player"] == "Rowan",
        ROWANS,
        np.array(ROWANS),
        pd.Series(ROWANS, [5, 3, 9]),
        pd.Series([False, True, True], [3, 5, 9]),
    ],
)
def test_rows_are_kept_by_query_function_or_mask(keep):
    assert arguments.kept_rows(TABLE, keep).tolist() == ROWANS


def test_nothing_asked_keeps_everything():
    assert arguments.kept_rows(TABLE, None).all()


@pytest.mark.parametrize(
    ("keep", "message"),
    [
        ("player ==", "cannot be answered"),
        ("height > 3", "cannot be answered .*player, gap_m"),
        ("gap_m + 1", "float64 values of shape"),
        ([True, False], r"shape \(2,\) for 3 rows"),
        ([0, 2], "give a query"),
        (lambda table: table["gap_m"], "give a query"),
        (pd.Series([True, None, False], [5, 3, 9]), "blank in 1 rows"),
        (pd.Series([True, False, True]), "other row labels"),
        (7, "give a query"),
        ({}, "give a query"),
    ],
)
def test_what_chooses_no_rows_is_refused(keep, message):
    with pytest.raises(DataError, match=message):
        arguments.kept_rows(TABLE, keep)


DEEP = {
    "lists": "a = " + "[" * 5_000 + "]" * 5_000,
    "a few lists": "a = " + "[" * 40 + "]" * 40,
    "tables": ".".join("a" * 5_000) + " = 1",
    "headings": "[" + ".".join("a" * 5_000) + "]",
}


@pytest.mark.parametrize("text", DEEP.values(), ids=DEEP)
def test_deep_toml_is_refused_everywhere(tmp_path, text):
    path = tmp_path / "deep.toml"
    path.write_text(text)
    for read in (
        read_efforts,
        read_targets,
        load_scenario,
        ColumnMap.read,
        Combination.read,
    ):
        with pytest.raises(SidewallError, match=r"deep\.toml.*too deep within one another"):
            read(path)


def test_toml_as_deep_as_ours_is_read():
    assert arguments.parse_toml("[a.b.c]\nd = [[1], [2]]") == {"a": {"b": {"c": {"d": [[1], [2]]}}}}
