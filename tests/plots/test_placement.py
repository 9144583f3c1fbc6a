import numpy as np
import pandas as pd
import pytest
from matplotlib.patches import Circle as Disc
from matplotlib.patches import Polygon

import sidewall as sw
from sidewall.errors import DataError
from sidewall.placement import Circle, Target
from sidewall.plots.front_wall_hits import _across

CELL = ("Rowan", "drop", "forehand")


@pytest.fixture(scope="module")
def shots():
    """Rowan's drops: straight from the front left, heights and bounces known."""
    rng = np.random.default_rng(5)
    n = 320
    z = rng.normal(0.72, 0.15, n)
    in_tin = z < 0.48
    won = ~in_tin & (rng.random(n) < 1 / (1 + np.exp(4 * (z - 0.8))))
    ending = np.where(in_tin, "tin", None)
    frame = pd.DataFrame(
        {
            "match": np.where(np.arange(n) % 2, "one", "two"),
            "player": np.where(np.arange(n) < 220, "Rowan", "Hazel"),
            "shot": 2,
            "rally_id": np.arange(n),
            "side": "forehand",
            "stroke": "drop",
            "direction": "straight",
            "gap_m": 0.5,
            "x_m": 5.9,
            "y_m": 2.0,
            "bounce_x_m": np.where(in_tin, np.nan, 6.4 - np.abs(rng.normal(0.3, 0.3, n))),
            "bounce_y_m": np.where(in_tin, np.nan, np.abs(rng.normal(0.9, 0.4, n))),
            "wall_z_m": z,
            "ending": ending,
            "won": won.astype(float),
        }
    )
    wall = pd.Categorical(["right"] * n, ["left", "right"])
    return frame.assign(family="ground", depth="front", lane="right", wall=wall)


@pytest.fixture(scope="module")
def margin(shots):
    return sw.TinMargin().fit(shots)


def texts(ax):
    return " ".join(text.get_text() for text in ax.texts)


def test_every_bounce_is_drawn_once(shots):
    ax = sw.plot_placement(shots, "Rowan", "front right")
    own = shots[(shots["player"] == "Rowan") & shots["bounce_x_m"].notna()]
    drawn = np.concatenate([np.asarray(dots.get_offsets()) for dots in ax.collections])
    assert sorted(map(tuple, drawn)) == sorted(
        zip(own["bounce_x_m"], own["bounce_y_m"], strict=True)
    )
    (ellipse,) = [patch for patch in ax.patches if isinstance(patch, Polygon)]
    assert ellipse.get_linestyle() != "-"
    assert "n = 220 shots" in texts(ax)
    assert ax.get_title(loc="left") == "Rowan: drop and kill to front right"


def test_few_bounces_have_no_ellipse(shots):
    ax = sw.plot_placement(shots.head(6), "Rowan", "front right")
    assert not [patch for patch in ax.patches if isinstance(patch, Polygon)]


def test_a_disc_is_drawn_as_one(shots):
    coin = Target("coin", Circle(6.0, 0.8, 0.4), ("drop",))
    ax = sw.plot_placement(shots, "Rowan", "coin", targets=[coin])
    discs = [patch for patch in ax.patches if isinstance(patch, Disc)]
    assert {(*disc.center, disc.radius) for disc in discs} == {(6.0, 0.8, 0.4)}


def test_a_drill_is_drawn():
    frame = pd.DataFrame(
        {"session": "a", "target": "back left", "bounce_x": [0.2, 0.3, 0.9, 0.5], "bounce_y": 7.7}
    )
    frame.loc[1, "bounce_y"] = 8.1
    balls = sw.read_practice(frame)
    ax = sw.plot_practice(balls, "back left")
    assert "on target 75 in 100" in texts(ax)
    assert "n = 4 balls" in texts(ax)
    with pytest.raises(DataError, match="no target of the court"):
        sw.plot_practice(balls, "middle")
    with pytest.raises(DataError, match="the log has back left"):
        sw.plot_practice(balls, "back right")


