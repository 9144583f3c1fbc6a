"""Check a log from end to end: what is used, what is refused, what was folded.

What is used becomes the checked table of shots that everything else takes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any, TypeAlias, cast

import numpy as np
import pandas as pd

from sidewall.arguments import Array, Bools, Ints
from sidewall.court import Court
from sidewall.court.units import board_width
from sidewall.log import details
from sidewall.log.choice import ChoiceTable, choice_rules, derive_choice
from sidewall.log.columns import missing_columns
from sidewall.log.contradictions import (
    check_ending,
    check_holes,
    check_places,
    check_play,
    check_structure,
)
from sidewall.log.ledger import Problems
from sidewall.log.mapping.apply import MapSource, apply_map, read_map
from sidewall.log.match_details import detail_tables
from sidewall.log.rallies import RallyChecks, in_order, pair_players, refuse_repeated
from sidewall.log.raw import Objects, RawLog, shown_cell
from sidewall.log.reading import Reading
from sidewall.log.remarks import remarks
from sidewall.log.rows import (
    SERVE,
    Rows,
    gap_of_place,
    identify,
    read_gap,
    read_lengths,
    read_words,
)
from sidewall.log.score import settle_score
from sidewall.log.several import check_several, is_several
from sidewall.log.source import Source, open_log
from sidewall.log.summary import summarise
from sidewall.log.vocabulary import HANDS, VOCABULARY
from sidewall.log.workbook import Sheet

_SOURCES = ("charted", "derived")
#: Values of each detail by their owners, and whether these are players or matches.
_Settled: TypeAlias = dict[str, tuple[str, Objects]]


def build_shots(
    checks: RallyChecks, pair: Ints, details: _Settled, choice_table: ChoiceTable | None
) -> pd.DataFrame:
    """Build the table from the rows of the rallies that were not refused.

    `pair` is the two players of each match, (matches, 2); `details` say of each whether it is of
    the player or the match, and its values; `choice_table` lies over the default one.
    """
    reading, rows, order = checks.reading, checks.rows, checks.order
    kept = ~checks.refused[order.rally]
    at = order.rows[kept]
    ends = order.ends[kept]
    match, player = rows.match[at], rows.player[at]
    opponent = pair[match].sum(axis=1) - player
    names = _Appearing(rows.players, np.column_stack([player, opponent]).ravel())
    columns: dict[str, Any] = {
        "match": _Appearing(rows.matches, match).categorical(match),
        "game": rows.game[at],
        "rally": rows.rally[at],
        "shot": rows.shot[at],
        "player": names.categorical(player),
        "opponent": names.categorical(opponent),
    }
    words = {name: codes[at] for name, codes in rows.words.items()}
    words["ending"] = np.where(ends, words["ending"], -1)
    blank = np.full(len(at), -1, dtype=np.int64)
    charted = np.where(_derived_before(reading)[at], -1, words.pop("choice", blank))
    charted[words["stroke"] == SERVE] = -1
    derived = derive_choice(
        words["stroke"],
        words.get("direction", blank),
        words.get("contact", blank),
        choice_table,
    )
    for name in ("side", "stroke", "direction", "contact"):
        if name in words:
            columns[name] = _words(name, words[name])
    columns["gap_m"] = rows.gap_m[at]
    columns["choice"] = _words("choice", np.where(charted >= 0, charted, derived))
    columns["choice_source"] = _coded(
        np.select([charted >= 0, derived >= 0], [0, 1], default=-1), list(_SOURCES)
    )
    for name in ("gap_class", "balance", "depth", "lane", "opponent_place", "bounce"):
        if name in words:
            columns[name] = _words(name, words[name])
    columns["rally_won_by"] = names.categorical(np.where(ends, rows.winner[at], -1))
    columns["ending"] = _words("ending", words["ending"])
    columns.update({name: values[at] for name, values in rows.lengths.items()})
    columns.update({name: values[at] for name, values in rows.scores.items()})
    for name, (owner, values) in details.items():
        columns[name] = _detail(name, player if owner == "player" else match, values)
    if reading.raw.sheet_of is not None:
        columns["sheet"] = _coded(reading.raw.sheet_of[at], list(reading.raw.sheets))
    columns["line"] = reading.raw.lines[at].astype(np.int64)
    return pd.DataFrame(columns)


class _Appearing:
    """Names in the order in which they appear in the rows that are used."""

    def __init__(self, names: list[str], codes: Ints) -> None:
        used = pd.unique(codes)
        self.names = [names[code] for code in used.tolist()]
        self.place = np.full(len(names) + 1, -1, dtype=np.int64)  # the last place is for -1
        self.place[used] = np.arange(len(used))

    def categorical(self, codes: Ints) -> pd.Categorical:
        return _coded(self.place[codes], self.names)


def _derived_before(reading: Reading) -> Bools:
    """Rows of a table read before whose choice was derived then; it is derived again."""
    for text, column in reading.raw.columns:
        if text == "choice_source":
            return (column.distinct == "derived")[column.codes]
    return np.zeros(reading.rows, dtype=bool)


def _words(name: str, codes: Array) -> pd.Categorical:
    return _coded(codes, list(VOCABULARY[name]))


def _coded(codes: Array, names: list[str]) -> pd.Categorical:
    if not names:
        return pd.Categorical([None] * len(codes), categories=pd.Index([], dtype="str"))
    built: Any = pd.Categorical.from_codes(np.asarray(codes), categories=pd.Index(names))
    return built


def _detail(name: str, owner: Ints, values: Objects) -> Any:
    if name in ("tin_height_m", "board_width_m"):
        return values.astype(float)[owner]
    if name == "date":
        return np.array([np.datetime64(one, "D") for one in values], dtype="datetime64[ns]")[owner]
    known = (
        list(HANDS) if name == "hand" else list(dict.fromkeys(v for v in values if v is not None))
    )
    place = {one: at for at, one in enumerate(known)}
    codes = np.array([place.get(one, -1) for one in values], dtype=np.int64)
    return _coded(codes[owner], known)


@dataclass(frozen=True)
class LogCheck:
    """What reading a log has found. ``rows_in == rows_used + rows_refused`` always holds.

    Parameters
    ----------
    shots
        The checked table: whole rallies without contradiction, one row a shot.
    problems
        Every refused row at least once: line, column, value, reason, mend and kind. The kind
        is ``row`` for a mistake of its own, ``rally`` for the first line of a rally that
        contradicts itself, and ``with its rally`` for the others of such a rally.
    folded
        What was read as something else than typed: column, found, read_as, rows.
    doubts
        What to look at in rows that are used all the same: line, column, value, reason, mend.
        Such as a word that is not known and was left blank, or one that contradicts a measure;
        what is odd about a whole log or match stands once, at its first line.
    rows_in, rows_used, rows_refused
        Numbers of rows; blank lines are not rows.
    source
        Name of the file.
    refused_by_kind
        Number of refused rows by the kind of their first problem.
    logs
        Where several logs were read: their names, with the number of rows of each. Shots and
        problems then name theirs in a column ``log``.
    sheets
        Sheets of a workbook that were read, with the number of rows of each. Where there are
        several, shots and problems name theirs in a column ``sheet``.
    passed_over
        Sheets of a workbook that hold no log.
    notes
        What to look at, in sentences; nothing was changed for it.
    """

    shots: pd.DataFrame
    problems: pd.DataFrame
    folded: pd.DataFrame
    rows_in: int
    rows_used: int
    rows_refused: int
    doubts: pd.DataFrame = field(default_factory=lambda: Problems(np.empty(0, int)).doubts())
    source: str = "the log"
    refused_by_kind: dict[str, int] = field(default_factory=dict)
    logs: dict[str, int] = field(default_factory=dict)
    sheets: dict[str, int] = field(default_factory=dict)
    passed_over: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    def summary(self, most: int = 20) -> str:
        """Return the check in words; at most so many of each kind are listed."""
        return summarise(self, most)


def check_log(
    path: Source | Sequence[Source],
    *,
    players: Source | None = None,
    matches: Source | None = None,
    board_width_cm: float | None = None,
    choice_table: ChoiceTable | None = None,
    sheet: Sheet | None = None,
    delimiter: str | None = None,
    encoding: str | None = None,
    court: Court | None = None,
    mapping: MapSource | None = None,
) -> LogCheck:
    """Read a shot log and check it.

    Parameters
    ----------
    path
        CSV or other separated text, ``.xlsx``, ``.parquet``, or a DataFrame with the same
        columns; see :func:`sidewall.log.columns.column_table`. Also a list of these, or a
        folder: each log is read by its own headings. A match that two logs hold with different
        play is two matches, named after their logs; a rally that two logs hold is taken from
        the first and refused in the other.
    players
        Table of players: player, hand, group, initials. A file or a DataFrame. By default the
        sheet "match details" of a workbook that has one, and so for matches.
    matches
        Table of matches: match, date, tin_height_cm, board_width_cm, scoring.
    board_width_cm
        Width of one floorboard, for matches that do not carry their own.
    choice_table
        Rules that derive attack or reset where it was not charted, laid over the default
        ones; see :func:`sidewall.log.choice.choice_rules`.
    sheet
        Sheets of a workbook, one or a list, by name or from 0; by default every sheet whose
        headings are those of a log.
    delimiter
        Separator of a text file; found from the headings by default.
    encoding
        Encoding of a text file. By default UTF-8 and UTF-16 are told apart, and an older code
        page is taken where every one that makes words of the text reads the same. It counts for
        the tables of players and matches too where these are not UTF-8.
    court
        The court that gaps and coordinates must fit into; singles by default.
    mapping
        Says which of the log's columns is which, where its headings are not ours: a TOML file,
        or a :class:`~sidewall.log.mapping.ColumnMap`.

    Returns
    -------
    LogCheck
        Refused rows never raise here.

    Raises
    ------
    LogError
        If the log cannot be read at all, or lacks a required column.
    UnitError
        If a length carries no unit, or boards have no width.

    See Also
    --------
    check_shots
    read_shots

    Examples
    --------
    >>> check = sw.check_log("ladder.csv")
    >>> check.shots["player"].cat.categories.to_list()
    ['Cedar', 'Rowan', 'Hazel', 'Alder']
    """
    if choice_table is not None:
        choice_table = choice_rules(choice_table)
    width = None if board_width_cm is None else board_width(board_width_cm / 100)
    court = court or Court()
    column_map = None if mapping is None else read_map(mapping)
    needs = missing_columns if column_map is None else column_map.missing
    opening = partial(open_log, sheet=sheet, delimiter=delimiter, encoding=encoding, needs=needs)
    if is_several(path):
        check_one = partial(
            check_log,
            players=players,
            matches=matches,
            board_width_cm=board_width_cm,
            choice_table=choice_table,
            encoding=encoding,
            court=court,
            mapping=column_map,
        )
        return check_several(path, check_one, opening, needs)
    raw = opening(cast(Source, path))
    tables = _with_sheet(raw, players, matches)
    of_players = details.read_table(tables[0], "player", details.OF_PLAYER, encoding)
    of_matches = details.read_table(tables[1], "match", details.OF_MATCH, encoding)
    if column_map is not None:
        raw = apply_map(raw, column_map, court)
    reading = Reading(raw, court)
    rows = identify(reading)
    settled: _Settled = {}
    for owner, names in (
        (details.Owner("player", rows.player, rows.players, of_players), details.OF_PLAYER),
        (details.Owner("match", rows.match, rows.matches, of_matches), details.OF_MATCH),
    ):
        for name in names:
            values = details.settle(reading, name, owner)
            if name == "board_width" and width is not None:
                if values is None:
                    values = np.full(len(owner.names), None, dtype=object)
                values[np.array([one is None for one in values], dtype=bool)] = width
            if values is not None:
                length = name in ("tin_height", "board_width")
                settled[f"{name}_m" if length else name] = (owner.what, values)
    read_words(reading, rows)
    if "gap" in reading.headings:
        _, boards = settled.get("board_width_m", ("match", None))
        # -1, a match not named, takes the missing width at the end
        widths = None if boards is None else np.append(boards.astype(float), np.nan)[rows.match]
        read_gap(reading, rows, widths)
    read_lengths(reading, rows)
    if "gap" not in reading.headings:
        gap_of_place(reading, rows)
    check_places(reading, rows)
    return _finish(reading, rows, settled, choice_table)


def _with_sheet(
    raw: RawLog, players: Source | None, matches: Source | None
) -> tuple[Source | RawLog | None, Source | RawLog | None]:
    """Take the tables that are not given from the workbook's match details."""
    if raw.match_details is None or (players is not None and matches is not None):
        return players, matches
    of_players, of_matches = detail_tables(raw.match_details)
    return (
        of_players if players is None else players,
        of_matches if matches is None else matches,
    )


