"""Actions as the keys send them: the shot in hand, the rally's end, mending, undo."""

from __future__ import annotations

import json

import pandas as pd
import pytest

from sidewall.charting.chart import Chart
from sidewall.charting.hand import derived_choice, direction_of
from sidewall.charting.rows import finished_shots, problems_of
from sidewall.charting.store import Store
from sidewall.charting.view import LEVEL_TEXTS, ROWS_SHOWN, floor_view, setup_view, state_view
from sidewall.court import Court
from sidewall.court.floor import known_points
from sidewall.errors import DataError, LogError
from sidewall.log import check_log, read_shots, write_table
from sidewall.scale import from_parquet, write_partitions

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


def test_a_slip_off_the_floor_is_taken_to_its_edge_and_more_is_refused(desk):
    desk.do("commit")
    desk.click(-0.2, 10.0)
    fields = desk.chart.hand.fields
    assert (fields["x"], fields["y"], fields["gap_cm"]) == (0.0, 9.75, 0.0)
    for x, y, says in [(7.2, 5.0, "0.8 m beyond the right wall"), (1, -2, "beyond the front wall")]:
        with pytest.raises(DataError, match=says):
            desk.click(x, y)
    assert desk.chart.hand.fields == fields


def test_a_click_on_the_next_ball_waits_for_the_stroke_of_the_last(desk):
    desk.do("commit")
    desk.click(5.9, 8.3)
    with pytest.raises(DataError, match="Shot 2 lacks its stroke: key it, then click the next"):
        desk.click(0.5, 8.0)
    assert (len(desk.rows), desk.chart.hand.fields["x"]) == (1, 5.9)
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


def at_level(desk, level, **more):
    desk.do("settings", level=level, **more)
    desk.do("commit")  # the serve


def test_the_usual_level_asks_for_the_opponent_and_takes_set_for_granted(desk):
    at_level(desk, "usual")
    desk.click(5.9, 8.3)
    desk.key(*DRIVE)
    assert desk.chart.click == "opponent"
    desk.click(3.2, 5.5)
    assert desk.chart.click == "next"
    assert len(desk.rows) == 1
    desk.click(0.5, 8.0)
    row = desk.rows[1]
    assert (row["x"], row["opponent_x"], row["opponent_y"]) == (5.9, 3.2, 5.5)
    assert (row["balance"], row["gap_cm"]) == ("set", 50.0)
    desk.key(("balance", "stretched"), *DRIVE, ("ending", "tin"))
    assert desk.rows[2]["balance"] == "stretched"
    assert desk.rows[2]["opponent_x"] is None  # an ending takes the shot as it is
    assert desk.problems() == []


def test_the_full_level_takes_bounce_and_height_and_the_direction_follows(desk):
    at_level(desk, "full")
    desk.click(5.9, 8.3)
    desk.key(("stroke", "drive"))
    desk.click(3.2, 5.5)
    assert desk.chart.click == "bounce"
    desk.do("wall", z=2.345)
    desk.click(0.6, 7.5)
    assert desk.chart.click == "next"
    desk.click(0.5, 8.0)
    row = desk.rows[1]
    assert (row["bounce_x"], row["bounce_y"], row["wall_z"]) == (0.6, 7.5, 2.35)
    assert row["direction"] == "cross"
    desk.key(("stroke", "boast"))
    desk.click(3.2, 5.5)
    desk.click(5.0, 1.0)
    assert desk.chart.shown().get("direction") is None  # by way of the side wall
    with pytest.raises(DataError, match="not on the front wall"):
        desk.do("wall", z=9)


def test_the_right_button_is_a_volley_of_the_next_ball(desk):
    at_level(desk, "full")
    desk.click(5.9, 8.3)
    desk.key(*DRIVE)
    desk.click(3.2, 5.5)
    desk.click(4.4, 6.0, volley=True)  # met before its bounce, so there is none to click
    assert (len(desk.rows), desk.rows[1]["bounce_x"]) == (2, None)
    desk.key(*DRIVE, ("ending", "winner"))
    assert desk.rows[2]["contact"] == "volley"
    desk.click(0.5, 8.0, volley=True)  # the return of a serve that was not clicked
    desk.key(*DRIVE)
    desk.do("commit")
    assert [row["stroke"] for row in desk.rows[3:]] == ["serve", "drive"]
    assert desk.rows[4]["contact"] == "volley"
    assert desk.problems() == []


