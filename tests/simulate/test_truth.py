from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import sidewall.simulate as sim
from sidewall.errors import DataError
from sidewall.simulate import play
from sidewall.simulate.pair import Pair

PAIR = [sim.SimPlayer("Rowan"), sim.SimPlayer("Hazel")]


def with_touch(touch: float) -> list[sim.SimPlayer]:
    return [sim.SimPlayer("Rowan", touch=np.full((2, 2), touch)), PAIR[1]]


def of_rowan(thresholds: pd.DataFrame) -> pd.DataFrame:
    return thresholds[thresholds["player"] == "Rowan"]


def test_players_alike_have_one_threshold() -> None:
    thresholds = sim.true_thresholds(PAIR, [(0, 1)])
    assert len(thresholds) == 8
    assert (thresholds["status"] == "crosses").all()
    by_family = thresholds.groupby("family")["threshold_m"]
    assert by_family.std().to_numpy() == pytest.approx(0, abs=0.02)  # boasts by side differ
    assert thresholds["threshold_m"].between(0.3, 0.8).all()


def test_a_better_touch_lowers_the_threshold() -> None:
    low, mid, high = (
        of_rowan(sim.true_thresholds(with_touch(touch), [(0, 1)]))["threshold_m"].mean()
        for touch in (0.5, 0.0, -0.5)
    )
    assert low < mid < high


@pytest.mark.parametrize(
    ("touch", "status", "threshold"),
    [(9.0, "attack at any gap", -np.inf), (-12.0, "reset at any gap", np.inf)],
)
def test_thresholds_that_do_not_cross(touch: float, status: str, threshold: float) -> None:
    found = of_rowan(sim.true_thresholds(with_touch(touch), [(0, 1)]))
    assert (found["status"] == status).all()
    assert (found["threshold_m"] == threshold).all()


def test_curves_cross_at_the_threshold(ladder: sim.Scenario) -> None:
    thresholds = ladder.thresholds()
    crossing = thresholds[thresholds["status"] == "crosses"]
    curves = ladder.curves().set_index(["player", "side", "family", "choice"])
    for row in crossing.itertuples():
        attack, reset = (
            curves.loc[(row.player, row.side, row.family, choice), "win_probability"]
            for choice in ("attack", "reset")
        )
        gaps = [row.threshold_m - 0.1, row.threshold_m, row.threshold_m + 0.1]
        difference = np.interp(gaps, sim.GAPS_M, attack.to_numpy() - reset.to_numpy())
        assert difference[0] < 0 < difference[2]
        assert difference[1] == pytest.approx(0, abs=1e-9)


def test_truth_is_the_mean_over_the_matches_played() -> None:
    three = sim.draw_players(["Rowan", "Hazel", "Alder"], np.random.default_rng(2))
    one, two = (sim.win_chances(three, [pair])[0] for pair in ((0, 1), (0, 2)))
    both = sim.win_chances(three, [(0, 1), (0, 2), (2, 0)])[0]
    np.testing.assert_allclose(both, (one + 2 * two) / 3, rtol=1e-12)


def test_who_does_not_play_has_no_truth() -> None:
    three = [*PAIR, sim.SimPlayer("Alder")]
    assert set(sim.true_thresholds(three, [(0, 1)])["player"]) == {"Rowan", "Hazel"}


def test_equal_abilities_under_another_name_do_not_mix_up_the_cache() -> None:
    better = with_touch(0.8)
    first = of_rowan(sim.true_thresholds(better, [(0, 1)]))["threshold_m"]
    again = of_rowan(sim.true_thresholds(better, [(1, 0)]))["threshold_m"]
    np.testing.assert_allclose(first, again, rtol=1e-9)
    other = of_rowan(sim.true_thresholds(better, [(0, 1)], sim.World(steep=0.5)))
    assert (other["threshold_m"].to_numpy() != first.to_numpy()).all()


WORLD = sim.World(carry_over=0.5, centre=0.1, unseen=1.0)


@pytest.fixture(scope="module")
def three() -> list[sim.SimPlayer]:
    return sim.draw_players(["Rowan", "Hazel", "Alder"], np.random.default_rng(2), world=WORLD)


SCHEDULE = [(0, 1), (0, 2), (2, 1)]


