"""The floor of a court as rectangles, for a drawing that is to scale."""

from __future__ import annotations

from typing import Any

from sidewall.court.court import Court
from sidewall.court.lines import court_lines


def floor_drawing(court: Court) -> dict[str, Any]:
    """Return width, length and painted lines of the floor, metres, as plain numbers.

    Parameters
    ----------
    court
        The court.

    Returns
    -------
    dict
        ``width``, ``length``, and ``lines``: a list of name, x, y, width and depth.
    """
    return {
        "width": court.width_m,
        "length": court.length_m,
        "lines": [
            {
                "name": name,
                "x": line.x_min,
                "y": line.y_min,
                "width": line.width,
                "depth": line.depth,
            }
            for name, line in court_lines(court).items()
        ],
        "t": list(court.t_m),
    }
