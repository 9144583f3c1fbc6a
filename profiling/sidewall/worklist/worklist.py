"""The work list: for each thing that can be trained, the points a game that it would bring."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.arguments import Table, as_frame, check_count, check_level, check_number, check_seed
from sidewall.combinations.breaks import break_words
from sidewall.combinations.built_in import BUILT_IN
from sidewall.decisions.judged import decisions
from sidewall.errors import DataError, NotFittedError
from sidewall.scoring import Match
from sidewall.worklist.effort import Efforts
from sidewall.worklist.evidence import evidence_table
from sidewall.worklist.gains import DecisionTarget, Gain, decision_gains, measure_gain
from sidewall.worklist.items import COMBINATION, check_item
from sidewall.worklist.ladder import Ladder
from sidewall.worklist.match_gain import scoring_of
from sidewall.worklist.measures import measures
from sidewall.worklist.rows import list_of_player
from sidewall.worklist.standing import Standing

if TYPE_CHECKING:
    from sidewall.models.tightness import TightnessModel

__all__ = ["WorkList", "work_list"]

Array = NDArray[Any]

_OTHER: Final = {"forehand": "backhand", "backhand": "forehand"}


class WorkList:
    """What each player has to gain, item by item, most gain for least effort first.

    The quantity, the same for every item: how many more rallies of a game the player would
    win if the shots that the item is about were as good as the target says, all else as it
    was. It is the number of such shots a game times the mean change of the player's chance
    of winning the rally, shot by shot. So gains of different items can be compared. They do
    not add up where two items share shots (a backhand volley in attack belongs to two). It is
    a first step: that better shots would bring other rallies is left out.

    Parameters
    ----------
    model : TightnessModel, optional
        Fitted to the same log; fitted anew by default.
    efforts : Efforts or mapping of str to float, optional
        The coach's ratings, 1 to 5; see `read_efforts`. By default all alike, which is an
        assumption.
    decision_target : {"quartile", "half"}, default "quartile"
        Of forced attacks and passed-up balls: to what they cost at the ladder's upper
        quartile, or half of them decided the other way (always so with fewer than four
        players).
    match : Match, optional
        Scoring; by default best of five, in the scoring that the log says.
    useful : float, default 0.1
        Points a game below which a gain would not be worth an item.
    draws : int, default 1000
        One set of redrawn rallies and curves, shared by all items.
    level : float, default 0.95
    seed : int, default 0

    Attributes
    ----------
    players_ : list of str
    items_ : list of str
        Items that the log can tell for somebody.
    missing_ : dict of str to str
        Items that it cannot tell, and why.
    decisions_, thresholds_ : DataFrame
        From `decisions`, and from the model.
    model_ : TightnessModel
    match_ : Match
    """

    def __init__(
        self,
        model: TightnessModel | None = None,
        efforts: Efforts | Mapping[str, float] | None = None,
        decision_target: DecisionTarget = "quartile",
        match: Match | None = None,
        useful: float = 0.1,
        draws: int = 1000,
        level: float = 0.95,
        seed: int = 0,
    ) -> None:
        check_count(draws, "draws", 50)
        check_number(useful, "useful", least=0.0)
        check_level(level)
        check_seed(seed)
        self.model = model
        self.efforts = efforts
        self.decision_target = decision_target
        self.match = match
        self.useful = useful
        self.draws = draws
        self.level = level
        self.seed = seed

    def fit(self, shots: Table) -> WorkList:
        """Estimate the gains of all players of a log together.

        Parameters
        ----------
        shots : DataFrame
            Whole rallies, from `sidewall.read_shots` or `sidewall.shot_features`.

        Raises
        ------
        DataError
            If a parameter makes no sense, or the log carries too little for any item.
        """
        shots = as_frame(shots)
        self._check()
        if self.model is None:
            from sidewall.models.tightness import TightnessModel  # noqa: PLC0415 - slow to load

            self.model_ = TightnessModel().fit(shots)
        else:
            self.model.need_fit()
            self.model_ = self.model
        rng = np.random.default_rng(self.seed)
        given = self.efforts
        self.efforts_ = given if isinstance(given, Efforts) else Efforts(given or {})
        self.match_ = scoring_of(shots) if self.match is None else self.match
        self.ladder_ = Ladder(shots, self.model_, self.draws, rng)
        self.players_ = self.ladder_.names
        self.decisions_ = _numbered_decisions(self.ladder_, self.model_, self.level)
        self.thresholds_ = self.model_.thresholds(self.level)
        self._gains: dict[str, Gain] = {}
        for gain in decision_gains(
            self.ladder_, self.decisions_, self.model_, self.decision_target, rng
        ):
            self._gains[gain.item] = gain
        found, self.missing_ = measures(self.ladder_)
        sides: dict[str, Standing] = {}
        for one in found:
            gain = measure_gain(self.ladder_, one, None, rng)
            sides[one.item], self._gains[one.item] = gain.standing, gain
        for one in found:
            name, _, side = one.item.partition("_")
            other = f"{name}_{_OTHER.get(side, '')}"
            if other in sides and self._gains[one.item].why:
                self._gains[one.item] = measure_gain(self.ladder_, one, sides[other], rng)
        self._note_breaks()
        self.items_ = list(self._gains)
        self._tables: dict[str, pd.DataFrame] = {}
        return self

    def _note_breaks(self) -> None:
        """Say for every player at which step each combination breaks."""
        ladder = self.ladder_
        for item in self._gains:
            if item.startswith(COMBINATION):
                one = BUILT_IN[item.removeprefix(COMBINATION)].as_charted(ladder.columns.shots)
                stages = one.funnel(ladder.table, by="player", level=self.level)
                for player, own in stages.groupby("player", observed=True):
                    notes = self._gains[item].notes
                    notes[self.players_.index(str(player))] = break_words(own)

    def _check(self) -> None:
        if self.decision_target not in ("quartile", "half"):
            raise DataError(
                f"decision_target is {self.decision_target!r}; it must be 'quartile' or 'half'"
            )

    def _need(self, player: str) -> int:
        if not hasattr(self, "ladder_"):
            raise NotFittedError("call WorkList().fit(shots) first")
        if player not in self.players_:
            raise DataError(
                f"there is no player {player!r}; the log has {', '.join(self.players_)}"
            )
        return self.players_.index(player)

    def table(self, player: str) -> pd.DataFrame:
        """A player's work list, most gain for least effort first.

        Returns
        -------
        DataFrame
            One row an item; what is not known yet comes last.

            - ``rank``, ``item``, ``title``, ``target`` in words;
            - ``points_per_game`` with ``points_per_game_low`` and ``_high``: rallies won more
              a game;
            - ``match_win`` with ``match_win_low`` and ``_high``: change of the chance of
              winning a match, from the player's own ``share`` of the rallies;
            - ``effort``, ``effort_assumed``, ``gain_per_effort``; ``first_in``, the share of
              the draws in which the item comes first;
            - ``status``: *worth training*, *may be nothing* (the interval holds 0), *too
              small to matter* (its upper end is below `useful`), *not known yet*; ``why``;
            - ``n`` shots in ``rallies``, ``counted`` (what they are), ``a_game``;
              ``now`` and ``goal`` in ``unit``;
            - for a side or volley, the player's ``threshold_m`` beside the other side's and
              the ladder's quartile, and what it is worse than, for comparison; see
              `sidewall.worklist.thresholds`;
            - ``drill``, the drill family.

        Raises
        ------
        DataError
            If the log has no such player.
        NotFittedError
            Before `fit`.
        """
        k = self._need(player)
        if player not in self._tables:
            self._tables[player] = list_of_player(self, k)
        return self._tables[player].copy()

    def tables(self) -> pd.DataFrame:
        """Every player's work list, one below the other, with ``player``."""
        self._need(self.players_[0])
        parts = [self.table(name).assign(player=name) for name in self.players_]
        table = pd.concat(parts, ignore_index=True)
        return table[["player", *table.columns.drop("player")]]

    def evidence(self, player: str, item: str) -> pd.DataFrame:
        """The shots that an item rests on, those that cost most first.

        Returns
        -------
        DataFrame
            ``match``, ``game``, ``rally``, ``shot``, ``line`` and ``t_s`` where there are
            any, side, family, stroke, choice, ``gap_m``, ``ending``, and ``points``: what
            the shot gave against what was to expect, in chances of winning the rally.

        Raises
        ------
        DataError
            If there is no such player or item.
        """
        k = self._need(player)
        if check_item(item) not in self._gains:
            why = self.missing_.get(item, "no such item in this log")
            raise DataError(f"{item!r} cannot be told from this log: {why}")
        return evidence_table(self.ladder_, self._gains[item], k)

    def gain_draws(self, player: str) -> pd.DataFrame:
        """Draws of the points a game, a column an item; missing where not known."""
        k = self._need(player)
        return pd.DataFrame({name: gain.points[:, k] for name, gain in self._gains.items()})


def _numbered_decisions(ladder: Ladder, model: TightnessModel, level: float) -> pd.DataFrame:
    judged = decisions(ladder.table, model, level)
    key = ["rally_id", "shot"]
    at = pd.MultiIndex.from_frame(ladder.table[key])
    return judged.assign(row=at.get_indexer(pd.MultiIndex.from_frame(judged[key])))


def work_list(
    shots: Table,
    model: TightnessModel | None = None,
    player: str | None = None,
    **options: Any,
) -> pd.DataFrame:
    """Work list of one player, or of all; see `WorkList`, which also gives the evidence.

    Parameters
    ----------
    shots : DataFrame
    model : TightnessModel, optional
    player : str, optional
    **options
        Parameters of `WorkList`.

    Returns
    -------
    DataFrame
        As :meth:`WorkList.table`, or :meth:`WorkList.tables` without a player.
    """
    shots = as_frame(shots)
    found = WorkList(model, **options).fit(shots)
    return found.tables() if player is None else found.table(player)
