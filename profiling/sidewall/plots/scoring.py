"""How a share of the rallies becomes a chance of the match, by scoring system."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final, overload

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from sidewall.errors import DataError
from sidewall.plots.frame import panels
from sidewall.plots.style import INK, MUTED, PAPER, QUIET, dress, new_axes, title, words_at
from sidewall.plots.words import plain
from sidewall.scoring import Game, HandInHandOut, Match, PointARally

SYSTEMS: Final[dict[str, Game]] = {
    "to 11": PointARally(11),
    "to 15": PointARally(15),
    "hand-in-hand-out to 9": HandInHandOut(9),
}
#: Told apart by dashes as well as by tone; used in turn.
_LINES: Final[list[dict[str, Any]]] = [
    {"color": INK, "linestyle": "-", "linewidth": 2.2},
    {"color": INK, "linestyle": (0, (3.2, 1.6)), "linewidth": 1.8},
    {"color": MUTED, "linestyle": "-", "linewidth": 2.4},
    {"color": QUIET, "linestyle": (0, (1, 1.4)), "linewidth": 2.2},
]
_WORDS: Final = {1: "One game", 3: "Best of three", 5: "Best of five"}
_POINTS: Final = 161
#: Heights of the names, per cent: up there the curves lie furthest apart. The flattest curve
#: is named on the right, the steepest first on the left.
_LEFT: Final = (74.0, 89.0, 60.0)
_RIGHT: Final = 80.0


@overload
def plot_match_win_probability(
    ax: Axes | None = ...,
    systems: Mapping[str, Game] | None = ...,
    *,
    best_of: int,
    share: tuple[float, float] = ...,
    read_at: float = ...,
) -> Axes: ...


@overload
def plot_match_win_probability(
    ax: Axes | None = ...,
    systems: Mapping[str, Game] | None = ...,
    *,
    best_of: int | Sequence[int] = ...,
    share: tuple[float, float] = ...,
    read_at: float = ...,
) -> Axes | NDArray[np.object_]: ...


def plot_match_win_probability(
    ax: Axes | None = None,
    systems: Mapping[str, Game] | None = None,
    *,
    best_of: int | Sequence[int] = (5, 3),
    share: tuple[float, float] = (0.3, 0.7),
    read_at: float = 0.55,
) -> Axes | NDArray[np.object_]:
    """Draw the chance of winning the match against the share of rallies won.

    The share is the same serving and receiving, and either player serves first with even
    chance. Beside each curve's name stands its height at one share.

    Parameters
    ----------
    ax
        Axes for a single length of match; a new figure if None.
    systems
        Name -> `Game`, one to four; point-a-rally to 11 and to 15 and hand-in-hand-out to 9
        if None.
    best_of
        Length of match, or several lengths, a panel each.
    share
        Ends of the horizontal axis, shares of rallies from 0 to 1.
    read_at
        Share at which the heights are told.

    Returns
    -------
    Axes or ndarray of Axes
        One panel for one length of match, else an array.

    Raises
    ------
    DataError
        If there are no or too many systems, one is no `Game`, `best_of` is even, a share is
        outside 0 to 1 or out of order, or `ax` is given for more than one panel.

    See Also
    --------
    scoring.Match

    Examples
    --------
    >>> ax = sw.plot_match_win_probability(best_of=5)
    """
    games = SYSTEMS if systems is None else systems
    _check_systems(games)
    low, high = share
    if not 0.0 <= low < read_at < high <= 1.0:
        raise DataError(
            f"share={share} and read_at={read_at}: give shares between 0 and 1 in rising order, "
            "with read_at between them, such as share=(0.3, 0.7) and read_at=0.55."
        )
    lengths = [int(n) for n in np.atleast_1d(best_of)]
    if not lengths:
        raise DataError("best_of names no length of match: give 5, 3 or (5, 3).")
    if len(lengths) == 1:
        axes = np.array([new_axes(ax, size=(5.6, 4.1))], dtype=object)
    elif ax is not None:
        raise DataError("ax holds one panel: give a single best_of, such as 5, to draw into it.")
    else:
        axes = panels(len(lengths), 1, (5.6, 3.5 * len(lengths)))[:, 0]
    for panel, length in zip(axes, lengths, strict=True):
        _panel(panel, games, length, share, read_at)
    axes[-1].set_xlabel("rallies won, serving and receiving alike (%)", color=INK)
    return axes if len(lengths) > 1 else axes[0]


def _check_systems(systems: Mapping[str, Game]) -> None:
    if not 1 <= len(systems) <= len(_LINES):
        raise DataError(
            f"systems names {len(systems)} systems: give 1 to {len(_LINES)}, or their curves "
            "cannot be told apart."
        )
    for name, game in systems.items():
        if not isinstance(game, Game):
            raise DataError(
                f"systems[{name!r}] is {game!r}: give PointARally(...) or HandInHandOut(...)."
            )


def _panel(
    ax: Axes, games: Mapping[str, Game], best_of: int, share: tuple[float, float], read_at: float
) -> None:
    at = np.linspace(*share, _POINTS)
    curves, heights = {}, {}
    for name, game in games.items():
        match = Match(game, best_of)
        curves[name] = 100 * np.asarray(match.match_win_probability(at, at, serving=None))
        heights[name] = 100 * float(match.match_win_probability(read_at, read_at, serving=None))
    dress(ax)
    ax.set_xlim(100 * share[0], 100 * share[1])
    ax.set_ylim(0, 100)
    ax.set_yticks(range(0, 101, 25))
    ax.axhline(50, color=MUTED, lw=1.0, zorder=1.5, label="_half of the matches")
    ax.axvline(50, color=MUTED, lw=1.0, zorder=1.5, label="_half of the rallies")
    for line, (name, curve) in zip(_LINES, curves.items(), strict=False):
        ax.plot(100 * at, curve, label=name, zorder=3, **line)
    _names(ax, 100 * at, curves, heights)
    ax.set_ylabel("matches won (%)", color=INK)
    head = _WORDS.get(best_of, f"Best of {best_of}")
    title(ax, f"{head}\nin brackets: matches won with {100 * read_at:g} rallies in 100")


def _names(
    ax: Axes,
    at: NDArray[np.float64],
    curves: dict[str, NDArray[np.float64]],
    heights: dict[str, float],
) -> None:
    """Name the curves: the flattest on its open side, the right, the steeper ones on the left."""
    # steeper curves lie further from half on both sides of it
    flattest, *others = sorted(curves, key=lambda name: float(np.abs(curves[name] - 50).sum()))
    places = {flattest: _RIGHT} | dict(zip(reversed(others), _LEFT, strict=False))
    for name, wanted in places.items():
        y = float(np.clip(wanted, curves[name].min(), curves[name].max()))
        right = name == flattest
        x = float(np.interp(y, curves[name], at))
        words = f"{plain(name)} ({heights[name]:.0f}%)"
        # the box clears the line at half of the rallies, which runs behind the names
        box = {"facecolor": PAPER, "edgecolor": "none", "pad": 1.0}
        words_at(
            ax, words, (x, y), (22 if right else -22, 0), xycoords="data", color=INK, fontsize=11,
            ha="left" if right else "right", va="center", zorder=4, bbox=box,
            arrowprops={"arrowstyle": "-", "color": INK, "lw": 0.8, "shrinkA": 2, "shrinkB": 0},
        )  # fmt: skip
        ax.plot([x], [y], "o", ms=4.5, color=INK, zorder=5, label=f"_anchor {name}")
