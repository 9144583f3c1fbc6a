"""A click on the video's floor gives the place on court, with the error it carries."""

from __future__ import annotations

import numpy as np
import pytest

from sidewall.court import Court
from sidewall.court.floor import FloorView, floor_drawing, known_points
from sidewall.errors import DataError

COURT = Court()
ASKED = list(known_points(COURT))[:4]
CORNERS = ["front left corner", "front right corner", "back right corner", "back left corner"]


@pytest.fixture
def camera(study):
    return study.Camera()


def clicked(camera, names=ASKED, noise=None, px=2.0):
    known = known_points(COURT)
    points = []
    for at, name in enumerate(names):
        u, v = camera.pixel(*known[name])
        du, dv = (0, 0) if noise is None else noise[at]
        points.append({"name": name, "u": u + du, "v": v + dv, "px": px})
    return points


def view(camera, **more):
    return FloorView(clicked(camera, **more), camera.frame, COURT)


@pytest.mark.parametrize("names", [ASKED, CORNERS, [ASKED[0], "T", *CORNERS[2:]]])
@pytest.mark.parametrize("at", [(3.2, 14.0, 3.5), (1.0, 13.0, 5.0), (5.5, 16.0, 2.6)])
def test_places_come_back_from_a_pinhole_s_picture(study, names, at):
    camera = study.Camera(at=at)
    seen = view(camera, names=names)
    for x in (0.05, 1.6, 3.2, 6.3):
        for y in (0.3, 4.6, 9.4):
            assert seen.place(*camera.pixel(x, y)) == pytest.approx((x, y), abs=1e-6)
    assert seen.camera_m() == pytest.approx(at, abs=1e-3)


def test_a_homography_by_hand():
    # A square of 640 x 975 pixels is the court at 100 pixels a metre.
    corners = [(0, 0), (640, 0), (640, 975), (0, 975)]
    points = [
        {"name": n, "u": u, "v": v, "px": 1} for n, (u, v) in zip(CORNERS, corners, strict=True)
    ]
    flat = FloorView(points, (640, 975), COURT)
    assert flat.place(35, 500) == pytest.approx((0.35, 5.0))
    assert flat.to_picture @ [1, 2, 1] == pytest.approx([100, 200, 1])


def test_the_error_shown_is_the_error_made(camera):
    """Clicks scattered by 2 pixels: the true place lies within 1.96 errors 95 times in 100.

    Of 400 draws 380 are due; the binomial's standard deviation is 4.4, so 364 to 396 is 3.7 of
    them.
    """
    rng = np.random.default_rng(20)
    for x, y in [(0.4, 1.0), (6.0, 9.2)]:
        inside = 0
        u, v = camera.pixel(x, y)
        for _ in range(400):
            seen = view(camera, noise=rng.normal(0, 2, (4, 2)))
            du, dv = rng.normal(0, 2, 2)
            found, _ = seen.place(u + du, v + dv)
            error, _ = seen.error_m(u + du, v + dv, 2.0)
            inside += abs(found - x) <= 1.96 * error
        assert 364 <= inside <= 396


def test_the_farther_from_the_camera_the_larger_the_error(camera):
    seen = view(camera)
    errors = [seen.error_m(*camera.pixel(0.4, y), 2.0) for y in (1.0, 4.0, 7.0)]
    assert errors[0][1] > errors[1][1] > errors[2][1]
    assert errors[0][0] > errors[2][0]


def test_a_ball_in_the_air_misleads_by_what_is_said(camera):
    height = 0.5
    seen = view(camera)
    for x, y in [(0.4, 1.0), (5.9, 5.0)]:
        found = np.array(seen.place(*camera.pixel(x, y, height)))
        assert seen.lift_m(*found, height) == pytest.approx(found - [x, y], abs=1e-3)
    assert seen.lift_m(1.0, 1.0, 5.0) is None  # no ball above the camera is taken for granted


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda p: [p[1], p[0], p[2], p[3]], "their lines cross"),
        (lambda p: [p[1], p[0], p[3], p[2]], "mirror order"),
        (lambda p: [p[3], p[2], p[1], p[0]], "mirror order"),
        (lambda p: [p[1], p[2], p[3], p[0]], "turn the court round"),
        (lambda p: [p[2], p[3], p[0], p[1]], "turn the court round"),
        (lambda p: [(100 + 50 * at, 300 + 20 * at) for at in range(4)], "nearly on one line"),
        (lambda p: [p[0], p[0], p[2], p[3]], "nearly on one line"),
        (lambda p: [(float("nan"), 1), *p[1:]], "must be numbers"),
    ],
)
def test_four_clicks_that_do_not_settle_the_view_are_refused(camera, change, says):
    points = clicked(camera)
    places = change([(point["u"], point["v"]) for point in points])
    moved = [{**point, "u": u, "v": v} for point, (u, v) in zip(points, places, strict=True)]
    with pytest.raises(DataError, match=says):
        FloorView(moved, (1280, 720), COURT)


@pytest.mark.parametrize(
    ("names", "says"),
    [
        (["front left corner", "short line at the left wall", "back left corner", "T"], "one line"),
        ([*ASKED[:3], ASKED[0]], "Four different points"),
        (ASKED[:3], "Four different points"),
    ],
)
def test_four_points_that_do_not_settle_the_court_are_refused(camera, names, says):
    with pytest.raises(DataError, match=says):
        view(camera, names=names)


def test_an_unknown_point_and_the_sky_are_refused(camera):
    points = clicked(camera)
    with pytest.raises(DataError, match="no point 'net'"):
        FloorView([{**points[0], "name": "net"}, *points[1:]], (1280, 720), COURT)
    with pytest.raises(DataError, match="horizon"):
        view(camera).place(640, -2000)


def test_the_drawing_is_the_courts_own():
    court = Court.doubles()
    drawing = floor_drawing(court)
    short = next(line for line in drawing["lines"] if line["name"] == "short line")
    assert short["width"] == court.width_m == drawing["width"]
    assert short["y"] + short["depth"] == pytest.approx(court.length_m - court.short_line_m)
    box = next(line for line in drawing["lines"] if line["name"] == "left box, back")
    assert box["width"] == court.service_box_m
    points = {point["name"]: (point["x"], point["y"]) for point in drawing["points"]}
    # A known point on a line is in the middle of its paint.
    assert points["T"][1] == pytest.approx(short["y"] + short["depth"] / 2)
    assert points["left box, inner back corner"][1] == pytest.approx(box["y"] + box["depth"] / 2)
    assert drawing["wall"]["tin"] == court.tin_height_m
