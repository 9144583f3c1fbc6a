"""The effect of playing a combination on: one row a player, or all players together.

Compared are moments at which it could be played on: the lead-up done, the ball to strike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
import pandas as pd

from sidewall.arguments import Bools, Ints
from sidewall.combinations.many_tests import adjusted
from sidewall.combinations.shot_columns import ShotColumns
from sidewall.combinations.step import Step, variants
from sidewall.combinations.stratified import Moments, mantel_haenszel, permutation_p
from sidewall.combinations.tries import follow
from sidewall.errors import DataError
from sidewall.rallies.states import BallStates, StateRule


@dataclass(frozen=True)
class DecisiveMoments:
    """Shots that follow a finished lead-up, in a situation that suits the decisive step.

    `row` rises, and its striker is the player whose combination it is; `played_on`, whether it was
    what the decisive step asks; `not_charted`, rows left out as the log does not tell one or the
    other.
    """

    row: Ints
    played_on: Bools
    not_charted: Ints


def after_lead_up(
    columns: ShotColumns, steps: Sequence[Step], decisive: int, player: int | None = None
) -> Ints:
    """Rows of the shots that follow a lead-up; each once, whichever way it was played.

    `decisive` is the number of the decisive step, from 1.
    """
    known = {step: columns.meets(step) for step in set(steps[: decisive - 1])}
    here = np.zeros(len(columns.shots), dtype=bool)
    lead_ups = {tuple(k for k in way if k < decisive - 1) for way in variants(steps)}
    for way in lead_ups:
        if not way:
            mine = np.ones(len(here), dtype=bool) if player is None else columns.player == player
            here |= mine
            continue
        start, matched = follow(columns, [steps[k] for k in way], known, player)
        start = start[(matched == len(way)) & (columns.left[start] >= len(way))]
        here[start + len(way)] = True
    return np.flatnonzero(here)


def decisive_moments(
    columns: ShotColumns, steps: Sequence[Step], decisive: int, player: int | None = None
) -> DecisiveMoments:
    """Moments at which the decisive step was, or could have been, played.

    A DataError if it asks for nothing that the player decides.
    """
    step = steps[decisive - 1]
    if not step.decided:
        raise DataError(
            f"Step {decisive} ({step}) asks for nothing that the player decides, so there is no "
            "other way to compare it with. Ask for a stroke, a direction, a choice or a bounce, "
            "or make another step decisive."
        )
    row = after_lead_up(columns, steps, decisive, player)
    situation = columns.meets(step.only(set(step.conditions) - step.decided))
    decision = columns.meets(step.only(step.decided))
    suits, blank = situation[0][row], situation[1][row]
    unsure = blank | (suits & decision[1][row])
    kept = row[suits & ~unsure]
    return DecisiveMoments(kept, decision[0][kept], row[unsure])


#: Few bands, so that most states were met with both ways of going on.
BANDS_M: Final = (0.30, 0.80)

GAINS: Final = "gains"
COSTS: Final = "costs"
NOT_KNOWN: Final = "not known yet"
TOO_FEW: Final = "too few"

_WHEN_ENOUGH: Final = (
    *("win_rate_played_on", "win_rate_another_way", "difference"),
    *("difference_low", "difference_high"),
    *("odds_ratio", "odds_ratio_low", "odds_ratio_high", "p"),
    *("points_a_game", "points_a_game_low", "points_a_game_high"),
)


@dataclass(frozen=True)
class StateChoice:
    """How to compare: see :meth:`Combination.effect` for the parameters."""

    state: StateRule | None
    tries: Literal["all", "first"]
    permutations: int
    level: float
    rng: np.random.Generator

    def __post_init__(self) -> None:
        if self.tries not in ("all", "first"):
            raise DataError(f"tries is {self.tries!r}; it must be 'all' or 'first'.")
        if self.permutations < 0:
            raise DataError(f"permutations is {self.permutations}; give a number from 0.")


def state_codes(
    columns: ShotColumns, rule: StateRule | None, contact_decides: bool = False
) -> tuple[Ints, int]:
    """State of every ball as a code, -1 where it is not known, and the number of states."""
    table = columns.features
    if rule is None:
        rule = BallStates(bands_m=BANDS_M)
        if contact_decides:
            table = table.assign(family="ground")
    named = rule(table)
    if not isinstance(named.dtype, pd.CategoricalDtype):
        named = named.astype("category")
    return named.cat.codes.to_numpy().astype(np.int64), len(named.cat.categories)


def as_moments(
    columns: ShotColumns, row: Ints, kind: Bools, state: tuple[Ints, int], first: bool
) -> Moments:
    """Moments in strata of player, match and state, those without result or state left out.

    Against a weaker opponent, or on a good day, more of everything is won, and other shots are
    played: only moments of one match are alike but for the shot. Rows rise; `state` are codes from
    `state_codes` and how many there are; `first` keeps only the first moment of each rally and
    player.
    """
    codes, states = state
    rally = columns.runs.of_shot[row]
    match = pd.factorize(columns.shots["match"].iloc[row])[0]
    player = columns.player[row]
    winner = columns.winner[rally] if len(row) else rally
    known = (codes[row] >= 0) & (winner >= 0)
    alike = (match * len(columns.names) + player) * states + codes[row]
    moments = Moments(
        (winner == player).astype(np.float64),
        kind,
        np.unique(alike, return_inverse=True)[1].astype(np.int64),
        rally,
        rally * len(columns.names) + player,
    )[known]
    if first and len(moments.won):
        moments = moments[np.sort(np.unique(moments.unit, return_index=True)[1])]
    return moments


def effect_table(
    name: str,
    columns: ShotColumns,
    steps: Sequence[Step],
    decisive: int,
    player: str | None,
    by: Literal["player"] | None,
    choice: StateChoice,
) -> pd.DataFrame:
    """The table behind :meth:`Combination.effect`."""
    if by not in (None, "player"):
        raise DataError(f"by is {by!r}; it must be 'player' or None.")
    code = None if player is None else columns.player_code(player)
    found = decisive_moments(columns, steps, decisive, code)
    contact = steps[decisive - 1].decided == {"contact"}
    state = state_codes(columns, choice.state, contact)
    everyone: list[int | None] = list(range(len(columns.names))) if by and code is None else [code]
    rows = [_row(name, columns, found, state, each, choice) for each in everyone]
    table = pd.DataFrame(rows)
    if by:
        table["p_adjusted"] = adjusted(table["p"].to_numpy())
    return table


def _row(
    name: str,
    columns: ShotColumns,
    found: DecisiveMoments,
    state: tuple[Ints, int],
    player: int | None,
    choice: StateChoice,
) -> dict[str, object]:
    blank = found.not_charted
    if player is not None:
        mine = columns.player[found.row] == player
        found = replace(found, row=found.row[mine], played_on=found.played_on[mine])
        blank = blank[columns.player[blank] == player]
    moments = as_moments(columns, found.row, found.played_on, state, choice.tries == "first")
    row = comparison_row(columns, moments, player, choice)
    who = None if player is None else str(columns.names[player])
    return {"combination": name, "player": who, **row, "not_charted": len(blank)}


def comparison_row(
    columns: ShotColumns, moments: Moments, player: int | None, choice: StateChoice
) -> dict[str, object]:
    """Compare the two kinds of moments: status, counts, rates, difference, points a game."""
    result = mantel_haenszel(moments, choice.level)
    p = permutation_p(moments, choice.permutations, choice.rng, result.pair_effect)
    games = games_played(columns, player)
    rallies = len(np.unique(moments.unit[moments.kind]))
    rate = rallies / games if games else float("nan")
    low, high = result.low, result.high
    status = GAINS if low > 0 else COSTS if high < 0 else NOT_KNOWN
    row: dict[str, object] = {
        "status": TOO_FEW if result.too_few else status,
        "played_on": int(moments.kind.sum()),
        "another_way": int((~moments.kind).sum()),
        "compared": result.n_1 + result.n_0,
        "n_rallies": result.rallies,
        "strata": result.strata,
        "win_rate_played_on": result.rate_1,
        "win_rate_another_way": result.rate_0,
        "difference": result.difference,
        "difference_low": low,
        "difference_high": high,
        "odds_ratio": result.odds_ratio,
        "odds_ratio_low": result.odds_low,
        "odds_ratio_high": result.odds_high,
        "p": p,
        "games": games,
        "tries_a_game": rate,
        "points_a_game": rate * result.difference,
        "points_a_game_low": rate * low,
        "points_a_game_high": rate * high,
    }
    if result.too_few:
        row |= dict.fromkeys(_WHEN_ENOUGH, float("nan"))
    return row


def games_played(columns: ShotColumns, player: int | None) -> int:
    """Games that a player played; for all players, a game counts once for each of the two."""
    first = columns.runs.first
    if not len(first):
        return 0
    match = pd.factorize(columns.shots["match"].iloc[first])[0]
    game = columns.shots["game"].to_numpy(dtype=np.int64)[first]
    if player is not None:
        mine = (columns.player[first] == player) | (columns.opponent[first] == player)
        match, game = match[mine], game[mine]
    games = len(pd.DataFrame({"match": match, "game": game}).drop_duplicates())
    return games if player is not None else 2 * games
