"""Writing a log in parts and reading it again."""

import shutil

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

import sidewall as sw
from sidewall.court import Court
from sidewall.errors import DataError, LogError, WriteError
from sidewall.files import write_file
from sidewall.log.vocabulary import VOCABULARY
from sidewall.scale import from_parquet, write_partitions
from sidewall.scale import write as write_module


def together(folder):
    parts = from_parquet(folder)
    return pd.concat([parts.read(k) for k in range(len(parts.files))], ignore_index=True)


def as_words(table):
    """Categories as plain words, whatever their order was."""
    named = table.select_dtypes(exclude="number").astype(object)
    return table.assign(**{name: named[name].where(named[name].notna(), "") for name in named})


def test_every_row_and_value_comes_back(shots, folder):
    pd.testing.assert_frame_equal(as_words(together(folder)), as_words(shots))


def test_parts_hold_whole_matches_of_about_the_size_asked_for(shots, folder):
    parts = from_parquet(folder)
    assert parts.shots == len(shots)
    assert len(parts.files) > 3
    longest = shots.groupby("match", observed=True).size().max()
    for k in range(len(parts.files)):
        part = parts.read(k)
        assert len(part) < 2_500 + longest
        assert k == len(parts.files) - 1 or len(part) >= 2_500
        sizes, whole = (table["match"].astype(str).value_counts() for table in (part, shots))
        assert (sizes == whole.reindex(sizes.index)).all()


def test_columns_and_categories_are_the_same_in_every_part(shots, folder):
    parts = from_parquet(folder)
    tables = [parts.read(k) for k in range(len(parts.files))]
    for table in tables:
        assert list(table.columns) == list(shots.columns) == parts.columns
        assert (table.dtypes.astype(str) == tables[0].dtypes.astype(str)).all()
        assert list(table["player"].cat.categories) == sorted(shots["player"].cat.categories)
        for name, words in VOCABULARY.items():
            if name in table:
                assert list(table[name].cat.categories) == list(words)
    schemas = {str(pq.read_schema(path).remove_metadata()) for path in parts.files}
    assert len(schemas) == 1


def test_several_tables_are_one_log(shots, folder, tmp_path):
    names = shots["match"].cat.categories
    seasons = [shots[shots["match"].isin(some)] for some in (names[:7], names[7:9], names[9:])]
    write_partitions((table for table in seasons), tmp_path / "seasons", shots_per_part=2_500)
    again = together(tmp_path / "seasons")
    pd.testing.assert_frame_equal(as_words(again), as_words(together(folder)))


def test_a_match_in_two_tables_is_refused(shots, tmp_path):
    with pytest.raises(DataError, match="keep it in one table"):
        write_partitions([shots, shots], tmp_path / "twice")


def test_tables_with_other_columns_are_refused(shots, tmp_path):
    names = shots["match"].cat.categories
    one, two = (shots[shots["match"] == name] for name in names[:2])
    with pytest.raises(DataError, match=r"table 2 .* balance"):
        write_partitions([one, two.drop(columns="balance")], tmp_path / "columns")


def test_rallies_that_are_not_whole_are_refused(shots, tmp_path):
    with pytest.raises(DataError, match="not whole"):
        write_partitions(shots[shots["shot"] != 2], tmp_path / "holes")


def test_nothing_is_written_over(shots, folder, tmp_path):
    with pytest.raises(WriteError, match="holds Parquet files already"):
        write_partitions(shots, folder)
    with pytest.raises(LogError, match="no shots"):
        write_partitions(shots.head(0), tmp_path / "empty")
    with pytest.raises(DataError, match="at least 1"):
        write_partitions(shots, tmp_path / "size", shots_per_part=0)


@pytest.fixture
def copy(folder, tmp_path):
    shutil.copytree(folder, tmp_path / "copy")
    return tmp_path / "copy"


@pytest.mark.parametrize("which", [0, 2, -1])
def test_a_missing_file_is_found(copy, which):
    sorted(copy.glob("*.parquet"))[which].unlink()
    with pytest.raises(LogError, match="missing"):
        from_parquet(copy)


def test_a_broken_file_is_named(copy):
    path = sorted(copy.glob("*.parquet"))[1]
    path.write_bytes(path.read_bytes()[:-200])
    with pytest.raises(LogError, match=r"part-00001.parquet cannot be read"):
        from_parquet(copy)


def rewrite(path, change):
    frame = change(pq.read_table(path).to_pandas())
    pq.write_table(pa.Table.from_pandas(frame, preserve_index=False), path)


