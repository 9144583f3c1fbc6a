from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sidewall.errors import DataError
from sidewall.features.rallies import need_whole_rallies, rally_table
from sidewall.features.shots import shot_features


def test_three_rallies_by_hand(three_rallies):
    r = rally_table(three_rallies)
    assert r["rally_id"].tolist() == [0, 1, 2]
    assert r["rally"].tolist() == [1, 2, 3]
    assert r["server"].tolist() == ["Rowan"] * 3
    assert r["receiver"].tolist() == ["Hazel"] * 3
    assert r["winner"].tolist()[::2] == ["Rowan", "Hazel"]
    assert r["loser"].tolist()[::2] == ["Hazel", "Rowan"]
    assert r.loc[1, ["winner", "loser"]].isna().all()
    assert r["ending"].tolist() == ["winner", "let", "tin"]
    assert r["shots"].tolist() == [5, 2, 3]
    np.testing.assert_allclose(r["seconds"], [5.0, 1.0, 2.2])
    assert r["line"].tolist() == [2, 7, 9]


def test_agrees_with_the_shots(make_log):
    shots = make_log(200, 8)
    r, f = rally_table(shots), shot_features(shots)
    assert r["shots"].sum() == len(shots)
    by_rally = f.groupby("rally_id")
    assert by_rally["rally_length"].first().tolist() == r["shots"].tolist()
    winners = f[f["won"] == 1.0].groupby("rally_id")["player"].first().astype(str)
    decided = r.dropna(subset=["winner"]).set_index("rally_id")
    hit = decided[decided.index.isin(winners.index)]
    assert hit["winner"].astype(str).tolist() == winners.tolist()
    assert r["winner"].isna().sum() == (r["ending"] == "let").sum() > 0


def test_without_times_or_lines(three_rallies):
    r = rally_table(three_rallies.drop(columns=["t_s", "line"]))
    assert r["seconds"].isna().all()
    assert "line" not in r


def test_index_of_the_shots_does_not_matter(three_rallies):
    moved = three_rallies.set_index(pd.Index(range(90, 100)))
    pd.testing.assert_frame_equal(rally_table(moved), rally_table(three_rallies))


def test_empty(three_rallies):
    assert len(rally_table(three_rallies.iloc[:0])) == 0


def test_whole_rallies_pass_and_so_do_some_of_them(make_log):
    f = shot_features(make_log(30, 6))
    need_whole_rallies(f)
    need_whole_rallies(f[f["rally_id"] % 3 == 1])
    need_whole_rallies(f.iloc[:0])


@pytest.mark.parametrize(
    "choose",
    [
        lambda f: f[f["player"] == f["player"].iloc[0]],
        lambda f: f[f["shot"] > 1],
        lambda f: f[f["shots_left"] > 0],
        lambda f: f.drop(index=f.index[f["shot"] == 3][0]),
        lambda f: f.iloc[:-1],
        lambda f: f.iloc[::-1],
        lambda f: f.sort_values("gap_m"),
        lambda f: f.iloc[2:4],
    ],
    ids=["player", "no serve", "no end", "one shot", "last", "back", "sorted", "two rows"],
)
def test_shots_chosen_from_features_have_no_next_ball(make_log, choose):
    with pytest.raises(DataError, match=r"Rows were chosen or moved .*keep="):
        need_whole_rallies(choose(shot_features(make_log(30, 6))))


def test_features_put_together_share_their_rally_numbers(three_rallies):
    f = shot_features(three_rallies)
    with pytest.raises(DataError, match="two rallies bear the same rally_id"):
        need_whole_rallies(pd.concat([f, f]))
