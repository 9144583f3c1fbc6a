"""A combination: steps in a row, and what a shot log says about them.

As TOML text, so that it can be shared and edited by hand::

    name = "length then volley"
    decisive = 3

    [[step]]
    by = "own"
    stroke = ["drive", "lob"]

    [[step]]
    by = "reply"

    [[step]]
    by = "own"
    contact = "volley"
    gap_m = { from = 0.3 }
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from os import PathLike
from pathlib import Path
from typing import Any, Final, Literal

import numpy as np
import pandas as pd

from sidewall.arguments import (
    Table,
    as_frame,
    check_count,
    check_level,
    check_seed,
    column_names,
    near,
    parse_toml,
    read_toml,
)
from sidewall.combinations.effect import StateChoice, effect_table
from sidewall.combinations.many_tests import adjusted
from sidewall.combinations.shot_columns import ShotColumns
from sidewall.combinations.step import (
    CONDITIONS,
    Step,
    check_steps,
    checked_range,
    checked_words,
    not_charted,
)
from sidewall.combinations.tries import funnel_table, shots_of_tries, tries_table
from sidewall.court.court import Court
from sidewall.court.zones import Zones
from sidewall.errors import DataError
from sidewall.files import write_file
from sidewall.rallies.states import LooseBall, StateRule

_TOP: Final = ("name", "description", "decisive", "step")
_STEP: Final = ("by", "optional", *CONDITIONS)
_ENDS: Final = ("from", "to")

#: What a file holds: name, description, decisive step (0 if not given), steps.
Content = tuple[str, str, int, list[Step]]


def write_text(name: str, description: str, decisive: int, steps: Sequence[Step]) -> str:
    """Write a combination as TOML."""
    lines = [f"name = {_string(name)}"]
    if description:
        lines.append(f"description = {_string(description)}")
    lines.append(f"decisive = {decisive}")
    for step in steps:
        lines += ["", "[[step]]", f"by = {_string(step.by)}"]
        if step.may_be_left_out:
            lines.append("optional = true")
        for condition, value in step.conditions.items():
            lines.append(f"{condition} = {_value(condition, value)}")
    return "\n".join(lines) + "\n"


def _string(text: str) -> str:
    # a JSON string is a TOML basic string, but for the one control character it leaves as it is
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _value(condition: str, value: Any) -> str:
    if not CONDITIONS[condition].words:
        ends = zip(_ENDS, value, strict=True)
        return "{ " + ", ".join(f"{end} = {m!r}" for end, m in ends if m is not None) + " }"
    words = [_string(word) for word in value]
    return words[0] if len(words) == 1 else f"[{', '.join(words)}]"


def read_file(path: str | PathLike[str]) -> Content:
    """Read a combination from a file; a DataError names the file."""
    content = read_toml(path, "the combination")
    try:
        return _content(content)
    except DataError as error:
        raise DataError(f"{Path(path).name}: {error}") from error


def read_text(text: str) -> Content:
    """Read a combination from TOML text; a DataError names the step and the key."""
    try:
        return _content(parse_toml(text))
    except tomllib.TOMLDecodeError as error:
        raise DataError(f"no valid TOML: {error}.") from error


def _content(content: Mapping[str, Any]) -> Content:
    _only(content, _TOP, "")
    name, description = content.get("name"), content.get("description", "")
    if not isinstance(name, str) or not name.strip():
        raise DataError('name is missing: write name = "..." at the top.')
    if not isinstance(description, str):
        raise DataError(f"description is {description!r}; write it between quotes.")
    decisive = content.get("decisive", 0)
    if isinstance(decisive, bool) or not isinstance(decisive, int):
        raise DataError(f"decisive is {decisive!r}; give the number of an own step.")
    tables = content.get("step")
    if not isinstance(tables, list) or not tables:
        raise DataError("step is missing: begin each step with a line [[step]].")
    return name, description, decisive, [_step(t, k) for k, t in enumerate(tables, start=1)]


def _only(table: Mapping[str, Any], known: Sequence[str], where: str) -> None:
    for key in table:
        if key not in known:
            raise DataError(f"{where}{key} is not understood; {near(key, known)}")


def _step(table: Any, number: int) -> Step:
    where = f"step {number}, "
    if not isinstance(table, Mapping):
        raise DataError(f"step {number} is {table!r}; begin each step with a line [[step]].")
    _only(table, _STEP, where)
    by, optional = table.get("by"), table.get("optional", False)
    if by not in ("own", "reply"):
        raise DataError(f'{where}by is {by!r}; write "own" or "reply".')
    if not isinstance(optional, bool):
        raise DataError(f"{where}optional is {optional!r}; write true or false.")
    asked: dict[str, Any] = {}
    for name, value in table.items():
        if name not in CONDITIONS:
            continue
        if CONDITIONS[name].words:
            asked[name] = checked_words(name, value, where)
        else:
            asked[name] = _range(name, value, where)
    return Step(by, **asked, may_be_left_out=optional)


def _range(name: str, value: Any, where: str) -> tuple[float | None, float | None]:
    if not isinstance(value, Mapping):
        raise DataError(
            f"{where}{name} is {value!r}; write {{ from = 0.3, to = 0.8 }}, either of them alone "
            "for an open end."
        )
    _only(value, _ENDS, f"{where}{name}: ")
    return checked_range(name, (value.get("from"), value.get("to")), where)


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
    decisive : int, default 0
        Number of the own step (from 1) with which the combination is under way: the steps
        before it are the lead-up. By default the second own step, or the first if there
        is but one.

    Raises
    ------
    DataError
        If the steps do not take turns, an optional one can never be left out, or
        `decisive` is no own step that is always played.

    See Also
    --------
    Step
    plot_sequence
    plot_funnel
    plot_effects

    Examples
    --------
    >>> two = sw.Combination(
    ...     "length then volley",
    ...     [sw.Step.own(stroke="drive"), sw.Step.any_reply(), sw.Step.own(contact="volley")],
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

        Parameters
        ----------
        name : str

        Raises
        ------
        DataError
            If there is none of that name, with the closest.
        """
        if name not in BUILT_IN:
            raise DataError(f"No combination {name!r} is built in; {near(name, list(BUILT_IN))}")
        return BUILT_IN[name]

    def to_toml(self) -> str:
        """The combination as the text of a TOML file."""
        return write_text(self.name, self.description, self.decisive, self.steps)

    @classmethod
    def from_toml(cls, text: str) -> Combination:
        """Read the text of a TOML file.

        Parameters
        ----------
        text : str
            What :meth:`to_toml` gives.

        Raises
        ------
        DataError
            Naming the step and the key that is not understood.
        """
        name, description, decisive, steps = read_text(text)
        return cls(name, steps, description, decisive)

    def write(self, path: str | PathLike[str]) -> None:
        """Write a TOML file that others can read; the file is replaced if it is there.

        Parameters
        ----------
        path : path
            The file.

        Raises
        ------
        WriteError
            If it cannot be written.
        """
        write_file(path, self.to_toml())

    @classmethod
    def read(cls, path: str | PathLike[str]) -> Combination:
        """Read a TOML file written by `write` or by hand.

        Parameters
        ----------
        path : path
            The file.

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

        Parameters
        ----------
        shots : DataFrame
            A canonical shot table of whole rallies.
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

        Parameters
        ----------
        shots, player, court, loose
            As in :meth:`find`.

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
        shots, player, court, loose
            As in :meth:`find`.

        Returns
        -------
        DataFrame
            A row a stage (``tried``, ``step 2``, ..., ``finished``, ``rally won``):

            - ``n_tries`` that got there, ``of`` tries that were a stage before;
              ``share`` with ``share_low`` and ``share_high`` (Wilson's interval on the effective
              number, since tries share rallies). For ``rally won``, of the finished tries that
              were decided;
            - ``of_tried``, ``of_tried_low``, ``of_tried_high``: the same of all tries;
            - ``n_rallies``; ``win_rate``, ``win_rate_low``, ``win_rate_high``: rallies won from
              there on, tries of a rally sharing its result;
            - ``another_shot``, ``rally_over``, ``not_charted``: tries that got no further
              than this, by reason; ``stopped_win_rate``, what became of them.
        """
        shots = as_frame(shots)
        check_level(level)
        found = self.find(shots, player, court, loose)
        names = () if by is None else column_names(by, found.columns)
        return funnel_table(found, self.steps, names, level)

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

        The quantity: among the moments of a match at which this player, the lead-up done,
        stood in the same state of the rally and was about to strike, how much more often was
        the rally won when the decisive shot was played than when another way was taken. Both
        kinds of moments meet what the decisive step asks of the *situation*; they differ in
        what the player decides (stroke, direction, choice, where the ball goes). It is a
        comparison of like with like as far as match and state tell, not an experiment. Whether
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
        seed : int or Generator, default 0
            For the permutations. For the others see `find`.
        shots, player, court, loose
            As in :meth:`find`.

        Returns
        -------
        DataFrame
            ``combination``, ``player`` (missing for all players together), ``status``
            (gains, costs, not known yet, too few), ``played_on``, ``another_way``
            (moments), ``n_rallies`` behind them and ``strata`` compared;
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


