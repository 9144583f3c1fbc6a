"""Gathers one player's report from the fitted ladder; no page is written here."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from sidewall.plots.words import board_width_of, known_player
from sidewall.report.coach import notes_by_heading
from sidewall.report.ladder import FittedLadder
from sidewall.report.method import log_facts, method_words
from sidewall.report.numbers import number_tables
from sidewall.report.rallies import Rallies
from sidewall.report.sections import SECTIONS, Pages
from sidewall.report.sheet import make_sheet
from sidewall.report.views import Content, Line, Section
from sidewall.report.words import Lengths

if TYPE_CHECKING:
    from collections.abc import Sequence

    from sidewall.log import LogCheck


@dataclass(frozen=True)
class Look:
    """What a coach chooses for the pages.

    The check is that of the log, for the rows refused; `initials` stand for names; videos are by
    match; `notes` are the coach's words about this player.
    """

    unit: str = "cm"
    board_width_m: float | None = None
    check: LogCheck | None = None
    initials: bool = False
    sections: Sequence[str] = SECTIONS
    videos: dict[str, Path] = field(default_factory=dict)
    notes: Path | None = None


def gather(
    ladder: FittedLadder, player: str, look: Look, page: Path | None = None
) -> tuple[Content, Rallies]:
    """Gather everything that one player's page shows, and the rallies behind its claims, for clips.

    `page` is where it will lie, for the addresses of videos. A DataError if the model does not know
    the player, or the notes cannot be read; a UnitError if the unit is unknown, or boards are asked
    for and their width is not known.
    """
    player = known_player(ladder.value, player)
    width = board_width_of(ladder.value, player, look.board_width_m)
    sheet = make_sheet(ladder, player, look.unit, width)
    lengths = Lengths(look.unit, width)
    rallies = Rallies(ladder.features, look.videos, page, lengths.main)
    pages = Pages(ladder, player, sheet, lengths, width, rallies)
    tables = number_tables(ladder, player, lengths)  # first: what is missing is told by it
    named = [key for key in look.sections if key != "notes"]
    made = {key: pages.section(key) for key in named}
    found = {key: one for key, one in made.items() if one is not None}
    content = Content(
        player=player,
        sheet=sheet,
        sections=_with_notes(found, look),
        level=f"{ladder.level:.0%}",
        tables=tables,
        lists=rallies.lists,
        rest=rallies.rest(),
        has_times=bool(rallies.shots["t_s"].notna().any()),
        method=method_words(ladder),
        facts=log_facts(ladder, player, look.check),
        initials=look.initials,
    )
    return content, rallies


def _with_notes(found: dict[str, Section], look: Look) -> list[Section]:
    """The sections in their order, with the coach's words where they belong."""
    if look.notes is None:
        return [found[key] for key in look.sections if key in found]
    lines = [line.title for one in found.values() for line in one.lines]
    notes = notes_by_heading(look.notes, [*(one.title for one in found.values()), *lines])

    def beside(line: Line) -> Line:
        return replace(line, notes=notes.pop(line.title, ""))

    told = {
        key: replace(
            one, notes=notes.pop(one.title, ""), lines=[beside(line) for line in one.lines]
        )
        for key, one in found.items()
    }
    told["notes"] = Section("notes", "From the coach", "", notes="".join(notes.values()))
    return [told[key] for key in look.sections if key in told and (key != "notes" or notes)]
