"""Everything that is estimated for all players together, once for all their reports."""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property
from typing import TYPE_CHECKING, Any, Final, TypeVar

import pandas as pd

from sidewall.beside import beside
from sidewall.combinations.combination import BUILT_IN, Combination, effects
from sidewall.combinations.repeat_or_vary import RepeatOrVary
from sidewall.combinations.tries import breaks_at, funnel_table
from sidewall.decisions import decision_table
from sidewall.errors import DataError, SeparationError
from sidewall.features import shot_features, zone_features
from sidewall.features.coded import struck_by
from sidewall.models.tightness import TightnessModel
from sidewall.placement.on_target import placed_shots, placement_table
from sidewall.placement.tin import TinMargin
from sidewall.rallies.chain import RallyChain
from sidewall.worklist import WorkList

if TYPE_CHECKING:
    from sidewall.worklist import Efforts

T = TypeVar("T")

#: How a kind of shot is told in the table of set-up credit, as far as it is charted.
_KIND: Final = ("side", "stroke", "direction")

#: By rally intervals are wide, and stand beside those by value for a comparison alone.
_DRAWS_BY_RALLY: Final = 400


class LogTables:
    """What all players' pages take from a log beside the model by value, each when first asked.

    `rally`, the model by who won, and the tables are None where the log cannot tell, and
    `missing` then says why.
    """

    def __init__(self, shots: pd.DataFrame, level: float = 0.95, seed: int = 0) -> None:
        self.level, self.seed = level, seed
        self.shots = shots
        self.missing: dict[str, str] = {}
        self._tries: dict[str, pd.DataFrame] = {}
        self.features = shot_features(shots)
        self.combinations = [each.as_charted(self.features) for each in BUILT_IN.values()]

    def own_features(self, player: str) -> pd.DataFrame:
        """A player's shots."""
        return own(self.features, player)

    def tries(self, combination: Combination, player: str) -> pd.DataFrame:
        """A player's tries of a combination; all players' are found together, once.

        A DataError if the log lacks what a step asks.
        """
        if combination.name not in self._tries:
            self._tries[combination.name] = combination.find(self.features)
        return own(self._tries[combination.name], player)

    def breaks_at(self, name: str, player: str) -> int | None:
        """Step at which a player's tries of a combination break; None where there are none."""
        one = next(each for each in self.combinations if each.name == name)
        table = funnel_table(self.tries(one, player), one.steps, (), self.level)
        step = breaks_at(table.to_dict("records"))
        return None if step is None else step + 1

    def _try(self, what: str, make: Callable[[], T]) -> T | None:
        try:
            return make()
        except (DataError, SeparationError) as error:
            self.missing[what] = str(error)
            return None

    @cached_property
    def rally(self) -> TightnessModel | None:  # noqa: D102
        made = TightnessModel(outcome="rally", draws=_DRAWS_BY_RALLY, seed=self.seed)
        return self._try("the model by rally", lambda: made.fit(self.shots))

    @cached_property
    def repeat(self) -> pd.DataFrame | None:  # noqa: D102
        made = RepeatOrVary(seed=self.seed)
        return self._try("when to vary", lambda: made.fit(self.features).answers(self.level))

    @cached_property
    def effects(self) -> pd.DataFrame | None:  # noqa: D102
        options: Any = {"by": "player", "level": self.level, "seed": self.seed}
        return self._try(
            "combinations", lambda: effects(self.combinations, self.features, **options)
        )

    @cached_property
    def placement(self) -> pd.DataFrame | None:  # noqa: D102
        return self._try("placement", lambda: self._placement(("player", "side", "stroke")))

    @cached_property
    def placed(self) -> pd.DataFrame | None:  # noqa: D102
        return None if self.placement is None else placed_shots(self.features)

    @cached_property
    def targets(self) -> pd.DataFrame | None:  # noqa: D102
        by = ("player", "target", "stroke")
        return None if self.placement is None else self._placement(by)

    @cached_property
    def margin(self) -> TinMargin | None:  # noqa: D102
        return self._try("tin margin", lambda: TinMargin(seed=self.seed).fit(self.features))

    @cached_property
    def scatter(self) -> pd.DataFrame | None:  # noqa: D102
        return None if self.margin is None else self.margin.scatter(self.level)

    @cached_property
    def zones(self) -> pd.DataFrame | None:  # noqa: D102
        return self._try("zones", self._zones)

    @cached_property
    def credit(self) -> pd.DataFrame | None:  # noqa: D102
        return self._try("who made the opening", self._credit)

    def _placement(self, by: tuple[str, ...]) -> pd.DataFrame:
        return placement_table(self.features, by=list(by), level=self.level, robust=False)

    def _zones(self) -> pd.DataFrame:
        try:
            by = ["player", "side", "depth"]
            return zone_features(self.features, by=by, level=self.level)
        except DataError:  # a log without places still tells the sides
            return zone_features(self.features, by=["player", "side"], level=self.level)

    def _credit(self) -> pd.DataFrame:
        kinds = self.features[[name for name in _KIND if name in self.features.columns]]
        told = kinds.columns[kinds.notna().any()]
        chain = RallyChain().fit(self.features)
        return chain.set_up_credit(by=["player", *told], level=self.level, seed=self.seed)


