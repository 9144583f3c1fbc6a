"""The work list: for each thing that can be trained, the points a game that it would bring.

The loose threshold stands beside an item and is not its gain: it says where attacking starts
to beat resetting, and so hangs on both curves; a player whose resets are poor has a low one.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from sidewall.arguments import (
    Array,
    Table,
    as_frame,
    check_count,
    check_fitted,
    check_level,
    check_number,
    check_player,
    check_seed,
    check_word,
)
from sidewall.combinations.combination import BUILT_IN
from sidewall.combinations.tries import break_words
from sidewall.decisions.judged import decisions
from sidewall.errors import DataError
from sidewall.estimator import Estimator
from sidewall.log.score import hand_in_hand_out
from sidewall.models.counted import ALL_STROKES
from sidewall.scoring import HandInHandOut, Match, PointARally
from sidewall.worklist.gains import (
    LEAST_PLAYERS,
    DecisionTarget,
    Gain,
    decision_gains,
    measure_gain,
    measures,
)
from sidewall.worklist.items import COMBINATION, Efforts, check_item, drill_for, item_words
from sidewall.worklist.ladder import LEAST_RALLIES, LEAST_SHOTS, Ladder

if TYPE_CHECKING:
    from sidewall.models.tightness import TightnessModel


#: A share of exactly 0 or 1 comes from a handful of rallies, and leaves nothing to gain.
_LEAST: Final = 0.01


def scoring_of(shots: pd.DataFrame) -> Match:
    """Best of five in the scoring that most of the log's matches say; to 11 if none does."""
    if "scoring" not in shots.columns or not shots["scoring"].notna().any():
        return Match()
    usual = shots.groupby("match", observed=True)["scoring"].first().dropna().astype(str).mode()[:1]
    digits = re.search(r"\d+", usual.iloc[0])
    if hand_in_hand_out(usual)[0]:
        return Match(HandInHandOut(int(digits[0])) if digits else HandInHandOut())
    return Match(PointARally(int(digits[0])) if digits else PointARally())


def match_gain(match: Match, share: float, rallies_per_game: float, points: Array) -> Array:
    """How much more often a match is won with so many more `points` a game, by their shape.

    `share` is the player's share of the rallies now, serving and receiving alike; the points are
    spread over `rallies_per_game`.
    """
    before = np.clip(share, _LEAST, 1.0 - _LEAST)
    flat = np.ravel(points)
    after = np.clip(before + np.nan_to_num(flat) / rallies_per_game, _LEAST, 1.0 - _LEAST)
    p = np.append(after, before)
    win = np.asarray(match.match_win_probability(p, p, serving=None))
    gain = np.where(np.isnan(flat), np.nan, win[:-1] - win[-1])
    return np.asarray(gain.reshape(np.shape(points)))


_THRESHOLD: Final = ("threshold_m", "threshold_low_m", "threshold_high_m")


def threshold_columns(answers: pd.DataFrame, player: str, item: str) -> dict[str, Any]:
    """A player's threshold, the other side's, and the ladder's lower quartile.

    An attack is judged after the bounce, where most attacks are played. ``ladder_quartile_m`` is
    what a quarter of the players are below; ``threshold_is_worse``: higher than the one, the other,
    both, or empty. All are missing for items of neither side, and where not known.
    """
    kind, _, side = item.partition("_")
    family = "volley" if kind == "volley" else "ground"
    known = answers[answers["family"].isin([family, ALL_STROKES]) & answers["threshold_m"].notna()]
    mine = {str(row["side"]): row for row in known[known["player"] == player].to_dict("records")}
    own = mine.pop(side, None)
    if own is None:
        names = (*_THRESHOLD, "other_side_m", "ladder_quartile_m")
        return dict.fromkeys(names, np.nan) | {"threshold_is_worse": ""}
    others = known.loc[known["side"] == side, "threshold_m"]
    quartile = float(others.quantile(0.25)) if len(others) >= LEAST_PLAYERS else np.nan
    beside = next((float(row["threshold_m"]) for row in mine.values()), np.nan)
    limits = {"own other side": beside, "ladder's quartile": quartile}
    return {name: float(own[name]) for name in _THRESHOLD} | {
        "other_side_m": beside,
        "ladder_quartile_m": quartile,
        "threshold_is_worse": " and ".join(
            words for words, limit in limits.items() if own["threshold_m"] > limit
        ),
    }


