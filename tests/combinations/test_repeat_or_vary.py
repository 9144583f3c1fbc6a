from __future__ import annotations

import copy
import math
from collections import Counter
from itertools import product
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

import sidewall as sw
from sidewall.combinations import RepeatOrVary, repeat_or_vary
from sidewall.combinations.repeat_or_vary import CONTRAST
from sidewall.errors import DataError, NotFittedError
from sidewall.features.rates import clustered_rate
from sidewall.rallies.strengths import Strengths
from sidewall.rallies.value import BEND_M


@pytest.fixture(scope="module")
def planted(study):
    # steeper, and the replies that decide are nearly sure: no straight line holds that, and a
    # plain logistic regression crosses at 3 and not at 2.5 as well
    rng = np.random.default_rng([5, 4])
    return sw.shot_features(study.plant_repeats(study.ladder(rng, 6, 15), rng, slope=1.2))


@pytest.fixture(scope="module")
def fitted(planted):
    return RepeatOrVary().fit(planted)


def test_a_planted_crossing_is_found(fitted):
    answers = fitted.answers()
    average = answers.iloc[0]
    assert pd.isna(average["player"])
    assert average["status"] == "vary from here on"
    assert average["repeats_low"] <= 2.5 <= average["repeats_high"]
    assert average["repeats_low"] < average["repeats"] < average["repeats_high"]
    assert answers["player"].tolist()[1:] == fitted.players_
    assert average["n_repeated"] == answers["n_repeated"].iloc[1:].sum()


def test_of_a_player_who_seldom_repeats_nothing_is_told(fitted):
    """Four own repeats are too few, five are enough, whatever the pooled lines say."""
    all_told = fitted.answers()
    at = int((all_told["status"][1:] != "not known yet").idxmax())
    name, status = all_told["player"][at], all_told["status"][at]
    assert status != "not known yet"
    used = fitted.used_
    own = ((used["player"].astype(str) == name) & (used["repeated"] == 1)).to_numpy()
    for left, told in ((4, "not known yet"), (5, status)):
        few = copy.copy(fitted)
        few.used_ = used[~own | (np.cumsum(own) <= left)]
        row = few.answers().iloc[at]
        assert (row["n_repeated"], row["status"]) == (left, told)


def test_the_set_is_where_the_drawn_lines_cross(fitted):
    level, slope = fitted._lines(CONTRAST)[-1].T
    rises = slope > 0
    assert rises.mean() > 0.99
    cross = np.where(rises, 1.0 - level / slope, np.inf)  # else it never turns to varying
    average = fitted.answers().iloc[0]
    inside = (cross > 1.0) & (cross < fitted.most)
    assert inside.mean() > 0.97
    assert average["repeats"] == pytest.approx(np.median(cross), abs=0.02)
    # the ends are draws: the next ones outward
    assert average["repeats_low"] == pytest.approx(np.quantile(cross, 0.025, method="lower"))
    assert average["repeats_high"] == pytest.approx(np.quantile(cross, 0.975, method="higher"))


def test_a_sudden_change_is_told_early_as_the_notes_say(planted):
    """Repeating wins more up to 4 repeats and much less from the fifth on."""
    assert "somewhat early" in RepeatOrVary.__doc__
    rng = np.random.default_rng(8)
    late = planted["same_reply_run"] >= 5
    repeated = planted["repeats_reply"].eq(True)
    chance = np.select([repeated & late, repeated], [0.2, 0.6], 0.5)
    won = pd.Series(rng.random(len(planted)) < chance, planted.index).astype(planted["won"].dtype)
    average = RepeatOrVary().fit(planted.assign(won=won)).answers().iloc[0]
    assert average["status"] == "vary from here on"
    assert average["repeats"] < 4.0


