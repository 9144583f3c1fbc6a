from __future__ import annotations

import hashlib
import subprocess
import sys
from functools import partial

import numpy as np
import pandas as pd
import pytest
from PIL import Image
from typer.testing import CliRunner

import sidewall
from sidewall.cli.app import app
from sidewall.cli.profile import Profile, write_profile
from sidewall.files import make_folder, write_file
from sidewall.models import TightnessModel
from sidewall.simulate import draw_players, round_robin, simulate_shots, to_log

pytestmark = pytest.mark.slow

ODD = "../x $y"


@pytest.fixture(scope="module")
def shots():
    players = draw_players(["Rowan", "Hazel", ODD], np.random.default_rng(5))
    return simulate_shots(players, round_robin(3, 6), rng=6)


@pytest.fixture(scope="module")
def log(shots, tmp_path_factory):
    path = tmp_path_factory.mktemp("log") / "club.csv"
    to_log(shots).to_csv(path, index=False)
    return path


@pytest.fixture(scope="module")
def profile(log, tmp_path_factory):
    """One full profile: what was said, and the folder."""
    out = tmp_path_factory.mktemp("profile") / "new" / "folder"
    return run("profile", log, "--player", "rowan", "--out", out), out


def run(*words):
    return CliRunner().invoke(app, [str(word) for word in words])


def failed(result, *said):
    assert result.exit_code == 2
    assert result.stdout == ""
    assert result.stderr.startswith("sidewall: ")
    assert "Traceback" not in result.output
    for words in said:
        assert words in result.stderr
    return True


def test_help_names_every_command_and_loads_nothing_heavy():
    code = (
        "import sys\nfrom sidewall.cli.app import app\n"
        "try:\n    app(['--help'])\nexcept SystemExit:\n    pass\n"
        "print(sorted({'numpy', 'pandas', 'matplotlib', 'scipy'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    commands = ("demo", "check", "profile", "sheet", "report", "plan", "template", "map",
                "pseudonymise", "join", "compare", "agree", "efforts", "notebook")  # fmt: skip
    for command in commands:
        assert command in done.stdout
    assert done.stdout.rstrip().endswith("[]")


def test_version():
    assert run("--version").stdout == f"sidewall {sidewall.__version__}\n"


def test_check_of_a_clean_log_ends_with_0(log):
    result = run("check", log)
    assert result.exit_code == 0
    assert "0 refused" in result.stdout


def test_check_of_a_log_with_mistakes_ends_with_1(log, tmp_path):
    table = pd.read_csv(log)
    table.loc[5, "side"] = "sideways"
    table.to_csv(tmp_path / "bad.csv", index=False)
    result = run("check", tmp_path / "bad.csv")
    assert result.exit_code == 1
    assert "line 7, side = 'sideways'" in result.stdout


def test_check_of_what_is_no_log_ends_with_2(tmp_path):
    assert failed(run("check", tmp_path / "none.csv"), "none.csv")
    assert failed(run("check", tmp_path), str(tmp_path))
    (tmp_path / "empty.csv").write_text("")
    assert failed(run("check", tmp_path / "empty.csv"), "empty.csv")
    (tmp_path / "bytes.csv").write_bytes(bytes(range(256)))
    assert failed(run("check", tmp_path / "bytes.csv"), "bytes.csv")
    (tmp_path / "other.csv").write_text("a,b\n1,2\n")
    assert failed(run("check", tmp_path / "other.csv"))


def test_profile_writes_every_table_and_picture(profile):
    result, out = profile
    assert result.exit_code == 0, result.output
    tables = {"thresholds", "curves", "comfort", "zones", "held-out-checks", "calibration",
              "rule", "shots-used", "thresholds-by-stroke", "thresholds-by-balance",
              "thresholds-by-depth", "thresholds-by-opponent-place"}  # fmt: skip
    pictures = {"zone-map"} | {
        f"{name}-by-{outcome}"
        for name in ("threshold", "comfort", "calibration")
        for outcome in ("rally", "value")
    }
    wanted = {f"rowan-{name}.csv" for name in tables}
    wanted |= {f"rowan-{name}.{kind}" for name in pictures for kind in ("png", "svg")}
    assert {path.name for path in out.iterdir()} == wanted
    for name in wanted:
        assert name in result.stdout
    assert result.stdout.rstrip().endswith("rowan-threshold-by-value.png")


