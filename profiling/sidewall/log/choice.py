"""Attack or reset, derived from how the ball was played where the charter did not say.

The default table is common practice, no source: it sorts strokes by what they are usually
played for. Whoever reads a stroke differently lays rules of his own over the table.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final, TypeAlias

import numpy as np
import numpy.typing as npt
import pandas as pd

from sidewall.arguments import Array
from sidewall.errors import LogError
from sidewall.log.cells import is_blank
from sidewall.log.synonyms import understand_word
from sidewall.log.vocabulary import CHOICES, CONTACTS, DIRECTIONS, STROKES

ChoiceTable: TypeAlias = pd.DataFrame | Mapping[Any, str]

#: (stroke, direction, contact): choice. None fits any direction or contact, also an unknown
#: one; the rule that names more wins.
DEFAULT_CHOICES: Final[Mapping[tuple[str, str | None, str | None], str]] = {
    ("drive", None, None): "reset",
    ("lob", None, None): "reset",
    ("back_wall_boast", None, None): "reset",
    ("skid_boast", None, None): "reset",
    ("drop", None, None): "attack",
    ("kill", None, None): "attack",
    ("smash", None, None): "attack",
    ("flick", None, None): "attack",
    ("boast", None, None): "attack",
    # Dug out of the back corner, a boast keeps the rally alive.
    ("boast", None, "off_back_wall"): "reset",
}
_COLUMNS: Final = ["stroke", "direction", "contact", "choice"]
_PARTS: Final = (("stroke", STROKES), ("direction", DIRECTIONS), ("contact", CONTACTS))


def derive_choice(
    stroke: Array, direction: Array, contact: Array, table: ChoiceTable | None = None
) -> npt.NDArray[np.int8]:
    """Choice of each shot as a code into ``vocabulary.CHOICES``, (n,); -1 where no rule fits.

    Takes codes into the vocabulary, -1 where unknown, and a table laid over `DEFAULT_CHOICES`; see
    :func:`choice_rules`, whose errors it raises, and a LogError for two rules that are equally
    particular. A serve has no choice.
    """
    answers = _lookup(choice_rules(DEFAULT_CHOICES))
    if table is not None:
        own = _lookup(choice_rules(table))
        answers = np.where(own >= 0, own, answers)
    found = answers[stroke, direction, contact]
    found[stroke == STROKES.index("serve")] = -1
    found[stroke < 0] = -1
    return found


def choice_rules(table: ChoiceTable) -> pd.DataFrame:
    """Check a table of choices: columns stroke, direction, contact, choice, where None fits any.

    Takes a DataFrame in which direction and contact may be missing or blank; or a mapping from a
    stroke, or from (stroke, direction, contact), to a choice. A LogError if a column is missing,
    or a word is not in the vocabulary.
    """
    if isinstance(table, pd.DataFrame):
        missing = [name for name in ("stroke", "choice") if name not in table]
        if missing:
            raise LogError(
                f"The choice table lacks the column {', '.join(missing)}: it needs stroke and "
                "choice, and may have direction and contact."
            )
        frame = table.reindex(columns=_COLUMNS)
        entries = list(frame.itertuples(index=False, name=None))
    else:
        entries = [
            (*(key if isinstance(key, tuple) else (key, None, None)), choice)
            for key, choice in table.items()
        ]
    rows = []
    for entry in entries:
        if len(entry) != 4:
            raise LogError(
                f"The choice table has the key {entry[:-1]!r}: give a stroke, or the three of "
                "(stroke, direction, contact) with None for any."
            )
        words = [_word(name, cell) for name, cell in zip(_COLUMNS, entry, strict=True)]
        if words[0] is None or words[3] is None:
            raise LogError(
                f"The choice table has the rule {entry!r}: stroke and choice may not be blank."
            )
        rows.append(words)
    return pd.DataFrame(rows, columns=_COLUMNS, dtype=object)


def _word(column: str, cell: Any) -> str | None:
    if cell is None or (not isinstance(cell, str) and pd.isna(cell)) or is_blank(cell):
        return None
    meaning = understand_word(column, cell)
    if meaning.value is None or meaning.beside:
        raise LogError(
            f"The choice table holds {cell!r} as {column}: "
            f"{meaning.mend or 'give direction and contact in columns of their own'}."
        )
    return meaning.value


def _lookup(rules: pd.DataFrame) -> npt.NDArray[np.int8]:
    """Answer for every stroke x direction x contact; the last place of each is unknown."""
    shape = tuple(len(words) + 1 for _, words in _PARTS)
    answers = np.full(shape, -1, dtype=np.int8)
    named = rules[["direction", "contact"]].notna().sum(axis=1).to_numpy()
    filled_by = np.full(shape, -1, dtype=np.int64)
    for at in np.argsort(named, kind="stable"):  # the more particular rule later, on top
        place = tuple(
            slice(None) if rules[name].iloc[at] is None else words.index(rules[name].iloc[at])
            for name, words in _PARTS
        )
        code = CHOICES.index(rules["choice"].iloc[at])
        rivals = (filled_by[place] == named[at]) & (answers[place] != code)
        if np.any(rivals):
            rule = ", ".join(str(rules[name].iloc[at] or "any") for name, _ in _PARTS)
            raise LogError(
                f"The choice table says both attack and reset for ({rule}): drop one of the rules, "
                "or make one more particular."
            )
        answers[place] = code
        filled_by[place] = named[at]
    return answers
