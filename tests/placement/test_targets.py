import numpy as np
import pytest

from sidewall.court import Court, Rectangle
from sidewall.errors import DataError
from sidewall.placement import Circle, Target, court_targets, read_targets

TOML = """
[[target]]
name = "tight length"
x_m = [0.0, 0.4]
y_m = [7.2, 8.4]
strokes = ["drive"]
mirror = true

[[target]]
name = "coin"
centre_m = [3.2, 8]
radius_m = 0.25
"""


@pytest.fixture
def write(tmp_path):
    def write(text):
        path = tmp_path / "targets.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


def test_the_courts_own_lie_behind_the_box_and_in_the_corners():
    court = Court()
    targets = {target.name: target for target in court_targets(court)}
    back = targets["back left"].shape
    # service box back line: 9.75 - 4.26 + 1.60 + 0.05
    assert back == pytest.approx(Rectangle(0.0, 7.14, 0.8, 8.34))
    assert targets["back right"].shape == pytest.approx(Rectangle(5.6, 7.14, 6.4, 8.34))
    assert targets["front right"].shape == pytest.approx(Rectangle(5.6, 0.0, 6.4, 1.2))
    assert targets["back left"].strokes == ("drive", "lob")
    assert all(court.floor.contains(*target.aim_m) for target in targets.values())


def test_a_deep_target_ends_at_the_back_wall():
    assert court_targets(depth_m=5.0)[0].shape.y_max == 9.75


def test_contains_counts_edges_and_no_missing_points():
    target = court_targets()[0]
    x, y = np.array([0.0, 0.8, 0.81, np.nan, 0.4]), np.array([7.14, 8.34, 8.0, 8.0, np.nan])
    assert target.contains(x, y).tolist() == [True, True, False, False, False]
    disc = Target("coin", Circle(1.0, 2.0, 0.5))
    assert disc.contains([1.5, 1.0, 1.36], [2.0, 2.6, 2.36]).tolist() == [True, False, False]


def test_mirrored_twice_is_itself():
    court = Court()
    for target in court_targets(court):
        back = target.mirrored(court, "x").mirrored(court, target.name)
        assert back.shape == pytest.approx(target.shape)
        assert (back.wall, back.strokes) == (target.wall, target.strokes)


def test_own_targets_from_toml(write):
    left, right, coin = read_targets(write(TOML))
    assert (left.name, right.name) == ("tight length left", "tight length right")
    assert (left.wall, right.wall) == ("left", "right")
    assert right.shape == pytest.approx(Rectangle(6.0, 7.2, 6.4, 8.4))
    assert coin.shape == Circle(3.2, 8.0, 0.25)
    assert coin.wall is None


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("[[target]]", "[[aim]]"), "there is no target"),
        (('name = "coin"', 'name = ""'), "target 2: it has no name"),
        (("radius_m = 0.25", ""), "either x_m and y_m"),
        (("radius_m = 0.25", "radius_m = 0.25\nx_m=[0, 1]\ny_m=[0, 1]"), "either x_m and y_m"),
        (("radius_m = 0.25", "radius_m = 0"), "has no size"),
        (("x_m = [0.0, 0.4]", "x_m = [0.4, 0.0]"), "the smaller number first"),
        (("x_m = [0.0, 0.4]", "x_m = [0.0]"), "write 2 number"),
        (("centre_m = [3.2, 8]", "centre_m = [320, 800]"), "off the court"),
        (('strokes = ["drive"]', 'strokes = ["smashing"]'), "'smashing' is no stroke"),
        (('strokes = ["drive"]', 'strokes = "drive"'), "as a list"),
        (("mirror = true", "miror = true"), "'miror' is not known"),
        (("mirror = true", 'wall = "back"'), "use left or right"),
        (('name = "coin"', 'name = "tight length left"'), "two targets are called"),
        (("[[target]]", "[[target"), "no valid TOML"),
    ],
)
def test_what_is_wrong_is_named(write, change, words):
    with pytest.raises(DataError, match=words.replace("[", r"\[")):
        read_targets(write(TOML.replace(*change)))


def test_a_missing_file_is_named(tmp_path):
    with pytest.raises(DataError, match=r"none\.toml"):
        read_targets(tmp_path / "none.toml")
