"""Does the chance that the model gives come true? Predicted against observed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MultipleLocator

from sidewall.arguments import check_kind
from sidewall.errors import DataError
from sidewall.plots.style import INK, MUTED, RESET, dress, legend, new_axes, note_n, title

if TYPE_CHECKING:
    from sidewall.models.diagnostics import Diagnostics

#: What stands in the model's place, where it is not the model with something left out.
_INSTEAD: Final = {
    "constant": "with one chance for all",
    "gradient boosting": "with gradient boosting",
}


def plot_calibration(diagnostics: Diagnostics, ax: Axes | None = None) -> Axes:
    """Draw how often rallies were won against the chance predicted for matches held out.

    Parameters
    ----------
    diagnostics
        From :meth:`TightnessModel.diagnostics`.
    ax
        Axes to draw into; new ones if None.

    Returns
    -------
    Axes
        Both axes in per cent; points on the diagonal came true as often as predicted.

    Raises
    ------
    DataError
        If there is nothing in the table.

    See Also
    --------
    TightnessModel.diagnostics

    Examples
    --------
    >>> fast = sw.TightnessModel(outcome="rally", strokes=False, draws=50).fit(shots)
    >>> ax = sw.plot_calibration(fast.diagnostics(folds=2))
    """
    check_kind(diagnostics, "Diagnostics", "diagnostics", "those of a fit, model.diagnostics()")
    table = diagnostics.calibration
    if len(table) == 0:
        raise DataError("The calibration table is empty: no shots were held out.")
    ax = new_axes(ax, size=(5.2, 5.2))
    predicted, observed, low, high = (
        100.0 * table[name].to_numpy()
        for name in ("predicted", "observed", "observed_low", "observed_high")
    )
    start, end = _limits(np.concatenate([predicted, low, high]))
    look: Any = {"color": MUTED, "ls": (0, (4, 3)), "label": "won as often as predicted"}
    ax.plot([start, end], [start, end], lw=1.4, **look)
    ax.vlines(predicted, low, high, color=RESET, lw=1.6, label="_intervals")
    ax.plot(predicted, observed, color=RESET, ls="", marker="o", ms=7, label="_bins")
    ax.set_xlim(start, end)
    ax.set_ylim(start, end)
    ax.set_aspect("equal")
    for axis in (ax.xaxis, ax.yaxis):
        axis.set_major_locator(MultipleLocator(10 if end - start > 25 else 5))
    dress(ax, grid="both")
    ax.set_xlabel("chance of winning predicted (%)")
    ax.set_ylabel("rallies won (%)")
    title(ax, "Does the predicted chance come true?")
    least, most = int(table["n_shots"].min()), int(table["n_shots"].max())
    each = f"{least:,}" if least == most else f"{least:,} to {most:,}"
    more = f"{each} a point; 95% intervals"
    note_n(ax, diagnostics.n_shots, diagnostics.n_rallies, more=more)
    legend(ax, loc="lower right")
    _score_words(ax, diagnostics)
    return ax


def _limits(values: np.ndarray) -> tuple[float, float]:
    """Round tens around the values, at least 40 wide, within 0 to 100."""
    low, high = np.floor(values.min() / 10) * 10, np.ceil(values.max() / 10) * 10
    while high - low < 40:
        low, high = max(low - 10, 0), min(high + 10, 100)
    return float(low), float(high)


def _score_words(ax: Axes, diagnostics: Diagnostics) -> None:
    """Say whether knowing the gap and the player helps on matches not seen, and what does not."""
    held_out = diagnostics.held_out
    lines = [f"log loss on matches held out: {held_out['log_loss'].to_dict()['model']:.4f}"]
    for name, row in held_out.drop(index="model").iterrows():
        how = _INSTEAD.get(str(name)) or f"without the {str(name).removeprefix('no ')}"
        better = "worse" if row["worse_by"] >= 0 else "better"
        error = 1.96 * row["worse_by_se"]
        lines.append(f"{abs(row['worse_by']):.4f} ± {error:.4f} {better} {how}")
    box = {"facecolor": ax.get_facecolor(), "edgecolor": "none", "pad": 2.0}
    look: Any = {"transform": ax.transAxes, "va": "top", "fontsize": 8.5, "color": INK}
    ax.text(0.03, 0.97, "\n".join(lines), bbox=box, **look)