def test_pictures_are_150_dots_an_inch_and_not_empty(profile):
    for path in profile[1].glob("*.png"):
        with Image.open(path) as picture:
            assert picture.info["dpi"][0] == pytest.approx(150, abs=0.1)
            assert np.asarray(picture.convert("L")).std() > 5


def test_thresholds_are_the_models_in_centimetres(profile, shots):
    written = pd.read_csv(profile[1] / "rowan-thresholds.csv")
    assert written["player"].unique().tolist() == ["Rowan"]
    by_rally = written[written["outcome"] == "rally"].reset_index(drop=True)
    wanted = TightnessModel(outcome="rally").fit(shots).thresholds().query("player == 'Rowan'")
    assert by_rally["status"].tolist() == wanted["status"].tolist()
    for name in ("threshold", "threshold_low", "threshold_high", "gap_max"):
        np.testing.assert_allclose(by_rally[f"{name}_cm"], 100 * wanted[f"{name}_m"], atol=0.051)
    assert by_rally["n_reset"].tolist() == wanted["n_reset"].tolist()


def test_no_other_player_is_in_the_tables(profile):
    for path in profile[1].glob("*.csv"):
        assert "Hazel" not in path.read_text(encoding="utf-8-sig")


def test_an_odd_name_makes_a_plain_file_name(log, tmp_path):
    out = tmp_path / "out"
    result = run("profile", log, "--player", ODD, "--out", out, "--outcome", "rally",
                 "--unit", "boards", "--board-width-cm", 7)  # fmt: skip
    assert result.exit_code == 0, result.output
    assert all(path.name.startswith("x-y-") for path in out.iterdir())
    assert [path.name for path in tmp_path.iterdir()] == ["out"]
    assert "threshold_boards" in pd.read_csv(out / "x-y-thresholds.csv").columns


def test_one_match_has_no_held_out_checks_and_says_so(log, tmp_path):
    table = pd.read_csv(log)
    longest = table["match"].value_counts().idxmax()
    single = table[table["match"] == longest].drop(columns=["x", "y"], errors="ignore")
    single.to_csv(tmp_path / "one.csv", index=False)
    result = run("profile", tmp_path / "one.csv", "--player", single["player"].iloc[0],
                 "--out", tmp_path / "out", "--outcome", "rally")  # fmt: skip
    assert result.exit_code == 0, result.output
    assert "Not made: held-out checks by rally" in result.stdout
    assert not list((tmp_path / "out").glob("*held-out*"))


def test_profile_failures_are_one_message(log, tmp_path):
    def profile_of(player="Rowan", *more, source=log):
        return run("profile", source, "--player", player, "--out", tmp_path / "out", *more)

    assert failed(profile_of("Rowen"), "Close names: Rowan")
    assert failed(profile_of("Rowan", "--unit", "furlong"), "furlong")
    assert failed(profile_of("Rowan", "--board-width-cm", "700"), "not plausible")
    assert failed(profile_of("Rowan", "--outcome", "coin"), "rally, value")
    assert failed(profile_of(source=tmp_path / "none.csv"), "none.csv")
    assert failed(profile_of("Rowan", "--matches", tmp_path / "no.csv"), "no.csv")
    assert not (tmp_path / "out").exists()


def test_a_log_too_small_for_a_model_is_said_to_be(tmp_path):
    run("template", tmp_path / "log.csv")
    result = run("profile", tmp_path / "log.csv", "--player", "Rowan", "--out", tmp_path / "out")
    assert failed(result, "3 shots", "Chart more")


def test_a_folder_that_cannot_be_made_is_said(log, tmp_path):
    result = run("profile", log, "--player", "Rowan", "--out", log, "--outcome", "rally")
    assert failed(result, "a part of its path is no folder")


def test_refused_rows_are_counted_on_the_error_stream(log, tmp_path):
    table = pd.read_csv(log)
    table.loc[5, "side"] = "sideways"
    table.to_csv(tmp_path / "bad.csv", index=False)
    result = run("profile", tmp_path / "bad.csv", "--player", "Nobody", "--out", tmp_path / "out")
    assert result.exit_code == 2
    assert f"of {len(table):,} rows are refused" in result.stderr


