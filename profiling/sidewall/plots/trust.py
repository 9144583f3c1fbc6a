"""Were attacked and reset balls alike, and do a method's intervals hold? Two pictures."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final, Literal, overload

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import PercentFormatter
from numpy.typing import NDArray

from sidewall.court.units import GapWords
from sidewall.errors import DataError
from sidewall.numbers import count
from sidewall.plots.frame import frame, panels
from sidewall.plots.style import (
    ATTACK,
    FAINT,
    INK,
    MUTED,
    RESET,
    dress,
    new_axes,
    note_below,
    title,
)
from sidewall.plots.words import plain
from sidewall.trust.overlap import RANGE, Overlap
from sidewall.trust.ranks import RankCheck

_BINS: Final = np.linspace(0.0, 1.0, 26)
_HILL: Final = 0.42
_PANEL: Final = (3.1, 2.5)


def plot_overlap(
    overlap: Overlap,
    *,
    unit: str = "cm",
    board_width_m: float | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw, band by band, how likely balls were to be attacked: those attacked and those reset.

    Parameters
    ----------
    overlap
        From :func:`sidewall.trust.choice_overlap`.
    unit, board_width_m
        Of the gaps in the labels.
    ax
        Axes to draw into; new ones if None.

    Returns
    -------
    Axes
        Attacked balls above each line, reset balls below, each hill at its own scale. Balls
        in the grey margins have nothing to be compared with.

    Raises
    ------
    DataError
        If no band holds a shot.

    See Also
    --------
    choice_overlap

    Examples
    --------
    >>> ax = sw.plot_overlap(sw.choice_overlap(shots, "Rowan"))
    """
    bands = overlap.bands.iloc[:-1]
    some = bands[(bands["n_attack"] + bands["n_reset"]) > 0]
    if some.empty:
        raise DataError("No gap band holds a shot: choose other edges (bands_m).")
    words = GapWords(unit, board_width_m)
    ax = new_axes(ax, size=(6.0, 1.5 + 0.86 * len(some)))
    shots = overlap.shots
    place: Any = {"transform": ax.get_yaxis_transform(), "fontsize": 9, "color": INK}
    for y, (k, band) in enumerate(some.iterrows()):
        own = shots[shots["band"] == k]
        ax.axhline(y, color=MUTED, lw=0.8, zorder=2)
        for attacked, sign, colour in ((True, 1.0, ATTACK), (False, -1.0, RESET)):
            chance = own.loc[own["attack"] == attacked, "chance"]
            _hill(ax, chance.to_numpy(dtype=float), y, sign * _HILL, colour)
        ax.text(1.02, y + 0.05, f"{int(band['n_attack']):,} attacked", va="bottom", **place)
        ax.text(1.02, y - 0.05, f"{int(band['n_reset']):,} reset", va="top", **place)
    for start, end in ((0.0, RANGE[0]), (RANGE[1], 1.0)):
        ax.axvspan(start, end, color=FAINT, lw=0, zorder=0)
    ax.set_xlim(0.0, 1.0)
    ax.set_ylim(-0.6, len(some) - 0.4)
    bounds = some[["from_m", "to_m"]].to_numpy(dtype=float)
    ax.set_yticks(range(len(some)), [words.interval(*ends) for ends in bounds])
    ax.xaxis.set_major_formatter(PercentFormatter(1.0))
    dress(ax, grid="none")
    ax.spines["left"].set_visible(False)
    ax.tick_params(axis="y", length=0)
    ax.set_xlabel("chance of attacking, as far as the log tells")
    ax.set_ylabel(f"gap ({words.gap(0.0).split()[-1]})")
    who = "" if overlap.player is None else f"{plain(overlap.player)}: "
    title(ax, f"{who}could these balls have gone either way?")
    note_below(ax, _overlap_note(overlap), down=40)
    return ax


def _hill(ax: Axes, chance: NDArray[np.float64], y: float, height: float, colour: str) -> None:
    counts = np.histogram(chance, _BINS)[0].astype(float)
    if counts.max(initial=0.0) > 0:
        ax.bar(
            _BINS[:-1], height * counts / counts.max(), width=np.diff(_BINS), bottom=y,
            align="edge", color=colour, lw=0, zorder=1,
        )  # fmt: skip


def _overlap_note(overlap: Overlap) -> str:
    total = overlap.bands.iloc[-1]
    n = int(total["n_attack"] + total["n_reset"])
    share = f"{100 * float(total['in_range']):.0f}"
    return (
        f"Above each line balls attacked (orange), below balls reset (blue),\n"
        f"each at its own scale. In the grey margins there is nothing to\n"
        f"compare with: {share} in 100 balls lie between them.\nn = {count(n, 'shot')} in "
        f"{count(int(total['n_rallies']), 'rally', 'rallies')}"
    )


@overload
def plot_calibration_ranks(
    checks: RankCheck,
    kind: Literal["histogram", "ecdf"] = ...,
    *,
    name: str = ...,
    ax: Axes | None = ...,
) -> Axes: ...


@overload
def plot_calibration_ranks(
    checks: Mapping[str, RankCheck],
    kind: Literal["histogram", "ecdf"] = ...,
    *,
    name: str = ...,
    ax: None = ...,
) -> NDArray[np.object_]: ...


