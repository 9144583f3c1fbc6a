"""The reader's own rules, applied to what has been charted so far."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from sidewall.charting.rows import Row, Setup, log_frame
from sidewall.court import Court
from sidewall.errors import LogError
from sidewall.log import check_log
from sidewall.log.ledger import WITH_ITS_RALLY


@dataclass(frozen=True)
class Problem:
    """A row that the reader would refuse: its place from 0 (None for the whole log), and why."""

    row: int | None
    text: str


def problems_of(setup: Setup, rows: Sequence[Row], court: Court) -> list[Problem]:
    """Check rows with `sidewall.log.check_log`.

    The rally that is still open is checked as if it had just ended with a let, the one ending
    that goes with every rally, so that all rules but the one that asks for an ending apply.

    Parameters
    ----------
    setup
        The match.
    rows
        Its rows so far.
    court
        The court that gaps and places must fit into.

    Returns
    -------
    list of Problem
        In order of rows; a row that only shares a rally with a mistake is left out.
    """
    if not rows:
        return []
    try:
        check = check_log(log_frame(setup, _closed(rows)), court=court)
    except LogError as error:
        return [Problem(None, str(error))]
    own = check.problems[check.problems["kind"] != WITH_ITS_RALLY]
    return [
        Problem(int(line) - 2, f"{column}: {reason}; {mend}.")
        for line, column, reason, mend in zip(
            own["line"], own["column"], own["reason"], own["mend"], strict=True
        )
    ]


def finished_shots(setup: Setup, rows: Sequence[Row], court: Court) -> pd.DataFrame:
    """Checked table of the rallies that have ended, as `sidewall.read_shots` gives it.

    Parameters
    ----------
    setup, rows, court
        As `problems_of` takes them.

    Returns
    -------
    DataFrame
        Whole rallies without contradiction only.

    Raises
    ------
    LogError
        If no rally has ended.
    """
    last = max((at for at, row in enumerate(rows) if row["ending"] is not None), default=-1)
    if last < 0:
        raise LogError("No rally has ended yet: chart one to its end first.")
    return check_log(log_frame(setup, rows[: last + 1]), court=court).shots


def _closed(rows: Sequence[Row]) -> Sequence[Row]:
    last = rows[-1]
    return rows if last["ending"] is not None else [*rows[:-1], {**last, "ending": "let"}]
