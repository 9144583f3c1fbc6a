"""Actions in the order in which they were made.

A kernel may handle the messages of a widget on several threads, and then a click can overtake
the key before it. So each action carries the name of the view it comes from and its number
there, from 1, and those that come early wait.
"""

from __future__ import annotations

from typing import Any, Final

#: So many waiting actions mean that one was lost on the way; charting goes on without it.
_MOST_WAITING: Final = 30


class InOrder:
    """Puts the actions of each view back into order."""

    def __init__(self) -> None:
        self._done: dict[str, int] = {}
        self._waiting: dict[str, dict[int, dict[str, Any]]] = {}

    def take(self, action: dict[str, Any]) -> list[dict[str, Any]]:
        """Take an action that has come in; return those whose turn it is now.

        Parameters
        ----------
        action
            With ``view`` and ``number``. One that has been done before is dropped.
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
