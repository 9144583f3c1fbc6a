"""Geometry of the court, units of length, and zones."""

from sidewall.court.court import Court as Court
from sidewall.court.court import Rectangle as Rectangle
from sidewall.court.units import UNITS as UNITS
from sidewall.court.units import parse_column as parse_column
from sidewall.court.units import parse_unit as parse_unit
from sidewall.court.units import to_display as to_display
from sidewall.court.units import to_metres as to_metres
from sidewall.court.zones import DEPTHS as DEPTHS
from sidewall.court.zones import LANES as LANES
from sidewall.court.zones import WALLS as WALLS
from sidewall.court.zones import Zones as Zones
from sidewall.court.zones import gap_from_x as gap_from_x
from sidewall.court.zones import wall_of as wall_of
