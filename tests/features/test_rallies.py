from __future__ import annotations

import numpy as np
import pandas as pd

from sidewall.features.rallies import rally_table
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
