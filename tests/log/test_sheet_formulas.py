"""The workbook's formulas, worked out by a small spreadsheet, against the reader's and a coach's.

The spreadsheet knows what the formulas use and no more, by the rules that spreadsheets share: an
empty cell equals an empty text and zero, any text is greater than any number, case does not
matter, and an error goes up to the function that asks for it.
"""

import re
from functools import cache

import numpy as np
import pytest

from sidewall.log.sheet_formulas import (
    DETAIL_COLUMNS,
    FILLED,
    LETTERS,
    LOG_COLUMNS,
    MOST_MATCHES,
    REMARKS,
    detail_range,
    formula,
    in_short,
    recompute,
)

TOKEN = re.compile(
    r"""("(?:[^"]|"")*")|(\d+)|((?:'[^']+'!)?\$[A-Z]+\$?\d+(?::\$[A-Z]+\$?\d+)?)|([A-Z]+)"""
    r"""|(<>|<=|>=|[=<>&+\-(),{}])"""
)
NOT_FOUND, NO_VALUE = "#N/A", "#VALUE!"


class FaultError(Exception):
    """What a cell shows in place of a value."""


def less(one, two):
    """Numbers before texts before truths."""
    one, two = (
        ("" if isinstance(other, str) else 0) if cell is None else cell
        for cell, other in ((one, two), (two, one))
    )
    rank = [2 if isinstance(x, bool) else 1 if isinstance(x, str) else 0 for x in (one, two)]
    if rank[0] != rank[1]:
        return rank[0] < rank[1]
    return one.casefold() < two.casefold() if rank[0] == 1 else one < two


def same(one, two):
    return not less(one, two) and not less(two, one)


def number(cell):
    if isinstance(cell, str):
        raise FaultError(NO_VALUE)
    return cell or 0


def truth(cell):
    return bool(number(cell))


def written(cell):
    return "" if cell is None else str(cell)


def matched(cell, among):
    if isinstance(cell, str | int):
        for at, one in enumerate(among, 1):
            alike = one is not None and isinstance(one, str) == isinstance(cell, str)
            if alike and same(one, cell):
                return at
    raise FaultError(NOT_FOUND)


def searched(part, whole):
    at = written(whole).casefold().find(part.casefold())
    if at < 0:
        raise FaultError(NO_VALUE)
    return at + 1


class Parser:
    """Turns a formula into a function of the book and the row; `of` is the row it stands in."""

    def __init__(self, text, of):
        self.tokens = [match for match in TOKEN.finditer(text)]
        assert "".join(match[0] for match in self.tokens) == text
        self.at, self.of = 0, of

    def peek(self):
        return self.tokens[self.at][0] if self.at < len(self.tokens) else ""

    def take(self, expected=None):
        token = self.tokens[self.at]
        assert expected is None or token[0] == expected, (token, expected)
        self.at += 1
        return token

    def compared(self):
        left = self.joined()
        while self.peek() in ("=", "<>", "<", ">"):
            sign, one, two = self.take()[0], left, self.joined()
            test = {
                "=": same,
                "<>": lambda a, b: not same(a, b),
                "<": less,
                ">": lambda a, b: less(b, a),
            }[sign]
            left = lambda *w, t=test, a=one, b=two: t(a(*w), b(*w))  # noqa: E731
        return left

    def joined(self):
        left = self.added()
        while self.peek() == "&":
            self.take()
            one, two = left, self.added()
            left = lambda *w, a=one, b=two: written(a(*w)) + written(b(*w))  # noqa: E731
        return left

    def added(self):
        left = self.single()
        while self.peek() in ("+", "-"):
            sign = 1 if self.take()[0] == "+" else -1
            one, two = left, self.single()
            left = lambda *w, s=sign, a=one, b=two: (  # noqa: E731
                number(a(*w)) + s * number(b(*w))
            )
        return left

    def single(self):
        text, digits, cell, name, _ = (token := self.take()).groups()
        if text is not None:
            return lambda *_: text[1:-1].replace('""', '"')
        if digits is not None:
            return lambda *_: int(digits)
        if cell is not None:
            return self.reference(cell)
        if name is not None:
            if self.peek() != "(":
                return lambda *_: {"TRUE": True, "FALSE": False}[name]
            return self.function(name)
        if token[0] == "{":
            words = [self.single()]
            while self.peek() == ",":
                self.take()
                words.append(self.single())
            self.take("}")
            return lambda *w: [one(*w) for one in words]
        assert token[0] == "("
        inner = self.compared()
        self.take(")")
        return inner

    def reference(self, text):
        """A cell, or a range as a list; a row without a dollar moves with the formula."""
        sheet = "details" if "!" in text else "log"
        corners = re.findall(r"\$([A-Z]+)(\$?)(\d+)", text)
        ends = [(ord(a) - 65, int(n), not fixed) for a, fixed, n in corners]

        def place(end, row):
            return end[1] + (row - self.of if end[2] and end[1] > 1 else 0), end[0]

        if len(ends) == 1:
            return lambda book, row: book[sheet].get(place(ends[0], row))

        def cells(book, row):
            (top, left), (bottom, right) = (place(end, row) for end in ends)
            return [
                book[sheet].get((r, c))
                for r in range(top, bottom + 1)
                for c in range(left, right + 1)
            ]

        return cells

    def function(self, name):
        self.take("(")
        args = [] if self.peek() == ")" else [self.compared()]
        while self.peek() == ",":
            self.take()
            args.append(self.compared())
        self.take(")")
        return lambda *w: CALLS[name](w, *args)