def _finish(
    reading: Reading, rows: Rows, settled: _Settled, choice_table: ChoiceTable | None
) -> LogCheck:
    order = in_order(rows)
    refuse_repeated(reading, rows, order)
    pair, paired = pair_players(reading, rows)
    checks = RallyChecks(reading, rows, order)
    check_structure(checks, paired)
    check_play(checks)
    check_ending(checks, pair)
    checks.refuse_others()
    check_holes(checks)
    scoring = settled.get("scoring")
    settle_score(checks, pair, None if scoring is None else scoring[1])
    shots = build_shots(checks, pair, settled, choice_table)
    used = order.rows[~checks.refused[order.rally]]
    for one in remarks(shots):
        reading.doubt(used[[one.at]], one.column, one.reason, one.mend)
    raw = reading.raw
    of = np.zeros(reading.rows, dtype=np.int64) if raw.sheet_of is None else raw.sheet_of
    counts = np.bincount(of, minlength=len(raw.sheets)).tolist()
    return LogCheck(
        shots,
        reading.problems.table(),
        reading.folded.table(),
        reading.rows,
        len(shots),
        int(reading.problems.refused.sum()),
        reading.problems.doubts(),
        reading.source,
        reading.problems.counts(),
        {},
        dict(zip(raw.sheets, counts, strict=False)),
        raw.passed_over,
        (*raw.notes, *_of_several_sheets(reading, rows), *_in_short(shots)),
    )


