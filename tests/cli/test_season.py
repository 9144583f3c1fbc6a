"""A few matches of a season go through the command line, twice, to the same bytes."""

import pandas as pd
import pytest
import season


@pytest.mark.slow
def test_a_short_season_is_the_same_twice(tmp_path):
    files, differ = season.twice(tmp_path, matches=3, seed=2)
    assert differ == []
    assert {"season.csv", "codes.csv", "key.csv", "change.csv", "said.txt"} <= set(files)
    assert sum(name.endswith(".html") for name in files) >= 2  # a page a player
    typed = [name for name in files if name.startswith("typed/")]
    rows = sum(len(pd.read_csv(tmp_path / "one" / name)) for name in typed)
    assert len(pd.read_csv(tmp_path / "two" / "codes.csv")) == rows > 100


def test_files_that_differ_or_are_in_one_folder_only_are_named(tmp_path):
    one, two = tmp_path / "one", tmp_path / "two"
    for folder in (one, two):
        (folder / "deep").mkdir(parents=True)
        (folder / "deep" / "same").write_text("a")
        (folder / "other").write_text(folder.name)
    (two / "more").write_text("")
    assert season.same_files(one, two) == (["deep/same", "more", "other"], ["more", "other"])


def test_a_shot_that_is_read_back_wrong_is_noticed():
    names, shots = season.play(2, 1)
    found = shots.assign(gap_class=None)
    expected = found.assign(tolerance_m=0.0005)
    season.compare_with(expected, found)
    with pytest.raises(AssertionError):
        season.compare_with(expected, found.assign(gap_m=found["gap_m"] + 0.01))
    with pytest.raises(AssertionError):
        season.compare_with(expected, found.assign(choice=found["choice"].shift()))
    with pytest.raises(AssertionError):
        season.compare_with(expected, found.iloc[1:])
    assert set(shots["match"]) == set(names)
