"""Where on the court, and at which score, decisions were made."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from sidewall.arguments import Table, as_frame, check_count, check_level
from sidewall.decisions.judged import decisions
from sidewall.decisions.table import decision_table
from sidewall.errors import DataError

if TYPE_CHECKING:
    from sidewall.models.tightness import TightnessModel


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
    """
    check_level(level)
    check_count(late_from, "late_from", 1)
    table = as_frame(shots)
    if "decision" not in table.columns:
        table = decisions(table, model, level)
    if player is not None:
        own = table["player"].astype(str) == player
        if not own.any():
            known = ", ".join(map(str, table["player"].unique()))
            raise DataError(f"{player!r} has no decisions in the table; those who have: {known}")
        table = table[own.to_numpy()]
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
