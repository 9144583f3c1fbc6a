"""What each action does: the desk between the keys and the table.

`Chart.act` takes one action at a time and knows no browser. Actions go to the shot in hand,
or to an earlier row while one is selected.
"""

from __future__ import annotations

from contextlib import suppress
from typing import Any, Final

from sidewall.charting.hand import (
    CLICKS,
    Hand,
    direction_of,
    missing,
    next_click,
    on_floor,
    struck,
    suggestions,
    with_gap,
)
from sidewall.charting.rows import WORDS, Row, tidy_number
from sidewall.charting.session import REDO, UNDO
from sidewall.charting.store import Store
from sidewall.charting.table import Table
from sidewall.court import Court
from sidewall.court.floor import FloorView
from sidewall.errors import DataError
from sidewall.log.vocabulary import VOCABULARY

_ACTIONS: Final = (
    *("word", "place", "aim", "wall", "row", "nudge", "gap", "time", "won_by", "commit", "clear"),
    *("undo", "redo", "swap", "game", "select", "settings", "fit"),
)
_GIVEN: Final = ("stroke", "no_let")  # endings that go either way
_SHORT: Final = ("gap_class", "choice")  # what makes a short row
#: Height of a ball for which the screen says how far a click on it misleads, metres.
_IN_THE_AIR_M: Final = 0.5


