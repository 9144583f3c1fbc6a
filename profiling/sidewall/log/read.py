"""Read a log into the checked table of shots."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from typing import Any, Literal

import pandas as pd

from sidewall.court import Court
from sidewall.errors import DoubtfulRowsWarning, LogError, RefusedRowsWarning
from sidewall.log.check import LogCheck, check_log
from sidewall.log.choice import ChoiceTable
from sidewall.log.ledger import WITH_ITS_RALLY
from sidewall.log.mapping.apply import MapSource
from sidewall.log.source import Source
from sidewall.log.summary import problem_text, refusals
from sidewall.log.workbook import Sheet

OnRefused = Literal["warn", "raise", "ignore"]


def read_shots(
    path: Source | Sequence[Source],
    *,
    players: Source | None = None,
    matches: Source | None = None,
    board_width_cm: float | None = None,
    choice_table: ChoiceTable | None = None,
    sheet: Sheet | None = None,
    delimiter: str | None = None,
    encoding: str | None = None,
    on_refused: OnRefused = "warn",
    court: Court | None = None,
    mapping: MapSource | None = None,
) -> pd.DataFrame:
    """Read a shot log and return its checked shots.

    Parameters
    ----------
    path, players, matches, board_width_cm, choice_table, sheet, delimiter, encoding, court, mapping
        See :func:`check_log`.
    on_refused
        What to do about refused rows: ``warn``, ``raise`` or ``ignore``. Unless it is
        ``ignore``, rows that are used and doubtful give a warning.

    Returns
    -------
    DataFrame
        One row a shot, sorted by match, game, rally and shot: whole rallies without
        contradiction only. Lengths are in metres, words are categories of the vocabulary.

    Raises
    ------
    LogError
        If the log cannot be read, if no row can be used, or if ``on_refused`` is ``raise``
        and rows were refused.
    UnitError
        If a length carries no unit, or boards have no width.

    Warns
    -----
    RefusedRowsWarning
        If rows were refused and ``on_refused`` is ``warn``.
    DoubtfulRowsWarning
        If rows are used that say something doubtful, such as a word that is not known.

    See Also
    --------
    check_log
    shot_features
    write_template

    Examples
    --------
    >>> some = sw.read_shots("ladder.csv", on_refused="raise")
    >>> some[["match", "game", "rally", "shot", "player", "stroke", "gap_m"]].head(2)
      match  game  rally  shot player stroke  gap_m
    0   m01     1      1     1  Cedar  serve    NaN
    1   m01     1      1     2  Rowan   kill   0.99
    """
    if on_refused not in ("warn", "raise", "ignore"):
        raise LogError(f"on_refused is {on_refused!r}: use 'warn', 'raise' or 'ignore'.")
    check = check_log(
        path,
        players=players,
        matches=matches,
        board_width_cm=board_width_cm,
        choice_table=choice_table,
        sheet=sheet,
        delimiter=delimiter,
        encoding=encoding,
        court=court,
        mapping=mapping,
    )
    if check.rows_refused and on_refused != "ignore":
        message = _message(check)
        if on_refused == "raise" or not check.rows_used:
            raise LogError(message)
        warnings.warn(message, RefusedRowsWarning, stacklevel=2)
    if len(check.doubts) and on_refused != "ignore":
        message = (
            f"{check.source}: {check.doubts['line'].nunique()} of the rows that are used say "
            f"something doubtful. First: {problem_text(check.doubts.iloc[0])} See "
            "sidewall.log.check_log(...).doubts for every line."
        )
        warnings.warn(message, DoubtfulRowsWarning, stacklevel=2)
    return check.shots


def check_shots(path: Source | Sequence[Source], **options: Any) -> pd.DataFrame:
    """Return the problems of a log: line, column, value, reason, mend and kind.

    Parameters
    ----------
    path, **options
        See :func:`check_log`.

    Returns
    -------
    DataFrame
        Every refused row at least once; empty for a clean log.

    See Also
    --------
    check_log
    read_shots

    Examples
    --------
    >>> sw.check_shots("ladder.csv").columns.to_list()
    ['line', 'column', 'value', 'reason', 'mend', 'kind']
    """
    return check_log(path, **options).problems


def _message(check: LogCheck) -> str:
    own = check.problems[check.problems["kind"] != WITH_ITS_RALLY]
    return (
        f"{check.source}: {check.rows_refused} of {check.rows_in} rows refused. {refusals(check)} "
        f"First: {problem_text(own.iloc[0])} See sidewall.check_shots for every line, or "
        "sidewall.log.check_log(...).summary()."
    )