@pytest.mark.parametrize("name", ["log.csv", "log.xlsx"])
def test_a_template_passes_its_own_check(tmp_path, name):
    file = tmp_path / name
    assert run("template", file).exit_code == 0
    assert run("check", file).exit_code == 0
    before = file.read_bytes()
    assert failed(run("template", file), "--replace")
    assert file.read_bytes() == before
    assert run("template", file, "--replace").exit_code == 0


def test_a_template_that_cannot_be_written_is_said(tmp_path):
    assert failed(run("template", tmp_path / "none" / "log.csv"), "cannot be written")
    assert failed(run("template", tmp_path / "log.txt"), ".xlsx")


def test_the_demo_can_be_opened_and_gone_on_with(tmp_path, monkeypatch):
    # half of the profile, to be quick
    monkeypatch.setattr("sidewall.cli.demo.write_profile", partial(write_profile, outcome="rally"))
    out = tmp_path / "my demo"
    result = run("demo", "--out", out)
    assert result.exit_code == 0, result.output
    first = next(line for line in result.stdout.split("\n") if line.startswith("Open first: "))
    assert Image.open(first.removeprefix("Open first: ")).format == "PNG"
    assert run("check", out / "ladder.csv").exit_code == 0
    assert run("check", out / "typed_by_hand.csv").exit_code == 1
    assert f"sidewall check '{out / 'typed_by_hand.csv'}'" in result.stdout


@pytest.fixture
def quick_demo(monkeypatch):
    """The demonstration without its models: the report and one table of the profile only."""

    def results(found, player, profile, sheet, page):
        make_folder(profile)
        write_file(sheet, "<html></html>")
        write_file(page, "<html></html>")
        table = write_file(profile / "rowan-zones.csv", f"{found.rows_used}\n")
        return Profile(player, profile, [table])

    monkeypatch.setattr("sidewall.cli.demo._write_results", results)


@pytest.mark.parametrize("name", ["ladder.csv", "rowan-sheet.html", "profile/rowan-zones.csv"])
def test_the_demo_never_writes_over_what_somebody_changed(quick_demo, tmp_path, name):
    out = tmp_path / "demo"
    assert run("demo", "--out", out).exit_code == 0
    before = {path: path.read_bytes() for path in out.rglob("*") if path.is_file()}
    assert run("demo", "--out", out).exit_code == 0  # its own files it replaces
    assert {path: path.read_bytes() for path in before} == before
    (out / name).write_text("my own notes")
    (out / "truth.csv").unlink()
    assert failed(run("demo", "--out", out), str(out / name), "changed since", "Move", "--out")
    assert (out / name).read_text() == "my own notes"
    assert not (out / "truth.csv").exists()  # nothing at all was written
    (out / name).rename(out / "kept")
    assert run("demo", "--out", out).exit_code == 0  # as the message says
    assert (out / name).read_bytes() == before[out / name]
    assert (out / "kept").read_text() == "my own notes"


def test_the_demo_never_writes_over_a_stranger_s_file(quick_demo, tmp_path):
    (tmp_path / "profile").mkdir()
    mine = tmp_path / "profile" / "rowan-comfort.csv"
    mine.write_text("mine")
    assert failed(run("demo", "--out", tmp_path), str(mine), "never part of it")
    assert [path.name for path in tmp_path.iterdir()] == ["profile"]


def test_the_sums_of_the_demo_are_those_of_a_general_tool(quick_demo, tmp_path):
    assert run("demo", "--out", tmp_path).exit_code == 0
    lines = (tmp_path / "sidewall-demo.sha256").read_text().splitlines()
    sums = dict(reversed(line.split("  ")) for line in lines)
    assert len(sums) == 9
    for name, its in sums.items():
        assert hashlib.sha256((tmp_path / name).read_bytes()).hexdigest() == its


def test_a_demo_that_cannot_be_written_is_said(tmp_path):
    (tmp_path / "file").write_text("")
    assert failed(run("demo", "--out", tmp_path / "file"), "Choose another folder")
