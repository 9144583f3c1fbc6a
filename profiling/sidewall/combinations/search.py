"""Search a log for sequences that are more than their parts, and confirm on held-out matches."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import pandas as pd

from sidewall.arguments import Array, Bools, Table, as_frame
from sidewall.combinations.many_tests import adjusted_by_question
from sidewall.combinations.sequences import (
    Candidates,
    FirstOrder,
    Letters,
    candidates,
    first_order,
    frequency,
    letters_of,
    winning,
)
from sidewall.combinations.shot_columns import ShotColumns
from sidewall.errors import DataError
from sidewall.features.coded import as_category


def half_of_matches(columns: ShotColumns, rng: np.random.Generator) -> Bools:
    """Choose half of the matches at random, about half of every player's: a mask of the rallies.

    A DataError if there are fewer than two matches.
    """
    first = columns.runs.first
    match = pd.factorize(columns.shots["match"].iloc[first])[0].astype(np.int64)
    matches, at = np.unique(match, return_index=True)
    if len(matches) < 2:
        raise DataError(
            "One match cannot be held out to confirm what is found in it: chart a second one, "
            "or say confirm=False."
        )
    pairs = np.column_stack([columns.player[first[at]], columns.opponent[first[at]]])
    lead = np.zeros(len(columns.names))  # matches chosen less matches held out, by player
    chosen = np.zeros(len(matches), dtype=bool)
    for k in rng.permutation(len(matches)):
        balance = lead[pairs[k]].sum()
        chosen[k] = balance < 0 or (balance == 0 and rng.random() < 0.5)
        lead[pairs[k]] += 1.0 if chosen[k] else -1.0
    if chosen.all() or not chosen.any():
        chosen[int(rng.integers(len(matches)))] ^= True
    return np.asarray(chosen[match], dtype=np.bool_)


LONGEST: Final = 5


def search(
    shots: Table,
    player: str | None = None,
    longest: int = LONGEST,
    by: Sequence[str] | None = None,
    least: int = 10,
    confirm: bool = True,
    level: float = 0.05,
    seed: int | np.random.Generator = 0,
) -> pd.DataFrame:
    """Look for frequent sequences of three to five shots that are more than their parts.

    A sequence ends with the player's own shot; own shots and replies take turns. It is more
    than its parts if it occurs more often than the product of the conditional shares of a
    first-order model says (``lift``), or if the rally is won more often after it than after
    other sequences of the player that end with the same two shots.

    Parameters
    ----------
    shots : DataFrame
        Whole rallies.
    player : str, optional
        Only this player's sequences; all players by default.
    longest : int, default 5
        3, 4 or 5 shots.
    by : sequence of str, optional
        Columns that tell shots apart; stroke and, where charted, direction by default.
    least : int, default 10
        A sequence is looked at if its parts predict so many occurrences, whether it
        occurred or not; for winning, so many rallies on either side.
    confirm : bool, default True
        Look in half of the matches, chosen at random, and test what is found in the others.
    level : float, default 0.05
        Of the false discovery rate over both questions, for finding and again for confirming.
    seed : int or Generator, default 0
        For the halves.

    Returns
    -------
    DataFrame
        A row a sequence looked at, the surest findings first: ``player``, ``sequence`` (in
        words), ``shots``, ``n_times``, ``n_rallies``, ``expected``, ``lift``, ``p_lift``;
        ``win_rate``, ``other_win_rate``, ``win_difference``, ``win_error`` (its standard
        error), ``p_win``; ``p_lift_adjusted`` and ``p_win_adjusted``: by Benjamini and
        Hochberg over everything looked at, each question a family of its own, and doubled
        since there are two; ``found`` (occurs more often, occurs less often, wins more,
        wins less, or several; empty if nothing). With `confirm`, all of these are of the
        first half, and ``held_out_n_times``, ``held_out_lift``, ``held_out_win_difference`` and
        ``confirmed`` (what was found again, in the same direction, adjusted over the
        findings) are of the other. Column ``letters`` holds the shots as a tuple of words.

    Raises
    ------
    DataError
        If there are fewer than two matches to hold some out, or an argument is impossible.
    """
    if longest not in range(3, LONGEST + 1):
        raise DataError(f"longest is {longest}; a sequence has 3 to {LONGEST} shots.")
    if least < 2:
        raise DataError(f"least is {least}; it must be at least 2.")
    shots = as_frame(shots)
    columns = ShotColumns(shots)
    if by is None:
        charted = "direction" in shots.columns and shots["direction"].notna().any()
        by = ("stroke", "direction") if charted else ("stroke",)
    letters = letters_of(columns, by)
    halves = [np.ones(len(columns.runs.first), dtype=bool)]
    if confirm:
        half = half_of_matches(columns, np.random.default_rng(seed))
        halves = [half, ~half]
    code = None if player is None else columns.player_code(player)
    tables = []
    for length in range(3, longest + 1):
        tables.append(_look(letters, halves, length, least, code, columns.names))
    table = pd.concat(tables, ignore_index=True)
    return _verdicts(table, level, confirm)


def _look(
    letters: Letters,
    halves: Sequence[Bools],
    length: int,
    least: int,
    player: int | None,
    names: Sequence[str],
) -> pd.DataFrame:
    """Everything about the sequences of one length, in the first half and in the other."""
    here = letters.of_rallies(halves[0])
    order = first_order(here)
    found = candidates(order, length, float(least), player)
    said = [tuple(letters.names[c] for c in row) for row in found.code]
    table = pd.DataFrame(
        {
            "player": as_category(found.player, names),
            "sequence": pd.Series([", ".join(words) for words in said], dtype=object),
            "shots": np.full(len(said), length),
            **_measures(here, found, order, least, ""),
        }
    )
    if len(halves) > 1:
        there = letters.of_rallies(halves[1])
        order = first_order(there)
        share, role = order.share, (length - 1) % 2
        chance = np.ones(len(said))
        for k in range(length - 1):
            step = share[(role + k) % 2]
            chance *= step[found.player, found.code[:, k], found.code[:, k + 1]]
        starts = order.starts[role][found.player, found.code[:, 0]]
        again = Candidates(found.player, found.code, chance, starts)
        table = table.assign(**_measures(there, again, order, least, "held_out_"))
    return table.assign(letters=pd.Series(said, dtype=object))


def _measures(
    letters: Letters, found: Candidates, order: FirstOrder, least: int, prefix: str
) -> dict[str, Array]:
    often, win = frequency(letters, found, order), winning(letters, found, least)
    with np.errstate(invalid="ignore", divide="ignore"):
        lift = often.n / often.expected
    measures = {
        "n_times": often.n,
        "n_rallies": often.rallies,
        "expected": often.expected,
        "lift": lift,
        "p_lift": often.p,
        "win_rate": win.rate,
        "other_win_rate": win.other_rate,
        "win_difference": win.rate - win.other_rate,
        "win_error": win.standard_error,
        "p_win": win.p,
    }
    return {prefix + name: value for name, value in measures.items()}


_SAYS: Final = {
    "lift": ("occurs less often", "occurs more often"),
    "win": ("wins less", "wins more"),
}


def _verdicts(table: pd.DataFrame, level: float, confirm: bool) -> pd.DataFrame:
    """Adjust over everything looked at, say what was found, and what was found again."""
    kinds = list(_SAYS)
    p = np.column_stack([table[f"p_{kind}"] for kind in kinds])
    q = adjusted_by_question(p)
    up = np.column_stack([table["lift"] > 1.0, table["win_difference"] > 0.0])
    with np.errstate(invalid="ignore"):
        hit = q <= level
    for k, kind in enumerate(kinds):
        at = list(table.columns).index(f"p_{kind}") + 1
        table.insert(at, f"p_{kind}_adjusted", q[:, k])
    table["found"] = _in_words(hit, up)
    if confirm:
        again = np.column_stack([table[f"held_out_p_{kind}"] for kind in kinds])
        again = np.where(hit, again, np.nan)
        same = up == np.column_stack(
            [table["held_out_lift"] > 1.0, table["held_out_win_difference"] > 0.0]
        )
        with np.errstate(invalid="ignore"):
            sure = (adjusted_by_question(again) <= level) & same
        table["confirmed"] = _in_words(sure, up)
        extra = ["expected", "n_rallies", "win_rate", "other_win_rate", "win_error"]
        table = table.drop(columns=[f"held_out_{name}" for name in extra])
    best = np.where(np.isnan(q), np.inf, q).min(axis=1) if len(q) else np.empty(0)
    raw = np.where(np.isnan(p), np.inf, p).min(axis=1) if len(p) else np.empty(0)
    letters = table.pop("letters")
    table["letters"] = letters
    return table.iloc[np.lexsort([raw, best])].reset_index(drop=True)


def _in_words(hit: Bools, up: Bools) -> pd.Series:
    words = [
        ", ".join(_SAYS[kind][int(row_up[k])] for k, kind in enumerate(_SAYS) if row_hit[k])
        for row_hit, row_up in zip(hit, up, strict=True)
    ]
    return pd.Series(words, dtype=object)
