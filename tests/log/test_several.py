"""Several logs as one: matches of one name told apart, no rally twice, nothing lost in silence."""

import numpy as np
import pandas as pd
import pytest

from sidewall.errors import LogError, RefusedRowsWarning
from sidewall.log import check_log, read_shots
from sidewall.simulate import draw_players, round_robin, simulate_shots, to_log


def match_of(seed):
    """One match of Rowan and Hazel, called m01."""
    players = draw_players(["Rowan", "Hazel"], np.random.default_rng(5))
    return to_log(simulate_shots(players, round_robin(2, 1), rng=seed, games_to_win=2))


@pytest.fixture(scope="module")
def one():
    return match_of(6)


@pytest.fixture(scope="module")
def other():
    return match_of(7)


def same(left, right):
    names = left.columns.drop(["log", "line"], errors="ignore")
    pd.testing.assert_frame_equal(
        left[names].astype(object).fillna("-"), right[names].astype(object).fillna("-"),
        check_dtype=False, check_column_type=False,
    )  # fmt: skip
    return True


def test_each_log_is_read_by_its_own_headings(one, other, tmp_path):
    one.to_csv(tmp_path / "a.csv", index=False, sep=";", decimal=",")
    inches = other.assign(match="final", gap_in=other["gap_cm"] / 2.54).drop(columns="gap_cm")
    inches.to_excel(tmp_path / "b.xlsx", index=False)
    check = check_log([tmp_path / "a.csv", tmp_path / "b.xlsx"])
    assert (check.rows_in, check.rows_refused) == (len(one) + len(other), 0)
    assert check.logs == {"a.csv": len(one), "b.xlsx": len(other)}
    assert check.shots["log"].value_counts().to_dict() == check.logs
    first, second = (check.shots[check.shots["match"] == name] for name in ("m01", "final"))
    assert same(read_shots(tmp_path / "a.csv"), first.reset_index(drop=True))
    wanted = read_shots(other.assign(match="final"))
    np.testing.assert_allclose(second["gap_m"], wanted["gap_m"], atol=1e-9)


@pytest.mark.parametrize("folders", [("x", "y"), ("a", "b")])  # after and before m01
def test_matches_of_one_name_and_different_play_are_two(one, other, tmp_path, folders):
    for folder, table in zip(folders, (one, other), strict=True):
        (tmp_path / folder).mkdir()
        table.to_csv(tmp_path / folder / "log.csv", index=False)
    check = check_log([tmp_path / folder for folder in folders])
    names = [f"{folder}/log: m01" for folder in folders]
    assert list(check.shots["match"].cat.categories) == names
    assert check.rows_used == len(one) + len(other)
    (note,) = [note for note in check.notes if "different play" in note]
    assert ", ".join(f"{folder}/log.csv" for folder in folders) in note
    assert "leave all but one" in note
    for name, table in zip(names, (one, other), strict=True):
        mine = check.shots[check.shots["match"] == name]
        assert mine["gap_m"].tolist() == pytest.approx(read_shots(table)["gap_m"], nan_ok=True)


def test_a_rally_in_two_logs_is_counted_once_and_said(one, tmp_path):
    one.to_csv(tmp_path / "a.csv", index=False)
    # the same match again: gaps typed otherwise, names in capitals, and one game more of it
    again = one.assign(gap_cm=(one["gap_cm"] + 3).clip(upper=320), player=one["player"].str.upper(),
                       rally_won_by=one["rally_won_by"].str.upper())  # fmt: skip
    part = one[one["game"] == 1]
    part.to_csv(tmp_path / "part.csv", index=False)
    again.to_csv(tmp_path / "b.csv", index=False)
    check = check_log([tmp_path / "part.csv", tmp_path / "b.csv"])
    assert check.rows_in == len(part) + len(again)
    assert check.rows_used == len(one)
    assert check.rows_refused == len(part) == len(check.problems)
    assert sum(check.refused_by_kind.values()) == check.rows_refused
    assert set(check.problems["log"]) == {"b.csv"}
    first = check.problems.iloc[0]
    assert (first["line"], first["column"], first["kind"]) == (2, "rally", "rally")
    assert "in part.csv too" in first["reason"]
    assert "b.csv, line 2, rally" in check.summary()
    assert set(check.shots["player"]) == {"Rowan", "Hazel"}
    with pytest.warns(RefusedRowsWarning, match="2 logs"):
        shots = read_shots([tmp_path / "part.csv", tmp_path / "b.csv"])
    assert len(shots) == len(one)
    whole = check_log([tmp_path / "a.csv", tmp_path / "b.csv"])
    assert same(read_shots(one), whole.shots)


