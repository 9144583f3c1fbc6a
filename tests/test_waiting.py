"""A bar where one waits: on terminals and in notebooks, and nowhere else."""

import io
import sys
import types

import pytest

from sidewall.waiting import waiting


class Terminal(io.StringIO):
    def isatty(self):
        return True


@pytest.fixture
def at_once(monkeypatch):
    """No two seconds of waiting for the bar."""
    import tqdm  # noqa: PLC0415

    def bar(*args, **named):
        assert named.pop("delay") == 2
        return real(*args, **named, mininterval=0)

    real = tqdm.tqdm
    monkeypatch.setattr(tqdm, "tqdm", bar)


def said(monkeypatch, stream, kernel):
    monkeypatch.setattr(sys, "stderr", stream)
    python = types.SimpleNamespace(get_ipython=lambda: types.SimpleNamespace(kernel=kernel))
    monkeypatch.setitem(sys.modules, "IPython", python)
    assert list(waiting(range(3), "folding", "fold")) == [0, 1, 2]
    return stream.getvalue()


def test_a_terminal_sees_a_bar_that_goes(at_once, monkeypatch):
    text = said(monkeypatch, Terminal(), None)
    assert "folding" in text
    assert text.endswith("\r")


def test_a_notebook_sees_one_although_its_stream_is_no_terminal(at_once, monkeypatch):
    assert "folding" in said(monkeypatch, io.StringIO(), object())


def test_a_file_gets_none(at_once, monkeypatch):
    assert said(monkeypatch, io.StringIO(), None) == ""
