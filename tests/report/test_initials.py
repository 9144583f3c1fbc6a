from __future__ import annotations

import pytest

from sidewall.errors import DataError
from sidewall.report import initials_of, with_initials


def test_initials_stand_for_players_opponents_and_winners(check):
    shots = with_initials(check.shots)
    names = set(check.shots["player"].astype(str))
    for column in ("player", "opponent", "rally_won_by"):
        assert not names & set(shots[column].dropna().astype(str))
    assert set(shots["player"].astype(str)) == set(check.shots["initials"].astype(str))
    # the table given is left as it was
    assert set(check.shots["player"].astype(str)) == names


def test_the_same_initials_are_numbered(check):
    same = check.shots.assign(initials="AB")
    short = initials_of(same)
    assert len(set(short.values())) == len(short)
    assert all(one.startswith("AB ") for one in short.values())


def test_a_number_that_somebody_has_is_not_given_twice(check):
    names = list(check.shots["player"].cat.categories[:3])
    some = check.shots[check.shots["player"].isin(names)]
    some = some.assign(player=some["player"].cat.remove_unused_categories())
    given = dict(zip(names, ["AB", "AB 1", "AB"], strict=True))
    short = initials_of(some.assign(initials=some["player"].astype(str).map(given)))
    assert len(set(short.values())) == 3
    assert short[names[1]] == "AB 1"


def test_missing_initials_are_said(check):
    with pytest.raises(DataError, match="no initials: give them"):
        initials_of(check.shots.drop(columns="initials"))
    rowan = check.shots["player"] == "Rowan"
    some = check.shots.assign(initials=check.shots["initials"].astype(object).mask(rowan))
    with pytest.raises(DataError, match="no initials for Rowan"):
        initials_of(some)
