"""Moments at which a combination could be played on: the lead-up done, the ball to strike."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sidewall.combinations.matching import follow
from sidewall.combinations.shot_columns import Bools, Ints, ShotColumns
from sidewall.combinations.step import Step
from sidewall.combinations.variants import variants
from sidewall.errors import DataError


@dataclass(frozen=True)
class DecisiveMoments:
    """Shots that follow a finished lead-up, in a situation that suits the decisive step.

    Attributes
    ----------
    row : ndarray of int, shape (moments,)
        Row of the shot, rising; its striker is the player whose combination it is.
    played_on : ndarray of bool, shape (moments,)
        Whether it was what the decisive step asks the player to do.
    not_charted : ndarray of int
        Rows of shots left out because the log does not tell one or the other.
    """

    row: Ints
    played_on: Bools
    not_charted: Ints


def after_lead_up(
    columns: ShotColumns, steps: Sequence[Step], decisive: int, player: int | None = None
) -> Ints:
    """Rows of the shots that follow a lead-up; each once, whichever way it was played.

    Parameters
    ----------
    columns : ShotColumns
    steps : sequence of Step
    decisive : int
        Number of the decisive step, from 1.
    player : int, optional
        Only this player's.
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

    Raises
    ------
    DataError
        If the decisive step asks for nothing that the player decides.
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
