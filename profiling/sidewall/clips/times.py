"""When a clip begins and ends, in the video of its match."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from sidewall.arguments import Array, Table, as_frame, check_number
from sidewall.clips.titles import clip_title
from sidewall.errors import DataError

_RALLY: Final = ["match", "game", "rally"]
_SEEN: Final = ("player", "side", "stroke", "direction", "contact")
OK: Final = ""
NO_TIME: Final = "no time in the log"
_NOT_THERE: Final = "not in the log"
_BACKWARDS: Final = "the rally's last strike has an earlier time than its serve"


def clip_times(
    table: Table,
    shots: Table,
    *,
    lead_in_s: float = 4.0,
    lead_out_s: float = 2.0,
    merge: bool = True,
    name_players: bool | None = None,
) -> pd.DataFrame:
    """Find the in and out time of every shot or rally of a table.

    A rally is shown from `lead_in_s` before its serve to `lead_out_s` after its last strike,
    a single shot from `lead_in_s` before its strike to `lead_out_s` after it.

    Parameters
    ----------
    table : DataFrame
        One row a clip, with ``match``, ``game`` and ``rally``; with ``shot`` for single
        shots (a missing one stands for the whole rally). Any table of decisions, features or
        rallies will do. A column ``title`` says what is seen; without it, the words are made
        from ``decision`` and the shot's own columns.
    shots : DataFrame
        The log, with times in ``t_s`` (seconds into the match's video).
    lead_in_s, lead_out_s : float
        Seconds before and after.
    merge : bool, default True
        Whether clips of a match that overlap in time or touch become one.
    name_players : bool, optional
        Whether titles of single shots say who strikes, as the log names players. By default
        they do where the table's shots are by more than one player.

    Returns
    -------
    DataFrame
        One row a clip, by match and time: ``match``, ``in_s`` and ``out_s`` (seconds, never
        below 0; missing without a time), ``title``, ``rows`` (how many rows of `table` it
        shows) and ``problem`` (empty, or why there is no time). Every row of `table` is in
        exactly one clip.

    Raises
    ------
    DataError
        If a column is missing, the log has no times at all, or a lead is negative.
    """
    table = as_frame(table, "table")
    shots = as_frame(shots)
    check_number(lead_in_s, "lead_in_s", least=0.0)
    check_number(lead_out_s, "lead_out_s", least=0.0)
    _check(table, shots, lead_in_s, lead_out_s)
    single = "shot" in table.columns
    keys = [*_RALLY, "shot"]
    clips = pd.DataFrame({name: table[name].to_numpy() for name in _RALLY})
    clips["match"] = clips["match"].astype(str)
    clips["shot"] = table["shot"].to_numpy(dtype=float) if single else np.nan
    log = shots[[*keys, "t_s", *(name for name in _SEEN if name in shots.columns)]]
    log = log.assign(match=log["match"].astype(str), shot=log["shot"].astype(float))
    begin_end = {
        "begin": log.drop_duplicates(_RALLY),
        "end": log.drop_duplicates(_RALLY, keep="last"),
    }
    ends = pd.DataFrame({name: rows.set_index(_RALLY)["t_s"] for name, rows in begin_end.items()})
    at_rally = pd.MultiIndex.from_frame(clips[_RALLY])
    at_shot = pd.MultiIndex.from_frame(clips[keys])
    strike = log.set_index(keys)["t_s"]
    whole_rally = clips["shot"].isna().to_numpy()
    there = np.where(whole_rally, at_rally.isin(ends.index), at_shot.isin(strike.index))
    rally_ends, struck = ends.reindex(at_rally), strike.reindex(at_shot).to_numpy()
    begin = np.where(whole_rally, rally_ends["begin"], struck)
    end = np.where(whole_rally, rally_ends["end"], struck)
    untimed, backwards = np.isnan(begin + end), end < begin
    clips["problem"] = np.select(
        [~there, untimed, backwards], [_NOT_THERE, NO_TIME, _BACKWARDS], OK
    )
    timed = (clips["problem"] == OK).to_numpy()
    clips["in_s"] = np.where(timed, np.maximum(begin - lead_in_s, 0.0), np.nan)
    clips["out_s"] = np.where(timed, np.maximum(end + lead_out_s, 0.0), np.nan)
    clips["title"] = _titles(clips, table, log.set_index(keys), at_shot, name_players)
    clips["rows"] = 1
    order = pd.factorize(clips["match"])[0], clips["in_s"].to_numpy()
    clips = clips.iloc[np.lexsort((order[1], order[0]))]
    found = _merged(clips) if merge else clips
    return found[["match", "in_s", "out_s", "title", "rows", "problem"]].reset_index(drop=True)


def _check(table: pd.DataFrame, shots: pd.DataFrame, lead_in_s: float, lead_out_s: float) -> None:
    missing = [name for name in _RALLY if name not in table.columns]
    if missing:
        raise DataError(
            f"the table of clips has no column {', '.join(missing)}; a clip is found by match, "
            "game and rally (and shot)"
        )
    if "t_s" not in shots.columns or shots["t_s"].isna().all():
        raise DataError(
            "the log has no times, so no clip can be found in a video; chart the column t "
            "(seconds, mm:ss or h:mm:ss into the match's video)"
        )
    for name, lead in (("lead_in_s", lead_in_s), ("lead_out_s", lead_out_s)):
        if not (np.isfinite(lead) and lead >= 0.0):
            raise DataError(f"{name} is {lead!r}; give a number of seconds from 0")


def _titles(
    clips: pd.DataFrame,
    table: pd.DataFrame,
    log: pd.DataFrame,
    at_shot: pd.MultiIndex,
    name_players: bool | None,
) -> list[str]:
    seen: dict[str, Array] = {
        name: log[name].astype(object).reindex(at_shot).to_numpy()
        for name in _SEEN
        if name in log.columns
    }
    for name in ("title", "decision", "family", *_SEEN):
        if name in table.columns:
            seen[name] = table[name].astype(object).to_numpy()
    if name_players is None:
        name_players = "player" in seen and len(pd.Series(seen["player"]).dropna().unique()) > 1
    rows = clips[[*_RALLY, "shot"]].assign(**seen).to_dict("records")
    return [clip_title({str(k): v for k, v in row.items()}, name_players) for row in rows]


def _merged(clips: pd.DataFrame) -> pd.DataFrame:
    """Join clips of a match that touch; they come sorted by match and begin."""
    match = pd.factorize(clips["match"])[0]
    # each match's clips are moved beyond the ones before it, so that none can touch another's
    reach = clips.groupby(match)["out_s"].cummax().to_numpy()
    begin = clips["in_s"].to_numpy()
    timed = ~np.isnan(begin)
    apart = np.ones(len(clips), dtype=bool)
    same = (match[1:] == match[:-1]) & timed[1:] & timed[:-1]
    apart[1:] = ~(same & (begin[1:] <= reach[:-1]))
    joined = clips.groupby(np.cumsum(apart), sort=False)
    return joined.agg(
        match=("match", "first"),
        in_s=("in_s", "first"),
        out_s=("out_s", "max"),
        title=("title", lambda titles: "; ".join(dict.fromkeys(titles))),
        rows=("rows", "sum"),
        problem=("problem", "first"),
    )
