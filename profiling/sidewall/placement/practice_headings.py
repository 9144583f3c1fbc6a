"""The headings of a practice log, and a reading that understands them."""

from __future__ import annotations

from typing import Final

from sidewall.court import Court
from sidewall.court.units import fold_name, parse_column
from sidewall.errors import LogError, UnitError
from sidewall.log.columns import Heading
from sidewall.log.ledger import Problems
from sidewall.log.raw import RawLog
from sidewall.log.reading import Reading

#: Column -> other headings understood for it.
_TEXTS: Final = {
    "session": ("session_id", "drill", "series"),
    "target": ("target_name",),
    "player": ("player_name", "striker"),
    "side": ("wing",),
    "stroke": ("shot_type", "stroke_type"),
    "ending": ("result", "fault"),
}
_COUNTS: Final = {"ball": ("ball_no", "ball_number", "shot", "no")}
_LENGTHS: Final = {
    "bounce_x": (),
    "bounce_y": (),
    "wall_z": ("height",),
    "target_x": (),
    "target_y": (),
    "target_radius": (),
    "tin_height": ("tin",),
}
_NAME_OF: Final = {
    heading: name
    for part in (_TEXTS, _COUNTS, _LENGTHS)
    for name, others in part.items()
    for heading in (name, *others)
}


class PracticeReading(Reading):
    """A reading whose headings are those of a practice log."""

    def __init__(self, raw: RawLog, court: Court) -> None:
        self.raw, self.court = raw, court
        self.rows, self.source = len(raw.lines), raw.source
        self.folded, self.problems = raw.folded, Problems(raw.lines, sheets=raw.sheet_names)
        self.headings = _headings([text for text, _ in raw.columns], raw.source)
        if not self.rows:
            raise LogError(
                f"{raw.source}: there are headings but no rows. Write one ball on each line below "
                "the headings."
            )
        used = {heading.place for heading in self.headings.values()}
        for place, (text, column) in enumerate(raw.columns):
            if place not in used:
                filled = int((~column.blank).sum())
                self.folded.add(text or f"(column {place + 1})", "(column)", "not used", filled)
        self._refuse_overfull()


def _understand(text: str) -> tuple[str | None, str | None]:
    """Return the column that a heading stands for, and the unit of a length."""
    folded = fold_name(text)
    if folded in _NAME_OF:
        return _NAME_OF[folded], None
    quantity, unit = parse_column(folded)
    name = _NAME_OF.get(quantity)
    return (name, unit) if name in _LENGTHS else (None, None)


def missing(headings: list[str]) -> list[str]:
    """Names of the required columns that none of the headings stands for."""
    found = {_understand(text)[0] for text in headings}
    return [name for name in ("session", "bounce_x", "bounce_y") if name not in found]


def _headings(texts: list[str], source: str) -> dict[str, Heading]:
    found: dict[str, Heading] = {}
    for place, text in enumerate(texts):
        name, unit = _understand(text)
        if name is None:
            continue
        if name in found:
            raise LogError(
                f"{source}: the headings {found[name].text!r} and {text!r} both stand for {name}. "
                "Keep one and rename or delete the other."
            )
        if unit == "boards":
            raise UnitError(
                f"{source}: the heading {text!r} counts floorboards; measure it and name it "
                f"{name}_cm or {name}_m."
            )
        found[name] = Heading(place, text, (unit or "m") if name in _LENGTHS else None)
    lacks = missing(texts)
    if lacks:
        raise LogError(
            f"{source}: required column missing: {', '.join(lacks)}. The headings found are: "
            f"{', '.join(map(repr, texts)) or 'none'}. Add or rename the column."
        )
    if "target" not in found and not {"target_x", "target_y", "target_radius"} <= set(found):
        raise LogError(
            f"{source}: the log does not say what was aimed at. Add a column target with the name "
            "of a target, or target_x, target_y and target_radius in metres."
        )
    return found
