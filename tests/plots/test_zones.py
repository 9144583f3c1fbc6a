from __future__ import annotations

import numpy as np
import pytest
from matplotlib.colors import to_hex

from sidewall.court.zones import Zones
from sidewall.errors import DataError
from sidewall.features.shots import shot_features
from sidewall.features.zones import zone_features
from sidewall.plots.style import value_map
from sidewall.plots.zones import plot_zone_map


def words(ax):
    return [t.get_text() for t in ax.texts]


def words_in(ax, rectangle):
    inside = []
    for text in ax.texts:
        x, y = text.get_position()
        if text.get_transform() == ax.transData and rectangle.contains(x, y):
            inside.append(text.get_text())
    return inside


def patch_of(ax, rectangle):
    for patch in ax.patches:
        if patch.get_zorder() == 1 and patch.get_xy() == (rectangle.x_min, rectangle.y_min):
            assert patch.get_width() == pytest.approx(rectangle.width)
            assert patch.get_height() == pytest.approx(rectangle.depth)
            return patch
    raise AssertionError("zone not drawn")


@pytest.mark.parametrize(
    ("value", "low", "high", "n", "unit"),
    [
        ("win_rate", "win_rate_low", "win_rate_high", "decided", "%"),
        ("attack_share", "attack_share_low", "attack_share_high", "choices", "%"),
        ("share", "share_low", "share_high", "n_shots", "%"),
        ("gap_m", "gap_q1_m", "gap_q3_m", "n_shots", " cm"),
    ],
)
def test_each_zone_says_value_interval_and_n(placed_log, value, low, high, n, unit):
    ax = plot_zone_map(placed_log, "Rowan", value)
    table = zone_features(placed_log, by=["player", "depth", "lane"])
    table = table[table["player"] == "Rowan"].set_index(["depth", "lane"])
    assert len(table) == 3
    for key, rectangle in Zones().rectangles().items():
        said = words_in(ax, rectangle)
        if key in table.index:
            row = table.loc[key]
            assert said == [
                f"{100 * row[value]:.0f}{unit}",
                f"{100 * row[low]:.0f}–{100 * row[high]:.0f}{unit}",
                f"n = {row[n]}",
            ]
            assert not patch_of(ax, rectangle).get_hatch()
        else:
            assert said == ["too few", "n = 0"]
            assert patch_of(ax, rectangle).get_hatch()


def test_colour_follows_the_value(placed_log):
    ax = plot_zone_map(placed_log, "Rowan", "gap_m")
    zones = Zones().rectangles()
    tight, loose = (
        to_hex(patch_of(ax, zones[key]).get_facecolor())
        for key in (("front", "left"), ("middle", "centre"))
    )
    # Medians of about 0.3 m and 2.0 m span the colour limits.
    steps = [to_hex(c) for c in value_map()(np.linspace(0, 1, 256))]
    assert steps.index(tight) < 30
    assert steps.index(loose) > 225


def test_few_shots_are_hatched(placed_log):
    ax = plot_zone_map(placed_log, "Rowan", min_shots=31)
    assert words(ax).count("too few") == 9
    assert "n = 30" in words(ax)


def test_title_and_note(placed_log):
    ax = plot_zone_map(placed_log, "Hazel", level=0.9)
    assert ax.get_title(loc="left") == "Hazel: rallies won"
    assert "n = 90 shots, serves left out; small figures: 90% interval" in words(ax)


def test_shots_without_a_place_are_counted(placed_log):
    placed_log.loc[placed_log.index[-8:], "y_m"] = np.nan
    ax = plot_zone_map(placed_log, "Rowan")
    assert any("3 more shots have no known zone" in text for text in words(ax))


def test_lanes_from_side_and_hand_where_no_place_is_logged(placed_log):
    ax = plot_zone_map(placed_log.drop(columns=["x_m", "y_m"]), "Rowan", "share")
    zones = Zones().rectangles()
    whole = zones["front", "left"]._replace(y_max=9.75)
    assert words_in(ax, whole)[2] == "n = 30"  # backhands: left wall of a right-hander
    patch_of(ax, whole)


def test_no_place_and_no_hand_is_an_error_with_the_mend(placed_log):
    with pytest.raises(DataError, match=r"x_m and y_m.*hand"):
        plot_zone_map(placed_log.drop(columns=["x_m", "y_m", "hand"]), "Rowan")


def test_unknown_player_and_value(placed_log):
    with pytest.raises(DataError, match=r"'Yew'.*Rowan"):
        plot_zone_map(placed_log, "Yew")
    with pytest.raises(DataError, match="win_rate, attack_share"):
        plot_zone_map(placed_log, "Rowan", "speed")


def test_feature_rows_and_own_boundaries(placed_log):
    f = shot_features(placed_log)
    ax = plot_zone_map(f[f["player"] == "Rowan"], "Rowan", court=Zones(back_begins_m=9.2))
    rectangles = Zones(back_begins_m=9.2).rectangles()
    # Struck at y = 9.0: no longer at the back.
    assert words_in(ax, rectangles["middle", "right"])[-1] == "n = 30"
    assert words_in(ax, rectangles["back", "right"]) == ["too few", "n = 0"]


def test_labels_do_not_overlap(placed_log):
    ax = plot_zone_map(placed_log, "Rowan")
    figure = ax.get_figure()
    figure.canvas.draw()
    boxes = [t.get_window_extent() for t in [*ax.texts, ax.title] if t.get_text()]
    for i, a in enumerate(boxes):
        for b in boxes[i + 1 :]:
            assert not a.overlaps(b)
    width = figure.bbox.width
    assert all(b.x0 >= 0 and b.x1 <= width for b in boxes)