#: A corner that far from the opponent cannot be reached with a stride and a lunge.
_EMPTY_M: Final = 3.5

_FOUR_STEPS = Combination(
    "length, volley short, cover, empty corner",
    (
        Step.own(stroke="drive"),
        Step.any_reply(),
        Step.own(contact="volley", stroke=("drop", "kill")),
        Step.reply(direction="cross"),
        Step.own(room_m=(_EMPTY_M, None)),
    ),
    "Length pins the opponent back; the reply is taken early and volleyed short; the "
    "opponent's way out is across the court, which the player covers; the next ball goes to "
    "the corner that the opponent left empty. Common practice, no source.",
)
_LENGTH_THEN_VOLLEY = Combination(
    "length then volley",
    (Step.own(stroke="drive"), Step.any_reply(), Step.own(contact="volley")),
    "A drive to a length, and the reply is cut off in the air, which takes time from the "
    "opponent. Common practice, no source.",
)
_DROP_THEN_COUNTER = Combination(
    "drop then counter drop",
    (Step.own(stroke="drop"), Step.reply(stroke="drop"), Step.own(stroke="drop")),
    "A drop is answered with a drop, and the player, who is on the way forward, drops again. "
    "Common practice, no source.",
)

#: By name.
BUILT_IN: Final[dict[str, Combination]] = {
    each.name: each for each in (_FOUR_STEPS, _LENGTH_THEN_VOLLEY, _DROP_THEN_COUNTER)
}


def effects(
    combinations: Sequence[Combination], shots: pd.DataFrame, **options: Any
) -> pd.DataFrame:
    """The effects of several combinations, with p-values adjusted over all of them.

    Parameters
    ----------
    combinations : sequence of Combination
    shots : DataFrame
        Whole rallies.
    **options
        As :meth:`Combination.effect` takes them, such as ``by="player"``.

    Returns
    -------
    DataFrame
        The rows of :meth:`Combination.effect`, and ``p_adjusted``: Benjamini-Hochberg over
        every combination and player looked at that has enough rallies.
    """
    if not combinations:
        raise DataError("Give at least one combination.")
    tables = [each.effect(shots, **options) for each in combinations]
    table = pd.concat(tables, ignore_index=True)
    table["p_adjusted"] = adjusted(table["p"].to_numpy())
    return table
