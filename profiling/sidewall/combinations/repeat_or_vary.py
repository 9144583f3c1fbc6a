"""Repeat the last reply to a situation, or vary it: which wins more, and after how many?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from scipy.special import expit

from sidewall.arguments import (
    Array,
    Table,
    as_frame,
    check_count,
    check_level,
    check_scale,
    check_seed,
)
from sidewall.errors import DataError
from sidewall.estimator import Estimator
from sidewall.features.rates import clustered_rate
from sidewall.features.shots import with_features
from sidewall.models.answers import (
    ALWAYS_ATTACK,
    ALWAYS_RESET,
    CROSSES,
    NOT_KNOWN,
    Threshold,
    threshold_of,
)
from sidewall.models.draws import Groups, LogitDraws
from sidewall.models.posterior import crossings
from sidewall.rallies.strengths import Strengths
from sidewall.rallies.value import BEND_M

#: Columns whose coefficients make up the two lines; ``repeated`` is +0.5, ``varied`` -0.5.
LINES: Final = ("level", "repeated", "repeats", "repeated x repeats")
#: Those that vary by player too.
OWN: Final = ("level", "repeated", "repeated x repeats")
#: Varied minus repeated, at one repeat and for each more.
CONTRAST: Final = np.array([[0.0, -1.0, 0.0, 0.0], [0.0, 0.0, 0.0, -1.0]])

#: A word met more seldom is not told apart.
_RARE: Final = 30
_LEAST: Final = 20


@dataclass(frozen=True)
class RepeatRows:
    """Shots whose situation came up before, with the design of the fit.

    `used` has ``repeats`` (number of equal replies just before, from 1) and ``repeated`` (1 or 0).
    `X` and `Z` are the fixed and varying columns; what is adjusted for is centred on the shots
    that were met, so that 0 is the usual situation. `notes`: words met too seldom to tell apart.
    """

    used: pd.DataFrame
    X: pd.DataFrame
    Z: pd.DataFrame
    notes: list[str]

    def contrasts(self, lines: Array) -> tuple[Array, Array]:
        """Rows in the columns of the lines, (k, 4), as rows for X and for Z."""
        fixed = np.zeros((len(lines), self.X.shape[1]))
        fixed[:, : len(LINES)] = lines
        own = np.column_stack([lines[:, LINES.index(name)] for name in OWN])
        return fixed, own


def repeat_rows(shots: pd.DataFrame, most: int) -> RepeatRows:
    """Choose the shots and build the design.

    A DataError if fewer than 20 shots repeat the reply before, or vary it.
    """
    table = with_features(shots)
    use = table["repeats_reply"].notna() & table["won"].notna() & table["gap_m"].notna()
    used = table[use.to_numpy()]
    repeats = np.minimum(used["same_reply_run"].to_numpy(dtype=np.float64), most)
    repeated = used["repeats_reply"].to_numpy(dtype=np.float64)
    used = used.assign(repeats=repeats.astype(np.int64), repeated=repeated.astype(np.int64))
    used = used.reset_index(drop=True)
    for kind, count in (("repeat", repeated.sum()), ("vary", (1.0 - repeated).sum())):
        if count < _LEAST:
            raise DataError(
                f"Only {int(count)} shots {kind} the reply given the last time in the same "
                f"situation; at least {_LEAST} are needed. Chart more rallies."
            )
    if len(np.unique(repeats)) < 2:
        raise DataError("No reply was given twice running in a situation; chart more rallies.")
    sign = repeated - 0.5
    lines = np.column_stack([np.ones(len(used)), sign, repeats - 1.0, sign * (repeats - 1.0)])
    X = pd.DataFrame(lines, columns=list(LINES))
    Z = X[list(OWN)].copy()
    adjusted, notes = _adjusted_for(used)
    return RepeatRows(used, pd.concat([X, adjusted], axis=1), Z, notes)


def _adjusted_for(used: pd.DataFrame) -> tuple[pd.DataFrame, list[str]]:
    """Situation and gap as centred columns; a word met seldom joins the usual one, with a note."""
    columns, notes = {}, []
    for name in ("side", "family", "incoming_stroke"):
        words = used[name].astype("category").cat.add_categories("not charted")
        words = words.fillna("not charted")
        counts = words.value_counts()
        usual, *others = counts.index[counts > 0]  # the usual one is part of the level
        for word in others:
            if counts[word] >= _RARE:
                columns[f"{name} {word}"] = (words == word).to_numpy(dtype=np.float64)
            else:
                notes.append(
                    f"{name} {word}: {counts[word]} shots, too few to be told apart; they count "
                    f"as {usual}"
                )
    # whole centimetres: equal rows are counted once in the fit
    gap = np.round(used["gap_m"].to_numpy(dtype=np.float64), 2)
    columns["gap"] = np.log1p(gap / BEND_M)
    table = pd.DataFrame(columns)
    table = table.loc[:, table.std(ddof=0) > 1e-9]  # the mean of equal gaps is off by rounding
    return table - table.mean(), notes


#: Own repeats and own variations that an answer about a player takes.
LEAST_OWN: Final = 5

VARY_FROM: Final = "vary from here on"
VARY_ALWAYS: Final = "vary after any number"
REPEAT_ALWAYS: Final = "repeat after any number"
_STATUS: Final = {
    CROSSES: VARY_FROM,
    ALWAYS_ATTACK: VARY_ALWAYS,
    ALWAYS_RESET: REPEAT_ALWAYS,
    NOT_KNOWN: NOT_KNOWN,
}


class RepeatOrVary(Estimator):
    """Chance of winning the rally when the reply is repeated, and when it is varied.

    A situation is the hitter's side, ground stroke or volley, and the stroke that came in,
    within a match. When it comes up again, the hitter plays the same stroke and direction as
    the last time, or another. Before that, the latest replies were one and the same so many
    times; see ``same_reply_run`` and ``repeats_reply`` of `sidewall.shot_features`.

    The log odds of winning are linear in the number of repeats just before, with slopes of
    their own for repeating and varying, pooled over players like the tightness model, and
    adjusted for the situation and the gap of the ball; the difference of the two players'
    strengths is a fixed offset. Where the two lines cross, varying starts to be better; the
    set is read off the draws, by the code of the loose threshold.

    Parameters
    ----------
    most : int, default 6
        Longer runs count as this many; the answer speaks of 1 to so many repeats.
    prior_scale : float, default 0.1
        How far players may differ: scale of the half-t prior on every spread, log odds.
    seed : int, default 0

    Attributes
    ----------
    counts_ : DataFrame
        A row a number of repeats just before (the last is "so many or more") and kind of
        reply: ``repeats``, ``reply`` (repeated, varied), ``n_shots``, ``n_rallies``,
        ``win_rate``, ``win_rate_low``, ``win_rate_high``, not adjusted for anything.
    fit_ : LogitDraws
    players_ : list of str
    used_ : DataFrame
        The shots behind the fit.
    notes_ : list of str
        What was met too seldom to be adjusted for by itself.

    See Also
    --------
    Predictability
    plot_repeat

    Notes
    -----
    A straight line bends nowhere. Where repeating is fine for a while and then fails at once,
    the line goes down before that, so varying is said to be better somewhat early. Many matches
    are needed, too: unless it matters much whether a reply is repeated, the answer stays "not
    known yet" for a long time, and that does not say that repeating is safe.

    Examples
    --------
    >>> habit = sw.RepeatOrVary(most=3).fit(shots)
    >>> habit.counts_[["repeats", "reply", "n_shots", "n_rallies"]].head(2)
       repeats     reply  n_shots  n_rallies
    0        1  repeated      236         79
    1        1    varied      762        131
    """

    _result = "fit_"

    def __init__(self, most: int = 6, prior_scale: float = 0.1, seed: int = 0) -> None:
        check_scale(prior_scale)
        check_seed(seed)
        check_count(most, "most", 2)
        self.most = most
        self.prior_scale = prior_scale
        self.seed = seed

    def fit(self, shots: Table) -> RepeatOrVary:
        """Fit all players of a log together.

        Parameters
        ----------
        shots : DataFrame
            A canonical shot table of whole rallies.

        Raises
        ------
        DataError
            If there are too few shots that repeat, or vary, the reply before.
        """
        shots = as_frame(shots)
        if self.most < 2:
            raise DataError(f"most is {self.most}; a line takes at least 2 numbers of repeats.")
        rows = repeat_rows(shots, self.most)
        self.used_, self.notes_ = rows.used, rows.notes
        self._rows = rows
        names = list(rows.Z.columns)
        groups = Groups(
            np.full(rows.X.shape[1], -1),
            np.arange(len(names)),
            names,
            np.full(len(names), self.prior_scale),
        )
        self.fit_ = LogitDraws(groups, seed=self.seed).fit(
            rows.used["won"],
            rows.X.to_numpy(),
            rows.Z.to_numpy(),
            rows.used["player"].astype(str),
            Strengths().fit(rows.used).difference(rows.used),
            rows.used["rally_id"],
        )
        self.players_ = [str(name) for name in self.fit_.groups_]
        self.counts_ = self._counts(rows)
        return self

    def _counts(self, rows: RepeatRows, level: float = 0.95) -> pd.DataFrame:
        used = rows.used
        code = 2 * (used["repeats"].to_numpy() - 1) + (1 - used["repeated"].to_numpy())
        size = 2 * self.most
        rate = clustered_rate(
            used["won"].to_numpy(dtype=np.float64),
            used["rally_id"].to_numpy(dtype=np.int64),
            code.astype(np.int64),
            size,
            level,
        )
        return pd.DataFrame(
            {
                "repeats": np.arange(size) // 2 + 1,
                "reply": ["repeated", "varied"] * self.most,
                "n_shots": rate.n,
                "n_rallies": rate.clusters,
                "win_rate": rate.rate,
                "win_rate_low": rate.low,
                "win_rate_high": rate.high,
            }
        )

    def _lines(self, lines: Array) -> Array:
        """Draws of rows in the lines' columns, (players + 1, draws, k), the average last."""
        self.need_fit()
        fixed, own = self._rows.contrasts(lines)
        common = self.fit_.draws_.common @ fixed.T
        return np.concatenate([common + self.fit_.draws_.own @ own.T, common[None]])

    def answers(self, level: float = 0.95) -> pd.DataFrame:
        """From how many repeats on varying is better, by player and on average.

        Parameters
        ----------
        level : float, default 0.95
            Confidence level of the intervals.

        Returns
        -------
        DataFrame
            ``player`` (missing for the average player, first), ``status`` (vary from here
            on, vary after any number, repeat after any number, not known yet), ``repeats``
            (where the two are even; varying is better beyond), ``repeats_low`` and
            ``repeats_high``, its interval within 1 to `most` (when not known yet, one end may
            be: below the low one repeating is better, above the high one varying is),
            ``n_repeated`` and ``n_varied``.
        """
        check_level(level)
        repeats = np.arange(0.0, self.most)
        slope = CONTRAST[0] + repeats[:, None] * CONTRAST[1]
        gains = self._lines(slope)
        groups = self.used_.groupby(self.used_["player"].astype(str))["repeated"]
        n = groups.agg(["sum", "size"]).reindex(self.players_)
        repeated = [*n["sum"].astype(int), int(n["sum"].sum())]
        varied = [*(n["size"] - n["sum"]).astype(int), int((n["size"] - n["sum"]).sum())]
        rows = []
        names: list[str | None] = [*self.players_, None]
        for k, name in enumerate(names):
            enough = min(repeated[k], varied[k]) >= LEAST_OWN
            found = Threshold(NOT_KNOWN)
            if enough:
                found = threshold_of(crossings(gains[k], repeats), level)
            ends = (found.gap_m, found.low_m, found.high_m)
            # the line counts from the first repeat
            rows.append((name, _STATUS[found.status], *(1.0 + end for end in ends)))
        columns = ["player", "status", "repeats", "repeats_low", "repeats_high"]
        table = pd.DataFrame(rows, columns=columns).assign(n_repeated=repeated, n_varied=varied)
        return pd.concat([table.iloc[-1:], table.iloc[:-1]], ignore_index=True)

    def curves(self, level: float = 0.95) -> pd.DataFrame:
        """Chance of winning by number of repeats just before, in the usual situation.

        Parameters
        ----------
        level : float, default 0.95
            Confidence level of the intervals.

        Returns
        -------
        DataFrame
            ``player`` (missing for the average player, first), ``repeats`` (1 to `most`),
            ``reply`` (repeated, varied), ``win``, ``win_low``, ``win_high``.
        """
        check_level(level)
        cells = [(k, kind) for k in range(self.most) for kind in (0.5, -0.5)]
        rows = np.array([[1.0, kind, k, kind * k] for k, kind in cells])
        cut = 0.5 * (1.0 - level)
        win = expit(self._lines(rows))
        low, high = np.quantile(win, [cut, 1.0 - cut], axis=1)
        win = win.mean(axis=1)
        parts = []
        names: list[str | None] = [*self.players_, None]
        for at in (len(names) - 1, *range(len(names) - 1)):
            parts.append(
                pd.DataFrame(
                    {
                        "player": pd.Series([names[at]] * len(cells), dtype=object),
                        "repeats": [k + 1 for k, _ in cells],
                        "reply": ["repeated" if kind > 0 else "varied" for _, kind in cells],
                        "win": win[at],
                        "win_low": low[at],
                        "win_high": high[at],
                    }
                )
            )
        return pd.concat(parts, ignore_index=True)
