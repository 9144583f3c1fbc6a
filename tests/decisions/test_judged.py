from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

import sidewall as sw
from sidewall.decisions import DECISIONS, ChoiceWorth, decision_table, decisions, decisions_by
from sidewall.decisions.judged import _thresholds
from sidewall.errors import DataError, NotFittedError
from sidewall.features.rates import clustered_rate
from sidewall.simulate import true_curves


@pytest.fixture(scope="module")
def table(shots, model):
    return decisions(shots, model)


@pytest.mark.slow
def test_every_shot_with_choice_and_gap_is_judged_once(shots, table):
    known = shots["choice"].notna() & shots["gap_m"].notna() & shots["family"].notna()
    assert len(table) == known.sum()
    assert len(table) + sum(table.attrs["left_out"].values()) == len(shots)
    assert not table.duplicated(["match", "game", "rally", "shot"]).any()
    assert table["decision"].notna().all()


def test_the_decision_follows_from_what_the_draws_say(table):
    names = {
        ("attack", "right"): "attacked loose",
        ("attack", "wrong"): "forced",
        ("reset", "right"): "reset tight",
        ("reset", "wrong"): "passed up",
    }
    at_the_limit = set()
    for one in table.to_dict("records"):
        # of 200 draws, so that shares of exactly 4 and 1 in 5 are met
        n = round(200 * one["p_right"]) if np.isfinite(one["p_right"]) else -1
        if n < 0:
            assert one["decision"] == "not known yet"
        elif 40 < n < 160:
            assert one["decision"] == "too close to call"
        else:
            assert one["decision"] == names[one["choice"], "right" if n >= 160 else "wrong"]
            at_the_limit |= {n} & {40, 160}
    assert at_the_limit == {40, 160}


def test_points_are_the_difference_of_the_models_own_curves(shots):
    # without situations and strokes every ball of a cell and gap is alike
    model = sw.TightnessModel(situation=(), strokes=False, draws=200).fit(shots)
    told = decisions(shots, model).dropna(subset="points").iloc[::50]
    probe = told.assign(gap_m=0.4, choice="attack")
    worth = ChoiceWorth(model, probe)
    gain = model.curves(gaps_m=[0.4]).set_index(["player", "side", "family"])
    at = pd.MultiIndex.from_frame(probe[["player", "side", "family"]].astype(str))
    pairs = {"mean": "gain", "low": "gain_low", "high": "gain_high", "p_right": "p_attack_better"}
    for ours, theirs in pairs.items():
        assert getattr(worth, ours) == pytest.approx(gain[theirs].reindex(at), abs=1e-10)
    turned = ChoiceWorth(model, probe.assign(choice="reset"))
    assert turned.mean == pytest.approx(-worth.mean)


def test_one_half_chooses_what_the_other_and_the_whole_judge(model, table):
    first, second = model.halves().posteriors
    half = model.halves().of(table)
    for k, (own, chooser) in enumerate(((first, second), (second, first))):
        some = table[half == k].dropna(subset="points").iloc[::40]
        sign = np.where(some["choice"] == "attack", 1.0, -1.0)
        drawn = {}
        for name, posterior in (("whole", model.posterior_), ("own", own), ("chooser", chooser)):
            found = drawn[name] = np.full((own.n_draws, len(some)), np.nan)
            for rows, attack, reset in posterior.of_shots(some):
                found[:, rows] = (sign[rows] * (attack - reset))[: own.n_draws]
        both = np.vstack([drawn["whole"], drawn["own"]])
        assert both.mean(axis=0) == pytest.approx(some["points"].to_numpy())
        ends = np.quantile(both, [0.025, 0.975], axis=0)
        assert ends == pytest.approx(some[["points_low", "points_high"]].to_numpy().T)
        assert (drawn["chooser"] > 0).mean(axis=0) == pytest.approx(some["p_right"].to_numpy())


def test_sure_decisions_have_the_sign_that_their_names_say(table):
    mean = table.groupby("decision", observed=True)["points"].mean()
    assert mean["attacked loose"] > 0
    assert mean["reset tight"] > 0
    assert mean["forced"] < 0
    assert mean["passed up"] < 0
    assert table.loc[table["decision"] == "not known yet", "points"].isna().all()


