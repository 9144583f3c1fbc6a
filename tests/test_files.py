"""Files are written whole or not at all, whatever goes wrong."""

from __future__ import annotations

import errno
import os
import stat
import subprocess
import sys
import tempfile

import pandas as pd
import pytest

from sidewall import files
from sidewall.clips import clip_times, write_clips
from sidewall.combinations import Combination
from sidewall.errors import WriteError
from sidewall.files import account, make_folder, plan_files, write_file
from sidewall.log import pseudonymise, write_table, write_template
from sidewall.scale import write_partitions
from sidewall.simulate import write_demo
from sidewall.worklist import write_efforts

FAILURES = {
    errno.ENOSPC: "the disk is full. Make room",
    errno.EDQUOT: "your share of the disk is used up",
    errno.EFBIG: "so large a file does not fit there",
    errno.EROFS: "the disk can only be read",
    errno.EIO: "[Ii]nput/output error",
}


@pytest.mark.parametrize("number", FAILURES)
def test_what_was_there_is_as_it_was(tmp_path, monkeypatch, number):
    path = tmp_path / "report.html"
    path.write_text("the good one")

    def fail(handle):
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(files.os, "fsync", fail)
    with pytest.raises(WriteError, match=FAILURES[number]) as error:
        write_file(path, "half")
    assert str(error.value).startswith(f"{path}: ")
    assert path.read_text() == "the good one"
    assert list(tmp_path.iterdir()) == [path]


def test_an_interrupt_leaves_nothing_half_written(tmp_path, monkeypatch):
    def stop(handle):
        raise KeyboardInterrupt

    monkeypatch.setattr(files.os, "fsync", stop)
    with pytest.raises(KeyboardInterrupt):
        write_file(tmp_path / "new.csv", "half")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("when", ["before", "after"])
def test_an_interrupt_beside_the_move_leaves_the_account_right(tmp_path, monkeypatch, when):
    real = os.replace

    def stop(source, place):
        if when == "after":
            real(source, place)
        raise KeyboardInterrupt

    monkeypatch.setattr(files.os, "replace", stop)
    with account() as own, pytest.raises(KeyboardInterrupt):
        write_file(tmp_path / "new.csv", "whole")
    assert own.written == list(tmp_path.iterdir())
    assert len(own.written) == (when == "after")


def test_a_name_may_be_as_long_as_the_disk_takes(tmp_path):
    longest = tmp_path / ("é" * 127 + "a")  # 255 bytes
    assert write_file(longest, "whole").read_text() == "whole"
    for path in (tmp_path / ("é" * 128), tmp_path / "/".join(["folder" * 20] * 40)):
        with pytest.raises(WriteError, match=r"too long\. Choose a shorter one"):
            write_file(path, "")
        with pytest.raises(WriteError, match="too long"):
            plan_files([path])
    with pytest.raises(WriteError, match="null"):
        write_file("a\0b", "")


@pytest.mark.parametrize(
    ("name", "said"),
    [("none/a.csv", "there is no such folder"), ("file/a.csv", "no folder"), ("folder", "folder")],
)
def test_where_nothing_can_be_written(tmp_path, name, said):
    (tmp_path / "file").write_text("")
    (tmp_path / "folder").mkdir()
    with pytest.raises(WriteError, match=said):
        write_file(tmp_path / name, "")
    if name.startswith("file"):
        with pytest.raises(WriteError, match="no such folder can be made"):
            make_folder(tmp_path / name)


def test_a_link_a_mode_and_a_device_stay_what_they_are(tmp_path):
    real, link = tmp_path / "real.csv", tmp_path / "link.csv"
    real.write_text("old")
    real.chmod(0o640)
    link.symlink_to(real)
    write_file(link, "new")
    assert link.is_symlink()
    assert real.read_text() == "new"
    assert stat.S_IMODE(real.stat().st_mode) == 0o640
    write_file(tmp_path / "key.csv", "", private=True)
    assert stat.S_IMODE((tmp_path / "key.csv").stat().st_mode) == 0o600
    write_file(os.devnull, "gone")
    assert stat.S_ISCHR(os.stat(os.devnull).st_mode)


