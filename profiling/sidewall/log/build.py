"""The checked table of shots that everything else takes."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from sidewall.log.choice import ChoiceTable, derive_choice
from sidewall.log.rallies import RallyChecks
from sidewall.log.reading import Codes, Reading
from sidewall.log.rows import SERVE
from sidewall.log.vocabulary import HANDS, VOCABULARY

_SOURCES = ("charted", "derived")


def build_shots(
    checks: RallyChecks,
    pair: Codes,
    details: dict[str, tuple[str, npt.NDArray[np.object_]]],
    choice_table: ChoiceTable | None,
) -> pd.DataFrame:
    """Build the table from the rows of the rallies that were not refused.

    Parameters
    ----------
    checks
        The log after every check.
    pair
        The two players of each match, shape (matches, 2).
    details
        Name of each detail: whether it is of the player or the match, and its values.
    choice_table
        Rules laid over the default table of choices.
    """
    reading, rows, order = checks.reading, checks.rows, checks.order
    kept = ~checks.refused[order.rally]
    at = order.rows[kept]
    ends = np.zeros(len(order.rows), dtype=bool)
    ends[order.last] = True
    ends = ends[kept]
    match, player = rows.match[at], rows.player[at]
    opponent = pair[match].sum(axis=1) - player
    names = _Appearing(rows.players, np.column_stack([player, opponent]).ravel())
    columns: dict[str, Any] = {
        "match": _Appearing(rows.matches, match).categorical(match),
        "game": rows.game[at],
        "rally": rows.rally[at],
        "shot": rows.shot[at],
        "player": names.categorical(player),
        "opponent": names.categorical(opponent),
    }
    words = {name: codes[at] for name, codes in rows.words.items()}
    words["ending"] = np.where(ends, words["ending"], -1)
    blank = np.full(len(at), -1, dtype=np.int64)
    charted = np.where(_derived_before(reading)[at], -1, words.pop("choice", blank))
    charted[words["stroke"] == SERVE] = -1
    derived = derive_choice(
        words["stroke"],
        words.get("direction", blank),
        words.get("contact", blank),
        choice_table,
    )
    for name in ("side", "stroke", "direction", "contact"):
        if name in words:
            columns[name] = _words(name, words[name])
    columns["gap_m"] = rows.gap_m[at]
    columns["choice"] = _words("choice", np.where(charted >= 0, charted, derived))
    columns["choice_source"] = _coded(
        np.select([charted >= 0, derived >= 0], [0, 1], default=-1), list(_SOURCES)
    )
    for name in ("gap_class", "balance", "depth", "lane", "opponent_place", "bounce"):
        if name in words:
            columns[name] = _words(name, words[name])
    columns["rally_won_by"] = names.categorical(np.where(ends, rows.winner[at], -1))
    columns["ending"] = _words("ending", words["ending"])
    columns.update({name: values[at] for name, values in rows.lengths.items()})
    columns.update({name: values[at] for name, values in rows.scores.items()})
    for name, (owner, values) in details.items():
        columns[name] = _detail(name, player if owner == "player" else match, values)
    if reading.raw.sheet_of is not None:
        columns["sheet"] = _coded(reading.raw.sheet_of[at], list(reading.raw.sheets))
    columns["line"] = reading.raw.lines[at].astype(np.int64)
    return pd.DataFrame(columns)


class _Appearing:
    """Names in the order in which they appear in the rows that are used."""

    def __init__(self, names: list[str], codes: Codes) -> None:
        used, first = np.unique(codes, return_index=True)
        used = used[np.argsort(first, kind="stable")]
        self.names = [names[code] for code in used.tolist()]
        self.place = np.full(len(names) + 1, -1, dtype=np.int64)  # the last place is for -1
        self.place[used] = np.arange(len(used))

    def categorical(self, codes: Codes) -> pd.Categorical:
        return _coded(self.place[codes], self.names)


def _derived_before(reading: Reading) -> npt.NDArray[np.bool_]:
    """Rows of a table read before whose choice was derived then; it is derived again."""
    for text, column in reading.raw.columns:
        if text == "choice_source":
            return (column.distinct == "derived")[column.codes]
    return np.zeros(reading.rows, dtype=bool)


def _words(name: str, codes: npt.NDArray[np.integer]) -> pd.Categorical:
    return _coded(codes, list(VOCABULARY[name]))


def _coded(codes: npt.NDArray[np.integer], names: list[str]) -> pd.Categorical:
    if not names:
        return pd.Categorical([None] * len(codes), categories=pd.Index([], dtype="str"))
    built: Any = pd.Categorical.from_codes(np.asarray(codes), categories=pd.Index(names))
    return built


def _detail(name: str, owner: Codes, values: npt.NDArray[np.object_]) -> Any:
    if name in ("tin_height_m", "board_width_m"):
        return np.array([np.nan if one is None else one for one in values], dtype=float)[owner]
    if name == "date":
        return np.array([np.datetime64(one, "D") for one in values], dtype="datetime64[ns]")[owner]
    known = (
        list(HANDS) if name == "hand" else list(dict.fromkeys(v for v in values if v is not None))
    )
    place = {one: at for at, one in enumerate(known)}
    codes = np.array([place.get(one, -1) for one in values], dtype=np.int64)
    return _coded(codes[owner], known)