def strip_notes(folder, change=None, which=1):
    """Files as other programs would write them; one of them changed."""
    for k, path in enumerate(sorted(folder.glob("*.parquet"))):
        rewrite(path, change if change and k == which else lambda frame: frame)


def test_files_from_elsewhere_are_read(shots, copy):
    strip_notes(copy)
    pd.testing.assert_frame_equal(as_words(together(copy)), as_words(shots))


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda t: t.drop(columns="choice"), r"part-00001.parquet has no column choice"),
        (lambda t: t.drop(columns="balance"), r"part-00001.parquet has other columns .* balance"),
        (lambda t: t.assign(match="m01"), "lies in part-00000.parquet and in part-00001.parquet"),
        (lambda t: t.assign(side=t["side"].astype(object).replace("forehand", "left")), "'left'"),
        (lambda t: t.assign(game=t["game"].where(t.index != 5)), "column"),
        (lambda t: t[t["shot"] != 2], r"part-00001.parquet, row 2 .* not whole"),
    ],
)
def test_what_a_log_must_not_hold_is_named(copy, change, message):
    strip_notes(copy, change)
    with pytest.raises((LogError, DataError), match=message):
        list(from_parquet(copy).each(len))


def test_folders_without_a_log(tmp_path):
    with pytest.raises(LogError, match="no folder"):
        from_parquet(tmp_path / "none")
    with pytest.raises(LogError, match="no Parquet files"):
        from_parquet(tmp_path)


def test_no_part_stays_behind_when_one_cannot_be_written(shots, tmp_path, monkeypatch):
    home, fail_at = tmp_path / "parts", [WriteError("full"), KeyboardInterrupt()]
    written = []

    def write(path, data):
        written.append(write_file(path, data))
        if len(written) == 3:
            raise error

    monkeypatch.setattr(write_module, "write_file", write)
    for error in fail_at:
        written.clear()
        with pytest.raises(type(error)):
            write_partitions(shots, home, 2_500)
        assert len(written) == 3
        assert list(home.iterdir()) == []
    monkeypatch.undo()
    assert write_partitions(shots, home, 2_500)  # the folder can be used again


def test_only_the_columns_asked_for_are_read(folder):
    parts = from_parquet(folder, columns=["x_m"])
    table = parts.read(0)
    assert list(table.columns) == parts.columns
    assert "x_m" in table
    assert "y_m" not in table
    with pytest.raises(LogError, match="no column spin"):
        from_parquet(folder, columns=["spin"])


def test_dates_and_details_come_back(shots, tmp_path):
    rng = np.random.default_rng(3)
    table = shots.head(len(shots[shots["match"] == shots["match"].iloc[0]])).copy()
    table["date"] = np.datetime64("2026-03-01", "ns")
    table["tin_height_m"] = np.where(rng.random(len(table)) < 0.5, 0.48, np.nan)
    write_partitions(table, tmp_path / "details")
    again = from_parquet(tmp_path / "details").read(0)
    np.testing.assert_array_equal(again["date"].to_numpy(), table["date"].to_numpy())
    np.testing.assert_array_equal(again["tin_height_m"], table["tin_height_m"])


BROKEN = [
    # column, value, part of the reason; on a shot that neither begins nor ends its rally
    ("gap_m", 50.0, "0 to 3.2 m"),
    ("gap_m", -0.1, "0 to 3.2 m"),
    ("gap_m", np.inf, "not finite"),
    ("gap_m", np.nan, "only a serve has none"),
    ("x_m", np.inf, "not finite"),
    ("y_m", 12.0, "0 to 9.75 m"),
    ("t_s", 0.0, "backwards"),
    ("player", "Elm", "a player is his own opponent|a third name|the same player twice"),
    ("opponent", None, "every shot has an opponent"),
    ("side", None, "forehand or backhand"),
    ("stroke", "serve", "a serve within a rally"),
    ("ending", "tin", "goes on after its ending"),
    ("rally_won_by", "Elm", "before the last shot"),
    ("game", 2**63, "game is 9223372036854775808"),
    ("shot", 0, "shot is 0"),
]


def written_elsewhere(table, home):
    """Write a table as another program would: plain columns and no note."""
    words = {name: object for name in table if isinstance(table[name].dtype, pd.CategoricalDtype)}
    home.mkdir()
    plain = pa.Table.from_pandas(table.astype(words), preserve_index=False)
    pq.write_table(plain, home / "shots.parquet")
    return from_parquet(home)


