"""What a report shows, as plain data: no table, no model and no markup from here on."""

from __future__ import annotations

from dataclasses import dataclass, field

from sidewall.report.sheet import Sheet


@dataclass(frozen=True)
class Link:
    """From a claim to the best examples of it."""

    anchor: str
    number: int
    rallies: int


@dataclass(frozen=True)
class Picture:
    """A drawing as a data URI under a one-line verdict."""

    title: str
    source: str
    alt: str
    says: str
    width: int
    height: int
    link: Link | None = None


@dataclass(frozen=True)
class Line:
    """A verdict without a picture; the coach's words beside it are HTML that was made safe."""

    title: str
    says: str
    more: list[tuple[str, str]] = field(default_factory=list)
    link: Link | None = None
    notes: str = ""


@dataclass(frozen=True)
class Section:
    """A question, its verdict, and what shows it.

    ``key`` is what a coach's file calls it. The coach's words (``notes``) are HTML that was
    made safe.
    """

    key: str
    title: str
    verdict: str
    pictures: list[Picture] = field(default_factory=list)
    lines: list[Line] = field(default_factory=list)
    read: str = ""
    notes: str = ""


@dataclass(frozen=True)
class NumberTable:
    """A table with its caption; the first cell of a row is its heading."""

    anchor: str
    title: str
    caption: str
    headings: list[str]
    rows: list[list[str]]


@dataclass(frozen=True)
class Example:
    """One rally to look at; ``video`` is its address with the time, or empty."""

    match: str
    game: int
    rally: int
    time: str
    words: str
    video: str


@dataclass(frozen=True)
class RallyList:
    """The best examples of a claim."""

    link: Link
    title: str
    shots: int
    examples: list[Example]


@dataclass(frozen=True)
class Content:
    """One player's report."""

    player: str
    sheet: Sheet
    sections: list[Section]
    level: str
    tables: list[NumberTable]
    lists: list[RallyList]
    #: Match, and its games with the rallies that the lists rest on: number and time.
    rest: list[tuple[str, list[tuple[int, list[tuple[int, str]]]]]]
    has_times: bool
    method: list[tuple[str, list[str]]]
    facts: list[tuple[str, str]]
    initials: bool
    clips: list[tuple[str, str]] = field(default_factory=list)