def _if(w, test, yes, no):
    return yes(*w) if truth(test(*w)) else no(*w)


def _iferror(w, one, other):
    try:
        return one(*w)
    except FaultError:
        return other(*w)


def _isnumber(w, one):
    try:
        found = one(*w)
    except FaultError:
        return False
    return isinstance(found, int | float) and not isinstance(found, bool)


def _isna(w, one):
    try:
        one(*w)
    except FaultError as fault:
        return str(fault) == NOT_FOUND
    return False


def _index(w, cells, place):
    at, among = number(place(*w)), cells(*w)
    if not 1 <= at <= len(among):
        raise FaultError("#REF!")
    return among[at - 1]


CALLS = {
    "IF": _if,
    "IFERROR": _iferror,
    "ISNUMBER": _isnumber,
    "ISNA": _isna,
    "INDEX": _index,
    # every part is worked out: an error in one is one of the whole
    "OR": lambda w, *args: any([truth(one(*w)) for one in args]),
    "AND": lambda w, *args: all([truth(one(*w)) for one in args]),
    "NOT": lambda w, one: not truth(one(*w)),
    "MATCH": lambda w, cell, among, how: matched(cell(*w), among(*w)) if how(*w) == 0 else None,
    "COUNTA": lambda w, cells: sum(one is not None for one in cells(*w)),
    "ROW": lambda w: w[1],
    "TRIM": lambda w, one: " ".join(written(one(*w)).split(" ")).strip(),
    "SUBSTITUTE": lambda w, one, old, new: written(one(*w)).replace(old(*w), new(*w)),
    "SEARCH": lambda w, part, whole: searched(part(*w), whole(*w)),
    "N": lambda w, one: found if isinstance(found := one(*w), int) else 0,
}


def parsed(text, row):
    parser = Parser(text, row)
    found = parser.compared()
    assert parser.at == len(parser.tokens)
    return found


@cache
def worked(name, first):
    """The formula of a column as a function: that of row 2, and that of all below."""
    row = 2 if first else 1000
    text = in_short(row) if name == "in short" else formula(name, row)
    return parsed(text.removeprefix("="), row)


@pytest.mark.parametrize("name", FILLED)
def test_a_formula_moves_with_its_row(name):
    plain = formula(name, 1000)
    for row in (3, 9, 10, 999, 2001):
        moved = re.sub(r"(\$[A-Z]+)999\b", rf"\g<1>{row - 1}", plain)
        moved = re.sub(r"(\$[A-Z]+)1000\b", lambda m, row=row: f"{m[1]}{row}", moved)
        assert formula(name, row) == moved


