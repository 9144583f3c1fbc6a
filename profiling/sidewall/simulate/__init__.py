"""Simulated matches between players whose true curves and thresholds are known."""

from sidewall.simulate.charter import second_charter
from sidewall.simulate.demo import write_demo
from sidewall.simulate.folder import synthetic_data_folder
from sidewall.simulate.ladder import simulate_shots
from sidewall.simulate.physics import Physics
from sidewall.simulate.play import play_matches
from sidewall.simulate.players import SimPlayer, draw_players
from sidewall.simulate.raw_log import to_log
from sidewall.simulate.scenario import Scenario, club_ladder, load_scenario
from sidewall.simulate.schedule import round_robin
from sidewall.simulate.solve import PairValues, crossing_gap, solve_pair
from sidewall.simulate.truth import true_curves, true_thresholds

__all__ = [
    "PairValues",
    "Physics",
    "Scenario",
    "SimPlayer",
    "club_ladder",
    "crossing_gap",
    "draw_players",
    "load_scenario",
    "play_matches",
    "round_robin",
    "second_charter",
    "simulate_shots",
    "solve_pair",
    "synthetic_data_folder",
    "to_log",
    "true_curves",
    "true_thresholds",
    "write_demo",
]
