"""What a page shows, as plain data: no table, no model and no markup from here on."""

from __future__ import annotations

from dataclasses import dataclass, field

__all__ = [
    "Answer",
    "Card",
    "Content",
    "Link",
    "Listed",
    "NumberTable",
    "Part",
    "Picture",
    "RallyList",
    "Row",
    "Ruler",
    "Watch",
]


@dataclass(frozen=True)
class Link:
    """From a claim to the list of its rallies."""

    anchor: str
    number: int
    rallies: int


@dataclass(frozen=True)
class Part:
    """A stretch of the ruler, in per cent of its length: attack, reset or open."""

    choice: str
    left: float
    width: float
    words: str


@dataclass(frozen=True)
class Ruler:
    """Gaps from the wall on: which choice is right, and the threshold with its interval."""

    parts: list[Part]
    ticks: list[tuple[float, str]]
    at: float | None = None
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True)
class Answer:
    """The loose threshold of one side and stroke family."""

    cell: str
    says: str
    interval: str
    boards: str
    rule: str
    n: str
    beside: str
    known: bool
    ruler: Ruler
    link: Link | None


@dataclass(frozen=True)
class Picture:
    """A drawing as a data URI, with what it says for a coach."""

    title: str
    source: str
    alt: str
    says: str
    n: str
    width: int
    height: int
    link: Link | None = None
    wide: bool = False


@dataclass(frozen=True)
class Card:
    """One item of the work list."""

    rank: int
    anchor: str
    title: str
    status: str
    gain: str
    match: str
    target: str
    effort: str
    sure: str
    n: str
    why: str
    drill: str
    aim: str
    stages: list[tuple[str, str]]
    link: Link | None


@dataclass(frozen=True)
class Row:
    """One row of a table; the first cell is its heading."""

    cells: list[str]
    link: Link | None = None


@dataclass(frozen=True)
class NumberTable:
    """A table with its caption."""

    anchor: str
    title: str
    caption: str
    headings: list[str]
    rows: list[Row]

    @property
    def linked(self) -> bool:
        """Whether any row has a list of rallies."""
        return any(row.link is not None for row in self.rows)


@dataclass(frozen=True)
class Listed:
    """The rallies of one game: number and video time of each."""

    game: int
    rallies: list[tuple[int, str]]


@dataclass(frozen=True)
class Watch:
    """One shot to look at first."""

    match: str
    game: int
    rally: int
    shot: int
    time: str
    words: str


@dataclass(frozen=True)
class RallyList:
    """The rallies that a claim rests on."""

    link: Link
    title: str
    shots: int
    matches: list[tuple[str, list[Listed]]]
    first: list[Watch]
    clips: list[tuple[str, str]] = field(default_factory=list)


@dataclass(frozen=True)
class Content:
    """One player's report."""

    player: str
    unit: str
    level: str
    counts: str
    dates: str
    answers: list[Answer]
    settle: str
    pictures: list[tuple[str, str, list[Picture]]]
    cards: list[Card]
    more_cards: list[Card]
    cautions: list[str]
    tables: list[NumberTable]
    lists: list[RallyList]
    has_times: bool
    method: list[tuple[str, list[str]]]
    missing: list[tuple[str, str]]
    facts: list[tuple[str, str]]
    initials: bool
    clips: str = ""