def test_where_the_details_stand():
    assert detail_range("match") == f"'match details'!$A$2:$A${MOST_MATCHES + 1}"
    assert detail_range("scoring") == f"'match details'!$K$2:$K${MOST_MATCHES + 1}"
    assert [LETTERS[name] for name in ("match", "side", "remark")] == ["A", "F", "V"]


ROWS = 40
SEEDS = range(40, 80)
MATCHES = [
    ("Elm v Fir", "Elm", "Fir", None, None, "Fir", None),
    ("Oak v Yew", "Oak", "Yew", None, None, "Oak", "Yew"),
    ("Ash v Bay", "Ash", "Bay", None, None, None, None),
]
ENDINGS = ["winner", "Tin", "out", "down", "not up", "not-up", "stroke", "no_let", "No let", "let"]
OVER = {
    "match": ["Oak v Yew", "oak v yew", "Ash v Bay", "Elm v Fir", "Holm v Elm"],
    "game": [1, 2, 3],
    "rally": [1, 2, 5],
    "shot": [1, 2, 3],
    "player": ["Elm", "fir", "Oak", "Yew", "Ash"],
    "rally_won_by": ["Elm", "Fir", "Oak", "yew", "Bay"],
    "opponent": ["Elm", "Yew"],
}


def sheet(rng, rows):
    """What a coach types, by place in the sheet from (1, 0), and what is typed over formulas."""
    typed = {(1, at): name for at, name in enumerate(LOG_COLUMNS)}
    begins = True
    for row in range(2, rows + 2):
        cells = {}
        if rng.random() < 0.98:
            given = rng.random(7)
            cells["side"] = "forehand" if given[0] < 0.85 else None
            serve = begins if given[1] < 0.93 else not begins
            cells["stroke"] = ("Serve" if serve else "drive") if given[2] < 0.9 else None
            cells["gap"] = 30 if not serve and given[3] < 0.8 else None
            cells["gap_class"] = "tight" if given[4] < 0.15 else None
            cells["choice"] = "attack" if given[5] < 0.3 else None
            begins = given[6] < 0.4
            cells["ending"] = str(rng.choice(ENDINGS)) if begins else None
            cells["t"] = row if rng.random() < 0.1 else None
        for name, words in OVER.items():
            often = 0.3 if name == "rally_won_by" and cells.get("ending") else 0.08
            if rng.random() < (often if cells else 0.01):
                cells[name] = words[int(rng.integers(len(words)))]
        typed |= {(row, LOG_COLUMNS.index(name)): x for name, x in cells.items() if x is not None}
    return typed


@cache
def calculated(seed):
    """What is typed, and the sheet as a spreadsheet shows it."""
    rows, typed = ROWS, sheet(np.random.default_rng(seed), ROWS)
    details = {(1, at): name for at, name in enumerate(DETAIL_COLUMNS)}
    for row, one in enumerate(MATCHES, 2):
        details |= {(row, at): cell for at, cell in enumerate(one) if cell is not None}
    book = {"log": dict(typed), "details": details}
    for row in range(2, rows + 2):
        for name in FILLED:  # each needs those before it and the rows above
            place = row, LOG_COLUMNS.index(name)
            if place not in typed:
                book["log"][place] = worked(name, row == 2)(book, row)
    return typed, book


