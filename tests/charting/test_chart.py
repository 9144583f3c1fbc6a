"""Actions as the keys send them: the shot in hand, the rally's end, mending, undo."""

from __future__ import annotations

import json

import pytest

from sidewall.charting.chart import Chart
from sidewall.charting.floor import floor_drawing
from sidewall.charting.rows import finished_shots, problems_of
from sidewall.charting.store import Store
from sidewall.charting.view import ROWS_SHOWN, setup_view, state_view
from sidewall.court import Court
from sidewall.errors import DataError, LogError

MATCH = {
    "match": "Rowan v Hazel",
    "players": ("Rowan", "Hazel"),
    "hands": {"Rowan": "right", "Hazel": "left"},
}


class Desk:
    """A chart with short names for its actions."""

    def __init__(self, folder):
        self.chart = Chart(Store(folder / "log.csv", MATCH))
        self.time = 0.0

    def click(self, x, y, **more):
        self.time += 1.5
        self.chart.act({"do": "place", "x": x, "y": y, "t": self.time, **more})

    def key(self, *words):
        for column, word in words:
            self.chart.act({"do": "word", "column": column, "value": word, "t": self.time})

    def do(self, name, **more):
        self.chart.act({"do": name, "t": self.time, **more})

    @property
    def rows(self):
        return self.chart.table.rows

    def problems(self):
        return problems_of(self.chart.table.setup, self.rows, self.chart.court)

    def state(self):
        return state_view(self.chart, self.problems())


@pytest.fixture
def desk(tmp_path):
    return Desk(tmp_path)


DRIVE = (("stroke", "drive"), ("direction", "straight"))


def test_a_rally_by_clicks_and_keys(desk):
    desk.click(1.0, 6.5)
    desk.click(5.9, 8.3)
    desk.key(*DRIVE)
    desk.click(0.4, 8.0)
    desk.key(("stroke", "drop"), ("contact", "volley"), ("ending", "winner"))
    serve, drive, drop = desk.rows
    assert (serve["stroke"], serve["side"], serve["gap_cm"], serve["t"]) == (
        "serve",
        "forehand",
        None,
        1.5,
    )
    assert (drive["player"], drive["gap_cm"], drive["contact"]) == ("Hazel", 50.0, "after_bounce")
    assert drive["side"] == "backhand"  # a left-hander on the right wall
    assert (drop["side"], drop["contact"], drop["rally_won_by"]) == ("backhand", "volley", "Rowan")
    assert desk.problems() == []
    assert desk.state()["points"] == [1, 0]
    assert "Rally to Rowan" in desk.chart.message


def test_the_gap_is_to_the_nearer_wall_and_moves_the_ball_when_typed(desk):
    desk.do("commit")
    desk.click(6.0, 8.0)
    assert desk.chart.hand.fields["gap_cm"] == 40.0
    desk.do("gap", cm="35.5")
    assert desk.chart.hand.fields["gap_cm"] == 35.5
    assert desk.chart.hand.fields["x"] == 6.04
    desk.do("gap", cm="")
    assert "gap_cm" not in desk.chart.hand.fields
    with pytest.raises(DataError, match="type a number"):
        desk.do("gap", cm="wide")


def test_a_click_off_the_floor_is_taken_to_its_edge(desk):
    desk.do("commit")
    desk.click(-0.2, 12.0)
    fields = desk.chart.hand.fields
    assert (fields["x"], fields["y"], fields["gap_cm"]) == (0.0, 9.75, 0.0)


def test_a_click_moves_the_ball_until_the_shot_is_complete(desk):
    desk.do("commit")
    desk.click(5.9, 8.3)
    desk.click(5.5, 8.3)  # no stroke yet
    assert len(desk.rows) == 1
    assert desk.chart.hand.fields["x"] == 5.5
    desk.key(*DRIVE)
    desk.click(5.7, 8.3, move=True)
    assert len(desk.rows) == 1
    desk.click(0.5, 8.0)
    assert len(desk.rows) == 2
    assert desk.rows[1]["x"] == 5.7


def test_the_ball_can_be_placed_without_the_mouse(desk):
    desk.do("commit")
    desk.do("nudge", dx=10, dy=0)
    desk.do("nudge", dx=0, dy=-10)
    court = Court()
    assert desk.chart.hand.fields["x"] == pytest.approx(court.t_m[0] + 0.1, abs=0.006)
    assert desk.chart.hand.fields["y"] == pytest.approx(court.t_m[1] - 0.1, abs=0.011)


def test_a_shot_that_lacks_something_is_not_taken(desk):
    desk.do("commit")
    desk.key(("stroke", "drive"))
    with pytest.raises(DataError, match="lacks its side and place"):
        desk.do("commit")
    assert len(desk.rows) == 1


def test_an_ending_may_follow_the_last_shot(desk):
    desk.do("commit")
    desk.click(0.5, 8.0)
    desk.key(("side", "backhand"), *DRIVE)
    desk.do("commit")
    desk.key(("ending", "tin"))
    assert len(desk.rows) == 2
    assert desk.rows[-1]["rally_won_by"] == "Rowan"


@pytest.mark.parametrize("in_hand", [True, False])
def test_a_stroke_asks_to_whom(desk, in_hand):
    desk.do("commit")
    desk.click(0.5, 8.0)
    desk.key(("side", "backhand"), *DRIVE)
    if not in_hand:
        desk.do("commit")
    desk.key(("ending", "stroke"))
    assert "To whom" in desk.chart.message
    assert desk.rows[-1]["ending"] is None
    desk.do("won_by", value="1")
    assert (desk.rows[-1]["ending"], desk.rows[-1]["rally_won_by"]) == ("stroke", "Hazel")
    assert len(desk.rows) == 2
    assert desk.problems() == []


