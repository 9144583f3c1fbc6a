"""Faults that may live are still about lines that are there, and faults are made as is said."""

import tomllib
from pathlib import Path

import pytest

import sidewall as sw

PACKAGE = Path(sw.__file__).parent
SURVIVORS = Path(__file__).parent / "studies" / "survivors.toml"
REASONS = ("equal: ", "speed: ", "words: ")


def squeezed(text):
    return " ".join(text.split())


@pytest.mark.parametrize("entry", tomllib.loads(SURVIVORS.read_text("utf-8")).get("survivor", []))
def test_a_survivor_with_a_reason_is_about_a_line_that_is_there(entry):
    assert set(entry) == {"file", "was", "became", "why"}
    assert squeezed(entry["was"]) in squeezed((PACKAGE / entry["file"]).read_text("utf-8"))
    assert squeezed(entry["was"]) != squeezed(entry["became"])
    assert entry["why"].startswith(REASONS)


@pytest.fixture
def mutants(monkeypatch):
    pytest.importorskip("cosmic_ray", reason="needs the extra mutants")
    import mutants  # noqa: PLC0415

    return mutants


CODE = '''"""Words with 1 + 1."""

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    import ast

WORDS: Final = ("a" + "b", "c")
SIZE: Final = 3


def twice(x: int | None = 4) -> int | None:
    """Return 2 * x."""
    if x > SIZE:
        raise ValueError(f"{x} > {3 + 1}")
    for _, _ in zip([], [], strict=True):
        pass
    return 2 * x
'''


def test_only_what_means_something_is_changed(mutants, monkeypatch, tmp_path):
    (tmp_path / "part.py").write_text(CODE)
    monkeypatch.setattr(mutants, "HOME", tmp_path)
    monkeypatch.setattr(mutants, "SOURCE", ".")
    found = {
        made.became
        for place, every in mutants.places("part.py").items()
        for which in every
        if (made := mutants.mutant_of("part.py", place, which))
    }
    changed = {text.replace(" ", "") for text in found}
    assert {"SIZE:Final=4", "SIZE:Final=2", "ifx>=SIZE:", "ifnotx>SIZE:"} <= changed
    assert {"return2+x", "return2/x", "return3*x", "return1*x"} <= changed
    assert "deftwice(x:int|None=5)->int|None:" in changed
    assert not any("raise" in text or "WORDS" in text or "int&None" in text for text in changed)
    assert not any("TYPE_CHECKING" in text or "strict=False" in text for text in changed)
    assert not any("<<" in text or "Return" in text for text in changed)


def test_tests_of_the_part_come_first_and_others_of_their_file_after(mutants):
    made = mutants.Mutant("models/draws.py", 7, 0, 7, "core/AddNot", 0, "a", "b")
    seconds = {
        "tests/models/test_draws.py::far": 0.1,
        "tests/models/test_draws.py::near": 9.0,
        "tests/models/test_curves.py::a": 0.2,
        "tests/cli/test_x.py::a": 0.01,
        "tests/cli/test_y.py::a": 0.01,
    }
    reach = ["tests/models/test_draws.py::near", "tests/models/test_curves.py::a"]
    lines = {"profiling/sidewall/models/draws.py": {7: [*reach, "tests/cli/test_x.py::a"]}}
    assert mutants.tests_of(made, seconds, lines) == [
        ["tests/models/test_draws.py::near", "tests/models/test_draws.py::far"],
        ["tests/models/test_curves.py::a"],
        ["tests/cli/test_x.py::a"],
    ]
