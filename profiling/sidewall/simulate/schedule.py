"""Who plays whom."""

from __future__ import annotations

from sidewall.errors import DataError


def round_robin(players: int, rounds: int | None = None) -> list[tuple[int, int]]:
    """Pair the players round by round, so that all have met once before any meet again.

    The circle method: one player stays, the others move on by one place each round.

    Parameters
    ----------
    players : int
        At least 2. With an odd number one of them rests in each round.
    rounds : int, optional
        How many rounds; by default everyone meets everyone once. More rounds begin again.

    Returns
    -------
    list of (int, int)
        Positions of the two players of each match, in order of play.

    Raises
    ------
    DataError
        If there are fewer than two players, or a negative number of rounds.
    """
    if players < 2:
        raise DataError(f"A round robin of {players} players: at least two are needed.")
    places: list[int | None] = [*range(players), *([None] if players % 2 else [])]
    full = len(places) - 1
    if rounds is None:
        rounds = full
    if rounds < 0:
        raise DataError(f"{rounds} rounds: the number cannot be negative.")
    schedule = []
    for turn in range(rounds):
        shift = turn % full
        circle = [places[0], *places[1 + shift :], *places[1 : 1 + shift]]
        for k in range(len(circle) // 2):
            one, two = circle[k], circle[-1 - k]
            if one is not None and two is not None:
                schedule.append((one, two))
    return schedule