def test_curves_cross_where_the_answer_says(fitted):
    curves = fitted.curves()
    average = curves[curves["player"].isna()]
    wide = average.pivot_table(index="repeats", columns="reply", values="win")
    better = (wide["varied"] > wide["repeated"]).to_numpy()
    crossing = fitted.answers()["repeats"][0]
    assert better.tolist() == (wide.index.to_numpy() > crossing).tolist()
    assert ((curves["win_low"] < curves["win"]) & (curves["win"] < curves["win_high"])).all()
    assert len(curves) == 12 * (1 + len(fitted.players_))


def test_nothing_planted_is_not_known(study):
    rng = np.random.default_rng(9)
    shots = study.ladder(rng, 4, 3)
    shots = study.with_winners(shots, np.full(shots["shot"].eq(1).sum(), 0.5), rng)
    answers = RepeatOrVary().fit(shots).answers()
    assert answers["status"][0] == "not known yet"
    assert np.isnan(answers["repeats"][0])


def with_smashes(planted, count):
    """So many balls that came in as drives came in as smashes, and were all won."""
    drives = planted["repeats_reply"].notna() & (planted["incoming_stroke"] == "drive")
    at = planted.index[drives][:count]
    shots = planted.astype({"incoming_stroke": object})
    shots.loc[at, ["incoming_stroke", "won"]] = ["smash", 1.0]
    return shots


def test_a_word_met_seldom_joins_the_usual_one_and_a_note_says_so(planted):
    shots = with_smashes(planted, 7)
    found = RepeatOrVary().fit(shots)
    said = "incoming_stroke smash: 7 shots, too few to be told apart; they count as drive"
    assert said in found.notes_
    as_drives = RepeatOrVary().fit(shots.replace({"incoming_stroke": {"smash": "drive"}}))
    assert as_drives.notes_ == [note for note in found.notes_ if note != said]
    pd.testing.assert_frame_equal(found.answers(), as_drives.answers())


def test_a_word_that_was_always_won_spoils_nothing(planted, fitted):
    found = RepeatOrVary().fit(with_smashes(planted, 40))
    assert "incoming_stroke smash" in found._rows.X.columns
    assert not any("smash" in note for note in found.notes_)
    # 40 of thousands of shots, and they have a coefficient of their own
    average = found.answers().iloc[0]
    assert average["status"] == "vary from here on"
    assert average["repeats_low"] <= fitted.answers()["repeats"][0] <= average["repeats_high"]


def test_refusals(by_hand, ladder):
    with pytest.raises(NotFittedError, match="RepeatOrVary"):
        RepeatOrVary().answers()
    with pytest.raises(DataError, match="Only 0 shots repeat"):
        RepeatOrVary().fit(by_hand(("Hazel", "serve", "drive straight")))
    with pytest.raises(DataError, match="most is 1"):
        RepeatOrVary(most=1).fit(ladder)


class Recorder:
    """In place of the fit: keeps what it is given, and has draws that were made up."""

    def __init__(self, groups, seed):
        self.groups, self.seed = groups, seed

    def fit(self, y, X, Z, group, offset, cluster):
        self.given = dict(y=y, X=X, Z=Z, group=group, offset=offset, cluster=cluster)
        self.groups_ = np.unique(group)
        rng = np.random.default_rng(1)
        common = rng.normal(0, 0.3, (60, X.shape[1]))
        common[:, 1], common[:, 3] = 0.9, -0.9 + 0.3 * common[:, 3]
        own = rng.normal(0, 0.2, (len(self.groups_), 60, 3))
        # one who should always vary, one who should always repeat
        own[0, :, 1:], own[2, :, 1:] = [-9, 0], [9, 0]
        self.draws_ = SimpleNamespace(common=common, own=own)
        return self


