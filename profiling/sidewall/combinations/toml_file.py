"""Combinations as TOML text, so that they can be shared and edited by hand.

::

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
from os import PathLike
from pathlib import Path
from typing import Any, Final

from sidewall.arguments import parse_toml
from sidewall.combinations.conditions import CONDITIONS, checked_range, checked_words, closest
from sidewall.combinations.step import Step
from sidewall.errors import DataError

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
    """Read a combination from a file.

    Raises
    ------
    DataError
        If the file cannot be read or holds something that is not understood.
    """
    file = Path(path)
    try:
        text = file.read_text(encoding="utf-8")
    except OSError as error:
        raise DataError(f"{file}: the combination cannot be read ({error.strerror}).") from error
    except UnicodeDecodeError as error:
        raise DataError(f"{file.name}: not UTF-8 text; save it as UTF-8.") from error
    try:
        return read_text(text)
    except DataError as error:
        raise DataError(f"{file.name}: {error}") from error


def read_text(text: str) -> Content:
    """Read a combination from TOML text.

    Raises
    ------
    DataError
        Naming the step and the key that is not understood.
    """
    try:
        content = parse_toml(text)
    except tomllib.TOMLDecodeError as error:
        raise DataError(f"no valid TOML: {error}.") from error
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
            raise DataError(f"{where}{key} is not understood; {closest(key, known)}")


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