def test_a_file_that_must_stay_is_refused_before_the_work_and_after(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text("mine")
    for refuse in (lambda: plan_files([path], overwrite=False), lambda: write_efforts(path)):
        with pytest.raises(WriteError, match=r"exists\. Choose another name"):
            refuse()
    assert path.read_text() == "mine"


def test_the_account_tells_what_was_planned_and_what_is_there(tmp_path):
    one, two = tmp_path / "one", tmp_path / "two"
    with account() as outer, account() as inner:
        plan_files([one, two])
        write_file(one, "")
    write_file(two, "")
    assert outer.written == inner.written == [one]
    assert outer.left == [two]


def _shots():
    from sidewall.log import read_shots  # noqa: PLC0415
    from sidewall.simulate import synthetic_data_folder  # noqa: PLC0415

    whole = pd.read_csv(synthetic_data_folder() / "ladder.csv", dtype=str)
    return read_shots(whole[whole["match"] == whole["match"].iloc[0]])


def _clips(path):
    shots = _shots()
    rallies = shots[shots["shot"] == 1][["match", "game", "rally"]]
    write_clips(clip_times(rallies, shots), os.path.dirname(path), "clips")


def _key(path):
    pseudonymise(_shots(), os.path.dirname(path) + "/other.csv", path)


#: Every way in which a file is written by the library.
WRITERS = {
    "table.csv": lambda path: write_table(pd.DataFrame({"a": range(999)}), path, overwrite=True),
    "table.xlsx": lambda path: write_table(pd.DataFrame({"a": range(999)}), path, overwrite=True),
    "table.parquet": lambda path: write_table(pd.DataFrame({"a": [1]}), path, overwrite=True),
    "template.csv": lambda path: write_template(path, overwrite=True),
    "template.xlsx": lambda path: write_template(path, overwrite=True),
    "combination.toml": lambda path: Combination.built_in("length then volley").write(path),
    "clips.csv": _clips,
    "ladder.csv": lambda path: write_demo(os.path.dirname(path), overwrite=True),
}
NEW = {
    "efforts.toml": write_efforts,
    "key.csv": _key,
    "part-00000.parquet": lambda path: write_partitions(_shots(), os.path.dirname(path), 100),
}
WRITERS |= NEW


def _fill_up(home):
    """Write each file where none may be larger than 64 bytes, and print what was said."""
    import resource  # noqa: PLC0415

    resource.setrlimit(resource.RLIMIT_FSIZE, (64, resource.RLIM_INFINITY))
    for name, write in WRITERS.items():
        try:
            write(f"{home}/{name}/{name}")
            said = "nothing"
        except WriteError as error:
            said = str(error)
        sys.stdout.write(f"{said}\n")
        sys.stdout.flush()


@pytest.fixture(scope="module")
def filled(tmp_path_factory):
    """A folder for each file, and what was said when the disk was full."""
    home = tmp_path_factory.mktemp("full")
    for name in WRITERS:
        (home / name).mkdir()
        if name not in NEW:
            (home / name / name).write_text("the good one")
    command = [sys.executable, __file__, str(home)]
    # openpyxl grumbles on the error stream about its temporary files
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    return home, dict(zip(WRITERS, done.stdout.splitlines(), strict=True))


@pytest.mark.skipif(sys.platform == "win32", reason="no such limit")
@pytest.mark.parametrize("name", WRITERS)
def test_a_disk_that_fills_up_harms_no_file(filled, name):
    """The limit on the size of a file stands for a disk without room."""
    home, said = filled
    assert "does not fit there" in said[name]
    # a workbook is put together in temporary files first
    place = tempfile.gettempdir() if name.endswith(".xlsx") else home / name
    assert said[name].startswith(f"{place}")
    there = {one.name: one.read_text() for one in (home / name).iterdir()}
    assert there == ({} if name in NEW else {name: "the good one"})


if __name__ == "__main__":
    _fill_up(sys.argv[1])