def test_what_a_click_means_can_be_chosen(desk):
    at_level(desk, "short")
    desk.click(5.9, 8.3)
    desk.do("aim", value="bounce")
    desk.click(5.8, 7.0)
    assert desk.chart.hand.fields["bounce_y"] == 7.0
    assert desk.chart.click == "next"
    with pytest.raises(DataError, match="cannot mean 'net'"):
        desk.do("aim", value="net")


def test_a_short_row_holds_the_gap_in_words_and_the_choice(desk):
    at_level(desk, "usual", in_full=["Rowan"])  # Hazel strikes next
    desk.do("row", gap_class="tight", choice="reset")
    assert desk.chart.click == "next"
    desk.click(0.5, 8.0)  # Rowan's, which takes it
    row = desk.rows[1]
    assert (row["player"], row["gap_class"], row["choice"]) == ("Hazel", "tight", "reset")
    assert [row[name] for name in ("side", "stroke", "gap_cm", "contact", "balance")] == [None] * 5
    with pytest.raises(DataError, match="lacks its stroke"):
        desk.do("row", gap_class="loose", choice="attack")  # Hazel's, before Rowan's is complete
    desk.key(*DRIVE)
    desk.do("row", gap_class="loose", choice="attack")
    assert (len(desk.rows), desk.rows[2]["stroke"]) == (3, "drive")
    desk.do("commit")
    with pytest.raises(DataError, match="Rowan is charted in full"):
        desk.do("row", gap_class="tight", choice="reset")
    desk.click(0.4, 8.0, volley=True)
    desk.key(*DRIVE)
    desk.click(3, 5)
    desk.click(6.0, 8.0)  # Hazel's: a click gives the gap in cm
    with pytest.raises(DataError, match="known in cm"):
        desk.do("row", gap_class="tight", choice="reset")
    with pytest.raises(DataError, match=r"lacks its choice \(attack or reset\)"):
        desk.do("commit")
    desk.key(("choice", "attack"), ("ending", "winner"))
    assert (desk.rows[5]["gap_cm"], desk.rows[5]["side"]) == (40.0, "backhand")


def test_settings_are_kept_and_undo_leaves_them_alone(desk, tmp_path):
    at_level(desk, "full", in_full=["Hazel"])
    desk.do("undo")
    assert desk.rows == ()
    with pytest.raises(DataError, match="nothing to undo"):
        desk.do("undo")
    again = Chart(Store(tmp_path / "log.csv", {})).table.settings
    assert (again.level, again.in_full) == ("full", ("Hazel",))
    for wrong, says in [
        ({"level": "all"}, "use one of short, usual, full"),
        ({"in_full": ["Alder"]}, "name Rowan or Hazel"),
        ({}, "Settings are"),
    ]:
        with pytest.raises(DataError, match=says):
            desk.do("settings", **wrong)


@pytest.fixture
def camera(study):
    return study.Camera()


def fit(desk, camera, order=(0, 1, 2, 3)):
    known = list(known_points(Court()).items())[:4]
    pixels = [camera.pixel(*place) for _, place in known]
    points = [
        {"name": name, "u": pixels[at][0], "v": pixels[at][1], "px": 2.0}
        for (name, _), at in zip(known, order, strict=True)
    ]
    desk.do("fit", points=points, frame=list(camera.frame))


