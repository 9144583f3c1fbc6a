import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from sidewall.court import Court
from sidewall.errors import DataError
from sidewall.features.rates import wilson_interval
from sidewall.placement import (
    Circle,
    Target,
    pace_and_accuracy,
    placed_shots,
    placement_table,
    with_pace,
)
from sidewall.placement.on_target import _wall_played_to, pace_slope


def one(table, rally, shot):
    return table[(table["rally"] == rally) & (table["shot"] == shot)].iloc[0]


def test_each_shot_goes_to_its_own_corner(log):
    placed = placed_shots(log)
    assert "serve" not in set(placed["stroke"])
    assert one(placed, 1, 2)["target"] == "back left"
    assert one(placed, 2, 2)["target"] == "back right"  # cross from the left wall
    assert one(placed, 2, 3)["target"] == "front right"
    assert one(placed, 1, 3)["target"] == "front left"  # from the direction: it has no bounce


def test_hits_misses_faults_and_what_nobody_saw(log):
    placed = placed_shots(log)
    assert one(placed, 1, 2)["on_target"] == 1.0
    assert one(placed, 2, 2)["on_target"] == 0.0  # 7.0 m: on the service box
    assert one(placed, 1, 3)["on_target"] == 0.0  # tin, no bounce
    assert one(placed, 4, 2)["on_target"] == 0.0  # tin, though it bounced in the target
    assert np.isnan(one(placed, 3, 2)["on_target"])  # met in the air


def test_errors_point_off_the_wall_and_long(log):
    placed = placed_shots(log)
    hit = one(placed, 1, 2)
    assert hit["error_out_m"] == pytest.approx(0.5 - 0.4)
    assert hit["error_long_m"] == pytest.approx(7.8 - 7.74)
    right = one(placed, 2, 3)
    assert right["error_out_m"] == pytest.approx(6.0 - 6.2)  # nearer to the wall
    assert np.isnan(one(placed, 4, 2)["error_out_m"])


def test_without_directions_the_bounce_decides(log):
    placed = placed_shots(log.drop(columns="direction"))
    assert one(placed, 2, 2)["target"] == "back right"
    assert len(placed) == 5  # two shots without a bounce have no target


def test_the_first_target_that_fits_is_taken(log):
    coin = Target("coin", Circle(0.5, 7.8, 0.1), ("drive",))
    table = placement_table(log, [coin, Target("all", Circle(3, 5, 3))], by=["target"])
    assert table["target"].tolist() == ["coin", "all"]
    assert table.loc[0, ["n_shots", "share", "unseen"]].tolist() == [3, pytest.approx(1 / 3), 1]


def test_a_table_counts_everything_once(ladder):
    ladder = ladder[ladder["match"].isin(ladder["match"].cat.categories[:8])]
    placed = placed_shots(ladder)
    table = placement_table(ladder, by=["player", "stroke"], robust=False)
    assert "robust_deg" not in table
    assert table["n_shots"].sum() + table["unseen"].sum() == len(placed)
    row = table[(table["player"] == "Rowan") & (table["stroke"] == "drop")].iloc[0]
    own = placed[(placed["player"] == "Rowan") & (placed["stroke"] == "drop")]
    assert row["share"] == pytest.approx(own["on_target"].mean())
    assert row["share_low"] < row["share"] < row["share_high"]
    assert row["out_m"] == pytest.approx(own["error_out_m"].mean())
    assert row["out_sd_m"] == pytest.approx(own["error_out_m"].std())
    # never narrower than if all shots were independent
    low, high = wilson_interval(own["on_target"].sum(), own["on_target"].notna().sum())
    assert row["share_low"] <= low + 1e-9
    assert row["share_high"] >= high - 1e-9
    assert row["pace_shots"] > 10


def test_no_target_is_said(log):
    with pytest.raises(DataError, match="no shot fits a target"):
        placed_shots(log, [Target("x", Circle(1, 1, 1), ("boast",))])
    with pytest.raises(DataError, match="bounce_x_m"):
        placed_shots(log.drop(columns="bounce_x_m"))