def test_a_match_in_parts_is_one_and_its_score_is_not_made_up(one):
    first, rest = one[one["game"] == 1], one[one["game"] > 1]
    check = check_log([rest, first])
    assert (check.rows_refused, check.shots["match"].nunique()) == (0, 1)
    assert any("with other rallies in each" in note for note in check.notes)
    whole = read_shots(one)
    scores = ["own_points", "opponent_points", "own_games", "opponent_games"]
    assert same(whole.drop(columns=scores), check.shots.drop(columns=scores))
    known = check.shots[scores].notna().to_numpy()
    # where a score is given it is the true one
    assert (check.shots[scores].to_numpy()[known] == whole[scores].to_numpy()[known]).all()
    late = (check.shots["game"] > 1).to_numpy()
    assert check.shots.loc[late, "own_games"].isna().all()
    assert check.shots.loc[~late, scores].notna().all(axis=None)


def test_a_folder_gives_its_logs_and_names_what_is_none(one, other, tmp_path):
    one.to_csv(tmp_path / "a.csv", index=False)
    other.assign(match="m02").to_parquet(tmp_path / "b.parquet", index=False)
    pd.DataFrame({"player": ["Rowan"], "hand": ["left"]}).to_csv(tmp_path / "players.csv")
    (tmp_path / ".hidden.csv").write_text("x")
    (tmp_path / "notes.md").write_text("# notes")
    check = check_log(tmp_path)
    assert list(check.logs) == ["a.csv", "b.parquet"]
    assert any("as not a log: players.csv" in note for note in check.notes)
    assert check_log([tmp_path, tmp_path / "a.csv"]).rows_in == len(one) + len(other)
    # a log that lacks one column is not passed over but named
    one.drop(columns="side").to_csv(tmp_path / "c.csv", index=False)
    with pytest.raises(LogError, match=r"c\.csv.*side"):
        check_log(tmp_path)


def test_no_log_at_all_is_said(tmp_path):
    with pytest.raises(LogError, match=r"holds no log\. Name files"):
        check_log(tmp_path)
    with pytest.raises(LogError, match="The list holds no log"):
        read_shots([])
    with pytest.raises(LogError, match="there is no such file"):
        read_shots([tmp_path / "none.csv"])


def test_a_folder_with_one_log_is_that_log(one, tmp_path):
    one.to_csv(tmp_path / "a.csv", index=False)
    assert same(read_shots(tmp_path / "a.csv"), read_shots(tmp_path))


def test_points_are_not_counted_from_the_middle_of_a_game(one):
    """Every other rally in another log: neither alone knows the score, and none is made up."""
    odd = one["rally"] % 2 == 1
    check = check_log([one[odd], one[~odd]])
    assert len(set(check.shots["match"])) == 1
    whole = read_shots(one)
    scores = ["own_points", "opponent_points", "own_games", "opponent_games"]
    known = check.shots[scores].notna().to_numpy()
    assert (check.shots[scores].to_numpy()[known] == whole[scores].to_numpy()[known]).all()
    later = (check.shots["rally"] > 1).to_numpy()
    assert check.shots.loc[later, "own_points"].isna().all()
