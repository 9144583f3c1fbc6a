"""The rally chain as a graph on the court: which ball comes next, and what each is worth.

Beside it the table of balls: chance, shots left, and n.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, Final, Literal, TypedDict, Unpack, overload

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.colors import Normalize
from numpy.typing import NDArray

from sidewall.arguments import check_count, check_level
from sidewall.errors import DataError
from sidewall.plots.chain_graph import (
    Arrow,
    circles_at,
    draw_arrows,
    draw_circles,
    draw_court,
    draw_ring,
)
from sidewall.plots.frame import frame, given, panels
from sidewall.plots.state_places import Ball, ChainTables, court_places, group_words, runs
from sidewall.plots.style import FAINT, INK, PAPER, QUIET, title, value_map
from sidewall.plots.words import columns, drawable, plain, short
from sidewall.rallies.intervals import row_limits, shown_values

if TYPE_CHECKING:
    from sidewall.rallies.chain import RallyChain


#: Left edge of the swatch and the name, right edges of the columns, as shares of the width.
_SWATCH, _NAME = 0.025, 0.07
_COLUMNS: Final = (0.515, 0.845, 1.0)
_LINE_INCHES: Final = 0.26
#: Letters of a name that fit beside the numbers at full size.
_FIT: Final = 13
_HEADS: Final = ("rallies won\nin 100", "shots left", "n")


def table_lines(balls: list[Ball]) -> int:
    """Lines that the table takes: a row for every ball, a heading for every group."""
    return 2 + len(balls) + sum(bool(group[0]) for group, _, _ in runs(balls))


def draw_ball_table(
    ax: Axes,
    balls: list[Ball],
    values: pd.DataFrame,
    shade: Callable[[float], Any],
    *,
    has_contact: bool,
) -> None:
    """Write a row for every ball: swatch, name, worth and length with intervals, n."""
    tall = ax.get_window_extent().height / ax.figure.dpi
    ax.set_xlim(0, 1)
    # few rows are not spread over the whole height
    ax.set_ylim(max(table_lines(balls), tall / _LINE_INCHES), 0)
    ax.set_axis_off()
    for right, words in zip(_COLUMNS, _HEADS, strict=True):
        ax.text(right, 1.5, words, ha="right", va="bottom", fontsize=9, color=QUIET)
    ax.plot([0, 1], [1.6, 1.6], color=FAINT, lw=1.0)
    longest = max(columns(ball.band) for ball in balls)
    size = float(np.clip(9.0 * _FIT / longest, 6.5, 9.0))
    by_state = values.to_dict("index")
    y = 1.6
    for group, first, last in runs(balls):
        if group[0]:
            y += 1.0
            head = group_words(group, has_contact).capitalize()
            ax.text(0, y - 0.4, head, va="center", fontsize=9.5, fontweight="bold", color=INK)
        for ball in balls[first:last]:
            y += 1.0
            _row(ax, y - 0.4, (ball.band, size), by_state[ball.state], shade)


def _row(
    ax: Axes, y: float, name: tuple[str, float], row: dict[Any, Any], shade: Callable[[float], Any]
) -> None:
    ends = ("", "_low", "_high")
    win, low, high = (100 * row[f"win_probability{end}"] for end in ends)
    left, least, most = (row[f"expected_shots{end}"] for end in ends)
    colour = shade(row["win_probability"])
    ax.plot([_SWATCH], [y], "o", ms=9, mfc=colour, mec=INK, mew=0.8, clip_on=False, label="_swatch")
    words, size = name
    words, style = drawable(short(words, int(_FIT * 9.0 / 6.5)))
    ax.text(_NAME, y, words, va="center", fontsize=size, color=INK, **style)
    cells = (
        f"{win:.0f} ({low:.0f}–{high:.0f})",
        f"{left:.1f} ({least:.1f}–{most:.1f})",
        f"{int(row['n_shots']):,}",
    )
    for right, words in zip(_COLUMNS, cells, strict=True):
        ax.text(right, y, words, ha="right", va="center", fontsize=9, color=INK)


class _Look(TypedDict, total=False):
    """What the reader may choose; see `plot_chain`."""

    start: str | None
    strongest: int | None
    least: float | None
    table: Literal["beside", "below"]
    draws: int
    level: float


@overload
def plot_chain(chain: RallyChain, player: str | None, ax: Axes, **look: Unpack[_Look]) -> Axes: ...


@overload
def plot_chain(
    chain: RallyChain, player: str | None = ..., *, ax: Axes, **look: Unpack[_Look]
) -> Axes: ...


@overload
def plot_chain(
    chain: RallyChain, player: str | None = ..., ax: None = ..., **look: Unpack[_Look]
) -> NDArray[np.object_]: ...


@overload
def plot_chain(
    chain: RallyChain,
    player: str | None = ...,
    ax: Axes | Sequence[Axes] | None = ...,
    **look: Unpack[_Look],
) -> Axes | NDArray[np.object_]: ...


def plot_chain(
    chain: RallyChain,
    player: str | None = None,
    ax: Axes | Sequence[Axes] | None = None,
    *,
    start: str | None = None,
    strongest: int | None = None,
    least: float | None = None,
    table: Literal["beside", "below"] = "beside",
    draws: int = 400,
    level: float = 0.95,
) -> Axes | NDArray[np.object_]:
    """Draw a rally chain on the court: a circle a ball, arrows to the likeliest next ones.

    A circle is larger the more often the ball is met, darker the more rallies its striker
    wins (the number inside, in 100). The next ball is the opponent's. A table says what each
    ball is worth and how long the rally still is, with intervals and n.

    Parameters
    ----------
    chain
        A fitted chain. Few bands read best: ``BallStates(bands_m=(0.3, 0.6))``.
    player
        Whose balls and shots, against the ladder's average; between average players if None.
    ax
        One axes for the court alone, two for the court and the table; a new figure if None.
    start
        A state: only the arrows from this ball are drawn, each with its chance.
    strongest
        Arrows drawn from each ball at most; 2, or 6 where `start` is given, if None.
    least
        Arrows with a smaller chance are left out; 0.1, or 0.05 where `start` is given, if None.
    table
        In a new figure, the table stands beside the court or, for narrow screens, below it.
    draws
        Of the rally bootstrap behind the intervals.
    level
        Confidence level of the intervals.

    Returns
    -------
    Axes or ndarray of Axes, shape (2,)
        The court, or the court and the table.

    Raises
    ------
    NotFittedError
        If the chain is not fitted.
    DataError
        If the chain does not know the player or `start`, `table` is unknown, or `ax` holds
        more than two axes.

    See Also
    --------
    RallyChain
    plot_transitions
    plot_rally

    Notes
    -----
    Places are the ladder's mean gaps, backhand left as a right-hander sees it; depth tells
    volleys from other balls. States whose names do not say '<side> <family> <band>' are
    drawn on a ring.

    Examples
    --------
    >>> chain = sw.RallyChain(sw.BallStates(bands_m=(0.3, 0.6))).fit(shots)
    >>> court, table = sw.plot_chain(chain, "Rowan", draws=20)
    """
    check_count(draws, "draws", 2)
    check_level(level)
    limits = None if start is None else row_limits(chain, player, draws, level)
    tables = ChainTables.of(chain, player, limits)
    balls = tables.balls
    if start is not None and start not in [ball.state for ball in balls]:
        met = ", ".join(ball.state for ball in balls)
        raise DataError(f"no ball {start!r} was met in this chain; it knows {met}.")
    if table not in ("beside", "below"):
        raise DataError(f"table={table!r} is not known; use 'beside' or 'below'.")
    values = shown_values(chain, player, draws, level)
    if ax is None:
        pair = _new_pair(balls, table)
    else:
        pair = given(ax, "one axes (court) or two (court, table)", 1, 2)
    most = strongest if strongest is not None else (2 if start is None else 6)
    least = least if least is not None else (0.1 if start is None else 0.05)
    on_court = draw_chain(tables, values, pair, most=most, least=least, start=start)
    words = "Where each ball leads and what it is worth"
    if start is not None:
        words = f"Where “{short(plain(start), 24)}” leads and what each ball is worth"
    if player is not None:
        words = f"{short(plain(player), 20)}: {words[0].lower()}{words[1:]}"
    if ax is not None:
        title(pair[0], words)
        return pair if len(pair) > 1 else pair[0]
    frame(pair[0], words, _foot_words(tables, (most, least), level, start, on_court))
    return pair


def draw_chain(
    tables: ChainTables,
    values: pd.DataFrame,
    pair: NDArray[np.object_],
    *,
    most: int,
    least: float,
    start: str | None = None,
) -> bool:
    """Draw circles, arrows and the table; whether the balls have places on the court is returned.

    `values` say what each ball is worth, by state; the pair is the court, alone or with the table
    beside it; `most` is `plot_chain`'s ``strongest``.
    """
    balls, has_contact = tables.balls, tables.has_contact
    states = [ball.state for ball in balls]
    norm = _norm(values.loc[states, "win_probability"].to_numpy())

    def shade(value: float) -> Any:
        return PAPER if np.isnan(value) else value_map()(float(norm(value)))

    arrows = _arrows(tables, [start] if start else states, most, least, told=start is not None)
    places = court_places(balls, tables.gap_m)
    on_court = places is not None
    if places is None:
        places = draw_ring(pair[0], balls)
    else:
        draw_court(pair[0], balls, places, has_contact)
    size = dict(zip(map(str, tables.n.index), tables.n.astype(float), strict=True))
    circles = circles_at(balls, places, size, arrows, on_court)
    draw_arrows(pair[0], arrows, circles, on_court)
    draw_circles(pair[0], circles, values["win_probability"].to_dict(), shade, start)
    if len(pair) > 1:
        draw_ball_table(pair[1], balls, values, shade, has_contact=has_contact)
    return on_court


def _new_pair(balls: list[Ball], table: str) -> NDArray[np.object_]:
    lines = table_lines(balls)
    if table == "beside":
        size = 8.8, max(7.0, 1.6 + 0.235 * lines)
        return panels(1, 2, size, width_ratios=[4.9, 3.9]).ravel()
    below = 0.27 * lines
    return panels(2, 1, (5.2, 8.2 + below), height_ratios=[6.0, below]).ravel()


def _norm(values: NDArray[np.float64]) -> Normalize:
    known = values[np.isfinite(values)]
    if not known.size:
        return Normalize(0.0, 1.0)
    low = float(np.floor(known.min() * 10) / 10)
    return Normalize(low, max(float(np.ceil(known.max() * 10) / 10), low + 0.2))


def _arrows(
    tables: ChainTables, starts: list[str], most: int, least: float, *, told: bool
) -> list[Arrow]:
    """Choose the likeliest arrows of each ball; lets say nothing and are left out."""
    found = []
    for state in starts:
        row = pd.concat([t.loc[state] for t in (tables.rows, tables.low, tables.high)], axis=1)
        row = row.drop(index="let").set_axis(["at", "low", "high"], axis=1)
        likeliest = row.sort_values("at", ascending=False, kind="stable").head(most)
        for end, *chances in likeliest[likeliest["at"] >= least].itertuples():
            at, low, high = (100 * chance for chance in chances)
            words = f"{at:.0f}% ({low:.0f}–{high:.0f})" if told else ""
            found.append(Arrow(state, str(end), chances[0], words))
    return found


def _foot_words(
    tables: ChainTables, drawn: tuple[int, float], level: float, start: str | None, on_court: bool
) -> str:
    player = tables.player
    against = "between average players" if player is None else "against the ladder's average"
    which = "Arrows from the circle with the heavy rim" if start else "Arrows"
    parts = [
        f"{which}: the ball the opponent gets next, or the rally won at once; wider is likelier, "
        f"at most {drawn[0]} from a ball, none below {100 * drawn[1]:.0f}%.",
        f"In a circle: rallies in 100 won by the player about to strike, {against}, lets left "
        "out; the larger, the more often met.",
    ]
    if on_court:
        parts.append(
            "Gaps are to scale; depth only tells volleys from other balls; backhand left, as a "
            "right-hander sees it."
        )
    unmet = int((tables.met == 0).sum())
    if unmet and tables.has_contact:
        parts.append(f"Kinds of ball never met: {unmet}.")
    shots = f"n = {int(tables.n.sum()):,} shots"
    if player is None:
        shots += f" in {tables.rallies:,} rallies."
    else:
        shots += " of the player's own; what they leave open is taken from the ladder."
    return " ".join([*parts, f"In brackets: {level:.0%} intervals.", shots])
