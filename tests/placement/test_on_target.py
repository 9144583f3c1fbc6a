import math
from itertools import pairwise, product

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy.stats import norm, t

from sidewall import shot_features
from sidewall.court import Court, Rectangle, Zones
from sidewall.errors import DataError, SeparationError
from sidewall.features.rates import clustered_rate
from sidewall.placement import (
    Circle,
    Target,
    court_targets,
    error_ellipse,
    pace_and_accuracy,
    placed_shots,
    placement_table,
    with_pace,
)
from sidewall.placement.on_target import pace_slope, spread_columns, tells_pace


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
    ladder = ladder[ladder["match"].isin(ladder["match"].cat.categories[:8])]
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


OWN = [
    Target("coin", Circle(1.5, 4.0, 4.0), ("drive",)),
    Target("box", Rectangle(5.0, 0.0, 6.0, 4.0), ("lob", "drop"), "right"),
    Target("any", Circle(3.0, 8.0, 3.0), (), "left"),
]


def slow_places(shots, targets):
    """Target, hit and errors of every shot that has a target, by the words of the docstring."""
    rows = []
    for row, shot in enumerate(shot_features(shots).to_dict("records")):
        x, y = shot["bounce_x_m"], shot["bounce_y_m"]
        own, way = shot["wall"], shot["direction"]
        if own in ("left", "right") and way in ("straight", "cross"):
            wall = own if way == "straight" else {"left": "right", "right": "left"}[own]
        else:
            wall = None if np.isnan(x) else "right" if x > 3.2 else "left"
        for target in targets:
            played = shot["stroke"] in target.strokes if target.strokes else (
                shot["stroke"] != "serve")  # fmt: skip
            if played and target.wall in (None, wall):
                break
        else:
            continue
        (aim_x, aim_y), shape = target.aim_m, target.shape
        on = out = long = np.nan
        if not np.isnan(x + y):
            if isinstance(shape, Circle):
                on = float((x - shape.x) ** 2 + (y - shape.y) ** 2 <= shape.radius**2)
            else:
                on = float(shape.x_min <= x <= shape.x_max and shape.y_min <= y <= shape.y_max)
            out, long = (aim_x - x if target.wall == "right" else x - aim_x), y - aim_y
        fault = shot["ending"] in ("tin", "out", "down")
        if fault:
            on, out, long = 0.0, np.nan, np.nan
        rows.append({"row": row, "target": target.name, "target_wall": wall, "on_target": on,
                     "error_out_m": out, "error_long_m": long, "fault": fault})  # fmt: skip
    return pd.DataFrame(rows).set_index("row")


@pytest.mark.parametrize("targets", [None, OWN], ids=["the court's", "own"])
def test_every_shot_finds_its_target_by_loops(hard_placed, targets):
    shots = hard_placed(11, matches=4, rallies=25)
    for log in (shots, shots.drop(columns="direction").assign(direction=None)):
        placed = placed_shots(log, targets)
        wanted = slow_places(log, targets or court_targets())
        assert placed.index.tolist() == wanted.index.tolist()
        found = placed[list(wanted)].astype({"target": object, "target_wall": object})
        pd.testing.assert_frame_equal(found, wanted, check_names=False, check_dtype=False)
        names = [target.name for target in targets or court_targets()]
        assert placed["target"].cat.categories.tolist() == names
        assert placed["target_wall"].cat.categories.tolist() == ["left", "right"]
    # the columns of the table stay, and its own zones decide the wall
    assert set(placed) == set(shot_features(shots)) | set(wanted)
    zones = Zones(Court(), side_lane_m=0.2)
    pd.testing.assert_frame_equal(
        placed_shots(shots, targets, zones)[list(wanted)],
        placed_shots(shot_features(shots, zones), targets)[list(wanted)],
    )


