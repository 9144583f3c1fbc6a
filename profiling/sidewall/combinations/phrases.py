"""Steps in plain English."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from sidewall.combinations.conditions import CONDITIONS

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
