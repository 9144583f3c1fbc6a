"""Decisions summed up: how often each was made, and the points per hundred shots."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from sidewall.arguments import Array, Keep, Table, as_frame, check_level, column_names, kept_rows
from sidewall.decisions.choice_worth import ChoiceWorth
from sidewall.decisions.judged import DECISIONS, decisions
from sidewall.errors import DataError
from sidewall.features.coded import codes_of
from sidewall.features.rates import clustered_rate
from sidewall.features.shots import words_in_order

if TYPE_CHECKING:
    from sidewall.models.tightness import TightnessModel


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
        ``n`` shots in ``rallies``; ``share`` of ``of`` shots; ``points``, the sum over the
        ``n`` shots, and ``points_per_100`` of them, both missing where there are no shots or
        the decision is not known yet. The ends of each interval are named after its column:
        ``share_low``, ``share_high``, ``points_low`` and so on.

    Raises
    ------
    DataError
        If a column of `by` is missing, or no shot is left.
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
    drawn = ChoiceWorth(model, table, level).sums(told, groups * kinds)
    cut = 0.5 * (1.0 - level)
    total = np.array([drawn.mean(axis=0), *np.quantile(drawn, [cut, 1.0 - cut], axis=0)])
    total = np.where(known > 0, total, np.nan)
    ends = dict(zip(("", "_low", "_high"), total, strict=True))
    result = keys.loc[keys.index.repeat(kinds)].reset_index(drop=True)
    return result.assign(
        decision=pd.Categorical(list(DECISIONS) * groups, categories=list(DECISIONS)),
        n=n,
        rallies=rallies,
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
