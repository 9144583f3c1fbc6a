"""Every attack and reset judged against the player's own threshold, and what it brought or cost."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cached_property
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from sidewall.arguments import (
    Array,
    Keep,
    Table,
    as_frame,
    check_count,
    check_fitted,
    check_level,
    column_names,
    kept_rows,
)
from sidewall.errors import DataError
from sidewall.features.coded import as_category, codes_of, kept_and_left_out, struck_by
from sidewall.features.rates import clustered_rate
from sidewall.features.shots import with_features, words_in_order
from sidewall.models.answers import LEAST_OWN
from sidewall.models.counted import ALL_STROKES

if TYPE_CHECKING:
    from sidewall.models.posterior import Posterior
    from sidewall.models.tightness import TightnessModel


class ChoiceWorth:
    """Chance of winning with the choice that was made, minus that with the other, shot by shot.

    Each ball in its own situation, read off the draws of the model, so that sums and means
    carry all that the draws carry.

    Parameters
    ----------
    model : TightnessModel
        Fitted.
    table : DataFrame
        Shots with ``player``, ``side``, ``family``, ``choice``, ``gap_m`` and the columns
        of the model's situation; with `halves` also the keys of the rally.
    level : float, default 0.95
    halves : bool, default False
        Let the half of the log that a ball does not lie in choose what it is called, and judge
        it by the draws of the whole and of its own half together
        (:mod:`sidewall.models.halves`). For rallies that the fit has not seen the model of the
        whole does both.

    Attributes
    ----------
    mean, low, high : ndarray, shape (n,)
        Of the difference: above 0 the choice brought something, below 0 it cost; NaN for a
        player, side, choice or gap that the model does not know.
    p_right : ndarray, shape (n,)
        Share of the draws in which the choice made was the better; with `halves` of the draws
        of the other half. NaN also where a half holds too little for a fit.
    n_draws : int
    """

    def __init__(
        self,
        model: TightnessModel,
        table: pd.DataFrame,
        level: float = 0.95,
        halves: bool = False,
    ) -> None:
        check_fitted(model)
        self._table, self._cut = table, 0.5 * (1.0 - level)
        self._posteriors: list[Posterior | None] = [model.posterior_]
        self._chooser = np.zeros(len(table), dtype=np.int64)
        if halves:
            split = model.halves()
            self._posteriors += split.posteriors
            half = split.of(table)
            self._chooser = np.where(half < 0, 0, 2 - half)
        self._each = min(one.n_draws for one in self._posteriors if one is not None)
        self.n_draws = self._each * (2 if halves else 1)
        choice = table["choice"].astype(object)
        self._sign = np.select([choice == "attack", choice == "reset"], [1.0, -1.0], np.nan)

    @cached_property
    def _answers(self) -> Array:
        found = np.full((3, len(self._table)), np.nan)
        for rows, drawn in self.draws():
            found[0, rows] = drawn.mean(axis=0)
            found[1:, rows] = np.quantile(drawn, [self._cut, 1.0 - self._cut], axis=0)
        return found

    @property
    def mean(self) -> Array:  # noqa: D102 - see the class
        return self._answers[0]

    @property
    def low(self) -> Array:  # noqa: D102
        return self._answers[1]

    @property
    def high(self) -> Array:  # noqa: D102
        return self._answers[2]

    @cached_property
    def p_right(self) -> Array:  # noqa: D102
        found = np.full(len(self._table), np.nan)
        for k in range(len(self._posteriors)):
            for rows, drawn in self._read(k, np.flatnonzero(self._chooser == k)):
                found[rows] = (drawn > 0).mean(axis=0)
        return found

    def draws(self, chosen: Array | None = None) -> Iterator[tuple[Array, Array]]:
        """Some rows at a time with their draws, (draws, rows); of the chosen rows only."""
        mine = np.ones(len(self._table), dtype=bool) if chosen is None else chosen
        times = self.n_draws // self._each
        for k in range(len(self._posteriors)):
            rows = np.flatnonzero(mine & (self._chooser == k))
            own = 3 - k if k and self._posteriors[3 - k] is not None else 0
            if times == 1 or not own:
                yield from ((at, np.tile(drawn, (times, 1))) for at, drawn in self._read(0, rows))
                continue
            for (at, whole), (_, half) in zip(
                self._read(0, rows), self._read(own, rows), strict=True
            ):
                yield at, np.concatenate([whole, half])

    def _read(self, judge: int, rows: Array) -> Iterator[tuple[Array, Array]]:
        use = rows[~np.isnan(self._sign[rows])]
        posterior = self._posteriors[judge]
        if posterior is None or not len(use):
            return
        for some, attack, reset in posterior.of_shots(self._table.iloc[use]):
            yield use[some], (self._sign[use[some]] * (attack - reset))[: self._each]

    def drawn(self, rows: Array, which: Array) -> Array:
        """Differences of some shots in some of the draws, shape (len(which), len(rows))."""
        found = np.zeros((len(which), len(self._table)))
        chosen = np.zeros(len(self._table), dtype=bool)
        chosen[rows] = True
        for at, drawn in self.draws(chosen):
            found[:, at] = drawn[which]
        return found[:, rows]

    def sums(self, group: Array, groups: int) -> Array:
        """Draws of the sum over each group of shots, shape (draws, groups).

        Parameters
        ----------
        group : ndarray of int, shape (n,)
            Group of each shot, -1 for none.
        groups : int
        """
        total = np.zeros((self.n_draws, groups))
        for rows, drawn in self.draws(group >= 0):
            for g in np.unique(group[rows]):
                total[:, g] += drawn[:, group[rows] == g].sum(axis=1)
        return total


#: In the order of all tables.
DECISIONS: Final = (
    "attacked loose",
    "reset tight",
    "forced",
    "passed up",
    "too close to call",
    "not known yet",
)
#: A choice is called right or wrong where this share of the draws says so: 4 times in 5.
SURE: Final = 0.8
_KEPT: Final = (
    *("match", "game", "rally", "shot", "player", "opponent", "rally_id"),
    *("side", "family", "stroke", "direction", "choice", "balance"),
)
_ALSO: Final = (
    *("depth", "lane", "wall", "own_points", "opponent_points", "own_games", "opponent_games"),
    *("is_server", "won", "ending", "t_s", "line"),
)


def decisions(shots: pd.DataFrame, model: TightnessModel, level: float = 0.95) -> pd.DataFrame:
    """Judge every shot that has a choice and a gap by its striker's own curves.

    For the ball as it was (gap, side, contact and whatever is charted of the situation) the
    draws say how often attacking is the better choice. Where at least 4 in 5 say so the ball
    is loose for this player, where at most 1 in 5 do it is tight; between them nobody can
    say. The matches are dealt out in two halves: what a ball is called is said by the half
    that it does not lie in, so that no rally chooses itself. What it brought or cost is read
    off as many draws of its own half, which knows too little of a player and so says too
    little, as of the whole, which has chosen in part and so says too much.

    Parameters
    ----------
    shots : DataFrame
        Whole rallies, from `sidewall.read_shots` or `sidewall.shot_features`.
    model : TightnessModel
        Fitted, as a rule by value: it is surer and judges more balls.
    level : float, default 0.95
        Of the intervals.

    Returns
    -------
    DataFrame
        One row a shot, in the order of play: the rally's keys, players, side, family, stroke,
        choice, places and score before the rally; ``line`` of the log and ``t_s`` where there
        are any; ``gap_m``; the threshold of the player, side and family as ``status``,
        ``threshold_m``, ``threshold_low_m``, ``threshold_high_m``; and

        - ``decision``: *attacked loose*, *reset tight*, *forced* (attacked a tight ball),
          *passed up* (reset a loose one), *too close to call*, *not known yet*;
        - ``p_right``: the share of the other half's draws in which the choice that was made is
          the better;
        - ``points``: the player's chance of winning the rally with the choice that was made,
          minus that with the other choice, with ``points_low`` and ``points_high`` (one shot
          at a time): above 0 it brought, below 0 it cost. Missing where the decision is not
          known yet.

        ``attrs["left_out"]`` counts, by reason, shots that cannot be judged.

    Raises
    ------
    DataError
        If a situation column of the model is missing, or no shot has a choice and a gap.
    NotFittedError
        If the model is not fitted.
    """
    check_fitted(model)
    table, left_out = _with_choice(with_features(shots), list(model.situation_))
    if model.families_ == (ALL_STROKES,):
        table = table.assign(family=ALL_STROKES)
    worth = ChoiceWorth(model, table, level, halves=True)
    known = _thresholds(table, model, level)
    attack = (table["choice"] == "attack").to_numpy()
    told = ~np.isnan(worth.mean + worth.p_right) & known.pop("enough")
    # the share that says wrong is told from 1 in 5 on as that which says right from 4 in 5 on
    right, wrong = worth.p_right >= SURE, 1.0 - worth.p_right >= SURE
    code = np.select(
        [~told, ~right & ~wrong, attack & right, ~attack & right, attack], [5, 4, 0, 1, 2], 3
    )
    points, low, high = (
        np.where(told, part, np.nan) for part in (worth.mean, worth.low, worth.high)
    )
    kept = [name for name in _KEPT if name in table.columns]
    also = [name for name in _ALSO if name in table.columns]
    kept += [name for name in model.situation_ if name not in (*kept, *also)]
    found = table[kept].assign(
        gap_m=table["gap_m"],
        **known,
        decision=as_category(code.astype(np.int64), DECISIONS),
        p_right=np.where(told, worth.p_right, np.nan),
        points=points,
        points_low=low,
        points_high=high,
    )
    found = pd.concat([found, table[also]], axis=1).reset_index(drop=True)
    found.attrs["left_out"] = left_out
    return found


def _with_choice(table: pd.DataFrame, situation: list[str]) -> tuple[pd.DataFrame, dict[str, int]]:
    missing = [name for name in situation if name not in table.columns]
    if missing:
        raise DataError(
            f"the model adjusts for {missing[0]}, which these shots have not: judge the log that "
            "the model was fitted to, or one with the same columns"
        )
    reasons = {
        "serve": (table["stroke"] == "serve").to_numpy(),
        "choice neither charted nor derivable": table["choice"].isna().to_numpy(),
        "contact not charted": table["family"].isna().to_numpy(),
        "gap not charted": table["gap_m"].isna().to_numpy(),
    }
    kept, counts = kept_and_left_out(reasons)
    left_out = {str(name): int(n) for name, n in counts.items()}
    if kept.any():
        return table[kept], left_out
    why = "; ".join(f"{reason}: {n}" for reason, n in left_out.items()) or "the log is empty"
    raise DataError(f"no shot has both a choice and a gap ({why}); chart the gap and the choice")


def _thresholds(table: pd.DataFrame, model: TightnessModel, level: float) -> dict[str, Array]:
    """The threshold of every ball's player and cell, and whether there is enough of the player."""
    answers = model.thresholds(level).set_index(["player", "side", "family"])
    at = pd.MultiIndex.from_frame(table[["player", "side", "family"]].astype(str))
    found = answers.reindex(at)
    enough = found[["n_attack", "n_reset"]].min(axis=1).fillna(0) >= LEAST_OWN
    columns: dict[str, Array] = {
        "status": found["status"].fillna("not known yet").to_numpy(dtype=object),
        "enough": enough.to_numpy(),
    }
    for name in ("threshold_m", "threshold_low_m", "threshold_high_m"):
        columns[name] = found[name].to_numpy(dtype=float)
    return columns


