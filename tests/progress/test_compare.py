from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm
from statsmodels.stats.multitest import multipletests

import sidewall as sw
from sidewall.errors import DataError
from sidewall.features import shot_features
from sidewall.placement.on_target import placed_shots
from sidewall.progress import compare_periods
from sidewall.progress.compare import COLUMNS, MATTERS, MEASURES, _fresh, _need_both, judge


def rows(*changes, error=0.05, better="higher", matters=0.2):
    return pd.DataFrame(
        [
            {"before": 0.5, "after": 0.5 + change, "before_error": error, "after_error": error,
             "error": error, "better_when": better, "matters": matters, "least": 0.0, "most": 1.0}
            for change in changes
        ]
    )  # fmt: skip


@pytest.mark.parametrize(
    ("change", "error", "better", "word"),
    [
        (0.2, 0.05, "higher", "better"),
        (0.2, 0.05, "lower", "worse"),
        (-0.2, 0.05, "lower", "better"),
        (0.05, 0.05, "higher", "no change that matters"),
        (0.05, 0.10, "higher", "not known yet"),
        (np.nan, np.nan, "higher", "not known yet"),
    ],
)
def test_the_word(change, error, better, word):
    assert judge(rows(change, error=error, better=better), 0.95)["verdict"].tolist() == [word]


def test_looking_at_more_takes_more():
    # 2.2 standard errors: enough alone, not among ten
    assert judge(rows(0.11), 0.95)["verdict"][0] == "better"
    many = judge(rows(0.11, *[0.0] * 9), 0.95)
    assert many["verdict"][0] == "not known yet"
    assert many["change_low"][0] > 0


def test_no_change_that_matters_is_said_where_the_interval_holds_none():
    """1.96 standard errors of 5 in 100 are 9.8: with a change of 10 they end at 19.8 of 20."""
    others = [0.0] * 9
    for change, word in ((0.10, "no change that matters"), (0.105, "not known yet")):
        for sign in (1.0, -1.0):
            assert judge(rows(sign * change, *others), 0.95)["verdict"][0] == word


def test_a_true_change_of_the_smallest_size_is_shown_four_times_in_five():
    error = 0.05
    smallest = judge(rows(0.0, error=error), 0.95)["smallest_change"][0]
    rng = np.random.default_rng(1)
    found = judge(rows(*(smallest + error * rng.standard_normal(2000)), error=error), 0.95)
    seen = (found["p"] <= 0.05) & (found["change"] > 0)
    assert abs(seen.mean() - 0.8) < 3 * np.sqrt(0.16 / 2000)


@pytest.mark.parametrize("level", [0.8, 0.95])
@pytest.mark.parametrize("others", [0, 1, 9])
def test_the_smallest_change_that_shows_among_all_allows_for_as_many_as_are_told(level, others):
    """Bonferroni's bound, which is Holm's first; a change that is not known is none of them."""
    table = pd.concat([rows(*[0.0] * (1 + others), error=0.05), rows(np.nan, error=np.nan)])
    found = judge(table.reset_index(drop=True), level)
    strict = norm.isf((1.0 - level) / 2.0 / (1 + others))
    expected = 0.05 * (strict + norm.ppf(0.8))
    assert found["smallest_change_all"].to_numpy()[:-1] == pytest.approx(expected)
    assert np.isnan(found["smallest_change_all"].iloc[-1])


def test_a_period_is_kept_within_its_scale_and_the_change_is_not():
    found = judge(rows(-0.6), 0.95).iloc[0]
    assert found["after"] == found["after_low"] == 0.0
    assert found["change"] == pytest.approx(-0.6)


def test_a_change_worth_knowing_is_more_than_nothing_and_less_than_all():
    """Of gaps up to the middle of the court, and of shares."""
    most = dict.fromkeys(MEASURES, 1.0) | {"threshold": 3.2}
    assert set(MATTERS) == set(most)
    assert all(0.0 < least < most[name] for name, least in MATTERS.items())