def remark_of(row, at):
    """What a coach would be told of a row; `at` gives a cell of a row, empty ones as ""."""
    here, above = (lambda name: at(row, name)), (lambda name: at(row - 1, name))
    one = next((m for m in MATCHES if same(m[0], here("match"))), None)
    first = row == 2
    same_match = not first and same(here("match"), above("match"))
    same_game = same_match and same(here("game"), above("game"))
    same_rally = same_game and same(here("rally"), above("rally"))
    shot, won, won_above = here("shot"), here("rally_won_by"), above("rally_won_by")
    late = less(1, shot)
    ended = here("ending").lower().replace("_", " ").replace("-", " ")
    no_gap = late and here("gap") == "" == here("gap_class")
    short = bool(one and late and one[6] and not same(here("player"), one[6]))
    enough = short or (here("choice") != "" and not no_gap)
    serves = "serv" in here("stroke").lower()

    def stranger(name):
        return not any(same(name, player) for player in one[1:3])

    tests = (
        lambda: not first and above("match") == "",
        lambda: one is None,
        lambda: not first and not same_rally and above("ending") == "",
        lambda: here("player") == "",
        lambda: stranger(here("player")),
        lambda: same_match and less(here("game"), above("game")),
        lambda: same_game and less(here("rally"), above("rally")),
        lambda: not same_rally and shot != 1,
        lambda: same_rally and shot != (above("shot") or 0) + 1,
        lambda: same_rally and same(here("player"), above("player")),
        lambda: same_rally and "" not in (won, won_above) and not same(won, won_above),
        lambda: same_rally and above("ending") != "",
        lambda: won != "" and stranger(won),
        lambda: ended == "let" and won != "",
        lambda: ended in ("stroke", "no let") and won == "",
        lambda: shot == 1 and here("stroke") != "" and not serves,
        lambda: late and serves,
        lambda: here("side") == "" and not enough,
        lambda: here("stroke") == "" and not enough,
        lambda: no_gap,
        lambda: short and here("choice") == "" and "" in (here("side"), here("stroke")),
    )
    return next((text for test, text in zip(tests, REMARKS, strict=True) if test()), "")


@pytest.mark.parametrize("seed", SEEDS)
def test_the_reader_works_out_what_a_spreadsheet_shows(seed):
    """And the remarks are those that a coach would make."""
    typed, book = calculated(seed)
    results, without = [], {}
    for row in range(1, ROWS + 2):
        cells = [typed.get((row, at)) for at in range(len(LOG_COLUMNS))]
        while cells and cells[-1] is None:
            cells.pop()
        results.append(tuple(cells))
        for at, name in enumerate(LOG_COLUMNS):
            if row > 1 and name in FILLED and (row, at) not in typed:
                without[row - 1, at] = formula(name, row)
    while not results[-1]:
        results.pop()  # a reader gives no row below the last that holds anything
    details = [tuple(DETAIL_COLUMNS), *MATCHES]
    foreign, filled = recompute(results, without, details)
    assert foreign == []
    shown = book["log"]
    for row in range(2, ROWS + 2):
        cells = [*filled[row - 1], *[None] * len(LOG_COLUMNS)]
        for at, name in enumerate(LOG_COLUMNS[:-1]):
            given = shown.get((row, at))
            found = "" if cells[at] is None else cells[at]
            assert same(found, "" if given is None else given), (row, name, cells[at], given)

    def at(row, name):
        cell = shown.get((row, LOG_COLUMNS.index(name)))
        return "" if cell is None else cell

    for row in range(2, ROWS + 2):
        empty = all(at(row, name) == "" for name in LOG_COLUMNS[5:19])
        assert at(row, "remark") == ("" if empty else remark_of(row, at)), row


def test_all_of_this_was_met():
    """The sheets above hold every remark, so that none is held by nothing."""
    met = set()
    for seed in SEEDS:
        _, book = calculated(seed)
        met |= {book["log"].get((row, LOG_COLUMNS.index("remark"))) for row in range(2, ROWS + 2)}
    assert met == {"", *REMARKS}


def test_formulas_that_are_not_the_template_s():
    rows = [tuple(LOG_COLUMNS), ("M1", 1)]
    own = {(1, 2): formula("rally", 2)}
    for place, text in (
        ((1, 9), "=30+5"),
        ((1, 3), "=1"),
        ((1, 3), formula("shot", 3)),  # of another row
        ((1, 3), formula("rally", 2)),  # of another column
        ((0, 3), formula("shot", 1)),  # among the headings
        ((1, len(LOG_COLUMNS)), "=1"),  # beside the sheet
        ((1, 5), formula("rally", 2)),
    ):
        assert recompute(rows, own | {place: text}, []) == ([place], rows)
    both = {(1, 9): "=1", (4, 9): "=2"}
    assert recompute(rows, both, [])[0] == [(1, 9), (4, 9)]
    assert recompute(rows, {}, []) == ([], rows)
    # nothing is typed in the rows of the formulas
    found = recompute(rows, {(3, 2): formula("rally", 4)}, [])[1]
    assert [len(row) for row in found] == [len(LOG_COLUMNS), 2, 0, len(LOG_COLUMNS)]
    assert not any(found[3])
