"""Writing a log in parts and reading it again."""

import shutil

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

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
        (lambda t: t[t["shot"] != 2], r"part-00001.parquet: .* not whole"),
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
