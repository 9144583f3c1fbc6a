"""Checks of what a caller hands in: one place, so that a wrong argument is refused alike.

Each function returns the value in the form that the package works with, or raises
:class:`~sidewall.errors.DataError` with what was found, under which name, and the mend.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Iterable, Sequence
from difflib import get_close_matches
from importlib import import_module
from numbers import Integral, Real
from os import PathLike
from pathlib import Path
from typing import Any, Final, Protocol, runtime_checkable

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from sidewall.errors import DataError

Array = NDArray[Any]
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

#: What `keep` may be: a query, a function of the table, or one true or false a row.
Keep = str | Callable[[pd.DataFrame], Any] | Sequence[bool] | NDArray[np.bool_] | pd.Series

_MOST_SHOWN: Final = 12
_DEEPEST: Final = 20
_CENTIMETRES: Final = " (centimetres? divide by 100)"
_TOO_DEEP: Final = "its tables or lists lie too deep within one another"

#: No gap, no place and no height is beyond these, in metres: half the width of a singles court,
#: its width, its length and the lower edge of its out line (World Squash Federation,
#: *Specifications for Squash Courts*), and the longest way across its floor.
GAP_M: Final = 3.2
WIDTH_M: Final = 6.4
LENGTH_M: Final = 9.75
HEIGHT_M: Final = 4.57
ACROSS_M: Final = math.hypot(WIDTH_M, LENGTH_M)

#: What pandas raises on a query that it cannot read or answer.
_QUERY_ERRORS: Final = (
    AttributeError,
    KeyError,
    NameError,
    NotImplementedError,
    SyntaxError,
    TypeError,
    ValueError,
)


@runtime_checkable
class ArrowTable(Protocol):
    """Any table that speaks the Arrow interchange protocol."""

    def __arrow_c_stream__(self, requested_schema: object | None = None) -> object:
        """Give the table as an Arrow stream."""


#: A table of shots as the public functions take it.
Table = pd.DataFrame | ArrowTable


def as_frame(table: object, name: str = "shots") -> pd.DataFrame:
    """Return a table as a DataFrame; a DataFrame is returned as it is.

    Parameters
    ----------
    table : DataFrame or object with ``__arrow_c_stream__``
        Such as a pyarrow or polars table.
    name : str
        What the caller calls it.

    Raises
    ------
    DataError
        For anything else.
    """
    if isinstance(table, pd.DataFrame):
        return table
    if isinstance(table, ArrowTable):
        pa = import_module("pyarrow")  # seldom needed, and slow to load
        try:
            arrow = pa.table(table)
            for at, field in enumerate(arrow.schema):
                kind = field.type
                if pa.types.is_dictionary(kind) and pa.types.is_unsigned_integer(kind.index_type):
                    # polars counts words so, which older releases of pyarrow cannot hand on
                    signed = [
                        pa.DictionaryArray.from_arrays(part.indices.cast("int64"), part.dictionary)
                        for part in arrow.column(at).chunks
                    ]
                    kind = pa.dictionary(pa.int64(), kind.value_type)  # said for a table of no rows
                    arrow = arrow.set_column(at, field.name, pa.chunked_array(signed, kind))
            return arrow.to_pandas()
        except (pa.ArrowException, TypeError) as error:
            raise DataError(
                f"{name} cannot be read as an Arrow table ({error}); give a pandas DataFrame"
            ) from error
    raise DataError(
        f"{name} is {_shown(table)}; give a table: a pandas DataFrame such as sw.read_shots "
        "gives, or one that speaks the Arrow protocol, such as a polars or pyarrow table"
    )


def check_kind(found: object, kind: str, name: str, mend: str, or_none: bool = False) -> None:
    """Refuse what is not of a class; the class is named, so that it need not be loaded for it.

    With `or_none`, nothing at all will do as well.
    """
    if or_none and found is None:
        return
    if kind not in [one.__name__ for one in type(found).__mro__]:
        raise DataError(f"{name} is {_shown(found)}; give {mend}")


def check_fitted(
    found: Any, kind: str = "TightnessModel", name: str = "model", asks: str = "shots"
) -> None:
    """Refuse what is not of a class of fits, and one that is not fitted.

    Parameters
    ----------
    found : object
        What the caller handed in.
    kind : str
        Name of a public class with a `fit`.
    name : str
        What the caller calls it.
    asks : str
        What its `fit` takes.

    Raises
    ------
    DataError
        For anything else.
    NotFittedError
        Before a fit.
    """
    check_kind(found, kind, name, f"a fitted {kind}, sw.{kind}().fit({asks})")
    found.need_fit()


def check_level(level: float) -> float:
    """Return a confidence level strictly between 0 and 1."""
    if not _is_number(level) or not 0.0 < level < 1.0:
        meant = f"{level / 100:g}" if _is_number(level) and 1.0 < level < 100.0 else "0.95"
        raise DataError(f"level is {_shown(level)}; give a number between 0 and 1, such as {meant}")
    return float(level)


def check_share(share: float, name: str, ends: bool = False) -> float:
    """Return a share between 0 and 1; with `ends`, 0 and 1 themselves are shares too."""
    if not _is_number(share) or not (0.0 < share < 1.0 or (ends and share in (0.0, 1.0))):
        word = "from 0 to 1" if ends else "between 0 and 1"
        raise DataError(f"{name} is {_shown(share)}; give a number {word}")
    return float(share)


def check_number(
    value: float, name: str, above: float = -math.inf, least: float = -math.inf
) -> float:
    """Return a finite number, above or at least a bound."""
    if not _is_number(value) or not math.isfinite(value) or value <= above or value < least:
        bound = f" above {above:g}" if above > -math.inf else ""
        bound = f" of at least {least:g}" if least > -math.inf else bound
        raise DataError(f"{name} is {_shown(value)}; give a number{bound}")
    return float(value)


def check_scale(scale: float, name: str = "prior_scale") -> float:
    """Return a scale or a length: a finite number above 0."""
    return check_number(scale, name, above=0.0)


def check_length_m(length: float, name: str, most: float = GAP_M) -> float:
    """Return a length in metres above 0 that fits on a court: by default a gap."""
    return check_within_court(check_scale(length, name), name, most)


def check_within_court(length: float, name: str, most: float, where: str = "") -> float:
    """Return a length in metres; refuse one that no court has, as centimetres are."""
    if abs(length) > most:
        raise DataError(
            f"{where}{name} holds {length:g} m{_CENTIMETRES}, and on a court none is above "
            f"{most:.4g} m; give metres"
        )
    return length


def check_count(count: int, name: str, least: int = 1, most: int | None = None) -> int:
    """Return a whole number from `least` to `most`."""
    whole = isinstance(count, Integral) and not isinstance(count, bool)
    if not whole or count < least or (most is not None and count > most):
        bound = f"of at least {least}" if most is None else f"from {least} to {most}"
        raise DataError(f"{name} is {_shown(count)}; give a whole number {bound}")
    return int(count)


def check_folds(folds: int) -> int:
    """Return a number of folds: at least 2; more than there are matches leave out one each."""
    return check_count(folds, "folds", least=2)


def check_seed(seed: int | np.random.Generator) -> int | np.random.Generator:
    """Return a seed: a whole number from 0, or a numpy Generator."""
    if isinstance(seed, np.random.Generator):
        return seed
    if not isinstance(seed, Integral) or isinstance(seed, bool) or seed < 0:
        raise DataError(
            f"seed is {_shown(seed)}; give a whole number from 0 on, or a numpy Generator"
        )
    return int(seed)


def numbers_of(values: ArrayLike, name: str, mend: str = "give numbers") -> NDArray[np.float64]:
    """Return values as an array of numbers, of whatever shape."""
    try:
        if isinstance(values, str | dict) or values is None:
            raise TypeError
        return np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError):
        raise DataError(f"{name} is {_shown(values)}; {mend}") from None


def check_lengths_m(
    lengths: ArrayLike, name: str, widest: float | None = None, most: float = GAP_M
) -> NDArray[np.float64]:
    """Return lengths in metres, shape (n,): at least one, each from 0 to `widest`.

    None is above `most`, the longest there is on a court: by default of a gap.
    """
    mend = f"{name} takes metres, such as [0.2, 0.5]"
    found = np.atleast_1d(numbers_of(lengths, name, mend))
    if found.ndim != 1 or not found.size:
        raise DataError(f"{name} has shape {found.shape}; {mend}")
    wrong = found[~np.isfinite(found) | (found < 0.0)]
    if wrong.size:
        raise DataError(f"{name} holds {wrong[0]:g}; {mend}")
    if widest is not None and found.max() > widest:
        far = float(found.max())
        centimetres = _CENTIMETRES if far > GAP_M else ""
        raise DataError(
            f"{name} holds {far:g} m{centimetres}, and nothing is known beyond {widest:.2f} m, "
            "the widest gap that was met; leave out what lies beyond"
        )
    check_within_court(float(found.max()), name, most)
    return found


def check_gaps_m(gaps_m: ArrayLike, widest: float | None = None) -> NDArray[np.float64]:
    """Return gaps in metres, shape (n,): from 0 to the widest gap that was met."""
    return check_lengths_m(gaps_m, "gaps_m", widest)


def names_of(value: str | Iterable[str], name: str) -> tuple[str, ...]:
    """Return one name, or several, as a tuple; the same name twice is refused."""
    if isinstance(value, str):
        return (value,)
    found: tuple[Any, ...] = ()
    if isinstance(value, Iterable) and not isinstance(value, dict | bytes):
        found = tuple(value)
    elif value is not None:
        found = (None,)
    strange = [one for one in found if not isinstance(one, str)]
    if strange or value is None:
        raise DataError(f"{name} is {_shown(value)}; give a name or a list of names")
    twice = [one for i, one in enumerate(found) if one in found[:i]]
    if twice:
        raise DataError(f"{name} names {twice[0]!r} twice; name it once")
    return found


def column_names(
    value: str | Iterable[str], columns: Iterable[Any] | None = None, name: str = "by"
) -> tuple[str, ...]:
    """Return one column, or several, as a tuple of names.

    Parameters
    ----------
    columns : iterable of str, optional
        Columns of the table; a name that is none of them is refused.
    name : str
        What the caller calls it.
    """
    found = names_of(value, name)
    if columns is not None:
        known = [str(column) for column in columns]
        for one in found:
            if one not in known:
                raise DataError(f"{name}: the table has no column {one!r}; {near(one, known)}")
    return found


def check_word(value: str, allowed: Iterable[str], name: str) -> str:
    """Return a word of a closed list."""
    words = list(allowed)
    if not isinstance(value, str) or value not in words:
        shown = value if isinstance(value, str) else ""
        raise DataError(f"{name} is {_shown(value)}; {near(shown, words)}")
    return value


def check_words(values: Any, allowed: Iterable[str], name: str) -> None:
    """Refuse a column that holds a word outside a closed list; blanks may stand in it."""
    words = list(allowed)
    for value in pd.unique(pd.Series(values).dropna()):
        if value not in words:
            raise DataError(f"{name} holds {_shown(value)}; {near(str(value), words)}")


def check_player(player: str, players: Iterable[str]) -> str:
    """Return the name of a known player."""
    known = [str(one) for one in players]
    if not isinstance(player, str) or player not in known:
        shown = player if isinstance(player, str) else ""
        raise DataError(f"there is no player {_shown(player)} here; {near(shown, known)}")
    return player


def kept_rows(table: pd.DataFrame, keep: Keep | None) -> NDArray[np.bool_]:
    """Rows of a table that `keep` chooses, as a mask of shape (n,).

    Parameters
    ----------
    keep : str, callable or sequence of bool, optional
        A query as ``DataFrame.query`` takes it, a function from the table to a mask, or
        the mask itself; a mask that is a Series with the table's own labels is matched by
        label. None keeps every row.

    Raises
    ------
    DataError
        When the query cannot be read, or the mask has blanks, another length or other
        values than true and false.
    """
    if keep is None:
        return np.ones(len(table), dtype=bool)
    found: Any = keep
    if isinstance(keep, str):
        found = _asked(table, keep)
    elif callable(keep):
        found = keep(table)
    if isinstance(found, pd.Series) and not found.index.equals(table.index):
        if not found.index.is_unique or not table.index.isin(found.index).all():
            raise DataError(
                "keep is a Series with other row labels than the table; make it from this table"
            )
        found = found.reindex(table.index)
    may_be_blank = isinstance(found, pd.Series) and found.dtype.kind in "Ob"
    if may_be_blank and found.isna().any():
        raise DataError(
            f"keep is blank in {int(found.isna().sum())} rows; say true or false, for instance "
            "with .fillna(False)"
        )
    mask = np.asarray(found)
    if mask.dtype == object and all(isinstance(one, bool | np.bool_) for one in mask.ravel()):
        mask = mask.astype(bool)
    if mask.dtype != bool or mask.shape != (len(table),):
        raise DataError(
            f"keep gives {mask.dtype} values of shape {mask.shape} for {len(table)} rows; give a "
            "query such as \"balance == 'set'\", a function of the table, or one true or false "
            "a row"
        )
    return mask


def first_of(words: Sequence[str], most: int) -> str:
    """Write the first words of a list, and how many more there are."""
    more = f" and {len(words) - most} more" if len(words) > most else ""
    return ", ".join(words[:most]) + more


def near(word: str, known: Sequence[str]) -> str:
    """Name the known word that is most like a strange one, and the known words."""
    if not known:
        return "there is none to choose from"
    folded = {one.casefold(): one for one in reversed(known)}
    close = get_close_matches(word.casefold(), list(folded), n=1, cutoff=0.6)
    some = first_of(known, _MOST_SHOWN)
    return f"did you mean {folded[close[0]]!r}? Known: {some}" if close else f"known: {some}"


def _asked(table: pd.DataFrame, query: str) -> Any:
    try:
        return table.eval(query)
    except _QUERY_ERRORS as error:
        raise DataError(
            f"keep is the query {query!r}, which cannot be answered ({error}); write it as "
            f"DataFrame.query takes it, with the columns {', '.join(map(str, table.columns))}"
        ) from error


def _is_number(value: object) -> bool:
    return isinstance(value, Real) and not isinstance(value, bool | np.bool_)


def _shown(value: object) -> str:
    """Tell a value in one short line."""
    if isinstance(value, pd.DataFrame | pd.Series | np.ndarray):
        return f"a {type(value).__name__} of shape {value.shape}"
    text = repr(value)
    if len(text) > 60 or "\n" in text:
        return f"a {type(value).__name__}"
    return text


def parse_toml(text: str) -> dict[str, Any]:
    """Read TOML whose values lie only a few tables and lists deep, as all of ours do.

    Raises
    ------
    tomllib.TOMLDecodeError
        If the text is no TOML, or nested deeper than anything that is written by hand.
    """
    try:
        content = tomllib.loads(text)
    except RecursionError:
        raise tomllib.TOMLDecodeError(_TOO_DEEP) from None
    level: list[Any] = [content]
    for _ in range(_DEEPEST):
        level = [
            one
            for value in level
            if isinstance(value, dict | list)
            for one in (value.values() if isinstance(value, dict) else value)
        ]
    if level:
        raise tomllib.TOMLDecodeError(_TOO_DEEP)
    return content


def read_toml(path: str | PathLike[str], what: str) -> dict[str, Any]:
    """Content of a TOML file that people write by hand; `what` says what it is to hold.

    Raises
    ------
    DataError
        If the file cannot be read, or is no TOML.
    """
    file = Path(path)
    try:
        return parse_toml(file.read_text(encoding="utf-8"))
    except OSError as error:
        raise DataError(f"{file}: {what} cannot be read ({error.strerror})") from error
    except UnicodeDecodeError as error:
        raise DataError(f"{file.name}: not UTF-8 text; save it as UTF-8") from error
    except tomllib.TOMLDecodeError as error:
        raise DataError(f"{file.name}: this is no valid TOML ({error}); mend that line") from error