def slow_spread(seen, level, share, robust=True):
    """Means with limits, spreads and ellipses of errors, each from its own formula."""
    out, long = seen["error_out_m"].to_numpy(), seen["error_long_m"].to_numpy()
    row = {"bounces": len(seen)}
    for name, error in (("out", out), ("long", long)):
        n, groups = len(error), seen["rally_id"].nunique()
        mean = sum(error) / n if n else np.nan
        half = np.nan
        if groups > 1:
            sums = [(part - mean).sum() for _, part in
                    pd.Series(error).groupby(seen["rally_id"].to_numpy())]  # fmt: skip
            half = t.ppf(0.5 + level / 2, groups - 1) * math.sqrt(
                groups / (groups - 1) * sum(each**2 for each in sums)) / n  # fmt: skip
        spread = math.sqrt(sum((error - mean) ** 2) / (n - 1)) if n > 1 else np.nan
        row |= {f"{name}_m": mean, f"{name}_m_low": mean - half, f"{name}_m_high": mean + half,
                f"{name}_sd_m": spread}  # fmt: skip
    spreads = row["out_sd_m"] * row["long_sd_m"]
    row["correlation"] = np.nan
    if len(seen) > 2 and spreads > 0:
        both = sum((out - row["out_m"]) * (long - row["long_m"])) / (len(seen) - 1)
        row["correlation"] = both / spreads
    for name in ("ellipse", "robust")[: 1 + robust]:
        try:
            one = error_ellipse(out, long, share, robust=name == "robust")
            axes = (*one.half_axes_m, one.angle_deg)
        except DataError:
            axes = (np.nan,) * 3
        row |= {f"{name}_long_m": axes[0], f"{name}_short_m": axes[1], f"{name}_deg": axes[2]}
    return row


def slow_table(placed, by, level, share, robust=True):
    """A row a group, groups in the order of their words."""
    rows, orders = [], [list(placed[name].astype("category").cat.categories) for name in by]
    for key in product(*orders):
        group = placed[(placed[list(by)].astype(object) == list(key)).all(axis=1)]
        if not len(group):
            continue
        counted = group[group["on_target"].notna()]
        rate = clustered_rate(counted["on_target"].to_numpy(), counted["rally_id"].to_numpy(),
                              np.zeros(len(counted), int), 1, level)  # fmt: skip
        rows.append({
            **dict(zip(by, key, strict=True)), "n_shots": len(counted),
            "n_rallies": len(set(counted["rally_id"])), "faults": sum(group["fault"]),
            "unseen": len(group) - len(counted), "share": rate.rate[0], "share_low": rate.low[0],
            "share_high": rate.high[0],
            **slow_spread(counted[counted["error_out_m"].notna()], level, share, robust),
            "pace_m_s": group["pace_m_s"].median(), "pace_shots": group["pace_m_s"].count(),
        })  # fmt: skip
    return pd.DataFrame(rows)


def slow_pace(shots):
    """Seconds to the next shot of the rally and the way by the front wall over them."""
    rows, left, pace = shots.to_dict("records"), [], []
    for here, after in pairwise([*rows, None]):
        seconds = way = np.nan
        if after and after["shot"] == here["shot"] + 1:
            seconds = after["t_s"] - here["t_s"]
            seconds = seconds if 0.2 <= seconds <= 6.0 else np.nan
            way = math.hypot(after["x_m"] - here["x_m"], here["y_m"] + after["y_m"])
        left.append(seconds)
        pace.append(way / seconds)
    return np.array(left), np.array(pace)