def test_hits_stand_where_the_mirror_says():
    row = {"x_m": [1.0], "y_m": [6.0], "bounce_x_m": [4.0], "bounce_y_m": [3.0]}
    # Two thirds of the way from the contact to the bounce behind the wall.
    assert _across(pd.DataFrame(row), sw.Court()) == pytest.approx([3.0])


def test_the_wall_shows_heights_and_counts_the_tin(margin, shots):
    ax = sw.plot_front_wall_hits(margin, "Rowan", "drop")
    own = shots[shots["player"] == "Rowan"]
    tins = int((own["ending"] == "tin").sum())
    assert f"{tins} of 220 in the tin" in texts(ax)
    drawn = np.concatenate([np.asarray(dots.get_offsets()) for dots in ax.collections])
    assert len(drawn) == 220 - tins
    assert drawn[:, 1].min() >= 0.48
    with pytest.raises(DataError, match="Known strokes: drop"):
        sw.plot_front_wall_hits(margin, "Rowan", "lob")


def test_the_aim_curve_says_what_the_table_says(margin):
    ax = sw.plot_aim(margin, *CELL)
    row = margin.best("Rowan", tin_heights_m=[0.48]).iloc[0]
    assert row["status"] == "best height"
    answer = f"best {100 * row['best_m']:.0f} cm ({100 * row['best_low_m']:.0f} to"
    assert answer in texts(ax)
    assert "n = 220 heights" in texts(ax)
    assert len(ax.lines) >= 4


def test_an_aim_that_is_not_known_is_not_drawn(shots):
    rng = np.random.default_rng(1)
    flat = sw.TinMargin().fit(shots.assign(won=(rng.random(len(shots)) < 0.5).astype(float)))
    ax = sw.plot_aim(flat, *CELL, tin_heights_m=[0.48])
    assert "not known yet" in texts(ax) or "no gain" in texts(ax)
    assert not [line for line in ax.lines if line.get_marker() == "o"]


def test_the_worth_of_a_gap_is_the_models_curve():
    shots = sw.read_shots(sw.simulate.synthetic_data_folder() / "ladder.csv").head(2500)
    whole = shots["rally_won_by"].notna() | shots["ending"].notna()
    shots = shots.iloc[: int(np.flatnonzero(whole)[-1]) + 1]
    worth = sw.PlacementWorth().fit(shots)
    player = worth.players_[0]
    ax = sw.plot_worth(worth, player)
    table = worth.curves(player)
    assert ax.lines[0].get_ydata() == pytest.approx(table["opponent_attacks"].to_numpy())
    assert ax.lines[1].get_ydata() == pytest.approx(table["wins"].to_numpy())
    assert f"n = {len(worth._met(player)):,} shots" in texts(ax)
    assert "(m)" in sw.plot_worth(worth, of="depth").get_xlabel()
    with pytest.raises(DataError, match="Targets played to"):
        sw.plot_placement(shots, player, "nowhere")


def test_the_ellipse_ends_at_the_walls_and_hits_differ_from_misses_in_grey(shots):
    ax = sw.plot_placement(shots, "Rowan", "front right")
    (ellipse,) = [one for one in ax.patches if one.get_label() == "_ellipse"]
    clip = ellipse.get_clip_box()
    floor = ax.transData.transform([(0.0, 0.0), (6.4, 9.75)])
    assert sorted((clip.x0, clip.x1)) == pytest.approx(sorted(floor[:, 0]))
    assert sorted((clip.y0, clip.y1)) == pytest.approx(sorted(floor[:, 1]))
    faces = {dots.get_label(): dots.get_facecolor()[0][:3] for dots in ax.collections}
    # shares of red, green and blue in a grey: ITU-R Recommendation BT.709
    grey = {name: np.dot(face, (0.2126, 0.7152, 0.0722)) for name, face in faces.items()}
    assert abs(grey["on target"] - grey["off target"]) > 0.15