def test_a_serve_that_ends_the_rally_is_one_row(desk):
    desk.key(("ending", "out"))
    assert [(row["stroke"], row["rally_won_by"]) for row in desk.rows] == [("serve", "Hazel")]
    assert desk.problems() == []


def test_the_same_key_again_takes_the_word_away(desk):
    desk.do("commit")
    desk.key(("balance", "set"))
    desk.key(("balance", "set"))
    assert "balance" not in desk.chart.hand.fields


def test_undo_takes_back_fields_then_rows(desk):
    desk.do("commit")
    desk.click(0.5, 8.0)
    desk.key(("stroke", "drive"))
    desk.do("undo")
    assert "stroke" not in desk.chart.hand.fields
    desk.do("undo")
    assert desk.chart.hand.fields == {}
    desk.do("undo")
    assert desk.rows == ()
    desk.do("redo")
    assert len(desk.rows) == 1
    desk.click(0.5, 8.0)
    desk.do("clear")
    assert desk.chart.hand.fields == {}


def test_an_earlier_row_is_mended(desk):
    desk.do("commit")
    desk.click(0.5, 8.0)
    desk.key(("side", "backhand"), *DRIVE)
    desk.do("commit")
    desk.do("select", value="-1")
    desk.key(("stroke", "lob"))
    desk.do("gap", cm="400")
    assert desk.rows[1]["stroke"] == "lob"
    problem = desk.problems()[0]
    assert problem.row == 1
    assert "never farther than 3.2 m" in problem.text
    assert desk.state()["rows"][1]["problems"] == [problem.text]
    desk.do("undo")
    assert desk.problems() == []
    desk.do("select", value="0")
    assert desk.chart.selected is None
    desk.do("select", row=0)
    assert desk.chart.selected == 0
    desk.do("undo")
    desk.do("undo")
    desk.do("undo")
    assert desk.chart.selected is None


def test_the_readers_rules_are_used_on_the_open_rally_too(desk):
    desk.do("commit")
    desk.click(0.5, 8.0)
    desk.key(("side", "backhand"), ("stroke", "serve"))
    desk.do("commit")
    assert [problem.text for problem in desk.problems()] == [
        "stroke: a serve within a rally; begin a new rally, or mend the stroke."
    ]
    desk.do("undo")
    desk.time = 0.0  # the video was wound back
    desk.chart.act({"do": "place", "x": 0.5, "y": 8.0, "t": -3})
    desk.key(("side", "backhand"), *DRIVE)
    desk.do("commit")
    assert any("time" in problem.text for problem in desk.problems())


def test_a_problem_of_the_whole_log_is_said(desk):
    desk.do("commit")
    for _ in range(31):
        desk.click(0.01, 8.0)
        desk.key(("side", "backhand"), *DRIVE)
    desk.do("commit")
    (problem,) = desk.problems()
    assert problem.row is None
    assert "probably in metres" in problem.text
    assert desk.state()["whole"] == [problem.text]


def test_finished_rallies_come_as_the_readers_table(desk):
    with pytest.raises(LogError, match="No rally has ended"):
        finished_shots(desk.chart.table.setup, desk.rows, desk.chart.court)
    desk.key(("ending", "out"))
    desk.do("commit")
    shots = finished_shots(desk.chart.table.setup, desk.rows, desk.chart.court)
    assert len(desk.rows) == 2
    assert shots["ending"].tolist() == ["out"]


@pytest.mark.parametrize(
    ("action", "says"),
    [
        ({"do": "fly"}, "no action 'fly'"),
        ({"do": "word", "column": "gap_cm", "value": 3}, "no column 'gap_cm'"),
        ({"do": "place", "x": 1}, "y is missing"),
        ({"do": "place", "x": 1, "y": "nan"}, "type a number"),
        ({"do": "time", "t": None}, "No video is open"),
        ({"do": "won_by", "value": "0"}, "how the rally ended first"),
        ({"do": "won_by", "value": "2"}, "give 0 or 1"),
        ({"do": "undo"}, "nothing to undo"),
        ({"do": "redo"}, "nothing to do again"),
    ],
)
def test_an_action_that_does_not_fit_changes_nothing(desk, action, says):
    with pytest.raises(DataError, match=says):
        desk.chart.act(action)
    assert desk.rows == ()


def test_what_the_browser_gets_is_plain_and_short(desk):
    for _ in range(9):
        desk.key(("ending", "out"))
    view = json.loads(json.dumps([setup_view(desk.chart, ""), desk.state()]))
    assert len(view[1]["rows"]) == ROWS_SHOWN
    assert view[1]["rows"][-1]["at"] == 8
    desk.do("select", row=1)
    assert desk.state()["rows"][0]["at"] == 0


def test_the_drawing_is_the_courts_own():
    court = Court.doubles()
    drawing = floor_drawing(court)
    short = next(line for line in drawing["lines"] if line["name"] == "short line")
    assert short["width"] == court.width_m == drawing["width"]
    assert short["y"] + short["depth"] == pytest.approx(court.length_m - court.short_line_m)
    box = next(line for line in drawing["lines"] if line["name"] == "left box, back")
    assert box["width"] == court.service_box_m
