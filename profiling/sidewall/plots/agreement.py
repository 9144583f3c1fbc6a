"""Where two charters disagree: on the gap, and on words."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from sidewall.agreement.align import AGREED
from sidewall.arguments import check_fitted
from sidewall.court.units import GapWords, parse_unit
from sidewall.errors import DataError
from sidewall.models.answers import NOT_KNOWN
from sidewall.numbers import count
from sidewall.plots.frame import frame, given, panels
from sidewall.plots.heat import heat
from sidewall.plots.style import INK, PAPER, RESET, THRESHOLD, dress, format_gap_axis, title
from sidewall.plots.words import rows_by

if TYPE_CHECKING:
    from sidewall.agreement.agreement import Agreement

#: Width and height of either panel, inches.
_PANEL: Final = (4.5, 4.6)


def plot_agreement(
    agreement: Agreement,
    column: str = "stroke",
    *,
    unit: str = "cm",
    board_width_m: float | None = None,
    table: Literal["beside", "below"] = "beside",
    ax: Sequence[Axes] | None = None,
) -> NDArray[np.object_]:
    """Draw where two charters disagree on the gap, and which words they take for another.

    Left, a dot a ball: the difference of the two gaps against their mean, with the mean
    difference and the limits of agreement, each in the band of its interval (Bland & Altman
    1986). Right, how often each word of the first met each of the second: darker, the more
    of the first's word; words on the diagonal agree and are left pale.

    Parameters
    ----------
    agreement
        A fitted comparison.
    column
        Which words: side, stroke, direction, contact, choice, balance or ending.
    unit, board_width_m
        Of the gap axes, cm, m, in or boards; with a width, a second axis shows boards.
    table
        In a new figure, the words stand beside the gaps or, for narrow screens, below them.
    ax
        Two axes, gap and words; a new figure if None.

    Returns
    -------
    ndarray of Axes, shape (2,)

    Raises
    ------
    NotFittedError
        If nothing is fitted.
    DataError
        If the column was not charted by both, `table` is unknown, or `ax` is not two axes.
    UnitError
        If the unit is unknown, or boards are asked for and their width is not known.

    See Also
    --------
    Agreement

    Examples
    --------
    >>> agreement = sw.Agreement(draws=50).fit(shots, sw.simulate.second_charter(shots, seed=1))
    >>> axes = sw.plot_agreement(agreement, "stroke", unit="in")
    """
    check_fitted(agreement, "Agreement", "agreement", "first, second")
    said = agreement.summary()
    if column not in agreement.tables_:
        raise DataError(
            f"There are no words {column!r} in both logs; there are {', '.join(agreement.tables_)}."
        )
    if table not in ("beside", "below"):
        raise DataError(f"table={table!r} is not known; use 'beside' or 'below'.")
    if ax is not None:
        pair = given(ax, "two axes, gap and words", 2)
    else:
        rows, across = (1, 2) if table == "beside" else (2, 1)
        pair = panels(rows, across, (_PANEL[0] * across, _PANEL[1] * rows + 0.6)).ravel()
    _gaps(pair[0], agreement, GapWords(unit, board_width_m))
    _words(pair[1], agreement, column)
    if ax is None:
        frame(
            pair[0],
            "Do the two charters agree?",
            f"{said.splitlines()[1]} {agreement.level:.0%} intervals, which allow for rallies. "
            "Colour: share of the first's word for which the second wrote another.",
        )
    return pair


def _gaps(ax: Axes, agreement: Agreement, words: GapWords) -> None:
    """Difference against mean of every ball, with bias and limits."""
    table = agreement.aligned_
    both = table[(table["status"] == AGREED).to_numpy()]
    one, two = (both[f"gap_m_{w}"].to_numpy(dtype=float) for w in ("first", "second"))
    row = rows_by(agreement.limits_, "column")[("gap_m",)]
    ax.plot(
        (one + two) / 2, one - two, ls="", marker="o", ms=4, mfc=RESET, mec=PAPER, mew=0.3,
        alpha=0.45, label="_balls",
    )  # fmt: skip
    says, share = NOT_KNOWN, ""
    if row["status"] != NOT_KNOWN:
        _limits(ax, row, words)
        low, high = (words.signed(row[name], finer=1) for name in ("lower_m", "upper_m"))
        says = f"{low} to {high} {parse_unit(words.unit)}"
        share = f"{100 * agreement.level:g} in 100 balls, "
    title(ax, f"Gap: {says}\n{share}{_sizes(row)}")
    widest = float(np.nanmax(np.abs(one - two), initial=0.05))
    ax.set_ylim(-1.15 * widest, 1.15 * widest)
    ax.set_xlim(0.0, 1.05 * float(np.nanmax((one + two) / 2, initial=0.5)))
    format_gap_axis(ax, words.unit, words.board_width_m, label="gap, mean of the two")
    format_gap_axis(ax, words.unit, words.board_width_m, axis="y", label="first less second")
    dress(ax, grid="both")


def _sizes(row: dict[str, Any]) -> str:
    return f"n = {row['n_shots']:,} in {count(row['n_rallies'], 'rally', 'rallies')}"


def _limits(ax: Axes, row: dict[str, Any], words: GapWords) -> None:
    for name, says, colour, style in (
        ("upper", "upper limit", THRESHOLD, (0, (5, 2))),
        ("bias", "mean", INK, "-"),
        ("lower", "lower limit", THRESHOLD, (0, (5, 2))),
    ):
        at, low, high = (row[f"{name}{end}_m"] for end in ("", "_low", "_high"))
        # a decimal finer than a gap: means are small
        told, *ends = (words.signed(end, finer=1) for end in (at, low, high))
        ax.axhspan(low, high, color=colour, alpha=0.16, lw=0, label=f"_{name} interval")
        ax.axhline(at, color=colour, lw=1.6, ls=style, label=f"_{name}")
        up, side = (-4, "top") if name == "lower" else (4, "bottom")
        ax.annotate(
            f"{says} {told} ({' to '.join(ends)})", (1.0, at), xycoords=("axes fraction", "data"),
            xytext=(0, up), textcoords="offset points", ha="right", va=side, fontsize=9, color=INK,
            bbox={"facecolor": PAPER, "edgecolor": "none", "alpha": 0.75, "pad": 0.8},
        )  # fmt: skip


def _words(ax: Axes, agreement: Agreement, column: str) -> None:
    """How often each word of the first met each of the second."""
    full = agreement.tables_[column]
    met = [w for w in full.index if full.loc[w].sum() + full[w].sum() > 0]
    counts = full.loc[met, met].to_numpy()
    row = rows_by(agreement.words_, "column")[(column,)]
    says = NOT_KNOWN
    if row["status"] != NOT_KNOWN:
        says = f"kappa {row['kappa']:.2f} ({row['kappa_low']:.2f} to {row['kappa_high']:.2f})"
    alike = f"{100 * row['agreed']:.0f} in 100 alike, " if row["n_shots"] else ""
    title(ax, f"{column.capitalize()}: {says}\n{alike}{_sizes(row)}")
    share = counts / np.maximum(counts.sum(axis=1, keepdims=True), 1)
    np.fill_diagonal(share, 0.0)
    k = len(met)
    spoken = np.array([f"{n:,}" if n else "" for n in counts.flat], dtype=object).reshape(k, k)
    if k:
        heat(ax, share, spoken, size=10 if k <= 6 else 8.5, fraction=0.035, aspect=30, shrink=0.8)
    for one in ax.texts:
        x, y = one.get_position()
        one.set_fontweight("bold" if x == y else "normal")
    middles = np.arange(k) + 0.5
    names = [word.replace("_", " ") for word in met]
    ax.set_xticks(middles, names, rotation=40 if k > 3 else 0)
    for tick in ax.get_xticklabels():
        tick.set(ha="right" if k > 3 else "center", rotation_mode="anchor")
    ax.set_yticks(middles, names, rotation=0)
    ax.set_xlabel("second charter wrote")
    ax.set_ylabel("first charter wrote")
    dress(ax, grid="none")
    for edge in ("left", "bottom"):
        ax.spines[edge].set_visible(False)
    ax.tick_params(length=0)