def _in_short(shots: pd.DataFrame) -> list[str]:
    """Count the rows that are charted in short."""
    struck = shots["stroke"].ne("serve").fillna(True).to_numpy(dtype=bool)
    blank = shots["side"].isna() | shots["gap_m"].isna()
    count = int((struck & blank.to_numpy()).sum())
    if not count:
        return []
    return [
        f"{count} {'row is' if count == 1 else 'rows are'} charted in short (no side, or the gap "
        "in words): each tells who struck which ball and what became of the shot before, and is "
        "left out wherever a side, a stroke or a measured gap is needed."
    ]


def _of_several_sheets(reading: Reading, rows: Rows) -> list[str]:
    """Name the matches that stand on several sheets and are read as one."""
    raw = reading.raw
    if raw.sheet_of is None:
        return []
    pairs = pd.DataFrame({"match": rows.match, "sheet": raw.sheet_of}).drop_duplicates()
    notes = []
    for match, where in pairs[pairs["match"] >= 0].groupby("match", sort=False)["sheet"]:
        if len(where) > 1:
            names = ", ".join(repr(raw.sheets[at]) for at in where)
            name = shown_cell(rows.matches[cast(int, match)])
            notes.append(
                f"Match {name} stands on the sheets {names} and is read as one. "
                "If these are several, give each its own name."
            )
    return notes