@pytest.mark.parametrize("by", [(), ("balance",), ("depth", "balance")])
def test_curves_are_the_own_mix_added_up_by_plain_loops(
    three: list[sim.SimPlayer], by: tuple[str, ...]
) -> None:
    chances = sim.win_chances(three, SCHEDULE, WORLD)
    share, mix = sim.occupancy(three, SCHEDULE, WORLD)
    share = share.sum(axis=-1)
    depths, balances = ("front", "middle", "back"), ("set", "stretched")
    table = sim.true_curves(three, SCHEDULE, WORLD, by=by)
    key = [name for name in ("player", "side", "family", *by, "choice", "gap_m")]
    table = table.set_index(key)["win_probability"]
    for who, s, f, g in ((0, 0, 1, 40), (1, 1, 0, 7), (2, 0, 0, 120)):
        for choice, strokes in (("attack", (0, 1, 2)), ("reset", (3, 4))):
            for at in (0, 1):
                total = weight = 0.0
                for d in range(3):
                    for b in range(2):
                        if ("balance" in by and b != at) or ("depth" in by and d != at):
                            continue
                        weight += share[who, s, f, d, b]
                        for k in strokes:
                            part = share[who, s, f, d, b] * mix[who, s, f, d, b, k]
                            total += part * chances[who, s, f, d, b, k, g]
                words = {"balance": balances[at], "depth": depths[at]}
                place = (three[who].name, ("forehand", "backhand")[s], ("ground", "volley")[f])
                place += (*(words[name] for name in by), choice, sim.GAPS_M[g])
                assert table[place] == pytest.approx(total / weight, rel=1e-9)


def test_a_stroke_against_the_own_mix_of_resets(three: list[sim.SimPlayer]) -> None:
    by_stroke = sim.true_curves(three, SCHEDULE, WORLD, by=["stroke"])
    whole = sim.true_curves(three, SCHEDULE, WORLD)
    cell = ["player", "side", "family"]
    for row in sim.true_thresholds(three, SCHEDULE, WORLD, by=["stroke"]).itertuples():
        mine = (row.player, row.side, row.family)
        attack = by_stroke.set_index([*cell, "stroke"]).loc[(*mine, row.stroke)]
        reset = whole.set_index([*cell, "choice"]).loc[(*mine, "reset")]
        gain = attack["win_probability"].to_numpy() - reset["win_probability"].to_numpy()
        assert np.interp(row.threshold_m, sim.GAPS_M, gain) == pytest.approx(0, abs=1e-9)
    with pytest.raises(DataError, match="'tempo' is none of"):
        sim.true_thresholds(three, SCHEDULE, WORLD, by=["tempo"])


def test_tables_hold_the_arrays(three: list[sim.SimPlayer]) -> None:
    chances = sim.win_chances(three, SCHEDULE, WORLD)
    table = sim.as_table(chances, three, "win_probability")
    row = table[
        (table["player"] == "Hazel")
        & (table["side"] == "backhand")
        & (table["stroke"] == "lob")
        & (table["family"] == "volley")
        & (table["depth"] == "middle")
        & (table["balance"] == "stretched")
        & (table["gap_m"] == 0.33)
    ]
    assert row["win_probability"].item() == chances[1, 1, 1, 1, 1, 4, 33]
    share, mix = sim.occupancy(three, SCHEDULE, WORLD)
    assert sim.as_table(share, three, "share").groupby("player")["share"].sum().to_numpy() == (
        pytest.approx(1.0)
    )
    assert "gap_m" not in sim.as_table(mix, three, "share")


def test_a_rule_gains_on_court_what_the_chain_says(
    three: list[sim.SimPlayer], monkeypatch: pytest.MonkeyPatch
) -> None:
    """One player attacks from 0.45 m on and resets below: played, and solved."""
    two = [replace(one, attack_from_m=np.full((2, 2), 1.2)) for one in three[:2]]
    gains = sim.rule_gains(two, [(0, 1)], 0.45, WORLD).set_index("player").loc["Rowan"]
    before = Pair(WORLD, *two)
    usual = sim.World.attack_chance

    def by_rule(world, a, who, ball, ease):
        habit = usual(world, a, who, ball, ease)
        return np.where(np.asarray(who) % 2 == 0, (ball[-1] >= 0.45) * 1.0, habit)

    monkeypatch.setattr(sim.World, "attack_chance", by_rule)
    shots = sim.play_matches(two, [(0, 1)] * 300, np.random.default_rng(3), WORLD)
    last = shots[shots["result"].isin([play.WIN, play.ERROR])]
    won = np.where(last["result"] == play.WIN, last["player"], 1 - last["player"]) == 0
    resolved = gains["resolved_per_100"] / 100 * gains["own_balls"]
    error = 0.5 / np.sqrt(len(last))
    assert won.mean() - before.rallies_won == pytest.approx(resolved, abs=4 * error)
    assert resolved > 8 * error
    plain = sim.play_matches(PAIR, [(0, 1)] * 150, np.random.default_rng(4))
    games = plain.groupby(["match", "game"]).ngroups
    decided = plain["result"].isin([play.WIN, play.ERROR]).sum()
    assert Pair(sim.World(), *PAIR).rallies_a_game == pytest.approx(decided / games, abs=0.4)


def test_no_rule_gains_nothing_where_it_is_followed_already() -> None:
    always = sim.rule_gains(PAIR, [(0, 1)], -np.inf)
    never = sim.rule_gains(PAIR, [(0, 1)], np.inf)
    best = sim.rule_gains(PAIR, [(0, 1)], sim.true_thresholds(PAIR, [(0, 1)])["threshold_m"].mean())
    for column in ("first_order_a_game", "resolved_a_game"):
        assert (always[column] < 0).all()
        assert (best[column] > np.maximum(always[column], never[column])).all()
