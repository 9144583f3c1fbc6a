"""Simulated matches between players whose true curves and thresholds are known."""

from sidewall.simulate.charter import second_charter
from sidewall.simulate.demo import write_demo
from sidewall.simulate.dress import simulate_shots
from sidewall.simulate.play import play_matches, round_robin
from sidewall.simulate.players import PLAYED, SimPlayer, draw_players
from sidewall.simulate.raw_log import to_log
from sidewall.simulate.scenario import (
    Scenario,
    club_ladder,
    load_scenario,
    synthetic_data_folder,
)
from sidewall.simulate.solve import PairValues, crossing_gap, solve_pair
from sidewall.simulate.truth import (
    as_table,
    occupancy,
    rule_gains,
    stroke_mix,
    true_curves,
    true_thresholds,
    win_chances,
)
from sidewall.simulate.world import GAPS_M, World

__all__ = [
    "GAPS_M",
    "PLAYED",
    "PairValues",
    "Scenario",
    "SimPlayer",
    "World",
    "as_table",
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
    "solve_pair",
    "stroke_mix",
    "synthetic_data_folder",
    "to_log",
    "true_curves",
    "true_thresholds",
    "win_chances",
    "write_demo",
]
