import pytest
from typer.testing import CliRunner

from sidewall.cli.app import app

LOG = """\
Match,Game,Rally,Shot,Hitter,FH/BH,Type,Gap (cm),Ending
Rowan v Hazel,1,1,1,Rowan,FH,serve,,
Rowan v Hazel,1,1,2,Hazel,BH,drive,30,winner
Rowan v Hazel,1,2,1,Hazel,BH,serve,,
Rowan v Hazel,1,2,2,Rowan,BH,QQ,30,winner
"""


@pytest.fixture
def run(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "log.csv").write_text(LOG)
    return lambda *words: CliRunner().invoke(app, [str(word) for word in words])


def test_guess_then_apply(run, tmp_path):
    shown = run("map", "log.csv", "--guess")
    assert shown.exit_code == 0
    assert 'player = "Hitter"' in shown.stdout
    assert sorted(path.name for path in tmp_path.iterdir()) == ["log.csv"]
    assert run("map", "log.csv", "--guess", "--out", "map.toml").exit_code == 0
    assert (tmp_path / "map.toml").read_text() == shown.stdout
    again = run("map", "log.csv", "--guess", "--out", "map.toml")
    assert (again.exit_code, "exists" in again.stderr) == (2, True)
    still = run("map", "log.csv", "--with", "map.toml", "--out", "new.csv")
    assert (still.exit_code, "'?'" in still.stderr) == (2, True)
    (tmp_path / "map.toml").write_text(shown.stdout.replace('"QQ" = "?"', ""))
    done = run("map", "log.csv", "--with", "map.toml", "--out", "new.csv")
    assert done.exit_code == 0  # the word is left blank, and that is said
    assert "line 5, Type = 'QQ': 'QQ' is no known stroke; left blank" in done.stdout
    assert "4 shots" in done.stdout
    assert (tmp_path / "new.csv").exists()


def test_one_of_the_two(run):
    for words in ([], ["--guess", "--with", "map.toml"]):
        assert "either --guess or --with" in run("map", "log.csv", *words).stderr
    assert "--out" in run("map", "log.csv", "--with", "map.toml").stderr


def test_pseudonymise_says_what_it_did_and_no_name(run, tmp_path):
    (tmp_path / "log.csv").write_text(
        LOG.replace("FH/BH", "side").replace("Type", "stroke").replace("Ending", "Ending,Coach")
    )
    done = run("pseudonymise", "log.csv", "--out", "new.csv", "--key", "key.csv")
    assert done.exit_code == 0, done.stderr
    assert "2 player, 1 match" in done.stdout
    assert "4 rows in, 4 rows out" in done.stdout
    assert "Columns left out: Coach" in done.stdout
    assert "now '?': 1" in done.stdout
    assert "Rowan" not in done.stdout + (tmp_path / "new.csv").read_text()
    again = run("pseudonymise", "log.csv", "--out", "new.csv", "--key", "key.csv")
    assert (again.exit_code, "exists" in again.stderr) == (2, True)
    wrong = run("pseudonymise", "log.csv", "--out", "b.csv", "--key", "key.csv", "--dates", "year")
    assert "'drop', 'shift' or 'keep'" in wrong.stderr
