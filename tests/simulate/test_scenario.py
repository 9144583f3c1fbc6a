from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import sidewall.simulate as sim
from sidewall.errors import DataError
from sidewall.simulate import scenario as module

TWO = """
seed = 3
[[player]]
name = "Rowan"
touch = [[0.1, 0.2], [0.3, -0.4]]
length = -0.2
[[player]]
name = "Hazel"
hand = "left"
"""


def write(path: Path, text: str) -> Path:
    file = path / "scenario.toml"
    file.write_text(text, encoding="utf-8")
    return file


def test_a_short_scenario(tmp_path: Path) -> None:
    scenario = sim.load_scenario(write(tmp_path, TWO))
    rowan, hazel = scenario.players
    np.testing.assert_array_equal(rowan.touch, [[0.1, 0.2], [0.3, -0.4]])
    np.testing.assert_array_equal(rowan.length, np.full((2, 2), -0.2))
    assert hazel.hand == "left"
    assert scenario.schedule == [(0, 1)]
    assert scenario.world == sim.World()
    assert set(scenario.shots()["player"]) == {"Rowan", "Hazel"}


def test_constants_can_be_replaced(tmp_path: Path) -> None:
    text = TWO + "[world]\nlet = 0.1\ncarry_over = 0.5\n[court]\ntin_height_m = 0.43\n"
    scenario = sim.load_scenario(write(tmp_path, text))
    assert scenario.world == sim.World(let=0.1, carry_over=0.5)
    assert scenario.court.tin_height_m == 0.43
    assert (scenario.matches["tin_height_m"] == 0.43).all()


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("seed = ", "no valid TOML"),
        ("seed = 1", "at least two"),
        (TWO.replace("seed = 3", ""), "seed is None"),
        (TWO + "touhc = 1", "touhc not understood"),
        (TWO + "[world]\ngravity = 1", "gravity not understood"),
        (TWO + "[schedule]\nrounds = 0", "rounds is 0"),
        (TWO.replace('"left"', '"both"'), "hand is 'both'"),
        (TWO.replace("-0.2", "[1.0, 2.0, 3.0]"), "two rows"),
        (TWO.replace("[0.3, -0.4]", "[0.3]"), "two rows"),
        (TWO.replace('name = "Hazel"', ""), "no name"),
        (TWO + 'strokes = { "forehand flick" = 1.0 }', "'forehand flick' is not understood"),
        (TWO + 'strokes = { "backhand drop deep" = 1.0 }', "a depth"),
        (TWO + 'strokes = { "kill" = 1.0 }', "'kill' is not understood"),
        (TWO + 'strokes = { "forehand drop back deep" = 1.0 }', "back deep' is not understood"),
        (TWO + 'strokes = { "forehand drop" = "much" }', "'much' is no number"),
        (TWO + 'retrieving = "much"', "'much' is no number"),
        (TWO + "[world]\ncentre = 2", "centre is 2"),
    ],
)
def test_mistakes_are_explained(tmp_path: Path, text: str, complaint: str) -> None:
    with pytest.raises(DataError, match=complaint):
        sim.load_scenario(write(tmp_path, text))


def test_a_missing_file_is_explained(tmp_path: Path) -> None:
    with pytest.raises(DataError, match="cannot be read"):
        sim.load_scenario(tmp_path / "none.toml")


def test_the_ladder_is_what_it_says(ladder: sim.Scenario) -> None:
    assert len(ladder.players) == 10
    assert [player.name for player in ladder.players if player.hand == "left"] == ["Willow"]
    assert len(ladder.schedule) == len(ladder.matches) == 20
    assert all(ladder.planted.values())


def test_planted_deficits_show_in_the_truth(ladder: sim.Scenario) -> None:
    table = ladder.thresholds().set_index(["player", "side", "family"])["threshold_m"]
    rowan = table["Rowan"]
    assert rowan["backhand", "volley"] > rowan.drop(("backhand", "volley")).max() + 0.1
    habit = {player.name: player.attack_from_m for player in ladder.players}
    assert (habit["Hazel"].ravel() < table["Hazel"].to_numpy() - 0.1).all()
    assert (habit["Alder"].ravel() > table["Alder"].to_numpy() + 0.3).all()
    by_player = table.groupby("player").mean()
    assert by_player["Linden"] < by_player.drop(["Linden", "Laurel"]).min()  # Laurel: fine touch
    assert table["Juniper"]["backhand"].min() > table["Juniper"]["forehand"].max() + 0.1


def test_planted_weaknesses_of_strokes_and_situations_show_in_the_truth(
    ladder: sim.Scenario,
) -> None:
    cell = ["side", "family"]
    table = (
        ladder.thresholds(by=["stroke"])
        .set_index(["player", "stroke", *cell])
        .sort_index()["threshold_m"]
    )
    kill = table.xs("kill", level="stroke").xs("forehand", level="side")
    assert kill["Aspen"].min() > kill.drop("Aspen").max()
    drop = ladder.thresholds(by=["stroke", "depth"])
    drop = drop[(drop["stroke"] == "drop") & (drop["side"] == "backhand")]
    drop = drop.set_index(["player", "depth", "family"])["threshold_m"].unstack("depth")
    worse = (drop["back"] - drop["middle"]).unstack("family")
    assert (worse.loc["Willow"] > worse.drop("Willow").max()).all()
    balance = ladder.thresholds(by=["balance"])
    balance = balance.set_index(["player", *cell, "balance"])["threshold_m"].unstack("balance")
    lost = (balance["stretched"] - balance["set"]).groupby("player").mean()
    assert lost["Cedar"] > lost.drop("Cedar").max() + 0.2


def test_data_are_found_within_an_installed_package(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    package = tmp_path / "site-packages" / "sidewall"
    (package / "synthetic_data").mkdir(parents=True)
    monkeypatch.setattr(module, "files", lambda _: package)
    with pytest.raises(DataError, match="Install"):
        sim.synthetic_data_folder()
    write(package / "synthetic_data", TWO)
    assert sim.synthetic_data_folder() == package / "synthetic_data"
