from __future__ import annotations

import base64

import matplotlib as mpl
from matplotlib import pyplot as plt

from sidewall.errors import DataError
from sidewall.report.pictures import inline


def content(drawn):
    kind, _, data = drawn.source.partition(";base64,")
    return kind, base64.b64decode(data)


def test_small_drawings_are_svg_with_text_as_text():
    drawn = inline(lambda ax: ax.set_title("a <b> & c"), (4.0, 3.0))
    kind, data = content(drawn)
    assert kind == "data:image/svg+xml"
    assert data.startswith(b"<svg")
    assert b"a &lt;b&gt; &amp; c" in data
    assert (drawn.width, drawn.height) == (384, 288)


def test_large_drawings_are_png():
    def draw(ax):
        for k in range(4000):
            ax.plot([0, k % 13], [k % 7, 1], lw=0.1)

    kind, data = content(inline(draw, (4.0, 3.0)))
    assert kind == "data:image/png"
    assert data[:8] == b"\x89PNG\r\n\x1a\n"


def test_what_the_data_do_not_allow_is_no_picture():
    def draw(ax):
        raise DataError("nothing to draw")

    assert inline(draw, (4.0, 3.0)) is None


def test_settings_and_open_figures_are_left_alone():
    before, backend, figures = dict(mpl.rcParams), mpl.get_backend(), plt.get_fignums()
    inline(lambda ax: ax.plot([0, 1]), (4.0, 3.0))
    assert mpl.get_backend() == backend
    assert plt.get_fignums() == figures
    assert dict(mpl.rcParams) == before


def test_the_same_drawing_gives_the_same_bytes():
    one, two = (inline(lambda ax: ax.plot([0, 1, 3]), (4.0, 3.0)) for _ in range(2))
    assert one == two
