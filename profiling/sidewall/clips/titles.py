"""What a clip is called: where it is in the match, and what is seen."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import pandas as pd

#: Said in a few words before the shot; a shot that was judged says how.
_DECISIONS: Final = ("forced", "passed up", "attacked loose", "reset tight")
_PLAIN: Final = {"cross": "cross-court", "attacked loose": "attacked", "reset tight": "reset"}


def clip_title(row: Mapping[str, Any], name_player: bool = False) -> str:
    """Say where a shot or rally is and what is seen.

    Parameters
    ----------
    row : mapping
        ``game`` and ``rally``; ``shot`` for a single shot; ``title``, where the table has
        one, is taken as it is; else ``decision``, ``side``, ``contact``, ``direction`` and
        ``stroke`` are said, as far as they are known.
    name_player : bool, default False
        Whether to say who strikes, as the log does.

    Returns
    -------
    str
        Such as "game 1, rally 12, shot 5: forced backhand volley drop".
    """
    where = f"game {row['game']}, rally {row['rally']}"
    if _known(row, "shot"):
        where += f", shot {int(row['shot'])}"
    seen = str(row["title"]) if _known(row, "title") else what_is_seen(row)
    if name_player and _known(row, "player") and _known(row, "shot"):
        seen = f"{row['player']}, {seen}" if seen else str(row["player"])
    return f"{where}: {seen}" if seen else where


def what_is_seen(row: Mapping[str, Any]) -> str:
    """Say a shot: how it was judged, side, how the ball was met, direction and stroke."""
    words = []
    if _known(row, "decision") and str(row["decision"]) in _DECISIONS:
        words.append(_word(row["decision"]))
    if _known(row, "stroke") and str(row["stroke"]) == "serve":
        return " ".join([*words, "serve"])
    if _known(row, "side"):
        words.append(_word(row["side"]))
    if _known(row, "direction"):
        words.append(_word(row["direction"]))
    volley = _known(row, "contact") and str(row["contact"]) == "volley"
    if volley or (not _known(row, "contact") and str(row.get("family")) == "volley"):
        words.append("volley")
    if _known(row, "stroke"):
        words.append(_word(row["stroke"]))
    return " ".join(words)


def _known(row: Mapping[str, Any], name: str) -> bool:
    return name in row and not pd.isna(row[name])


def _word(value: Any) -> str:
    return _PLAIN.get(str(value), str(value).replace("_", " "))
