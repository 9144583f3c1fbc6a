"""Were attacked and reset balls alike, by what the log holds of the grounds for a choice?

Where the log tells nearly for sure whether a ball was attacked, no reset ball stands beside
the attacked ones, and a comparison rests on the curves' shape alone. Grounds are only what is
there before the shot is struck: the distance that the opponent has to cover to the next ball,
for one, is a result of the choice, and adjusting for it would take away part of what the
choice does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd

from sidewall.arguments import Array, Bools, Ints, Table, as_frame, check_lengths_m, names_of
from sidewall.court.court import Court
from sidewall.errors import DataError
from sidewall.features.coded import struck_by
from sidewall.features.shots import with_features
from sidewall.models.counted import usable_shots
from sidewall.models.curves import GapTransform
from sidewall.trust.doubly_robust import chance_of_choice, independent_columns

#: Logged reason -> what it says. Numbers first, then words.
REASONS: Final[dict[str, str]] = {
    "y_m": "how far from the front wall the ball is met",
    "tempo_s": "time since the opponent struck",
    "opponent_from_t_m": "how far the opponent stands from the T",
    "own_previous_gap_left_m": "how loose the ball was that one left before",
    "lead": "points ahead",
    "shot": "how far into the rally",
    "side": "forehand or backhand",
    "family": "volley or after the bounce",
    "balance": "set, stretched or jammed",
    "incoming_stroke": "the stroke that is answered",
    "player": "who strikes",
}
_NUMBERS: Final = tuple(REASONS)[:6]
#: A word is told apart when it is met so often among attacks and among resets.
_LEAST: Final = 10


@dataclass(frozen=True)
class Reasons:
    """Columns for the choice and the outcome models, without intercept and gap.

    Attributes
    ----------
    columns : DataFrame, shape (n, k)
        Numbers scaled to mean 0 and standard deviation 1; words as 0 and 1.
    names : list of str
        Reasons taken up.
    left_out : dict of str to str
        Reasons not taken up, and why.
    """

    columns: pd.DataFrame
    names: list[str]
    left_out: dict[str, str]


def logged_reasons(
    used: pd.DataFrame, reasons: Sequence[str] | None = None, court: Court | None = None
) -> Reasons:
    """Take up every reason that the log holds and that varies.

    Parameters
    ----------
    used : DataFrame
        From :func:`sidewall.models.counted.usable_shots`, features and all.
    reasons : sequence of str, optional
        Names of `REASONS`, or of further columns of the log that are known before the shot
        is struck; all of `REASONS` by default.
    court : Court, optional
        For the place of the T.

    Raises
    ------
    DataError
        When a reason that is asked for is no column of the log.

    Notes
    -----
    A missing number is replaced by the mean, beside a column that says that it was missing.
    Words met fewer than ten times among attacks or among resets are put together with the
    commonest one.
    """
    table = _with_derived(used, court or Court())
    asked = list(REASONS if reasons is None else names_of(reasons, "reasons"))
    attack = (table["choice"] == "attack").to_numpy()
    columns: dict[str, Array] = {}
    names, left_out = [], {}
    for name in asked:
        if name not in table.columns:
            if reasons is not None:
                raise DataError(
                    f"the log has no column {name!r}; reasons known by name: {', '.join(REASONS)}"
                )
            left_out[name] = "not charted"
            continue
        numeric = name in _NUMBERS or pd.api.types.is_numeric_dtype(table[name].dtype)
        made = _number(table[name], name) if numeric else _words(table[name], name, attack)
        if made:
            columns |= made
            names.append(name)
        else:
            left_out[name] = "not charted" if table[name].isna().all() else "hardly varies"
    return Reasons(pd.DataFrame(columns, index=used.index, dtype=float), names, left_out)


def _with_derived(used: pd.DataFrame, court: Court) -> pd.DataFrame:
    new: dict[str, Any] = {}
    if {"opponent_x_m", "opponent_y_m"} <= set(used.columns):
        t_x, t_y = court.t_m
        new["opponent_from_t_m"] = np.hypot(used["opponent_x_m"] - t_x, used["opponent_y_m"] - t_y)
    if {"own_points", "opponent_points"} <= set(used.columns):
        new["lead"] = used["own_points"] - used["opponent_points"]
    return used.assign(**new)


def _number(values: pd.Series, name: str) -> dict[str, Array]:
    value = values.to_numpy(dtype=float)
    missing = np.isnan(value)
    spread = value[~missing].std() if (~missing).any() else 0.0
    if not spread > 0:
        return {}
    scaled = np.where(missing, 0.0, (value - value[~missing].mean()) / spread)
    found = {name: scaled}
    if min(missing.sum(), (~missing).sum()) >= _LEAST:
        found[f"{name} missing"] = missing.astype(float)
    return found


def _words(values: pd.Series, name: str, attack: Array) -> dict[str, Array]:
    word = values.astype(object).where(values.notna(), "not charted").astype(str).to_numpy()
    levels, code = np.unique(word, return_inverse=True)
    often = np.minimum(
        np.bincount(code[attack], minlength=len(levels)),
        np.bincount(code[~attack], minlength=len(levels)),
    )
    commonest = int(np.bincount(code, minlength=len(levels)).argmax())
    return {
        f"{name}={level}": (code == k).astype(float)
        for k, level in enumerate(levels)
        if k != commonest and often[k] >= _LEAST
    }


#: Edges of gap bands in metres, from tight to loose (common practice, no source).
BANDS_M: Final = (0.0, 0.2, 0.4, 0.6, 0.8, 1.2)
#: A chance of attacking between these leaves both choices to compare.
RANGE: Final = (0.05, 0.95)
_LEAST_OF_A_CHOICE: Final = 20


@dataclass(frozen=True)
class Overlap:
    """How far attacked and reset balls can be compared.

    Attributes
    ----------
    shots : DataFrame
        One row a shot: ``gap_m``, ``attack`` (bool), ``chance`` (of attacking, given what is
        logged) and ``band``, the number of its gap band (-1 outside all).
    bands : DataFrame
        ``from_m``, ``to_m``, ``n_attack``, ``n_reset``, ``n_rallies``; ``in_range``,
        the share of shots with a chance from 0.05 to 0.95; ``effective_attack`` and
        ``effective_reset``, the number of equally weighted shots that the weighted ones
        are worth (Kish 1965); ``chance_attacked`` and ``chance_reset``, the medians of the
        chance among the attacked and the reset balls. The last row is all bands together.
    balance : DataFrame
        By band and reason: ``before`` and ``after`` weighting by the inverse of the
        chance, the mean among attacked minus that among reset balls, in standard deviations
        (Austin 2011, Multivariate Behavioral Research 46:399-424; below 0.1 is usually
        taken as alike).
    reasons : Reasons
        What was taken up and what was not.
    player : str or None
    """

    shots: pd.DataFrame
    bands: pd.DataFrame
    balance: pd.DataFrame
    reasons: Reasons
    player: str | None

    def words(self) -> str:
        """Say whether the comparison stands on enough like balls."""
        total = self.bands.iloc[-1]
        share = 100.0 * float(total["in_range"])
        whole = self.balance.iloc[-len(self.reasons.columns.columns) - 1 :]
        worst = whole.iloc[int(whole["after"].abs().fillna(0.0).to_numpy().argmax())]
        n = int(total["n_attack"] + total["n_reset"])
        said = (
            f"{share:.0f} in 100 of {n:,} balls could have been attacked or reset as far as the "
            "log tells (chance of attacking 5 to 95 in 100)"
        )
        if abs(worst["after"]) > 0.1:
            said += f"; after weighting, attacked and reset balls still differ in {worst['reason']}"
        return said


def choice_overlap(
    shots: Table,
    player: str | None = None,
    *,
    reasons: Sequence[str] | None = None,
    bands_m: Sequence[float] = BANDS_M,
) -> Overlap:
    """Estimate each ball's chance of being attacked, and compare attacked with reset balls.

    The chance is a logistic regression on the gap (a spline) and the logged reasons.

    Parameters
    ----------
    shots : DataFrame
        From :func:`sidewall.read_shots` or :func:`sidewall.shot_features`.
    player : str, optional
        One player's shots; all players' by default, with a level for each.
    reasons : sequence of str, optional
        See :func:`~sidewall.trust.overlap.logged_reasons`; all that are charted by default.
    bands_m : sequence of float
        Edges of the gap bands.

    Raises
    ------
    DataError
        When the player has no usable shots, or there are fewer than 20 attacks or resets.
    SeparationError
        When the log tells the choice without fault.

    See Also
    --------
    plot_overlap
    attack_effect

    Examples
    --------
    >>> overlap = sw.choice_overlap(shots, "Rowan")
    >>> overlap.bands.columns.to_list()[:4]
    ['from_m', 'to_m', 'n_attack', 'n_reset']
    """
    shots = as_frame(shots)
    used = own_shots(usable_shots(with_features(shots))[0], player)
    edges = band_edges(bands_m)
    found = logged_reasons(used, reasons)
    spline = GapTransform.fit("spline", used["gap_m"]).basis(used["gap_m"])
    X = np.column_stack([np.ones(len(used)), spline, found.columns.to_numpy()])
    attack = (used["choice"] == "attack").to_numpy()
    fit = chance_of_choice(attack.astype(float), X[:, independent_columns(X)])
    chance = np.asarray(fit.predict())
    gap = used["gap_m"].to_numpy(dtype=float)
    table = pd.DataFrame(
        {"gap_m": gap, "attack": attack, "chance": chance, "band": _band_of(gap, edges)}
    )
    described = found.columns.assign(gap_m=gap)
    rally = used["rally_id"].to_numpy()
    bands, balance = [], []
    wholes = [(k, table["band"].to_numpy() == k) for k in range(len(edges) - 1)]
    for k, inside in [*wholes, (-1, table["band"].to_numpy() >= 0)]:
        ends = (edges[k], edges[k + 1]) if k >= 0 else (edges[0], edges[-1])
        bands.append(_band_row(ends, attack[inside], chance[inside], rally[inside]))
        balance.append(
            _balance(described[inside], attack[inside], chance[inside]).assign(
                from_m=ends[0], to_m=ends[1]
            )
        )
    return Overlap(table, pd.DataFrame(bands), pd.concat(balance, ignore_index=True), found, player)


def own_shots(used: pd.DataFrame, player: str | None) -> pd.DataFrame:
    """Choose a player's shots, and refuse fewer than 20 attacks or resets."""
    if player is not None:
        known = sorted(used["player"].astype(str).unique())
        if player not in known:
            raise DataError(f"no usable shot of {player!r}; players with some: {', '.join(known)}")
        used = used[struck_by(used, player)].reset_index(drop=True)
    counts = (used["choice"] == "attack").sum(), (used["choice"] == "reset").sum()
    if min(counts) < _LEAST_OF_A_CHOICE:
        raise DataError(
            f"{counts[0]} attacks and {counts[1]} resets are too few to compare (at least "
            f"{_LEAST_OF_A_CHOICE} of each); chart more rallies or take all players"
        )
    return used


