"""Combinations that coaches teach (common practice, no source)."""

from __future__ import annotations

from typing import Final

from sidewall.combinations.combination import Combination
from sidewall.combinations.step import Step

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
