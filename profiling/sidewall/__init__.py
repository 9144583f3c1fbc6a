"""sidewall: from a squash shot log to a player's own loose-ball threshold.

Everything a notebook needs is here::

    import sidewall as sw

    shots = sw.read_shots("ladder.csv")
    model = sw.TightnessModel().fit(shots)
    model.thresholds()
    sw.plot_threshold(model, "Rowan")

Names are loaded when they are first used, so that importing the package stays quick.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

#: Public name -> module that holds it.
_HOMES = {
    "Court": "sidewall.court",
    "read_shots": "sidewall.log",
    "check_shots": "sidewall.log",
    "check_log": "sidewall.log",
    "write_template": "sidewall.log",
    "shot_features": "sidewall.features",
    "rally_table": "sidewall.features",
    "zone_features": "sidewall.features",
    "TightnessModel": "sidewall.models",
    "PooledLogit": "sidewall.models",
    "RallyChain": "sidewall.rallies",
    "BallStates": "sidewall.rallies",
    "LooseBall": "sidewall.rallies",
    "plot_court": "sidewall.plots",
    "plot_front_wall": "sidewall.plots",
    "plot_zone_map": "sidewall.plots",
    "plot_threshold": "sidewall.plots",
    "plot_comfort": "sidewall.plots",
    "plot_calibration": "sidewall.plots",
    "plot_chain": "sidewall.plots",
    "plot_transitions": "sidewall.plots",
    "plot_rally": "sidewall.plots",
    "plot_match_win_probability": "sidewall.plots",
}
_MODULES = ("errors", "scoring", "simulate")

__all__ = [
    "BallStates",
    "Court",
    "LooseBall",
    "PooledLogit",
    "RallyChain",
    "TightnessModel",
    "check_log",
    "check_shots",
    "errors",
    "plot_calibration",
    "plot_chain",
    "plot_comfort",
    "plot_court",
    "plot_front_wall",
    "plot_match_win_probability",
    "plot_rally",
    "plot_threshold",
    "plot_transitions",
    "plot_zone_map",
    "rally_table",
    "read_shots",
    "scoring",
    "shot_features",
    "simulate",
    "write_template",
    "zone_features",
]

if TYPE_CHECKING:
    from sidewall import errors, scoring, simulate
    from sidewall.court import Court
    from sidewall.features import rally_table, shot_features, zone_features
    from sidewall.log import check_log, check_shots, read_shots, write_template
    from sidewall.models import PooledLogit, TightnessModel
    from sidewall.plots import (
        plot_calibration,
        plot_chain,
        plot_comfort,
        plot_court,
        plot_front_wall,
        plot_match_win_probability,
        plot_rally,
        plot_threshold,
        plot_transitions,
        plot_zone_map,
    )
    from sidewall.rallies import BallStates, LooseBall, RallyChain


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    if name in _MODULES:
        return import_module(f"sidewall.{name}")
    raise AttributeError(f"module 'sidewall' has no attribute {name!r}")


def __dir__() -> list[str]:
    return [*__all__, "__version__"]
