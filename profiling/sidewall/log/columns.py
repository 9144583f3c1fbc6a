"""The columns of a shot log, and the headings that are understood for each.

Headings are compared in lower case with every other character than a letter or digit as an
underscore, so that ``Rally won by``, ``rally_won_by`` and ``RALLY-WON-BY`` are one. A
length carries its unit at the end of its heading: ``gap_cm``, ``Gap (in)``.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any, Final, Literal

import pandas as pd

from sidewall.court.units import UNIT_NAMES, UNITS, fold_name, parse_column, parse_unit
from sidewall.errors import LogError, UnitError
from sidewall.log.raw import RawColumn, RawLog, shown_cell, shown_list

#: A number with a unit after it; a double prime is the inch.
WITH_UNIT: Final = re.compile(r"([+-]?[\d.,]+)\s*(\"|[a-z]+)", re.IGNORECASE)

#: A count is from 1 and never blank; a score is from 0.
Kind = Literal["name", "count", "score", "word", "length", "seconds", "detail"]

_REQUIRED: Final = ("match", "game", "rally", "shot", "player", "side", "stroke", "gap", "ending")
#: Lengths that may come without a unit and are then in metres.
_METRES_ASSUMED: Final = ("x", "y", "bounce_x", "bounce_y", "wall_z", "opponent_x", "opponent_y")


@dataclass(frozen=True)
class ColumnSpec:
    """One column of a log: what it means, and under which other headings it may come."""

    name: str
    kind: Kind
    meaning: str
    example: str
    headings: tuple[str, ...] = ()

    @property
    def required(self) -> bool:
        """Whether a log must have it."""
        return self.name in _REQUIRED

    @property
    def metres_assumed(self) -> bool:
        """Whether it may come without a unit."""
        return self.name in _METRES_ASSUMED


COLUMNS: Final = (
    ColumnSpec(
        "match",
        "name",
        "name of the match",
        "Rowan v Hazel",
        ("match_id", "match_no", "match_name"),
    ),
    ColumnSpec("game", "count", "game in the match, from 1", "1", ("game_no", "game_number")),
    ColumnSpec(
        "rally",
        "count",
        "rally in the game, from 1; numbers may also run on through the match",
        "4",
        ("rally_no", "rally_number", "point", "point_no"),
    ),
    ColumnSpec(
        "shot", "count", "shot in the rally; the serve is shot 1", "3", ("shot_no", "shot_number")
    ),
    ColumnSpec(
        "player", "name", "who strikes the ball", "Rowan", ("player_name", "hitter", "striker")
    ),
    ColumnSpec("opponent", "name", "the other player; follows from the match if left out", "Hazel"),
    ColumnSpec("side", "word", "forehand or backhand", "backhand", ("wing",)),
    ColumnSpec("stroke", "word", "the stroke played", "drop", ("shot_type", "stroke_type")),
    ColumnSpec(
        "gap",
        "length",
        "gap between the incoming ball and the nearest side wall when it is struck",
        "35",
    ),
    ColumnSpec(
        "gap_class",
        "word",
        "the gap in words where nobody measured it: tight, middling, loose",
        "tight",
        ("gap_word", "gap_in_words"),
    ),
    ColumnSpec(
        "rally_won_by",
        "name",
        "who won the rally; on its last shot",
        "Rowan",
        ("won_by", "winner", "rally_winner", "point_won_by", "point_to"),
    ),
    ColumnSpec(
        "ending",
        "word",
        "how the rally ended; on its last shot",
        "winner",
        ("rally_ending", "how_ended", "ended_by"),
    ),
    ColumnSpec("direction", "word", "straight or cross", "straight"),
    ColumnSpec("contact", "word", "volley, after its bounce or off the back wall", "volley"),
    ColumnSpec(
        "choice",
        "word",
        "attack or reset, if the charter saw it",
        "attack",
        ("intent", "intention"),
    ),
    ColumnSpec("balance", "word", "set, stretched or jammed", "set"),
    ColumnSpec(
        "depth",
        "word",
        "where the ball is struck: front, middle or back; not needed where y is given",
        "middle",
        ("court_depth", "struck_depth", "contact_depth"),
    ),
    ColumnSpec(
        "lane",
        "word",
        "where the ball is struck: left, centre or right; not needed where x is given",
        "left",
        ("court_lane", "struck_lane", "contact_lane"),
    ),
    ColumnSpec(
        "opponent_place",
        "word",
        "where the opponent is, seen from the striker: in front, behind or out of the way",
        "behind",
        ("opponent_is", "opponent_where", "where_opponent", "where_is_the_opponent"),
    ),
    ColumnSpec(
        "bounce",
        "word",
        "first bounce of the outgoing ball: short of the service box, level with it or behind it",
        "short",
        ("first_bounce", "bounce_depth", "bounces", "ball_bounces"),
    ),
    ColumnSpec("x", "length", "contact, from the left wall", "0.7"),
    ColumnSpec("y", "length", "contact, from the front wall", "5.5"),
    ColumnSpec(
        "bounce_x", "length", "first bounce of the outgoing ball, from the left wall", "0.3"
    ),
    ColumnSpec(
        "bounce_y", "length", "first bounce of the outgoing ball, from the front wall", "8.2"
    ),
    ColumnSpec("wall_z", "length", "height on the front wall", "1.6"),
    ColumnSpec("opponent_x", "length", "opponent at contact, from the left wall", "3.2"),
    ColumnSpec("opponent_y", "length", "opponent at contact, from the front wall", "5.4"),
    ColumnSpec(
        "t",
        "seconds",
        "time in the video: seconds, mm:ss or h:mm:ss",
        "12:34",
        ("t_s", "time", "time_s", "video_time", "seconds"),
    ),
    ColumnSpec(
        "own_points",
        "score",
        "points of who strikes, before the rally; on one of its shots or on all",
        "7",
        ("striker_points", "points_own"),
    ),
    ColumnSpec(
        "opponent_points",
        "score",
        "points of the opponent, before the rally",
        "9",
        ("points_opponent",),
    ),
    ColumnSpec(
        "own_games",
        "score",
        "games won by who strikes, before the rally",
        "1",
        ("striker_games", "games_own"),
    ),
    ColumnSpec(
        "opponent_games",
        "score",
        "games won by the opponent, before the rally",
        "0",
        ("games_opponent",),
    ),
    ColumnSpec("hand", "detail", "the player's hand: right or left", "right", ("player_hand",)),
    ColumnSpec("group", "detail", "the player's group, such as a squad", "first team", ("squad",)),
    ColumnSpec("initials", "detail", "kept beside the player's name; nothing shows them yet", "RO"),
    ColumnSpec("date", "detail", "date of the match: 2026-03-31", "2026-03-31", ("match_date",)),
    ColumnSpec("tin_height", "length", "height of the tin", "48", ("tin",)),
    ColumnSpec("board_width", "length", "width of one floorboard", "7"),
    ColumnSpec("scoring", "detail", "scoring of the match", "par11", ("scoring_system",)),
)
SPECS: Final = {spec.name: spec for spec in COLUMNS}


def is_length(name: str) -> bool:
    """Whether a name is that of a column of lengths."""
    return name in SPECS and SPECS[name].kind == "length"


#: Columns of a checked table that a log may carry when it is read again: they follow from
#: the others.
DERIVED: Final = ("sheet", "line", "choice_source")
#: A column of the template's workbook that is for the eye only.
FOR_THE_EYE: Final = "remark"

_NAME_OF: Final = {
    heading: spec.name for spec in COLUMNS for heading in (spec.name, *spec.headings)
}


@dataclass(frozen=True)
class Heading:
    """A heading understood: its place in the file, its text, and the unit of a length."""

    place: int
    text: str
    unit: str | None = None


def understand(heading: Any) -> tuple[str, str | None] | None:
    """Name and unit of the column a heading stands for, or None for an unknown one."""
    folded = fold_name(heading)
    name = _NAME_OF.get(folded)
    if name is not None and not is_length(name):
        return name, None
    quantity, unit = parse_column(folded)
    name = _NAME_OF.get(quantity)
    if name is None or not is_length(name):
        return None
    return name, unit


def resolve(raw: RawLog) -> dict[str, Heading]:
    """Say which column of the file is which; their cells may tell a unit that a heading lacks.

    A LogError if two headings stand for the same column, or a required one is missing; a
    UnitError if a length carries no unit, or an unsuitable one.
    """
    found: dict[str, Heading] = {}
    source, headings = raw.source, [text for text, _ in raw.columns]
    for place, (text, column) in enumerate(raw.columns):
        known = understand(text)
        if known is None:
            continue
        name, unit = known
        if name in found:
            other = found[name].text
            raise LogError(
                f"{source}: the headings {shown_cell(other)} (column {found[name].place + 1}) "
                f"and {shown_cell(text)} (column {place + 1}) both stand for {name}. Keep "
                "one and rename or delete the other."
            )
        if is_length(name):
            carried = _carried(column) if unit is None else []
            unit = _unit_for(SPECS[name], unit or _only(carried), text, source, carried)
        found[name] = Heading(place, text, unit)
    missing = missing_columns(headings)
    for text in headings if "gap" in missing else []:
        gap, _, unit = fold_name(text).partition("_")
        if gap == "gap" and unit.isalpha() and understand(text) is None:
            raise UnitError(
                f"{source}: the heading {shown_cell(text)} gives the gap in {unit!r}, which is no "
                f"unit that is known: {_listed_units()}. Convert the gaps (1 foot is 12 in, 10 mm "
                "are 1 cm) and name the column after the unit, such as gap_cm."
            )
    if missing:
        raise LogError(
            f"{source}: required column missing: {', '.join(_shown(name) for name in missing)}. "
            f"The headings found are: {shown_list(headings)}. Add or rename "
            "the column; `sidewall template` writes a log to start from."
        )
    return found


def missing_columns(headings: list[str]) -> list[str]:
    """Names of the required columns that none of the headings stands for."""
    found = {known[0] for known in map(understand, headings) if known is not None}
    if "x" in found:
        found.add("gap")  # it follows from the place of contact
    return [spec.name for spec in COLUMNS if spec.required and spec.name not in found]


def column_table() -> pd.DataFrame:
    """Return the columns of a log as a table: name, required, meaning, other headings."""
    return pd.DataFrame(
        {
            "column": [_shown(spec.name) for spec in COLUMNS],
            "required": [spec.required for spec in COLUMNS],
            "meaning": [spec.meaning for spec in COLUMNS],
            "other headings": [", ".join(spec.headings) for spec in COLUMNS],
        }
    )


def _shown(name: str) -> str:
    if name == "gap":
        return "gap_cm (or gap_in, gap_m, gap_boards)"
    if is_length(name) and not SPECS[name].metres_assumed:
        return f"{name}_cm"
    return name


def unit_in_cells(column: RawColumn) -> str | None:
    """Unit that stands after every number of a column, or None."""
    return _only(_carried(column))


def _only(carried: list[str]) -> str | None:
    return carried[0] if len(carried) == 1 and carried[0] in UNITS else None


def _carried(column: RawColumn) -> list[str]:
    """Units that stand after the numbers in the cells, as typed where not known."""
    found: dict[str, None] = {}
    for cell in column.distinct.tolist():
        match = WITH_UNIT.fullmatch(cell.strip()) if isinstance(cell, str) else None
        if match is not None:
            try:
                found[parse_unit("in" if match[2] == '"' else match[2])] = None
            except UnitError:
                found[match[2]] = None
        elif any(one.isdigit() for one in str(cell)):
            found["no unit"] = None
    return [] if list(found) == ["no unit"] else list(found)


def _listed_units() -> str:
    return ", ".join(f"{unit} ({name})" for unit, name in UNIT_NAMES.items() if unit != name)


def _unit_for(
    spec: ColumnSpec, unit: str | None, text: str, source: str, carried: list[str]
) -> str:
    if unit is None:
        if not spec.metres_assumed:
            says = f", and its cells say {' and '.join(carried)}" if carried else ""
            raise UnitError(
                f"{source}: the heading {shown_cell(text)} does not say its unit{says}. Name it "
                f"{spec.name}_cm, {spec.name}_in"
                + (", gap_m or gap_boards." if spec.name == "gap" else " or _m.")
            )
        return "m"
    if unit == "boards" and spec.name != "gap":
        raise UnitError(
            f"{source}: the heading {shown_cell(text)} gives {spec.name} in boards; only the gap "
            f"can be counted in boards. Measure it and name it {spec.name}_cm."
        )
    return unit
