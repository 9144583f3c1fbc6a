"""The notebook widget: a thin shell that passes actions to the chart and shows its state."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from threading import RLock
from typing import Any, Final

import pandas as pd

from sidewall.charting.chart import Chart
from sidewall.charting.rows import Problem, Row, finished_shots, problems_of
from sidewall.charting.store import Store
from sidewall.charting.view import floor_view, setup_view, state_view
from sidewall.court import Court
from sidewall.court.floor import FloorView
from sidewall.errors import DataError, SidewallError
from sidewall.log.cells import tidy_name

try:
    import anywidget
    import traitlets
except ImportError as error:
    raise DataError(
        "Charting runs in JupyterLab and needs the package anywidget: install sidewall with its "
        'notebook extra, pip install "sidewall[notebook]".'
    ) from error

#: So many waiting actions mean that one was lost on the way; charting goes on without it.
_MOST_WAITING: Final = 30


class ChartMatch(anywidget.AnyWidget):
    """Chart a match: click the ball's place on the court, key the rest, beside the video.

    Every shot is on the disk as soon as it is taken. The log is a CSV file that
    `sidewall.read_shots` reads; beside it lies its journal, which makes undo and going on
    after a crash possible. Call it again with the same file to go on.

    The keys are on the screen; ``?`` shows them all. The video is picked in the browser and
    is neither copied nor sent anywhere.

    Parameters
    ----------
    path
        The log, a ``.csv`` file; made if it is not there.
    match
        Name of the match. Needed for a new file only, as are the players.
    players
        The two players.
    server
        Who serves first; the first player by default.
    scoring
        ``par11`` (default), ``par15`` or ``hiho9``.
    hands
        Player to ``right`` or ``left``. Where known, the side follows from the place.
    level
        What is recorded of a shot: ``short``, ``usual`` or ``full``; what each makes possible
        and costs is on the screen (``Shift R``), where it is asked for unless it is given here.
    in_full
        The player whose shots are charted in full, if not both are. The other player's rows are
        short: the gap in words or by a click, and attack or reset.
    video
        Address of a video below the folder that JupyterLab was started in, such as
        ``matches/rowan.mp4``. Or leave it out and pick a file on the screen.
    court
        The court; singles by default.

    Raises
    ------
    LogError
        If the file cannot be used, belongs to another match or was changed outside charting.
    DataError
        If a new match is not described well enough, or the video is not a local one.

    See Also
    --------
    read_shots
    write_template

    Examples
    --------
    >>> from importlib.util import find_spec
    >>> if find_spec("anywidget"):  # comes with the extra "notebook"
    ...     chart = sw.ChartMatch("new.csv", match="final", players=("Rowan", "Hazel"))
    """

    _esm = Path(__file__).with_name("widget.js")
    _css = Path(__file__).with_name("widget.css")
    setup = traitlets.Dict().tag(sync=True)
    state = traitlets.Dict().tag(sync=True)
    floor = traitlets.Dict().tag(sync=True)

    def __init__(
        self,
        path: str | os.PathLike[str],
        *,
        match: str | None = None,
        players: tuple[str, str] | None = None,
        server: str | None = None,
        scoring: str | None = None,
        hands: Mapping[str, str] | None = None,
        level: str | None = None,
        in_full: str | Sequence[str] | None = None,
        video: str | None = None,
        court: Court | None = None,
    ) -> None:
        wanted = dict(match=match, players=players, server=server, scoring=scoring, hands=hands)
        self._chart = Chart(Store(path, wanted), court)
        self._settle(level, in_full)
        self._order = InOrder()
        self._one_at_a_time = RLock()
        self._checked: tuple[Row, ...] | None = None
        self._problems: list[Problem] = []
        super().__init__(
            setup=setup_view(self._chart, _local(video)),
            state=self._state(answer=0, trouble=""),
            floor=floor_view(self._chart.view),
        )
        self._view: FloorView | None = self._chart.view
        self.on_msg(self._on_action)

    def shots(self) -> pd.DataFrame:
        """Checked table of the rallies that have ended, as `sidewall.read_shots` gives it.

        Raises
        ------
        LogError
            If no rally has ended.
        """
        table = self._chart.table
        return finished_shots(table.setup, table.rows, self._chart.court)

    def _on_action(self, _widget: Any, content: dict[str, Any], _buffers: Any) -> None:
        with self._one_at_a_time:
            for action in self._order.take(content):
                trouble = ""
                try:
                    self._chart.act(action)
                except SidewallError as error:
                    trouble = str(error)
                if self._chart.view is not self._view:
                    self._view = self._chart.view
                    self.floor = floor_view(self._view)
                self.state = self._state(answer=action["number"], trouble=trouble)

    def _settle(self, level: str | None, in_full: str | Sequence[str] | None) -> None:
        """Take what to record from the caller, where that is new."""
        players, held = self._chart.table.setup.players, self._chart.table.settings
        wanted: dict[str, Any] = {}
        if level is not None and level != held.level:
            wanted["level"] = level
        if in_full is not None:
            names = [in_full] if isinstance(in_full, str) else list(in_full)
            if {tidy_name(name) for name in names} != set(held.in_full or players):
                wanted["in_full"] = [tidy_name(name) for name in names]
        if wanted:
            self._chart.act({"do": "settings", **wanted})

    def _state(self, *, answer: int, trouble: str) -> dict[str, Any]:
        chart = self._chart
        rows = chart.table.rows
        if rows is not self._checked:  # most keys change the shot in hand only
            self._problems = problems_of(chart.table.setup, rows, chart.court)
            self._checked = rows
        state = state_view(chart, self._problems)
        state["trouble"] = trouble or state["trouble"]
        return {**state, "answer": answer}


class InOrder:
    """Puts the actions of each view back into order.

    A kernel may handle the messages of a widget on several threads, and then a click can
    overtake the key before it. So each action carries the name of the view it comes from and
    its number there, from 1, and those that come early wait.
    """

    def __init__(self) -> None:
        self._done: dict[str, int] = {}
        self._waiting: dict[str, dict[int, dict[str, Any]]] = {}

    def take(self, action: dict[str, Any]) -> list[dict[str, Any]]:
        """Take an action that has come in, with its ``view`` and ``number``; return those now due.

        One that has been done before is dropped.
        """
        view, number = str(action.get("view", "")), int(action.get("number", 0))
        waiting = self._waiting.setdefault(view, {})
        done = self._done.get(view, 0)
        if number > done:
            waiting[number] = action
        if len(waiting) > _MOST_WAITING:
            done = min(waiting) - 1
        due = []
        while done + 1 in waiting:
            done += 1
            due.append(waiting.pop(done))
        self._done[view] = done
        return due


def _local(video: str | None) -> str:
    if video is None:
        return ""
    if ":" in video or video.startswith(("/", "\\")) or ".." in video:
        raise DataError(
            f"video is {video!r}: give a path below the folder that JupyterLab was started in, "
            "such as matches/rowan.mp4, or leave it out and pick the file on the screen."
        )
    return video.replace("\\", "/")