#: What is told of a shot behind an item, as far as it is charted.
_COLUMNS: Final = (
    *("match", "game", "rally", "shot", "line", "t_s", "opponent"),
    *("side", "family", "stroke", "direction", "choice", "gap_m", "ending", "won"),
)


WORTH: Final = "worth training"
MAY_BE_NOTHING: Final = "may be nothing"
TOO_SMALL: Final = "too small to matter"
NOT_KNOWN: Final = "not known yet"

_POINTS: Final = "points in 100 shots against the ladder"
_COST: Final = "points in 100 judged shots"
_SHARE: Final = "in 100 shots"


def list_of_player(works: WorkList, k: int) -> pd.DataFrame:
    """The table behind :meth:`WorkList.table`."""
    name, ladder = works.players_[k], works.ladder_
    gains = works._gains
    drawn = np.column_stack([gain.points[:, k] for gain in gains.values()])
    effort = np.array([works.efforts_.of(name, item) for item in gains])
    known = ~np.isnan(drawn).any(axis=0)
    share = ladder.won[k] / ladder.decided[k] if ladder.decided[k] else np.nan
    a_game = ladder.decided[k] / ladder.games[k] if ladder.games[k] else np.nan
    tails = [0.5 - works.level / 2.0, 0.5 + works.level / 2.0]
    mean, ends = drawn.mean(axis=0), np.quantile(drawn, tails, axis=0)
    match = np.full((3, len(effort)), np.nan)
    if known.any() and np.isfinite(share):
        each = np.vstack([mean, ends])[:, known]
        match[:, known] = match_gain(works.match_, share, a_game, each)
    first = _first_in(drawn / effort, known)
    rows = []
    for j, (item, gain) in enumerate(gains.items()):
        words = item_words(item)
        status, why = _status(gain, k, bool(known[j]), ends[:, j], works.useful)
        own = gain.standing
        rows.append(
            {
                "item": item,
                "title": words.title,
                "target": gain.target,
                "points_per_game": mean[j],
                "points_per_game_low": ends[0, j],
                "points_per_game_high": ends[1, j],
                "match_win": match[0, j],
                "match_win_low": match[1, j],
                "match_win_high": match[2, j],
                "share": share,
                "effort": effort[j],
                "effort_assumed": works.efforts_.is_assumed(name, item),
                "gain_per_effort": mean[j] / effort[j],
                "first_in": first[j],
                "status": status,
                "why": why,
                "n_shots": int(own.n[k]),
                "n_rallies": int(own.rallies[k]),
                "counted": words.counted,
                "a_game": float(own.n[k] / ladder.games[k]) if ladder.games[k] else np.nan,
                "now": gain.now[k],
                "goal": gain.goal[k],
                "unit": _unit(gain),
                **threshold_columns(works.thresholds_, name, item),
                "drill": drill_for(item).name,
            }
        )
    table = pd.DataFrame(rows)
    order = np.lexsort((-table["n_shots"], -table["gain_per_effort"].fillna(-np.inf)))
    table = table.iloc[order].reset_index(drop=True)
    table.insert(0, "rank", np.arange(1, len(table) + 1))
    return table


def _unit(gain: Gain) -> str:
    if gain.item in ("forced", "passed_up"):
        return _COST
    return _SHARE if gain.share else _POINTS


def _first_in(per_effort: Array, known: Array) -> Array:
    """Share of the draws in which each item comes first, among those that are known."""
    first = np.full(per_effort.shape[1], np.nan)
    if known.any():
        best = per_effort[:, known].argmax(axis=1)
        first[known] = np.bincount(best, minlength=int(known.sum())) / len(per_effort)
    return first


