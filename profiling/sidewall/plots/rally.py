"""One rally told shot by shot: how the chance of winning it went to and fro."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from scipy.special import ndtri

from sidewall.arguments import Table, check_fitted, check_level
from sidewall.errors import DataError
from sidewall.features.coded import struck_by
from sidewall.plots.frame import frame
from sidewall.plots.style import FAINT, INK, MUTED, PAPER, QUIET, dress, new_axes, title, words_at
from sidewall.plots.words import columns, drawable, plain, records, short

if TYPE_CHECKING:
    from sidewall.rallies.chain import RallyChain

#: The two players, server first: tone, line and fill together, so that grey tells them apart.
_PLAYERS: Final[tuple[dict[str, Any], ...]] = (
    {"color": INK, "marker": "o", "markerfacecolor": INK},
    {"color": "#2F76B5", "marker": "s", "markerfacecolor": PAPER},
)
_ENDING_WORDS: Final = {
    "winner": "a winner",
    "tin": "in the tin",
    "out": "out",
    "down": "down",
    "stroke": "a stroke",
    "no_let": "no let",
}
#: Inches of a row, of what stands above and below the rows, and of the dots with what follows.
_ROW, _AROUND, _DOTS = 0.27, 1.9, 3.9
#: Points that a letter takes, of a player's name and of a shot's words.
_NAME_POINTS, _WORD_POINTS = 7.3, 5.4
#: Points from the axes to the end of each column behind the dots.
_CHANCE_AT, _N_AT = 68, 106


def plot_rally(
    chain: RallyChain,
    match: str,
    game: int,
    rally: int,
    ax: Axes | None = None,
    *,
    player: str | None = None,
    shots: Table | None = None,
    level: float = 0.95,
) -> Axes:
    """Tell a rally shot by shot, from the serve at the top to its end at the bottom.

    Each row is a ball as its striker finds it and the shot played with it; the dot is one
    player's chance of winning the rally just before that shot, between these two players, with
    its interval. The last dot is the result: 100 or 0.

    Parameters
    ----------
    chain
        A fitted chain.
    match, game, rally
        Which rally, as in the log.
    ax
        Axes to draw into; new ones, as high as the rally is long, if None.
    player
        Whose chance; the server's if None.
    shots
        Another log in which the rally is; the log of the fit if None.
    level
        Confidence level of the intervals.

    Returns
    -------
    Axes
        In front of the dots the shots in words, behind them how many shots of the log were
        played from such a ball, by anybody.

    Raises
    ------
    NotFittedError
        If the chain is not fitted.
    DataError
        If there is no such rally, or the player was not in it.

    See Also
    --------
    RallyChain
    plot_chain

    Examples
    --------
    >>> chain = sw.RallyChain().fit(shots)
    >>> ax = sw.plot_rally(chain, "m01", game=1, rally=1, shots=shots)
    """
    check_level(level)
    check_fitted(chain, "RallyChain", "chain")
    table = _the_rally(chain.shot_values(shots, measure="pair"), match, game, rally)
    server, receiver = (str(table[who].iloc[0]) for who in ("player", "opponent"))
    player = server if player is None else player
    if player not in (server, receiver):
        raise DataError(f"{player!r} was not in this rally: {server} served to {receiver}.")
    own = struck_by(table, player)
    chance = table["value_before"].to_numpy(dtype=float)
    chance = 100 * np.where(own, chance, 1.0 - chance)
    error = 100 * float(ndtri(0.5 + level / 2.0)) * chain.ball_value_.errors(table)
    told = pd.DataFrame(
        {
            "name": table["player"].astype(str).map(plain),
            "words": [_shot_words(row) for row in records(table)],
            "serves": (table["player"] == server).to_numpy(),
            "chance": chance,
            "chance_low": np.clip(chance - error, 0.0, 100.0),
            "chance_high": np.clip(chance + error, 0.0, 100.0),
            # a ball whose gap is not charted has a value, and no state to count
            "n_shots": table["state"].astype(object).map(chain.visits_.to_dict()),
        }
    )
    last = table.iloc[-1]
    won = None if pd.isna(last["rally_won_by"]) else str(last["rally_won_by"])
    end = np.nan if won is None else 100.0 * (won == player)
    given = ax is not None
    ax = draw_rally(told, end, _end_words(str(last["ending"]), won), ax)
    words, style = drawable(f"chance of {short(plain(player), 16)} to win the rally (%)")
    ax.set_xlabel(words, color=INK, **style)
    names = f"{plain(player)} against {plain(receiver if player == server else server)}:"
    which = f"match {plain(match)}, game {game}, rally {rally}"
    if given:
        title(ax, f"{names}\n{which}")
    else:
        frame(ax, f"{names} {which}")
    words = (
        f"Bars and brackets: {level:.0%} intervals. cm: gap of the ball to the side wall.\n"
        f"n: balls of that kind struck by anybody, of {chain.visits_.sum():,} shots in "
        f"{len(np.unique(chain.moves().rally)):,} rallies."
    )
    words_at(ax, words, (0, 0), (-_margin(told)[1], -40), va="top", fontsize=8.5, color=QUIET)
    return ax


def draw_rally(told: pd.DataFrame, end: float, says: str, ax: Axes | None = None) -> Axes:
    """Draw a rally from a table, a row a shot, without a heading.

    It has ``name``, ``words``, whether the player ``serves`` in this rally, ``chance`` with
    ``chance_low`` and ``chance_high`` in per cent, and ``n_shots``, missing where it is not known.
    `end` is the last dot, 100 or 0, NaN for a let; `says` stands beside it. New axes are as high as
    the rally is long.
    """
    name_wide, left = _margin(told)
    rows = len(told)
    if ax is None:  # axes of a small figure would shrink to nothing beside so many words
        ax = new_axes(size=(_DOTS + left / 72, _AROUND + _ROW * (rows + 1)))
    dress(ax, grid="none")
    ax.set_xlim(-2, 102)
    ax.set_ylim(rows + 0.6, -0.6)
    ax.axvline(50, color=MUTED, lw=1.0, zorder=1, label="_even")
    ax.set_xticks([0, 25, 50, 75, 100], ["0", "25", "50", "75", "100"])
    ax.set_yticks([])
    ax.spines["left"].set_visible(False)
    for at, words in ((_CHANCE_AT, "chance"), (_N_AT, "n")):
        _beside(ax, -1, words, at, fontsize=8.5, color=QUIET)
    path = [*told["chance"], end]
    for k, row in enumerate(records(told)):
        look = _PLAYERS[0 if row["serves"] else 1]
        colour = look["color"]
        ax.axhline(k, color=FAINT, lw=0.6, zorder=0)
        # to the next ball, in the look of the player who struck this one
        ax.plot(
            path[k : k + 2], [k, k + 1], color=colour, lw=2.2,
            ls="-" if row["serves"] else (0, (2.2, 1.1)), zorder=3, label=f"_shot {k + 1}",
        )  # fmt: skip
        ends = [row["chance_low"], row["chance_high"]]
        ax.plot(ends, [k, k], color=colour, lw=5, alpha=0.35, zorder=2,
                solid_capstyle="butt", label="_interval")  # fmt: skip
        ax.plot([path[k]], [k], ms=7, mew=1.6, zorder=4, ls="", label=f"_before {k + 1}", **look)
        _beside(ax, k, f"{k + 1}", -left, fontsize=9, color=QUIET)
        _beside(ax, k, row["name"], 20 - left, fontsize=10, color=colour, fontweight="bold")
        _beside(ax, k, row["words"], 20 + name_wide - left, fontsize=9.5, color=INK)
        chance = f"{path[k]:.0f} ({row['chance_low']:.0f}–{row['chance_high']:.0f})"
        _beside(ax, k, chance, _CHANCE_AT, fontsize=9, color=INK)
        n = "–" if pd.isna(row["n_shots"]) else f"{int(row['n_shots']):,}"
        _beside(ax, k, n, _N_AT, fontsize=9, color=INK)
    if np.isfinite(end):
        ax.plot([end], [rows], marker="D", ms=9, color=INK, zorder=6, clip_on=False, label="_end")
    _beside(ax, rows, says, 20 - left, fontsize=10, color=INK, fontweight="bold")
    return ax


def _margin(told: pd.DataFrame) -> tuple[float, float]:
    """Points that the names take, and all that stands in front of the dots."""
    names = 10 + _NAME_POINTS * told["name"].map(columns).max()
    return names, 28 + names + _WORD_POINTS * told["words"].map(columns).max()


def _the_rally(table: pd.DataFrame, match: str, game: int, rally: int) -> pd.DataFrame:
    in_match = table["match"].astype(str) == match
    if not in_match.any():
        known = ", ".join(map(str, table["match"].unique()[:8]))
        raise DataError(f"no match {match!r} in the log; its first are {known}.")
    in_game = in_match & (table["game"] == game)
    if not in_game.any():
        games = sorted(map(int, table.loc[in_match, "game"].unique()))
        raise DataError(f"match {match} has no game {game}; it has {', '.join(map(str, games))}.")
    found = table[in_game & (table["rally"] == rally)]
    if found.empty:
        last = int(table.loc[in_game, "rally"].max())
        raise DataError(
            f"game {game} of match {match} has no rally {rally}; its rallies run to {last}, less "
            "those that were refused."
        )
    return found


def _beside(ax: Axes, row: int, words: str, at: float, **look: Any) -> None:
    """Write into the margin of a row, so many points from the axes' nearer edge."""
    look |= {"xycoords": ("axes fraction", "data"), "ha": "left" if at < 0 else "right"}
    words_at(ax, words, (0 if at < 0 else 1, row), (at, 0), va="center", **look)


def _shot_words(row: dict[str, Any]) -> str:
    """Put a shot into words, and the ball it was played with."""
    if row["stroke"] == "serve":
        return "serve"
    volley = "volley " if row.get("contact") == "volley" else ""
    direction = f"{row['direction']} " if isinstance(row.get("direction"), str) else ""
    gap = "" if np.isnan(row["gap_m"]) else f", {100 * row['gap_m']:.0f} cm"
    return f"{row['side']} {volley}{direction}{str(row['stroke']).replace('_', ' ')}{gap}"


def _end_words(ending: str, winner: str | None) -> str:
    if winner is None:
        return "let: played again"
    return f"{plain(winner)} wins: {_ENDING_WORDS.get(ending, ending)}"
