from __future__ import annotations

import itertools
import subprocess
import sys

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib import pyplot as plt
from matplotlib.colors import to_rgb

from sidewall.errors import UnitError
from sidewall.plots import style
from sidewall.plots.style import format_gap_axis


def lightness(colour):
    y = style.luminance(colour)
    return 116 * np.cbrt(y) - 16 if y > 0.008856 else 903.3 * y


# Machado, Oliveira & Fernandes 2009, IEEE Transactions on Visualization and Computer Graphics
# 15:1291-1298, severity 1.0; acts on linear sRGB.
DEFICIENCY = {
    "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
               [-0.003882, -0.048116, 1.051998]],
    "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
               [-0.011820, 0.042940, 0.968881]],
    "tritan": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602],
               [0.004733, 0.691367, 0.303900]],
}  # fmt: skip


def seen_lab(colour, deficiency):
    rgb = np.array(to_rgb(colour))
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    linear = np.clip(np.array(DEFICIENCY[deficiency]) @ linear, 0, 1)
    to_xyz = np.array(
        [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750],
         [0.0193339, 0.1191920, 0.9503041]]
    )  # fmt: skip
    t = to_xyz @ linear / np.array([0.95047, 1.0, 1.08883])
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


PAIRS = [(style.ATTACK, style.RESET), (style.FOREHAND, style.BACKHAND)]


@pytest.mark.parametrize("pair", PAIRS)
def test_pairs_differ_in_grey_and_to_colour_blind_eyes(pair):
    assert abs(lightness(pair[0]) - lightness(pair[1])) > 25
    for deficiency in DEFICIENCY:
        a, b = (seen_lab(colour, deficiency) for colour in pair)
        assert np.linalg.norm(a - b) > 30


@pytest.mark.parametrize("styles", [style.CHOICE_STYLE, style.SIDE_STYLE])
def test_lines_of_a_pair_differ_without_colour(styles):
    for a, b in itertools.combinations(styles.values(), 2):
        assert a["linestyle"] != b["linestyle"]
        assert a["marker"] != b["marker"]


def test_every_line_colour_stands_out_from_the_paper():
    # 3:1 for graphical objects: Web Content Accessibility Guidelines 2.1, 1.4.11.
    for colour in (*itertools.chain(*PAIRS), style.THRESHOLD, style.MUTED):
        ratio = 1.05 / (style.luminance(colour) + 0.05)
        assert ratio > 3.0


def test_value_map_falls_evenly_in_lightness_and_carries_dark_text():
    colours = style.value_map()(np.linspace(0, 1, 33))
    steps = np.diff([lightness(c) for c in colours])
    assert (steps < 0).all()
    assert np.ptp(steps) < 0.35 * abs(steps.mean())
    for colour in colours:
        assert style.text_on(colour) == style.INK
        assert (style.luminance(colour) + 0.05) / (style.luminance(style.INK) + 0.05) > 4.5
    assert style.text_on(style.RESET) == style.PAPER


def test_settings_are_left_alone():
    before = dict(mpl.rcParams)
    with style.look():
        assert mpl.rcParams["figure.dpi"] == style.DPI
    style.dress(style.new_axes())
    assert dict(mpl.rcParams) == before


def test_import_changes_no_setting():
    code = (
        "import matplotlib as m; b = dict(m.rcParams); import sidewall.plots.style, "
        "sidewall.plots.court, sidewall.plots.zones; assert dict(m.rcParams) == b"
    )
    subprocess.run([sys.executable, "-c", code], check=True, env={"PYTHONPATH": ":".join(sys.path)})


def test_a_notebook_stays_interactive_after_its_first_picture(tmp_path):
    # As a notebook's backend does when it is loaded.
    (tmp_path / "like_a_notebook.py").write_text(
        "import matplotlib\nfrom matplotlib.backends.backend_agg import FigureCanvas\n"
        "matplotlib.interactive(True)\n"
    )
    code = "import matplotlib as m, sidewall; sidewall.plot_court(); assert m.is_interactive()"
    path = ":".join([str(tmp_path), *sys.path])
    env = {"PYTHONPATH": path, "MPLBACKEND": "module://like_a_notebook"}
    subprocess.run([sys.executable, "-c", code], check=True, env=env)


def test_new_axes_keeps_the_axes_given():
    _, ax = plt.subplots()
    assert style.new_axes(ax) is ax


def test_note_counts_in_words():
    ax = style.new_axes()
    assert style.note_n(ax, 1234, 56).get_text() == "n = 1,234 shots in 56 rallies"
    assert style.note_n(ax, 1, 1, more="95%").get_text() == "n = 1 shot in 1 rally; 95%"
    assert style.note_n(ax, 3).get_text() == "n = 3 shots"


def labels(axis):
    axis.axes.get_figure().canvas.draw()
    low, high = sorted(axis.get_view_interval())
    return {
        round(place, 6): text.get_text()
        for place, text in zip(axis.get_majorticklocs(), axis.get_majorticklabels(), strict=True)
        if low - 1e-9 <= place <= high + 1e-9
    }


def test_gap_axis_in_centimetres_and_boards():
    ax = style.new_axes()
    ax.plot([0, 1.0], [0, 1])
    ax.set_xlim(0, 1.0)
    second = format_gap_axis(ax, "cm", board_width_m=0.1)
    assert ax.get_xlabel() == "gap to the side wall (cm)"
    ticks = labels(ax.xaxis)
    assert ticks[0.0] == "0"
    assert ticks[1.0] == "100"
    assert all(float(text) == pytest.approx(100 * place) for place, text in ticks.items())
    assert second is not None
    boards = labels(second.xaxis)
    assert second.get_xlabel() == "floorboards"
    assert second.get_xlim() == pytest.approx((0, 10))
    assert all(float(place).is_integer() for place in boards)


@pytest.mark.parametrize(
    ("unit", "per_metre"), [("m", 1), ("in", 1 / 0.0254), ("boards", 1 / 0.07)]
)
def test_gap_axis_in_other_units(unit, per_metre):
    ax = style.new_axes()
    ax.set_xlim(0, 1.4)
    second = format_gap_axis(ax, unit, board_width_m=0.07 if unit == "boards" else None)
    assert second is None
    ticks = labels(ax.xaxis)
    assert len(ticks) >= 4
    assert all(float(text) == pytest.approx(place * per_metre) for place, text in ticks.items())


def test_gap_on_the_y_axis():
    ax = style.new_axes()
    ax.set_ylim(0, 0.7)
    second = format_gap_axis(ax, "cm", 0.07, axis="y")
    assert ax.get_ylabel() == "gap to the side wall (cm)"
    assert second is None
    ticks = labels(ax.yaxis)
    assert all(float(text) == pytest.approx(100 * place) for place, text in ticks.items())


def test_boards_need_a_width():
    ax = style.new_axes()
    with pytest.raises(UnitError, match="width"):
        format_gap_axis(ax, "boards")
    with pytest.raises(UnitError, match="plausible"):
        format_gap_axis(ax, "cm", board_width_m=7.0)
    with pytest.raises(UnitError, match="furlong"):
        format_gap_axis(ax, "furlong")
