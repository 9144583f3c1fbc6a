"""Steps of a combination: what they may ask of a shot, their words, and how they take turns."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from itertools import combinations, pairwise
from typing import Any, Final, Literal, TypedDict, Unpack

from sidewall.arguments import ACROSS_M, GAP_M, check_within_court, near
from sidewall.court.zones import DEPTHS, LANES
from sidewall.errors import DataError
from sidewall.log.vocabulary import BALANCES, CHOICES, CONTACTS, DIRECTIONS, SIDES, STROKES

#: One word, several of which any will do, or nothing asked.
Words = str | Sequence[str] | None
#: From and to in metres, either end open.
Range = tuple[float | None, float | None] | None

BALLS: Final = ("tight", "loose")


@dataclass(frozen=True)
class Condition:
    """One thing that a step may ask.

    `words` may be asked for, none for a range in metres; `needs` are the columns that tell it and
    `mend` what to chart so that it is known; `decided`, whether the striker decides it with this
    shot (stroke, direction, ...) or finds it (gap, place of the opponent, ...).
    """

    words: tuple[str, ...]
    needs: tuple[str, ...]
    mend: str
    decided: bool = False


_POINT = "chart the contact point (y, and x or the player's hand), or depth and lane in words"
_OPPONENT = "chart where the opponent stands at contact (opponent_x, opponent_y)"
_BOUNCE = "chart the first bounce (bounce_x, bounce_y)"

CONDITIONS: Final[dict[str, Condition]] = {
    "stroke": Condition(STROKES, ("stroke",), "chart stroke", decided=True),
    "direction": Condition(
        DIRECTIONS, ("direction",), "chart direction (straight, cross)", decided=True
    ),
    "contact": Condition(CONTACTS, ("contact",), "chart contact (volley, after_bounce, ...)"),
    "side": Condition(SIDES, ("side",), "chart side"),
    "depth": Condition(DEPTHS, (), _POINT),
    "lane": Condition(LANES, (), _POINT),
    "gap_m": Condition((), ("gap_m",), "chart the gap of the incoming ball"),
    "ball": Condition(BALLS, ("gap_m",), "chart the gap of the incoming ball"),
    "choice": Condition(
        CHOICES, ("choice",), "chart choice, or give read_shots a choice table", decided=True
    ),
    "balance": Condition(BALANCES, ("balance",), "chart balance (set, stretched, jammed)"),
    "opponent_depth": Condition(DEPTHS, ("opponent_x_m", "opponent_y_m"), _OPPONENT),
    "opponent_lane": Condition(LANES, ("opponent_x_m", "opponent_y_m"), _OPPONENT),
    "bounce_depth": Condition(DEPTHS, ("bounce_x_m", "bounce_y_m"), _BOUNCE, decided=True),
    "bounce_lane": Condition(LANES, ("bounce_x_m", "bounce_y_m"), _BOUNCE, decided=True),
    "room_m": Condition(
        (),
        ("bounce_x_m", "bounce_y_m", "opponent_x_m", "opponent_y_m"),
        f"{_BOUNCE}, and {_OPPONENT}",
        decided=True,
    ),
}


class StepConditions(TypedDict, total=False):
    """Conditions by name, as `Step.own` and `Step.reply` take them."""

    stroke: Words
    direction: Words
    contact: Words
    side: Words
    depth: Words
    lane: Words
    gap_m: Range
    ball: Words
    choice: Words
    balance: Words
    opponent_depth: Words
    opponent_lane: Words
    bounce_depth: Words
    bounce_lane: Words
    room_m: Range


def checked_words(name: str, value: object, where: str = "") -> tuple[str, ...]:
    """Turn one word or several into a tuple in the order of the vocabulary.

    A DataError if a word is not of the vocabulary, or no word is given.
    """
    known = CONDITIONS[name].words
    words = [value] if isinstance(value, str) else value
    if not isinstance(words, Iterable):
        raise DataError(f"{where}{name} is {value!r}; give a word or several.")
    words = list(words)
    if not words:
        raise DataError(f"{where}{name} is empty: give a word, or leave the condition out.")
    for word in words:
        if word not in known:
            raise DataError(f"{where}{name}: {word!r} is not known; {near(str(word), known)}")
    return tuple(word for word in known if word in words)


def checked_range(name: str, value: object, where: str = "") -> tuple[float | None, float | None]:
    """Check a range in metres: rising numbers, of which one may be None for an open end."""
    wrong = DataError(
        f"{where}{name} is {value!r}; give (from, to) in metres, None for an open end."
    )
    if not isinstance(value, Sequence) or isinstance(value, str) or len(value) != 2:
        raise wrong
    ends: list[float | None] = []
    for end in value:
        if end is not None and (isinstance(end, bool) or not isinstance(end, int | float)):
            raise wrong
        ends.append(None if end is None else float(end))
    low, high = ends
    if low is None and high is None:
        raise wrong
    for end in ends:
        if end is not None and not 0.0 <= end < math.inf:
            raise wrong
        if end is not None:
            check_within_court(end, name, GAP_M if name == "gap_m" else ACROSS_M, where)
    if low is not None and high is not None and low >= high:
        raise wrong
    return low, high


Kind = Literal["own", "reply"]


_PLAIN = {"cross": "cross-court", "back_wall_boast": "back-wall boast", "skid_boast": "skid boast"}


def step_phrase(by: str, conditions: Mapping[str, Any], left_out: bool) -> str:
    """Say a step: who plays what, from where, off which ball."""
    who = "the player" if by == "own" else "the opponent"
    if not conditions:
        what = "any shot" if by == "own" else "any reply"
    else:
        what = " ".join([_shot(conditions), *_circumstances(conditions)])
    return f"{who} plays {what}" + (" (may be left out)" if left_out else "")


def _any_of(words: Sequence[str]) -> str:
    return " or ".join(_PLAIN.get(word, word.replace("_", " ")) for word in words)


def _shot(conditions: Mapping[str, Any]) -> str:
    """A straight volley drop or kill."""
    contact = conditions.get("contact", ())
    volley = tuple(contact) == ("volley",)
    stroke = conditions.get("stroke", ())
    choice = conditions.get("choice", ())
    words = [_any_of(conditions["direction"])] if "direction" in conditions else []
    if len(choice) == 1 and not stroke:
        words += ["attacking" if choice[0] == "attack" else "resetting"]
    words += ["volley"] if volley else []
    words += [_any_of(stroke)] if stroke else [] if volley else ["shot"]
    said = " ".join(words)
    said = ("an " if said[0] in "aeiou" else "a ") + said
    if len(choice) == 1 and stroke:
        said += " as an attack" if choice[0] == "attack" else " as a reset"
    return said


def _circumstances(conditions: Mapping[str, Any]) -> list[str]:
    parts = []
    contact = tuple(conditions.get("contact", ()))
    if contact and contact != ("volley",):
        met = {"volley": "in the air", "after_bounce": "after the bounce"}
        parts.append(" or ".join(met.get(word, "off the back wall") for word in contact))
    if "side" in conditions and len(conditions["side"]) == 1:
        parts.append(f"on the {conditions['side'][0]}")
    if {"depth", "lane"} & set(conditions):
        parts.append(f"from the {zone(conditions, '')}")
    if "ball" in conditions:
        parts.append(f"off a {_any_of(conditions['ball'])} ball")
    if "gap_m" in conditions:
        low, high = (None if end is None else 100 * end for end in conditions["gap_m"])
        parts.append(f"off a ball {_range(low, high, 'cm')} from the side wall")
    if "balance" in conditions:
        parts.append(f"while {_any_of(conditions['balance'])}")
    if {"opponent_depth", "opponent_lane"} & set(conditions):
        parts.append(f"with the opponent of the striker in the {zone(conditions, 'opponent_')}")
    if {"bounce_depth", "bounce_lane"} & set(conditions):
        parts.append(f"to bounce in the {zone(conditions, 'bounce_')}")
    if "room_m" in conditions:
        low, high = conditions["room_m"]
        parts.append(f"to bounce {_range(low, high, 'm')} from where the other stands")
    return parts


def zone(conditions: Mapping[str, Any], which: str) -> str:
    """Name a zone: "back left", "front of the court"."""
    depth, lane = (conditions.get(f"{which}{part}") for part in ("depth", "lane"))
    if depth and lane:
        return f"{_any_of(depth)} {_any_of(lane)}"
    return f"{_any_of(depth or lane or ())} of the court"


def _range(low: float | None, high: float | None, unit: str) -> str:
    if low is None:
        return f"less than {high:g} {unit}"
    if high is None:
        return f"at least {low:g} {unit}"
    return f"{low:g} to {high:g} {unit}"


def not_charted(names: Sequence[str]) -> str:
    """Say which conditions a log cannot tell, with what would tell them."""
    return "; ".join(f"{name}: {CONDITIONS[name].mend}" for name in names)


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

    See Also
    --------
    Combination
    LooseBall

    Examples
    --------
    >>> print(sw.Step.own(stroke="drop", contact="volley"))
    the player plays a volley drop
    >>> print(sw.Step.any_reply())
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
        """A shot of the player whose combination it is.

        Parameters
        ----------
        **conditions
            Parameters of `Step` but `by`.
        """
        return cls("own", **_known(conditions))

    @classmethod
    def reply(cls, **conditions: Unpack[StepConditions]) -> Step:
        """A shot of the opponent.

        Parameters
        ----------
        **conditions
            Parameters of `Step` but `by`.
        """
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
        """The same step with nothing asked but the named conditions.

        Parameters
        ----------
        *names : str
            Conditions to keep.
        """
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
            raise DataError(f"A step has no condition {name!r}; {near(name, names)}")
    return conditions


_MOST_OPTIONAL: Final = 8


def alternate(steps: Sequence[Step]) -> bool:
    """Whether own shots and replies take turns."""
    return all(one.by != two.by for one, two in pairwise(steps))


def check_steps(steps: Sequence[Step]) -> None:
    """Refuse a list of steps that no rally can follow.

    It is empty, has no own shot that is asked for in any case, does not alternate, or an optional
    step can never be left out.
    """
    if not steps:
        raise DataError("A combination needs at least one step.")
    for k, step in enumerate(steps, start=1):
        if not isinstance(step, Step):
            raise DataError(f"Step {k} is {step!r}; build it with Step.own or Step.reply.")
    if not any(step.by == "own" and not step.may_be_left_out for step in steps):
        raise DataError("A combination needs at least one own step that is not optional.")
    for k, (one, two) in enumerate(pairwise(steps), start=1):
        if one.by == two.by:
            mend = "Step.any_reply()" if one.by == "own" else "Step.own()"
            raise DataError(
                f"Steps {k} and {k + 1} are both by {one.by!r}, but the players take turns. "
                f"Put {mend} between them."
            )
    optional = [k for k, step in enumerate(steps) if step.may_be_left_out]
    if len(optional) > _MOST_OPTIONAL:
        raise DataError(f"{len(optional)} optional steps; {_MOST_OPTIONAL} is the most.")
    kept = variants(steps)
    for k in optional:
        if all(k in way for way in kept):
            raise DataError(
                f"Step {k + 1} can never be left out: own shots and replies would no longer "
                "take turns. Make the step beside it optional too."
            )


def variants(steps: Sequence[Step]) -> list[tuple[int, ...]]:
    """Positions of the steps in each way of playing, the fullest first."""
    every = range(len(steps))
    optional = [k for k in every if steps[k].may_be_left_out]
    ways = []
    for count in range(len(optional) + 1):
        for gone in combinations(optional, count):
            way = tuple(k for k in every if k not in gone)
            if way and alternate([steps[k] for k in way]):
                ways.append(way)
    return ways
