"""Everything that is estimated for all players together, once for all their reports."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Final, TypeVar, cast

import numpy as np
import pandas as pd

from sidewall.combinations.combination import BUILT_IN, Combination, effects
from sidewall.decisions import decision_table
from sidewall.errors import DataError, SeparationError
from sidewall.features import shot_features, zone_features
from sidewall.models.tightness import TightnessModel
from sidewall.placement.on_target import placed_shots, placement_table
from sidewall.placement.tin import TinMargin
from sidewall.rallies.chain import RallyChain
from sidewall.report.answers import Answers
from sidewall.worklist import WorkList

if TYPE_CHECKING:
    from sidewall.worklist import Efforts

__all__ = ["FittedLadder", "own"]

T = TypeVar("T")

#: How a kind of shot is told in the table of set-up credit, as far as it is charted.
_KIND: Final = ("side", "stroke", "direction")


class FittedLadder:
    """The models and tables of a log, from which every player's report is taken.

    Parameters
    ----------
    shots
        A checked shot table with all players.
    level
        Confidence level of every interval.
    seed
        For everything that is drawn at random.
    efforts
        The coach's ratings for the work list; see `sidewall.worklist.read_efforts`.

    Attributes
    ----------
    value, rally : Answers
        The tightness model by either outcome; ``rally`` is None where it cannot be fitted.
    work : WorkList or None
    decisions, decision_table, zones, credit, effects, placement, placed, targets, scatter
        Tables of all players; None where the log cannot tell.
    margin : TinMargin or None
    missing : dict of str to str
        What the log cannot tell, and why.
    """

    def __init__(
        self,
        shots: pd.DataFrame,
        level: float = 0.95,
        seed: int = 0,
        efforts: Efforts | None = None,
    ) -> None:
        self.level, self.seed = level, seed
        self.missing: dict[str, str] = {}
        self._tries: dict[str, pd.DataFrame] = {}
        self.features = shot_features(shots)
        model = TightnessModel(outcome="value", seed=seed).fit(shots)
        self.value = Answers(model)
        self.rally = self._try("the model by rally", lambda: self._by_rally(shots))
        self.work = self._try(
            "the work list",
            lambda: WorkList(model, efforts, level=level, seed=seed).fit(self.features),
        )
        self.decisions = None if self.work is None else self.work.decisions_
        self.decision_table = self._decision_table()
        self.zones = self._try("zones", self._zones)
        self.credit = self._try("who made the opening", self._credit)
        self.combinations = [each.as_charted(self.features) for each in BUILT_IN.values()]
        self.effects = self._try(
            "combinations",
            lambda: effects(self.combinations, self.features, by="player", level=level, seed=seed),
        )
        self.placement = self._try(
            "placement", lambda: placement_table(self.features, level=level, robust=False)
        )
        self.placed = None if self.placement is None else placed_shots(self.features)
        self.targets = None if self.placement is None else self._targets()
        self.margin = self._try("tin margin", lambda: TinMargin(seed=seed).fit(self.features))
        self.scatter = None if self.margin is None else self.margin.scatter(level)

    @property
    def players(self) -> list[str]:
        """Players of whom the model can say something."""
        return list(self.value.players_)

    def own_features(self, player: str) -> pd.DataFrame:
        """A player's shots."""
        return own(self.features, player)

    def tries(self, combination: Combination, player: str) -> pd.DataFrame:
        """A player's tries of a combination; all players' are found together, once.

        Raises
        ------
        DataError
            If the log lacks what a step asks.
        """
        if combination.name not in self._tries:
            self._tries[combination.name] = combination.find(self.features)
        return own(self._tries[combination.name], player)

    def _try(self, what: str, make: Callable[[], T]) -> T | None:
        try:
            return make()
        except (DataError, SeparationError) as error:
            self.missing[what] = str(error)
            return None

    def _by_rally(self, shots: pd.DataFrame) -> Answers:
        return Answers(TightnessModel(outcome="rally", seed=self.seed).fit(shots))

    def _decision_table(self) -> pd.DataFrame | None:
        found = self.decisions
        if found is None:
            return None
        model = cast(TightnessModel, self.value)
        return self._try("decisions", lambda: decision_table(found, model, level=self.level))

    def _targets(self) -> pd.DataFrame:
        by = ["player", "target", "stroke"]
        return placement_table(self.features, by=by, level=self.level, robust=False)

    def _zones(self) -> pd.DataFrame:
        try:
            by = ["player", "side", "depth"]
            return zone_features(self.features, by=by, level=self.level)
        except DataError:  # a log without places still tells the sides
            return zone_features(self.features, by=["player", "side"], level=self.level)

    def _credit(self) -> pd.DataFrame:
        told = [
            name
            for name in _KIND
            if name in self.features.columns and self.features[name].notna().any()
        ]
        table: pd.DataFrame = (
            RallyChain()
            .fit(self.features)
            .set_up_credit(by=["player", *told], level=self.level, seed=self.seed)
        )
        return table


def own(table: pd.DataFrame, player: str) -> pd.DataFrame:
    """Rows of one player."""
    mine: Any = np.asarray(table["player"].astype(str) == player)
    return table[mine]
