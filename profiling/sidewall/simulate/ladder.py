"""Shots of simulated matches, in the form that `sidewall.read_shots` returns."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from sidewall.court import Court
from sidewall.errors import DataError
from sidewall.simulate.dress import dress
from sidewall.simulate.physics import Physics
from sidewall.simulate.play import play_matches
from sidewall.simulate.players import SimPlayer


def simulate_shots(
    players: Sequence[SimPlayer],
    schedule: Sequence[tuple[int, int]],
    rng: int | np.random.Generator,
    physics: Physics | None = None,
    *,
    games_to_win: int = 3,
    match_names: Sequence[str] | None = None,
    court: Court | None = None,
) -> pd.DataFrame:
    """Play matches and chart every shot.

    Parameters
    ----------
    players : sequence of SimPlayer
    schedule : sequence of (int, int)
        Positions in `players` of the two opponents of each match; see
        :func:`~sidewall.simulate.schedule.round_robin`.
    rng : int or numpy.random.Generator
        A seed, or a generator to go on with.
    physics : Physics, optional
    games_to_win : int, default 3
        3 for the best of five, 2 for the best of three.
    match_names : sequence of str, optional
        One for each match; by default ``m01``, ``m02`` and so on.
    court : Court, optional

    Returns
    -------
    DataFrame
        A canonical shot table, one row a shot; see :func:`~sidewall.simulate.dress.dress`.

    Raises
    ------
    DataError
        If a match names a player that there is not, or one player twice, if two players
        share a name, or if there are not as many names as matches.

    Examples
    --------
    >>> players = draw_players(["Rowan", "Hazel"], np.random.default_rng(1))
    >>> shots = simulate_shots(players, [(0, 1)], rng=2)
    """
    check_schedule(players, schedule)
    if match_names is not None and len(set(match_names)) != len(schedule):
        raise DataError(
            f"match_names: {len(set(match_names))} different names for {len(schedule)} matches; "
            "give each match its own."
        )
    generator = np.random.default_rng(rng)
    physics = physics or Physics()
    coded = play_matches(players, schedule, generator, physics, games_to_win)
    return dress(coded, players, schedule, generator, physics, match_names, court)


def check_schedule(players: Sequence[SimPlayer], schedule: Sequence[tuple[int, int]]) -> None:
    """Refuse a schedule that cannot be played.

    Raises
    ------
    DataError
        See :func:`simulate_shots`.
    """
    names = [player.name for player in players]
    if len(set(names)) != len(names):
        raise DataError(f"Two players share a name: {', '.join(names)}. Names must differ.")
    if not schedule:
        raise DataError("The schedule is empty: give at least one match.")
    for number, (one, two) in enumerate(schedule, start=1):
        if one == two or not (0 <= one < len(names) and 0 <= two < len(names)):
            raise DataError(
                f"Match {number} of the schedule is ({one}, {two}): give two different positions "
                f"from 0 to {len(names) - 1}."
            )
