"""The rows of a charted match, their form as a log, and what the reader says of them.

A row is a dictionary from `FIELDS` to its value, None where blank. Rows are never changed in
place: a change makes a new row.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, TypeAlias

import pandas as pd

from sidewall.court import Court
from sidewall.errors import DataError, LogError
from sidewall.log import check_log
from sidewall.log.cells import is_blank, name_key
from sidewall.log.ledger import WITH_ITS_RALLY
from sidewall.log.score import hand_in_hand_out
from sidewall.log.vocabulary import HANDS
from sidewall.log.writing import with_text_mark

Row: TypeAlias = dict[str, Any]

#: Words and numbers that one charts; the rest of a row follows from where it stands.
WORDS: Final = (
    *("side", "stroke", "direction", "contact", "choice", "balance", "gap_class", "ending"),
)
NUMBERS: Final = (
    *("gap_cm", "t", "x", "y"),
    *("bounce_x", "bounce_y", "wall_z", "opponent_x", "opponent_y"),
)
COUNTS: Final = ("game", "rally", "shot")
HEADINGS: Final = (
    *("match", "game", "rally", "shot", "player", "side", "stroke", "direction", "contact"),
    *("gap_cm", "gap_class", "choice", "balance", "rally_won_by", "ending", "t"),
    *("opponent", "x", "y", "bounce_x", "bounce_y", "wall_z", "opponent_x", "opponent_y"),
    *("hand", "scoring"),
)


@dataclass(frozen=True)
class Setup:
    """What holds for the whole match; a DataError if the names or words are not usable.

    `server` serves first; `scoring` is ``par11``, ``par15`` or ``hiho9``, see
    `sidewall.log.score.hand_in_hand_out`; `hands` are ``right`` or ``left`` by player, where known.
    """

    match: str
    players: tuple[str, str]
    server: str
    scoring: str = "par11"
    hands: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        names = [name_key(name) for name in self.players if not _blank(name)]
        if len(self.players) != 2 or len(set(names)) != 2:
            raise DataError(
                f"players is {list(self.players)!r}: give the two names, such as "
                'players=("Rowan", "Hazel").'
            )
        if _blank(self.match):
            raise DataError(f"match is {self.match!r}: give the match a name.")
        if self.server not in self.players:
            raise DataError(
                f"server is {self.server!r}: who serves first is {self.players[0]} or "
                f"{self.players[1]}."
            )
        hand_in_hand_out(pd.Series([self.scoring]))
        for name, hand in self.hands.items():
            if name not in self.players or hand not in HANDS:
                raise DataError(
                    f"hands holds {name!r}: {hand!r}; give right or left for {self.players[0]} "
                    f"or {self.players[1]}."
                )

    def other(self, player: str) -> str:
        """Return the opponent of a player."""
        return self.players[1 - self.players.index(player)]


def _blank(name: Any) -> bool:
    return not isinstance(name, str) or is_blank(name, name=True)


def log_cells(setup: Setup, rows: Sequence[Row]) -> list[list[Any]]:
    """Cells of the log under `HEADINGS`, None where blank, one list a row."""
    same = {"match": setup.match, "scoring": setup.scoring}
    return [
        [({**row, **same, "hand": setup.hands.get(row["player"])}).get(name) for name in HEADINGS]
        for row in rows
    ]


def log_frame(setup: Setup, rows: Sequence[Row]) -> pd.DataFrame:
    """Return the log as the reader takes it; row i is line i + 2."""
    return pd.DataFrame(log_cells(setup, rows), columns=list(HEADINGS), dtype=object)


def log_bytes(setup: Setup, rows: Sequence[Row]) -> bytes:
    """Return the log as the bytes of a CSV file, with the mark that says UTF-8."""
    text = io.StringIO(newline="")
    cells = [[with_text_mark(cell) for cell in row] for row in log_cells(setup, rows)]
    csv.writer(text).writerows([HEADINGS, *cells])
    return text.getvalue().encode("utf-8-sig")


def tidy_number(value: Any, what: str, decimals: int = 2) -> float | None:
    """Round a number for the log; None stays None. A DataError if it is no finite number."""
    if value is None or value == "":
        return None
    try:
        number = float(value)
    except (TypeError, ValueError):
        number = math.nan
    if not math.isfinite(number):
        raise DataError(f"{what} is {value!r}: type a number, such as 35 or 35.5.")
    return round(number, decimals) + 0.0


@dataclass(frozen=True)
class Problem:
    """A row that the reader would refuse: its place from 0 (None for the whole log), and why."""

    row: int | None
    text: str


def problems_of(setup: Setup, rows: Sequence[Row], court: Court) -> list[Problem]:
    """Check rows with `sidewall.log.check_log`, but for those that only share a rally with one.

    The rally that is still open is checked as if it had just ended with a let, the one ending
    that goes with every rally, so that all rules but the one that asks for an ending apply.
    """
    if not rows:
        return []
    try:
        closed = [*rows[:-1], {**rows[-1], "ending": rows[-1]["ending"] or "let"}]
        check = check_log(log_frame(setup, closed), court=court)
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
    """Rallies that have ended, without contradiction, as `sidewall.read_shots` gives them.

    A LogError if no rally has ended.
    """
    last = max((at for at, row in enumerate(rows) if row["ending"] is not None), default=-1)
    if last < 0:
        raise LogError("No rally has ended yet: chart one to its end first.")
    return check_log(log_frame(setup, rows[: last + 1]), court=court).shots
