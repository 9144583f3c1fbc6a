"""Simulated matches between players whose true curves and thresholds are known."""

from sidewall.simulate.charter import chart_in_short, second_charter, to_log
from sidewall.simulate.dress import simulate_shots
from sidewall.simulate.pair import Pair
from sidewall.simulate.play import play_matches, round_robin
from sidewall.simulate.scenario import (
    Scenario,
    club_ladder,
    load_scenario,
    synthetic_data_folder,
    write_demo,
)
from sidewall.simulate.truth import (
    as_table,
    crossing_gap,
    occupancy,
    rule_gains,
    true_curves,
    true_thresholds,
    win_chances,
)
from sidewall.simulate.world import GAPS_M, PLAYED, SimPlayer, World, draw_players

__all__ = [
    "GAPS_M",
    "PLAYED",
    "Pair",
    "Scenario",
    "SimPlayer",
    "World",
    "as_table",
    "chart_in_short",
    "club_ladder",
    "crossing_gap",
    "draw_players",
    "load_scenario",
    "occupancy",
    "play_matches",
    "round_robin",
    "rule_gains",
    "second_charter",
    "simulate_shots",
    "synthetic_data_folder",
    "to_log",
    "true_curves",
    "true_thresholds",
    "win_chances",
    "write_demo",
]