@pytest.mark.filterwarnings("ignore:invalid value:RuntimeWarning")
@pytest.mark.parametrize(
    ("by", "targets"),
    [(("player", "stroke", "side"), None), (("side", "target"), OWN)],
)
def test_the_whole_table_by_loops(hard_placed, by, targets):
    """Every column, with groups of none seen, one, two, and many; paces on their limits."""
    shots = hard_placed(12, matches=3, rallies=12)
    times = np.random.default_rng(1).choice([0.2, 0.25, 1.0, 6.0, 6.25], len(shots)).cumsum()
    shots = shots.assign(t_s=times.round(2))
    left, pace = slow_pace(shots)
    paced = with_pace(shots)
    np.testing.assert_allclose(paced["time_left_s"], left)
    np.testing.assert_allclose(paced["pace_m_s"], pace)
    found = placement_table(shots, targets, by=by, level=0.9, ellipse_share=0.7)
    placed = placed_shots(shots, targets)
    placed = placed.assign(pace_m_s=pace[placed.index])
    wanted = slow_table(placed, by, 0.9, 0.7)
    for name in by:
        found[name] = found[name].astype(object)
        wanted[name] = wanted[name].astype(object)
    pd.testing.assert_frame_equal(found, wanted, check_dtype=False, rtol=1e-8)
    assert found["bounces"].min() < 2 or targets


@pytest.mark.parametrize(
    ("times", "fine"),
    [
        (np.arange(22.0), False), (np.arange(21.0), True), (np.arange(22) * 0.25, True),
        (np.arange(22) * 0.251, False), ([*range(22), 21.1], True), ([*range(22), np.nan], False),
        ([*np.repeat(range(22), 2), 3.0004], False),
    ],
)  # fmt: skip
def test_times_fine_enough(times, fine):
    """From 21 steps on it can be told; a step below a thousandth of a second is none."""
    table = pd.DataFrame({"t_s": np.array(times, float), "x_m": 1.0, "y_m": 1.0})
    assert tells_pace(table) == fine
    assert not tells_pace(table.drop(columns="x_m"))