#: What another process may make meanwhile, by what `missing` calls it: the slow ones.
_APART: Final = {
    "the model by rally": "rally",
    "tin margin": "margin",
    "placement": "placement",
    "combinations": "effects",
}


def _apart(shots: pd.DataFrame, level: float, seed: int) -> tuple[dict[str, Any], dict[str, str]]:
    """The tables made apart, and what the log cannot tell of them."""
    tables = LogTables(shots, level, seed)
    return {name: getattr(tables, name) for name in _APART.values()}, tables.missing


class FittedLadder(LogTables):
    """The models and tables of a log, from which every player's sheet and report are taken.

    The model by value is fitted at once; everything else, of all players, when it is first asked
    for. With two `jobs` another process makes meanwhile what takes long and needs no model by
    value. `efforts` are the coach's ratings for the work list.
    """

    _beside: Callable[[], tuple[dict[str, Any], dict[str, str]]] | None = None

    def __init__(
        self,
        shots: pd.DataFrame,
        level: float = 0.95,
        seed: int = 0,
        efforts: Efforts | None = None,
        jobs: int = 1,
    ) -> None:
        if jobs > 1:
            self._beside = beside(_apart, shots, level, seed)
        super().__init__(shots, level, seed)
        self.efforts = efforts
        self.value = TightnessModel(outcome="value", seed=seed).fit(shots)

    def made(self) -> frozenset[str]:
        """Names of what was asked for so far."""
        return frozenset({*vars(self), *self._tries})

    def _try(self, what: str, make: Callable[[], T]) -> T | None:
        if what in _APART and self._beside is not None:
            self._take()
            found: T | None = vars(self)[_APART[what]]
            return found
        return super()._try(what, make)

    def _take(self) -> None:
        """Take what the other process made, once it is there."""
        if self._beside is not None:
            found, missing = self._beside()
            del self._beside
            vars(self).update(found)
            self.missing |= missing

    def __getstate__(self) -> dict[str, Any]:
        """All of it: a process cannot be kept."""
        self._take()
        return vars(self)

    @property
    def players(self) -> list[str]:
        """Players of whom the model can say something."""
        return list(self.value.players_)

    def thresholds(self, player: str) -> pd.DataFrame:
        """A player's thresholds; these and the tables below are made once by the model."""
        return self.value.thresholds(self.level, player=player)

    def curves(self, player: str) -> pd.DataFrame:
        """A player's curves."""
        return self.value.curves(level=self.level, player=player)

    def comfort(self, player: str) -> pd.DataFrame:
        """A player's forehand against the backhand."""
        return self.value.comfort(self.level, player=player)

    def rules(self, player: str, by: str = "") -> pd.DataFrame:
        """A player's rules; told apart by a column of the situation, if one is named."""
        return self.value.rule(self.level, by=by or (), player=player)

    def by_rally(self, player: str) -> pd.DataFrame | None:
        """A player's thresholds judged by who won; None where there are none."""
        if self.rally is None or player not in self.rally.players_:
            return None
        return self.rally.thresholds(self.level, player=player)

    @cached_property
    def work(self) -> WorkList | None:  # noqa: D102
        made = WorkList(self.value, self.efforts, level=self.level, seed=self.seed)
        return self._try("the work list", lambda: made.fit(self.features))

    @cached_property
    def decisions(self) -> pd.DataFrame | None:  # noqa: D102
        return None if self.work is None else self.work.decisions_

    @cached_property
    def decision_table(self) -> pd.DataFrame | None:  # noqa: D102
        found = self.decisions
        if found is None:
            return None
        return self._try("decisions", lambda: decision_table(found, self.value, level=self.level))


def own(table: pd.DataFrame | None, player: str) -> pd.DataFrame:
    """Rows of one player; none where the log tells no such table."""
    return pd.DataFrame() if table is None else table[struck_by(table, player)]
