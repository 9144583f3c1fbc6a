"""The table of a charted match at one moment, its score, and what each event makes of it.

An event is a plain dictionary, the line of the journal: ``{"op": "shot", ...}``. A table is
never changed; `Table.after` returns the next one. So undo is: play the events before again.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final, TypeAlias

import numpy as np
import pandas as pd

from sidewall.charting.rows import COUNTS, NUMBERS, WORDS, Row, Setup
from sidewall.errors import DataError
from sidewall.log.score import hand_in_hand_out, scores_before
from sidewall.log.vocabulary import ENDING_WINNER, VOCABULARY
from sidewall.scoring import Game, HandInHandOut, PointARally

Event: TypeAlias = dict[str, Any]

OPS: Final = ("shot", "ending", "change", "swap", "game", "settings")
#: How much is charted of a shot, from the least.
LEVELS: Final = ("short", "usual", "full")
_CHARTED: Final = (*WORDS, *NUMBERS, "rally_won_by")
_MOST: Final = 10**9


@dataclass(frozen=True)
class Next:
    """The shot that comes next: its numbers, and who strikes it."""

    game: int
    rally: int
    shot: int
    striker: str


@dataclass(frozen=True)
class Settings:
    """How the match is charted; undo leaves it alone.

    `level` says how much of a shot, one of `LEVELS`, or None until it is chosen; `in_full`, whose
    shots are charted in full; `floor`, four points of the floor in the video, as
    `sidewall.court.floor.FloorView` takes them, ``points`` and ``frame``, if they are known.
    """

    level: str | None = None
    in_full: tuple[str, ...] = ()
    floor: dict[str, Any] | None = None


@dataclass(frozen=True)
class Table:
    """The rows charted so far, oldest first.

    `next_game` is the game of the next rally where it was said by hand; `swapped`, whether that
    is served by the other player than the rules say.
    """

    setup: Setup
    rows: tuple[Row, ...] = ()
    next_game: int | None = None
    swapped: bool = False
    settings: Settings = field(default_factory=Settings)

    @property
    def open_rally(self) -> bool:
        """Whether the last rally has not ended."""
        return bool(self.rows) and self.rows[-1]["ending"] is None

    @property
    def next(self) -> Next:
        """The shot that comes next.

        Strikers alternate. Whoever won the last rally serves, also in a new game; after a let
        the same player serves again (World Squash Federation, Rules of Squash).
        """
        setup = self.setup
        if not self.rows:
            server = setup.other(setup.server) if self.swapped else setup.server
            return Next(self.next_game or 1, 1, 1, server)
        last = self.rows[-1]
        if last["ending"] is None:
            return Next(last["game"], last["rally"], last["shot"] + 1, last["opponent"])
        server = last["rally_won_by"]
        if server not in setup.players:
            serves = (row for row in reversed(self.rows) if row["shot"] == 1)
            server = next(serves, self.rows[0])["player"]
        if self.swapped:
            server = setup.other(server)
        game = self.next_game
        if game is None:
            over = standing(setup, self.rows, last["game"]).game_over
            game = last["game"] + over
        before = max((row["rally"] for row in self.rows if row["game"] == game), default=0)
        return Next(game, before + 1, 1, server)

    @property
    def standing(self) -> Standing:
        """The score now."""
        return standing(self.setup, self.rows, self.next.game)

    def after(self, event: Event) -> Table:
        """Return the table after an event; a DataError if it is none, or does not fit."""
        op = event.get("op")
        if op not in OPS:
            raise DataError(f"Unknown entry {op!r}: use one of {', '.join(OPS)}.")
        after: Table = getattr(self, f"_{op}")(event)
        return after

    def _shot(self, event: Event) -> Table:
        charted = _charted(event.get("shot"))
        due = self.next
        row: Row = {"game": due.game, "rally": due.rally, "shot": due.shot}
        row |= {"player": due.striker, "opponent": self.setup.other(due.striker)}
        row |= dict.fromkeys(_CHARTED) | charted
        rows = (*self.rows, self._with_winner(row))
        return replace(self, rows=rows, next_game=None, swapped=False)

    def _ending(self, event: Event) -> Table:
        if not self.open_rally:
            raise DataError("There is no rally to end: chart its shots first.")
        given = {name: event.get(name) for name in ("ending", "rally_won_by")}
        row = self._with_winner({**self.rows[-1], **_charted(given)})
        if row["ending"] is None:
            raise DataError("The ending is blank: say how the rally ended.")
        return replace(self, rows=(*self.rows[:-1], row))

    def _change(self, event: Event) -> Table:
        at, values = event.get("at"), _charted(event.get("set"))
        if not isinstance(at, int) or not 0 <= at < len(self.rows):
            raise DataError(f"There is no row {at!r} to change: there are {len(self.rows)}.")
        row = self.rows[at]
        if (row["ending"] is None) != (values.get("ending", row["ending"]) is None):
            raise DataError(
                "An ending can be replaced here, but not added or taken away: undo back to it, or "
                "mend the log in a spreadsheet."
            )
        if "ending" in values and "rally_won_by" not in values:
            values["rally_won_by"] = None
        row = self._with_winner({**row, **values})
        return replace(self, rows=(*self.rows[:at], row, *self.rows[at + 1 :]))

    def _swap(self, event: Event) -> Table:
        if not self.open_rally:
            return replace(self, swapped=not self.swapped)
        last = self.rows[-1]
        rally = (last["game"], last["rally"])
        rows = tuple(
            {**row, "player": row["opponent"], "opponent": row["player"]}
            if (row["game"], row["rally"]) == rally
            else row
            for row in self.rows
        )
        return replace(self, rows=rows)

    def _game(self, event: Event) -> Table:
        game = event.get("game")
        if not isinstance(game, int) or isinstance(game, bool) or game < 1:
            raise DataError(f"The game is {game!r}: games are numbered from 1.")
        if self.open_rally:
            raise DataError("End the rally first: a new game begins between rallies.")
        return replace(self, next_game=game)

    def _settings(self, event: Event) -> Table:
        values = {name: value for name, value in event.items() if name != "op"}
        strange = set(values) - {"level", "in_full", "floor"}
        if strange or not values:
            raise DataError(f"Settings are level, in_full and floor, not {sorted(strange)}.")
        if "level" in values and values["level"] not in LEVELS:
            raise DataError(f"level is {values['level']!r}: use one of {', '.join(LEVELS)}.")
        if "in_full" in values:
            names = values["in_full"]
            if not isinstance(names, list | tuple) or not set(names) <= set(self.setup.players):
                raise DataError(
                    f"in_full is {names!r}: name {' or '.join(self.setup.players)}, or both."
                )
            values["in_full"] = tuple(name for name in self.setup.players if name in names)
        return replace(self, settings=replace(self.settings, **values))

    @property
    def level(self) -> str:
        """How much is charted of a shot; the least until it is chosen."""
        return self.settings.level or LEVELS[0]

    def is_short(self, player: str) -> bool:
        """Whether a player's rows are short: the gap in words and the choice are enough."""
        return bool(self.settings.in_full) and player not in self.settings.in_full

    def _with_winner(self, row: Row) -> Row:
        """Fill in the winner where the ending says who it is."""
        sign = ENDING_WINNER.get(row["ending"])
        if sign is None or row["rally_won_by"] is not None:
            return row
        return {**row, "rally_won_by": row["player"] if sign > 0 else row["opponent"]}


