"""A fitted tightness model that answers every question once."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd

from sidewall.models.tightness import TightnessModel

__all__ = ["Answers"]


class Answers:
    """A fitted model whose tables are made once, however many pictures ask for them.

    It stands in for the model wherever one is only read: pictures and tables of ten players
    ask for the same tables again and again.

    Parameters
    ----------
    model
        Fitted.
    """

    def __init__(self, model: TightnessModel) -> None:
        self._model = model
        self._made: dict[tuple[str, float, str], pd.DataFrame] = {}

    def __getattr__(self, name: str) -> Any:
        if name.startswith("__") or name in ("_model", "_made"):  # not there while unpickling
            raise AttributeError(name)
        return getattr(self._model, name)

    def _once(self, name: str, level: float, by: str | Sequence[str] = ()) -> pd.DataFrame:
        key = (name, level, str(by))
        if key not in self._made:
            asked: dict[str, Any] = {"by": by} if by else {}
            self._made[key] = getattr(self._model, name)(level=level, **asked)
        return self._made[key]

    def thresholds(self, level: float = 0.95, by: str | Sequence[str] = ()) -> pd.DataFrame:
        """As :meth:`TightnessModel.thresholds`."""
        return self._once("thresholds", level, by)

    def curves(self, level: float = 0.95) -> pd.DataFrame:
        """As :meth:`TightnessModel.curves`, at its own gaps."""
        return self._once("curves", level)

    def comfort(self, level: float = 0.95) -> pd.DataFrame:
        """As :meth:`TightnessModel.comfort`."""
        return self._once("comfort", level)