def test_sums_are_those_of_the_single_draws(table, model):
    told = table["points"].notna().to_numpy()
    player = pd.factorize(table["player"])[0]
    worth = ChoiceWorth(model, table, halves=True)
    rows = np.flatnonzero(told & (player == 0))
    drawn = worth.drawn(rows, np.arange(worth.n_draws))
    sums = worth.sums(np.where(told, player, -1), 6)
    assert sums[:, 0] == pytest.approx(drawn.sum(axis=1))
    assert drawn.mean(axis=0) == pytest.approx(table["points"].to_numpy()[rows])


#: How decisions are summed up, and by which columns, where `late_from` is 7.
WAYS = {
    "zone": ["depth", "lane"],
    "score": ["score", "stage"],
    "direction": ["direction"],
    ("side", "family"): ["side", "family"],
}


@pytest.fixture(scope="module")
def holed(table):
    """Judged shots, some without place, score or direction, and some of them not known yet."""
    holes = {"depth": 3, "lane": 3, "own_points": 4, "opponent_points": 6, "direction": 5}
    blank = {name: table["rally"] % n == 0 for name, n in holes.items()}
    numbers = {"own_points": float, "opponent_points": float}
    found = table.astype(numbers)
    found = found.assign(**{name: found[name].mask(blank[name]) for name in holes})
    unknown = table["rally"] % 7 == 0
    found["decision"] = found["decision"].mask(unknown, "not known yet")
    return found.assign(points=found["points"].mask(unknown))


def words_of(shots, by):
    """What the rows are counted under, worked out shot by shot; None for what is not known."""
    if by != ["score", "stage"]:
        return [tuple(None if pd.isna(v) else v for v in row) for row in shots[by].to_numpy()]
    found = []
    for own, other in shots[["own_points", "opponent_points"]].to_numpy():
        if np.isnan(own) or np.isnan(other):
            found.append((None, None))
            continue
        lead = "behind" if own < other else "ahead" if own > other else "level"
        found.append((lead, "late" if own >= 7 or other >= 7 else "early"))
    return found


@pytest.mark.parametrize(("way", "level"), [*zip(WAYS, (0.8, 0.95, 0.5, 0.9), strict=True)])
def test_every_number_is_that_of_its_own_shots_counted_one_by_one(holed, model, way, level):
    some = holed[holed["player"].isin(["Rowan", "Elm"])].reset_index(drop=True)
    found = decisions_by(some, model, way, level=level, late_from=7)
    worth = ChoiceWorth(model, some, halves=True)
    each = worth.drawn(np.arange(len(some)), np.arange(worth.n_draws))
    labels = words_of(some, WAYS[way])
    keys = list(dict.fromkeys(zip(some["player"], labels, strict=True)))
    by = ["player", *WAYS[way]]
    assert found.columns[: len(by)].tolist() == by
    rows = {
        (row["player"], tuple(None if pd.isna(row[b]) else row[b] for b in WAYS[way])): []
        for row in found.to_dict("records")
    }
    assert set(rows) == set(keys)
    for row in found.to_dict("records"):
        key = row["player"], tuple(None if pd.isna(row[b]) else row[b] for b in WAYS[way])
        rows[key].append(row["decision"])
        who, label = key
        mine = np.array([one == label for one in labels]) & (some["player"] == who).to_numpy()
        own, hit = some[mine], (some["decision"] == row["decision"]).to_numpy()[mine]
        assert row["n_shots"] == hit.sum()
        assert row["of"] == len(own)
        assert row["n_rallies"] == own.loc[hit, "rally_id"].nunique()
        rally = pd.factorize(own["rally_id"])[0]
        rate = clustered_rate(hit.astype(float), rally, np.zeros(len(own), np.int64), 1, level)
        shares = [row["share"], row["share_low"], row["share_high"]]
        assert shares == pytest.approx([hit.mean(), rate.low[0], rate.high[0]], nan_ok=True)
        told = np.flatnonzero(mine)[hit & own["points"].notna().to_numpy()]
        points = [row[f"points{end}"] for end in ("", "_low", "_high")]
        per_100 = [row[f"points_per_100{end}"] for end in ("", "_low", "_high")]
        if not len(told):
            assert np.isnan(points + per_100).all()
            continue
        drawn = each[:, told].sum(axis=1)
        ends = np.quantile(drawn, [0.5 - level / 2, 0.5 + level / 2])
        assert points == pytest.approx([drawn.mean(), *ends])
        assert per_100 == pytest.approx([100.0 * one / len(told) for one in points])
    assert all(told == list(DECISIONS) for told in rows.values())
    order = found[by].drop_duplicates()
    assert order.index.equals(order.sort_values(by, na_position="last").index)
    assert list(found["decision"].cat.categories) == list(DECISIONS)


