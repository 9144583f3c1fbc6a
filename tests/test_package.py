"""The package as a whole: what importing it costs, its public names, and who imports whom."""

from __future__ import annotations

import ast
import importlib
import json
import subprocess
import sys
import tomllib
from dataclasses import is_dataclass
from pathlib import Path

import pytest

import sidewall as sw

ROOT = Path(__file__).parents[1]
PACKAGE = Path(sw.__file__).parent
HEAVY = ("matplotlib", "seaborn", "sklearn", "statsmodels", "scipy.optimize", "scipy.stats")

#: What each part may import, besides itself.
MAY_IMPORT = {
    "errors": "",
    "estimator": "errors",
    "numbers": "",
    "arguments": "errors",
    "files": "errors",
    "waiting": "",
    "beside": "errors",
    "court": "errors numbers arguments",
    "log": "errors arguments files waiting court",
    "features": "errors arguments court log",
    "rallies": "errors estimator arguments court log features",
    "models": "errors estimator numbers arguments waiting court log features rallies",
    "scoring": "errors arguments",
    "simulate": "errors arguments files court log",
    "combinations": "errors estimator arguments files court log features rallies models",
    "placement": "errors estimator arguments court log features rallies models",
    "scale": "errors arguments files court log features rallies models",
    "trust": "errors numbers arguments court log features rallies models",
    "charting": "errors arguments files court log features scoring",
    "agreement": "errors estimator numbers arguments log features rallies models",
    "clips": "errors arguments files log features",
    "decisions": "errors arguments court log features rallies models combinations",
    "worklist": "errors estimator arguments files court log features rallies models scoring "
    "combinations placement decisions",
    "progress": "errors arguments waiting court log features rallies models scoring simulate "
    "combinations placement decisions",
    "plots": "errors numbers arguments court log features rallies models scoring combinations "
    "placement agreement decisions worklist progress trust",
    "report": "errors beside estimator numbers arguments files court log features rallies models "
    "combinations placement decisions worklist progress clips plots",
    "cli": "errors beside arguments files court log features rallies models scoring simulate plots "
    "worklist progress agreement report",
}


def run(code):
    """Run code in a fresh interpreter and return what it prints, as JSON."""
    found = subprocess.run(
        [sys.executable, "-c", code], check=True, capture_output=True, text=True, cwd=ROOT
    )
    return json.loads(found.stdout)


def loaded(code, names):
    return run(
        f"{code}; import json, sys; print(json.dumps([m for m in {names} if m in sys.modules]))"
    )


def test_importing_loads_nothing_heavy():
    assert loaded("import sidewall", (*HEAVY, "pandas", "numpy")) == []


def test_names_that_draw_nothing_load_nothing_heavy():
    names = [name for name in sw.__all__ if not name.startswith("plot")]
    assert loaded(f"import sidewall as sw; [getattr(sw, name) for name in {names}]", HEAVY) == []


def test_help_loads_no_tables():
    assert loaded("from sidewall.cli.app import app", (*HEAVY, "pandas", "numpy")) == []


@pytest.mark.parametrize("name", sw.__all__)
def test_every_public_name_is_there_and_explained(name):
    assert getattr(sw, name).__doc__
    assert name in dir(sw)


def test_what_a_type_checker_sees_is_what_is_loaded():
    stub = ast.parse((PACKAGE / "__init__.pyi").read_text(encoding="utf-8"))
    homes = {
        alias.asname: f"sidewall.{node.module}"
        for node in stub.body
        if isinstance(node, ast.ImportFrom) and node.module
        for alias in node.names
    }
    for name, home in homes.items():
        assert getattr(sw, name) is getattr(importlib.import_module(home), name), name


def test_an_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="loose"):
        _ = sw.loose


def test_version_stands_in_the_package_and_what_changed_in_it_in_the_readme():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    assert project["project"]["dynamic"] == ["version"]
    place = ROOT / project["tool"]["hatch"]["version"]["path"]
    assert f'__version__ = "{sw.__version__}"' in place.read_text(encoding="utf-8")
    changed = (ROOT / "README.md").read_text(encoding="utf-8").split("## What changed")[1]
    assert changed.strip().startswith(f"**{sw.__version__}**")


#: Tables that are filled in while one reads, fits or writes.
FILLED_IN = {
    *("log.several._Held", "log.workbook._Tab", "log.rows.Rows", "log.rallies.Order"),
    *("log.pseudonyms.Key", "log.pseudonyms.Pseudonymised", "clips.clips.WrittenClips"),
    *("report.report.WrittenReport", "files.Account", "models.pooled_logit._Mode"),
    *("models.fitting.FittedCurve", "cli.profile.Profile"),
}


def test_what_is_known_stays_as_it_is():
    """Every dataclass is frozen, but for those named."""
    found, changing = set(), set()
    for path in sorted(PACKAGE.rglob("*.py")):
        name = ".".join(path.relative_to(PACKAGE).with_suffix("").parts)
        for one in vars(importlib.import_module(f"sidewall.{name}")).values():
            if isinstance(one, type) and is_dataclass(one):
                at = f"{one.__module__.removeprefix('sidewall.')}.{one.__qualname__}"
                found.add(at)
                if not one.__dataclass_params__.frozen:
                    changing.add(at)
    assert len(found) > 100
    assert changing == FILLED_IN


def imports():
    """Every (importing part, imported part, place) within the package, inside functions too."""
    for path in sorted(PACKAGE.rglob("*.py")):
        part = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom):
                assert node.level == 0, f"{path}:{node.lineno}: a relative import"
                names = [node.module or ""]
                if node.module == "sidewall":
                    names = [f"sidewall.{alias.name}" for alias in node.names]
            elif isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            else:
                continue
            for name in names:
                if name.startswith("sidewall."):
                    yield part, name.split(".")[1], f"{path}:{node.lineno}"


def test_imports_run_one_way():
    found = [one for one in imports() if one[0] != "__init__" and one[1] != "__version__"]
    parts = {part for part, _, _ in found} | {"errors", "numbers", "waiting"}
    assert parts == set(MAY_IMPORT), "say in MAY_IMPORT what each part may import"
    wrong = [
        f"{place}: {part} imports {other}"
        for part, other, place in found
        if other not in (part, *MAY_IMPORT[part].split())
    ]
    assert wrong == []


def test_the_order_has_no_circle():
    seen: set[str] = set()
    left = {part: set(below.split()) for part, below in MAY_IMPORT.items()}
    while left:
        free = {part for part, below in left.items() if below <= seen}
        assert free, f"these import one another: {sorted(left)}"
        seen |= free
        left = {part: below for part, below in left.items() if part not in free}