def test_a_click_in_the_video_gives_the_place_and_says_how_good_it_is(desk, camera, tmp_path):
    desk.do("commit")
    u, v = camera.pixel(0.4, 7.0)
    with pytest.raises(DataError, match="set its four points first"):
        desk.do("place", u=u, v=v, px=2)
    fit(desk, camera)
    desk.do("place", u=u, v=v, px=2)
    fields = desk.chart.hand.fields
    assert (fields["x"], fields["y"], fields["gap_cm"]) == (0.4, 7.0, 40.0)
    assert "Good to ±" in desk.chart.message
    # By the camera's own geometry: 50 cm up is 0.5 / 4.2 of the way to the camera at x = 3.6.
    assert "50 cm up in the air makes the gap 38 cm too small" in desk.chart.message
    seen = floor_view(desk.chart.view)
    assert seen["errors"][0]["cm"] > seen["errors"][3]["cm"] > 0
    with pytest.raises(DataError, match="beyond the left wall"):
        desk.do("place", u=5, v=400, px=2)
    assert desk.chart.hand.fields == fields
    # The view survives a crash, and a second one that does not fit leaves it alone.
    again = Chart(Store(tmp_path / "log.csv", {}))
    assert again.view.place(u, v) == pytest.approx((0.4, 7.0))
    with pytest.raises(DataError, match="their lines cross"):
        fit(desk, camera, order=(1, 0, 2, 3))
    with pytest.raises(DataError, match="cannot be understood"):
        desk.do("fit", points=[{"name": "T"}] * 4, frame=[1, 2])
    desk.do("place", u=u, v=v, px=2, move=True)
    assert desk.chart.hand.fields == fields


def test_without_a_view_nothing_is_shown_of_it():
    assert floor_view(None) == {}


@pytest.mark.slow
def test_a_plain_shot_costs_what_is_said(study):
    table = study.cost()
    assert table["both"][0] <= 2.2
    for level, at in zip(LEVEL_TEXTS, range(3), strict=True):
        row = table.loc[at]
        assert (row["level"], row["in_full"]) == (level["name"], "both")
        assert level["costs"].startswith(f"{row['both']:.1f} clicks and keys a shot")
        assert f"some {row['minutes']:.0f} minutes" in level["costs"]


def test_what_is_charted_of_the_script_is_what_was_played(study, tmp_path):
    charter, _ = study.charted(tmp_path, "full")
    rows = charter.chart.table.rows
    assert problems_of(charter.chart.table.setup, rows, Court()) == []
    for row, shot in zip(rows, study.script(), strict=True):
        for name in ("side", "stroke", "contact", "choice", "ending"):
            held = row[name] if name != "choice" else row[name] or derived_choice(row)
            assert held == shot[name], (name, shot)
        if shot["stroke"] != "serve":
            for name in ("x", "y", "direction", "opponent_x", "wall_z", "bounce_y", "balance"):
                assert row[name] == shot[name], (name, shot)


def test_the_direction_follows_from_where_the_ball_goes():
    court = Court()

    def of(x, lands, stroke="drive"):
        return direction_of({"x": x, "stroke": stroke}, lands, court)

    assert (of(0.4, 0.5), of(0.4, 5.9), of(5.9, 6.2), of(5.9, 1.0)) == (
        *("straight", "cross"),
        *("straight", "cross"),
    )
    assert of(0.4, 2.4) is None  # perhaps a cross that was cut off
    assert of(0.4, 3.4) is None
    assert of(3.1, 0.5) is None
    assert of(0.4, 5.9, "boast") is None
    assert of(0.4, None) is None


def test_what_is_charted_in_short_comes_back_from_every_format(study, tmp_path):
    """The widget's log, written again as CSV, workbook, Parquet and Parquet in parts."""
    _, path = study.charted(tmp_path, "usual", "Rowan")
    check = check_log(path)
    refused = check.problems.drop_duplicates("line")
    assert check.rows_refused == len(refused) == 4  # the script stops within a rally
    assert refused["line"].max() == 61
    shots = check.shots
    short = shots["gap_class"].notna()
    assert set(shots.loc[short, "player"]) == {"Cedar"}
    assert short.sum() == (shots["player"].eq("Cedar") & shots["shot"].gt(1)).sum() > 10
    assert shots.loc[short, "choice"].notna().all()
    assert shots.loc[short, ["side", "stroke", "gap_m"]].isna().all(axis=None)
    for suffix in ("csv", "xlsx", "parquet"):
        again = read_shots(write_table(shots, tmp_path / f"again.{suffix}"))
        pd.testing.assert_frame_equal(again, shots)
    write_partitions(shots, tmp_path / "parts")
    part = from_parquet(tmp_path / "parts").read(0)
    for name in ("gap_class", "choice", "side", "gap_m"):
        assert part[name].astype(object).equals(shots[name].astype(object)), name
