"""Geometry of the court, units of length, and zones."""

from sidewall.court.court import Court, Rectangle
from sidewall.court.units import UNITS, parse_column, parse_unit, to_display, to_metres
from sidewall.court.zones import DEPTHS, LANES, WALLS, Zones, gap_from_x, wall_of, zone_of

__all__ = [
    "DEPTHS",
    "LANES",
    "UNITS",
    "WALLS",
    "Court",
    "Rectangle",
    "Zones",
    "gap_from_x",
    "parse_column",
    "parse_unit",
    "to_display",
    "to_metres",
    "wall_of",
    "zone_of",
]
