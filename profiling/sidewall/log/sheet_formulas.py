"""The formulas of the template's workbook, and the same rules in Python.

A coach types what was seen of a shot; everything that follows from the rows above is filled
in by formulas: match, game, rally, shot, who strikes, who won. Any of them may be typed over,
and the rows below follow. A program that fills the template stores no results of formulas,
so the reader works out these formulas, and no others, itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Any, Final

from sidewall.log.synonyms import understand_word, words_for

MATCH_DETAILS: Final = "match details"
#: The columns of the workbook's log, in order; the gap carries its unit in the heading.
LOG_COLUMNS: Final = (
    *("match", "game", "rally", "shot", "player"),
    *("side", "stroke", "direction", "contact", "gap", "gap_class", "choice"),
    *("balance", "depth", "lane", "opponent_place", "bounce", "ending", "t"),
    *("rally_won_by", "opponent", "remark"),
)
#: Those that are filled by a formula.
FILLED: Final = ("match", "game", "rally", "shot", "player", "rally_won_by", "opponent", "remark")
DETAIL_COLUMNS: Final = (
    *("match", "player_1", "player_2", "hand_1", "hand_2", "serves_first", "in_full"),
    *("date", "tin_height_cm", "board_width_cm", "scoring"),
)
MOST_MATCHES: Final = 40
MOST_SHOTS: Final = 2_000

#: Letters of the columns of the workbook's log.
LETTERS: Final = {name: chr(ord("A") + at) for at, name in enumerate(LOG_COLUMNS)}
#: Stands for the row in the pattern of a formula; no other number in it is alike.
_ROW: Final = 8_000_008
_ERRORS: Final = ("tin", "out", "down")
_GIVEN: Final = ("stroke", "no_let")
#: Test of a cell for a serve, however it is worded; {} is the cell.
SERVES: Final = 'ISNUMBER(SEARCH("serv",{}))'
_TYPED: Final = ("side", "t")  # the first and the last column that a coach types


def detail_range(name: str) -> str:
    """Cells of a column of the match details, as a formula names them."""
    column = chr(ord("A") + DETAIL_COLUMNS.index(name))
    return f"'{MATCH_DETAILS}'!${column}$2:${column}${MOST_MATCHES + 1}"


def formula(name: str, row: int) -> str:
    """Return the formula of a column in a row of the sheet, counted from 1."""
    if row == 2:
        return _formula(name, row)
    return _pattern(name).replace(f"{_ROW - 1}", str(row - 1)).replace(f"{_ROW}", str(row))


@cache
def _pattern(name: str) -> str:
    return _formula(name, _ROW)


def _formula(name: str, row: int) -> str:
    here, above = _References(row), _References(row - 1)
    new_game = f"{here.match}<>{above.match},{here.game}<>{above.game}"
    if name == "remark":
        text = _remark(here, above, row)
    elif name == "match":
        first = f"'{MATCH_DETAILS}'!$A$2&\"\""
        text = first if row == 2 else above.match
    elif name == "game":
        text = f"IF({here.match}<>{above.match},1,{above.game})"
    elif name == "rally":
        same = f'IF({above.ending}<>"",{above.rally}+1,{above.rally})'
        text = f"IF(OR({new_game}),1,{same})"
    elif name == "shot":
        text = f"IF(OR({new_game},{here.rally}<>{above.rally}),1,{above.shot}+1)"
    elif name == "player":
        # The range ends above, as a formula whose range holds its own cell is circular.
        so_far = f"${LETTERS['player']}$1:{above.player}"
        replayed = f"INDEX({so_far},ROW()-{above.shot})"
        again = f"IF({_ended(above, 'let')},{replayed},{above.rally_won_by})"
        serve = f'IF({here.match}<>{above.match},{_detail("serves_first", here)}&"",{again})'
        text = f"IF({here.shot}>1,{_other(above.player, here)},{serve})"
    elif name == "rally_won_by":
        won, lost, other = _ended(here, "winner"), _ended(here, *_ERRORS), _other(here.player, here)
        text = f'IF({won},{here.player},IF({lost},{other},""))'
    else:
        text = _other(here.player, here)
    first, last = LETTERS[_TYPED[0]], LETTERS[_TYPED[1]]
    return f'=IF(COUNTA(${first}{row}:${last}{row})=0,"",IFERROR({text},""))'


class _References:
    """Cells of one row by the name of their column."""

    def __init__(self, row: int) -> None:
        self.row = row

    def __getattr__(self, name: str) -> str:
        return f"${LETTERS[name]}{self.row}"


def _detail(name: str, here: Any) -> str:
    return f"INDEX({detail_range(name)},MATCH({here.match},{detail_range('match')},0))"


def _ended(row: Any, *endings: str) -> str:
    """Test for any word that stands for one of the endings; case does not matter to MATCH."""
    words = [word for one in endings for word in words_for("ending", one)]
    listed = ",".join(f'"{word}"' for word in words)
    typed = f'TRIM(SUBSTITUTE(SUBSTITUTE({row.ending},"_"," "),"-"," "))'
    return f"ISNUMBER(MATCH({typed},{{{listed}}},0))"


def in_short(row: int) -> str:
    """Test whether a row is of the player who is charted in short, the serve apart."""
    here = _References(row)
    chosen = _detail("in_full", here)
    return f'IFERROR(AND({here.shot}>1,{chosen}&""<>"",{here.player}<>{chosen}),FALSE)'


def _other(player: str, here: Any) -> str:
    one, two = _detail("player_1", here), _detail("player_2", here)
    return f"IF({player}={one},{two},{one})"


#: What a remark says, and the column that is coloured with it.
REMARKS: Final = {
    "the row above is empty": "match",
    "name the match and its players under match details": "match",
    "the rally above has no ending": "rally",
    "who strikes?": "player",
    "this player is not in the match": "player",
    "the game number goes back": "game",
    "the rally number goes back": "rally",
    "a rally begins with shot 1": "shot",
    "a shot is missing or stands twice": "shot",
    "the same player twice running": "player",
    "two winners in one rally": "rally_won_by",
    "the rally goes on after its ending": "ending",
    "the winner is not in the match": "rally_won_by",
    "a let has no winner": "rally_won_by",
    "to whom was it given?": "rally_won_by",
    "shot 1 is the serve": "stroke",
    "a serve within a rally": "stroke",
    "forehand or backhand?": "side",
    "which stroke?": "stroke",
    "how wide was the gap?": "gap",
    "attack or reset?": "choice",
}


def _remark(here: Any, above: Any, row: int) -> str:
    pair = [_detail(name, here) for name in ("player_1", "player_2")]
    later = row > 2

    def stranger(cell: str) -> str:
        return f"AND({cell}<>{pair[0]},{cell}<>{pair[1]})"

    same_match = f"{here.match}={above.match}"
    same_game = f"{same_match},{here.game}={above.game}"
    same = f"{same_game},{here.rally}={above.rally}"
    serve = SERVES.format(here.stroke)
    no_gap = f'{here.shot}>1,{here.gap}="",{here.gap_class}=""'
    # the gap and the choice are enough, and all that a row charted in short is asked for
    enough = f'OR({in_short(row)},AND({here.choice}<>"",NOT(AND({no_gap}))))'
    won, won_above = f'{here.rally_won_by}<>""', f'{above.rally_won_by}<>""'
    conditions = (
        f'{above.match}=""' if later else "FALSE",
        f"ISNA(MATCH({here.match},{detail_range('match')},0))",
        f'AND(NOT(AND({same})),{above.ending}="")' if later else "FALSE",
        f'{here.player}=""',
        stranger(here.player),
        f"AND({same_match},{here.game}<{above.game})" if later else "FALSE",
        f"AND({same_game},{here.rally}<{above.rally})" if later else "FALSE",
        f"AND(NOT(AND({same})),{here.shot}<>1)" if later else f"{here.shot}<>1",
        f"AND({same},{here.shot}<>N({above.shot})+1)",
        f"AND({same},{here.player}={above.player})",
        f"AND({same},{won},{won_above},{here.rally_won_by}<>{above.rally_won_by})",
        f'AND({same},{above.ending}<>"")',
        f"AND({won},{stranger(here.rally_won_by)})",
        f"AND({_ended(here, 'let')},{won})",
        f'AND({_ended(here, *_GIVEN)},{here.rally_won_by}="")',
        f'AND({here.shot}=1,{here.stroke}<>"",NOT({serve}))',
        f"AND({here.shot}>1,{serve})",
        f'AND({here.side}="",NOT({enough}))',
        f'AND({here.stroke}="",NOT({enough}))',
        f"AND({no_gap})",
        f'AND({in_short(row)},{here.choice}="",OR({here.side}="",{here.stroke}=""))',
    )
    text = '""'
    for condition, remark in reversed(list(zip(conditions, REMARKS, strict=True))):
        text = f'IF({condition},"{remark}",{text})'
    return text


def recompute(
    results: list[tuple[Any, ...]],
    without: Mapping[tuple[int, int], str],
    details: list[tuple[Any, ...]],
) -> tuple[list[tuple[int, int]], list[tuple[Any, ...]]]:
    """Work out the template's formulas where no result is stored.

    Takes the rows with stored results, the formulas without one by row and column from 0, and the
    rows of the match details; gives the rows with results. The formulas that are not the
    template's come first: where there are any, nothing is worked out.
    """
    wanted: dict[int, dict[str, int]] = {}
    foreign = []
    for (row, column), text in without.items():
        name = LOG_COLUMNS[column] if column < len(LOG_COLUMNS) else ""
        if name in FILLED and row and text == formula(name, row + 1):
            wanted.setdefault(row, {})[name] = column
        else:
            foreign.append((row, column))
    if foreign:
        return foreign, results
    known = _details(details)
    filled = [*results, *[()] * (max(wanted, default=-1) + 1 - len(results))]
    for row in sorted(wanted):
        cells = list(filled[row]) + [None] * (len(LOG_COLUMNS) - len(filled[row]))
        for name in FILLED:  # in this order each needs only those before it
            if name in wanted[row] and _typed(cells):
                cells[wanted[row][name]] = _value(name, cells, row, filled, known)
        filled[row] = tuple(cells)
    return [], filled


def _typed(cells: Any) -> bool:
    first, last = (LOG_COLUMNS.index(name) for name in _TYPED)
    return any(cell is not None for cell in cells[first : last + 1])


def _details(rows: list[tuple[Any, ...]]) -> dict[str, dict[str, Any]]:
    """Match details by name of the match; the first is also under a blank name."""
    known: dict[str, dict[str, Any]] = {}
    for row in rows[1:]:
        one = dict(zip(DETAIL_COLUMNS, [*row, *[None] * len(DETAIL_COLUMNS)], strict=False))
        if one["match"] is not None:
            known.setdefault(_same(one["match"]), one)
            known.setdefault("", one)
    return known


def _same(text: Any) -> str:
    return "" if text is None else str(text).strip().casefold()


def _ending(cell: Any) -> str | None:
    return None if cell is None else understand_word("ending", cell, suggest=False).value


def _value(
    name: str,
    cells: list[Any],
    row: int,
    rows: list[tuple[Any, ...]],
    known: dict[str, dict[str, Any]],
) -> Any:
    """Value of one of the template's formulas; None where it says nothing."""

    def at(column: str, of: Any = cells) -> Any:
        place = LOG_COLUMNS.index(column)
        return of[place] if place < len(of) else None

    above = rows[row - 1]
    detail = known.get(_same(at("match")), {}) if at("match") is not None else {}
    pair = detail.get("player_1"), detail.get("player_2")
    begins = _same(at("match")) != _same(at("match", above))
    new_game = begins or at("game") != at("game", above)

    def other(player: Any) -> Any:
        return pair[1] if _same(player) == _same(pair[0]) else pair[0]

    value: Any = None
    if name == "match":
        value = known.get("", {}).get("match") if row == 1 else at("match", above)
    elif name == "game":
        value = 1 if begins else at("game", above)
    elif name == "rally":
        ended = at("ending", above) is not None
        value = 1 if new_game else _sum(at("rally", above), int(ended))
    elif name == "shot":
        first = new_game or at("rally") != at("rally", above)
        value = 1 if first else _sum(at("shot", above), 1)
    elif name == "player" and at("shot") != 1:
        value = other(at("player", above))
    elif name == "player" and begins:
        value = detail.get("serves_first")
    elif name == "player":
        replayed = rows[max(row - int(at("shot", above) or 1), 0)]
        again = _ending(at("ending", above)) == "let"
        value = at("player", replayed) if again else at("rally_won_by", above)
    elif name == "opponent" or _ending(at("ending")) in _ERRORS:
        value = other(at("player"))
    elif name == "rally_won_by" and _ending(at("ending")) == "winner":
        value = at("player")
    return None if name == "remark" else value


def _sum(number: Any, more: int) -> Any:
    return number + more if isinstance(number, int | float) else None