def decision_table(
    shots: Table,
    model: TightnessModel,
    by: Sequence[str] | str = ("player", "side", "family"),
    level: float = 0.95,
    keep: Keep | None = None,
) -> pd.DataFrame:
    """How often each decision was made, and what it brought or cost.

    Two quantities. The **share** of a decision: of the group's shots with a choice and a gap,
    those that were decided so; in what other matches would show, so its interval allows for
    shots that come in rallies. The **points per 100 shots**: for the very shots that were
    charted, the mean difference in the player's chance of winning the rally between the
    choice that was made and the other choice at the same gap; its interval carries the
    uncertainty of the player's curves (delta method), and that alone.

    Parameters
    ----------
    shots : DataFrame
        Shots, which are judged first; or the table that `decisions` gives, or rows of it.
    model : TightnessModel
        The same model.
    by : sequence of str
        Columns that make a group; the decision is always added as the last.
    level : float, default 0.95
    keep : str, callable or sequence of bool, optional
        Which of the judged shots are summed up: a query such as ``"balance == 'set'"``, a
        function of the table of decisions, or one true or false a row of it.

    Returns
    -------
    DataFrame
        The columns of `by`; ``decision`` (each of the six, also where there was none);
        ``n_shots`` in ``n_rallies``; ``share`` of ``of`` shots; ``points``, the sum over
        these shots, and ``points_per_100`` of them, both missing where there are no shots or
        the decision is not known yet. The ends of each interval are named after its column:
        ``share_low``, ``share_high``, ``points_low`` and so on.

    Raises
    ------
    DataError
        If a column of `by` is missing, or no shot is left.

    See Also
    --------
    decisions_by
    plot_decisions
    TightnessModel

    Examples
    --------
    >>> table = sw.decision_table(shots, model, by="player")
    >>> table["decision"].unique().tolist()
    ['attacked loose', 'reset tight', 'forced', 'passed up', 'too close to call', 'not known yet']
    """
    check_level(level)
    table = as_frame(shots)
    if "decision" not in table.columns:
        table = decisions(table, model, level)
    table = words_in_order(table)
    by = list(column_names(by, table.columns))
    table = table[kept_rows(table, keep)]
    if not len(table):
        raise DataError("there is no decision to sum up: no shot is left in the table")
    keys, group = _groups(table, by)
    groups, kinds = len(keys), len(DECISIONS)
    code = codes_of(table["decision"], DECISIONS)
    rally = pd.factorize(table["rally_id"])[0].astype(np.int64)
    cell = group * kinds + code
    points = table["points"].to_numpy(dtype=float)
    n = np.bincount(cell, minlength=groups * kinds)
    rallies = np.bincount(np.unique(cell * (rally.max() + 1) + rally) // (rally.max() + 1),
                          minlength=groups * kinds)  # fmt: skip
    share = np.full((3, groups, kinds), np.nan)
    for kind in range(kinds):
        rate = clustered_rate((code == kind).astype(float), rally, group, groups, level)
        share[:, :, kind] = rate.rate, rate.low, rate.high
    told = np.where(np.isnan(points), -1, cell)
    known = np.bincount(told[told >= 0], minlength=groups * kinds)
    # every shot of a decision that is told has points, so the sum is the mean times their number
    drawn = ChoiceWorth(model, table, level, halves=True).sums(told, groups * kinds)
    cut = 0.5 * (1.0 - level)
    total = np.array([drawn.mean(axis=0), *np.quantile(drawn, [cut, 1.0 - cut], axis=0)])
    total = np.where(known > 0, total, np.nan)
    ends = dict(zip(("", "_low", "_high"), total, strict=True))
    result = keys.loc[keys.index.repeat(kinds)].reset_index(drop=True)
    return result.assign(
        decision=pd.Categorical(list(DECISIONS) * groups, categories=list(DECISIONS)),
        n_shots=n,
        n_rallies=rallies,
        of=np.repeat(np.bincount(group, minlength=groups), kinds),
        share=share[0].ravel(),
        share_low=share[1].ravel(),
        share_high=share[2].ravel(),
        **{f"points{end}": value for end, value in ends.items()},
        **{
            f"points_per_100{end}": 100.0 * value / np.maximum(known, 1)
            for end, value in ends.items()
        },
    )


