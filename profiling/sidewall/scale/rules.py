"""The reader's rules for a table that was not read by the reader.

A file of shots may come from elsewhere, or from an earlier hand; every part is held to these
rules each time it is read. They are sums over columns of codes, and take a small share of the
time of a pass.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.court import Court
from sidewall.errors import LogError
from sidewall.features.coded import codes_of
from sidewall.log.rallies import FIXED_WINNER, LET
from sidewall.log.rows import SCORES, SERVE
from sidewall.log.vocabulary import ENDINGS, SIDES, STROKES
from sidewall.rallies.in_short import gap_words, in_short

_Bools = NDArray[np.bool_]
_Ints = NDArray[np.int64]
_MEND: Final = "read the log with read_shots, and write what it gives"


def check_rules(shots: pd.DataFrame, court: Court, where: str) -> None:
    """Refuse a table that the reader would not have given.

    Parameters
    ----------
    shots : DataFrame
        Canonical columns; names of players in one list of categories.
    court : Court
        The court that lengths must fit into.
    where : str
        Name of the file, for messages.

    Raises
    ------
    LogError
        Naming the first row that breaks a rule, and how many do.
    """
    if not len(shots):
        return
    _check_numbers(shots, court, where)
    match = shots["match"].cat.codes.to_numpy()
    _refuse(shots, where, "match", match < 0, "every shot belongs to a match")
    begins = np.ones(len(shots), dtype=bool)
    begins[1:] = match[1:] != match[:-1]
    new_match = begins.copy()
    for name in ("game", "rally"):
        number = shots[name].to_numpy()
        begins[1:] |= number[1:] != number[:-1]
    ends = np.append(begins[1:], True)
    row = np.arange(len(shots))
    due = row - np.maximum.accumulate(np.where(begins, row, 0)) + 1
    hole = shots["shot"].to_numpy() != due
    _refuse(shots, where, "shot", hole, "shots count from 1, so the rally is not whole")
    _check_players(shots, where, begins, new_match)
    _check_play(shots, where, begins, ends)
    _check_ending(shots, where, ends)


def _check_numbers(shots: pd.DataFrame, court: Court, where: str) -> None:
    limits = {
        "gap_m": court.half_width_m,
        **dict.fromkeys(("x_m", "bounce_x_m", "opponent_x_m"), court.width_m),
        **dict.fromkeys(("y_m", "bounce_y_m", "opponent_y_m"), court.length_m),
        "wall_z_m": court.clear_height_m,
        **dict.fromkeys(("t_s", *SCORES), np.finfo(float).max),
    }
    for name in shots.columns:
        if not pd.api.types.is_float_dtype(shots[name].dtype):
            continue
        value = shots[name].to_numpy()
        _refuse(shots, where, name, np.isinf(value), "it is not finite")
        if name in limits:
            off = (value < 0) | (value > limits[name])
            what = f"0 to {limits[name]:g} m" if name.endswith("_m") else "a number from 0"
            _refuse(shots, where, name, off, f"it must be {what}")
        if name in SCORES:
            broken = ~np.isnan(value) & (value != np.floor(value))
            _refuse(shots, where, name, broken, "a score is a whole number")


def _check_players(shots: pd.DataFrame, where: str, begins: _Bools, new_match: _Bools) -> None:
    player, opponent = (_codes(shots, name) for name in ("player", "opponent"))
    _refuse(shots, where, "player", player < 0, "every shot has a striker")
    _refuse(shots, where, "opponent", opponent < 0, "every shot has an opponent")
    _refuse(shots, where, "opponent", opponent == player, "a player is his own opponent")
    first = np.flatnonzero(new_match)[np.cumsum(new_match) - 1]
    two = [np.minimum(player, opponent), np.maximum(player, opponent)]
    third = (two[0] != two[0][first]) | (two[1] != two[1][first])
    _refuse(shots, where, "player", third, "a third name in a match of two players")
    twice = np.zeros(len(shots), dtype=bool)
    twice[1:] = (player[1:] == player[:-1]) & ~begins[1:]
    _refuse(shots, where, "player", twice, "the same player twice running")


def _check_play(shots: pd.DataFrame, where: str, begins: _Bools, ends: _Bools) -> None:
    side, stroke = codes_of(shots["side"], SIDES), codes_of(shots["stroke"], STROKES)
    serve = stroke == SERVE
    short = in_short(shots) & shots["choice"].notna().to_numpy()
    _refuse(shots, where, "side", (side < 0) & ~short, "write forehand or backhand")
    _refuse(shots, where, "stroke", begins & ~serve, "shot 1 is not a serve")
    _refuse(shots, where, "stroke", serve & ~begins, "a serve within a rally")
    gap = np.isnan(shots["gap_m"].to_numpy())
    lacks = gap & ~serve & (gap_words(shots) < 0)
    _refuse(shots, where, "gap_m", lacks, "blank, and no gap_class; only a serve has none")
    _refuse(shots, where, "gap_m", serve & ~gap, "a serve answers no ball, so it has no gap")
    if "t_s" in shots:
        time = shots["t_s"].to_numpy()
        timed = np.flatnonzero(~np.isnan(time))
        rally = np.cumsum(begins)[timed]
        back = np.zeros(len(shots), dtype=bool)
        back[timed[1:]] = (np.diff(time[timed]) < 0) & (np.diff(rally) == 0)
        _refuse(shots, where, "t_s", back, "the time runs backwards within the rally")


def _check_ending(shots: pd.DataFrame, where: str, ends: _Bools) -> None:
    ending = codes_of(shots["ending"], ENDINGS)
    player, opponent, winner = (_codes(shots, c) for c in ("player", "opponent", "rally_won_by"))
    _refuse(shots, where, "ending", ~ends & (ending >= 0), "the rally goes on after its ending")
    _refuse(shots, where, "ending", ends & (ending < 0), "the last shot has no ending")
    early = ~ends & (winner >= 0)
    _refuse(shots, where, "rally_won_by", early, "a winner before the last shot of the rally")
    strange = (winner >= 0) & (winner != player) & (winner != opponent)
    _refuse(shots, where, "rally_won_by", strange, "the winner does not play in the match")
    let = ending == LET
    _refuse(shots, where, "rally_won_by", let & (winner >= 0), "a let has no winner")
    missing = ends & ~let & (winner < 0)
    _refuse(shots, where, "rally_won_by", missing, "the rally has no winner")
    fixed = np.where(ending >= 0, FIXED_WINNER[ending], 0)
    wrong = ((fixed > 0) & (winner != player)) | ((fixed < 0) & (winner != opponent))
    _refuse(shots, where, "rally_won_by", wrong, "the winner contradicts the ending")


def _codes(shots: pd.DataFrame, name: str) -> _Ints:
    """Codes into the list of all players, which these columns share."""
    return shots[name].cat.codes.to_numpy().astype(np.int64)


def _refuse(shots: pd.DataFrame, where: str, name: str, off: _Bools, reason: str) -> None:
    count = int(np.count_nonzero(off))
    if not count:
        return
    at = int(np.flatnonzero(off)[0])
    row: Any = shots.iloc[at]
    more = "" if count == 1 else f" ({count:,} rows in all)"
    raise LogError(
        f"{where}, row {at + 1} (match {row['match']}, game {row['game']}, rally {row['rally']}, "
        f"shot {row['shot']}): {name} is {row[name]}: {reason}{more}. Mend: {_MEND}"
    )
