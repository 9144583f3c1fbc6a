"""A bar where one waits: on a terminal, and in a notebook."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from tqdm import tqdm


def waiting(items: Iterable[Any], what: str, unit: str) -> tqdm[Any]:
    """Go through items behind a bar with what is being done and how long it may take.

    It shows after two seconds and goes when all is done. A stream that is neither a terminal's nor
    a notebook's gets none; ``TQDM_DISABLE=1`` keeps it out of notebooks too, such as those that are
    stored.
    """
    from tqdm import tqdm  # noqa: PLC0415 - slow to load

    shown: Any = {} if _in_notebook() else {"disable": None}
    return tqdm(items, desc=what, unit=unit, leave=False, delay=2, **shown)


def _in_notebook() -> bool:
    shell = sys.modules.get("IPython")
    return shell is not None and getattr(shell.get_ipython(), "kernel", None) is not None
