import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sidewall.clips import clip_times
from sidewall.errors import DataError


def test_a_rally_is_shown_from_before_its_serve_to_after_its_last_strike(log, rallies):
    clips = clip_times(rallies, log)
    timed = clips[clips["problem"] == ""]
    # the first begins 3 s before the video does
    assert timed["in_s"].tolist() == [0.0, 16.0, 3596.0]
    assert timed["out_s"].tolist() == [6.0, 23.0, 3603.25]
    assert timed["title"].tolist() == ["game 1, rally 1", "game 1, rally 2", "game 1, rally 5"]


def test_rallies_without_times_stay_in_the_table(log, rallies):
    clips = clip_times(rallies, log)
    assert clips["rows"].sum() == len(rallies)
    missing = clips[clips["problem"] != ""]
    assert missing["problem"].tolist() == ["no time in the log"] * 2
    assert missing["title"].tolist() == ["game 1, rally 3", "game 1, rally 4"]
    assert missing[["in_s", "out_s"]].isna().all(axis=None)


def test_a_rally_that_is_not_in_the_log_is_said_so(log):
    table = pd.DataFrame({"match": ["m1", "m2"], "game": [1, 1], "rally": [1, 1]})
    clips = clip_times(table, log)
    assert clips.set_index("match")["problem"].to_dict() == {"m1": "", "m2": "not in the log"}


def test_times_that_run_backwards_make_no_clip(make_log):
    log = make_log([[10.0, 5.0], [20.0, 21.0]])
    clips = clip_times(log[log["shot"] == 1][["match", "game", "rally"]], log)
    assert clips.set_index("title")["problem"]["game 1, rally 1"].startswith("the rally's last")


def test_a_single_shot_is_shown_around_its_strike_and_named(log):
    table = log[(log["rally"] == 1) & (log["shot"] > 1)][["match", "game", "rally", "shot"]]
    clips = clip_times(table.assign(decision=["forced", "attacked loose"]), log, merge=False)
    assert clips["in_s"].tolist() == [0.0, 0.0]
    assert clips["out_s"].tolist() == [4.5, 6.0]
    assert clips["title"].tolist() == [
        "game 1, rally 1, shot 2: Hazel, forced backhand volley drop",
        "game 1, rally 1, shot 3: Rowan, attacked forehand volley drop",
    ]


def test_one_player_needs_no_name(log):
    table = log[(log["player"] == "Hazel") & (log["rally"] == 1)]
    assert clip_times(table, log)["title"].tolist() == [
        "game 1, rally 1, shot 2: backhand volley drop"
    ]
    named = clip_times(table, log, name_players=True)["title"]
    assert named.tolist() == ["game 1, rally 1, shot 2: Hazel, backhand volley drop"]


def test_clips_that_touch_become_one_and_keep_all_titles(log):
    table = log[log["rally"] == 1][["match", "game", "rally", "shot"]].assign(title=["a", "b", "b"])
    clips = clip_times(table, log)
    assert clips[["in_s", "out_s", "rows"]].to_numpy().tolist() == [[0.0, 6.0, 3.0]]
    assert clips["title"][0] == (
        "game 1, rally 1, shot 1: Rowan, a; game 1, rally 1, shot 2: Hazel, b; "
        "game 1, rally 1, shot 3: Rowan, b"
    )


def test_clips_of_different_matches_are_never_joined(make_log):
    log = pd.concat([make_log([[10.0, 11.0]], "m1"), make_log([[10.0, 11.0]], "m2")])
    log = log.reset_index(drop=True)
    clips = clip_times(log[log["shot"] == 1][["match", "game", "rally"]], log)
    assert clips["match"].tolist() == ["m1", "m2"]


def test_what_is_missing_is_said(log, rallies):
    with pytest.raises(DataError, match="no column game"):
        clip_times(rallies.drop(columns="game"), log)
    with pytest.raises(DataError, match="chart the column t"):
        clip_times(rallies, log.drop(columns="t_s"))
    with pytest.raises(DataError, match="chart the column t"):
        clip_times(rallies, log.assign(t_s=np.nan))
    for lead in (-1.0, np.nan):
        with pytest.raises(DataError, match="lead_in_s"):
            clip_times(rallies, log, lead_in_s=lead)


struck = st.lists(
    st.lists(st.floats(0, 7200, allow_nan=False), min_size=1, max_size=3).map(sorted),
    min_size=1,
    max_size=6,
)
leads = st.floats(0, 30, allow_nan=False)


@settings(deadline=None, max_examples=40)
@given(struck, leads, leads, st.booleans())
def test_every_row_is_in_one_clip_and_every_strike_is_seen(make_log, times, before, after, merge):
    log = make_log(times)
    rallies = log[["match", "game", "rally"]].drop_duplicates()
    clips = clip_times(rallies, log, lead_in_s=before, lead_out_s=after, merge=merge)
    assert clips["rows"].sum() == len(rallies)
    assert (clips["in_s"] >= 0).all()
    assert (clips["out_s"] >= clips["in_s"]).all()
    assert clips["in_s"].is_monotonic_increasing
    for t in log["t_s"]:
        assert ((clips["in_s"] <= t) & (t <= clips["out_s"])).any()
    if merge:
        assert (clips["in_s"].to_numpy()[1:] > clips["out_s"].to_numpy()[:-1]).all()