def checked_row(setup: Setup, row: Any) -> Row:
    """Check a whole row as it was kept.

    A DataError if a field is missing, unknown, or does not hold what it should.
    """
    if not isinstance(row, dict) or set(row) != {*COUNTS, "player", "opponent", *_CHARTED}:
        raise DataError(f"A row is {row!r}: it holds other fields than a row does.")
    for name in COUNTS:
        if isinstance(row[name], bool) or not isinstance(row[name], int) or row[name] > _MOST:
            raise DataError(f"{name} is {row[name]!r}: it must be a whole number, and no huge one.")
    players = {name for name in (row["player"], row["opponent"]) if isinstance(name, str)}
    if players != {*setup.players}:
        raise DataError(f"A row has other players than {' and '.join(setup.players)}.")
    _charted({name: row[name] for name in _CHARTED})
    return dict(row)


def _charted(values: Any) -> Row:
    """Check what was charted of a shot: known fields, known words, finite numbers."""
    if not isinstance(values, dict):
        raise DataError(f"The shot is {values!r}: an entry holds its fields by name.")
    for name, value in values.items():
        if name not in _CHARTED:
            raise DataError(f"A shot has no field {name!r}.")
        if value is None:
            continue
        if name == "rally_won_by" and not isinstance(value, str):
            raise DataError(f"rally_won_by is {value!r}: it must be a name.")
        if name in WORDS and value not in VOCABULARY[name]:
            known = ", ".join(VOCABULARY[name])
            raise DataError(f"{value!r} is no known {name}: use one of {known}.")
        if name in NUMBERS and (isinstance(value, bool) or not isinstance(value, int | float)):
            raise DataError(f"{name} is {value!r}: it must be a number.")
        if name in NUMBERS and not abs(value) <= _MOST:  # nor is it what is no number at all
            raise DataError(f"{name} is {value!r}: it is too large to be right.")
    return dict(values)


