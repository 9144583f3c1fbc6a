"""Every condition that a step may ask, shot by shot."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import sidewall as sw
from sidewall.combinations import Step
from sidewall.combinations.shot_columns import ShotColumns
from sidewall.combinations.step import CONDITIONS
from sidewall.court.zones import Zones
from sidewall.errors import DataError


@pytest.fixture(scope="module")
def columns(hard):
    return ShotColumns(hard(21, matches=3, rallies=15, blank=0.2))


@pytest.mark.parametrize("name", list(CONDITIONS))
def test_each_condition_shot_by_shot(columns, meeting, name):
    """Each word alone and two, or each end alone and both; beside another that may be blank."""
    words = CONDITIONS[name].words
    values = [(word,) for word in words] + [words[1:]]
    if not words:
        values = [(0.3, None), (None, 0.5), (0.3, 0.5), (0.0, 0.3)]
        values = values if name == "gap_m" else [(4.0, None), (None, 3.2), (1.0, 4.0)]
    records = sw.shot_features(columns.shots).to_dict("records")
    for value in values:
        for other in ({}, {"balance": "set"}, {"contact": ("volley", "after_bounce")}):
            step = Step.own(**{**other, name: value})
            met, unsure = columns.meets(step)
            wanted = [meeting(shot, step.conditions) for shot in records]
            assert met.tolist() == [each is True for each in wanted]
            assert unsure.tolist() == [each is None for each in wanted]
    assert columns.tells(name)


def test_places_in_the_rally_and_who_is_who(columns, hard):
    shots = columns.shots
    rows = shots.groupby(["match", "game", "rally"], sort=False, observed=True)
    assert columns.position.tolist() == rows.cumcount().tolist()
    assert columns.left.tolist() == rows.cumcount(ascending=False).tolist()
    names = ["Yew", "Rowan", "Hazel", "Alder"]
    assert columns.names == names
    for name, codes in (("player", columns.player), ("opponent", columns.opponent)):
        assert [names[code] for code in codes] == shots[name].tolist()
    winners = rows["rally_won_by"].last().astype(object)
    told = [None if code < 0 else names[code] for code in columns.winner]
    assert told == [None if pd.isna(each) else each for each in winners]
    assert [columns.player_code(name) for name in names] == [0, 1, 2, 3]
    nothing = ShotColumns(shots.iloc[:0])
    assert len(nothing.position) == len(nothing.left) == len(nothing.player) == 0
    assert len(nothing.meets(Step.own(ball="tight"))[0]) == 0


@pytest.mark.parametrize("name", list(CONDITIONS))
def test_what_one_shot_has_is_told_and_what_none_has_is_not(columns, name):
    needs = {"depth": ("y_m",), "lane": ("x_m", "gap_m")}.get(name, CONDITIONS[name].needs)
    shots = columns.shots
    full = shots[list(needs)].notna().all(axis=1)
    one = np.arange(len(shots)) == int(np.flatnonzero(full)[-1])
    step = Step.own(**{name: CONDITIONS[name].words[0] if CONDITIONS[name].words else (0.0, 1.0)})
    for kept, told in ((one, True), (~one & one, False)):
        some = ShotColumns(shots.assign(**{each: shots[each].where(kept) for each in needs}))
        assert some.tells(name) == told
        if told:
            some.meets(step)
        else:
            with pytest.raises(DataError, match=f"asks for {name}, which the log tells for no sh"):
                some.meets(step)


def test_the_players_own_thresholds_and_zones_of_ones_own(columns):
    known = pd.DataFrame({"player": ["Hazel"], "side": ["forehand"], "family": ["volley"],
                          "threshold_m": [0.8]})  # fmt: skip
    own = ShotColumns(columns.shots, loose=sw.LooseBall(known, loose_from_m=0.3))
    met = own.meets(Step.own(ball="loose"))[0]
    told = sw.shot_features(columns.shots)
    hers = (told[["player", "side", "family"]] == ["Hazel", "forehand", "volley"]).all(axis=1)
    gap = told["gap_m"]
    assert met.tolist() == ((hers & (gap >= 0.8)) | (~hers & (gap >= 0.3))).tolist()
    zones = Zones(back_begins_m=7.0, side_lane_m=0.5)
    for court in (None, zones):
        own = ShotColumns(columns.shots, court)
        for which, at in (("depth", "y_m"), ("bounce_depth", "bounce_y_m")):
            back = own.meets(Step.own(**{which: "back"}))[0]
            begins = zones.back_begins_m if court else Zones().depth_edges_m[1]
            x_known = which == "depth" or columns.shots["bounce_x_m"].notna()
            assert back.tolist() == ((columns.shots[at] >= begins) & x_known).tolist()
    with pytest.raises(DataError, match="loose"):
        ShotColumns(columns.shots, loose=0.5)
    for name in ("side", "stroke", "gap_m"):
        with pytest.raises(DataError, match=f"no column {name.removesuffix('_m')}"):
            ShotColumns(columns.shots.drop(columns=name))
