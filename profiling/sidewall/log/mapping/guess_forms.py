"""Guess what a row of a log is: a shot, an exchange or a rally."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from sidewall.log.columns import COLUMNS
from sidewall.log.mapping.column_map import EXCHANGE, RALLY, ROW_NAMES, SHOT
from sidewall.log.numerals import is_blank
from sidewall.log.raw import RawColumn
from sidewall.log.synonyms import understand_word

_ALL: Final = tuple(spec.name for spec in COLUMNS)
_OF_ROW: Final = ("match", "game", "rally", "ending", "rally_won_by", "date", "scoring")
_DETAILS: Final = ("hand", "group", "initials", "tin_height", "board_width", "t")
_OF_SHOT: Final = tuple(
    name for name in _ALL if name not in (*_OF_ROW, "tin_height", "board_width")
)
#: What tells the two shots of an exchange apart in a heading.
_PAIRS: Final = (("a", "b"), ("1", "2"), ("p1", "p2"), ("first", "second"), ("server", "receiver"))
_BETWEEN: Final = (";", ">", "|", "/", "\n")
_LEAST_SHARE: Final = 0.6


@dataclass(frozen=True)
class Group:
    """Columns of one shot of a row: the table they go into, and their stems."""

    table: str
    places: tuple[int, ...]
    stems: tuple[str, ...]
    headings: tuple[str, ...]


@dataclass(frozen=True)
class Form:
    """What a row is, and which columns belong to its shots."""

    each_row_is: str = SHOT
    groups: tuple[Group, ...] = ()
    sequence_lines: tuple[str, ...] = ()
    sequence_places: tuple[int, ...] = ()
    shared_names: tuple[str, ...] = _ALL
    shot_names: tuple[str, ...] = field(default=_OF_SHOT)
    has_players: bool = False


def find_form(headings: list[str], columns: list[RawColumn]) -> Form:
    """Say what a row is, from headings that repeat and from cells that hold many strokes."""
    found = _as_sequence(headings, columns) or _as_repeated(headings) or _as_exchange(headings)
    return found or Form()


def _as_repeated(headings: list[str]) -> Form | None:
    """Look for headings that are the same but for a number from 1 to at least 3."""
    patterns: dict[str, dict[int, int]] = {}
    for place, text in enumerate(headings):
        match = re.fullmatch(r"(.*?)(\d{1,3})(.*)", text)
        if match is not None and (match[1] or match[3]):
            mark = "{nn}" if match[2].startswith("0") else "{n}"
            patterns.setdefault(match[1] + mark + match[3], {})[int(match[2])] = place
    # Numbers below ten with a leading zero belong to the pattern of those from ten on.
    for pattern in [one for one in patterns if "{nn}" in one]:
        patterns[pattern] |= patterns.pop(pattern.replace("{nn}", "{n}"), {})
    repeated = {pattern: found for pattern, found in patterns.items() if {1, 2, 3} <= set(found)}
    if not repeated:
        return None
    places = [found[1] for found in repeated.values()]
    stems = [_stem(re.sub(r"\{n+\}", " ", pattern)) for pattern in repeated]
    first = Group("every_shot", tuple(places), tuple(stems), tuple(repeated))
    shared = tuple(dict.fromkeys((*_OF_ROW, *_DETAILS, *ROW_NAMES)))
    others = tuple(at for found in repeated.values() for at in found.values())
    has_players = any("player" in stem or "hitter" in stem for stem in stems)
    return Form(RALLY, (first,), (), others, shared, has_players=has_players)


def _stem(text: str) -> str:
    words = [word for word in re.split(r"[\W_]+", text) if word]
    kept = [word for word in words if word.casefold() not in ("shot", "s", "no", "hit")]
    return " ".join(kept or words)


def _as_exchange(headings: list[str]) -> Form | None:
    """Look for pairs of headings that differ in A and B, 1 and 2, or the like."""
    best: tuple[int, Form | None] = (2, None)
    for one, two in _PAIRS:
        found: dict[str, dict[str, int]] = {}
        for place, text in enumerate(headings):
            words = [word for word in re.split(r"[\W_]+", text.casefold()) if word]
            for mark in (one, two):
                if mark in words and len(words) > 1:
                    words.remove(mark)
                    found.setdefault(" ".join(words), {})[mark] = place
                    break
        both = {stem: pair for stem, pair in found.items() if len(pair) == 2}
        if len(both) > best[0]:
            groups = tuple(
                Group(
                    table,
                    tuple(pair[mark] for pair in both.values()),
                    tuple(both),
                    tuple(headings[pair[mark]] for pair in both.values()),
                )
                for table, mark in (("first", one), ("second", two))
            )
            shared = tuple(dict.fromkeys((*_OF_ROW, *_DETAILS, "shot", *ROW_NAMES)))
            has_players = any("player" in stem or "name" in stem for stem in both)
            form = Form(EXCHANGE, groups, (), (), shared, has_players=has_players)
            best = (len(both), form)
    return best[1]


def _as_sequence(headings: list[str], columns: list[RawColumn]) -> Form | None:
    """Look for a cell with many shots, of which most are understood."""
    for place, column in enumerate(columns):
        cells = [str(cell) for cell in column.distinct[:50] if not is_blank(cell)]
        for between in _BETWEEN:
            steps = [step.strip() for cell in cells for step in cell.split(between)]
            if len(cells) < 2 or len(steps) < 2 * len(cells):
                continue
            within, width = _within(steps)
            strokes = [step.split(within)[0].strip() for step in steps if step]
            known = [understand_word("stroke", one, suggest=False).value for one in strokes]
            if np.mean([one is not None for one in known]) >= _LEAST_SHARE:
                parts = '"stroke"' + (', "gap"' if width > 1 else "")
                mark = "\\n" if between == "\n" else between
                lines = (
                    "",
                    "[sequence]",
                    f"column = {json.dumps(headings[place], ensure_ascii=False)}",
                    f'between = "{mark}"  # between two shots',
                    f"parts = [{parts}]  # what a shot gives, in this order",
                    f'within = "{within}"  # between two parts of a shot',
                    *(('unit = "?"  # of the gap',) if width > 1 else ()),
                )
                shared = tuple(dict.fromkeys((*_OF_ROW, *_DETAILS, *ROW_NAMES)))
                return Form(RALLY, (), lines, (place,), shared)
    return None


def _within(steps: list[str]) -> tuple[str, int]:
    """Return what stands between the parts of a shot, and how many there are at most."""
    counts = {mark: max(step.count(mark) for step in steps) for mark in (",", ":", "/", "@")}
    mark = max(counts, key=lambda one: counts[one])
    return (mark, counts[mark] + 1) if counts[mark] else (",", 1)
