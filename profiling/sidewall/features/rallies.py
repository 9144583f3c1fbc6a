"""Where each rally begins and ends in a shot table, and the table of rallies."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from sidewall.arguments import Ints, Table, as_frame
from sidewall.errors import DataError
from sidewall.features.coded import as_category, codes_of, need_columns

_KEY = ["match", "game", "rally"]


@dataclass(frozen=True)
class RallyRuns:
    """Rows of a shot table grouped into rallies, which are numbered from 0.

    `of_shot` is the rally of each row; `first` and `last` are the rows of its serve and last shot.
    """

    of_shot: Ints
    first: Ints
    last: Ints
    length: Ints


def rally_runs(shots: pd.DataFrame) -> RallyRuns:
    """Find the rallies of a canonical shot table, and make sure that each is whole and in order.

    A DataError if shots are missing or out of order, as when a table was filtered first.
    """
    need_columns(shots, [*_KEY, "shot", "player", "opponent", "rally_won_by", "ending"])
    n = len(shots)
    if n == 0:
        none = np.empty(0, dtype=np.int64)
        return RallyRuns(none, none, none, none)
    match = pd.factorize(shots["match"])[0]
    game, rally, shot = (shots[c].to_numpy(dtype=np.int64) for c in ("game", "rally", "shot"))
    new_match = np.diff(match, prepend=-1) != 0
    new_game = new_match | (np.diff(game, prepend=game[0]) != 0)
    new = new_game | (np.diff(rally, prepend=rally[0]) != 0)
    first = np.flatnonzero(new)
    of_shot = np.cumsum(new) - 1
    length = np.diff(first, append=n)
    last = first + length - 1

    back = np.zeros(n, dtype=bool)
    back[1:] = (
        (match[1:] < match[:-1])
        | (~new_match[1:] & (game[1:] < game[:-1]))
        | (~new_game[1:] & (rally[1:] < rally[:-1]))
    )
    if back.any():
        raise DataError(
            f"{_where(shots, int(np.flatnonzero(back)[0]))} comes after later play. "
            'Sort first: shots.sort_values(["match", "game", "rally", "shot"]).'
        )
    hole = shot != np.arange(n) - first[of_shot] + 1
    if hole.any():
        at = int(np.flatnonzero(hole)[0])
        raise DataError(
            f"{_where(shots, at)} is shot {shot[at]}, but shot "
            f"{at - first[of_shot[at]] + 1} was expected there: the rally is not whole. "
            "Compute features on whole rallies, then choose rows."
        )
    cut = (shots["ending"].isna() & shots["rally_won_by"].isna()).to_numpy()[last]
    if cut.any():
        at = int(last[np.flatnonzero(cut)[0]])
        raise DataError(
            f"{_where(shots, at)} stops at shot {shot[at]} with no ending: the rally is not "
            "whole. Compute features on whole rallies, then choose rows."
        )
    return RallyRuns(of_shot.astype(np.int64), first, last, length)


def need_whole_rallies(table: pd.DataFrame) -> None:
    """Make sure that the row after each shot of a feature table is the opponent's next ball.

    Whole rallies may have been left out since. A DataError if shots were chosen or put in another
    order, or tables were put together.
    """
    need_columns(table, ["rally_id", "shot", "shots_left"])
    n = len(table)
    if n == 0:
        return
    rally, shot, left = (table[c].to_numpy() for c in ("rally_id", "shot", "shots_left"))
    goes_on = left[:-1] > 0
    follows = (rally[1:] == rally[:-1]) & (shot[1:] == shot[:-1] + 1) & (left[1:] == left[:-1] - 1)
    wrong = np.concatenate([[shot[0] != 1], np.where(goes_on, ~follows, shot[1:] != 1)])
    mend = (
        "Rows were chosen or moved after shot_features, so the next row is not the next ball. "
        "Give every shot of each rally; where you want some shots only, choose them with keep="
    )
    if wrong.any():
        at = int(np.flatnonzero(wrong)[0])
        raise DataError(
            f"{_where(table, at)} does not go on in order at shot {shot[at]}: the rally before it "
            f"or its own is not whole. {mend}"
        )
    if left[-1] > 0:
        raise DataError(
            f"{_where(table, n - 1)} has {left[-1]} more shots than the table holds. {mend}"
        )
    serves = rally[shot == 1]
    if (np.diff(serves) <= 0).any() and len(np.unique(serves)) < len(serves):
        raise DataError(
            "two rallies bear the same rally_id: tables of features were put together. Put the "
            "shot tables together first, then compute features"
        )


def _where(shots: pd.DataFrame, at: int) -> str:
    row = shots.iloc[at]
    line = f" (line {row['line']} of the log)" if "line" in shots.columns else ""
    return f"Match {row['match']}, game {row['game']}, rally {row['rally']}{line}"


def player_names(shots: pd.DataFrame) -> list[str]:
    """Every player of the table, in the order of its own categories where it has them."""
    names: dict[str, None] = {}
    for column in ("player", "opponent"):
        values = shots[column]
        if isinstance(values.dtype, pd.CategoricalDtype):
            names.update(dict.fromkeys(values.cat.categories))
        else:
            names.update(dict.fromkeys(values.dropna().unique()))
    return list(names)


def rally_table(shots: Table) -> pd.DataFrame:
    """One row a rally: who served, who won it, how it ended, how long it was.

    Parameters
    ----------
    shots
        A canonical shot table with whole rallies.

    Returns
    -------
    DataFrame
        ``match``, ``game``, ``rally``; ``rally_id`` (int64, from 0, the number that
        `shot_features` gives); ``server``, ``receiver``, ``winner``, ``loser`` (category of
        players; winner and loser missing after a let); ``ending``; ``shots`` (int64);
        ``seconds`` from the serve to the last strike, so without the flight of the last ball
        (NaN without times); ``line``, the rally's first line in the log, where known.

    Raises
    ------
    DataError
        If a rally is not whole or the table is out of order.

    See Also
    --------
    shot_features
    zone_features

    Examples
    --------
    >>> table = sw.rally_table(shots)
    >>> table[["match", "game", "rally", "server", "winner", "shots"]].head(2)
      match  game  rally server winner  shots
    0   m01     1      1  Cedar  Rowan     10
    1   m01     1      2  Rowan  Cedar      2
    """
    shots = as_frame(shots)
    runs = rally_runs(shots)
    names = player_names(shots)
    start, end = shots.iloc[runs.first], shots.iloc[runs.last]
    server = codes_of(start["player"], names)
    receiver = codes_of(start["opponent"], names)
    winner = codes_of(end["rally_won_by"], names)
    loser = np.where(winner < 0, -1, np.where(winner == server, receiver, server))
    if "t_s" in shots.columns:
        t = shots["t_s"].to_numpy(dtype=np.float64)
        seconds = t[runs.last] - t[runs.first]
    else:
        seconds = np.full(len(runs.first), np.nan)
    table = start[_KEY].reset_index(drop=True)
    table["rally_id"] = np.arange(len(table), dtype=np.int64)
    for name, codes in (
        ("server", server),
        ("receiver", receiver),
        ("winner", winner),
        ("loser", loser),
    ):
        table[name] = as_category(codes, names)
    table["ending"] = end["ending"].reset_index(drop=True)
    table["shots"] = runs.length
    table["seconds"] = seconds
    if "line" in shots.columns:
        table["line"] = start["line"].to_numpy(dtype=np.int64)
    return table
