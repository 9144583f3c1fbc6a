"""Charting a match in the notebook: a court to click on, keys for the rest, and the video.

`ChartMatch` is the widget. Everything it decides is in modules that know no browser: the
table and its undo (`table`, `session`), what is kept on disk (`journal`, `store`), the reader's
checks (`rows`) and the keys (`keys`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sidewall.charting.widget import ChartMatch

__all__ = ["ChartMatch"]


def __getattr__(name: str) -> Any:
    # The widget needs packages that the rest of charting does not.
    if name == "ChartMatch":
        from sidewall.charting.widget import ChartMatch  # noqa: PLC0415

        return ChartMatch
    raise AttributeError(f"module 'sidewall.charting' has no attribute {name!r}")