@dataclass(frozen=True)
class Standing:
    """Points in the game and games won, in the order of the setup's players."""

    points: tuple[int, int]
    games: tuple[int, int]
    game_over: bool


def standing(setup: Setup, rows: Sequence[Row], game: int) -> Standing:
    """Count the score before the next rally if it is played in a given game.

    A rally that has not ended counts for nothing. ``game_over`` says whether these points end a
    game. Hand-in-hand-out to 9 at 9-8 depends on what was called at 8-all, so it is not taken for
    the end.
    """
    rallies = ended(rows)
    place = {name: at for at, name in enumerate(setup.players)}
    games = np.array([row["game"] for row, _ in rallies] + [game], dtype=np.int64)
    server = np.array([place[name] for _, name in rallies] + [0], dtype=np.int64)
    winner = np.array(
        [place.get(row["rally_won_by"], -1) for row, _ in rallies] + [-1], dtype=np.int64
    )
    hiho = np.repeat(hand_in_hand_out(pd.Series([setup.scoring])), len(games))
    # scores_before wants order of play, and a game can be set back by hand; it counts what
    # is charted, so games and rallies are numbered without holes.
    order = np.argsort(games, kind="stable")
    number = np.unique(games[order], return_inverse=True)[1] + 1
    rally = np.arange(1, len(games) + 1)
    none = np.zeros(len(games), dtype=np.int64)
    scores = scores_before(none, number, rally, none, server[order], winner[order], hiho)
    at = int(np.flatnonzero(order == len(games) - 1)[0])
    points, won = ((int(of[at, 0]), int(of[at, 1])) for of in (scores.points, scores.games))
    return Standing(points, won, _over(points, _rules(setup.scoring, bool(hiho[0]))))


def ended(rows: Sequence[Row]) -> list[tuple[Row, str]]:
    """Last row and server of each rally that has ended."""
    # a log that was taken over may begin within a rally
    found, server = [], rows[0]["player"] if rows else ""
    for row in rows:
        if row["shot"] == 1:
            server = row["player"]
        if row["ending"] is not None:
            found.append((row, server))
    return found


def _rules(scoring: str, hiho: bool) -> Game:
    digits = re.search(r"\d+", scoring)
    to = int(digits.group()) if digits else (9 if hiho else 11)
    return HandInHandOut(to, choice=to + 1) if hiho else PointARally(to)


def _over(points: tuple[int, int], game: Game) -> bool:
    lead = points[0] - points[1]
    return any(
        points == final or (or_more and lead == final[0] - final[1] and max(points) > max(final))
        for final, or_more in game.final_scores()
    )
