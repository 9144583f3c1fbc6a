"""A combination: steps in a row, and what a shot log says about them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from os import PathLike
from typing import Literal

import numpy as np
import pandas as pd

from sidewall.arguments import Table, as_frame, check_count, check_level, check_seed, column_names
from sidewall.combinations.conditions import closest
from sidewall.combinations.effect import StateChoice, effect_table
from sidewall.combinations.find import shots_of_tries, tries_table
from sidewall.combinations.funnel import funnel_table
from sidewall.combinations.phrases import not_charted
from sidewall.combinations.shot_columns import ShotColumns
from sidewall.combinations.step import Step
from sidewall.combinations.toml_file import read_file, read_text, write_text
from sidewall.combinations.variants import check_steps
from sidewall.court.court import Court
from sidewall.court.zones import Zones
from sidewall.errors import DataError
from sidewall.files import write_file
from sidewall.rallies.states import LooseBall, StateRule


@dataclass(frozen=True)
class Combination:
    """Shots that a player strings together, with the opponent's replies between them.

    Parameters
    ----------
    name : str
    steps : sequence of Step
        Own shots and replies in turn. Step k is asked of the k-th shot from the start, so
        two own steps always have a reply between them.
    description : str
        In words, for people.
    decisive : int, optional
        Number of the own step (from 1) with which the combination is under way: the steps
        before it are the lead-up. By default the second own step, or the first if there
        is but one.

    Raises
    ------
    DataError
        If the steps do not take turns, an optional one can never be left out, or
        `decisive` is no own step that is always played.

    Examples
    --------
    >>> two = Combination(
    ...     "length then volley",
    ...     [Step.own(stroke="drive"), Step.any_reply(), Step.own(contact="volley")],
    ... )
    >>> print(two)
    The player plays a drive; the opponent plays any reply; the player plays a volley.
    >>> two.decisive
    3

    Notes
    -----
    A try starts at every shot that meets the first step, and every start counts once: two
    tries may share shots, and a try that starts within an earlier finished one of the same
    player and rally is flagged (``inside_earlier``), not dropped. A shot of which the asked
    thing was not charted does not meet a step; such tries are told apart.
    """

    name: str
    steps: Sequence[Step]
    description: str = ""
    decisive: int = 0

    def __post_init__(self) -> None:
        if not isinstance(self.name, str) or not self.name.strip():
            raise DataError(f"A combination needs a name, not {self.name!r}.")
        steps = tuple(self.steps)
        check_steps(steps)
        object.__setattr__(self, "steps", steps)
        own = [k for k, step in enumerate(steps, start=1) if step.by == "own"]
        if self.decisive == 0:
            always = [k for k in own if not steps[k - 1].may_be_left_out]
            later = [k for k in always if k > own[0]]
            object.__setattr__(self, "decisive", (later or always)[0])
        if self.decisive not in own or steps[self.decisive - 1].may_be_left_out:
            raise DataError(
                f"decisive is {self.decisive}; give the number of an own step that is not "
                f"optional. Own steps here: {', '.join(map(str, own))}."
            )

    # -- words and files ---------------------------------------------------------------

    def sentence(self) -> str:
        """The steps as one English sentence."""
        said = "; ".join(str(step) for step in self.steps)
        return said[0].upper() + said[1:] + "."

    def __str__(self) -> str:
        return self.sentence()

    @classmethod
    def built_in(cls, name: str) -> Combination:
        """A combination from common coaching practice, by name.

        Raises
        ------
        DataError
            If there is none of that name, with the closest.
        """
        from sidewall.combinations.built_in import BUILT_IN  # noqa: PLC0415 - it imports this

        if name not in BUILT_IN:
            raise DataError(f"No combination {name!r} is built in; {closest(name, BUILT_IN)}")
        return BUILT_IN[name]

    def to_toml(self) -> str:
        """The combination as the text of a TOML file."""
        return write_text(self.name, self.description, self.decisive, self.steps)

    @classmethod
    def from_toml(cls, text: str) -> Combination:
        """Read the text of a TOML file.

        Raises
        ------
        DataError
            Naming the step and the key that is not understood.
        """
        name, description, decisive, steps = read_text(text)
        return cls(name, steps, description, decisive)

    def write(self, path: str | PathLike[str]) -> None:
        """Write a TOML file that others can read; the file is replaced if it is there.

        Raises
        ------
        WriteError
            If it cannot be written.
        """
        write_file(path, self.to_toml())

    @classmethod
    def read(cls, path: str | PathLike[str]) -> Combination:
        """Read a TOML file written by `write` or by hand.

        Raises
        ------
        DataError
            If the file cannot be read, naming the step and the key.
        """
        name, description, decisive, steps = read_file(path)
        return cls(name, steps, description, decisive)

    def as_charted(self, shots: Table) -> Combination:
        """The same combination without the conditions that a log cannot tell.

        What was left out is added to the description. Nothing changes if all is charted.
        """
        shots = as_frame(shots)
        columns = ShotColumns(shots)
        asked = sorted({name for step in self.steps for name in step.conditions})
        gone = [name for name in asked if not columns.tells(name)]
        if not gone:
            return self
        kept = set(asked) - set(gone)
        note = f"Not charted, so not asked: {not_charted(gone)}."
        return replace(
            self,
            steps=tuple(step.only(kept) for step in self.steps),
            description=f"{self.description} {note}".strip(),
        )

    # -- what a log says ---------------------------------------------------------------

    def find(
        self,
        shots: Table,
        player: str | None = None,
        court: Court | Zones | None = None,
        loose: LooseBall | None = None,
    ) -> pd.DataFrame:
        """Every try of the combination.

        Parameters
        ----------
        shots : DataFrame
            Whole rallies, from `sidewall.read_shots` or `sidewall.shot_features`.
        player : str, optional
            Only this player's tries.
        court : Court or Zones, optional
            For conditions on zones.
        loose : LooseBall, optional
            For conditions on tight and loose balls, with the players' own thresholds.

        Returns
        -------
        DataFrame
            One row a try, in the order of play: ``player``, ``opponent``, ``match``,
            ``game``, ``rally``, ``rally_id``, ``shot`` (the first), ``shots`` (matched),
            ``reached`` (number of the last step met), ``finished``, ``stopped`` (finished,
            another shot, rally over, not charted), ``inside_earlier``, ``won`` (1.0, 0.0,
            NaN for a let), ``t_s`` (of the first shot, where the log has times), ``line``
            and ``last_line`` of the log, and ``row``, the position of the first shot.

        Raises
        ------
        DataError
            If a step asks for what the log does not tell, with the mend.
        """
        shots = as_frame(shots)
        return tries_table(ShotColumns(shots, court, loose), self.steps, player)

    def shots_of(
        self,
        shots: Table,
        player: str | None = None,
        court: Court | Zones | None = None,
        loose: LooseBall | None = None,
    ) -> pd.DataFrame:
        """Every matched shot of every try, and so the list of rallies at every step.

        Parameters as in `find`.

        Returns
        -------
        DataFrame
            One row a (try, step): ``try`` (row of `find`), ``step``, ``words``, ``by``,
            ``last`` (whether the try got no further), ``stopped``, ``won``, then the
            columns of the shot table (``match``, ``game``, ``rally``, ``shot``, places,
            ``t_s``, ``line``); ``player`` is whose combination it is, ``striker`` who
            struck.
        """
        shots = as_frame(shots)
        return shots_of_tries(ShotColumns(shots, court, loose), self.steps, player)

    def funnel(
        self,
        shots: Table,
        by: str | Sequence[str] | None = None,
        player: str | None = None,
        court: Court | Zones | None = None,
        loose: LooseBall | None = None,
        level: float = 0.95,
    ) -> pd.DataFrame:
        """How far tries get, and how often the rally is won.

        Parameters
        ----------
        by : str or sequence of str, optional
            Columns of `find` to tabulate apart, such as ``"player"``.
        level : float, default 0.95
            Of the intervals. For the others see `find`.

        Returns
        -------
        DataFrame
            A row a stage (``tried``, ``step 2``, ..., ``finished``, ``rally won``):

            - ``n`` tries that got there, ``of`` tries that were a stage before;
              ``share`` with ``share_low`` and ``share_high`` (Wilson). For ``rally won``, of the
              finished tries that were decided;
            - ``of_tried``, ``of_tried_low``, ``of_tried_high``: the same of all tries;
            - ``rallies``; ``win_rate``, ``win_rate_low``, ``win_rate_high``: rallies won from there
              on, tries of a rally sharing its result;
            - ``another_shot``, ``rally_over``, ``not_charted``: tries that got no further
              than this, by reason; ``stopped_win_rate``, what became of them.
        """
        shots = as_frame(shots)
        check_level(level)
        found = self.find(shots, player, court, loose)
        by = None if by is None else column_names(by, found.columns)
        return funnel_table(found, self.steps, by, level)

    def effect(
        self,
        shots: Table,
        by: Literal["player"] | None = None,
        player: str | None = None,
        court: Court | Zones | None = None,
        loose: LooseBall | None = None,
        state: StateRule | None = None,
        tries: Literal["all", "first"] = "all",
        permutations: int = 999,
        level: float = 0.95,
        seed: int | np.random.Generator = 0,
    ) -> pd.DataFrame:
        """Is the rally won more often when the combination is played on?

        The quantity: among the moments at which this player, the lead-up done, stood in the
        same state of the rally and was about to strike, how much more often was the rally
        won when the decisive shot was played than when another way was taken. Both kinds of
        moments meet what the decisive step asks of the *situation*; they differ in what
        the player decides (stroke, direction, choice, where the ball goes). It is a
        comparison of like with like as far as the state tells, not an experiment. Whether
        the combination was then finished is not asked: a rally that went wrong, or was won
        at once, cannot be finished.

        Parameters
        ----------
        by : "player", optional
            A row a player, with p-values adjusted over the players (Benjamini & Hochberg
            1995), instead of one row.
        state : StateRule, optional
            Names the state of a ball; by default side, ground stroke or volley and three
            bands of the gap (less than 30, 30 to 80, at least 80 cm), without ground
            stroke or volley if that is what the player decides.
        tries : {"all", "first"}
            Every moment of a rally, or only its first: fewer, but one result each.
        permutations : int, default 999
            Behind the p-value; with 0 there is none.
        level : float, default 0.95
        seed : int or Generator
            For the permutations. For the others see `find`.

        Returns
        -------
        DataFrame
            ``combination``, ``player`` (missing for all players together), ``status``
            (gains, costs, not known yet, too few), ``played_on``, ``another_way``
            (moments), ``rallies`` behind them and ``strata`` compared;
            ``win_rate_played_on``, ``win_rate_another_way``, their ``difference``
            (Mantel-Haenszel weights); ``odds_ratio``; ``p`` by permutation;
            ``tries_a_game`` (rallies of a game in which it was played on),
            ``points_a_game``; ``not_charted``, moments left out; ``p_adjusted`` with
            ``by``. The ends of each interval are named after its column:
            ``difference_low``, ``difference_high`` and so on.

        Notes
        -----
        See `sidewall.combinations.stratified` for the formulas and their sources.
        """
        shots = as_frame(shots)
        check_count(permutations, "permutations", 0)
        check_level(level)
        check_seed(seed)
        choice = StateChoice(state, tries, permutations, level, np.random.default_rng(seed))
        columns = ShotColumns(shots, court, loose)
        return effect_table(self.name, columns, self.steps, self.decisive, player, by, choice)
