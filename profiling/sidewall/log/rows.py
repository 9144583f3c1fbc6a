"""Checks that a row must pass by itself, and the columns that come out of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from sidewall.arguments import Bools, Floats, Ints
from sidewall.court import gap_from_x
from sidewall.court.units import UNIT_NAMES, to_metres
from sidewall.errors import LogError, UnitError
from sidewall.log import cells
from sidewall.log.reading import Reading
from sidewall.log.vocabulary import STROKES

SERVE: Final = STROKES.index("serve")
#: A word of these that is not known is left blank, and its rally used all the same.
_OPTIONAL_WORDS: Final = (
    *("direction", "contact", "choice", "balance"),
    *("depth", "lane", "opponent_place", "bounce", "gap_class"),
)
SCORES: Final = ("own_points", "opponent_points", "own_games", "opponent_games")
#: Rounding a gap to whole inches or boards may put it this far past the middle, metres.
_ROUNDING_M: Final = 0.01
#: A column of at least so many gaps that never leaves the wall is in another unit.
_ENOUGH_GAPS: Final = 30
_ALWAYS_TIGHT_M: Final = 0.05
#: Nobody strikes most balls so near the middle, or as near the wall as the limit above.
_MOSTLY_WIDE_M: Final = 2.5
#: Fewer gaps than this do not tell their unit.
_FEW_GAPS: Final = 3


@dataclass
class Rows:
    """The columns of a log as numbers and codes, each of shape (rows,)."""

    match: Ints
    player: Ints
    opponent: Ints
    winner: Ints
    game: Ints
    rally: Ints
    shot: Ints
    matches: list[str]
    players: list[str]
    words: dict[str, Ints] = field(default_factory=dict)
    lengths: dict[str, Floats] = field(default_factory=dict)
    scores: dict[str, Floats] = field(default_factory=dict)
    gap_m: Floats = field(default_factory=lambda: np.empty(0))


def identify(reading: Reading) -> Rows:
    """Say which shot of which rally each row is, and who strikes."""
    matches, players = cells.Names(), cells.Names()
    match = matches.codes(reading, "match", grow=True)
    player = players.codes(reading, "player", grow=True)
    opponent = players.codes(reading, "opponent", grow=True)
    reading.refuse(match < 0, "match", "blank", "write the name of the match on every row")
    reading.refuse(player < 0, "player", "blank", "write who strikes the ball")
    return Rows(
        match=match,
        player=player,
        opponent=opponent,
        winner=players.codes(reading, "rally_won_by", grow=False),
        game=cells.counts(reading, "game"),
        rally=cells.counts(reading, "rally"),
        shot=cells.counts(reading, "shot"),
        matches=matches.spellings,
        players=players.spellings,
    )


def read_words(reading: Reading, rows: Rows) -> None:
    """Understand every word column, and put what was typed beside a stroke in its place."""
    stroke, beside = cells.words_and_beside(reading, "stroke", keep=rows.shot != 1)
    rows.words["stroke"] = _serve_first(reading, rows, stroke)
    everywhere = np.ones(reading.rows, dtype=bool)
    for name in ("side", "ending", *_OPTIONAL_WORDS):
        keep = everywhere if name in _OPTIONAL_WORDS else None
        own, _ = cells.words_and_beside(reading, name, keep=keep)
        other = beside.get(name)
        if other is not None:
            reading.refuse(
                (own >= 0) & (other >= 0) & (own != other),
                "stroke",
                f"the stroke names another {name} than the column {reading.shown(name)}",
                f"make the two agree, or write the {name} once",
            )
            own = np.where(own >= 0, own, other)
        if name in reading.headings or (own >= 0).any():
            rows.words[name] = own
    short = _short(reading, rows)
    blank = _blank(reading, "side") & (rows.words["side"] < 0)
    told = "blank beside a stroke: the row is used as one in short, without its stroke's side"
    reading.doubt(blank & short & (rows.words["stroke"] >= 0), "side", told, "write the side")
    blank &= ~short
    mend = "write forehand or backhand"
    if "gap_class" in reading.headings or "choice" in reading.headings:
        mend += "; only a row with the choice and the gap, in its unit or as a word, may lack it"
    reading.refuse(blank, "side", "blank", mend)
    blank = _blank(reading, "stroke") & (rows.words["stroke"] < 0) & ~short
    reading.doubt(blank, "stroke", "blank: the stroke is not known", "write the stroke played")
    for name in SCORES:
        if name in reading.headings:
            rows.scores[name] = cells.scores(reading, name)


def _short(reading: Reading, rows: Rows) -> Bools:
    """Rows that need no stroke and no side: they give the choice, and the gap in words or not."""
    measured = ~_blank(reading, "gap") & ("gap" in reading.headings)
    return _said(rows, "choice") & (_said(rows, "gap_class") | measured)


def _said(rows: Rows, name: str) -> Bools:
    """Rows that give a word of a column."""
    return rows.words[name] >= 0 if name in rows.words else np.zeros(len(rows.shot), dtype=bool)


def _blank(reading: Reading, name: str) -> Bools:
    column = reading.column(name)
    if column is None:
        return np.zeros(reading.rows, dtype=bool)
    return np.array([cells.is_blank(cell) for cell in column.distinct], dtype=bool)[column.codes]


def _serve_first(reading: Reading, rows: Rows, stroke: Ints) -> Ints:
    """Shot 1 is the serve, whatever its word was meant to be if it is not known."""
    column = reading.column("stroke")
    first = (rows.shot == 1) & (stroke < 0) & ~reading.problems.row_refused
    if column is not None:
        counts = np.bincount(column.codes[first], minlength=len(column.distinct))
        for at in np.flatnonzero(counts).tolist():
            found = column.found[at] or "blank"
            reading.folded.add(reading.shown("stroke"), found, "serve, as shot 1", counts[at])
    return np.where(first, SERVE, stroke)


def read_gap(reading: Reading, rows: Rows, board_width_m: Floats | None) -> None:
    """Read the gap of the incoming ball in metres; a gap on a serve is not used.

    `board_width_m` is that of each row, (rows,), or None: then gaps in boards are a UnitError. A
    LogError if the whole column is plainly in another unit than its heading says.
    """
    unit = reading.headings["gap"].unit or "m"
    struck = rows.words["stroke"] != SERVE
    typed, blank = cells.numbers(reading, "gap", unit=unit, only=struck)
    given_on_serve = int((~struck & ~blank).sum())
    reading.folded.add(reading.shown("gap"), "gap on a serve", "not used", given_on_serve)
    reading.refuse(
        struck & blank & ~_said(rows, "gap_class") & ~_stroke_refused(reading, rows),
        "gap",
        "blank",
        "write the gap of the incoming ball, or its class; only a serve has none",
    )
    if unit == "boards":
        gap = typed * _widths(reading, board_width_m, struck & ~np.isnan(typed))
    else:
        gap = to_metres(typed, unit)
    gap = np.where(struck, gap, np.nan)
    _refuse_other_unit(reading, gap, unit)
    half = reading.court.half_width_m
    past = (gap > half) & (gap <= half + _ROUNDING_M)
    reading.folded.add(
        reading.shown("gap"), "a little past the middle", "the middle", int(past.sum())
    )
    gap[past] = half
    reading.refuse(gap < 0, "gap", "a gap cannot be negative", "write the distance to the wall")
    wide = np.flatnonzero(gap > half)
    if len(wide):
        most = bool(2 * len(wide) > np.count_nonzero(~np.isnan(gap)))
        typical = float(np.median(typed[wide]))
        hints = {
            value: _wide_hint(unit, typical, value, half, most)
            for value in np.unique(typed[wide]).tolist()
        }
        reading.refuse(
            wide,
            "gap",
            f"the nearest side wall is never farther than {half:g} m, half the width of the court",
            [hints[value] for value in typed[wide].tolist()],
        )
    rows.gap_m = gap


def _stroke_refused(reading: Reading, rows: Rows) -> Bools:
    """Rows of which nobody knows whether they are a serve, which has no gap."""
    return (rows.words["stroke"] < 0) & reading.problems.row_refused


def gap_of_place(reading: Reading, rows: Rows) -> None:
    """Take the gap from the place of contact, in a log that has no column for it."""
    struck = rows.words["stroke"] != SERVE
    x = rows.lengths["x_m"]
    gap, _ = gap_from_x(x, reading.court)
    column = reading.column("x")
    if column is not None:
        reading.refuse(
            struck & column.blank & ~_said(rows, "gap_class") & ~_stroke_refused(reading, rows),
            "x",
            "blank, and the log has no gap",
            "write the place of contact; only a serve needs none",
        )
    gap = np.where(struck, gap, np.nan)
    known = int((~np.isnan(gap)).sum())
    reading.folded.add("gap", "(no such column)", f"from {reading.shown('x')}", known)
    rows.gap_m = gap


def lengths_within(reading: Reading, limits: Mapping[str, float]) -> dict[str, Floats]:
    """Read columns of lengths in metres, (rows,) each, by a name such as ``bounce_x_m``.

    A value outside 0 to its limit, metres, refuses its row; columns may be missing.
    """
    found = {}
    for name, limit in limits.items():
        if name not in reading.headings:
            continue
        unit = reading.headings[name].unit or "m"
        typed, _ = cells.numbers(reading, name, unit=unit)
        value = to_metres(typed, unit)
        off = (value < 0) | (value > limit)
        seems_cm = unit == "m" and off.any() and float(np.median(value[off])) > 3 * limit
        mend = (
            f"{name}_m is in metres, but the values look like centimetres: rename it {name}_cm"
            if seems_cm
            else "check the value and the unit in the heading; leave unknown ones blank"
        )
        reading.refuse(off, name, f"off the court: 0 to {limit:g} m", mend)
        found[f"{name}_m"] = value
    return found


def read_lengths(reading: Reading, rows: Rows) -> None:
    """Read coordinates in metres, heights and times, each within what a court allows."""
    court = reading.court
    limits = dict.fromkeys(("x", "bounce_x", "opponent_x"), court.width_m)
    limits |= dict.fromkeys(("y", "bounce_y", "opponent_y"), court.length_m)
    rows.lengths |= lengths_within(reading, {**limits, "wall_z": court.clear_height_m})
    if "t" in reading.headings:
        seconds, _ = cells.numbers(reading, "t", clock=True)
        reading.refuse(
            seconds < 0, "t", "a time cannot be negative", "write seconds into the video"
        )
        rows.lengths["t_s"] = seconds


def _widths(reading: Reading, board_width_m: Floats | None, needed: Bools) -> Floats:
    if board_width_m is None or (needed.any() and np.isnan(board_width_m[needed]).all()):
        raise UnitError(
            f"{reading.source}: the gap is in boards and the width of a board is not known. Board "
            "widths differ from court to court: measure one and give board_width_cm, as an "
            "argument, as a column of the log or in the matches table."
        )
    reading.refuse(
        needed & np.isnan(board_width_m),
        "gap",
        "the gap is in boards and the width of a board is not known for this match",
        "give board_width_cm for the match",
    )
    return board_width_m


def _refuse_other_unit(reading: Reading, gap: Floats, unit: str) -> None:
    known = gap[~np.isnan(gap)]
    _ask_for_unit(reading, gap, unit)
    if unit != "m" and len(known) >= _ENOUGH_GAPS and 0 < known.max() <= _ALWAYS_TIGHT_M:
        raise LogError(
            f"{reading.source}: none of {len(known)} gaps in {reading.shown('gap')!r} is farther "
            f"from the wall than {100 * known.max():.1f} cm. The column is probably in metres: "
            "rename it gap_m."
        )


def _ask_for_unit(reading: Reading, gap: Floats, unit: str) -> None:
    """Note gaps that lie as no player's do, and what unit they look like where that is plain."""
    known = gap[~np.isnan(gap)]
    if len(known) < _FEW_GAPS:
        return
    typical = float(np.median(known))
    enough = len(known) >= _ENOUGH_GAPS
    if unit == "cm" and not enough and 0 < known.max() <= _ALWAYS_TIGHT_M:
        looks, mend = "metres", "rename the column gap_m if they are"
    elif unit == "cm" and typical > reading.court.half_width_m / 2:
        looks, mend = "millimetres", "divide them by 10 if they are"
    elif enough and known.min() < known.max() and not _ALWAYS_TIGHT_M < typical <= _MOSTLY_WIDE_M:
        looks = "another unit"
        mend = "check what they were measured in, and name the column after it"
        mend += ", or multiply them by 12 if they are feet" if unit == "in" else ""
    else:
        return
    reading.doubt(
        np.flatnonzero(~np.isnan(gap))[:1],
        "gap",
        f"the {len(known)} gaps look like {looks}: read as {UNIT_NAMES[unit]}, the middle one is "
        f"{100 * typical:.4g} cm",
        mend,
    )


def _wide_hint(unit: str, typical: float, own: float, half: float, most: bool) -> str:
    """Mend of a gap typed as `own`; the `typical` one of those too wide tells their unit."""
    largest = max(typical, own)
    for other in ("cm", "in"):
        fits = float(to_metres(largest, other)) <= half + _ROUNDING_M
        if other != unit and fits and (unit != "m" or typical >= 2 * half):
            return (
                f"the heading says {UNIT_NAMES[unit]}, but {own:g} looks like "
                f"{UNIT_NAMES[other]}: rename the column gap_{other} if all are, or mend the value"
            )
    if unit == "cm" and most and largest / 1000 <= half:
        return f"{own:g} looks like millimetres: divide all gaps by 10, or mend the value"
    return "measure to the nearest side wall, not across the court, and check the unit"
