"""From points a game to matches: exact scoring with the player's own share of points."""

from __future__ import annotations

import re
from typing import Final

import numpy as np
import pandas as pd

from sidewall.arguments import Array
from sidewall.log.score import hand_in_hand_out
from sidewall.scoring import HandInHandOut, Match, PointARally

#: A share of exactly 0 or 1 comes from a handful of rallies, and leaves nothing to gain.
_LEAST: Final = 0.01


def scoring_of(shots: pd.DataFrame) -> Match:
    """Best of five in the scoring that most of the log's matches say; to 11 if none does."""
    if "scoring" not in shots.columns or not shots["scoring"].notna().any():
        return Match()
    usual = shots.groupby("match", observed=True)["scoring"].first().dropna().astype(str).mode()[:1]
    digits = re.search(r"\d+", usual.iloc[0])
    if hand_in_hand_out(usual)[0]:
        return Match(HandInHandOut(int(digits[0])) if digits else HandInHandOut())
    return Match(PointARally(int(digits[0])) if digits else PointARally())


def match_gain(match: Match, share: float, rallies_per_game: float, points: Array) -> Array:
    """How much more often a match is won with so many more points a game.

    Parameters
    ----------
    match : Match
    share : float
        The player's share of the rallies now, serving and receiving alike.
    rallies_per_game : float
        Over which the points are spread.
    points : ndarray
        Rallies won more in a game of as many rallies.

    Returns
    -------
    ndarray
        Change of the chance of winning the match, same shape.
    """
    before = np.clip(share, _LEAST, 1.0 - _LEAST)
    flat = np.ravel(points)
    after = np.clip(before + np.nan_to_num(flat) / rallies_per_game, _LEAST, 1.0 - _LEAST)
    p = np.append(after, before)
    win = np.asarray(match.match_win_probability(p, p, serving=None))
    gain = np.where(np.isnan(flat), np.nan, win[:-1] - win[-1])
    return np.asarray(gain.reshape(np.shape(points)))