def _groups(table: pd.DataFrame, by: list[str]) -> tuple[pd.DataFrame, Array]:
    """Values of `by` group by group, and the group of each shot."""
    if not by:
        return pd.DataFrame(index=[0]), np.zeros(len(table), dtype=np.int64)
    grouped = table.groupby(by, observed=True, sort=True, dropna=False)
    group = grouped.ngroup().to_numpy(dtype=np.int64)
    first = np.unique(group, return_index=True)[1]
    return table[by].iloc[first].reset_index(drop=True), group


_SCORES: Final = ("behind", "level", "ahead")
_STAGES: Final = ("early", "late")
_ZONE: Final = ("depth", "lane")


def decisions_by(
    shots: Table,
    model: TightnessModel,
    by: str | Sequence[str] = "zone",
    player: str | None = None,
    level: float = 0.95,
    late_from: int = 8,
) -> pd.DataFrame:
    """Sum decisions up by the place on the court, by the score, or by any other column.

    Parameters
    ----------
    shots : DataFrame
        Shots, which are judged first; or the table that `decisions` gives, or rows of it.
    model : TightnessModel
        The same model.
    by : str or sequence of str, default "zone"
        ``"zone"`` (depth and lane, or what the log tells of the two), ``"score"`` (behind,
        level or ahead before the rally, early or late in the game; missing where the score is
        not known), or columns of the decisions.
    player : str, optional
        Only this player's; otherwise all players, one by one.
    level : float, default 0.95
    late_from : int, default 8
        A game is late when either player has so many points (a reading of common practice
        in games to 11, no source).

    Returns
    -------
    DataFrame
        As `decision_table`, a row a player, place or score, and decision.

    Raises
    ------
    DataError
        If the log does not tell the place, or the player has no decisions.

    See Also
    --------
    decision_table
    plot_decisions

    Examples
    --------
    >>> table = sw.decisions_by(shots, model, by="zone", player="Rowan")
    >>> table.columns.to_list()[:4]
    ['player', 'depth', 'lane', 'decision']
    """
    check_level(level)
    check_count(late_from, "late_from", 1)
    table = as_frame(shots)
    if "decision" not in table.columns:
        table = decisions(table, model, level)
    if player is not None:
        own = struck_by(table, player)
        if not own.any():
            known = ", ".join(map(str, table["player"].unique()))
            raise DataError(f"{player!r} has no decisions in the table; those who have: {known}")
        table = table[own]
    if by == "zone":
        columns = [name for name in _ZONE if name in table and table[name].notna().any()]
        if not columns:
            raise DataError(
                "the decisions do not tell where shots were struck: chart x and y, or depth and "
                "lane in words, or sum up by side and family"
            )
    elif by == "score":
        table, columns = _with_score(table, late_from), ["score", "stage"]
    else:
        columns = [by] if isinstance(by, str) else list(by)
    return decision_table(table, model, ["player", *columns], level)


def _with_score(table: pd.DataFrame, late_from: int) -> pd.DataFrame:
    own, other = (table[f"{who}_points"].to_numpy(dtype=float) for who in ("own", "opponent"))
    known = ~np.isnan(own + other)
    lead = np.where(known, np.sign(np.nan_to_num(own - other)) + 1, -1).astype(int)
    late = np.where(known, np.fmax(own, other) >= late_from, -1).astype(int)
    return table.assign(
        score=pd.Categorical.from_codes(lead, categories=pd.Index(list(_SCORES))),
        stage=pd.Categorical.from_codes(late, categories=pd.Index(list(_STAGES))),
    )
