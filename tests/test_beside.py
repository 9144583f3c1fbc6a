"""Work in another process: the same result, the package's errors, and no loss when it breaks."""

import importlib
import os
import threading

import pytest

from sidewall.beside import beside, spare_jobs
from sidewall.errors import DataError

AWAY = """
import os, signal
from sidewall.errors import DataError

def process_and_sum(*numbers):
    return os.getpid(), sum(numbers)

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
