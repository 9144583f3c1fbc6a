"""Pictures: each function draws one, takes ``ax=None`` and returns matplotlib axes.

Drawing libraries are loaded when the first picture is asked for.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

__all__ = [
    "plot_agreement",
    "plot_aim",
    "plot_calibration",
    "plot_calibration_ranks",
    "plot_chain",
    "plot_comfort",
    "plot_court",
    "plot_decisions",
    "plot_effects",
    "plot_front_wall",
    "plot_front_wall_hits",
    "plot_funnel",
    "plot_match_win_probability",
    "plot_overlap",
    "plot_placement",
    "plot_practice",
    "plot_progress",
    "plot_rally",
    "plot_repeat",
    "plot_sequence",
    "plot_shot_map",
    "plot_threshold",
    "plot_thresholds_by",
    "plot_transitions",
    "plot_work_list",
    "plot_worth",
    "plot_zone_map",
]

_HOMES = {
    "plot_agreement": "agreement",
    "plot_aim": "aim",
    "plot_calibration": "calibration",
    "plot_calibration_ranks": "trust",
    "plot_chain": "chain",
    "plot_comfort": "comfort",
    "plot_shot_map": "shots",
    "plot_thresholds_by": "shots",
    "plot_court": "court",
    "plot_decisions": "decisions",
    "plot_effects": "effects",
    "plot_front_wall": "court",
    "plot_front_wall_hits": "front_wall_hits",
    "plot_funnel": "funnel",
    "plot_match_win_probability": "scoring",
    "plot_overlap": "trust",
    "plot_placement": "placement",
    "plot_practice": "placement",
    "plot_progress": "progress",
    "plot_rally": "rally",
    "plot_repeat": "repeat",
    "plot_sequence": "sequence",
    "plot_threshold": "threshold",
    "plot_transitions": "transitions",
    "plot_work_list": "worklist",
    "plot_worth": "worth",
    "plot_zone_map": "zones",
}

if TYPE_CHECKING:
    from sidewall.plots.agreement import plot_agreement
    from sidewall.plots.aim import plot_aim
    from sidewall.plots.calibration import plot_calibration
    from sidewall.plots.chain import plot_chain
    from sidewall.plots.comfort import plot_comfort
    from sidewall.plots.court import plot_court, plot_front_wall
    from sidewall.plots.decisions import plot_decisions
    from sidewall.plots.effects import plot_effects
    from sidewall.plots.front_wall_hits import plot_front_wall_hits
    from sidewall.plots.funnel import plot_funnel
    from sidewall.plots.placement import plot_placement, plot_practice
    from sidewall.plots.progress import plot_progress
    from sidewall.plots.rally import plot_rally
    from sidewall.plots.repeat import plot_repeat
    from sidewall.plots.scoring import plot_match_win_probability
    from sidewall.plots.sequence import plot_sequence
    from sidewall.plots.shots import plot_shot_map, plot_thresholds_by
    from sidewall.plots.threshold import plot_threshold
    from sidewall.plots.transitions import plot_transitions
    from sidewall.plots.trust import plot_calibration_ranks, plot_overlap
    from sidewall.plots.worklist import plot_work_list
    from sidewall.plots.worth import plot_worth
    from sidewall.plots.zones import plot_zone_map


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(f"sidewall.plots.{_HOMES[name]}"), name)
    raise AttributeError(f"module 'sidewall.plots' has no attribute {name!r}")


def __dir__() -> list[str]:
    return list(__all__)
