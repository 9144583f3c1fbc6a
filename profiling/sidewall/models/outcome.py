"""What a shot is judged by: the rally's result, or the ball one exchange later."""

from __future__ import annotations

from typing import Any

import pandas as pd
from numpy.typing import NDArray

from sidewall.errors import DataError
from sidewall.features.shots import with_features
from sidewall.rallies.chain import RallyChain
from sidewall.rallies.exchange import ExchangeValues


def with_outcome(
    shots: pd.DataFrame, outcome: str, chain: RallyChain | None
) -> tuple[pd.DataFrame, ExchangeValues | None]:
    """Add the column ``outcome`` to a feature table.

    Parameters
    ----------
    shots : DataFrame
        Whole rallies where `outcome` is "value".
    outcome : {"rally", "value"}
    chain : RallyChain or None
        For "value"; fitted to `shots` unless it is fitted already.

    Returns
    -------
    table : DataFrame
    exchange : ExchangeValues or None
        The values one exchange later, where they are the outcome.

    Raises
    ------
    DataError
        When `outcome` is neither.
    """
    if outcome not in ("rally", "value"):
        raise DataError(f"outcome is {outcome!r}; it must be 'rally' or 'value'")
    table = with_features(shots)
    if outcome == "rally":
        return table.assign(outcome=table["won"]), None
    chain = chain or RallyChain()
    if not hasattr(chain, "rows_"):
        chain = RallyChain(chain.states).fit(table)
    exchange = ExchangeValues(chain, chain.moves(table))
    return table.assign(outcome=exchange.outcome), exchange


def coarseness_notes(chain: RallyChain) -> list[str]:
    """Warn where the gap says more about the winner than the chain's states do."""
    found = chain.coarseness_test()
    if not found.too_coarse:
        return []
    return [
        f"the chain's states miss {100 * abs(found.missed):.1f} rallies in 100 of a usual ball's "
        f"worth (n = {found.n:,}): use more gap bands, or trust the rally outcome more"
    ]


def dispersion(used: pd.DataFrame, win: NDArray[Any]) -> pd.Series:
    """Pearson's estimate by choice of how far outcomes vary beside wins and losses.

    An attack ends many rallies within the exchange and a reset few, so the outcomes of
    attacks vary far more.
    """
    squares = (used["outcome"] - win) ** 2 / (win * (1.0 - win))
    return squares.groupby(used["choice"].astype(str)).mean().rename("dispersion")
