"""Tables of a profile: one player's rows, gaps in the reader's unit, sensible digits."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
import pandas as pd

from sidewall.court.units import parse_unit, to_display
from sidewall.errors import DataError
from sidewall.features import shot_features, zone_features
from sidewall.features.coded import struck_by
from sidewall.models import TightnessModel

_DECIMALS: Final = {"cm": 1, "in": 1, "m": 3, "boards": 2}
_SMALL: Final = ("log_loss", "se", "worse_by", "worse_by_se")


def readable(table: pd.DataFrame, unit: str, board_width_m: float | None) -> pd.DataFrame:
    """Write gaps in a unit, named in the heading, and round every number.

    Columns that end in ``_m`` are gaps in metres. They come to a millimetre or so, chances to a
    tenth of a per cent, further shots to two figures.
    """
    known = parse_unit(unit)
    columns: dict[str, pd.Series] = {}
    for name, values in table.items():
        heading = str(name)
        if heading.endswith("_m"):
            heading = f"{heading.removesuffix('_m')}_{known}"
            written = to_display(values.astype(float), known, board_width_m)
            columns[heading] = written.round(_DECIMALS[known])
        elif heading == "more_shots":
            columns[heading] = values.map(_two_figures)
        elif pd.api.types.is_float_dtype(values.dtype):
            columns[heading] = values.round(5 if heading in _SMALL else 3)
        else:
            columns[heading] = values
    return pd.DataFrame(columns)


def _two_figures(more: float) -> str:
    if np.isinf(more):
        return "20000+"
    size = 10 ** max(len(str(int(more))) - 2, 0)
    return str(round(more / size) * size)


def player_tables(models: Mapping[str, TightnessModel], player: str) -> dict[str, pd.DataFrame]:
    """Make the tables of one player, by name; the first column is the outcome of the model."""
    parts: dict[str, dict[str, pd.DataFrame]] = {}
    for outcome, model in models.items():
        tables = {
            "thresholds": model.thresholds(player=player),
            "curves": model.curves(player=player),
            "comfort": model.comfort(player=player),
            "rule": model.rule(player=player),
            **_by_situation(model, player),
            "shots-used": _shots_used(model, int(struck_by(model.used_, player).sum())),
        }
        for name, table in tables.items():
            parts.setdefault(name, {})[outcome] = table
    return {name: by_outcome(tables) for name, tables in parts.items()}


def _by_situation(model: TightnessModel, player: str) -> dict[str, pd.DataFrame]:
    """Thresholds by stroke and by each column of the situation that the log tells apart."""
    names = [*(["stroke"] if model.curves_["attack"].columns.strokes else []), *model.situation_]
    return {
        f"thresholds-by-{name}".replace("_", "-"): model.thresholds(by=name, player=player)
        for name in names
    }


def by_outcome(tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Put tables of models with different outcomes below one another, the outcome first."""
    marked = [table.assign(outcome=outcome) for outcome, table in tables.items()]
    joined = pd.concat(marked, ignore_index=True)
    return joined[["outcome", *joined.columns.drop("outcome")]]


def player_zones(shots: pd.DataFrame, player: str) -> pd.DataFrame:
    """Tabulate a player's zones, or sides where the log tells no place and no contact."""
    features = shot_features(shots)
    own = features[struck_by(features, player)]
    try:
        return zone_features(own)
    except DataError:
        return zone_features(own, by=["player", "side"])


def _shots_used(model: TightnessModel, own: int) -> pd.DataFrame:
    """How many shots the model rests on, and why it left out the others."""
    used = {"used": len(model.used_), "used, of this player": own}
    left_out = {f"left out: {reason}": int(n) for reason, n in model.left_out_.items()}
    return pd.DataFrame({"what": [*used, *left_out], "shots": [*used.values(), *left_out.values()]})