@pytest.mark.filterwarnings("ignore:invalid value:RuntimeWarning")
def test_bands_of_pace_by_loops(hard_placed, monkeypatch):
    """Equal numbers within each player and group, the slowest first; the slope beside them."""

    def slope(group, level):
        told = group["pace_m_s"].sum(), level, len(group)
        return dict(zip(("odds_ratio", "odds_ratio_low", "odds_ratio_high"), told, strict=True))

    monkeypatch.setattr("sidewall.placement.on_target.pace_slope", slope)
    shots = hard_placed(13, matches=4, rallies=40, blank=0.05)
    found = pace_and_accuracy(shots, by=("stroke", "side"), bands=3, level=0.8)
    _, pace = slow_pace(shots)
    placed = placed_shots(shots)
    placed = placed.assign(pace_m_s=pace[placed.index])
    placed = placed[placed["pace_m_s"].notna() & placed["on_target"].notna()]
    assert placed["side"].isna().any()  # whose side is not charted is in no group
    placed = placed[placed["side"].notna() & placed["stroke"].notna()]
    bands = {}
    for _, own in placed.groupby(["player", "stroke", "side"], observed=True):
        order = sorted(own.index, key=lambda row: (own["pace_m_s"][row], row))
        for place, row in enumerate(order):
            bands[row] = int((place + 0.5) * 3 // len(order)) + 1
    placed = placed.assign(pace_band=[bands[row] for row in placed.index])
    wanted = slow_table(placed, ("stroke", "side", "pace_band"), 0.8, 0.8, robust=False)
    slopes = [
        slope(placed[(placed["stroke"] == row.stroke) & (placed["side"] == row.side)], 0.8)
        for row in wanted.itertuples()
    ]
    wanted = wanted.join(pd.DataFrame(slopes))
    for name in ("stroke", "side"):
        found[name] = found[name].astype(object)
    wanted = wanted.astype({"stroke": object, "side": object})
    pd.testing.assert_frame_equal(found, wanted, check_dtype=False, rtol=1e-8)
    with pytest.raises(DataError, match="bands is 1; give a whole number of at least 2"):
        pace_and_accuracy(shots, bands=1)
    assert set(pace_and_accuracy(shots, bands=2)["pace_band"]) == {1, 2}
    assert set(pace_and_accuracy(shots)["pace_band"]) == {1, 2, 3}


class UsualCurve:
    """In place of the fit: keeps what it is given."""

    def fit(self, y, X, vary, rows):
        UsualCurve.given = y, X, vary, rows
        self.usual_ = np.array([0.3, -0.4]), np.array([[9.0, 1.0], [1.0, 0.25]])
        return self


def test_one_metre_a_second_more_in_the_units_of_the_pace(monkeypatch):
    monkeypatch.setattr("sidewall.placement.on_target.PlayerCurves", UsualCurve)
    group = pd.DataFrame({"player": list("aabbb"), "pace_m_s": [8.0, 10.0, 9.0, 12.0, 15.0],
                          "on_target": [1.0, 0, 1, 0, 1], "rally_id": range(5)})  # fmt: skip
    found = pace_slope(group, 0.9)
    own = np.array([-1.0, 1.0, -3.0, 0.0, 3.0])
    spread = own.std(ddof=1)
    y, X, vary, rows = UsualCurve.given
    assert y.tolist() == group["on_target"].tolist()
    assert X["constant"].tolist() == [1.0] * 5
    np.testing.assert_allclose(X["pace"], own / spread)
    assert vary == ["constant", "pace"]
    assert rows is group
    half = norm.ppf(0.95) * 0.5
    assert found == pytest.approx({
        "odds_ratio": np.exp(-0.4 / spread), "odds_ratio_low": np.exp((-0.4 - half) / spread),
        "odds_ratio_high": np.exp((-0.4 + half) / spread),
    })  # fmt: skip


@pytest.mark.parametrize("refusal", [DataError, SeparationError])
def test_results_that_no_curve_holds_have_no_slope(monkeypatch, refusal):
    """All alike as the fit says, or told apart by the pace without an error."""
    group = pd.DataFrame({"player": list("aabb"), "pace_m_s": [8.0, 10.0, 9.0, 12.0],
                          "on_target": 1.0, "rally_id": range(4)})  # fmt: skip
    assert np.isnan(list(pace_slope(group, 0.9).values())).all()

    def refused(*given):
        raise refusal

    monkeypatch.setattr("sidewall.placement.on_target.PlayerCurves.fit", refused)
    found = pace_slope(group.assign(on_target=[0.0, 1, 0, 1]), 0.9)
    assert list(found) == ["odds_ratio", "odds_ratio_low", "odds_ratio_high"]
    assert np.isnan(list(found.values())).all()


@pytest.mark.parametrize("n", [0, 1, 2, 3, 9, 10])
@pytest.mark.parametrize("robust", [True, False])
def test_few_bounces_have_every_column_all_the_same(n, robust):
    """What so few do not tell is missing in its place, the robust ellipse after the plain one."""
    rng = np.random.default_rng(n)
    seen = pd.DataFrame({"error_out_m": rng.normal(size=n), "error_long_m": rng.normal(size=n),
                         "rally_id": np.arange(n) // 2})  # fmt: skip
    found = spread_columns(seen["error_out_m"].to_numpy(), seen["error_long_m"].to_numpy(),
                           seen["rally_id"].to_numpy(), 0.9, 0.7, robust)  # fmt: skip
    wanted = slow_spread(seen, 0.9, 0.7, robust)
    assert list(found) == list(wanted)
    assert found == pytest.approx(wanted, nan_ok=True)


@pytest.mark.filterwarnings("ignore:invalid value:RuntimeWarning")
def test_what_is_taken_where_nothing_is_said(hard_placed):
    shots = hard_placed(14, matches=2, rallies=10)
    named = placement_table(shots, None, by=("player", "side", "stroke"), court=None, level=0.95,
                            ellipse_share=0.8, robust=True)  # fmt: skip
    pd.testing.assert_frame_equal(placement_table(shots), named)
    named = pace_and_accuracy(shots, None, by="stroke", bands=3, court=None, level=0.95)
    pd.testing.assert_frame_equal(pace_and_accuracy(shots), named)