class Chart:
    """A match under charting: kept in a store, clicked on a court."""

    def __init__(self, store: Store, court: Court | None = None) -> None:
        self.store = store
        self.court = court or Court()
        self.hand = Hand()
        #: Place of the row that is being mended; None for the shot in hand.
        self.selected: int | None = None
        #: What to say about the last action.
        self.message = ""
        #: Meaning of the next click where it was chosen by hand, one of `CLICKS`.
        self.aimed: str | None = None
        #: The floor in the video; None until its four points are known.
        self.view: FloorView | None = None
        with suppress(DataError):  # an unreadable view is set anew, and costs nothing else
            self.view = self._seen(self.table.settings.floor)

    @property
    def table(self) -> Table:
        """The rows so far."""
        return self.store.session.table

    def act(self, action: dict[str, Any]) -> None:
        """Do an action: ``do``, its name; what it needs; ``t``, seconds into the video, if known.

        A DataError if it is unknown or does not fit: nothing has changed then. A LogError if it
        cannot be kept on the disk.
        """
        name = action.get("do")
        if name not in _ACTIONS:
            raise DataError(f"There is no action {name!r}.")
        self.message = ""
        getattr(self, f"_{name}")(action)

    def shown(self) -> Row:
        """Fields of the shot in hand with what is suggested, or of the selected row."""
        if self.selected is not None:
            return self.table.rows[self.selected]
        return {**self.suggested(), **self.hand.fields}

    def suggested(self) -> Row:
        """Fields of the shot in hand that are taken for granted."""
        table = self.table
        return suggestions(
            table.setup,
            self.hand.fields,
            table.next,
            self.court,
            level=table.level,
            short=self.short,
        )

    @property
    def short(self) -> bool:
        """Whether the shot in hand makes a short row."""
        return self.table.is_short(self.table.next.striker)

    @property
    def click(self) -> str:
        """What the next click on the floor means: one of `CLICKS`, or ``next``."""
        if self.aimed is not None:
            return self.aimed
        if self.selected is not None:
            return "struck"
        table = self.table
        return next_click(self.hand.fields, table.next, table.level, self.short)

    def lacking(self) -> list[str]:
        """What the shot in hand needs before it can be taken."""
        return missing(self.shown(), self.short)

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
        if column == "gap_class":
            self._known(column, word)
        # The same key again takes the word away, where a row can do without it.
        again = self.selected is None or column not in ("side", "stroke", "ending")
        held = self.hand.fields if self.selected is None else self.shown()
        self._put({column: None if again and held.get(column) == word else word}, action)

    def _place(self, action: dict[str, Any]) -> None:
        """Take a click on the floor, drawn or filmed.

        ``volley`` is a ball struck in the air, which is always the next one; ``move`` moves the
        place where the ball in hand is struck.
        """
        x, y = self._spot(action)
        what = "struck" if action.get("move") else self.click
        volley = bool(action.get("volley")) and self.selected is None
        if volley:  # a serve is no volley, so it may go without a place
            placed = "x" in self.hand.fields or self.click == "next"
            what = "next" if placed or self.table.next.shot == 1 else "struck"
        if what == "next":
            self._take(action, x)  # the next ball is struck, so this shot is done
            what = "struck"
        self.aimed = None
        if what != "struck":
            self._put(dict(zip(CLICKS[what], (x, y), strict=True)), action)
            return
        spot = struck(x, y, self.court)
        if self.shown().get("stroke") == "serve":
            spot["gap_cm"] = None  # a serve has no incoming ball
        if volley:
            spot["contact"] = "volley"
        self._put(spot, action)
        if "u" in action:
            self.message = self._how_good(action)

    def _spot(self, action: dict[str, Any]) -> tuple[float, float]:
        """Place of a click on the court, metres."""
        if "u" not in action:
            return on_floor(_number(action, "x"), _number(action, "y"), self.court)
        if self.view is None:
            raise DataError("The court in the video is not known yet: set its four points first.")
        u, v, px = (_number(action, name) for name in ("u", "v", "px"))
        slip = 2 * max(self.view.error_m(u, v, px))
        return on_floor(*self.view.place(u, v), self.court, max(0.1, min(slip, 1.0)))

    def _how_good(self, action: dict[str, Any]) -> str:
        """Say what error a place clicked in the video carries."""
        assert self.view is not None
        u, v, px = (_number(action, name) for name in ("u", "v", "px"))
        x, y = self.view.place(u, v)
        across, along = (196 * error for error in self.view.error_m(u, v, px))
        said = f"Good to ±{across:.0f} cm across, ±{along:.0f} cm along."
        lift = self.view.lift_m(x, y, _IN_THE_AIR_M)
        if lift is None:
            return f"{said} A ball in the air misleads: click the floor under it."
        near_left = x < self.court.half_width_m
        change = -100 * lift[0] if near_left else 100 * lift[0]
        return (
            f"{said} Click the floor under the ball: {100 * _IN_THE_AIR_M:.0f} cm up in the air "
            f"makes the gap {abs(change):.0f} cm too {'small' if change > 0 else 'large'}."
        )

    def _take(self, action: dict[str, Any], next_x: float | None) -> None:
        """Take the shot in hand because the next ball was clicked, which tells its direction."""
        lacking = self.lacking()
        if lacking:
            raise DataError(
                f"Shot {self.table.next.shot} lacks its {' and '.join(lacking)}: key it, then "
                "click the next ball again. Shift and a click move the ball."
            )
        if not self.short and "direction" not in self.shown():
            self.hand.set({"direction": direction_of(self.shown(), next_x, self.court)})
        self._commit(action)

    def _aim(self, action: dict[str, Any]) -> None:
        what = action.get("value")
        if what not in CLICKS:
            raise DataError(f"A click cannot mean {what!r}: use one of {', '.join(CLICKS)}.")
        self.aimed = None if self.aimed == what else str(what)

    def _wall(self, action: dict[str, Any]) -> None:
        height = round(_number(action, "z"), 2)
        if not 0 <= height <= self.court.clear_height_m:
            raise DataError(f"A height of {height:g} m is not on the front wall.")
        self._put({"wall_z": height}, action)

    def _row(self, action: dict[str, Any]) -> None:
        """Fill a short row at one click: the gap in words, and the choice.

        A shot of the other player that is still in hand is taken, as by a click on the ball.
        """
        if self.selected is None and self.hand.fields and not self.short:
            self._take(action, None)
        self._put({name: self._known(name, action.get(name)) for name in _SHORT}, action)

    def _known(self, column: str, word: Any) -> str:
        if word not in VOCABULARY[column]:
            raise DataError(f"{word!r} is no known {column}.")
        if column == "gap_class":
            if self.selected is None and not self.short:
                raise DataError(
                    f"{self.table.next.striker} is charted in full: click where the ball is "
                    "struck, or type the gap in cm."
                )
            if self.selected is None and self.table.next.shot == 1:
                raise DataError("Shot 1 is the serve, which has no gap: Enter takes it.")
            if self.shown().get("gap_cm") is not None:
                raise DataError("The gap is known in cm, so it needs no word.")
        return str(word)

    def _settings(self, action: dict[str, Any]) -> None:
        names = ("level", "in_full")
        self.store.do({"op": "settings"} | {name: action[name] for name in names if name in action})

    def _fit(self, action: dict[str, Any]) -> None:
        """Learn how the video shows the floor, from four points clicked in it."""
        found = {"points": action.get("points"), "frame": action.get("frame")}
        view = self._seen(found)
        self.store.do({"op": "settings", "floor": found})
        self.view = view
        self.message = "The court is set: the lines drawn in the video must lie on its own."

    def _seen(self, floor: dict[str, Any] | None) -> FloorView | None:
        if floor is None:
            return None
        try:
            points = [
                {**point, **{name: float(point[name]) for name in ("u", "v", "px")}}
                for point in floor["points"]
            ]
            width, height = (int(side) for side in floor["frame"])
        except (KeyError, TypeError, ValueError) as error:
            raise DataError(f"The four points cannot be understood: {floor!r}.") from error
        return FloorView(points, (width, height), self.court)

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
        lacking = self.lacking()
        if lacking:
            raise DataError(f"The shot in hand lacks its {' and '.join(lacking)}.")
        self._put({}, action)  # a serve that is only taken for granted has no time yet
        fields = self.shown()
        self.store.do({"op": "shot", "shot": fields})
        self.hand, self.aimed = Hand(), None
        if "ending" in fields:
            self._say_ending()

    def _clear(self, _: dict[str, Any]) -> None:
        self.hand, self.aimed = Hand(), None

    def _undo(self, _: dict[str, Any]) -> None:
        if self.selected is None and self.hand.undo():
            return
        self.store.do(UNDO)
        self._keep_selection()
        self.message = "Undone."

    def _redo(self, _: dict[str, Any]) -> None:
        self.store.do(REDO)
        self._keep_selection()
        self.message = "Done again."

    def _swap(self, _: dict[str, Any]) -> None:
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
