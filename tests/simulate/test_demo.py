from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import sidewall as sw
import sidewall.simulate as sim
from sidewall.simulate.scenario import FILES

FOLDER = sim.synthetic_data_folder()


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("demo") / "new"
    assert [path.name for path in sim.write_demo(place)] == list(FILES)
    return place


@pytest.mark.parametrize("name", FILES)
def test_files_come_out_the_same_byte_for_byte(written: Path, name: str) -> None:
    assert (written / name).read_bytes() == (FOLDER / name).read_bytes()


def test_the_module_can_be_run(written: Path, tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "sidewall.simulate", str(tmp_path)],
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.split() == [str(tmp_path / name) for name in FILES]
    assert (tmp_path / "truth.csv").read_bytes() == (written / "truth.csv").read_bytes()


def test_the_log_is_small_enough_to_keep() -> None:
    assert (FOLDER / "ladder.csv").stat().st_size < 4_000_000


def test_the_ladder_reads_cleanly(ladder_shots: pd.DataFrame) -> None:
    check = sw.check_log(
        FOLDER / "ladder.csv", players=FOLDER / "players.csv", matches=FOLDER / "matches.csv"
    )
    assert check.rows_refused == 0
    pd.testing.assert_frame_equal(check.shots[ladder_shots.columns], ladder_shots)
    assert check.shots[["group", "initials", "date", "tin_height_m"]].notna().all(axis=None)


def test_the_hand_typed_match_is_the_ladders_but_for_its_mistakes(
    ladder_shots: pd.DataFrame,
) -> None:
    check = sw.check_log(FOLDER / "typed_by_hand.csv")
    contradicted = check.problems[check.problems["kind"] == "rally"]
    assert contradicted["line"].tolist() == [4, 37]
    assert check.rows_refused == len(check.problems)
    typed = check.shots
    key = ["match", "game", "rally", "shot"]
    whole = ladder_shots[ladder_shots["match"] == typed["match"].iloc[0]]
    rallies = whole.groupby(["game", "rally"]).ngroups
    assert typed.groupby(["game", "rally"]).ngroups == rallies - 2
    same = ["player", "side", "stroke", "direction", "contact", "choice", "rally_won_by", "ending"]
    both = typed.astype({"match": object}).merge(
        whole.astype({"match": object}), on=key, suffixes=("", "_true"), validate="1:1"
    )
    assert len(both) == len(typed)
    for name in same:
        one, other = both[name].astype(object), both[f"{name}_true"].astype(object)
        assert one.fillna("").equals(other.fillna("")), name
    half_board = typed["board_width_m"].iloc[0] / 4
    np.testing.assert_allclose(both["gap_m"], both["gap_m_true"], atol=half_board + 1e-9)


def test_the_truth_on_file_is_the_scenarios(ladder: sim.Scenario) -> None:
    on_file = pd.read_csv(FOLDER / "truth.csv")
    splits = ["stroke", "balance", "depth"]
    for by in ([], ["stroke"], ["balance"], ["depth"]):
        rows = on_file[(on_file[splits].notna() == [name in by for name in splits]).all(axis=1)]
        expected = ladder.thresholds(by=by)["threshold_m"].replace([np.inf, -np.inf], np.nan)
        np.testing.assert_allclose(rows["threshold_m"], expected, atol=5e-5)
    curves = pd.read_csv(FOLDER / "truth_curves.csv")
    assert curves["win_probability"].between(0, 1).all()
    assert len(curves) == 10 * 2 * 2 * 2 * 17


def test_the_dictionary_names_every_column() -> None:
    text = (FOLDER / "README.md").read_text(encoding="utf-8")
    first_cells = [line.split("|")[1] for line in text.splitlines() if line.startswith("| ")]
    explained = {name.strip() for cell in first_cells for name in cell.split(",")}
    for name in FILES:
        if name != "typed_by_hand.csv":
            assert set(pd.read_csv(FOLDER / name, nrows=1).columns) <= explained, name
