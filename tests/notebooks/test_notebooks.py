"""Every notebook runs top to bottom, and what is stored in it is what it gives."""

from __future__ import annotations

import os
import re
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

import sidewall

nbformat = pytest.importorskip("nbformat")
nbclient = pytest.importorskip("nbclient")
pytest.importorskip("ipykernel")

FOLDER = Path(__file__).parents[2] / "notebooks"
PATHS = sorted(FOLDER.glob("*.ipynb"))
MOST_BYTES = 1_500_000
#: A home or working folder, or where a Python lies: of no use to the reader.
MACHINE_PATH = re.compile(r"(/root|/home|/Users|/tmp|/work|site-packages|[A-Z]:\\)")

NUMBER = re.compile(r"(?<![\w.])-?\d+(?:\.\d+)?(?![\w.])")

every_notebook = pytest.mark.parametrize("path", PATHS, ids=lambda path: path.stem)


def read(path):
    return nbformat.read(path, as_version=4)


def code_cells(notebook):
    return [cell for cell in notebook.cells if cell.cell_type == "code"]


def kinds(cell):
    """What a cell gives, by kind: pictures, tables, printed text."""
    found = Counter()
    for output in cell.outputs:
        data = output.get("data", {})
        if output.output_type == "error":
            found["error"] += 1
        elif "image/png" in data:
            found["picture"] += 1
        elif "text/html" in data:
            found["table"] += 1
        else:
            found[output.get("name", "text")] += 1
    return found


def numbers(cell):
    """Every number that a cell prints, in text or in tables."""
    said = []
    for output in cell.outputs:
        told = output.get("text", "") or output.get("data", {}).get("text/plain", "")
        said += [float(one) for one in NUMBER.findall(told)]
    return np.array(said)


def agree(before, after):
    """Share of the numbers that are the same to a tenth, or to 0.05.

    Draws follow another path on a machine that rounds otherwise: their means move little, the
    ends of intervals more.
    """
    near = np.abs(after - before) <= np.maximum(0.05, 0.1 * np.abs(before))
    return near.mean() if len(near) else 1.0


def test_there_are_notebooks():
    assert [path.name[:2] for path in PATHS][:2] == ["01", "02"]


@pytest.mark.slow
@every_notebook
def test_it_runs_and_gives_what_is_stored(path, tmp_path):
    stored, again = read(path), read(path)
    for cell in code_cells(again):
        cell.outputs, cell.execution_count = [], None
    # The kernel must find the package although it starts elsewhere, however it came to be
    # importable here, and must draw into the notebook whatever draws here.
    home = str(Path(sidewall.__file__).parents[1])
    env = os.environ | {
        "PYTHONPATH": os.pathsep.join([home, os.environ.get("PYTHONPATH", "")]).rstrip(os.pathsep),
        "IPYTHONDIR": str(tmp_path / "ipython"),
        "TQDM_DISABLE": "1",
    }
    env.pop("MPLBACKEND", None)
    run_in = tmp_path / "elsewhere"
    run_in.mkdir()
    client = nbclient.NotebookClient(
        again, timeout=120, kernel_name="python3", resources={"metadata": {"path": str(run_in)}}
    )
    client.execute(env=env)
    for before, after in zip(code_cells(stored), code_cells(again), strict=True):
        assert kinds(after)["error"] == kinds(after)["stderr"] == 0, after.outputs
        assert kinds(after) == kinds(before), after.source
        assert len(numbers(after)) == len(numbers(before)), after.source
        assert agree(numbers(before), numbers(after)) >= 0.9, after.source
    assert not any(run_in.iterdir())


@every_notebook
def test_what_is_stored_is_whole_and_small(path):
    notebook = read(path)
    nbformat.validate(notebook)
    assert path.stat().st_size < MOST_BYTES
    assert notebook.metadata["kernelspec"]["name"] == "python3"
    cells = code_cells(notebook)
    assert [cell.execution_count for cell in cells] == list(range(1, len(cells) + 1))
    found = sum((kinds(cell) for cell in cells), Counter())
    assert found["picture"] >= 3
    assert found["error"] == found["stderr"] == 0


@every_notebook
def test_what_is_stored_names_no_machine_and_no_moment(path):
    notebook = read(path)
    for cell in notebook.cells:
        assert not MACHINE_PATH.search(cell.source)
        assert "execution" not in cell.metadata
        for output in cell.get("outputs", []):
            words = str(output.get("text", "")) + str(output.get("data", {}).get("text/plain", ""))
            assert not MACHINE_PATH.search(words)
            assert " at 0x" not in words


@every_notebook
def test_links_between_notebooks_lead_somewhere(path):
    links = re.findall(r"\]\(([^)#]+\.ipynb)", "\n".join(cell.source for cell in read(path).cells))
    assert links
    for link in links:
        assert (path.parent / link).is_file()
