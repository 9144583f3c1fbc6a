"""Initials in the place of names, everywhere at once."""

from __future__ import annotations

import pandas as pd

from sidewall.errors import DataError


def initials_of(shots: pd.DataFrame) -> dict[str, str]:
    """Initials of every player, by name; those that two players share are numbered.

    A DataError if there is no column ``initials``, or a player has none.
    """
    if "initials" not in shots.columns:
        raise DataError(
            "the log has no initials: give them in the players table (column initials, with "
            "--players), or leave out --initials"
        )
    names = [str(name) for name in shots["player"].cat.categories]
    known = shots.dropna(subset=["initials"]).drop_duplicates("player")
    found = dict(zip(known["player"].astype(str), known["initials"].astype(str), strict=True))
    missing = [name for name in names if not found.get(name, "").strip()]
    if missing:
        raise DataError(
            f"no initials for {', '.join(missing)}: complete the players table, or leave out "
            "--initials"
        )
    short = [found[name].strip() for name in names]
    taken = set(short)
    result: dict[str, str] = {}
    for at, (name, one) in enumerate(zip(names, short, strict=True)):
        number, own = 1 + short[:at].count(one), one
        while short.count(one) > 1 and (own in taken or own in result.values()):
            own, number = f"{one} {number}", number + 1
        result[name] = own
    return result


def with_initials(shots: pd.DataFrame) -> pd.DataFrame:
    """Return the shot table with initials for names, of opponents and winners too.

    Names of matches are left as they were typed; they may hold names. Errors as `initials_of`.
    """
    short = initials_of(shots)
    columns = [name for name in ("player", "opponent", "rally_won_by") if name in shots.columns]
    renamed = {name: shots[name].cat.rename_categories(short) for name in columns}
    return shots.assign(**renamed)