@pytest.fixture(scope="module")
def recorded(hard):
    """A log with few words: some met 29 and 30 times, and a player who repeats only 4 times."""
    shots = sw.shot_features(hard(95, matches=9, rallies=40, longest=10))
    counts = use_of(shots)
    words = shots["incoming_stroke"].astype(object).to_numpy(copy=True)
    at = np.flatnonzero(counts & (words == "drive"))
    words[at[:30]], words[at[30:59]] = "smash", "flick"
    shots["incoming_stroke"] = words
    own = counts & (shots["player"] == "Hazel").to_numpy() & (shots["repeats_reply"] == 1)
    shots.loc[np.flatnonzero(own)[4:], "won"] = np.nan
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(repeat_or_vary, "LogitDraws", Recorder)
        return shots, RepeatOrVary(most=3, prior_scale=0.3, seed=7).fit(shots)


def use_of(shots):
    return shots[["repeats_reply", "won", "gap_m"]].notna().all(axis=1).to_numpy()


def test_what_is_fitted_by_loops(recorded):
    """Rows, columns, notes and offsets, with words that are met often, seldom, or blank."""
    shots, found = recorded
    used = shots[use_of(shots)].reset_index(drop=True)
    n, records = len(used), used.to_dict("records")
    repeats = np.array([min(int(row["same_reply_run"]), 3) for row in records])
    again = np.array([int(row["repeats_reply"]) for row in records])
    pd.testing.assert_frame_equal(found.used_, used.assign(repeats=repeats, repeated=again))
    sign = np.where(again == 1, 0.5, -0.5)
    columns = {"level": np.ones(n), "repeated": sign, "repeats": repeats - 1.0}
    columns["repeated x repeats"] = sign * (repeats - 1)
    notes = []
    for name in ("side", "family", "incoming_stroke"):
        said = ["not charted" if pd.isna(row[name]) else row[name] for row in records]
        (usual, _), *others = Counter(said).most_common()
        for word, count in others:
            if count >= 30:
                is_it = np.array([float(each == word) for each in said])
                columns[f"{name} {word}"] = is_it - is_it.mean()
            else:
                notes.append(f"{name} {word}: {count} shots, too few to be told apart; they count "
                             f"as {usual}")  # fmt: skip
    assert "incoming_stroke smash" in columns
    assert any("flick: 29 shots" in note for note in notes)
    gap = np.log(1 + used["gap_m"].to_numpy().round(2) / BEND_M)
    columns["gap"] = gap - gap.mean()
    assert found.notes_ == notes
    given = found.fit_.given
    # words that are met as often may stand in either order
    pd.testing.assert_frame_equal(found._rows.X, pd.DataFrame(columns), check_like=True)
    assert list(found._rows.X)[:4] == list(columns)[:4]
    np.testing.assert_array_equal(given["X"], found._rows.X)
    own = ["level", "repeated", "repeated x repeats"]
    np.testing.assert_array_equal(given["Z"], np.column_stack([columns[name] for name in own]))
    assert given["y"].tolist() == used["won"].tolist()
    assert given["group"].tolist() == used["player"].tolist()
    assert given["cluster"].tolist() == used["rally_id"].tolist()
    strength = Strengths().fit(found.used_).strength_
    offset = [strength[row["player"]] - strength[row["opponent"]] for row in records]
    np.testing.assert_allclose(given["offset"], offset)
    groups = found.fit_.groups
    assert groups.common.tolist() == [-1] * len(columns)
    assert (groups.own.tolist(), list(groups.names)) == ([0, 1, 2], own)
    assert groups.scale.tolist() == [0.3] * 3
    assert found.fit_.seed == 7


def test_counts_by_loops(recorded):
    shots, found = recorded
    used, rows = shots[use_of(shots)], []
    for repeats, (reply, kind) in product((1, 2, 3), (("repeated", 1.0), ("varied", 0.0))):
        mine = used[(used["same_reply_run"].clip(upper=3) == repeats)
                    & (used["repeats_reply"] == kind)]  # fmt: skip
        rate = clustered_rate(mine["won"].to_numpy(), mine["rally_id"].to_numpy(),
                              np.zeros(len(mine), int), 1)  # fmt: skip
        rows.append([repeats, reply, len(mine), mine["rally_id"].nunique(), rate.rate[0],
                     rate.low[0], rate.high[0]])  # fmt: skip
    wanted = pd.DataFrame(rows, columns=list(found.counts_))
    pd.testing.assert_frame_equal(found.counts_, wanted)


