"""The shell: actions in, state out, errors as words."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

pytest.importorskip("anywidget", reason="anywidget is not installed")

import sidewall
from sidewall.charting import keys
from sidewall.charting.widget import ChartMatch, InOrder
from sidewall.errors import DataError

FOLDER = Path(sidewall.__file__).parent / "charting"


@pytest.fixture
def widget(tmp_path):
    return ChartMatch(tmp_path / "log.csv", match="m", players=("Rowan", "Hazel"))


def send(widget, **action):
    widget._handle_custom_msg({"view": "one", **action}, [])


def test_an_action_changes_the_state_and_is_answered(widget):
    send(widget, do="word", column="ending", value="out", number=1, t=None)
    assert widget.state["answer"] == 1
    assert widget.state["points"] == [0, 1]
    assert widget.shots()["rally_won_by"].tolist() == ["Hazel"]


def test_an_error_is_shown_and_the_next_action_clears_it(widget):
    send(widget, do="undo", number=1)
    assert "nothing to undo" in widget.state["trouble"]
    send(widget, do="commit", number=2)
    assert widget.state["trouble"] == ""
    assert widget.state["count"] == 1


def test_a_new_widget_on_the_same_file_goes_on(widget, tmp_path):
    send(widget, do="commit", number=1)
    again = ChartMatch(tmp_path / "log.csv")
    assert again.state["count"] == 1
    send(again, do="commit", number=1)  # nothing in hand
    assert "lacks" in again.state["trouble"]


def test_actions_that_overtake_one_another_are_put_in_order(widget):
    send(widget, do="word", column="ending", value="out", number=2)
    assert widget.state["count"] == 0
    send(widget, do="swap", number=1)
    assert widget.state["points"] == [1, 0]  # Hazel served, and out


def test_what_to_record_is_chosen_once(tmp_path):
    match = {"match": "m", "players": ("Rowan", "Hazel")}
    first = ChartMatch(tmp_path / "log.csv", **match, level="full", in_full="Rowan")
    assert (first.state["level"], first.state["in_full"], first.state["undos"]) == ("full", [0], 0)
    again = ChartMatch(tmp_path / "log.csv")
    assert (again.state["level"], again.state["in_full"], again.state["chosen"]) == (
        *("full", [0]),
        True,
    )
    both = ChartMatch(tmp_path / "log.csv", in_full=("Hazel", "Rowan"))
    assert both.state["in_full"] == [0, 1]
    with pytest.raises(DataError, match="use one of short, usual, full"):
        ChartMatch(tmp_path / "log.csv", level="all")


@pytest.mark.parametrize("video", ["https://example.org/a.mp4", "/etc/a.mp4", "../a.mp4"])
def test_a_video_is_below_the_folder_of_jupyterlab(tmp_path, video):
    with pytest.raises(DataError, match="below the folder"):
        ChartMatch(tmp_path / "log.csv", match="m", players=("Rowan", "Hazel"), video=video)


def test_nothing_in_the_browsers_files_points_elsewhere():
    for name in ("widget.js", "widget.css"):
        text = (FOLDER / name).read_text(encoding="utf-8")
        addresses = set(re.findall(r"(?:https?:)?//[\w.-]+\.[a-z]+[^\s\"'`]*", text))
        assert addresses <= {'http://www.w3.org/2000/svg";'} | {"http://www.w3.org/2000/svg"}
        assert "@import" not in text
        assert not re.search(r"^\s*import\s", text, flags=re.MULTILINE)


def test_the_browser_knows_every_action_of_the_key_table():
    script = (FOLDER / "widget.js").read_text(encoding="utf-8")
    for key in keys.ACTIONS:
        if key.group in ("video", "screen"):
            assert f'"{key.action}"' in script


def action(number, view="a"):
    return {"view": view, "number": number}


def come_in(order, actions):
    return [done["number"] for one in actions for done in order.take(one)]


@given(st.integers(0, 25).flatmap(lambda n: st.permutations(range(1, n + 1))))
def test_any_order_of_arrival_gives_the_order_made(numbers):
    assert come_in(InOrder(), map(action, numbers)) == sorted(numbers)


def test_views_do_not_wait_for_one_another():
    order = InOrder()
    assert order.take(action(2, "a")) == []
    assert order.take(action(1, "b")) == [action(1, "b")]
    assert order.take(action(1, "a")) == [action(1, "a"), action(2, "a")]


def test_an_action_is_done_once():
    assert come_in(InOrder(), [action(1), action(1), action(2), action(1)]) == [1, 2]


def test_a_lost_action_does_not_stop_the_rest():
    numbers = [n for n in range(1, 60) if n != 3]
    assert come_in(InOrder(), map(action, numbers)) == numbers