@pytest.mark.parametrize("level", [0.8, 0.95])
@pytest.mark.parametrize("seed", range(4))
def test_every_column_that_is_added_row_by_row(seed, level):
    """With the normal's own quantiles, and the adjustment of another library."""
    rng = np.random.default_rng(seed)
    n = 9
    table = pd.DataFrame(
        {
            "measure": [f"m{k}" for k in range(n)],
            "before": rng.uniform(0, 1, n),
            "before_error": rng.uniform(0.01, 0.3, n),
            "after_error": rng.uniform(0.01, 0.3, n),
            "error": rng.uniform(0.01, 0.1, n),
            "better_when": rng.choice(["lower", "higher"], n),
            "matters": rng.choice([0.1, 0.3], n),
            "least": rng.choice([-1.0, 0.0], n),
            "most": rng.choice([1.0, 0.6], n),
        }
    )
    table["after"] = table["before"] + table["error"] * rng.choice([0.0, 2.2, -6.0], n)
    table.loc[[2, 5], ["before", "after", "before_error", "after_error", "error"]] = np.nan
    found = judge(table, level)
    assert not {"before_error", "after_error", "error", "least", "most"} & set(found)
    z, power = norm.ppf(0.5 + level / 2), norm.ppf(0.8)
    told = table["error"].notna().to_numpy()
    p = 2 * norm.sf(abs(table["after"] - table["before"]) / table["error"])
    holm = np.full(n, np.nan)
    holm[told] = multipletests(p[told], method="holm")[1]
    strict = norm.isf((1 - level) / 2 / told.sum())
    for k, (row, was) in enumerate(
        zip(found.to_dict("records"), table.to_dict("records"), strict=True)
    ):
        change, e = was["after"] - was["before"], was["error"]
        expected = {"change": change, "change_low": change - z * e, "change_high": change + z * e,
                    "p": p[k], "p_holm": holm[k], "smallest_change": (z + power) * e,
                    "smallest_change_all": (strict + power) * e}  # fmt: skip
        for name in ("before", "after"):
            for end, step in (("", 0.0), ("_low", -z), ("_high", z)):
                at = was[name] + step * was[f"{name}_error"]
                expected[name + end] = min(max(at, was["least"]), was["most"]) if told[k] else at
        for name, value in expected.items():
            assert row[name] == pytest.approx(value, nan_ok=True, abs=1e-12), name
        up = was["better_when"] == "higher"
        if holm[k] <= 1 - level:
            assert row["verdict"] == ("better" if (change > 0) == up else "worse")
        else:
            small = told[k] and abs(change) + z * e < was["matters"]
            assert row["verdict"] == ("no change that matters" if small else "not known yet")


def test_a_fresh_model_has_the_options_of_the_one_that_is_given():
    given = sw.TightnessModel(outcome="rally", strokes=False, draws=77, seed=5)
    found = _fresh(given)
    assert found is not given
    assert found.get_params() == given.get_params()
    assert _fresh(None).get_params() == sw.TightnessModel().get_params()


@pytest.mark.parametrize(
    ("players", "missing"),
    [
        (["Rowan", "Hazel", "Hazel", "Rowan"], None),
        (["Hazel", "Hazel", "Hazel", "Rowan"], "before"),
        (["Rowan", "Hazel", "Hazel", "Hazel"], "after"),
    ],
)
def test_a_period_without_a_shot_of_the_players_own_is_named(players, missing):
    model = SimpleNamespace(used_=pd.DataFrame({"player": players}))
    when = np.array([False, False, True, True])
    if missing is None:
        _need_both(model, "Rowan", when)
    else:
        with pytest.raises(DataError, match=f"Rowan has no shot {missing} that"):
            _need_both(model, "Rowan", when)


def of(table, measure):
    return table[table["measure"] == measure]


def test_a_large_change_of_habits_is_seen_and_has_the_right_sign(compared):
    passed_up = of(compared, "passed up").iloc[0]
    assert passed_up["verdict"] == "better"
    assert passed_up["after"] < passed_up["before"]
    forced = of(compared, "forced").iloc[0]
    # seen by itself, though not beyond doubt among all the comparisons of the table
    assert forced["change_low"] > 0.0
    assert forced["verdict"] != "better"


def test_a_much_better_attack_wins_more_from_the_same_balls(compared):
    attack = of(compared, "attack")
    assert attack["side"].tolist() == ["forehand", "backhand"]
    assert (attack["change_low"] > 0.0).all()
    assert (attack["verdict"] == "better").any()


def test_a_much_better_attack_pays_from_tighter_balls(compared):
    thresholds = of(compared, "threshold")
    assert len(thresholds) == 4
    assert (thresholds["better_when"] == "lower").all()
    assert not (thresholds["verdict"] == "worse").any()
    # where attacking has come to pay at any gap, there is no change to tell
    told = thresholds.dropna(subset="change")
    assert told["change"].sum() <= 0.0
    assert told["note"].str.contains("attack wins .* reset wins").all()


def test_the_table_keeps_its_books(compared):
    assert tuple(compared.columns) == COLUMNS
    assert compared["measure"].map(MEASURES.index).is_monotonic_increasing
    known = compared.dropna(subset="change")
    assert (known["change_low"] < known["change"]).all()
    assert (known["change"] < known["change_high"]).all()
    inside = known[(known["before_low"] > 0) & (known["after_low"] > 0) & (known["unit"] == "m")]
    np.testing.assert_allclose(inside["after"] - inside["before"], inside["change"])
    # (1.96 + 0.84) standard errors, of which the interval is 2 * 1.96
    error = (known["change_high"] - known["change_low"]) / (2 * 1.959964)
    np.testing.assert_allclose(known["smallest_change"], (1.959964 + 0.841621) * error, rtol=1e-6)
    assert (known["smallest_change_all"] > known["smallest_change"]).all()
    shown = compared["verdict"].isin(["better", "worse"])
    assert (shown == (compared["p_holm"] <= 0.05)).all()
    quiet = known[(known["p_holm"] > 0.05)]
    small = np.maximum(quiet["change_high"], -quiet["change_low"]) < quiet["matters"]
    assert (quiet["verdict"] == np.where(small, "no change that matters", "not known yet")).all()
    assert compared["player"].unique().tolist() == ["Rowan"]


