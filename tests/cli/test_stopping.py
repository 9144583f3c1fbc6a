"""Ctrl-C, and output that nobody takes: no traceback, no half files, and what is there is said."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import typer
from PIL import Image
from typer.testing import CliRunner

from sidewall import files
from sidewall.cli.app import app
from sidewall.cli.options import plain_errors
from sidewall.cli.profile import profile_files
from sidewall.files import write_file
from sidewall.report import Report, WrittenReport
from sidewall.report import report as report_module
from sidewall.simulate import draw_players, round_robin, simulate_shots, to_log

NAMES = ["Rowan", "Hazel", "Alder"]
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform == "win32", reason="signals and devices of POSIX"),
]


@pytest.fixture(scope="module")
def log(tmp_path_factory):
    players = draw_players(NAMES, np.random.default_rng(5))
    path = tmp_path_factory.mktemp("log") / "club.csv"
    to_log(simulate_shots(players, round_robin(3, 4), rng=6)).to_csv(path, index=False)
    return path


@pytest.fixture(scope="module")
def bad(log, tmp_path_factory):
    table = pd.read_csv(log)
    table.loc[5, "side"] = "sideways"
    path = tmp_path_factory.mktemp("bad") / "bad.csv"
    table.to_csv(path, index=False)
    return path


def run(*words):
    return CliRunner().invoke(app, [str(word) for word in words])


def begun(*words, **options):
    command = [sys.executable, "-m", "sidewall.cli", *(str(word) for word in words)]
    streams = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, **options}
    return subprocess.Popen(command, text=True, start_new_session=True, **streams)


def wait_for(found, process):
    """Wait until there is a file, as long as the program runs."""
    end = time.monotonic() + 120
    while not list(found()):
        assert process.poll() is None, process.communicate()
        assert time.monotonic() < end
        time.sleep(0.01)


def parted(said):
    """What a stopped command lists as written, and as not written."""
    assert "Traceback" not in said
    assert said.startswith("sidewall: stopped by Ctrl-C.\n")
    _, written, left = re.split("Written whole:\n|Not written, and as it was before:\n", said)
    return [[Path(line.strip()) for line in part.splitlines()] for part in (written, left)]


def is_whole(path):
    if path.suffix == ".png":
        with Image.open(path) as picture:
            picture.load()
        return True
    if path.suffix == ".csv":
        return path.read_bytes().endswith(b"\n") and len(pd.read_csv(path)) > 0
    end = {".svg": "</svg>", ".html": "</html>"}[path.suffix]
    return path.read_text(encoding="utf-8").rstrip().endswith(end)


def test_a_profile_stopped_after_its_first_picture(log, tmp_path):
    out = tmp_path / "out"
    process = begun("profile", log, "--player", "Rowan", "--out", out, "--outcome", "rally")
    wait_for(lambda: out.glob("*.png"), process)
    os.killpg(process.pid, signal.SIGINT)
    stdout, stderr = process.communicate(timeout=60)
    assert process.returncode == 130
    assert stdout == ""
    written, left = parted(stderr)
    assert set(written) == set(out.iterdir())  # and nothing half-written beside them
    assert all(is_whole(path) for path in written)
    assert {*written, *left} == {*profile_files(out, "Rowan", NAMES, ["rally"])}
    assert not {*written} & {*left}


class SlowReport(Report):
    """Pages that come one in half a second, with a file of clips before each."""

    players = tuple("abcdefgh")

    def write(self, player, file, *, clips=False, notes=None):
        file.parent.mkdir(exist_ok=True)
        write_file(file.with_suffix(".csv"), "clips\n1\n")
        time.sleep(0.5)
        write_file(file, f"<html>{player}</html>")
        return WrittenReport(player, file)


@pytest.mark.parametrize("to_all", [True, False], ids=["from a terminal", "to one process"])
def test_everyones_reports_stopped_after_the_first(tmp_path, to_all):
    out = tmp_path / "out"
    streams = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
    command = [sys.executable, __file__, str(out)]
    process = subprocess.Popen(command, text=True, start_new_session=True, **streams)
    wait_for(lambda: out.glob("*.html"), process)
    (os.killpg if to_all else os.kill)(process.pid, signal.SIGINT)
    _, stderr = process.communicate(timeout=60)
    assert process.returncode == 130, stderr
    written, left = parted(stderr)
    assert {*written} == {*out.iterdir()}
    assert all(is_whole(path) for path in written)
    pages = {out / f"{name}.html" for name in [*SlowReport.players, "index"]}
    assert {path for path in (*written, *left) if path.suffix == ".html"} == pages
    assert out / "index.html" in left


def test_a_page_stopped_as_late_as_can_be_is_told_of(tmp_path, monkeypatch):
    real, stopped = signal.signal, []

    def stop(number, handler):
        if handler is signal.SIG_IGN and not stopped:
            stopped.append(number)
            raise KeyboardInterrupt
        return real(number, handler)

    monkeypatch.setattr(signal, "signal", stop)
    monkeypatch.setattr(report_module, "_SHARED", [SlowReport()])
    try:
        page, written = report_module._write_one(("a", tmp_path / "a.html", False, None))
        assert signal.getsignal(signal.SIGINT) is signal.SIG_IGN
    finally:
        real(signal.SIGINT, signal.default_int_handler)
    assert stopped
    assert page == WrittenReport("a", tmp_path / "a.html")
    assert {*written} == {*tmp_path.iterdir()}


#: Every command that writes, and how many files of it are whole before the one stopped at.
WRITING = {
    "demo": (["demo", "--out", "{out}"], 2),
    "profile": (["profile", "{log}", "--player", "Rowan", "--out", "{out}",
                 "--outcome", "rally"], 1),
    "template": (["template", "{out}.csv"], 0),
    "map": (["map", "{log}", "--guess", "--out", "{out}.toml"], 0),
    "pseudonymise": (["pseudonymise", "{log}", "--out", "{out}.csv", "--key", "{out}-key.csv"], 1),
}  # fmt: skip


@pytest.mark.parametrize("name", WRITING)
def test_each_command_stopped_while_it_writes(log, tmp_path, monkeypatch, name):
    words, before = WRITING[name]
    real, synced = os.fsync, []

    def sync(handle):
        if len(written()) >= before and not synced:
            synced.append(handle)
            os.kill(os.getpid(), signal.SIGINT)
        real(handle)

    def written():
        return [path for path in tmp_path.rglob("*") if path.is_file() and path.name[0] != "."]

    monkeypatch.setattr(files.os, "fsync", sync)
    result = run(*(word.format(log=log, out=tmp_path / "out") for word in words))
    assert synced
    assert result.exit_code == 130, result.output
    assert "stopped by Ctrl-C" in result.stderr
    there = {path for path in tmp_path.rglob("*") if path.is_file()}
    if before:
        whole, left = parted(result.stderr)
        assert {*whole} == there
        assert left
    else:
        assert result.stderr.endswith("Nothing was written.\n")
        assert there == set()


@pytest.mark.parametrize("name", ["check", "plan"])
def test_a_command_that_writes_nothing_stops_too(log, monkeypatch, name):
    def stop(*_, **__):
        os.kill(os.getpid(), signal.SIGINT)

    home = {"check": "sidewall.log.check_log", "plan": "sidewall.progress.plan"}[name]
    monkeypatch.setattr(home, stop)
    result = run(*({"check": ["check", log], "plan": ["plan"]}[name]))
    assert result.exit_code == 130
    assert result.stderr == "sidewall: stopped by Ctrl-C.\nNothing was written.\n"
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


def test_an_interrupt_that_a_library_makes_an_error_of_is_still_one(log, monkeypatch):
    def load(*_, **__):
        try:
            os.kill(os.getpid(), signal.SIGINT)
        except KeyboardInterrupt as error:
            raise ImportError("numpy cannot be loaded") from error

    monkeypatch.setattr("sidewall.log.check_log", load)
    assert run("check", log).exit_code == 130


def test_an_error_between_files_says_which_are_written(log, tmp_path, monkeypatch):
    real = os.fsync

    def sync(handle):
        if list(tmp_path.glob("*-key.csv")):
            raise OSError(28, "No space left on device")
        real(handle)

    monkeypatch.setattr(files.os, "fsync", sync)
    out, key = tmp_path / "out.csv", tmp_path / "out-key.csv"
    result = run("pseudonymise", log, "--out", out, "--key", key)
    assert result.exit_code == 2
    assert result.stderr.startswith(
        f"sidewall: {out}: the file cannot be written: the disk is full"
    )
    assert f"Written whole:\n  {key}\n" in result.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["out-key.csv"]


FULL = pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is full")


@FULL
@pytest.mark.parametrize(
    "words", [["--help"], ["--version"], ["check", "{bad}"], ["template", "{new}"]]
)
def test_output_onto_a_full_disk_is_said(bad, tmp_path, words):
    new = tmp_path / "new.csv"
    with open("/dev/full", "w") as full:
        process = begun(*(word.format(bad=bad, new=new) for word in words), stdout=full)
        _, stderr = process.communicate(timeout=60)
    assert process.returncode == 2
    assert "Traceback" not in stderr
    assert "could not all be written" in stderr
    assert len(stderr.splitlines()) == 1
    if words[0] == "template":
        assert len(pd.read_csv(new)) == 3  # what was to be written is


@FULL
def test_messages_onto_a_full_disk_leave_the_exit_code(tmp_path):
    with open("/dev/full", "w") as full:
        process = begun("check", tmp_path / "none.csv", stderr=full)
        process.communicate(timeout=60)
    assert process.returncode == 2


def test_a_reader_that_has_read_enough_is_no_error(bad):
    process = begun("check", bad)
    process.stdout.close()
    stderr = process.stderr.read()
    process.stderr.close()
    assert process.wait(timeout=60) == 1  # rows are refused, as without a pipe
    assert stderr == ""


def test_letters_that_a_stream_cannot_show_do_not_stop_a_command(tmp_path):
    table = "match,game,rally,shot,player,side,stroke,gap_cm,ending\nŁm,1,1,1,Ł,forehand,žerve,,\n"
    (tmp_path / "log.csv").write_text(table, encoding="utf-8")
    done = begun("check", tmp_path / "log.csv", env={**os.environ, "PYTHONIOENCODING": "latin-1"})
    stdout, stderr = done.communicate(timeout=60)
    assert (done.returncode, stderr) == (1, "")
    assert "\\u017eerve" in stdout


if __name__ == "__main__":
    from test_stopping import SlowReport as Known  # by a name that other processes can load

    try:
        with plain_errors():
            Known().write_all(sys.argv[1], jobs=2)
    except typer.Exit as stop:
        sys.exit(stop.exit_code)