def test_points_hold_the_exact_truth_as_often_as_they_say(table, model, players, schedule):
    exact = true_curves(players, schedule, gaps_m=np.arange(321) / 100)
    exact["cm"] = np.rint(100 * exact["gap_m"]).astype(int)
    cell = ["player", "side", "family"]
    exact = exact.pivot_table("win_probability", [*cell, "cm"], "choice")
    balls = table[cell].astype(str).assign(cm=np.rint(100 * table["gap_m"]).astype(int))
    attack, reset = exact.reindex(pd.MultiIndex.from_frame(balls)).to_numpy().T
    sign = np.where(table["choice"] == "attack", 1.0, -1.0)
    true = pd.Series(100 * sign * (attack - reset)).groupby(
        [table["player"].astype(str), table["decision"].astype(str)]
    )
    by = decision_table(table, model, "player")
    by = by[by["points_per_100"].notna() & (by["n_shots"] >= 5)]
    at = pd.MultiIndex.from_frame(by[["player", "decision"]].astype(str))
    true = true.mean().reindex(at).to_numpy()
    low, high = (by[f"points_per_100_{end}"].to_numpy() for end in ("low", "high"))
    inside = (low <= true) & (true <= high)
    # about 28 intervals that hang together; the study says how often in the long run
    assert inside.mean() >= 0.75


def test_a_ball_is_judged_in_its_own_situation(shots, model):
    # by the exact chances attacks pay less when stretched, so more draws say reset
    told = decisions(shots, model)
    some = told[(told["choice"] == "attack") & (told["balance"] == "set")].dropna(subset="points")
    probe = some.assign(gap_m=0.6)
    here, stretched = (ChoiceWorth(model, probe.assign(balance=b)) for b in ("set", "stretched"))
    assert stretched.mean.mean() < here.mean.mean()


def test_without_contact_all_strokes_share_an_answer(shots):
    bare = sw.shot_features(shots.drop(columns=["contact"]))
    model = sw.TightnessModel(draws=200).fit(bare)
    table = decisions(bare, model)
    assert set(table["family"]) == {"all strokes"}
    assert (table["decision"] != "not known yet").mean() > 0.5


def test_an_unknown_player_is_not_known_yet(shots, model):
    stranger = shots.assign(
        player=shots["player"].cat.rename_categories({"Rowan": "Yew"}),
        opponent=shots["opponent"].cat.rename_categories({"Rowan": "Yew"}),
        rally_won_by=shots["rally_won_by"].cat.rename_categories({"Rowan": "Yew"}),
    )
    table = decisions(stranger, model)
    assert (table.loc[table["player"] == "Yew", "decision"] == "not known yet").all()


def test_errors_say_the_mend(shots, model, table):
    with pytest.raises(NotFittedError, match="fit"):
        decisions(shots, sw.TightnessModel(draws=200))
    with pytest.raises(DataError, match=r"derivable: \d+.*; chart the gap and the choice"):
        decisions(shots.assign(choice=pd.Series([None] * len(shots), dtype=object)), model)
    with pytest.raises(DataError, match="no column 'moon'"):
        decision_table(table, model, "moon")
    with pytest.raises(DataError, match="no shot is left"):
        decision_table(table.head(0), model)
    with pytest.raises(DataError, match="those who have"):
        decisions_by(table, model, "zone", "Yew")
    with pytest.raises(DataError, match="chart x and y"):
        decisions_by(table.assign(depth=None, lane=None), model)


def test_what_the_log_tells_of_the_place_does_alone(table, model):
    by_lane = decisions_by(table.drop(columns="depth"), model, player="Rowan")
    assert "depth" not in by_lane
    assert by_lane["lane"].notna().all()
    assert by_lane["n_shots"].sum() == (table["player"] == "Rowan").sum()


@pytest.mark.slow
def test_shots_are_judged_first(shots, model, table):
    pd.testing.assert_frame_equal(decision_table(shots, model), decision_table(table, model))
    pd.testing.assert_frame_equal(
        decisions_by(shots, model, "score"), decisions_by(table, model, "score")
    )


def test_kept_decisions_alone_are_summed_up(shots, model, table):
    kept = decision_table(shots, model, "player", keep="balance == 'set'")
    set_ = decision_table(table[(table["balance"] == "set").to_numpy()], model, "player")
    pd.testing.assert_frame_equal(kept, set_)
    assert kept["n_shots"].sum() < len(table)


