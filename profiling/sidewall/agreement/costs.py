"""What it costs to take two charted shots, or two charted rallies, for the same one.

The unit is one shot, or one rally, that only one charter has. A pair that costs less than
two is taken rather than two left-overs. The numbers are choices, not estimates:

- Shots of different players, and a serve and another shot, are never paired: the reader has
  made sure that the players alternate, so that this is never a slip of a single shot.
- Two shots by the same player whose words and gap all differ cost 1.9: still a pair, since
  two charters who have seen equally many shots have most likely seen the same ones.
- Side, stroke and gap weigh most. They are always charted, and gaps of successive balls
  differ by far more than two readings of one ball. Beyond half a metre a wider difference
  tells no more. What one of the two left blank costs nothing.
- Times tell most, where both have them: a player's strikes are two seconds and more apart,
  and charters type whole seconds. Two seconds off and anything else besides (0.5 or more)
  is another shot.
- Rallies weigh server, winner and ending, length, and how far the counts of strokes by
  player and side differ. Starts ten seconds apart are never one rally.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from sidewall.arguments import Array
from sidewall.features.coded import codes_of
from sidewall.features.rallies import RallyRuns
from sidewall.log.vocabulary import SIDES, STROKES, VOCABULARY

#: Of leaving a shot, or a rally, without a partner.
LEAVE: Final = 1.0
_NEVER: Final = 10.0

_WORDS: Final = {"stroke": 0.5, "side": 0.5, "direction": 0.15, "contact": 0.15, "choice": 0.1}
_GAP, _GAP_WIDE_M = 0.5, 0.5
_TIME, _TIME_WIDE_S = 1.5, 2.0

_SERVER, _WINNER, _ENDING, _GAME = 1.0, 0.5, 0.25, 0.5
_LENGTH, _STROKES = 1.0, 1.5
_START, _START_WIDE_S = 3.0, 10.0


@dataclass(frozen=True)
class Charted:
    """One charter's match as codes: shots, and where its rallies begin and end.

    Attributes
    ----------
    player : ndarray of int, shape (n,)
    words : dict of str to ndarray of int, shape (n,)
        Codes of the vocabulary, -1 where blank.
    gap_m, t_s : ndarray, shape (n,)
        NaN where not charted.
    first, last : ndarray of int, shape (rallies,)
    game, winner : ndarray of int, shape (rallies,)
    """

    player: Array
    words: dict[str, Array]
    gap_m: Array
    t_s: Array
    first: Array
    last: Array
    game: Array
    winner: Array

    @classmethod
    def of(cls, shots: pd.DataFrame, runs: RallyRuns, names: list[str]) -> Charted:
        """Code a match's shots; `names` are the players of both logs together."""
        times = shots["t_s"] if "t_s" in shots else pd.Series(np.nan, shots.index)
        return cls(
            codes_of(shots["player"].astype(str), names),
            {c: codes_of(shots[c], VOCABULARY[c]) for c in VOCABULARY if c in shots},
            shots["gap_m"].to_numpy(dtype=float),
            times.to_numpy(dtype=float),
            runs.first,
            runs.last,
            shots["game"].to_numpy()[runs.first],
            codes_of(_plain(shots["rally_won_by"].iloc[runs.last]), names),
        )

    def strokes(self, players: int) -> Array:
        """Count strokes by player and side in each rally, shape (rallies, players * ...)."""
        side, stroke = (self.words[c] + 1 for c in ("side", "stroke"))
        kinds = (len(SIDES) + 1) * (len(STROKES) + 1)
        kind = (self.player * (len(SIDES) + 1) + side) * (len(STROKES) + 1) + stroke
        rally = np.repeat(np.arange(len(self.first)), self.last - self.first + 1)
        flat = np.bincount(
            rally * players * kinds + kind, minlength=len(self.first) * players * kinds
        )
        return flat.reshape(len(self.first), players * kinds)


def _plain(names: pd.Series) -> pd.Series:
    return names.astype(object).where(names.notna(), None)


def _differ(one: Array, two: Array) -> Array:
    """Whether each of `one` differs from each of `two`; no where either is blank (-1)."""
    a, b = one[:, None], two[None, :]
    return (a != b) & (a >= 0) & (b >= 0)


def _apart(one: Array, two: Array, wide: float) -> Array:
    """Distance as a share of `wide`, at most 1, and 0 where either is missing."""
    share = np.abs(one[:, None] - two[None, :]) / wide
    return np.minimum(np.nan_to_num(share, nan=0.0), 1.0)


def shot_costs(one: Charted, two: Charted, a: Array, b: Array, offset_s: float) -> Array:
    """Cost of every pair of shots of two rallies, shape (shots of one, shots of two).

    Parameters
    ----------
    one, two : Charted
    a, b : ndarray of int
        Rows of the rally in either.
    offset_s : float
        Clock of the second less that of the first; NaN to leave times out.
    """
    cost = _GAP * _apart(one.gap_m[a], two.gap_m[b], _GAP_WIDE_M)
    cost += _TIME * _apart(one.t_s[a] + offset_s, two.t_s[b], _TIME_WIDE_S)
    for column, weight in _WORDS.items():
        if column in one.words and column in two.words:
            cost += weight * _differ(one.words[column][a], two.words[column][b])
    serves = [charted.words["stroke"][rows] == 0 for charted, rows in ((one, a), (two, b))]
    never = (one.player[a][:, None] != two.player[b]) | (serves[0][:, None] != serves[1])
    return cost + _NEVER * never


def rally_costs(one: Charted, two: Charted, players: int, offset_s: float) -> Array:
    """Cost of every pair of rallies of a match, shape (rallies of one, rallies of two).

    Parameters
    ----------
    one, two : Charted
    players : int
        How many names there are.
    offset_s : float
        Clock of the second less that of the first; NaN to leave times out.
    """
    lengths = [c.last - c.first + 1.0 for c in (one, two)]
    shots = lengths[0][:, None] + lengths[1]
    counts = one.strokes(players), two.strokes(players)
    unlike = np.zeros(shots.shape)
    for kind in np.flatnonzero(counts[0].any(axis=0) | counts[1].any(axis=0)):
        unlike += np.abs(counts[0][:, kind][:, None] - counts[1][:, kind])
    cost = _STROKES * unlike / shots
    cost += _LENGTH * np.abs(lengths[0][:, None] - lengths[1]) / np.maximum.outer(*lengths)
    cost += _SERVER * _differ(one.player[one.first], two.player[two.first])
    cost += _WINNER * _differ(one.winner, two.winner)
    cost += _ENDING * _differ(one.words["ending"][one.last], two.words["ending"][two.last])
    cost += _GAME * _differ(one.game, two.game)
    starts = one.t_s[one.first] + offset_s, two.t_s[two.first]
    return cost + _START * _apart(*starts, _START_WIDE_S)
