"""No name leaves, the shots stay, and the key undoes it."""

import os
import stat
import tempfile
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sidewall.errors import LogError, WriteError
from sidewall.log import pseudonymise, read_shots, reidentify


@pytest.fixture
def named(log):
    return log.assign(
        date="2026-03-31", group="first team", initials="RO", coach="Elm", hand="right"
    ).replace({"M1": "Rowan v Hazel, club night", "M2": "Alder v Birch"})


NAMES = ["rowan", "hazel", "alder", "birch", "elm", "club night", "first team", "2026"]


def test_no_name_is_left(named, tmp_path):
    done = pseudonymise(named, tmp_path / "out.csv", tmp_path / "key.csv")
    text = (tmp_path / "out.csv").read_text(encoding="utf-8-sig").casefold()
    assert not [name for name in NAMES if name in text]
    assert set(done.dropped) == {"date", "initials", "coach"}
    assert done.rows == len(named)
    assert done.new_codes == {"player": 4, "match": 2, "group": 1}


def test_the_shots_stay(named, tmp_path):
    pseudonymise(named, tmp_path / "out.csv", tmp_path / "key.csv", dates="keep")
    before = read_shots(named)
    after = reidentify(read_shots(tmp_path / "out.csv"), tmp_path / "key.csv")
    pd.testing.assert_frame_equal(after, before.drop(columns="initials"))


def test_a_unit_that_only_the_cells_say_stays(named, tmp_path):
    typed = [f"{one} cm" if one else "" for one in named["gap_cm"]]
    log = named.rename(columns={"gap_cm": "gap"}).assign(gap=typed)
    pseudonymise(log, tmp_path / "out.csv", tmp_path / "key.csv")
    after = read_shots(tmp_path / "out.csv")["gap_m"]
    pd.testing.assert_series_equal(after, read_shots(named)["gap_m"])


@pytest.mark.parametrize("suffix", [".xlsx", ".parquet"])
def test_other_formats(named, tmp_path, suffix):
    pseudonymise(named, tmp_path / f"out{suffix}", tmp_path / "key.csv", dates="keep")
    after = reidentify(read_shots(tmp_path / f"out{suffix}"), tmp_path / "key.csv")
    pd.testing.assert_frame_equal(after, read_shots(named).drop(columns="initials"))


def test_codes_do_not_follow_the_order_of_appearance(named, tmp_path):
    first = set()
    for seed in range(12):
        out = tmp_path / f"{seed}.csv"
        pseudonymise(named, out, tmp_path / f"key{seed}.csv", seed=seed)
        first.add(pd.read_csv(out)["player"].iloc[0])
    assert len(first) == 4


@pytest.mark.skipif(os.name == "nt", reason="no such permissions on Windows")
def test_the_key_is_for_its_owner_only(named, tmp_path):
    key = tmp_path / "key.csv"
    pseudonymise(named, tmp_path / "out.csv", key)
    assert stat.S_IMODE(key.stat().st_mode) == 0o600
    key.chmod(0o644)
    pseudonymise(named.replace("Rowan", "Cedar"), tmp_path / "again.csv", key)
    assert stat.S_IMODE(key.stat().st_mode) == 0o600


def test_a_key_is_used_again_and_extended(named, tmp_path):
    key = tmp_path / "key.csv"
    pseudonymise(named, tmp_path / "one.csv", key)
    before = key.read_text()
    done = pseudonymise(named.replace("Rowan", "Cedar"), tmp_path / "two.csv", key)
    assert done.new_codes == {"player": 1}
    assert key.read_text().startswith(before)
    one, two = pd.read_csv(tmp_path / "one.csv"), pd.read_csv(tmp_path / "two.csv")
    same = (named["player"] != "Rowan").to_numpy()
    assert one.loc[same, "player"].tolist() == two.loc[same, "player"].tolist()
    assert set(two.loc[~same, "player"]) == {"player-05"}


def test_spellings_of_one_name_share_a_code(named, tmp_path):
    named.loc[2, "player"] = " ROWAN "
    pseudonymise(named, tmp_path / "out.csv", tmp_path / "key.csv")
    codes = pd.read_csv(tmp_path / "out.csv")["player"]
    assert codes[0] == codes[2]


def test_dates_shift_by_whole_weeks_and_move_back(named, tmp_path):
    named.loc[11:, "date"] = "2026-04-10"
    key = tmp_path / "key.csv"
    pseudonymise(named, tmp_path / "out.csv", key, dates="shift")
    shots = read_shots(tmp_path / "out.csv")
    dates = shots["date"]
    assert (dates.max() - dates.min()).days == 10
    moved = (dates.min() - pd.Timestamp("2026-03-31")).days
    assert moved % 7 == 0
    assert 364 <= abs(moved) <= 5 * 365
    assert reidentify(shots, key)["date"].min() == pd.Timestamp("2026-03-31")
    pseudonymise(named, tmp_path / "again.csv", key, dates="shift")
    assert read_shots(tmp_path / "again.csv")["date"].min() == dates.min()