def test_answers_and_curves_by_loops(recorded):
    """From made-up draws: where each drawn line crosses, and what the two ways win."""
    _, found = recorded
    draws = found.fit_.draws_
    everyone = [None, *found.players_]
    answers, curves = [], []
    for name in everyone:
        lines = draws.common[:, :4].copy()
        mine = found.used_ if name is None else found.used_[found.used_["player"] == name]
        if name is not None:
            lines[:, [0, 1, 3]] += draws.own[found.players_.index(name)]
        crossing = []
        for _, first, _, more in lines:  # varied less repeated, at 1 repeat and at 3
            one, three = -first, -first - 2 * more
            crossing.append(np.inf if three <= 0 else -np.inf if one > 0 else 1 - first / more)
        n = int(mine["repeated"].sum()), int((1 - mine["repeated"]).sum())
        crossing = np.sort(crossing)
        low, high = crossing[math.floor(0.1 * 59)], crossing[math.ceil(0.9 * 59)]
        row = ["not known yet", np.nan, np.nan, np.nan]
        if min(n) >= 5 and high == -np.inf:
            row[0] = "vary after any number"
        elif min(n) >= 5 and low == np.inf:
            row[0] = "repeat after any number"
        elif min(n) >= 5:
            row[2:] = [end if np.isfinite(end) else np.nan for end in (low, high)]
            if not np.isnan(row[2:]).any():
                row[:2] = "vary from here on", np.median(crossing)
        answers.append([name, *row, *n])
        for repeats, kind in product(range(3), (0.5, -0.5)):
            win = [1 / (1 + np.exp(-(a + kind * b + repeats * c + kind * repeats * d)))
                   for a, b, c, d in lines]  # fmt: skip
            ends = np.quantile(win, [0.1, 0.9])
            curves.append([name, repeats + 1, "repeated" if kind > 0 else "varied", np.mean(win),
                           *ends])  # fmt: skip
    told = found.answers(level=0.8)
    wanted = pd.DataFrame(answers, columns=list(told))
    pd.testing.assert_frame_equal(told, wanted, check_dtype=False, rtol=1e-9)
    assert told["n_repeated"].tolist()[2] == 4  # Hazel, of whom nothing is told for that
    assert len(set(told["status"])) >= 3
    told = found.curves(level=0.8)
    wanted = pd.DataFrame(curves, columns=list(told)).astype({"player": object})
    wanted["player"] = wanted["player"].where(wanted["player"].notna(), None)
    pd.testing.assert_frame_equal(told, wanted, check_dtype=False, rtol=1e-9)


@pytest.mark.parametrize(("kind", "word"), [(1.0, "repeat"), (0.0, "vary")])
def test_twenty_of_each_are_enough(recorded, kind, word):
    shots, _ = recorded
    of_kind = np.flatnonzero(use_of(shots) & (shots["repeats_reply"] == kind))
    for left in (19, 20):
        fewer = shots.assign(won=shots["won"].where(~np.isin(shots.index, of_kind[left:])))
        if left == 20:
            assert (repeat_or_vary.repeat_rows(fewer, 3).used["repeats_reply"] == kind).sum() == 20
        else:
            with pytest.raises(DataError, match=f"Only 19 shots {word} the reply"):
                repeat_or_vary.repeat_rows(fewer, 3)


def test_runs_of_one_length_are_no_line(recorded):
    shots, _ = recorded
    with pytest.raises(DataError, match="twice running"):
        repeat_or_vary.repeat_rows(shots.assign(same_reply_run=2.0), 3)
    two = shots.assign(same_reply_run=shots["same_reply_run"].clip(upper=2), gap_m=0.5)
    rows = repeat_or_vary.repeat_rows(two, 3)
    assert "gap" not in rows.X  # all alike
