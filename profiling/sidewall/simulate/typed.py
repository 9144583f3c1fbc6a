"""One match as people type it: mixed case, other words, gaps in boards, and some mistakes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import pandas as pd

from sidewall.court.units import to_display
from sidewall.log.vocabulary import ENDING_WINNER

_HEADINGS: Final = (
    *("Match", "Game", "Rally", "Shot", "Player", "Side", "Stroke", "Contact"),
    *("Gap (boards)", "board_width_cm", "Rally won by", "Ending", "Time"),
)
_SAID: Final = {
    "forehand": ("FH", "fh", "Forehand", "forehand "),
    "backhand": ("BH", "bh", "Backhand", "backhand"),
    "serve": ("serve", "Serve", "Service"),
    "drive": ("drive", "Drive", "length"),
    "drop": ("drop", "Drop", "drop shot"),
    "lob": ("lob", "Lob"),
    "boast": ("boast", "Boast", "two-wall boast"),
    "back_wall_boast": ("back wall boast",),
    "kill": ("kill", "Kill"),
    "straight": ("straight", "Straight", "str."),
    "cross": ("cross", "Cross-court", "x-court"),
    "volley": ("volley", "Vol", "V"),
    "after_bounce": ("bounce", "after bounce", "ground"),
    "off_back_wall": ("back wall", "Off back wall"),
    "winner": ("winner", "Winner", "win"),
    "tin": ("tin", "Tin", "tinned"),
    "out": ("out", "Out"),
    "down": ("down", "not up"),
    "stroke": ("stroke", "Stroke"),
    "no_let": ("no let", "No let"),
    "let": ("let", "Let"),
}
#: A rally must be this long for a shot left out of its middle to go unnoticed by the typist.
_LONG_RALLY: Final = 6


def typed_match(shots: pd.DataFrame, board_width_m: float, rng: np.random.Generator) -> list[str]:
    """Type out one match, with mistakes.

    One rally lacks a shot in its middle; another lacks its winner and its ending; in a third
    only the winner is left out, which the ending gives. There are a blank line, trailing
    spaces and times as mm:ss.

    Parameters
    ----------
    shots : DataFrame
        Canonical shots of one match, on a court whose boards are `board_width_m` wide.
    board_width_m : float
    rng : numpy.random.Generator
        Chooses among the words for a thing.

    Returns
    -------
    list of str
        Lines of comma-separated text, the headings first.
    """
    rally = shots.groupby(["game", "rally"], sort=False).ngroup().to_numpy()
    last = shots["ending"].notna().to_numpy()
    length = np.bincount(rally)[rally]
    gives_winner = last & shots["ending"].isin(list(ENDING_WINNER)).to_numpy()
    with_hole = rally[np.flatnonzero(length >= _LONG_RALLY)[0]]
    unsaid = rally[np.flatnonzero(gives_winner & (rally > with_hole + 1))[0]]
    half_said = rally[np.flatnonzero(gives_winner & (rally > unsaid + 1))[0]]
    boards = np.round(2 * to_display(shots["gap_m"].to_numpy(), "boards", board_width_m)) / 2

    lines = [",".join(_HEADINGS)]
    cells_of = {name: shots[name].tolist() for name in shots.columns}
    for at in range(len(shots)):
        row = {name: values[at] for name, values in cells_of.items()}
        if rally[at] == with_hole and row["shot"] == 3:
            continue
        name = row["player"]
        winner = "" if rally[at] in (unsaid, half_said) else row["rally_won_by"]
        ending = "" if rally[at] == unsaid else row["ending"]
        minutes, seconds = divmod(int(row["t_s"]), 60)
        cells = (
            *(str(row[key]) for key in ("match", "game", "rally", "shot")),
            _one_of(rng, (name, name, name.lower(), f"{name} ", name.upper())),
            _say(rng, row["side"]),
            f"{_say(rng, row['direction'])} {_say(rng, row['stroke'])}".lstrip(),
            _say(rng, row["contact"]),
            "" if np.isnan(boards[at]) else f"{boards[at]:g}",
            f"{100 * board_width_m:g}",
            winner if isinstance(winner, str) else "",
            _say(rng, ending),
            f"{minutes}:{seconds:02d}",
        )
        lines.append(",".join(cells) + ("  " if rng.random() < 0.02 else ""))
        if last[at] and rally[at] == half_said:
            lines.append("")
    return lines


def _one_of(rng: np.random.Generator, words: Sequence[str]) -> str:
    return words[int(rng.integers(len(words)))]


def _say(rng: np.random.Generator, word: object) -> str:
    return _one_of(rng, _SAID[word]) if isinstance(word, str) and word else ""
