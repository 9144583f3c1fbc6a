"""sidewall: from a squash shot log to a player's own loose-ball threshold.

Every example of the package goes on from these lines:

>>> import numpy as np
>>> import pandas as pd
>>> import sidewall as sw
>>> shots = sw.read_shots("ladder.csv")
>>> model = sw.TightnessModel(draws=100, seed=1).fit(shots)

The names by task; `help(sw.read_shots)` and so on explain each:

- Read a log: `read_shots`, `check_log`, `check_shots`, `write_template`, `ChartMatch`,
  `write_table`, `errors`; under others' headings: `guess_map`, `ColumnMap`, `map_log`; without
  names: `pseudonymise`, `reidentify`; more than fits in memory: `write_partitions`,
  `from_parquet`.
- What happened: `shot_features`, `rally_table`, `zone_features`, `Court`, `plot_court`,
  `plot_front_wall`, `plot_zone_map`, `clip_times`, `write_clips`.
- What is loose for whom: `TightnessModel`, `plot_threshold`, `plot_thresholds_by`,
  `plot_comfort`, `plot_shot_map`, `plot_calibration`, `PooledLogit`; whether to believe it:
  `threshold_tilt`, `unseen_reason`, `choice_overlap`, `plot_overlap`, `attack_effect`.
- What a ball is worth: `RallyChain`, `BallStates`, `LooseBall`, `plot_chain`,
  `plot_transitions`, `plot_rally`; games and matches: `scoring`, `plot_match_win_probability`.
- Combinations: `Combination`, `Step`, `plot_sequence`, `plot_funnel`, `plot_effects`; those
  that a log holds often: `sidewall.combinations.search`; habits: `Predictability`,
  `RepeatOrVary`, `plot_repeat`.
- Placement: `court_targets`, `read_targets`, `Target`, `placement_table`,
  `pace_and_accuracy`, `error_ellipse`, `plot_placement`, `PlacementWorth`, `plot_worth`;
  height: `TinMargin`, `plot_aim`, `plot_front_wall_hits`; drills: `read_practice`,
  `practice_table`, `compare_practice`, `balls_needed`, `plot_practice`.
- Decisions and work list: `decision_table`, `decisions_by`, `plot_decisions`, `work_list`,
  `WorkList`, `read_efforts`, `write_efforts`, `plot_work_list`.
- Sheet and report: `Report`, `write_report`.
- Progress: `plan`, `compare_periods`, `matches_by_date`, `join_logs`, `plot_progress`.
- Two charters: `Agreement`, `align`, `plot_agreement`, `threshold_agreement`,
  `simex_thresholds`.
- Players of whom the truth is known: `simulate`.

Names are loaded when they are first used, so that importing the package stays quick.
"""

from __future__ import annotations

import lazy_loader

__version__ = "0.1.0"
__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
