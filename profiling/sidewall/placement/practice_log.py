"""The practice log: balls hit at a target alone, one row a ball, read and checked.

It is read by the same machinery as a shot log: the same file formats, units in the headings,
words, synonyms, and refusals with line, column, value, reason and mend.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd

from sidewall.court import Court
from sidewall.court.units import fold_name, parse_column
from sidewall.errors import LogError, RefusedRowsWarning, UnitError
from sidewall.log import cells
from sidewall.log.cells import is_blank
from sidewall.log.columns import Heading
from sidewall.log.ledger import Problems
from sidewall.log.raw import RawLog
from sidewall.log.reading import Reading
from sidewall.log.rows import lengths_within
from sidewall.log.source import Source, open_log
from sidewall.log.summary import problem_text
from sidewall.log.vocabulary import VOCABULARY
from sidewall.log.workbook import Sheet
from sidewall.placement.targets import Target, check_targets, court_targets

#: Column -> other headings understood for it.
_TEXTS: Final = {
    "session": ("session_id", "drill", "series"),
    "target": ("target_name",),
    "player": ("player_name", "striker"),
    "side": ("wing",),
    "stroke": ("shot_type", "stroke_type"),
    "ending": ("result", "fault"),
}
_COUNTS: Final = {"ball": ("ball_no", "ball_number", "shot", "no")}
_LENGTHS: Final = {
    "bounce_x": (),
    "bounce_y": (),
    "wall_z": ("height",),
    "target_x": (),
    "target_y": (),
    "target_radius": (),
    "tin_height": ("tin",),
}
_NAME_OF: Final = {
    heading: name
    for part in (_TEXTS, _COUNTS, _LENGTHS)
    for name, others in part.items()
    for heading in (name, *others)
}


class PracticeReading(Reading):
    """A reading whose headings are those of a practice log."""

    def __init__(self, raw: RawLog, court: Court) -> None:
        self.raw, self.court = raw, court
        self.rows, self.source = len(raw.lines), raw.source
        self.folded, self.problems = raw.folded, Problems(raw.lines, sheets=raw.sheet_names)
        self.headings = _headings([text for text, _ in raw.columns], raw.source)
        if not self.rows:
            raise LogError(
                f"{raw.source}: there are headings but no rows. Write one ball on each line below "
                "the headings."
            )
        used = {heading.place for heading in self.headings.values()}
        for place, (text, column) in enumerate(raw.columns):
            if place not in used:
                filled = int((~column.blank).sum())
                self.folded.add(text or f"(column {place + 1})", "(column)", "not used", filled)
        self._refuse_overfull()


def _understand(text: str) -> tuple[str | None, str | None]:
    """Return the column that a heading stands for, and the unit of a length."""
    folded = fold_name(text)
    if folded in _NAME_OF:
        return _NAME_OF[folded], None
    quantity, unit = parse_column(folded)
    name = _NAME_OF.get(quantity)
    return (name, unit) if name in _LENGTHS else (None, None)


def missing(headings: list[str]) -> list[str]:
    """Names of the required columns that none of the headings stands for."""
    found = {_understand(text)[0] for text in headings}
    return [name for name in ("session", "bounce_x", "bounce_y") if name not in found]


def _headings(texts: list[str], source: str) -> dict[str, Heading]:
    found: dict[str, Heading] = {}
    for place, text in enumerate(texts):
        name, unit = _understand(text)
        if name is None:
            continue
        if name in found:
            raise LogError(
                f"{source}: the headings {found[name].text!r} and {text!r} both stand for {name}. "
                "Keep one and rename or delete the other."
            )
        if unit == "boards":
            raise UnitError(
                f"{source}: the heading {text!r} counts floorboards; measure it and name it "
                f"{name}_cm or {name}_m."
            )
        found[name] = Heading(place, text, (unit or "m") if name in _LENGTHS else None)
    lacks = missing(texts)
    if lacks:
        raise LogError(
            f"{source}: required column missing: {', '.join(lacks)}. The headings found are: "
            f"{', '.join(map(repr, texts)) or 'none'}. Add or rename the column."
        )
    if "target" not in found and not {"target_x", "target_y", "target_radius"} <= set(found):
        raise LogError(
            f"{source}: the log does not say what was aimed at. Add a column target with the name "
            "of a target, or target_x, target_y and target_radius in metres."
        )
    return found


_WORDS: Final = ("side", "stroke", "ending")
_FAULTS: Final = ("tin", "out", "down")


@dataclass(frozen=True)
class PracticeCheck:
    """What reading a practice log has found; ``rows_in == rows_used + rows_refused``.

    Parameters
    ----------
    balls
        One row a ball, see `read_practice`.
    problems
        Every refused row: line, column, value, reason, mend and kind.
    folded
        What was read as something else than typed: column, found, read_as, rows.
    rows_in, rows_used, rows_refused
        Numbers of rows; blank lines are not rows.
    """

    balls: pd.DataFrame
    problems: pd.DataFrame
    folded: pd.DataFrame
    rows_in: int
    rows_used: int
    rows_refused: int


def _category(codes: Any, words: Any) -> Any:
    return pd.Categorical.from_codes(codes, categories=pd.Index(list(words)))


def check_practice(
    path: Source,
    *,
    targets: Sequence[Target] | None = None,
    court: Court | None = None,
    sheet: Sheet | None = None,
    delimiter: str | None = None,
    encoding: str | None = None,
) -> PracticeCheck:
    """Read a practice log and check it, as `read_practice`; refused rows never raise here.

    A LogError if the log cannot be read at all, or lacks a required column; a UnitError if a
    length is in boards.
    """
    court = court or Court()
    known = check_targets(court_targets(court) if targets is None else targets)
    raw = open_log(path, sheet=sheet, delimiter=delimiter, encoding=encoding, needs=missing)
    reading = PracticeReading(raw, court)
    names = cells.Names()
    session = names.codes(reading, "session", grow=True)
    reading.refuse(session < 0, "session", "blank", "name the session on every row")
    balls: dict[str, Any] = {"session": _category(session, names.spellings)}
    players = cells.Names()
    if "player" in reading.headings:
        code = players.codes(reading, "player", grow=True)
        balls["player"] = _category(code, players.spellings)
    if "ball" in reading.headings:
        balls["ball"] = cells.counts(reading, "ball")
        repeated = pd.DataFrame({"s": session, "b": balls["ball"]}).duplicated().to_numpy()
        reading.refuse(
            repeated & (balls["ball"] > 0),
            "ball",
            "this ball of the session was there before",
            "number the balls of a session 1, 2, 3 and so on",
        )
    for name in _WORDS:
        if name in reading.headings:
            words = VOCABULARY[name]
            balls[name] = _category(cells.words(reading, name), words)
    if "ending" not in balls:
        balls["ending"] = pd.Categorical([None] * reading.rows, list(VOCABULARY["ending"]))
    lengths = _read_lengths(reading)
    balls |= lengths
    balls |= _read_targets(reading, known, lengths)
    _check_bounce(reading, balls)
    table = pd.DataFrame(balls)
    if raw.sheet_names is not None:
        table = table.assign(sheet=raw.sheet_names)
    table = table.assign(line=raw.lines)
    good = ~reading.problems.row_refused
    table = table[good].sort_values("session", kind="stable", ignore_index=True)
    problems = reading.problems.table()
    return PracticeCheck(
        table,
        problems,
        reading.folded.table(),
        reading.rows,
        len(table),
        int(reading.problems.refused.sum()),
    )


def read_practice(
    path: Source,
    *,
    targets: Sequence[Target] | None = None,
    court: Court | None = None,
    sheet: Sheet | None = None,
    delimiter: str | None = None,
    encoding: str | None = None,
) -> pd.DataFrame:
    """Read a practice log: balls hit at a target alone, one row a ball.

    Parameters
    ----------
    path
        CSV or other separated text, ``.xlsx``, ``.parquet``, or a DataFrame. Columns:
        ``session``, ``bounce_x``, ``bounce_y`` (first bounce; blank for a ball that did not get
        there), ``target`` (a name) or ``target_x``, ``target_y`` and ``target_radius``; and
        where wanted ``ball``, ``player``, ``side``, ``stroke``, ``wall_z``, ``tin_height`` and
        ``ending`` (tin, out or down; blank for a good ball). Lengths are in metres, or carry
        their unit in the heading (``bounce_x_cm``).
    targets
        Targets that names stand for: from `court_targets` (the default) or `read_targets`.
    court
        The court; singles if None.
    sheet, delimiter, encoding
        See :func:`sidewall.check_log`.

    Returns
    -------
    DataFrame
        One row a ball: session, the columns that the log has (lengths in metres, with ``_m``),
        ``ending``, ``target``, ``on_target`` (1.0 or 0.0; a fault is 0.0), ``error_out_m``,
        ``error_long_m`` (see :func:`~sidewall.placement.placed_shots`; NaN without a bounce)
        and ``line``.

    Raises
    ------
    LogError
        If the log cannot be read, or no row can be used.
    UnitError
        If a length is in boards.

    Warns
    -----
    RefusedRowsWarning
        If rows were refused.

    See Also
    --------
    practice_table
    compare_practice
    read_targets

    Examples
    --------
    >>> places = {"bounce_x": [0.2, 1.9], "bounce_y": [8.4, 8.1]}
    >>> balls = pd.DataFrame({"session": "May", **places, "target": "back left"})
    >>> sw.read_practice(balls)[["session", "target", "on_target"]]
      session     target  on_target
    0     May  back left        0.0
    1     May  back left        0.0
    """
    check = check_practice(
        path, targets=targets, court=court, sheet=sheet, delimiter=delimiter, encoding=encoding
    )
    if check.rows_refused:
        message = (
            f"{check.rows_refused} of {check.rows_in} rows refused. First: "
            f"{problem_text(check.problems.iloc[0])} See check_practice for every line."
        )
        if not check.rows_used:
            raise LogError(message)
        warnings.warn(message, RefusedRowsWarning, stacklevel=2)
    return check.balls


def _read_lengths(reading: Reading) -> dict[str, Any]:
    court = reading.court
    limits = {
        "bounce_x": court.width_m,
        "target_x": court.width_m,
        "target_radius": court.width_m,
        "bounce_y": court.length_m,
        "target_y": court.length_m,
        "wall_z": court.clear_height_m,
        "tin_height": court.service_line_m,
    }
    return lengths_within(reading, limits)


def _read_targets(reading: Reading, known: list[Target], lengths: dict[str, Any]) -> dict[str, Any]:
    """Name of each ball's target, hits and errors."""
    from sidewall.placement.on_target import target_errors  # noqa: PLC0415

    x, y = lengths["bounce_x_m"], lengths["bounce_y_m"]
    column = reading.column("target")
    if column is None:
        centre = lengths["target_x_m"], lengths["target_y_m"]
        radius = lengths["target_radius_m"]
        reading.refuse(
            np.isnan(centre[0]) | np.isnan(centre[1]) | ~(radius > 0),
            "target_x",
            "the target is not complete",
            "give target_x, target_y and a radius above zero",
        )
        near_right = centre[0] > reading.court.half_width_m
        away = x - centre[0], y - centre[1]
        on = np.where(np.isnan(away[0] + away[1]), np.nan, np.hypot(*away) <= radius)
        labels = np.array(
            [f"{a:g}, {b:g} m, radius {r:g} m" for a, b, r in zip(*centre, radius, strict=True)],
            dtype=object,
        )
        return {
            "target": pd.Categorical(labels),
            "on_target": on,
            "error_out_m": np.where(near_right, -away[0], away[0]),
            "error_long_m": away[1],
        }
    place = {cells.name_key(target.name): k for k, target in enumerate(known)}
    code = np.array([place.get(cells.name_key(text), -1) for text in column.distinct])
    options = ", ".join(target.name for target in known)
    reasons = {
        at: "blank" if is_blank(text) else f"{str(text).strip()!r} is no known target"
        for at, text in enumerate(column.distinct)
        if code[at] < 0
    }
    mends = dict.fromkeys(reasons, f"write one of {options}, or give your own with targets=")
    reading.refuse_values("target", reasons, mends)
    which = code[column.codes]
    on, out, long = target_errors(known, which, x, y)
    names = [target.name for target in known]
    return {
        "target": _category(which, names),
        "on_target": on,
        "error_out_m": out,
        "error_long_m": long,
    }


def _check_bounce(reading: Reading, balls: dict[str, Any]) -> None:
    """Refuse a ball without bounce and fault; a fault is off target."""
    x, y = balls["bounce_x_m"], balls["bounce_y_m"]
    fault = pd.Series(balls["ending"]).astype(object).isin(_FAULTS).to_numpy()
    blank = np.isnan(x) | np.isnan(y)
    reading.refuse(
        blank & ~fault & ~reading.problems.row_refused,
        "bounce_x",
        "the bounce is not given, and no fault that explains it",
        "write the bounce, or tin, out or down under ending",
    )
    ending = pd.Series(balls["ending"]).astype(object)
    wrong = ending.notna().to_numpy() & ~fault & (ending != "winner").to_numpy()
    reading.refuse(wrong, "ending", "a ball alone has no such ending", "use tin, out or down")
    balls["on_target"] = np.where(fault, 0.0, balls["on_target"])
    for name in ("error_out_m", "error_long_m"):
        balls[name] = np.where(fault, np.nan, balls[name])
