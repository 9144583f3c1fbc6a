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
    "Combination": "sidewall.combinations",
    "Step": "sidewall.combinations",
    "Predictability": "sidewall.combinations",
    "RepeatOrVary": "sidewall.combinations",
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
    "plot_sequence": "sidewall.plots",
    "plot_funnel": "sidewall.plots",
    "plot_effects": "sidewall.plots",
    "plot_repeat": "sidewall.plots",
    "PlacementWorth": "sidewall.placement",
    "Target": "sidewall.placement",
    "TinMargin": "sidewall.placement",
    "balls_needed": "sidewall.placement",
    "compare_practice": "sidewall.placement",
    "court_targets": "sidewall.placement",
    "error_ellipse": "sidewall.placement",
    "pace_and_accuracy": "sidewall.placement",
    "placement_table": "sidewall.placement",
    "practice_table": "sidewall.placement",
    "read_practice": "sidewall.placement",
    "read_targets": "sidewall.placement",
    "plot_aim": "sidewall.plots",
    "plot_front_wall_hits": "sidewall.plots",
    "plot_placement": "sidewall.plots",
    "plot_practice": "sidewall.plots",
    "plot_worth": "sidewall.plots",
}
_MODULES = ("errors", "scoring", "simulate")

__all__ = [
    "BallStates",
    "Combination",
    "Court",
    "LooseBall",
    "PlacementWorth",
    "PooledLogit",
    "Predictability",
    "RallyChain",
    "RepeatOrVary",
    "Step",
    "Target",
    "TightnessModel",
    "TinMargin",
    "balls_needed",
    "check_log",
    "check_shots",
    "compare_practice",
    "court_targets",
    "error_ellipse",
    "errors",
    "pace_and_accuracy",
    "placement_table",
    "plot_aim",
    "plot_calibration",
    "plot_chain",
    "plot_comfort",
    "plot_court",
    "plot_effects",
    "plot_front_wall",
    "plot_front_wall_hits",
    "plot_funnel",
    "plot_match_win_probability",
    "plot_placement",
    "plot_practice",
    "plot_rally",
    "plot_repeat",
    "plot_sequence",
    "plot_threshold",
    "plot_transitions",
    "plot_worth",
    "plot_zone_map",
    "practice_table",
    "rally_table",
    "read_practice",
    "read_shots",
    "read_targets",
    "scoring",
    "shot_features",
    "simulate",
    "write_template",
    "zone_features",
]

if TYPE_CHECKING:
    from sidewall import errors, scoring, simulate
    from sidewall.combinations import Combination, Predictability, RepeatOrVary, Step
    from sidewall.court import Court
    from sidewall.features import rally_table, shot_features, zone_features
    from sidewall.log import check_log, check_shots, read_shots, write_template
    from sidewall.models import PooledLogit, TightnessModel
    from sidewall.placement import (
        PlacementWorth,
        Target,
        TinMargin,
        balls_needed,
        compare_practice,
        court_targets,
        error_ellipse,
        pace_and_accuracy,
        placement_table,
        practice_table,
        read_practice,
        read_targets,
    )
    from sidewall.plots import (
        plot_aim,
        plot_calibration,
        plot_chain,
        plot_comfort,
        plot_court,
        plot_effects,
        plot_front_wall,
        plot_front_wall_hits,
        plot_funnel,
        plot_match_win_probability,
        plot_placement,
        plot_practice,
        plot_rally,
        plot_repeat,
        plot_sequence,
        plot_threshold,
        plot_transitions,
        plot_worth,
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
