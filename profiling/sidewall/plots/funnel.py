"""The funnel of a combination: how far tries get, where they stop, what is won."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import pandas as pd
from matplotlib.axes import Axes

from sidewall.arguments import Table, as_frame, check_kind, check_level
from sidewall.combinations.tries import break_words, breaks_at, rivals_of
from sidewall.numbers import count, share
from sidewall.plots.frame import frame, lines, width_in
from sidewall.plots.style import INK, MUTED, PAPER, QUIET, RESET, THRESHOLD, dress, legend, new_axes
from sidewall.plots.words import capital, drawable, plain

if TYPE_CHECKING:
    from sidewall.combinations.combination import Combination
    from sidewall.court.court import Court
    from sidewall.court.zones import Zones
    from sidewall.rallies.states import LooseBall

#: What came of the tries that were a stage before: colour and hatching, told apart in grey.
_PARTS: Final[dict[str, dict[str, Any]]] = {
    "went on": {"facecolor": RESET, "edgecolor": RESET},
    "another shot": {"facecolor": PAPER, "edgecolor": MUTED},
    "rally over": {"facecolor": "#C3C6C9", "edgecolor": MUTED},
    "not charted": {"facecolor": PAPER, "edgecolor": MUTED, "hatch": "////"},
    "rally lost": {"facecolor": PAPER, "edgecolor": MUTED, "hatch": "...."},
}
#: Heights, in lines of text.
_BAR: Final = 0.95
_BETWEEN: Final = 0.75
_LINE_IN: Final = 0.2
_WIDTH_IN: Final = 6.2
_MARK: Final = {True: "  ◀ breaks here", False: "  ◀ weakest, not for certain"}


def plot_funnel(
    combination: Combination,
    shots: Table,
    player: str | None = None,
    *,
    court: Court | Zones | None = None,
    loose: LooseBall | None = None,
    level: float = 0.95,
    ax: Axes | None = None,
) -> Axes:
    """Draw how many tries of a combination reach each step, are finished, and are won.

    A bar a step: of the tries that were a step before, the share that went on (dark, with
    its interval), and what came of the others. The step at which the combination breaks is
    marked, and said in the title.

    Parameters
    ----------
    combination
        The combination.
    shots
        Whole rallies.
    player
        Only this player's tries; everybody's if None.
    court, loose
        For conditions on zones, and on tight and loose balls; see `Combination.find`.
    level
        Confidence level of the intervals.
    ax
        Axes to draw into; a new figure if None.

    Returns
    -------
    Axes

    Raises
    ------
    DataError
        If the log does not know the player or lacks what a step asks.

    See Also
    --------
    Combination
    plot_effects

    Examples
    --------
    >>> two = sw.Combination.built_in("length then volley")
    >>> ax = sw.plot_funnel(two, shots, "Rowan")
    """
    shots = as_frame(shots)
    check_level(level)
    check_kind(combination, "Combination", "combination", "one, sw.Combination(name, steps)")
    table = combination.funnel(shots, player=player, court=court, loose=loose, level=level)
    own = ax is None
    ax = draw_funnel(table, ax)
    who = "All players" if player is None else plain(player)
    if own:
        frame(
            ax,
            f"{who}: {plain(combination.name, 90)}",
            f"{break_words(table)} Each bar: the tries that were a step before. A try starts "
            f"with every shot that meets the first step. Brackets and lines: {level:.0%} "
            "intervals.",
        )
    return ax


def draw_funnel(table: pd.DataFrame, ax: Axes | None = None) -> Axes:
    """Draw a table of `Combination.funnel`, without a heading."""
    stages = _stages(table)
    where = breaks_at(stages)
    mark = None if where is None else _MARK[not rivals_of(stages, where)]
    width = _WIDTH_IN - 0.4 if ax is None else width_in(ax)
    texts = [
        lines(_step_words(k, row, mark if k == where else None), width, 10.5)
        for k, row in enumerate(stages)
    ]
    small = [lines(_small_words(k, row), width, 12.0) for k, row in enumerate(stages)]
    height = sum(len(a) + len(b) + _BAR + _BETWEEN for a, b in zip(texts, small, strict=True))
    ax = new_axes(ax, size=(_WIDTH_IN, _LINE_IN * height + 1.9))
    y = 0.0
    for k, row in enumerate(stages):
        y = _row(ax, y, row, texts[k], small[k], marked=k == where)
    _scales(ax, y)
    _key(ax, stages)
    return ax


def _stages(table: pd.DataFrame) -> list[dict[Any, Any]]:
    """Rows of a funnel, each with the tries that were a stage before by what came of them.

    The counts of these ``parts`` add up to ``of``.
    """
    stages = table.to_dict("records")
    reasons = ("another_shot", "rally_over", "not_charted")
    for k, row in enumerate(stages):
        row["parts"] = {"went on": float(row["n_tries"])}
        if row["stage"] == "rally won":
            row["parts"]["rally lost"] = float(row["of"] - row["n_tries"])
        elif k:
            row["parts"] |= {why.replace("_", " "): float(stages[k - 1][why]) for why in reasons}
    return stages


def _step_words(k: int, row: dict[Any, Any], mark: str | None) -> str:
    words = capital(plain(str(row["words"]), 160)) + (mark or "")
    return words if row["stage"] == "rally won" else f"{k + 1}. {words}"


def _small_words(k: int, row: dict[Any, Any]) -> str:
    of, n = int(row["of"]), int(row["n_tries"])
    if k == 0:
        won = _percent(row["win_rate"], row["win_rate_low"], row["win_rate_high"])
        tries = f"{count(of, 'try', 'tries')} in {count(int(row['n_rallies']), 'rally', 'rallies')}"
        return f"{tries}; rallies won from here: {won}"
    if not of:
        return "no try came this far"
    went_on = _percent(row["share"], row["share_low"], row["share_high"])
    if row["stage"] == "rally won":
        return f"{n:,} of {of:,} finished tries, lets left out: {went_on}"
    rallies = count(int(row["n_rallies"]), "rally", "rallies")
    return f"{n:,} of {of:,} went on: {went_on}, in {rallies}"


def _percent(at: float, low: float, high: float) -> str:
    return share(at, low, high).replace(" (", "% (")


def _row(
    ax: Axes, top: float, row: dict[Any, Any], words: list[str], small: list[str], *, marked: bool
) -> float:
    """Draw one stage below ``top``; the place of the next is returned."""
    place: dict[str, Any] = {"transform": ax.get_yaxis_transform(), "va": "center", "ha": "left"}
    colour, weight = (THRESHOLD, "bold") if marked else (INK, "normal")
    look = place | {"fontsize": 10.5, "color": colour, "fontweight": weight}
    for line in words:
        text, style = drawable(line, weight)
        ax.text(0.0, top - 0.5, text, **look, **style)
        top -= 1.0
    _bar(ax, top - 0.1 - _BAR / 2, row)
    top -= _BAR + 0.24
    for text in small:
        ax.text(0.0, top - 0.5, text, fontsize=9.5, color=QUIET, **place)
        top -= 0.95
    return top - _BETWEEN


def _bar(ax: Axes, y: float, row: dict[Any, Any]) -> None:
    of = float(row["of"])
    if not of:
        ax.barh([y], [100.0], height=_BAR, facecolor="none", edgecolor=MUTED, ls=":", lw=1.0)
        return
    left = 0.0
    for name, number in row["parts"].items():
        wide = 100.0 * number / of
        if wide > 0:
            ax.barh(
                [y], [wide], left=left, height=_BAR, lw=0.8, label=f"_{name} {row['stage']}",
                **_PARTS[name],
            )  # fmt: skip
        left += wide
    if row["stage"] == "tried":
        return
    ends = [100.0 * float(row["share_low"]), 100.0 * float(row["share_high"])]
    # paper under ink: the line shows on the dark bar and beside it
    for colour, width, tall in ((PAPER, 4.5, 9), (INK, 1.8, 8)):
        ax.plot(
            ends, [y, y], color=colour, lw=width, marker="|", ms=tall, mew=width,
            label=f"_interval {row['stage']}", zorder=5,
        )  # fmt: skip


def _scales(ax: Axes, bottom: float) -> None:
    ax.set_xlim(0.0, 100.0)
    ax.set_ylim(bottom + 0.3, 0.2)
    ax.set_yticks([])
    dress(ax, grid="none")
    ax.spines["left"].set_visible(False)
    ax.set_xlabel("tries in 100 that were a step before")


def _key(ax: Axes, stages: list[dict[Any, Any]]) -> None:
    from matplotlib.patches import Patch  # noqa: PLC0415 - only for the key

    used = {name for row in stages if row["of"] for name, n in row["parts"].items() if n > 0}
    names = {"went on": "went on (last bar: rally won)"}
    handles = [
        Patch(label=names.get(name, name), lw=0.8, **style)
        for name, style in _PARTS.items()
        if name in used
    ]
    legend(
        ax, handles=handles, loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=3,
        borderaxespad=0.2, handlelength=1.4, columnspacing=1.2, borderpad=0.1,
    )  # fmt: skip