def test_cells_that_are_not_understood_may_hold_anything(named, tmp_path):
    named.loc[3, "stroke"] = "as Rowan always does"
    named.loc[4, "gap_cm"] = "ask Hazel"
    named["scoring"] = "Rowan's rules"
    done = pseudonymise(named, tmp_path / "out.csv", tmp_path / "key.csv")
    assert done.cells_replaced == 2 + len(named)
    table = pd.read_csv(tmp_path / "out.csv")
    assert table["stroke"][1] == table["gap_cm"][2] == "?"
    assert len(table) == len(named)


def test_tables_go_along(named, tmp_path):
    players = pd.DataFrame({"player": ["Rowan", "Oak"], "hand": ["left", "right"], "phone": "1"})
    matches = pd.DataFrame({"match": ["Alder v Birch"], "tin_height_cm": [43]})
    done = pseudonymise(
        named, tmp_path / "out.csv", tmp_path / "key.csv", players=players, matches=matches
    )
    assert [file.name for file in done.files] == ["out.csv", "out-players.csv", "out-matches.csv"]
    assert "phone" in done.dropped
    assert done.new_codes["player"] == 5
    coded = pd.read_csv(tmp_path / "out-players.csv")
    assert coded.columns.tolist() == ["player", "hand"]
    shots = read_shots(
        tmp_path / "out.csv", matches=tmp_path / "out-matches.csv", on_refused="ignore"
    )
    assert set(shots["tin_height_m"].dropna()) == {0.43}


@pytest.mark.parametrize("name", ["out.csv", "out-players.csv"])
def test_nothing_is_overwritten(named, tmp_path, name):
    (tmp_path / name).write_text("mine")
    players = pd.DataFrame({"player": ["Rowan"], "hand": ["left"]})
    with pytest.raises(WriteError, match="exists"):
        pseudonymise(named, tmp_path / "out.csv", tmp_path / "key.csv", players=players)
    assert (tmp_path / name).read_text() == "mine"
    assert not (tmp_path / "key.csv").exists()


def test_a_key_that_is_something_else_is_not_touched(named, tmp_path):
    key = tmp_path / "notes.csv"
    key.write_text("my notes")
    with pytest.raises(LogError, match="this is no key"):
        pseudonymise(named, tmp_path / "out.csv", key)
    assert key.read_text() == "my notes"
    with pytest.raises(LogError, match="a file of its own"):
        pseudonymise(named, tmp_path / "out.csv", tmp_path / "out.csv")


def test_twice_is_refused(named, tmp_path):
    pseudonymise(named, tmp_path / "out.csv", tmp_path / "key.csv")
    with pytest.raises(LogError, match="pseudonymised before"):
        pseudonymise(tmp_path / "out.csv", tmp_path / "more.csv", tmp_path / "key.csv")


def test_a_damaged_key(named, tmp_path):
    key = tmp_path / "key.csv"
    pseudonymise(named, tmp_path / "out.csv", key)
    key.write_text(key.read_text() + "player,Oak,player-01\n")
    with pytest.raises(LogError, match="line 9 of the key is damaged or stands twice"):
        reidentify(named, key)
    key.write_bytes(b"kind,name,code\n\xff\xfe\x00")
    with pytest.raises(LogError, match=r"key\.csv: the key cannot be read"):
        reidentify(named, key)
    with pytest.raises(LogError, match="no such key"):
        reidentify(named, tmp_path / "none.csv")


names = st.text(st.characters(codec="utf-8", categories=["L", "P", "S"]), min_size=2, max_size=8)


@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
@given(names.filter(lambda name: name.strip("-–—nN/aAoOeEuUlL#<>. ")), st.integers(0, 99))
def test_the_key_undoes_it(log, name, seed):
    log = log.replace("Rowan", name)
    before = read_shots(log)
    with tempfile.TemporaryDirectory() as folder:
        out, key = Path(folder) / "out.csv", Path(folder) / "key.csv"
        pseudonymise(log, out, key, seed=seed)
        pd.testing.assert_frame_equal(reidentify(read_shots(out), key), before)


@pytest.mark.parametrize("end", [b"", b"\n"])
def test_a_key_is_gone_on_with_whether_or_not_its_last_line_is_broken(named, tmp_path, end):
    """As an editor may leave it: what is added begins a line of its own."""
    first = named[named["match"] == "Alder v Birch"]
    pseudonymise(first, tmp_path / "first.csv", tmp_path / "key.csv")
    before = (tmp_path / "key.csv").read_bytes().rstrip(b"\n")
    (tmp_path / "key.csv").write_bytes(before + end)
    pseudonymise(named, tmp_path / "all.csv", tmp_path / "key.csv")
    after = (tmp_path / "key.csv").read_bytes()
    assert after.startswith(before + b"\n")
    assert b"\n\n" not in after
    again = reidentify(read_shots(tmp_path / "all.csv"), tmp_path / "key.csv")
    assert set(again["player"]) == set(read_shots(named)["player"])
