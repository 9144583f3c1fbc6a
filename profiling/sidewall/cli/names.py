"""Names of players, found although typed a little otherwise."""

from __future__ import annotations

from collections.abc import Sequence
from difflib import get_close_matches

from sidewall.errors import DataError

_MOST_LISTED = 12


def find_player(asked: str, players: Sequence[str]) -> str:
    """Return the player meant; case does not matter unless two players differ in nothing else.

    A DataError with the names that come close, or all where they are few.
    """
    if asked in players:
        return asked
    folded = [name for name in players if name.casefold() == asked.strip().casefold()]
    if len(folded) == 1:
        return folded[0]
    by_fold = {name.casefold(): name for name in players}
    close = [by_fold[name] for name in get_close_matches(asked.casefold(), list(by_fold), n=3)]
    message = f"No player is called {asked!r}."
    if close:
        message += f" Close names: {', '.join(close)}."
    elif len(players) <= _MOST_LISTED:
        message += f" Players in the log: {', '.join(players)}."
    else:
        message += f" The log has {len(players)} players, such as {', '.join(players[:5])}."
    raise DataError(message)
