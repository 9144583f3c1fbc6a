"""One step of a combination: a condition on the player's own shot or on the reply."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any, Unpack

from sidewall.combinations.conditions import (
    CONDITIONS,
    Kind,
    Range,
    StepConditions,
    Words,
    checked_range,
    checked_words,
    closest,
)
from sidewall.combinations.phrases import step_phrase
from sidewall.errors import DataError


@dataclass(frozen=True)
class Step:
    """A condition on one shot of a rally; write it with `own`, `reply` or `any_reply`.

    Every condition takes one word or several, of which any will do; what is not given is
    not asked. A shot of which the asked thing was not charted does not meet the step.

    Parameters
    ----------
    by : {"own", "reply"}
        Who strikes: the player whose combination it is, or the opponent.
    stroke, direction, contact, side, choice, balance : str or sequence of str, optional
        Words of the shot log.
    depth, lane : str or sequence of str, optional
        Zone of the contact: front, middle, back; left, centre, right.
    gap_m : (float or None, float or None), optional
        Gap of the incoming ball in metres, from (included) and to (not included).
    ball : {"tight", "loose"}, optional
        The same against the striker's own threshold, or a fixed cut; see
        `sidewall.LooseBall`.
    opponent_depth, opponent_lane : str or sequence of str, optional
        Zone in which the striker's opponent stands at the contact.
    bounce_depth, bounce_lane : str or sequence of str, optional
        Zone of this shot's first bounce.
    room_m : (float or None, float or None), optional
        Metres from this shot's first bounce to where the opponent stands at the contact.
    may_be_left_out : bool, default False
        See `optional`.

    Raises
    ------
    DataError
        On an unknown condition or word, naming the closest one, or an impossible range.

    Examples
    --------
    >>> print(Step.own(stroke="drop", contact="volley"))
    the player plays a volley drop
    >>> print(Step.any_reply())
    the opponent plays any reply
    """

    by: Kind
    stroke: Words = None
    direction: Words = None
    contact: Words = None
    side: Words = None
    depth: Words = None
    lane: Words = None
    gap_m: Range = None
    ball: Words = None
    choice: Words = None
    balance: Words = None
    opponent_depth: Words = None
    opponent_lane: Words = None
    bounce_depth: Words = None
    bounce_lane: Words = None
    room_m: Range = None
    may_be_left_out: bool = False

    def __post_init__(self) -> None:
        if self.by not in ("own", "reply"):
            raise DataError(f"A step is by 'own' or 'reply', not {self.by!r}.")
        for name, condition in CONDITIONS.items():
            value = getattr(self, name)
            if value is not None:
                check = checked_words if condition.words else checked_range
                object.__setattr__(self, name, check(name, value))

    @classmethod
    def own(cls, **conditions: Unpack[StepConditions]) -> Step:
        """A shot of the player whose combination it is."""
        return cls("own", **_known(conditions))

    @classmethod
    def reply(cls, **conditions: Unpack[StepConditions]) -> Step:
        """A shot of the opponent."""
        return cls("reply", **_known(conditions))

    @classmethod
    def any_reply(cls) -> Step:
        """Whatever the opponent plays, as long as the ball comes back."""
        return cls("reply")

    def optional(self) -> Step:
        """The same step, which may be left out.

        Own shots and replies take turns, so a step is left out together with a neighbour
        that is optional too: both, or neither. At either end it may be left out alone.
        """
        return replace(self, may_be_left_out=True)

    @property
    def conditions(self) -> dict[str, Any]:
        """What is asked, by name: tuples of words, or ranges."""
        asked = {name: getattr(self, name) for name in CONDITIONS}
        return {name: value for name, value in asked.items() if value is not None}

    def only(self, names: set[str]) -> Step:
        """The same step with nothing asked but the named conditions."""
        dropped: dict[str, Any] = {name: None for name in self.conditions if name not in names}
        return replace(self, **dropped)

    @property
    def decided(self) -> set[str]:
        """Names of the conditions that the striker decides with this shot.

        Stroke, direction, choice and where the ball goes. How the ball is met (contact) is
        part of the situation, unless it is all that the step asks.
        """
        asked = set(self.conditions)
        chosen = {name for name in asked if CONDITIONS[name].decided}
        return chosen or asked & {"contact"}

    def __str__(self) -> str:
        return step_phrase(self.by, self.conditions, self.may_be_left_out)


def _known(conditions: Any) -> Any:
    names = [field.name for field in fields(Step) if field.name in CONDITIONS]
    for name in conditions:
        if name not in names:
            raise DataError(f"A step has no condition {name!r}; {closest(name, names)}")
    return conditions
