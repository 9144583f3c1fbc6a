"""Pictures for the page: drawn one panel at a time, as wide as a phone, and put inline.

Each becomes the source of an ``img``, as an SVG with its text as text where that is small
enough and as a PNG where it is not. Within an ``img`` nothing of an SVG can run or reach
the page around it, and its identifiers do not meet those of other pictures.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Callable
from dataclasses import dataclass
from io import BytesIO
from typing import TYPE_CHECKING, Any, Final

from sidewall.errors import DataError

if TYPE_CHECKING:
    from matplotlib.figure import Figure

#: An SVG beyond so many bytes gives way to a PNG, if that is smaller.
_LONGEST_SVG: Final = 160_000
_DPI: Final = 180
_PIXELS_AN_INCH: Final = 96

_PATH: Final = re.compile(r'( d="|points=")([^"]+)"')
_DECIMALS: Final = re.compile(r"(\d+\.\d{2})\d+")
_HEAD: Final = re.compile(r"^.*?(?=<svg)", re.DOTALL)
_METADATA: Final = re.compile(r"\s*<metadata>.*?</metadata>", re.DOTALL)
_COMMENT: Final = re.compile(r"\s*<!--.*?-->", re.DOTALL)
#: Matplotlib names a dozen families each time; the first two are as wide as it reckons with.
_FAMILY: Final = re.compile(r"'DejaVu Sans', 'Bitstream Vera Sans'[^;\"]*")
_INDENT: Final = re.compile(r"\n\s*")


@dataclass(frozen=True)
class Drawn:
    """A picture as a data URI, with its size in CSS pixels."""

    source: str
    width: int
    height: int


def inline(draw: Callable[..., Any], size: tuple[float, float], png: bool = False) -> Drawn | None:
    """Draw into fresh axes and return the picture; None where the data do not allow it.

    `draw` takes ``ax``. The size is in inches; with `png` the drawing is known to be too large as
    an SVG, which is then not tried.
    """
    import matplotlib as mpl  # noqa: PLC0415 - slow to load
    from matplotlib.figure import Figure  # noqa: PLC0415

    from sidewall.plots.frame import lay_out  # noqa: PLC0415
    from sidewall.plots.style import look  # noqa: PLC0415

    # text as text, and the same bytes every time
    settings: Any = {"svg.fonttype": "none", "svg.hashsalt": "sidewall"}
    with look(), mpl.rc_context(settings):
        # Not pyplot's: a notebook's own figures and backend stay as they are.
        figure = Figure(figsize=size, layout="constrained")
        try:
            draw(ax=figure.subplots())
        except DataError:
            return None
        lay_out(figure)
        return _encode(figure, png)


def _encode(figure: Figure, png: bool) -> Drawn:
    width, height = (round(_PIXELS_AN_INCH * float(inch)) for inch in figure.get_size_inches())
    kind, data = ("png", _png(figure)) if png else ("svg+xml", _svg(figure))
    if len(data) > _LONGEST_SVG and not png:
        smaller = _png(figure)
        if len(smaller) < len(data):
            kind, data = "png", smaller
    text = base64.b64encode(data).decode("ascii")
    return Drawn(f"data:image/{kind};base64,{text}", width, height)


def _svg(figure: Figure) -> bytes:
    file = BytesIO()
    # No date in the file: the same log gives the same page.
    figure.savefig(file, format="svg", metadata={"Date": None})
    text = file.getvalue().decode("utf-8")
    for pattern in (_METADATA, _COMMENT):
        text = pattern.sub("", text)
    text = _HEAD.sub("", text, count=1)
    text = _PATH.sub(lambda found: found[1] + _DECIMALS.sub(r"\1", found[2]) + '"', text)
    text = _FAMILY.sub("'DejaVu Sans',Verdana,sans-serif", text)
    return _INDENT.sub("\n", text).encode("utf-8")


def _png(figure: Figure) -> bytes:
    file = BytesIO()
    figure.savefig(file, format="png", dpi=_DPI)
    return file.getvalue()
