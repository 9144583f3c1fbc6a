"""A log under reading: its raw columns, and the books of what is refused and folded."""

from __future__ import annotations

from typing import Any

import numpy as np

from sidewall.arguments import Array
from sidewall.court import Court
from sidewall.errors import LogError
from sidewall.log.columns import DERIVED, FOR_THE_EYE, SPECS, resolve, understand
from sidewall.log.ledger import ROW, Problems
from sidewall.log.raw import RawColumn, RawLog


class Reading:
    """What every check of a log on a court needs to know, and where it writes what it found."""

    def __init__(self, raw: RawLog, court: Court) -> None:
        self.raw = raw
        self.court = court
        self.rows = len(raw.lines)
        self.source = raw.source
        self.folded = raw.folded
        self.problems = Problems(raw.lines, raw.headings_by_row, raw.sheet_names)
        self.headings = resolve(raw)
        if not self.rows:
            raise LogError(
                f"{raw.source}: there are headings but no rows. Write one shot on each line below "
                "the headings."
            )
        self._note_units()
        self._note_unused()
        self._refuse_overfull()

    def column(self, name: str) -> RawColumn | None:
        """Return the raw column, or None if the log does not have it."""
        heading = self.headings.get(name)
        return None if heading is None else self.raw.columns[heading.place][1]

    def shown(self, name: str) -> str:
        """Heading of a column as the file has it."""
        heading = self.headings.get(name)
        if heading is None:
            return name
        return self.raw.their_headings.get(heading.text, heading.text)

    def cells(self, name: str, rows: Array) -> Any:
        """Return the text of some rows of a column as found; blank without the column."""
        column = self.column(name)
        return "" if column is None else column.cells(rows)

    def refuse(self, rows: Array, name: str, reason: Any, mend: Any, *, kind: str = ROW) -> None:
        """Refuse rows, a mask or places, for one column; texts may be one for each row refused."""
        at = np.flatnonzero(rows) if rows.dtype == bool else rows
        self.problems.add(at, self.shown(name), self.cells(name, at), reason, mend, kind=kind)

    def doubt(self, rows: Array, name: str, reason: Any, mend: Any) -> None:
        """Note rows as doubtful in one column, arguments as of :meth:`refuse`; they are used."""
        at = np.flatnonzero(rows) if rows.dtype == bool else rows
        self.problems.doubt(at, self.shown(name), self.cells(name, at), reason, mend)

    def refuse_values(
        self,
        name: str,
        reasons: dict[int, str],
        mends: dict[int, str],
        only: Any = None,
        *,
        doubt: bool = False,
    ) -> None:
        """Refuse the rows that hold certain distinct values, or with `doubt` only note them.

        Reasons and mends are by the place of the value; `only` is a mask of the rows to look at.
        """
        column = self.column(name)
        if column is None or not reasons:
            return
        wrong = np.zeros(len(column.distinct), dtype=bool)
        reason = np.full(len(column.distinct), "", dtype=object)
        mend = np.full(len(column.distinct), "", dtype=object)
        for at, text in reasons.items():
            wrong[at], reason[at], mend[at] = True, text, mends.get(at, "")
        mask = wrong[column.codes]
        if only is not None:
            mask &= only
        codes = column.codes[mask]
        (self.doubt if doubt else self.refuse)(mask, name, reason[codes], mend[codes])

    def note(self, name: str, read_as: dict[int, str]) -> None:
        """List distinct values that were read as something else."""
        column = self.column(name)
        if column is None or not read_as:
            return
        counts = np.bincount(column.codes, minlength=len(column.distinct))
        for at, text in read_as.items():
            self.folded.add(self.shown(name), column.found[at], text, int(counts[at]))

    def _note_units(self) -> None:
        """List the units that only the cells say."""
        for name, heading in self.headings.items():
            assumed = "m" if SPECS[name].metres_assumed else None
            if understand(heading.text) == (name, None) and heading.unit not in (None, assumed):
                column = self.raw.columns[heading.place][1]
                filled = int((~column.blank).sum())
                read_as = f"{heading.unit}, as its cells say"
                self.folded.add(self.shown(name), "(no unit in the heading)", read_as, filled)

    def _note_unused(self) -> None:
        used = {heading.place for heading in self.headings.values()}
        for place, (text, column) in enumerate(self.raw.columns):
            if place in used or text.casefold() == FOR_THE_EYE:
                continue
            filled = int((~column.blank).sum())
            if understand(text) is None and text.casefold() in DERIVED:
                self.folded.add(text, "(column)", "not used: it follows from the others", filled)
            else:
                name = text or f"(column {place + 1})"
                self.folded.add(name, "(column)", "not used", max(filled, bool(text)))

    def _refuse_overfull(self) -> None:
        if not self.raw.overfull:
            return
        self.problems.add(
            np.fromiter(self.raw.overfull, dtype=np.int64),
            "(line)",
            list(self.raw.overfull.values()),
            f"the line has more cells than the {len(self.raw.columns)} headings",
            "a cell that holds the separator, such as a decimal comma, must be in quotation marks: "
            "quote it, or write decimals with a point",
        )