def test_pace_is_the_straight_path_by_way_of_the_front_wall(log):
    paced = with_pace(log)
    shot = one(paced, 1, 2)
    assert shot["time_left_s"] == pytest.approx(1.5)
    assert shot["pace_m_s"] == pytest.approx(np.hypot(0.1, 7.0 + 9.0) / 1.5)
    assert np.isnan(one(paced, 1, 3)["pace_m_s"])
    assert np.isnan(one(paced, 2, 3)["time_left_s"])  # the next row is another rally


def test_whole_seconds_are_refused(ladder):
    coarse = ladder.assign(t_s=ladder["t_s"].round())
    told, fine = (placement_table(log, robust=False) for log in (coarse, ladder))
    assert "pace_m_s" not in told
    pd.testing.assert_frame_equal(told, fine.drop(columns=["pace_m_s", "pace_shots"]))
    with pytest.raises(DataError, match="too coarse"):
        with_pace(coarse)


@pytest.mark.parametrize(
    ("seconds", "told"), [(0.1, False), (0.3, True), (5.9, True), (6.2, False), (-1.0, False)]
)
def test_a_time_that_no_shot_takes_tells_no_pace(log, seconds, told):
    start = one(log, 1, 2)["t_s"]
    next_one = (log["rally"] == 1) & (log["shot"] == 3)
    paced = with_pace(log.assign(t_s=log["t_s"].mask(next_one, start + seconds)))
    assert np.isfinite(one(paced, 1, 2)["time_left_s"]) == told
    assert np.isfinite(one(paced, 1, 2)["pace_m_s"]) == told


def test_slow_and_fast_drives_are_compared_within_players(ladder):
    drives = pace_and_accuracy(ladder).query("stroke == 'drive'")
    assert drives["pace_m_s"].is_monotonic_increasing
    assert drives["n_shots"].max() - drives["n_shots"].min() < 12
    assert (drives["odds_ratio_low"] < drives["odds_ratio"]).all()
    with pytest.raises(DataError, match="at least 2"):
        pace_and_accuracy(ladder, bands=1)


def test_the_slope_of_pace_is_that_of_a_logistic_curve_with_own_intercepts():
    """Players who do not differ in it: an ordinary logistic regression has the same slope."""
    rng = np.random.default_rng(21)
    n = 4000
    player = np.repeat(["Alder", "Birch", "Cedar", "Elm"], n // 4)
    pace = 9.0 + np.repeat([0.0, 0.5, -0.5, 1.0], n // 4) + 0.6 * rng.standard_normal(n)
    own = pace - pd.Series(pace).groupby(player).transform("mean").to_numpy()
    level = np.repeat([0.3, -0.2, 0.0, 0.1], n // 4)
    on = rng.random(n) < 1.0 / (1.0 + np.exp(-(level - 0.7 * own)))
    group = pd.DataFrame(
        {"player": player, "pace_m_s": pace, "on_target": on.astype(float), "rally_id": range(n)}
    )
    found = pace_slope(group, 0.95)
    X = np.column_stack([pd.get_dummies(player).to_numpy(dtype=float), own])
    other = sm.Logit(group["on_target"], X).fit(disp=0)
    slope, error = other.params.iloc[-1], other.bse.iloc[-1]
    assert np.log(found["odds_ratio"]) == pytest.approx(slope, abs=0.5 * error)
    assert np.log(found["odds_ratio_low"]) < slope - error
    assert np.log(found["odds_ratio_high"]) > slope + error
    alike = group.assign(pace_m_s=9.0)
    assert np.isnan(list(pace_slope(alike, 0.95).values())).all()


def test_a_pace_that_never_varies_has_no_slope_and_no_fit(monkeypatch):
    monkeypatch.delattr("sidewall.placement.on_target.PlayerCurves")
    group = pd.DataFrame(
        {"player": list("aabb"), "pace_m_s": [9.0, 9.0, 11.0, 11.0], "on_target": [1.0, 0, 1, 0]}
    )
    assert np.isnan(list(pace_slope(group, 0.95).values())).all()


def test_a_straight_shot_from_no_known_wall_goes_where_it_bounced():
    walls = pd.Categorical([None, "left", None, "left"], ["left", "right"])
    table = pd.DataFrame({"wall": walls, "direction": ["straight", "straight", "cross", "cross"]})
    found = _wall_played_to(table, np.array([5.0, 5.0, 1.0, 1.0]), Court())
    assert found.tolist() == [1, 0, 0, 1]
