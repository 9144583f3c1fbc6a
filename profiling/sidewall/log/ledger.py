"""The books of a reading: which rows were refused and why, and what was folded."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import pandas as pd

from sidewall.arguments import Array, Bools, Ints

PROBLEM_COLUMNS: Final = ("line", "column", "value", "reason", "mend", "kind")
DOUBT_COLUMNS: Final = PROBLEM_COLUMNS[:-1]
FOLDED_COLUMNS: Final = ("column", "found", "read_as", "rows")

#: A row with a mistake of its own; a rally that contradicts itself, named on its first
#: offending line; a row without a mistake in a rally that cannot be used.
ROW: Final = "row"
RALLY: Final = "rally"
WITH_ITS_RALLY: Final = "with its rally"
KINDS: Final = (ROW, RALLY, WITH_ITS_RALLY)


class Folded:
    """What was read as something else than it was typed as, with the number of rows."""

    def __init__(self) -> None:
        self._rows: list[tuple[str, str, str, int]] = []

    def add(self, column: str, found: Any, read_as: Any, rows: int) -> None:
        """Note one folding; nothing is noted for no rows."""
        if rows:
            self._rows.append((column, str(found), str(read_as), int(rows)))

    def table(self) -> pd.DataFrame:
        """Return the foldings in the order found."""
        table = pd.DataFrame(self._rows, columns=list(FOLDED_COLUMNS))
        text = {name: "str" for name in FOLDED_COLUMNS[:3]} if not len(table) else {}
        return table.astype({**text, "rows": "int64"})


class Problems:
    """Refused rows and doubtful ones, collected a batch at a time.

    `lines` are those of the file, (rows,); several rows may share one. `headings`, (rows,), are
    those that differ from row to row, by what they are called together; `sheets`, (rows,), where
    several were read: the tables then name them.
    """

    def __init__(
        self, lines: Ints, headings: Mapping[str, Array] | None = None, sheets: Array | None = None
    ) -> None:
        self._lines = lines
        self._sheets = sheets
        self._headings = dict(headings or {})
        #: The first of KINDS that each row was refused for, len(KINDS) for none; shape (rows,).
        self._kind = np.full(len(lines), len(KINDS), dtype=np.int8)
        self._parts: list[pd.DataFrame] = []
        self._doubts: list[pd.DataFrame] = []
        #: Rows with a mistake of their own, shape (rows,).
        self.row_refused = np.zeros(len(lines), dtype=bool)

    def add(
        self, rows: Array, column: str, value: Any, reason: Any, mend: Any, *, kind: str = ROW
    ) -> None:
        """Refuse some rows: the column at fault as the file calls it, or blank, and what is wrong.

        `value`, `reason` and `mend` are one text for all, or one a row; `kind` is ``row``,
        ``rally`` or ``with its rally``.
        """
        if not len(rows):
            return
        self._kind[rows] = np.minimum(self._kind[rows], KINDS.index(kind))
        if kind == ROW:
            self.row_refused[rows] = True
        self._parts.append(self._table(rows, column, value, reason, mend).assign(kind=kind))

    def doubt(self, rows: Array, column: str, value: Any, reason: Any, mend: Any) -> None:
        """Note what to look at in rows that are used all the same; arguments as of :meth:`add`."""
        if len(rows):
            noted = self._table(rows, column, value, reason, mend)
            self._doubts.append(noted.assign(row=rows))

    def _table(self, rows: Array, column: str, value: Any, reason: Any, mend: Any) -> pd.DataFrame:
        by_row = self._headings.get(column)
        return pd.DataFrame(
            {
                **({} if self._sheets is None else {"sheet": self._sheets[rows]}),
                "line": self._lines[rows],
                "column": column if by_row is None else by_row[rows],
                "value": _texts(value, len(rows)),
                "reason": _texts(reason, len(rows)),
                "mend": _texts(mend, len(rows)),
            }
        )

    @property
    def refused(self) -> Bools:
        """Rows refused for whatever reason, shape (rows,)."""
        return self._kind < len(KINDS)

    def counts(self) -> dict[str, int]:
        """Return the number of refused rows by kind, each row once under its first kind."""
        return {kind: int((self._kind == at).sum()) for at, kind in enumerate(KINDS)}

    def table(self) -> pd.DataFrame:
        """Return the problems sorted by sheet and line, each line's own mistakes first."""
        if not self._parts:
            return self._empty(PROBLEM_COLUMNS)
        return self._sorted(pd.concat(self._parts, ignore_index=True))

    def doubts(self) -> pd.DataFrame:
        """Return what to look at in rows that are used, sorted by sheet and line."""
        if not self._doubts:
            return self._empty(DOUBT_COLUMNS)
        table = pd.concat(self._doubts, ignore_index=True)
        return self._sorted(table[~self.refused[table["row"].to_numpy()]].drop(columns="row"))

    def _empty(self, columns: tuple[str, ...]) -> pd.DataFrame:
        names = columns if self._sheets is None else ("sheet", *columns)
        empty: dict[str, Any] = {name: pd.Series(dtype="str") for name in names}
        return pd.DataFrame({**empty, "line": pd.Series(dtype="int64")})

    def _sorted(self, table: pd.DataFrame) -> pd.DataFrame:
        keys = [table["line"].to_numpy()]
        if self._sheets is not None:
            order = {name: at for at, name in enumerate(dict.fromkeys(self._sheets))}
            keys.append(table["sheet"].map(order).to_numpy())
        return table.iloc[np.lexsort(keys)].reset_index(drop=True)


def _texts(value: Any, length: int) -> Any:
    if isinstance(value, str):
        return value
    texts = np.empty(length, dtype=object)
    texts[:] = [str(one) for one in value]
    return texts
