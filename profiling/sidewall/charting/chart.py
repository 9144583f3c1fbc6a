"""What each action does: the desk between the keys and the table.

`Chart.act` takes one action at a time and knows no browser. Actions go to the shot in hand,
or to an earlier row while one is selected.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from sidewall.charting.hand import Hand, missing, place, suggestions, with_gap
from sidewall.charting.rows import WORDS, Row, tidy_number
from sidewall.charting.session import REDO, UNDO
from sidewall.charting.store import Store
from sidewall.charting.table import Table
from sidewall.court import Court
from sidewall.errors import DataError

_GIVEN: Final = ("stroke", "no_let")  # endings that go either way


class Chart:
    """A match under charting.

    Parameters
    ----------
    store
        Where it is kept.
    court
        The court that is clicked on.
    """

    def __init__(self, store: Store, court: Court | None = None) -> None:
        self.store = store
        self.court = court or Court()
        self.hand = Hand()
        #: Place of the row that is being mended; None for the shot in hand.
        self.selected: int | None = None
        #: What to say about the last action.
        self.message = ""
        self._acts: dict[str, Callable[[dict[str, Any]], None]] = {
            "word": self._word,
            "place": self._place,
            "nudge": self._nudge,
            "gap": self._gap,
            "time": self._time,
            "won_by": self._won_by,
            "commit": self._commit,
            "clear": lambda _: self._clear(),
            "undo": lambda _: self._undo(),
            "redo": lambda _: self._redo(),
            "swap": lambda _: self._swap(),
            "game": self._game,
            "select": self._select,
        }

    @property
    def table(self) -> Table:
        """The rows so far."""
        return self.store.session.table

    def act(self, action: dict[str, Any]) -> None:
        """Do one action.

        Parameters
        ----------
        action
            ``do``, its name; what it needs beside; ``t``, seconds into the video, if known.

        Raises
        ------
        DataError
            If the action is unknown or does not fit; nothing has changed then.
        LogError
            If it cannot be kept on the disk.
        """
        found = self._acts.get(str(action.get("do")))
        if found is None:
            raise DataError(f"There is no action {action.get('do')!r}.")
        self.message = ""
        found(action)

    def shown(self) -> Row:
        """Fields of the shot in hand with what is suggested, or of the selected row."""
        if self.selected is not None:
            return self.table.rows[self.selected]
        return {**self.suggested(), **self.hand.fields}

    def suggested(self) -> Row:
        """Fields of the shot in hand that are taken for granted."""
        table = self.table
        return suggestions(table.setup, self.hand.fields, table.next, self.court)

    def _put(self, values: Row, action: dict[str, Any]) -> None:
        """Put fields into the selected row or the shot in hand, which notes its time."""
        if self.selected is not None:
            self.store.do({"op": "change", "at": self.selected, "set": values})
            return
        if "t" not in self.hand.fields and "t" not in values:
            values = {**values, "t": tidy_number(action.get("t"), "The time")}
        self.hand.set(values)

    def _word(self, action: dict[str, Any]) -> None:
        column, word = action.get("column"), action.get("value")
        if column not in WORDS:
            raise DataError(f"There is no column {column!r} to key.")
        if column == "ending" and self.selected is None:
            self._end({"ending": word, "rally_won_by": None}, action)
            return
        # The same key again takes the word away, where a row can do without it.
        again = self.selected is None or column not in ("side", "stroke", "ending")
        held = self.hand.fields if self.selected is None else self.shown()
        self._put({column: None if again and held.get(column) == word else word}, action)

    def _place(self, action: dict[str, Any]) -> None:
        spot = place(_number(action, "x"), _number(action, "y"), self.court)
        placed = self.selected is None and "x" in self.hand.fields and not action.get("move")
        if placed and not missing(self.shown()):
            self._commit(action)  # the next ball is struck, so this shot is done
        if self.shown().get("stroke") == "serve":
            spot["gap_cm"] = None  # a serve has no incoming ball
        self._put(spot, action)

    def _nudge(self, action: dict[str, Any]) -> None:
        held = self.shown()
        x, y = held.get("x"), held.get("y")
        if x is None or y is None:
            x, y = self.court.t_m
        spot = {"x": x + _number(action, "dx") / 100, "y": y + _number(action, "dy") / 100}
        self._place({**action, **spot, "move": True})

    def _gap(self, action: dict[str, Any]) -> None:
        gap = tidy_number(action.get("cm"), "The gap", 1)
        if self.selected is not None and gap is None:
            raise DataError("The gap may not be blank in a row that is charted: type a number.")
        self._put(with_gap(self.shown(), gap, self.court), action)

    def _time(self, action: dict[str, Any]) -> None:
        seconds = tidy_number(action.get("t"), "The time")
        if seconds is None:
            raise DataError("No video is open, so there is no time to take.")
        self._put({"t": seconds}, action)

    def _end(self, values: Row, action: dict[str, Any]) -> None:
        """End the rally with the shot in hand, or with the last shot if nothing is in hand."""
        if not self.hand.fields and self.table.open_rally:
            if values["ending"] in _GIVEN and values["rally_won_by"] is None:
                self.hand.set(values)
                self.message = self._to_whom()
                return
            self.store.do({"op": "ending", **values})
            self._say_ending()
            return
        self._put(values, action)
        self._finish(action)

    def _finish(self, action: dict[str, Any]) -> None:
        """Take the shot in hand if it has its ending and nothing is missing."""
        held = self.shown()
        if held["ending"] in _GIVEN and held.get("rally_won_by") is None:
            self.message = self._to_whom()
        elif set(self.hand.fields) <= {"ending", "rally_won_by", "t"} and self.table.open_rally:
            given = {name: held.get(name) for name in ("ending", "rally_won_by")}
            self.store.do({"op": "ending", **given})
            self.hand = Hand()
            self._say_ending()
        else:
            self._commit(action)

    def _won_by(self, action: dict[str, Any]) -> None:
        who = action.get("value")
        if str(who) not in ("0", "1"):
            raise DataError(f"The winner is {who!r}: give 0 or 1 for the first or second player.")
        name = self.table.setup.players[int(str(who))]
        if self.selected is None and "ending" not in self.hand.fields:
            raise DataError("Say how the rally ended first: keys 1 to 7.")
        if self.shown().get("ending") == "let":
            raise DataError("A let has no winner.")
        self._put({"rally_won_by": name}, action)
        if self.selected is None:
            self._finish(action)

    def _commit(self, action: dict[str, Any]) -> None:
        if self.selected is not None:
            self._select({"value": 0})
            return
        lacking = missing(self.shown())
        if lacking:
            raise DataError(f"The shot in hand lacks its {' and '.join(lacking)}.")
        self._put({}, action)  # a serve that is only taken for granted has no time yet
        fields = self.shown()
        self.store.do({"op": "shot", "shot": fields})
        self.hand = Hand()
        if "ending" in fields:
            self._say_ending()

    def _clear(self) -> None:
        self.hand = Hand()

    def _undo(self) -> None:
        if self.selected is None and self.hand.undo():
            return
        self.store.do(UNDO)
        self._keep_selection()
        self.message = "Undone."

    def _redo(self) -> None:
        self.store.do(REDO)
        self._keep_selection()
        self.message = "Done again."

    def _swap(self) -> None:
        self.store.do({"op": "swap"})
        due = self.table.next
        self.message = f"{due.striker} {'serves' if due.shot == 1 else 'strikes next'}."

    def _game(self, action: dict[str, Any]) -> None:
        game = self.table.next.game + int(_number(action, "value"))
        self.store.do({"op": "game", "game": game})
        self.message = f"The next rally is in game {game}."

    def _select(self, action: dict[str, Any]) -> None:
        rows = len(self.table.rows)
        if "row" in action:
            at = int(_number(action, "row"))
            self.selected = at if 0 <= at < rows else None
            return
        step = int(_number(action, "value"))
        at = (rows if self.selected is None else self.selected) + step
        self.selected = None if step == 0 or at >= rows else max(at, 0)

    def _keep_selection(self) -> None:
        if self.selected is not None and self.selected >= len(self.table.rows):
            self.selected = None

    def _to_whom(self) -> str:
        first, second = self.table.setup.players
        return f"To whom was it given? 8 {first}, 9 {second}."

    def _say_ending(self) -> None:
        last, due = self.table.rows[-1], self.table.next
        winner = last["rally_won_by"]
        how = last["ending"].replace("_", " ")
        self.message = (
            f"Let, {due.striker} serves again."
            if winner is None
            else (f"Rally to {winner} ({how}). {due.striker} serves.")
        )
        if due.game != last["game"] and due.game > 1:
            self.message += f" Game {last['game']} is over, game {due.game} is next."


def _number(action: dict[str, Any], name: str) -> float:
    number = tidy_number(action.get(name), name, 4)
    if number is None:
        raise DataError(f"{name} is missing.")
    return number