def _status(gain: Gain, k: int, known: bool, ends: Array, useful: float) -> tuple[str, str]:
    note = gain.notes.get(k, "")
    if not known:
        own = gain.standing
        if own.known[k]:
            return NOT_KNOWN, gain.why or "too few shots on the other side to compare with"
        return NOT_KNOWN, (
            f"{own.n[k]} shots in {own.rallies[k]} rallies; it takes {LEAST_SHOTS} in "
            f"{LEAST_RALLIES}"
        )
    low, high = ends
    if high < useful:
        return TOO_SMALL, note
    return (WORTH if low > 0.0 else MAY_BE_NOTHING), note


_OTHER: Final = {"forehand": "backhand", "backhand": "forehand"}


class WorkList(Estimator):
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

    See Also
    --------
    work_list
    read_efforts
    plot_work_list

    Examples
    --------
    >>> work = sw.WorkList(model, draws=50)
    >>> work.get_params(deep=False)["useful"]
    0.1
    """

    _result = "ladder_"

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
        check_word(self.decision_target, ("quartile", "half"), "decision_target")
        if self.model is None:
            from sidewall.models.tightness import TightnessModel  # noqa: PLC0415 - slow to load

            self.model_ = TightnessModel().fit(shots)
        else:
            check_fitted(self.model)
            self.model_ = self.model
        rng = np.random.default_rng(self.seed)
        given = self.efforts
        self.efforts_ = given if isinstance(given, Efforts) else Efforts(given or {})
        self.match_ = scoring_of(shots) if self.match is None else self.match
        self.ladder_ = Ladder(shots, self.model_, self.draws, rng)
        self.players_ = self.ladder_.names
        self.decisions_ = _numbered_decisions(self.ladder_, self.model_, self.level)
        self.thresholds_ = self.model_.thresholds(self.level)
        asked = self.decisions_, self.model_, self.decision_target
        self._gains = {gain.item: gain for gain in decision_gains(self.ladder_, *asked, rng)}
        found, self.missing_ = measures(self.ladder_)
        self._gains |= {one.item: measure_gain(self.ladder_, one, None, rng) for one in found}
        sides = {one.item: self._gains[one.item].standing for one in found}
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

    def _need(self, player: str) -> int:
        self.need_fit()
        return self.players_.index(check_player(player, self.players_))

    def table(self, player: str) -> pd.DataFrame:
        """A player's work list, most gain for least effort first.

        Parameters
        ----------
        player : str

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
            - ``n_shots`` in ``n_rallies``, ``counted`` (what they are), ``a_game``;
              ``now`` and ``goal`` in ``unit``;
            - for a side or volley, the player's ``threshold_m`` beside the other side's and
              the ladder's quartile, and what it is worse than, for comparison; see
              `threshold_columns`;
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
        self.need_fit()
        parts = [self.table(name).assign(player=name) for name in self.players_]
        table = pd.concat(parts, ignore_index=True)
        return table[["player", *table.columns.drop("player")]]

    def evidence(self, player: str, item: str) -> pd.DataFrame:
        """The shots that an item rests on, those that cost most first.

        Parameters
        ----------
        player : str
        item : str
            One of ``items_``.

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
        ladder, gain = self.ladder_, self._gains[item]
        mine = np.flatnonzero(ladder.player[gain.row] == k)
        kept = [name for name in _COLUMNS if name in ladder.table.columns]
        table = ladder.table.iloc[gain.row[mine]][kept].assign(points=gain.loss[mine])
        return table.sort_values("points", kind="stable", ignore_index=True)


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

    See Also
    --------
    WorkList
    plot_work_list

    Examples
    --------
    >>> table = sw.work_list(shots, model, "Rowan", draws=50)
    >>> table.columns.to_list()[:4]
    ['rank', 'item', 'title', 'target']
    """
    shots = as_frame(shots)
    found = WorkList(model, **options).fit(shots)
    return found.tables() if player is None else found.table(player)
