"""Where a player strikes the ball from, how loose, how bravely, and with what result."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import pandas as pd

from sidewall.arguments import Floats, Ints, Table, as_frame, check_level, column_names
from sidewall.court.court import Court
from sidewall.court.zones import Zones
from sidewall.errors import DataError
from sidewall.features.rates import clustered_rate, clustered_share
from sidewall.features.shots import joint_code, with_features

_BY_PLACE: Final = ("player", "side", "depth")
_BY_FAMILY: Final = ("player", "side", "family")
#: What a log must hold before a column of zones can be told.
_MEND: Final = {
    "depth": "the contact point: log y_m (distance from the front wall)",
    "lane": "the contact point or the wall: log x_m, or the player's hand",
    "wall": "the contact point or the wall: log x_m, or the player's hand",
    "family": "how the ball was met: log contact, or leave that column out altogether",
}


def zone_features(
    shots: Table,
    by: str | Sequence[str] | None = None,
    court: Court | Zones | None = None,
    level: float = 0.95,
) -> pd.DataFrame:
    """Tabulate counts, shares, gaps, attack shares and win rates by player and zone.

    Parameters
    ----------
    shots
        A canonical shot table with whole rallies, or any rows of a table from
        `shot_features`. Serves are left out: they answer no ball.
    by
        Columns to group by. None means player, side and depth where the log has contact
        points, else player, side and family; the columns of the result say which.
    court
        A court, or zones with boundaries of one's own; the standard singles court if None.
    level
        Confidence level of the intervals.

    Returns
    -------
    DataFrame
        One row a group that occurs, in the order of the categories: the columns of ``by``
        (missing is a group of its own, so that no shot is lost), then

        - ``n_shots``, ``n_rallies``: how many, and from how many rallies;
        - ``share``, ``share_low``, ``share_high``: of all this player's shots (of all shots
          if ``by`` has no player);
        - ``gap_m``, ``gap_q1_m``, ``gap_q3_m``: median and quartiles of the incoming gap;
        - ``choices``: shots known to be an attack or a reset; ``attack_share``,
          ``attack_share_low``, ``attack_share_high``: attacks among them;
        - ``decided``: shots in rallies that were not lets; ``win_rate``, ``win_rate_low``,
          ``win_rate_high``: rallies won by the hitter among them; ``n_effective``: how many
          independent shots that win rate is worth.

    Raises
    ------
    DataError
        If a column of ``by`` is missing or known for no shot.

    See Also
    --------
    shot_features
    plot_zone_map

    Notes
    -----
    The shots of a rally share its result, so each interval is Wilson's on an effective n
    taken from the spread between rallies; see `sidewall.features.rates`.

    Examples
    --------
    >>> table = sw.zone_features(shots, by=("player", "side"))
    >>> table[["player", "side", "n_shots", "n_rallies", "choices", "decided"]].head(2)
      player      side  n_shots  n_rallies  choices  decided
    0  Cedar  forehand      135         60      135      130
    1  Cedar  backhand      253         65      253      243
    """
    shots = as_frame(shots)
    check_level(level)
    table = with_features(shots, court)
    table = table[table["stroke"] != "serve"]
    if by is None:
        by = _BY_PLACE if table["depth"].notna().any() else _BY_FAMILY
    by = list(column_names(by, table.columns))
    _check_known(table, by)
    group, result = _groups(table, by)
    groups = len(result)

    rally = table["rally_id"].to_numpy(dtype=np.int64)
    result["n_shots"] = np.bincount(group, minlength=groups)
    result["n_rallies"] = np.bincount(
        np.unique(np.stack([group, rally]), axis=1)[0], minlength=groups
    )
    owner = np.zeros(groups, dtype=np.int64)
    if "player" in by:
        owner = pd.factorize(result["player"])[0].astype(np.int64)
    share = clustered_share(group, owner, rally, level)
    result["share"], result["share_low"], result["share_high"] = share.rate, share.low, share.high
    _add_gaps(result, table["gap_m"].to_numpy(dtype=np.float64), group)

    choice = table["choice"]
    attack = np.where(choice.isna(), np.nan, np.where(choice == "attack", 1.0, 0.0))
    attacks = clustered_rate(attack, rally, group, groups, level)
    result["choices"] = attacks.n
    result["attack_share"] = attacks.rate
    result["attack_share_low"], result["attack_share_high"] = attacks.low, attacks.high

    wins = clustered_rate(table["won"].to_numpy(dtype=np.float64), rally, group, groups, level)
    result["decided"] = wins.n
    result["win_rate"] = wins.rate
    result["win_rate_low"], result["win_rate_high"] = wins.low, wins.high
    result["n_effective"] = wins.n_effective
    return result


def _check_known(table: pd.DataFrame, by: list[str]) -> None:
    if not by:
        raise DataError("by is empty: name at least one column to group by, such as player.")
    for column in by:
        if column not in table.columns:
            raise DataError(
                f"There is no column {column!r} to group by. Columns of the feature table: "
                f"{', '.join(table.columns)}."
            )
        if len(table) and not table[column].notna().any():
            need = _MEND.get(column, f"a value in {column}")
            raise DataError(f"{column} is not known for any shot. It needs {need}.")


def _groups(table: pd.DataFrame, by: list[str]) -> tuple[Ints, pd.DataFrame]:
    """Give each row the number of its group, and each group its values of ``by``."""
    codes = []
    for column in by:
        values = table[column]
        if isinstance(values.dtype, pd.CategoricalDtype):
            codes.append(values.cat.codes.to_numpy(dtype=np.int64))
        else:
            codes.append(pd.factorize(values, sort=True)[0].astype(np.int64))
    # Missing goes last, after every known value.
    last = [np.where(part < 0, part.max(initial=-1) + 1, part) for part in codes]
    _, example, group = np.unique(joint_code(*last), return_index=True, return_inverse=True)
    return group.astype(np.int64), table[by].iloc[example].reset_index(drop=True)


def _add_gaps(result: pd.DataFrame, gap: Floats, group: Ints) -> None:
    by_group = pd.Series(gap).groupby(group)
    for name, q in (("gap_m", 0.5), ("gap_q1_m", 0.25), ("gap_q3_m", 0.75)):
        result[name] = by_group.quantile(q).to_numpy(dtype=np.float64)
