"""Work in another process: the same result, the package's errors, and no loss when it breaks."""

import importlib
import os
import subprocess
import sys
import threading

import pytest

from sidewall.beside import beside, spare_jobs
from sidewall.errors import DataError

AWAY = """
import os, signal
from sidewall.errors import DataError

def process_and_sum(*numbers):
    return os.getpid(), sum(numbers)

def process_and_length(words):
    return os.getpid(), len(words)

def refuse(word):
    raise DataError(f"no {word} here")

def break_away_from(home):
    if os.getpid() != home:  # as for want of memory
        os.kill(os.getpid(), signal.SIGTERM)
    return os.getpid()
"""


@pytest.fixture
def away(tmp_path, monkeypatch):
    """A module that another process can load by its name."""
    (tmp_path / "away_from_here.py").write_text(AWAY)
    monkeypatch.syspath_prepend(tmp_path)
    return importlib.import_module("away_from_here")


def test_the_result_comes_from_another_process(away):
    process, total = beside(away.process_and_sum, 2, 3, 4)()
    assert total == 9
    assert process != os.getpid()


def test_two_things_are_made_meanwhile(away):
    first, second = beside(away.process_and_sum, 1), beside(away.process_and_sum, 2)
    assert second()[1] == 2
    assert first()[1] == 1


def test_the_packages_own_errors_are_raised_here(away):
    wait = beside(away.refuse, "ball")
    with pytest.raises(DataError, match="no ball here"):
        wait()


def test_where_the_process_breaks_the_work_is_done_here(away):
    assert beside(away.break_away_from, os.getpid())() == os.getpid()


SCRIPT = """
import sys
from pathlib import Path

sys.path.insert(0, {folder!r})
import away_from_here
from sidewall.beside import beside
from sidewall.report import Report, WrittenReport

def own(words):
    return len(words)

class Own(Report):
    players = ("a", "b")

    def write(self, player, file, *, clips=False, notes=None):
        return WrittenReport(player, file)

print("begun")
print(*beside(away_from_here.process_and_length, "x" * 1_000_000)())
print(beside(own, "x" * 1_000_000)())
files = {{name: Path(f"{{name}}.html") for name in "ab"}}
print([page.player for page in Own()._each(files, False, {{}}, 2)])
"""


def test_a_script_needs_no_guard_and_runs_once(away, tmp_path):
    """As a script is written on a first evening; with more to hand over than a pipe holds."""
    script = tmp_path / "script.py"
    script.write_text(SCRIPT.format(folder=str(tmp_path)))
    words = [sys.executable, str(script)]
    process = subprocess.Popen(words, text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    said, complaints = process.communicate(timeout=100)
    begun, away, *rest = said.splitlines()
    assert (begun, complaints) == ("begun", "")
    number, length = map(int, away.split())
    assert number != process.pid
    assert length == 1_000_000
    assert rest == ["1000000", "['a', 'b']"]


def test_what_nobody_waits_for_holds_nothing_up(away):
    before = threading.active_count()
    beside(away.process_and_sum, 1)
    assert threading.active_count() == before


def test_so_many_jobs_as_there_are_cores_but_at_most_two(monkeypatch):
    found = []
    for cores in (None, 1, 2, 64):
        monkeypatch.setattr("sidewall.beside.cpu_count", lambda cores=cores: cores)
        found.append(spare_jobs())
    assert found == [1, 1, 2, 2]
