"""The colours of every picture, and the arithmetic that keeps them readable.

The hues follow the colour-blind-safe set of Okabe and Ito 2008 (Color Universal Design),
moved in lightness so that each pair that shares a picture differs in grey as well.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any, Final

import numpy as np
from matplotlib.colors import LinearSegmentedColormap, to_rgb
from numpy.typing import NDArray

__all__ = [
    "ATTACK",
    "BACKHAND",
    "FAINT",
    "FOREHAND",
    "INK",
    "MUTED",
    "PAPER",
    "QUIET",
    "RESET",
    "THRESHOLD",
    "luminance",
    "text_on",
    "value_map",
]

ATTACK: Final = "#D9700F"
RESET: Final = "#0B4F7D"
FOREHAND: Final = "#12A37C"
BACKHAND: Final = "#6B2A63"
THRESHOLD: Final = "#B3123C"
MUTED: Final = "#8A8D91"
#: Grid lines.
FAINT: Final = "#DADCDD"
#: Small print.
QUIET: Final = "#5E6266"
INK: Final = "#1B1F23"
PAPER: Final = "#FFFFFF"


def luminance(colour: Any) -> float:
    """Compute the relative luminance of a colour, 0 black to 1 white.

    Source: IEC 61966-2-1 (sRGB), as used by the Web Content Accessibility Guidelines 2.1.
    """
    channels = np.array(to_rgb(colour))
    linear = np.where(channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)
    return float(linear @ np.array([0.2126, 0.7152, 0.0722]))


def text_on(background: Any) -> str:
    """Choose dark ink or white, whichever reads better on ``background``."""
    light = luminance(background)
    on_ink = (max(light, luminance(INK)) + 0.05) / (min(light, luminance(INK)) + 0.05)
    return INK if on_ink >= 1.05 / (light + 0.05) else PAPER


@lru_cache(maxsize=1)
def value_map() -> LinearSegmentedColormap:
    """Build the map for a value on the court: even steps of lightness, readable in grey.

    Interpolated in CIELAB between a pale sand, a green and a blue, with lightness
    falling linearly from 95 to 57, so that equal steps of value look equal and dark text
    reads on all of it.
    """
    at = np.linspace(0.0, 1.0, 256)
    lightness = 95.0 - 38.0 * at
    a = np.interp(at, [0.0, 0.5, 1.0], [0.0, -20.0, -8.0])
    b = np.interp(at, [0.0, 0.5, 1.0], [12.0, 2.0, -36.0])
    return LinearSegmentedColormap.from_list("sidewall_value", _lab_to_rgb(lightness, a, b), N=256)


def _lab_to_rgb(
    lightness: NDArray[np.float64], a: NDArray[np.float64], b: NDArray[np.float64]
) -> NDArray[np.float64]:
    """CIELAB (D65) to sRGB in 0..1. Source: CIE 15 for Lab, IEC 61966-2-1 for sRGB."""
    fy = (lightness + 16.0) / 116.0
    f = np.stack([fy + a / 500.0, fy, fy - b / 200.0], axis=-1)
    delta = 6.0 / 29.0
    xyz = np.where(f > delta, f**3, 3.0 * delta**2 * (f - 4.0 / 29.0))
    xyz *= np.array([0.95047, 1.0, 1.08883])
    matrix = np.array(
        [
            [3.2404542, -1.5371385, -0.4985314],
            [-0.9692660, 1.8760108, 0.0415560],
            [0.0556434, -0.2040259, 1.0572252],
        ]
    )
    linear = np.clip(xyz @ matrix.T, 0.0, 1.0)
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