def plot_calibration_ranks(
    checks: RankCheck | Mapping[str, RankCheck],
    kind: Literal["histogram", "ecdf"] = "histogram",
    *,
    name: str = "",
    ax: Axes | None = None,
) -> Axes | NDArray[np.object_]:
    """Draw where the truth ranks among draws: flat within the band if intervals are right.

    Parameters
    ----------
    checks
        From :func:`sidewall.trust.check_ranks`; or several by name, a panel each.
    kind
        ``histogram``: shares of the ranks. ``ecdf``: how far the share of ranks up to each
        point is off; the whole line stays in the band 95 times in 100.
    name
        What was ranked, for a single check.
    ax
        Axes for a single check; new ones if None.

    Returns
    -------
    Axes, or ndarray of Axes
        One for each check.

    Raises
    ------
    DataError
        If there is no check, or axes are given for several.
    """
    draw = {"histogram": _histogram, "ecdf": _ecdf}.get(kind)
    if draw is None:
        raise DataError(f"kind is {kind!r}; it must be 'histogram' or 'ecdf'")
    if isinstance(checks, RankCheck):
        ax = new_axes(ax, size=(5.2, 3.6))
        draw(ax, checks)
        ax.set_xlabel(_ACROSS)
        ax.set_ylabel(_UP[kind])
        title(ax, plain(name) or "Where does the truth rank?")
        note_below(ax, _rank_words(checks), down=40)
        return ax
    if not checks or ax is not None:
        raise DataError("give axes for one check only, and at least one check by name")
    return _panels(checks, kind, draw)


_ACROSS: Final = "rank of the truth among draws (%)"
_UP: Final = {"histogram": "share of truths (%)", "ecdf": "too many up to here (%)"}


def _panels(checks: Mapping[str, RankCheck], kind: str, draw: Any) -> NDArray[np.object_]:
    columns = min(2, len(checks))
    rows = -(-len(checks) // columns)
    size = _PANEL[0] * columns, _PANEL[1] * rows + 1.2
    grid = panels(rows, columns, size, sharex=True, sharey=True)
    every = grid.ravel()
    for axes, (name, check) in zip(every, checks.items(), strict=False):
        draw(axes, check)
        axes.set_title(plain(name), loc="left", fontsize=9.5, color=INK)
        words = check.words().replace(", ", "\n")
        axes.text(0.03, 0.97, words, transform=axes.transAxes, va="top", fontsize=8.5, color=INK)
    for axes in every[len(checks) :]:
        axes.set_visible(False)
    for axes in every[len(checks) - columns : len(checks)]:
        axes.tick_params(labelbottom=True)
    for axes in grid[:, 0]:
        axes.set_ylabel(_UP[kind], fontsize=9.5)
    first = next(iter(checks.values()))
    frame(
        every[0],
        "Where does the truth rank among draws?",
        f"Across: {_ACROSS}. Right intervals put the truth at every rank alike; too short ones "
        "pile it up at both ends, too wide ones in the middle. Grey: where chance alone "
        f"leaves it, 95 times in 100. {count(first.simulations, 'simulation')}, "
        f"{count(first.n, 'rank')} a panel.",
    )
    return every[: len(checks)]


def _histogram(ax: Axes, check: RankCheck) -> None:
    table = 100.0 * check.histogram
    left = table["low"] / (check.draws + 1)
    width = (table["high"] - table["low"] + 100.0) / (check.draws + 1)
    ax.fill_between([0, 100], *_ends(table), color=FAINT, lw=0, zorder=0)
    ax.bar(left, table["share"], width=0.92 * width, align="edge", color=RESET, zorder=2)
    for end in _ends(table):
        ax.axhline(end, color=MUTED, lw=0.7, zorder=3)
    ax.axhline(table["expected"].iloc[0], color=MUTED, lw=1.2, ls=(0, (4, 3)), zorder=3)
    ax.set_xlim(0, 100)
    _widen(ax, 0.0, 1.45 * max(table["share"].max(), table["band_high"].max()))
    dress(ax, grid="none")


def _ends(table: pd.DataFrame) -> tuple[float, float]:
    """Narrowest ends of the bins' bands: one span for the eye."""
    return float(table["band_low"].max()), float(table["band_high"].min())


def _ecdf(ax: Axes, check: RankCheck) -> None:
    table = 100.0 * check.ecdf
    ax.fill_between(table["u"], table["band_low"], table["band_high"], color=FAINT, lw=0, zorder=0)
    ax.axhline(0.0, color=MUTED, lw=1.2, ls=(0, (4, 3)), zorder=1)
    ax.plot(table["u"], table["difference"], color=RESET, lw=2.0, zorder=2)
    reach = 1.5 * np.abs(table[["difference", "band_low", "band_high"]].to_numpy()).max()
    _widen(ax, -reach, reach)
    ax.set_xlim(0, 100)
    dress(ax, grid="none")


def _widen(ax: Axes, low: float, high: float) -> None:
    """Reach at least so far, and as far as a panel drawn before on the same scale."""
    drawn = [other for other in ax.get_shared_y_axes().get_siblings(ax) if other is not ax]
    if any(other.lines for other in drawn):
        before = ax.get_ylim()
        low, high = min(low, before[0]), max(high, before[1])
    ax.set_ylim(low, high)


def _rank_words(check: RankCheck) -> str:
    return (
        f"{check.words()}; p = {check.p_value:.2g} for ranks all alike\n"
        f"{100 * check.covered:.0f} in 100 truths in the middle {100 * check.covered_expected:.0f} "
        f"in 100 of ranks (± {196 * check.covered_se:.0f})\n"
        f"n = {count(check.n, 'rank')} from {count(check.simulations, 'simulation')}\n"
        f"grey: where chance alone leaves it, 95 times in 100"
    )
