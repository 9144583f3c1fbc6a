import datetime as dt

import pandas as pd
import pytest

import sidewall as sw
from sidewall.errors import DataError
from sidewall.progress import join_logs, matches_by_date
from sidewall.progress.periods import find_periods


def of(shots, player="Rowan"):
    return list(dict.fromkeys(shots.loc[shots["player"] == player, "match"].astype(str)))


def test_joined_logs_are_a_whole_log(logs, joined):
    shots, before, after = joined
    assert len(shots) == len(logs[0]) + len(logs[1])
    assert before["m01"] == "before: m01"
    assert after["m01"] == "after: m01"
    assert list(shots["match"].cat.categories) == [*before.values(), *after.values()]
    assert list(shots["player"].cat.categories) == list(shots["opponent"].cat.categories)
    assert list(shots["stroke"].cat.categories) == list(logs[0]["stroke"].cat.categories)
    features = sw.shot_features(shots)
    alone = pd.concat([sw.shot_features(log) for log in logs], ignore_index=True)
    assert features["won"].equals(alone["won"])


def test_names_that_do_not_clash_stay(logs):
    later = logs[1].assign(match=logs[1]["match"].cat.rename_categories(lambda m: "x" + m))
    _, before, after = join_logs(logs[0], later)
    assert before["m01"] == "m01"
    assert after["xm01"] == "xm01"


@pytest.fixture
def first(logs):
    """A log in which Rowan plays three matches."""
    log = logs[0]
    return log[~log["match"].astype(str).isin(of(log)[3:])]


def test_a_date_splits_the_matches(first):
    own = of(first)
    days = dict(zip(own, ["2026-01-05", "2026-03-31", "2026-04-01"], strict=True))
    dated = first.assign(date=first["match"].astype(str).map(days).fillna("2026-01-01"))
    assert matches_by_date(dated, "Rowan", "2026-03-31") == (own[:1], own[1:])
    assert matches_by_date(dated, "Rowan", dt.date(2026, 4, 1)) == (own[:2], own[2:])
    with pytest.raises(DataError, match="is no date"):
        matches_by_date(dated, "Rowan", "spring")
    with pytest.raises(DataError, match="no column date"):
        matches_by_date(first, "Rowan", "2026-03-31")
    with pytest.raises(DataError, match="has no date that can be read"):
        matches_by_date(dated.assign(date=None), "Rowan", "2026-03-31")
    with pytest.raises(DataError, match="comes before"):
        find_periods(dated, "Rowan", None, None, None, "2020-01-01")


def test_matches_in_neither_period_are_left_out_and_said(first):
    own = of(first)
    found = find_periods(first, "Rowan", own[:1], own[1:2], None, None)
    assert own[2] not in set(found.shots["match"].astype(str))
    assert any(own[2] in note for note in found.notes)
    assert any("opponents differ" in note for note in found.notes)
    left = first[first["match"].astype(str) != own[2]]
    pd.testing.assert_frame_equal(found.shots, left.reset_index(drop=True))
    # matches without Rowan stay
    assert found.shots["match"].nunique() == first["match"].nunique() - 1


def test_periods_that_make_no_sense_are_refused(logs):
    own = of(logs[0])
    for given, said in (
        ((own[:1], own[:1], None, None), "in both periods"),
        ((own[:1], [], None, None), "comes after"),
        ((own[:1], ["m99"], None, None), "no match 'm99'"),
        ((None, None, None, None), "say which matches"),
        ((own[:1], None, None, None), "say which matches"),
        ((None, own[:1], None, None), "say which matches"),
        ((own[:1], own[1:], None, "2026-01-01"), "given twice"),
        ((own[:1], None, None, "2026-01-01"), "given twice"),
        ((None, own[:1], None, "2026-01-01"), "given twice"),
        ((None, None, logs[1], "2026-01-01"), "given twice"),
    ):
        with pytest.raises(DataError, match=said):
            find_periods(logs[0], "Rowan", *given)
    with pytest.raises(DataError, match="no shot is by 'Oak'"):
        find_periods(logs[0], "Oak", own[:1], own[1:], None, None)


def against(*pairs):
    """A log of one rally a match: Rowan against an opponent on a day."""
    rows = [
        {"match": f"m{k}", "player": who, "opponent": other, "date": day}
        for k, (opponent, day) in enumerate(pairs)
        for who, other in (("Rowan", opponent), (opponent, "Rowan"))
    ]
    return pd.DataFrame(rows)


def test_the_day_of_the_change_comes_after_and_opponents_of_one_period_are_named():
    log = against(("Elm", "2026-03-01"), ("Yew", "2026-03-02"), ("Elm", "2026-03-03"),
                  ("Ash", "2026-03-04"), ("Fir", "2026-03-05"))  # fmt: skip
    found = find_periods(log, "Rowan", None, None, None, dt.date(2026, 3, 3))
    assert (found.before, found.after) == (["m0", "m1"], ["m2", "m3", "m4"])
    differ = "opponents differ (Yew only before; Ash, Fir only after): a change may be theirs"
    assert found.notes == [differ]
    one = find_periods(log, "Rowan", ["m0"], ["m2", "m3"], None, None)
    assert one.notes == [
        "matches in neither period, left out: m1, m4",
        "opponents differ (Ash only after): a change may be theirs",
    ]
    assert find_periods(log, "Rowan", ["m2"], ["m0"], None, None).notes == [
        "matches in neither period, left out: m1, m3, m4"
    ]


def test_matches_of_a_second_log_come_after_and_may_be_named_as_they_were():
    first = against(("Elm", "2026-03-01"), ("Yew", "2026-03-02"))
    later = against(("Elm", "2026-04-01"), ("Elm", "2026-04-02"), ("Elm", "2026-04-03"))
    found = find_periods(first, "Rowan", None, None, later, None)
    assert found.before == ["before: m0", "before: m1"]
    assert found.after == ["after: m0", "after: m1", "m2"]
    assert len(found.shots) == len(first) + len(later)
    some = find_periods(first, "Rowan", ["m1"], ["m2", "m0"], later, None)
    assert (some.before, some.after) == (["before: m1"], ["m2", "after: m0"])
    assert some.notes[0] == "matches in neither period, left out: before: m0, after: m1"
    for given in ((["m2"], None), (None, ["m3"])):
        with pytest.raises(DataError, match=r"Rowan has no match 'm[23]'; Rowan's matches: m0, m1"):
            find_periods(first, "Rowan", *given, later, None)
