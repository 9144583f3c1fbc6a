import pickle
import shutil

import pytest

from sidewall.report import Report
from sidewall.report.kept import Kept


@pytest.fixture(scope="module")
def some(shots):
    return shots


@pytest.fixture(scope="module")
def once(some, tmp_path_factory):
    folder = tmp_path_factory.mktemp("once")
    made = Report(keep_in=folder / "kept").fit(some)
    made.write_sheet(made.players[0], folder / "first.html")
    return folder


@pytest.fixture
def first(once, tmp_path):
    """A folder in which one page's ladder is kept."""
    shutil.copytree(once / "kept", tmp_path / "kept")


def files(folder):
    return sorted((folder / "kept").glob("*.ladder"))


def test_the_second_page_rests_on_what_was_kept(first, some, report, tmp_path, monkeypatch):
    (kept,) = files(tmp_path)
    assert kept.stat().st_mode & 0o077 == 0
    plain = report
    plain.write_sheet(plain.players[1], tmp_path / "plain.html")
    monkeypatch.setattr("sidewall.report.report.FittedLadder", None)  # nothing is fitted anew
    again = Report(keep_in=tmp_path / "kept").fit(some)
    again.write_sheet(again.players[1], tmp_path / "second.html")
    assert (tmp_path / "second.html").read_text() == (tmp_path / "plain.html").read_text()


@pytest.mark.parametrize("change", ["a gap", "a name", "an option"])
def test_other_shots_and_other_options_are_fitted_anew(first, some, tmp_path, change):
    level = 0.9 if change == "an option" else 0.95
    shots = some.copy()
    if change == "a gap":
        shots.loc[shots.index[5], "gap_m"] = 0.41
    if change == "a name":
        new = {shots["player"].cat.categories[0]: "Yew"}
        for column in ("player", "opponent", "rally_won_by"):
            shots[column] = shots[column].cat.rename_categories(new)
    asked = level, 0, None
    assert Kept(shots, asked, tmp_path / "kept").read() is None
    assert Kept(some, (0.95, 0, None), tmp_path / "kept").read() is not None


class Trap:
    def __reduce__(self):
        return print, ("a stranger's code",)


@pytest.mark.parametrize("damage", ["bytes", "cut", "empty", "stranger", "secret"])
def test_what_was_damaged_or_comes_from_elsewhere_is_not_looked_into(
    first, some, tmp_path, damage, capsys
):
    (kept,) = files(tmp_path)
    content = bytearray(kept.read_bytes())
    if damage == "bytes":
        content[len(content) // 2] ^= 1
    if damage == "stranger":
        content[32:] = pickle.dumps(Trap())
    kept.write_bytes({"cut": content[:-7], "empty": b""}.get(damage, content))
    if damage == "secret":
        (tmp_path / "kept" / "secret").write_bytes(b"another")
    assert Kept(some, (0.95, 0, None), tmp_path / "kept").read() is None
    assert capsys.readouterr().out == ""


def test_the_newest_few_are_kept(some, tmp_path):
    for k in range(6):
        assert Kept(some, (k,), tmp_path / "kept").write({"number": k})
    assert len(files(tmp_path)) == 4
    assert Kept(some, (0,), tmp_path / "kept").read() is None
    assert Kept(some, (5,), tmp_path / "kept").read() == {"number": 5}


def test_a_folder_that_cannot_be_made_harms_nothing(some, tmp_path):
    (tmp_path / "kept").write_text("a file")
    assert not Kept(some, (1,), tmp_path / "kept").write({"number": 1})
    assert Kept(some, (1,), tmp_path / "kept").read() is None