def band_edges(bands_m: Sequence[float]) -> Array:
    """Check edges of gap bands: at least two, and rising."""
    edges = check_lengths_m(bands_m, "bands_m")
    if len(edges) < 2 or not (np.diff(edges) > 0).all():
        raise DataError(f"bands_m is {list(bands_m)}; give two edges or more, rising, in metres")
    return edges


def _band_of(gap: Array, edges: Array) -> Ints:
    band = np.searchsorted(edges, gap, side="right") - 1
    return np.where(band < len(edges) - 1, band, -1)


def _band_row(
    ends: tuple[float, float], attack: Bools, chance: Array, rally: Array
) -> dict[str, float]:
    low, high = RANGE
    weight = {True: 1.0 / chance, False: 1.0 / (1.0 - chance)}
    row: dict[str, float] = {"from_m": ends[0], "to_m": ends[1]}
    row |= {"n_attack": int(attack.sum()), "n_reset": int((~attack).sum())}
    row["n_rallies"] = len(np.unique(rally))
    inside = (chance >= low) & (chance <= high)
    row["in_range"] = float(inside.mean()) if len(inside) else np.nan
    for name, some in (("attack", attack), ("reset", ~attack)):
        w = weight[name == "attack"][some]
        row[f"effective_{name}"] = float(w.sum() ** 2 / np.sum(w**2)) if len(w) else 0.0
    for name, some in (("attacked", attack), ("reset", ~attack)):
        row[f"chance_{name}"] = float(np.median(chance[some])) if some.any() else np.nan
    return row


def _balance(columns: pd.DataFrame, attack: Bools, chance: Array) -> pd.DataFrame:
    values = columns.to_numpy(dtype=float)
    if not attack.any() or attack.all():
        return pd.DataFrame({"reason": columns.columns, "before": np.nan, "after": np.nan})
    spread = np.sqrt(0.5 * (values[attack].var(axis=0) + values[~attack].var(axis=0)))

    def off(one: Array, other: Array) -> Array:
        a = np.average(values[attack], axis=0, weights=one)
        b = np.average(values[~attack], axis=0, weights=other)
        return np.divide(a - b, spread, out=np.full(len(spread), np.nan), where=spread > 0)

    before = off(np.ones(attack.sum()), np.ones((~attack).sum()))
    after = off(1.0 / chance[attack], 1.0 / (1.0 - chance[~attack]))
    return pd.DataFrame({"reason": columns.columns, "before": before, "after": after})
