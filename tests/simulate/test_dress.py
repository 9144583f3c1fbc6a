from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sidewall.court import Court, Zones, gap_from_x, wall_of
from sidewall.log.choice import derive_choice
from sidewall.log.vocabulary import ENDING_WINNER, VOCABULARY

COURT = Court()


@pytest.fixture(scope="module")
def returns(ladder_shots: pd.DataFrame) -> pd.DataFrame:
    return ladder_shots[ladder_shots["stroke"] != "serve"]


def test_serves_open_every_rally_and_only_that(ladder_shots: pd.DataFrame) -> None:
    serves = ladder_shots["stroke"] == "serve"
    assert (serves == (ladder_shots["shot"] == 1)).all()
    blank = ladder_shots.loc[serves, ["gap_m", "choice", "choice_source", "contact", "direction"]]
    assert blank.isna().all(axis=None)
    assert (ladder_shots.loc[serves, "side"] == "forehand").mean() > 0.7


def test_categories_are_the_vocabulary(ladder_shots: pd.DataFrame) -> None:
    told = [name for name in VOCABULARY if name in ladder_shots]
    assert {"side", "stroke", "direction", "contact", "choice", "balance", "ending"} <= set(told)
    for name in told:
        assert tuple(ladder_shots[name].cat.categories) == VOCABULARY[name]


def test_returns_are_complete(returns: pd.DataFrame) -> None:
    whole = ["gap_m", "choice", "contact", "balance", "x_m", "y_m", "opponent_x_m", "t_s"]
    assert returns[whole].notna().all(axis=None)
    assert (returns["choice_source"] == "charted").all()


def test_the_stroke_says_the_choice_as_the_default_table_does(returns: pd.DataFrame) -> None:
    codes = (returns[name].cat.codes.to_numpy() for name in ("stroke", "direction", "contact"))
    assert np.array_equal(derive_choice(*codes), returns["choice"].cat.codes)


def test_place_agrees_with_gap_side_and_hand(returns: pd.DataFrame) -> None:
    gap, wall = gap_from_x(returns["x_m"])
    np.testing.assert_allclose(gap, returns["gap_m"], atol=1e-9)
    due = wall_of(returns["side"], returns["hand"])
    off_middle = returns["gap_m"].to_numpy() < COURT.half_width_m
    assert (np.asarray(wall)[off_middle] == np.asarray(due)[off_middle]).all()


def test_direction_agrees_with_where_the_ball_is_met(returns: pd.DataFrame) -> None:
    wall = np.asarray(wall_of(returns["side"], returns["hand"]))
    same_rally = (returns["shot"].diff().shift(-1) == 1).to_numpy()[:-1]
    direction = returns["direction"].astype(object).to_numpy()[:-1]
    straight = wall[1:] == wall[:-1]
    said = same_rally & pd.notna(direction)
    assert said.sum() > 5000
    assert ((direction == "straight") == straight)[said].all()
    assert not straight[same_rally & pd.isna(direction)].any()  # boasts end at the other wall


def test_bounce_is_missing_just_when_the_ball_is_volleyed(returns: pd.DataFrame) -> None:
    met = returns["contact"].shift(-1)
    followed = returns["shot"].diff().shift(-1) == 1
    missing = returns["bounce_y_m"].isna()
    assert (missing == (met == "volley"))[followed].all()
    lost = returns["ending"].isin(["tin", "out", "down"])
    assert missing[lost].all()


def test_bounces_come_before_the_contact(returns: pd.DataFrame) -> None:
    followed = returns["shot"].diff().shift(-1) == 1
    met = returns.shift(-1)[followed]
    after_bounce = met["contact"] == "after_bounce"
    assert (returns["bounce_y_m"][followed] < met["y_m"])[after_bounce].all()


def test_off_the_back_wall_means_deep(returns: pd.DataFrame) -> None:
    deep = returns.loc[returns["contact"] == "off_back_wall", "y_m"]
    assert deep.min() >= Zones(COURT).depth_edges_m[1]


@pytest.mark.parametrize(
    ("column", "limit"),
    [("x_m", 6.4), ("bounce_x_m", 6.4), ("opponent_x_m", 6.4), ("y_m", 9.75), ("wall_z_m", 5.64)],
)
def test_everything_happens_on_court(ladder_shots: pd.DataFrame, column: str, limit: float) -> None:
    assert ladder_shots[column].dropna().between(0, limit).all()


def test_serves_are_struck_in_a_box_and_land_in_the_other_quarter(
    ladder_shots: pd.DataFrame,
) -> None:
    serves = ladder_shots[ladder_shots["stroke"] == "serve"]
    boxes = list(COURT.service_boxes.values())
    places = zip(serves["x_m"], serves["y_m"], strict=True)
    assert all(any(box.contains(x, y) for box in boxes) for x, y in places)
    landed = serves[serves["bounce_x_m"].notna()]
    middle = COURT.half_court_line_x_m
    assert ((landed["x_m"] < middle) == (landed["bounce_x_m"] > middle)).all()
    assert (landed["bounce_y_m"] > COURT.short_line_y_m).all()


def test_tin_is_below_the_tin_and_everything_else_above(ladder_shots: pd.DataFrame) -> None:
    tin = ladder_shots["ending"] == "tin"
    height = ladder_shots["wall_z_m"]
    assert tin.sum() > 300
    assert (height[tin] < COURT.tin_height_m).all()
    assert (height[~tin].dropna() > COURT.tin_height_m).all()
    out = ladder_shots["ending"] == "out"
    assert (height[out] > COURT.front_wall_line_m).all()
    assert (height[~out].dropna() < COURT.front_wall_line_m).all()
    assert height.isna().equals(ladder_shots["ending"] == "down")


def test_endings_agree_with_winners(ladder_shots: pd.DataFrame) -> None:
    last = ladder_shots[ladder_shots["ending"].notna()]
    for ending, sign in (*ENDING_WINNER.items(), ("no_let", 1), ("stroke", -1)):
        rows = last[last["ending"] == ending]
        assert len(rows) > 0
        due = rows["player"] if sign > 0 else rows["opponent"]
        assert (rows["rally_won_by"].astype(object) == due.astype(object)).all()
    assert (last["rally_won_by"].isna() == (last["ending"] == "let")).all()


def test_time_never_runs_back(ladder_shots: pd.DataFrame) -> None:
    step = ladder_shots.groupby("match", observed=True)["t_s"].diff().dropna()
    assert step.min() > 0.3


def test_volleys_come_quicker(ladder_shots: pd.DataFrame) -> None:
    step = ladder_shots.groupby(["match", "game", "rally"], observed=True)["t_s"].diff()
    volley = ladder_shots["contact"] == "volley"
    assert step[volley].mean() < step[~volley].mean() - 0.15


def test_opponent_waits_near_the_t(returns: pd.DataFrame) -> None:
    x, y = COURT.t_m
    distance = np.hypot(returns["opponent_x_m"] - x, returns["opponent_y_m"] - y)
    assert 0.5 < distance.median() < 1.5