def test_two_ways_to_name_the_periods_agree(joined, compared):
    shots, before, after = joined
    mine = shots.loc[shots["player"] == "Rowan", "match"].astype(str)
    lists = [[m for m in names.values() if m in set(mine)] for names in (before, after)]
    again = compare_periods(shots, "Rowan", *lists, model=sw.TightnessModel(draws=200))
    pd.testing.assert_frame_equal(again, compared)


def test_exchanged_periods_turn_every_sign(joined, compared):
    shots, before, after = joined
    mine = set(shots.loc[shots["player"] == "Rowan", "match"].astype(str))
    lists = [[m for m in names.values() if m in mine] for names in (after, before)]
    back = compare_periods(shots, "Rowan", *lists, model=sw.TightnessModel(draws=200))
    np.testing.assert_allclose(back["change"], -compared["change"], rtol=1e-6, atol=1e-9)
    # errors carry draws of the chain, which come in another order
    width, was = (table["change_high"] - table["change_low"] for table in (back, compared))
    np.testing.assert_allclose(width, was, rtol=0.02)
    assert of(back, "passed up")["verdict"].tolist() == ["worse"]
    assert of(back, "passed up")["after"].iloc[0] == pytest.approx(
        of(compared, "passed up")["before"].iloc[0]
    )


def test_more_bounces_on_target_are_better_and_fewer_worse(logs):
    """Every bounce of the second period is put where one of the first was on its target."""
    first, second = logs
    bounces = placed_shots(shot_features(first))
    mine = bounces[(bounces["player"] == "Rowan") & (bounces["on_target"] == 1.0)]
    at = mine.groupby(["side", "stroke", "direction"], observed=True)[
        ["bounce_x_m", "bounce_y_m"]
    ].first()
    key = pd.MultiIndex.from_frame(second[["side", "stroke", "direction"]])
    moved = at.reindex(key).to_numpy()
    put = (second["player"] == "Rowan").to_numpy() & ~np.isnan(moved[:, 0])
    put &= second["bounce_x_m"].notna().to_numpy()
    perfect = second.copy()
    perfect.loc[put, ["bounce_x_m", "bounce_y_m"]] = moved[put]
    found = compare_periods(first, "Rowan", later=perfect, measures=["on target"])
    assert (found["after"] > found["before"]).all()
    assert (found["verdict"] == "better").all()
    assert (found["better_when"] == "higher").all()
    back = compare_periods(perfect, "Rowan", later=first, measures=["on target"])
    assert (back["verdict"] == "worse").all()


def test_one_measure_alone_needs_no_model(logs):
    found = compare_periods(logs[0], "Rowan", later=logs[1], measures=["on target"])
    assert found["measure"].tolist() == ["on target"] * 2
    bare = [log.drop(columns=["bounce_x_m", "bounce_y_m"]) for log in logs]
    with pytest.raises(DataError, match="no bounces"):
        compare_periods(bare[0], "Rowan", later=bare[1], measures=["on target"])


def test_unknown_measures_are_refused(logs):
    with pytest.raises(DataError, match="choose from threshold"):
        compare_periods(logs[0], "Rowan", later=logs[1], measures=["fitness"])


def test_too_little_is_not_known_yet(logs):
    first = logs[1]["match"].cat.categories[0]
    player = str(logs[1]["player"].iloc[0])
    few = logs[1][(logs[1]["match"] == first) & (logs[1]["game"] == 1) & (logs[1]["rally"] <= 6)]
    model = sw.TightnessModel(draws=200)
    found = compare_periods(
        logs[0], player, later=few.reset_index(drop=True), model=model,
        measures=["threshold", "comfort", "forced", "passed up"],
    )  # fmt: skip
    assert (found["verdict"] == "not known yet").all()
    assert found["note"].str.contains("few").any()
    assert found["n_after"].max() < 60
    assert "opponents differ" in found.attrs["notes"][0]


@pytest.mark.slow
def test_the_study_reports_what_was_found(study):
    options = {"ladders": 1, "players": 2, "before": 2, "after": 2, "plant": False,
               "outcome": "value", "seed": 1, "processes": 1}  # fmt: skip
    found = study.study(options)
    assert found["player"].nunique() == 2
    assert (found.loc[found["measure"] == "threshold", "truth"].dropna().abs() < 1e-12).all()
    figures = study.figures(found, options)
    assert figures["a pair of periods"][0]["pairs"] == 2
    assert {"threshold", "comfort"} <= {row["measure"] for row in figures["by measure"]}


def test_a_planted_change_has_an_exact_truth(study):
    options = {"players": 3, "before": 1, "after": 1, "plant": True, "seed": 1}
    shots, after, chosen, truth = study.two_periods(0, options)
    assert len(chosen) == 1
    assert len(shot_features(shots)) == len(shots)
    moved = truth.loc[truth["player"] == chosen[0], "truth"]
    assert (moved < -0.05).any()
    assert set(after) < set(shots["match"].astype(str))