def test_a_match_that_no_half_has_seen_is_judged_by_the_whole(table, model):
    new = table.head(60).assign(match="another")
    assert (model.halves().of(new) == -1).all()
    found = ChoiceWorth(model, new, halves=True)
    whole = ChoiceWorth(model, new)
    np.testing.assert_allclose(found.mean, whole.mean)
    np.testing.assert_array_equal(np.isnan(found.p_right), np.isnan(whole.p_right))


def test_five_own_attacks_and_resets_are_enough_and_four_are_not(table, model):
    """The model's own answers, with another number of shots behind the first of them."""
    balls, keys = table.head(40), ["player", "side", "family"]
    answers = model.thresholds(0.95)
    first = balls[keys].iloc[0].tolist()
    cell = (answers[keys] == first).all(axis=1)
    of_it = (balls[keys].astype(str) == first).all(axis=1).to_numpy()
    assert cell.sum() == 1
    for least in ("n_attack", "n_reset"):
        for n in (4, 5):
            changed = answers.copy()
            changed.loc[cell, ["n_attack", "n_reset"]] = 50
            changed.loc[cell, least] = n
            told = SimpleNamespace(thresholds=lambda _, changed=changed: changed)
            assert (_thresholds(balls, told, 0.95)["enough"][of_it] == (n == 5)).all()


@pytest.mark.parametrize("gone", [0, 1])
def test_a_half_that_has_no_fit_chooses_nothing_and_leaves_its_balls_to_the_whole(
    table, model, monkeypatch, gone
):
    split = model.halves()
    half, some = split.of(table), np.arange(0, len(table), 9)
    table, half = table.iloc[some], half[some]
    both, whole = ChoiceWorth(model, table, halves=True), ChoiceWorth(model, table)
    posteriors = [None, *split.posteriors[1:]] if gone == 0 else [split.posteriors[0], None]
    monkeypatch.setattr(split, "posteriors", posteriors)
    found = ChoiceWorth(model, table, halves=True)
    # a half chooses for the balls of the other, and judges those of its own
    assert np.isnan(found.p_right[half != gone]).all()
    np.testing.assert_array_equal(found.p_right[half == gone], both.p_right[half == gone])
    np.testing.assert_allclose(found.mean[half == gone], whole.mean[half == gone])
    np.testing.assert_array_equal(found.mean[half != gone], both.mean[half != gone])
    assert np.isfinite(found.mean[np.isfinite(both.mean)]).all()


def test_nothing_is_told_of_balls_of_which_there_are_too_few(shots, model, table, monkeypatch):
    """One player has four own attacks in a cell; balls of one half have no fit of the other."""
    match = shots[shots["match"] == "m01"].reset_index(drop=True)
    keys, answers = ["player", "side", "family"], model.thresholds(0.95)
    few = answers["player"].eq(match["player"].iloc[0])
    answers.loc[few, "n_attack"] = 4
    monkeypatch.setattr(model, "thresholds", lambda level: answers)
    split = model.halves()
    monkeypatch.setattr(split, "posteriors", [None, split.posteriors[1]])
    found = decisions(match, model)
    other_half = split.of(found) == 1
    too_few = found["player"] == match["player"].iloc[0]
    unknown = too_few.to_numpy() | other_half
    assert 0 < too_few.sum() < len(found)
    assert (found["decision"].eq("not known yet").to_numpy() == unknown).all()
    names = ["p_right", "points", "points_low", "points_high"]
    assert found.loc[unknown, names].isna().all(axis=None)
    assert found.loc[~unknown, names].notna().all(axis=None)
    assert (found[keys].merge(answers, on=keys)["n_attack"] == 4).sum() == too_few.sum()
    assert found.index.tolist() == list(range(len(found)))
    places = ["depth", "lane", "wall", "own_points", "opponent_points", "own_games"]
    assert found.columns.tolist() == [
        *("match", "game", "rally", "shot", "player", "opponent", "rally_id", "side", "family"),
        *("stroke", "direction", "choice", "balance"),
        *(name for name in model.situation_ if name not in ("balance", *places)),
        *("gap_m", "status", "threshold_m", "threshold_low_m", "threshold_high_m", "decision"),
        *("p_right", "points", "points_low", "points_high"),
        *places, *("opponent_games", "is_server", "won", "ending", "t_s", "line"),
    ]  # fmt: skip