@pytest.mark.parametrize(("column", "value", "reason"), BROKEN)
@pytest.mark.parametrize("by_us", [False, True])
def test_files_are_held_to_the_reader_s_rules(shots, tmp_path, column, value, reason, by_us):
    table = shots[shots["match"] == shots["match"].iloc[0]].copy()
    at = table.index[(table["shot"] == 3) & table["ending"].isna()][0]
    if column == "game":
        table["game"] = table["game"].astype("uint64")
    table.loc[at, column] = value
    if column == "side":  # with a choice the row would be one in short
        table.loc[at, "choice"] = None
    if by_us:
        # As written once, and changed by another hand: the note of the package stays.
        whole = shots[shots["match"] == shots["match"].iloc[0]]
        (path,) = write_partitions(whole, tmp_path / "log")
        kept = pq.read_schema(path).metadata
        words = {c: object for c in table if isinstance(table[c].dtype, pd.CategoricalDtype)}
        plain = pa.Table.from_pandas(table.astype(words), preserve_index=False)
        pq.write_table(plain.replace_schema_metadata(kept), path)
        parts = from_parquet(tmp_path / "log")
    else:
        parts = written_elsewhere(table, tmp_path / "log")
    with pytest.raises(LogError, match=rf"parquet, row {at + 1}\b.*({reason})"):
        parts.read(0)


LAST = [
    ("ending", None, "the last shot has no ending"),
    ("rally_won_by", None, "the rally has no winner"),
    ("rally_won_by", "Elm", "does not play in the match"),
    ("ending", "let", "a let has no winner"),
]


@pytest.mark.parametrize(("column", "value", "reason"), LAST)
def test_endings_are_held_to_the_reader_s_rules(shots, tmp_path, column, value, reason):
    table = shots[shots["match"] == shots["match"].iloc[0]].copy()
    assert "Elm" not in set(table["player"])
    last = table["rally_won_by"].notna()
    table.loc[last.idxmax(), column] = value
    parts = written_elsewhere(table, tmp_path / "log")
    with pytest.raises(LogError, match=reason):
        parts.read(0)


def test_one_player_cannot_strike_every_shot(shots, tmp_path):
    table = shots[shots["match"] == shots["match"].iloc[0]].copy()
    one, other = table["player"].iloc[0], table["opponent"].iloc[0]
    parts = written_elsewhere(table.assign(player=one, opponent=other), tmp_path / "log")
    with pytest.raises(LogError, match="the same player twice running"):
        parts.read(0)


def test_what_was_written_elsewhere_and_keeps_the_rules_is_the_same_log(shots, tmp_path):
    table = shots[shots["match"] == shots["match"].iloc[0]].reset_index(drop=True)
    again = written_elsewhere(table, tmp_path / "log").read(0)
    for name in table:
        assert again[name].astype(object).equals(table[name].astype(object)), name


def test_a_wider_court_has_wider_gaps(shots, tmp_path):
    table = shots[shots["match"] == shots["match"].iloc[0]].copy()
    table.loc[table.index[1], "gap_m"] = 3.7
    write_partitions(table, tmp_path / "log")
    with pytest.raises(LogError, match=r"0 to 3\.2 m"):
        from_parquet(tmp_path / "log").read(0)
    assert from_parquet(tmp_path / "log", court=Court.doubles()).read(0)["gap_m"].max() == 3.7


@pytest.mark.parametrize("blank", [np.nan, None])
def test_a_part_in_which_all_rallies_are_lets(shots, tmp_path, blank):
    names = list(shots["match"].cat.categories[:2])
    home = tmp_path / "log"
    home.mkdir()
    for number, name in enumerate(names):
        part = shots[shots["match"] == name]
        words = {c: object for c in part if isinstance(part[c].dtype, pd.CategoricalDtype)}
        part = part.astype(words)
        if number == 0:
            part.loc[part["ending"].notna(), "ending"] = "let"
            column = pd.Series(blank, part.index, dtype=float if blank is not None else object)
            part["rally_won_by"] = column
        plain = pa.Table.from_pandas(part, preserve_index=False)
        pq.write_table(plain, home / f"part-{number}.parquet")
    parts = from_parquet(home)
    assert parts.read(0)["rally_won_by"].isna().all()
    chain = sw.RallyChain().fit(parts)
    assert np.isfinite(chain.win_probability_.to_numpy()).all()
