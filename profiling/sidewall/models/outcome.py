"""What a shot is judged by: the rally's result, or the ball one exchange later."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.arguments import Keep, kept_rows
from sidewall.errors import DataError
from sidewall.features.parts import OneTable, Parts
from sidewall.models.counted import CountedShots, count_used, put_together
from sidewall.models.usable import REASONS, usable_shots
from sidewall.rallies.chain import RallyChain
from sidewall.rallies.exchange import PairValues

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Judge:
    """Judges the shots of any part of a log by the same standard.

    Parameters
    ----------
    worth : PairValues, optional
        What every ball is worth; without them the rally's result is the outcome.
    keep : str, callable or sequence of bool, optional
        Which shots may be used. All shots are looked at to judge them.
    """

    worth: PairValues | None = None
    keep: Keep | None = None

    def usable(self, table: pd.DataFrame) -> tuple[pd.DataFrame, pd.Series]:
        """Usable shots of a feature table with their ``outcome``, and those left out by reason.

        By value the column ``place`` says which value a shot's outcome is: that of the pair
        and ball ``divmod(place, states)``, or -1 where the rally had ended.
        """
        if self.worth is None:
            return usable_shots(table.assign(outcome=table["won"]), kept_rows(table, self.keep))
        later = self.worth.exchanges(table)
        outcome = later.outcome(self.worth.chances)
        judged = table.assign(outcome=outcome, place=later.place)
        return usable_shots(judged, kept_rows(table, self.keep))


@dataclass(frozen=True)
class CountedPart:
    """Usable shots of a part of a log, counted, and the others by reason."""

    counted: CountedShots
    left_out: pd.Series


@dataclass(frozen=True)
class CountPart:
    """Judges and counts the shots of a part of a log."""

    judge: Judge
    situation: tuple[str, ...]

    def __call__(self, table: pd.DataFrame) -> CountedPart:
        """Count those of a feature table."""
        used, left_out = self.judge.usable(table)
        return CountedPart(count_used(used, self.situation), left_out)


def count_all(
    parts: Parts, judge: Judge, situation: Sequence[str]
) -> tuple[CountedShots, pd.Series]:
    """Counted shots of all parts, and those left out by reason, in the order of reasons."""
    counted, left_out = [], pd.Series(0, list(REASONS), name="shots")
    for part in parts.each(CountPart(judge, tuple(situation))):
        counted.append(part.counted)
        left_out = left_out.add(part.left_out.reindex(left_out.index, fill_value=0))
    return put_together(counted), left_out[left_out > 0]


def find_judge(
    parts: Parts, outcome: str, chain: RallyChain | None, keep: Keep | None = None
) -> tuple[Judge, RallyChain | None]:
    """Make the judge of a log, and the chain behind it.

    Parameters
    ----------
    parts : Parts
        Whole rallies where `outcome` is "value".
    outcome : {"rally", "value"}
    chain : RallyChain or None
        For "value"; fitted to `parts` unless it is fitted already.
    keep : str, callable or sequence of bool, optional
        Which shots may be used; the chain is fitted to all.

    Raises
    ------
    DataError
        When `outcome` is neither, or `keep` is a mask and the log is in parts.
    """
    if not (keep is None or isinstance(keep, str) or callable(keep) or isinstance(parts, OneTable)):
        raise DataError(
            "keep is a mask, and the log is in parts; give a query or a function of the table"
        )
    if outcome not in ("rally", "value"):
        raise DataError(f"outcome is {outcome!r}; it must be 'rally' or 'value'")
    if outcome == "rally":
        return Judge(keep=keep), None
    chain = chain or RallyChain()
    pairs = None
    if not hasattr(chain, "rows_"):
        chain = RallyChain(chain.states).fit(parts)
        pairs = chain.pairs_
    else:
        pairs = chain.pairs_of(parts)
    return Judge(PairValues.of(chain, pairs), keep), chain


def value_shifts(
    worth: PairValues, chain: RallyChain, count: int, rng: np.random.Generator
) -> Iterator[Array]:
    """Values under chains drawn from their posterior, less the values: (pairs * states,)."""
    for rows in chain.pooling_.draws(chain.counts_, count, rng):
        yield (chain.values_of_pairs(rows, worth.pairs) - worth.chances).ravel()


def coarseness_notes(chain: RallyChain) -> list[str]:
    """Warn where the gap says more about the winner than the chain's states do."""
    found = chain.coarseness_test()
    if not found.too_coarse:
        return []
    return [
        f"the chain's states miss {100 * abs(found.missed):.1f} rallies in 100 of a usual ball's "
        f"worth (n = {found.n:,}): use more gap bands, or trust the rally outcome more"
    ]


def dispersion(counted: CountedShots, win: Array) -> pd.Series:
    """Pearson's estimate by choice of how far outcomes vary beside wins and losses.

    An attack ends many rallies within the exchange and a reset few, so the outcomes of
    attacks vary far more.

    Parameters
    ----------
    counted : CountedShots
    win : ndarray, shape (rows,)
        Chance of winning that the outcomes of each row should have.
    """
    squares = counted.square - 2.0 * win * counted.total + counted.n * win**2
    squares = squares / (win * (1.0 - win))
    choice = counted.kinds["choice"].cat.codes.to_numpy()[counted.kind]
    names = list(counted.kinds["choice"].cat.categories)
    ratio = np.bincount(choice, squares, len(names)) / np.bincount(choice, counted.n, len(names))
    return pd.Series(ratio, names, name="dispersion")
