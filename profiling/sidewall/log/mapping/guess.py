"""Propose a map for a log; nothing is applied."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from sidewall.court.units import parse_column
from sidewall.log.cells import is_blank, name_key, parse_numbers
from sidewall.log.columns import COLUMNS, SPECS, is_length, understand
from sidewall.log.mapping.column_map import EXCHANGE, RALLY, ROW_NAMES, SHOT
from sidewall.log.raw import RawColumn
from sidewall.log.source import Source, open_log
from sidewall.log.synonyms import understand_word
from sidewall.log.vocabulary import VOCABULARY
from sidewall.log.workbook import Sheet

#: Words that headings use for each column, beside those the reader knows (common practice, no
#: source).
HINTS: Final[dict[str, tuple[str, ...]]] = {
    "match": ("match", "fixture", "tie", "spiel", "partido", "rencontre"),
    "game": ("game", "g", "satz", "jeu", "juego"),
    "rally": ("rally", "point", "pt", "ballwechsel", "échange", "echange", "punto"),
    "shot": ("shot", "stroke no", "hit no", "shot no", "shot num", "shot index", "shot count"),
    "player": (
        *("player", "hitter", "striker", "who", "name", "hit by"),
        *("spieler", "joueur", "jugador"),
    ),
    "opponent": ("opponent", "receiver", "against"),
    "side": ("side", "wing", "hand side", "fh bh", "seite", "côté", "cote", "lado"),
    "stroke": (
        *("stroke", "shot type", "type", "shot", "shot played", "shot name"),
        *("schlag", "coup", "golpe"),
    ),
    "gap": (
        *("gap", "wall", "tightness", "distance", "dist", "width", "from wall", "off wall"),
        *("wandabstand", "abstand", "écart", "ecart", "distancia"),
    ),
    "rally_won_by": ("won by", "winner", "rally to", "point to"),
    "ending": ("ending", "outcome", "result", "how", "end", "finish"),
    "direction": ("direction", "line", "dir"),
    "contact": ("contact", "taken", "met", "volley"),
    "choice": ("choice", "intent", "intention", "plan"),
    "balance": ("balance", "posture", "body"),
    "t": ("time", "clock", "video", "seconds"),
    "hand": ("hand", "handed"),
    "date": ("date", "day"),
    "scoring": ("scoring", "format"),
}
#: Abbreviations of other languages, proposed where every unknown word of a column is one of a
#: single language (common practice, no source).
ABROAD: Final[dict[str, tuple[dict[str, str], ...]]] = {
    "side": (
        {"vh": "forehand", "vorhand": "forehand", "rh": "backhand", "rückhand": "backhand"},
        {"cd": "forehand", "coup droit": "forehand", "rv": "backhand", "revers": "backhand"},
        {"der": "forehand", "derecha": "forehand", "rev": "backhand", "revés": "backhand"},
    ),
    "stroke": (
        {"aufschlag": "serve", "stopp": "drop", "longline": "straight drive", "lob": "lob"},
        {"service": "serve", "amortie": "drop", "long": "drive", "croisé": "cross drive"},
        {"saque": "serve", "dejada": "drop", "paralela": "straight drive", "globo": "lob"},
    ),
}
_LEAST: Final = 0.5
_MOST_CELLS: Final = 300
_MOST_WORDS: Final = 40


@dataclass(frozen=True)
class Guess:
    """A column proposed: the place of theirs, and why."""

    place: int
    why: str


def guess_map(path: Source, *, sheet: Sheet | None = None, **options: str | None) -> str:
    """Propose a map of a log's columns as TOML text.

    Headings are compared with the words that charters use, and cells with the vocabulary.
    Whatever is not known is written as ``?`` and must be filled in before the map is applied:
    a unit is never assumed.

    Parameters
    ----------
    path
        Their log.
    sheet, **options
        As in :func:`sidewall.check_log`: sheet, delimiter, encoding.

    Returns
    -------
    str
        The map, with the reasons as comments.

    Raises
    ------
    LogError
        If the log cannot be read.

    See Also
    --------
    ColumnMap
    map_log

    Examples
    --------
    >>> text = sw.guess_map(pd.DataFrame({"Player": ["Rowan"], "Gap (cm)": [40]}))
    >>> print(text.splitlines()[4])
    [columns]
    >>> print(text.splitlines()[5])
    player = "Player"  # the heading, 1 of 1 values are understood
    """
    raw = open_log(path, sheet=sheet, needs=None, **options)
    columns = [(text, column) for text, column in raw.columns if text]
    form = find_form([text for text, _ in columns], [column for _, column in columns])
    lines = [
        "# A proposal, and nothing is applied yet. Left: our name. Right: your heading.",
        "# Check every line, fill in each ?, and delete what is wrong.",
        *[f"# Read: sheet {title!r}" for title in raw.sheets if raw.passed_over],
        *[f"# Other headings, not read: sheet {title!r}" for title in raw.passed_over],
        f"each_row_is = {_quoted(form.each_row_is)}",
        "",
        "[columns]",
    ]
    in_shots = {at for group in form.groups for at in group.places} | set(form.sequence_places)
    shared = {at for at in range(len(columns)) if at not in in_shots}
    found = _assign(columns, shared, form.shared_names)
    words: dict[str, list[str]] = {}
    for name, guess in found.items():
        lines.append(_line(name, columns[guess.place], guess))
        _collect(words, name, columns[guess.place][1])
    lines += _missing(found, form)
    used = {guess.place for guess in found.values()}
    for group in form.groups:
        stems = [(stem, columns[at][1]) for at, stem in zip(group.places, group.stems, strict=True)]
        inside = _assign(stems, set(range(len(stems))), form.shot_names)
        lines += ["", f"[{group.table}]"]
        for name, guess in inside.items():
            heading = group.headings[guess.place]
            column = stems[guess.place][1]
            lines.append(_line(name, (heading, column), guess))
            _collect(words, name, column)
        taken = {guess.place for guess in inside.values()}
        lost = [text for at, text in enumerate(group.headings) if at not in taken]
        lines += [f"# not used: {text!r}" for text in lost]
    lines += form.sequence_lines
    lines += [
        f"# not used: {text!r}" for at, (text, _) in enumerate(columns) if at in shared - used
    ]
    for name, unknown in words.items():
        if unknown:
            lines += ["", f"[words.{name}]", f"# ours: {', '.join(VOCABULARY[name])}"]
            ours = _abroad(name, unknown)
            lines += [
                f"{_quoted(one)} = {_quoted(ours.get(name_key(one), '?'))}" for one in unknown
            ]
    return "\n".join(lines) + "\n"


def _abroad(name: str, unknown: list[str]) -> dict[str, str]:
    """Ours for words of another language; nothing where they may be of two or of none."""
    fits = [
        words for words in ABROAD.get(name, ()) if all(name_key(one) in words for one in unknown)
    ]
    return fits[0] if len(fits) == 1 else {}


def _assign(
    columns: list[tuple[str, RawColumn]], places: set[int], names: tuple[str, ...]
) -> dict[str, Guess]:
    """Give each of our columns the best of theirs, the surest first."""
    scored = []
    for at in sorted(places):
        text, column = columns[at]
        for name in names:
            score, why = _score(name, text, column)
            if score >= _LEAST:
                scored.append((score, -at, name, why))
    found: dict[str, Guess] = {}
    taken: set[int] = set()
    for _, at, name, why in sorted(scored, reverse=True):
        if name not in found and -at not in taken:
            found[name] = Guess(-at, why)
            taken.add(-at)
    return {name: found[name] for name in names if name in found}


def _score(name: str, text: str, column: RawColumn) -> tuple[float, str]:
    known = understand(text)
    by_heading, why = 0.0, ""
    if known is not None and known[0] == name:
        by_heading, why = 1.0, "the heading"
    else:
        stem = parse_column(text).quantity.replace("_", " ")
        hints = HINTS.get(name, (name.replace("_", " "),))
        if stem in hints:
            by_heading, why = 0.8, "the heading"
        elif any(set(hint.split()) <= set(stem.split()) for hint in hints):
            by_heading, why = 0.55, "part of the heading"
    fits = _fit(name, column)
    if fits is None:
        return by_heading, why
    share, what = fits
    if name in VOCABULARY:
        # Words tell more than headings: a column of drives and drops is the stroke.
        score = 0.45 * by_heading + 0.6 * share if share else 0.3 * by_heading
        return min(score, 1.0), f"{why + ', ' if why else ''}{what}"
    return by_heading * (0.3 + 0.7 * share), f"{why}, {what}" if why else what


def _filled(column: RawColumn) -> list[object]:
    counts = np.bincount(column.codes, minlength=len(column.distinct))
    cells = [column.distinct[at] for at in np.argsort(-counts, kind="stable") if counts[at]]
    return [cell for cell in cells if not is_blank(cell)][:_MOST_CELLS]


def _fit(name: str, column: RawColumn) -> tuple[float, str] | None:
    """Share of the distinct cells that the column could hold, and in words."""
    cells = _filled(column)
    if not cells:
        return None
    kind = SPECS[name].kind if name in SPECS else "name"
    test: Callable[[object], bool]
    if name in VOCABULARY or name == "hand":  # "Hand" may as well head forehands and backhands
        abroad = {word for words in ABROAD.get(name, ()) for word in words}
        test = lambda cell: (  # noqa: E731
            name_key(cell) in abroad or understand_word(name, cell, suggest=False).value is not None
        )
    elif kind in ("count", "score", "length", "seconds"):
        numbers = parse_numbers(
            np.array(cells, dtype=object), comma_decimals=True, unit="m", clock=kind == "seconds"
        )
        good = ~np.isnan(numbers.value)
        if kind in ("count", "score"):
            least = int(kind == "count")
            good &= (numbers.value >= least) & (numbers.value == np.floor(numbers.value))
        return float(good.mean()), f"{int(good.sum())} of {len(cells)} values are numbers"
    elif name in ("player", "opponent", "rally_won_by"):
        test = lambda cell: isinstance(cell, str) and not re.fullmatch(r"[\d.,:]+", cell)  # noqa: E731
    else:
        return None
    good_words = sum(map(test, cells))
    return good_words / len(cells), f"{good_words} of {len(cells)} values are understood"


def _line(name: str, column: tuple[str, RawColumn], guess: Guess) -> str:
    text, cells = column
    if not is_length(name) or parse_column(text).unit is not None:
        value = _quoted(text)
    else:
        value = f"{{ column = {_quoted(text)}, unit = {_quoted(_unit_of(name, cells))} }}"
    key = name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else _quoted(name)
    return f"{key} = {value}  # {guess.why}"


def _unit_of(name: str, column: RawColumn) -> str:
    """Metres where no other unit is possible; else the charter must say."""
    numbers = parse_numbers(column.distinct, comma_decimals=True).value
    known = numbers[~np.isnan(numbers)]
    in_metres = len(known) > 5 and np.any(known != np.floor(known)) and known.max() <= 9.75
    return "m" if in_metres and name != "gap" else "?"


def _missing(found: Mapping[str, Guess], form: Form) -> list[str]:
    lines = []
    for name in ("match", "game"):
        if name not in found:
            lines.append(f'{name} = {{ always = "?" }}  # no such column was found')
    if "rally" not in found:
        count = "{ count = true }" if form.each_row_is == RALLY else '"?"'
        lines.append(f"rally = {count}  # no such column was found")
    if form.each_row_is == SHOT:
        if "shot" not in found:
            lines.append("shot = { count = true }  # counted in the order of the file")
        if "gap" not in found and "x" in found:
            lines.append('gap = { taken_from = "x" }  # distance to the nearest side wall')
        needed = ("player", "side", "stroke", "gap", "ending")
        lines += [
            f'{name} = "?"  # no such column was found'
            for name in needed
            if name not in found and not (name == "gap" and "x" in found)
        ]
    elif form.each_row_is == EXCHANGE and not {"shot", "exchange"} & set(found):
        lines.append("shot = { count = true }  # counted in the order of the file")
    elif form.each_row_is == RALLY:
        lines += [
            f'{name} = "?"  # who strikes the {which} shot'
            for name, which in (("server", "first"), ("receiver", "second"))
            if name not in found and not form.has_players
        ]
    return lines


def _collect(words: dict[str, list[str]], name: str, column: RawColumn) -> None:
    """Note their words that are not understood."""
    if name not in VOCABULARY:
        return
    known = words.setdefault(name, [])
    seen = {name_key(one) for one in known}
    for cell in _filled(column):
        text = str(cell).strip()
        unknown = understand_word(name, cell, suggest=False).value is None
        if unknown and name_key(text) not in seen and len(known) < _MOST_WORDS and len(text) < 60:
            known.append(text)
            seen.add(name_key(text))


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


# What a row of a log is: a shot, an exchange or a rally.

_ALL: Final = tuple(spec.name for spec in COLUMNS)
_OF_ROW: Final = ("match", "game", "rally", "ending", "rally_won_by", "date", "scoring")
_DETAILS: Final = ("hand", "group", "initials", "tin_height", "board_width", "t")
_OF_RALLY: Final = (*_OF_ROW, *_DETAILS, *ROW_NAMES)
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
    shot_names: tuple[str, ...] = _OF_SHOT
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
    others = tuple(at for found in repeated.values() for at in found.values())
    has_players = any("player" in stem or "hitter" in stem for stem in stems)
    return Form(RALLY, (first,), (), others, _OF_RALLY, has_players=has_players)


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
            shared = (*_OF_ROW, *_DETAILS, "shot", *ROW_NAMES)
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
                    f"column = {_quoted(headings[place])}",
                    f'between = "{mark}"  # between two shots',
                    f"parts = [{parts}]  # what a shot gives, in this order",
                    f'within = "{within}"  # between two parts of a shot',
                    *(('unit = "?"  # of the gap',) if width > 1 else ()),
                )
                return Form(RALLY, (), lines, (place,), _OF_RALLY)
    return None


def _within(steps: list[str]) -> tuple[str, int]:
    """Return what stands between the parts of a shot, and how many there are at most."""
    counts = {mark: max(step.count(mark) for step in steps) for mark in (",", ":", "/", "@")}
    mark = max(counts, key=lambda one: counts[one])
    return (mark, counts[mark] + 1) if counts[mark] else (",", 1)
