"""A check of a log in words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pandas as pd

from sidewall.arguments import first_of
from sidewall.log.ledger import KINDS, WITH_ITS_RALLY
from sidewall.log.raw import shown_cell

if TYPE_CHECKING:
    from sidewall.log.check import LogCheck

_MOST_SHEETS: Final = 40


def summarise(check: LogCheck, most: int) -> str:
    """Return the counts, then the first problems and foldings."""
    matches = check.shots["match"].nunique()
    rallies = len(check.shots[["match", "game", "rally"]].drop_duplicates())
    lines = [
        f"{check.source}: {_count(check.rows_in, 'row')} in, {check.rows_used} used, "
        f"{check.rows_refused} refused.",
        f"Used: {_count(rallies, 'rally', 'rallies')} in {_count(matches, 'match', 'matches')}.",
    ]
    if check.logs:
        read = [f"{name} ({_count(n, 'row')})" for name, n in check.logs.items()]
        lines.append(f"Read from {', '.join(read)}.")
    if len(check.sheets) > 1 or check.passed_over:
        lines.append(_sheets(check))
    if check.rows_refused:
        lines.append(refusals(check))
    own = check.problems[check.problems["kind"] != WITH_ITS_RALLY]
    for title, rows in (("To mend:", own), ("Used, but look at:", check.doubts)):
        texts = [problem_text(row) for _, row in rows.head(most).iterrows()]
        lines += _part(title, texts, len(rows), most)
    folded = [
        f"{_short(row['column'])}: {shown_cell(row['found'])} read as {_short(row['read_as'])} "
        f"({_count(row['rows'], 'row')})"
        for _, row in check.folded.head(most).iterrows()
    ]
    lines += _part("Read as something else than typed:", folded, len(check.folded), most)
    title = "About the logs:" if check.logs else "About the file:"
    notes = [" ".join(note.split()) for note in check.notes[:most]]
    lines += _part(title, notes, len(check.notes), most)
    return "\n".join(lines)


def _part(title: str, texts: list[str], total: int, most: int) -> list[str]:
    """Lines of a part of the summary; none where there is nothing in it."""
    if not total:
        return []
    more = [f"and {total - most} more"] if total > most else []
    return ["", title, *(f"  {text}" for text in (*texts, *more))]


def _sheets(check: LogCheck) -> str:
    """Name the sheets that were read and those that were passed over."""
    read = [f"{shown_cell(name)} ({_count(n, 'row')})" for name, n in check.sheets.items()]
    text = f"Read from {_listed(read)}."
    if check.passed_over:
        names = [shown_cell(name) for name in check.passed_over]
        text += f" Passed over, as not a log: {_listed(names)}."
    return text


def _listed(names: list[str]) -> str:
    return f"sheet{'s' if len(names) > 1 else ''} {first_of(names, _MOST_SHEETS)}"


def refusals(check: LogCheck) -> str:
    """Return one sentence on the refused rows, each counted once."""
    counts = [check.refused_by_kind.get(kind, 0) for kind in KINDS]
    return (
        f"Refused: {counts[0]} with a mistake of their own, {counts[1]} where a rally contradicts "
        f"itself, {counts[2]} without a mistake in one of those rallies."
    )


def problem_text(problem: pd.Series) -> str:
    """Return one problem on one line."""
    where = f"line {problem['line']}"
    if "sheet" in problem:
        where = f"sheet {shown_cell(problem['sheet'])}, {where}"
    if "log" in problem:
        where = f"{problem['log']}, {where}"
    if problem["column"]:
        where += f", {_short(problem['column'])}"
    if problem["value"]:
        where += f" = {shown_cell(problem['value'])}"
    return f"{where}: {problem['reason']}. Mend: {problem['mend']}."


def _count(number: int, one: str, many: str | None = None) -> str:
    return f"{number} {one if number == 1 else many or one + 's'}"


def _short(text: str) -> str:
    return shown_cell(text)[1:-1]
