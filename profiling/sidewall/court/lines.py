"""The painted lines of the floor."""

from __future__ import annotations

from sidewall.court.court import Court, Rectangle


def court_lines(court: Court) -> dict[str, Rectangle]:
    """Every painted line of the floor as the rectangle of paint that it is, in metres.

    Parameters
    ----------
    court
        The court.

    Returns
    -------
    dict
        Name of the line to its rectangle.
    """
    paint = court.line_width_m
    short = court.short_line_y_m
    half = court.half_court_line_x_m
    lines = {
        # The printed distance is to the edge nearest the back wall.
        "short line": Rectangle(0.0, short - paint, court.width_m, short),
        "half-court line": Rectangle(half - paint / 2, short, half + paint / 2, court.length_m),
    }
    for side, box in court.service_boxes.items():
        # The printed side of a box is its inside, so its lines lie around it.
        outer = box.y_max + paint
        if side == "left":
            lines["left box, side"] = Rectangle(box.x_max, box.y_min, box.x_max + paint, outer)
            lines["left box, back"] = Rectangle(0.0, box.y_max, box.x_max, outer)
        else:
            lines["right box, side"] = Rectangle(box.x_min - paint, box.y_min, box.x_min, outer)
            lines["right box, back"] = Rectangle(box.x_min, box.y_max, court.width_m, outer)
    return lines
