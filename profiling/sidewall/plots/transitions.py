"""Heat map of the rally chain: from each ball to the opponent's next one, or the end."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from sidewall.arguments import check_count, check_level
from sidewall.plots.heat import heat
from sidewall.plots.state_places import Ball, ChainTables, group_words, runs
from sidewall.plots.style import INK, PAPER, QUIET, new_axes, note_below, words_at
from sidewall.plots.words import columns, drawable, plain, short
from sidewall.rallies.intervals import row_limits
from sidewall.rallies.transitions import ENDS

if TYPE_CHECKING:
    from sidewall.rallies.chain import RallyChain

_END_WORDS: Final = {"win": "won", "lose": "lost", "let": "let"}
#: Ends with a smaller chance hold no number.
_LEAST_END: Final = 0.005
#: Letters of a name of one's own.
_LONGEST: Final = 24
#: Height of a group's name above the columns.
_GROUP_POINTS: Final = 46
#: Inches that names and numbers take beside the cells, and above and below them.
_BESIDE_IN, _ABOVE_IN = 2.7, 2.3
#: Cells narrower than this, in inches, hold no number.
_LEAST_CELL: Final = 0.19


def plot_transitions(
    chain: RallyChain,
    player: str | None = None,
    ax: Axes | None = None,
    *,
    annotate_from: float = 0.05,
    draws: int = 400,
    level: float = 0.95,
) -> Axes:
    """Draw where every ball leads as a heat map: a row a ball, a column a next ball or end.

    Parameters
    ----------
    chain
        A fitted chain.
    player
        Whose shots, drawn toward what the ladder leads one to expect; the ladder's if None.
    ax
        Axes to draw into; new ones if None.
    annotate_from
        Next balls with a smaller chance hold no number; neither do cells too small to read.
    draws
        Of the rally bootstrap behind the intervals.
    level
        Confidence level of the intervals.

    Returns
    -------
    Axes
        Beside each row stand its number of shots and the half-width of its widest interval.

    Raises
    ------
    NotFittedError
        If the chain is not fitted.
    DataError
        If the chain does not know the player.

    See Also
    --------
    RallyChain
    plot_chain

    Examples
    --------
    >>> chain = sw.RallyChain(sw.BallStates(bands_m=(0.4,))).fit(shots)
    >>> ax = sw.plot_transitions(chain, draws=20)
    """
    check_count(draws, "draws", 2)
    check_level(level)
    tables = ChainTables.of(chain, player, row_limits(chain, player, draws, level))
    # a state that nobody's ball led to, such as the serve, has no column
    led = chain.transition_[list(chain.states_)].sum()
    states = [str(state) for state in led.index[led > 0]]
    ax = draw_transitions(tables, states, annotate_from=annotate_from, ax=ax)
    rallies = f" in {tables.rallies:,} rallies"
    words = (
        "In 100 balls of a row: the opponent's next ball, or the end.\n"
        f"n = {tables.n.sum():,} shots{rallies if player is None else f' of {plain(player)}'}; "
        f"±: half of the row's widest {level:.0%} interval"
    )
    note_below(ax, words, 6, 8.5)
    return ax


def draw_transitions(
    tables: ChainTables,
    states: Sequence[str],
    *,
    annotate_from: float = 0.05,
    ax: Axes | None = None,
) -> Axes:
    """Draw where every ball leads from tables; `states` are those with a column."""
    balls = tables.balls
    nexts = [ball for ball in balls if ball.state in set(states)]
    at = [ball.state for ball in balls]
    to = [*(ball.state for ball in nexts), *ENDS]
    share = tables.rows.loc[at, to].to_numpy()
    wide = np.nan_to_num((tables.high - tables.low).loc[at, to].to_numpy()).max(axis=1) / 2
    if nexts:  # an empty column between them and the ends
        share = np.insert(share, len(nexts), np.nan, axis=1)

    down, across = share.shape
    cell = float(np.clip(6.0 / across, 0.235, 0.5))
    # names of one's own may be longer than bands
    more = max(0.0, 0.075 * (min(max(columns(b.band) for b in balls), _LONGEST) - 13))
    ax = new_axes(ax, size=(_BESIDE_IN + more + across * cell, _ABOVE_IN + more + down * cell))
    ax.set_xlim(0, across)
    ax.set_ylim(down, 0)
    ax.set_aspect("equal")
    inches = _cell_size(ax, across, down)
    words = _numbers(share, annotate_from if inches >= _LEAST_CELL else np.inf)
    size = float(np.clip(inches * 72 * 0.45, 6.5, 10.0))
    heat(ax, share, words, size=size, fraction=0.025, aspect=35, shrink=0.7)
    above = _names(ax, balls, nexts, tables.has_contact, min(9.0, max(40.0 * inches, 5.0)))
    _row_sizes(ax, across, tables.n[at].to_numpy(), wide)
    who = "" if tables.player is None else f"{plain(tables.player)}: "
    said, style = drawable(f"{who}where each ball leads" if who else "Where each ball leads")
    ax.set_title(said, loc="left", fontsize=12, color=INK, pad=above, **style)
    return ax


def _cell_size(ax: Axes, across: int, down: int) -> float:
    """Side of a cell in inches, once names and numbers beside the axes have taken their share."""
    box, dpi = ax.get_window_extent(), ax.figure.dpi
    # before the layout is made, axes have about three quarters of their place in a figure
    wide, high = (1.3 * side / dpi for side in (box.width, box.height))
    return max(min((wide - _BESIDE_IN) / across, (high - _ABOVE_IN) / down), 0.0)


def _numbers(share: NDArray[np.float64], least: float) -> NDArray[np.object_]:
    """Balls in 100, where there are enough of them to be named."""
    enough = np.full(share.shape[1], least)
    enough[-len(ENDS) :] = _LEAST_END if np.isfinite(least) else least
    shown = np.nan_to_num(share) >= enough
    return np.where(shown, np.char.mod("%.0f", 100 * share), "").astype(object)


def _names(ax: Axes, balls: list[Ball], nexts: list[Ball], has_contact: bool, size: float) -> float:
    """Bands beside the rows and above the columns, and their groups further out.

    Returns the height above the axes that the names take, in points.
    """
    ax.xaxis.tick_top()
    rows = [short(ball.band, _LONGEST) for ball in balls]
    words = [short(ball.band, _LONGEST) for ball in nexts] + [_END_WORDS[end] for end in ENDS]
    middles = [k + 0.5 + (k >= len(nexts) > 0) for k in range(len(words))]
    ax.set_xticks(middles, [drawable(name)[0] for name in words], rotation=90)
    ax.set_yticks([k + 0.5 for k in range(len(balls))], [drawable(name)[0] for name in rows])
    ax.tick_params(length=0, pad=2, labelsize=8.5, labelcolor=INK)
    for axis, named in ((ax.xaxis, words), (ax.yaxis, rows)):
        for tick, name in zip(axis.get_major_ticks(), named, strict=True):
            for label in (tick.label1, tick.label2):
                label.set(**drawable(name)[1])
    bands = max((columns(ball.band) for ball in balls if ball.side), default=0)
    out = 12 + 5.4 * bands
    look: Any = {"xycoords": "data", "fontweight": "bold", "color": INK, "linespacing": 1.1}
    for group, first, last in runs(balls):
        if group[0]:
            head, y = _broken(group, has_contact, last - first), (first + last) / 2
            words_at(ax, head, (0, y), (-out, 0), ha="right", va="center", fontsize=9, **look)
            ax.axhline(first, color=PAPER, lw=3)
    for group, first, last in runs(nexts):
        if group[0]:
            head, x = _broken(group, has_contact, last - first), (first + last) / 2
            words_at(ax, head, (x, 0), (0, out), ha="center", va="bottom", fontsize=size, **look)
            ax.axvline(first, color=PAPER, lw=3)
    if not bands:
        return 6 + 5.4 * max(map(columns, words))
    return out + _GROUP_POINTS


def _broken(group: tuple[str, str], has_contact: bool, cells: int) -> str:
    """Put a group's name on short lines; 'after the bounce' is one line where there is room."""
    words = group_words(group, has_contact).replace(" ", "\n", 1)
    return words if cells > 4 else words.replace("the ", "the\n")


def _row_sizes(ax: Axes, across: float, n: NDArray[np.int64], wide: NDArray[np.float64]) -> None:
    look: Any = {"xycoords": "data", "ha": "right", "fontsize": 8.5}
    for x, words in ((34, "n"), (62, "± at\nmost")):
        words_at(ax, words, (across, 0), (x, 3), va="bottom", color=QUIET, **look)
    for i, (shots, half) in enumerate(zip(n, wide, strict=True)):
        for x, words in ((34, f"{shots:,}"), (62, f"{100 * half:.0f}")):
            words_at(ax, words, (across, i + 0.5), (x, 0), va="center", color=INK, **look)
