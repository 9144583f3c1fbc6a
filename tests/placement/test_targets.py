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


@pytest.mark.parametrize("shape", [Circle(1.2, 4.0, 1.0), Rectangle(0.5, 1.0, 2.5, 6.0)])
@pytest.mark.parametrize("wall", ["left", "right", None])
def test_a_mirror_holds_what_lies_as_far_from_the_other_wall(shape, wall):
    court = Court(width_m=6.0)
    one = Target("one", shape, ("drive", "lob"), wall)
    other = one.mirrored(court, "two")
    rng = np.random.default_rng(1)
    x, y = rng.uniform(0, 6.0, 500), rng.uniform(0, 9, 500)
    assert 0 < one.contains(x, y).sum() < 500
    assert (other.contains(6.0 - x, y) == one.contains(x, y)).all()
    assert (other.name, other.strokes) == ("two", one.strokes)
    assert other.wall == {"left": "right", "right": "left", None: None}[wall]
    assert other.aim_m == pytest.approx((6.0 - one.aim_m[0], one.aim_m[1]))
    assert type(other.shape) is type(shape)


@pytest.mark.parametrize(
    ("x", "wall", "names"),
    [(0.6, None, ["cone left", "cone right"]), (3.2, None, ["cone right", "cone left"]),
     (3.1, None, ["cone left", "cone right"]), (0.6, "right", ["cone right", "cone left"])],
)  # fmt: skip
def test_which_side_is_told_by_the_middle_unless_a_wall_is_named(write, x, wall, names):
    text = f'[[target]]\nname = "cone"\ncentre_m = [{x}, 8.2]\nradius_m = 0.3\nmirror = true\n'
    found = read_targets(write(text + (f'wall = "{wall}"' if wall else "")))
    assert [one.name for one in found] == names
    assert [one.wall for one in found] == [name.split()[1] for name in names]
    assert found[0].shape == Circle(x, 8.2, 0.3)
    assert found[1].shape == pytest.approx(Circle(6.4 - x, 8.2, 0.3))
    alone = read_targets(write(text.replace("true", "false")))
    assert [(one.name, one.wall, one.strokes) for one in alone] == [("cone", None, ())]


def test_corners_of_ones_own_size():
    four = court_targets(width_m=1.0, depth_m=2.0)
    back, front = Rectangle(0.0, 7.14, 1.0, 9.14), Rectangle(0.0, 0.0, 1.0, 2.0)
    shapes = [back, Rectangle(5.4, 7.14, 6.4, 9.14), front, Rectangle(5.4, 0.0, 6.4, 2.0)]
    for one, shape in zip(four, shapes, strict=True):
        assert one.shape == pytest.approx(shape)
    assert [one.wall for one in four] == ["left", "right"] * 2
    assert [one.strokes for one in four] == [("drive", "lob")] * 2 + [("drop", "kill")] * 2
    small = court_targets(Court(width_m=6.0))
    assert small[1].shape.x_max == pytest.approx(6.0)
    for size in ({"width_m": 6.5}, {"depth_m": 9.8}, {"depth_m": 0.0}):
        with pytest.raises(DataError, match=next(iter(size))):
            court_targets(**size)


@pytest.mark.parametrize(
    ("shape", "options", "words"),
    [
        ((0, 0, 1), {}, "give a Rectangle or a Circle"),
        (Circle(1.0, np.nan, 1.0), {}, "a number of metres"),
        (Circle(1.0, "2", 1.0), {}, "a number of metres"),
        (Circle(1.0, 2.0, -0.1), {}, "has no size"),
        (Rectangle(0.0, 1.0, 1.0, 1.0), {}, "has no size"),
        (Circle(1, 2, 1), {"strokes": ("drive", "flik")}, "'flik' is no stroke"),
        (Circle(1, 2, 1), {"wall": "front"}, "use left or right"),
    ],
)
def test_what_is_no_target(shape, options, words):
    with pytest.raises(DataError, match=words):
        Target("one", shape, **options)
