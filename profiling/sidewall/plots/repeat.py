"""Repeat or vary: the chance of winning by number of repeats just before."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from sidewall.arguments import check_fitted, check_level
from sidewall.combinations.repeat_or_vary import REPEAT_ALWAYS, VARY_ALWAYS, VARY_FROM
from sidewall.errors import DataError
from sidewall.features.coded import struck_by
from sidewall.features.rates import clustered_rate
from sidewall.plots.frame import frame
from sidewall.plots.style import INK, PAPER, QUIET, THRESHOLD, dress, new_axes, words_at
from sidewall.plots.words import plain

if TYPE_CHECKING:
    from sidewall.combinations.repeat_or_vary import RepeatOrVary

#: Colour, line and mark together, so that a print in grey still tells the two apart.
_STYLE: Final[dict[str, dict[str, Any]]] = {
    "repeated": {"color": "#32363B", "linestyle": "-", "marker": "o"},
    "varied": {"color": "#2A93C4", "linestyle": (0, (5, 2)), "marker": "^"},
}
_NAMES: Final = {"repeated": "repeat", "varied": "vary"}
_ASIDE: Final = {"repeated": -0.07, "varied": 0.07}
#: A dot that rests on fewer rallies than this is too wild to be drawn; its n is given.
_LEAST_RALLIES: Final = 10
_APART: Final = 6.0


def plot_repeat(
    model: RepeatOrVary,
    player: str | None = None,
    *,
    level: float = 0.95,
    ax: Axes | None = None,
) -> Axes:
    """Draw the chance of winning when the last reply is repeated, and when it is varied.

    Lines and bands are the model's, in the usual situation; dots with bars are the rallies
    as they were won, not adjusted for anything. Below the axis stands how many shots each
    rests on. Where varying starts to be better is marked with its interval, or said to be
    not known yet.

    Parameters
    ----------
    model
        A fitted model.
    player
        Whose replies; the average player if None.
    level
        Confidence level of bands, bars and the interval.
    ax
        Axes to draw into; a new figure if None.

    Returns
    -------
    Axes

    Raises
    ------
    NotFittedError
        If the model is not fitted.
    DataError
        If the model does not know the player.

    See Also
    --------
    RepeatOrVary

    Examples
    --------
    >>> ax = sw.plot_repeat(sw.RepeatOrVary(most=3).fit(shots), "Rowan")
    """
    check_level(level)
    check_fitted(model, "RepeatOrVary")
    if player is not None and player not in model.players_:
        raise DataError(
            f"The model does not know {player!r}; it knows {', '.join(model.players_)}."
        )
    curves, answers = (_of(table, player) for table in (model.curves(level), model.answers(level)))
    answer, own = answers.iloc[0].to_dict(), ax is None
    ax = draw_repeat(curves, answer, _points(model, player, level), model.most, ax)
    if own:
        frame(
            ax,
            f"{'All players' if player is None else plain(player)}: repeat or vary?",
            f"{repeat_words(answer, model.most)} Lines: the usual situation, "
            f"with {level:.0%} bands. Dots: rallies as won, with {level:.0%} bars, not drawn for "
            f"fewer than {_LEAST_RALLIES} rallies. n: shots.",
        )
    return ax


def draw_repeat(
    curves: pd.DataFrame,
    answer: dict[Any, Any],
    points: pd.DataFrame,
    most: int,
    ax: Axes | None = None,
) -> Axes:
    """Draw the curves, the answer, and the rallies as they were won, without a heading."""
    ax = new_axes(ax, size=(6.2, 5.0))
    _mark(ax, answer, most)
    ends = {kind: _curve(ax, curves, points, kind) for kind in _STYLE}
    _name_curves(ax, ends, most)
    _axes(ax, curves, points, most)
    return ax


def repeat_words(answer: dict[Any, Any], most: int) -> str:
    """Say in a sentence from how many repeats on varying is better, by a row of answers.

    `most` is the largest number of repeats that the model speaks of.
    """
    at, low, high = (float(answer[name]) for name in ("repeats", "repeats_low", "repeats_high"))
    status = str(answer["status"])
    if status == VARY_FROM:
        return (
            f"Varying is better from {max(math.floor(at) + 1, 1)} repeats on "
            f"(even at {at:.1f}, {low:.1f} to {high:.1f})."
        )
    if status == VARY_ALWAYS:
        return f"Varying is better after any number of repeats, from 1 to {most}."
    if status == REPEAT_ALWAYS:
        return f"Repeating is better after any number of repeats, from 1 to {most}."
    words = "From how many repeats on varying is better is not known yet"
    if math.isfinite(high) and high < most:
        return f"{words}, but above {high:.1f} it is."
    if math.isfinite(low) and low > 1.0:
        return f"{words}, but below {low:.1f} repeating is better."
    return f"{words}."


def _of(table: pd.DataFrame, player: str | None) -> pd.DataFrame:
    name = table["player"]
    return table[name.isna() if player is None else name.eq(player)]


def _points(model: RepeatOrVary, player: str | None, level: float) -> pd.DataFrame:
    """Rallies won by number of repeats and kind of reply, as they were."""
    used = model.used_
    if player is not None:
        used = used[struck_by(used, player)]
    kinds = list(_STYLE)
    code = len(kinds) * (used["repeats"].to_numpy() - 1) + (1 - used["repeated"].to_numpy())
    rate = clustered_rate(
        used["won"].to_numpy(dtype=np.float64),
        used["rally_id"].to_numpy(dtype=np.int64),
        code.astype(np.int64),
        len(kinds) * model.most,
        level,
    )
    return pd.DataFrame(
        {
            "repeats": np.repeat(np.arange(1, model.most + 1), len(kinds)),
            "reply": kinds * model.most,
            "n_shots": rate.n,
            "n_rallies": rate.clusters,
            "win": rate.rate,
            "win_low": rate.low,
            "win_high": rate.high,
        }
    )


def _curve(ax: Axes, curves: pd.DataFrame, points: pd.DataFrame, kind: str) -> float:
    """Draw band, line and dots of one kind of reply; the height of its end is returned."""
    style = _STYLE[kind]
    mine = curves[curves["reply"] == kind]
    x = mine["repeats"].to_numpy(dtype=np.float64)
    win, low, high = (100.0 * mine[name].to_numpy() for name in ("win", "win_low", "win_high"))
    ax.fill_between(x, low, high, color=style["color"], alpha=0.16, lw=0, label=f"_band {kind}")
    ax.plot(
        x, win, color=style["color"], ls=style["linestyle"], lw=2.4, label=f"_curve {kind}",
        zorder=4,
    )  # fmt: skip
    dots = points[(points["reply"] == kind) & (points["n_rallies"] >= _LEAST_RALLIES)]
    at = dots["repeats"].to_numpy() + _ASIDE[kind]
    y, down, up = (100.0 * dots[name].to_numpy() for name in ("win", "win_low", "win_high"))
    ax.vlines(at, down, up, color=style["color"], lw=1.2, zorder=3, label=f"_bars {kind}")
    ax.plot(
        at, y, ls="", marker=style["marker"], ms=6.5, color=style["color"], mec=PAPER, mew=0.8,
        zorder=5, label=f"_dots {kind}",
    )  # fmt: skip
    return float(win[-1])


def _name_curves(ax: Axes, ends: dict[str, float], most: int) -> None:
    """Name the lines at their right ends, far enough apart to be read."""
    low, high = sorted(ends, key=lambda kind: ends[kind])
    lift = max(_APART - (ends[high] - ends[low]), 0.0) / 2.0
    for kind, y in ((low, ends[low] - lift), (high, ends[high] + lift)):
        ax.text(
            most + 0.28, y, _NAMES[kind], va="center", fontsize=11, fontweight="bold",
            color=INK if kind == "repeated" else "#1F7299",
        )  # fmt: skip


def _mark(ax: Axes, answer: dict[Any, Any], most: int) -> None:
    at, low, high = (float(answer[name]) for name in ("repeats", "repeats_low", "repeats_high"))
    words, colour = str(answer["status"]), INK
    if words == VARY_FROM:
        ax.axvspan(low, high, color=THRESHOLD, alpha=0.1, lw=0, label="_set")
        ax.axvline(at, color=THRESHOLD, lw=1.8, label="_even")
        words, colour = f"vary beyond {at:.1f} ({low:.1f} to {high:.1f})", THRESHOLD
    elif words not in (VARY_ALWAYS, REPEAT_ALWAYS):
        words = f"When to vary: {words}"
    look: Any = {"va": "bottom", "fontsize": 11, "fontweight": "bold", "color": colour}
    ax.text(0.0, 1.015, words, transform=ax.transAxes, **look)


def _axes(ax: Axes, curves: pd.DataFrame, points: pd.DataFrame, most: int) -> None:
    dots = points[points["n_rallies"] >= _LEAST_RALLIES]
    low = 100.0 * min(curves["win_low"].min(), dots["win_low"].min() if len(dots) else 1.0)
    high = 100.0 * max(curves["win_high"].max(), dots["win_high"].max() if len(dots) else 0.0)
    ax.set_ylim(max(0.0, low - 3.0), min(100.0, high + 3.0))
    ax.set_xlim(0.6, most + 1.15)
    dress(ax)
    names = [str(k) if k < most else f"{k}+" for k in range(1, most + 1)]
    ax.set_xticks(range(1, most + 1), names)
    ax.set_ylabel("rallies won (%)")
    ax.axhline(50.0, color=QUIET, lw=1.0, ls=":", zorder=1, label="_half")
    ax.set_xlabel("repeats just before", labelpad=36)
    look: Any = {"xycoords": ("data", "axes fraction"), "va": "top", "fontsize": 9.5}
    for kind, down in zip(_STYLE, (-22, -36), strict=True):
        for row in points[points["reply"] == kind].to_dict("records"):
            n, at = f"{row['n_shots']:,}", (row["repeats"], 0.0)
            words_at(ax, n, at, (0, down), ha="center", color=QUIET, **look)
        words_at(ax, f"n {_NAMES[kind]}", (most + 0.4, 0.0), (0, down), color=QUIET, **look)
