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
    "ColumnMap": "sidewall.log",
    "check_log": "sidewall.log",
    "check_shots": "sidewall.log",
    "guess_map": "sidewall.log",
    "map_log": "sidewall.log",
    "pseudonymise": "sidewall.log",
    "read_shots": "sidewall.log",
    "reidentify": "sidewall.log",
    "write_table": "sidewall.log",
    "write_template": "sidewall.log",
    "rally_table": "sidewall.features",
    "shot_features": "sidewall.features",
    "zone_features": "sidewall.features",
    "PooledLogit": "sidewall.models",
    "TightnessModel": "sidewall.models",
    "BallStates": "sidewall.rallies",
    "LooseBall": "sidewall.rallies",
    "RallyChain": "sidewall.rallies",
    "Combination": "sidewall.combinations",
    "Predictability": "sidewall.combinations",
    "RepeatOrVary": "sidewall.combinations",
    "Step": "sidewall.combinations",
    "plot_agreement": "sidewall.plots",
    "plot_aim": "sidewall.plots",
    "plot_calibration": "sidewall.plots",
    "plot_calibration_ranks": "sidewall.plots",
    "plot_chain": "sidewall.plots",
    "plot_comfort": "sidewall.plots",
    "plot_shot_map": "sidewall.plots",
    "plot_thresholds_by": "sidewall.plots",
    "plot_court": "sidewall.plots",
    "plot_decisions": "sidewall.plots",
    "plot_effects": "sidewall.plots",
    "plot_front_wall": "sidewall.plots",
    "plot_front_wall_hits": "sidewall.plots",
    "plot_funnel": "sidewall.plots",
    "plot_match_win_probability": "sidewall.plots",
    "plot_overlap": "sidewall.plots",
    "plot_placement": "sidewall.plots",
    "plot_practice": "sidewall.plots",
    "plot_progress": "sidewall.plots",
    "plot_rally": "sidewall.plots",
    "plot_repeat": "sidewall.plots",
    "plot_sequence": "sidewall.plots",
    "plot_threshold": "sidewall.plots",
    "plot_transitions": "sidewall.plots",
    "plot_work_list": "sidewall.plots",
    "plot_worth": "sidewall.plots",
    "plot_zone_map": "sidewall.plots",
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
    "Agreement": "sidewall.agreement",
    "align": "sidewall.agreement",
    "simex_thresholds": "sidewall.agreement",
    "threshold_agreement": "sidewall.agreement",
    "WorkList": "sidewall.worklist",
    "read_efforts": "sidewall.worklist",
    "work_list": "sidewall.worklist",
    "write_efforts": "sidewall.worklist",
    "decision_table": "sidewall.decisions",
    "decisions_by": "sidewall.decisions",
    "ChartMatch": "sidewall.charting",
    "Report": "sidewall.report",
    "write_report": "sidewall.report",
    "attack_effect": "sidewall.trust",
    "check_ranks": "sidewall.trust",
    "choice_overlap": "sidewall.trust",
    "e_value": "sidewall.trust",
    "simulation_ranks": "sidewall.trust",
    "threshold_tilt": "sidewall.trust",
    "unseen_reason": "sidewall.trust",
    "compare_periods": "sidewall.progress",
    "join_logs": "sidewall.progress",
    "matches_by_date": "sidewall.progress",
    "plan": "sidewall.progress",
    "clip_times": "sidewall.clips",
    "write_clips": "sidewall.clips",
    "from_parquet": "sidewall.scale",
    "write_partitions": "sidewall.scale",
}
_MODULES = ("errors", "scoring", "simulate")

__all__ = [
    "Agreement",
    "BallStates",
    "ChartMatch",
    "ColumnMap",
    "Combination",
    "Court",
    "LooseBall",
    "PlacementWorth",
    "PooledLogit",
    "Predictability",
    "RallyChain",
    "RepeatOrVary",
    "Report",
    "Step",
    "Target",
    "TightnessModel",
    "TinMargin",
    "WorkList",
    "align",
    "attack_effect",
    "balls_needed",
    "check_log",
    "check_ranks",
    "check_shots",
    "choice_overlap",
    "clip_times",
    "compare_periods",
    "compare_practice",
    "court_targets",
    "decision_table",
    "decisions_by",
    "e_value",
    "error_ellipse",
    "errors",
    "from_parquet",
    "guess_map",
    "join_logs",
    "map_log",
    "matches_by_date",
    "pace_and_accuracy",
    "placement_table",
    "plan",
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
    "practice_table",
    "pseudonymise",
    "rally_table",
    "read_efforts",
    "read_practice",
    "read_shots",
    "read_targets",
    "reidentify",
    "scoring",
    "shot_features",
    "simex_thresholds",
    "simulate",
    "simulation_ranks",
    "threshold_agreement",
    "threshold_tilt",
    "unseen_reason",
    "work_list",
    "write_clips",
    "write_efforts",
    "write_partitions",
    "write_report",
    "write_table",
    "write_template",
    "zone_features",
]

if TYPE_CHECKING:
    from sidewall import errors, scoring, simulate
    from sidewall.agreement import (
        Agreement,
        align,
        simex_thresholds,
        threshold_agreement,
    )
    from sidewall.charting import (
        ChartMatch,
    )
    from sidewall.clips import (
        clip_times,
        write_clips,
    )
    from sidewall.combinations import (
        Combination,
        Predictability,
        RepeatOrVary,
        Step,
    )
    from sidewall.court import (
        Court,
    )
    from sidewall.decisions import (
        decision_table,
        decisions_by,
    )
    from sidewall.features import (
        rally_table,
        shot_features,
        zone_features,
    )
    from sidewall.log import (
        ColumnMap,
        check_log,
        check_shots,
        guess_map,
        map_log,
        pseudonymise,
        read_shots,
        reidentify,
        write_table,
        write_template,
    )
    from sidewall.models import (
        PooledLogit,
        TightnessModel,
    )
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
        plot_agreement,
        plot_aim,
        plot_calibration,
        plot_calibration_ranks,
        plot_chain,
        plot_comfort,
        plot_court,
        plot_decisions,
        plot_effects,
        plot_front_wall,
        plot_front_wall_hits,
        plot_funnel,
        plot_match_win_probability,
        plot_overlap,
        plot_placement,
        plot_practice,
        plot_progress,
        plot_rally,
        plot_repeat,
        plot_sequence,
        plot_shot_map,
        plot_threshold,
        plot_thresholds_by,
        plot_transitions,
        plot_work_list,
        plot_worth,
        plot_zone_map,
    )
    from sidewall.progress import (
        compare_periods,
        join_logs,
        matches_by_date,
        plan,
    )
    from sidewall.rallies import (
        BallStates,
        LooseBall,
        RallyChain,
    )
    from sidewall.report import (
        Report,
        write_report,
    )
    from sidewall.scale import (
        from_parquet,
        write_partitions,
    )
    from sidewall.trust import (
        attack_effect,
        check_ranks,
        choice_overlap,
        e_value,
        simulation_ranks,
        threshold_tilt,
        unseen_reason,
    )
    from sidewall.worklist import (
        WorkList,
        read_efforts,
        work_list,
        write_efforts,
    )


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    if name in _MODULES:
        return import_module(f"sidewall.{name}")
    raise AttributeError(f"module 'sidewall' has no attribute {name!r}")


def __dir__() -> list[str]:
    return [*__all__, "__version__"]
