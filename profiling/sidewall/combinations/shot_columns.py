"""Columns of a shot table as steps ask for them, each worked out once."""

from __future__ import annotations

from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from sidewall.arguments import Bools, Floats, Ints, check_kind, check_player
from sidewall.combinations.step import CONDITIONS, Step
from sidewall.court.court import Court
from sidewall.court.zones import DEPTHS, LANES, Zones
from sidewall.errors import DataError
from sidewall.features.coded import codes_of, need_columns
from sidewall.features.rallies import RallyRuns, player_names, rally_runs
from sidewall.features.shots import place_columns, with_features, zones_of_court
from sidewall.rallies.states import LooseBall


class ShotColumns:
    """A shot table, whole rallies in order, seen through the conditions of steps.

    Parameters
    ----------
    shots : DataFrame
        From `sidewall.read_shots` or `sidewall.shot_features`.
    court : Court or Zones, optional
        For the zones.
    loose : LooseBall, optional
        Judges balls tight or loose; a fixed cut of 0.5 m by default.

    Raises
    ------
    DataError
        If a rally is not whole or the table is out of order.
    """

    def __init__(
        self,
        shots: pd.DataFrame,
        court: Court | Zones | None = None,
        loose: LooseBall | None = None,
    ) -> None:
        need_columns(shots, ("side", "stroke", "gap_m"))
        self.shots = shots
        self.runs: RallyRuns = rally_runs(shots)
        self.names = player_names(shots)
        self.zones = zones_of_court(court)
        if loose is not None:
            check_kind(loose, "LooseBall", "loose", "sw.LooseBall(model.thresholds())")
        self.loose = loose or LooseBall()
        self._codes: dict[str, Ints] = {}

    @cached_property
    def position(self) -> Ints:
        """Shots of the rally before this one, shape (n,)."""
        n = len(self.shots)
        return np.arange(n) - self.runs.first[self.runs.of_shot] if n else np.empty(0, np.int64)

    @cached_property
    def left(self) -> Ints:
        """Shots of the rally after this one, shape (n,)."""
        if not len(self.shots):
            return np.empty(0, np.int64)
        return self.runs.length[self.runs.of_shot] - 1 - self.position

    @cached_property
    def player(self) -> Ints:
        """Position of the striker in `names`, shape (n,)."""
        return codes_of(self.shots["player"], self.names)

    @cached_property
    def opponent(self) -> Ints:
        """Position of the striker's opponent in `names`, shape (n,)."""
        return codes_of(self.shots["opponent"], self.names)

    @cached_property
    def winner(self) -> Ints:
        """Who won the rally, by rally; -1 after a let."""
        return codes_of(self.shots["rally_won_by"], self.names)[self.runs.last]

    @cached_property
    def features(self) -> pd.DataFrame:
        """The feature table of the same rows."""
        return with_features(self.shots)

    def player_code(self, name: str) -> int:
        """Position of a player by name.

        Raises
        ------
        DataError
            If nobody of that name is in the table.
        """
        known = [str(each) for each in self.names]
        return known.index(check_player(name, known))

    def meets(self, step: Step) -> tuple[Bools, Bools]:
        """Which shots meet a step, and which may but were not charted; who strikes apart.

        Raises
        ------
        DataError
            If the log has no column that tells a condition, or it is blank throughout.
        """
        met = np.ones(len(self.shots), dtype=bool)
        failed, unknown = ~met, ~met
        for name, value in step.conditions.items():
            if CONDITIONS[name].words:
                code = self._coded(name)
                asked = np.array([word in value for word in CONDITIONS[name].words] + [False])
                ok, blank = asked[code], code < 0
            else:
                metres = self._metres(name)
                low, high = value
                ok, blank = ~np.isnan(metres), np.isnan(metres)
                with np.errstate(invalid="ignore"):
                    ok &= True if low is None else metres >= low
                    ok &= True if high is None else metres < high
            met &= ok
            failed |= ~ok & ~blank
            unknown |= blank
        return met, unknown & ~failed

    def tells(self, name: str) -> bool:
        """Whether the log knows a condition for at least one shot."""
        try:
            if CONDITIONS[name].words:
                return bool((self._coded(name) >= 0).any())
            return bool((~np.isnan(self._metres(name))).any())
        except DataError:
            return False

    def _need(self, name: str) -> None:
        condition = CONDITIONS[name]
        missing = [column for column in condition.needs if column not in self.shots.columns]
        if missing:
            raise DataError(
                f"A step asks for {name}, but the log has no column {', '.join(missing)}: "
                f"{condition.mend}, or leave that condition out."
            )

    def _known(self, name: str, known: Bools) -> None:
        if len(known) and not known.any():
            raise DataError(
                f"A step asks for {name}, which the log tells for no shot: "
                f"{CONDITIONS[name].mend}, or leave that condition out."
            )

    def _coded(self, name: str) -> Ints:
        if name not in self._codes:
            self._need(name)
            code = self._work_out(name)
            self._known(name, code >= 0)
            self._codes[name] = code
        return self._codes[name]

    def _work_out(self, name: str) -> Ints:
        if name in ("depth", "lane"):
            places = place_columns(self.shots, self.zones)
            return np.asarray(places[name].codes, dtype=np.int64)
        if name == "ball":
            table = self.shots if self.loose.thresholds is None else self.features
            return np.asarray(self.loose(table).cat.codes, dtype=np.int64)
        which, _, part = name.rpartition("_")
        if which in ("opponent", "bounce"):
            x, y = (self._column(f"{which}_{axis}_m") for axis in "xy")
            at = int(part == "lane")
            zone: Any = self.zones.zone_of(np.nan_to_num(x), np.nan_to_num(y))[at]
            code = codes_of(pd.Series(zone), (DEPTHS, LANES)[at])
            return np.where(np.isnan(x) | np.isnan(y), -1, code)
        return codes_of(self.shots[name], CONDITIONS[name].words)

    def _column(self, name: str) -> Floats:
        return self.shots[name].to_numpy(dtype=np.float64)

    def _metres(self, name: str) -> Floats:
        self._need(name)
        if name == "room_m":
            x, y = (
                self._column(f"bounce_{axis}_m") - self._column(f"opponent_{axis}_m")
                for axis in "xy"
            )
            metres = np.hypot(x, y)
        else:
            metres = self._column(name)
        self._known(name, ~np.isnan(metres))
        return metres
