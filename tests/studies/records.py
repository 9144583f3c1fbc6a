"""What the studies found, kept as data: one JSON file a study, and one page made from them.

    python tests/studies/records.py page     # writes tests/studies/RESULTS.md
    python tests/studies/records.py older    # records older than the code that they judge

A record holds the command, the seed, the date, the versions, a digest of the code that it judges,
and the figures: a list of rows (dicts of plain values), or such lists by name.
"""

import argparse
import ast
import datetime as dt
import hashlib
import json
import os
import platform
import re
import sys
from functools import cache
from importlib.metadata import version
from pathlib import Path

import numpy as np
import pandas as pd

HERE = Path(__file__).parent
RESULTS = HERE / "results"
PAGE = HERE / "RESULTS.md"
PACKAGE = HERE.parents[1] / "profiling" / "sidewall"
LIBRARIES = ("numpy", "pandas", "scipy")
#: How files are written, processes begun and waiting shown: no figure hangs on it.
NO_FIGURES = ("files.py", "beside.py", "waiting.py")


def file_of(module):
    """The file of a module of the package, or None where there is none."""
    place = PACKAGE.joinpath(*module.split(".")[1:])
    found = (place.with_suffix(".py"), place / "__init__.py")
    return next((file for file in found if file.exists()), None)


def taken(text):
    """Files that a text imports from; a name that a part's door hands on is its own file's."""
    found = set()
    for node in ast.walk(ast.parse(text)):
        ours = isinstance(node, ast.ImportFrom) and (node.module or "").startswith("sidewall")
        for one in node.names if ours else ():
            file = file_of(f"{node.module}.{one.name}") or file_of(node.module)
            if file and file.name == "__init__.py":
                door = ast.walk(ast.parse(file.read_text("utf-8")))
                behind = {n.asname or n.name: d.module for d in door
                          if isinstance(d, ast.ImportFrom) for n in d.names}  # fmt: skip
                homes = [behind[one.name]] if one.name in behind else behind.values()
                found |= {file_of(home) for home in homes}
            else:
                found.add(file)
    return found - {None}


def judged(study):
    """Files that a study reaches, through other studies and imports; all, where it names none."""
    stub = (PACKAGE / "__init__.pyi").read_text("utf-8")
    public = re.findall(r"^from \.(\S*) import \w+ as (\w+)", stub, re.M)
    homes = {name: home for home, name in public}
    found, to_read = set(), [HERE / study]
    while to_read:
        file = to_read.pop()
        text = file.read_text("utf-8")
        reached = taken(text)
        if file.parent == HERE:
            beside = re.findall(r"^from (\w+) import", text, re.M)
            to_read += [HERE / f"{n}.py" for n in beside if (HERE / f"{n}.py").exists()]
            to_read = [other for other in to_read if other.name != "records.py"]
            for name in re.findall(r"\bsw\.(\w+)", text):
                home = homes.get(name)
                line = f"from sidewall{'.' + home if home else ''} import {name}"
                reached |= taken(line)
        to_read += reached - found
        found |= reached
    return sorted(found or PACKAGE.rglob("*.py"))


class _Plain(ast.NodeTransformer):
    """Drops docstrings, the words of refusals, and from where in the package a name comes."""

    def visit(self, node):
        self.generic_visit(node)
        told = isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)
        if told and ast.get_docstring(node):
            node.body[:1] = []
        if isinstance(node, ast.Raise):
            return ast.Raise()
        ours = isinstance(node, ast.ImportFrom) and (node.module or "").startswith("sidewall")
        return None if ours else node


@cache
def statements(text):
    """What a file of this text does, statement by statement."""
    found = set()
    for node in _Plain().visit(ast.parse(text)).body:
        if isinstance(node, ast.ImportFrom):
            found |= {f"from {node.module} import {ast.unparse(alias)}" for alias in node.names}
        elif ast.unparse(node).partition("\n")[0] != "if TYPE_CHECKING:":
            found.add(ast.unparse(node))
    return found - {"from typing import TYPE_CHECKING"}


def digest(files):
    """Sixteen letters that change with what these files do.

    They stay when it is explained otherwise, or moves from one of them to another.
    """
    every = [statements(file.read_text("utf-8")) for file in files if file.name not in NO_FIGURES]
    return hashlib.sha256("\n".join(sorted(set().union(*every))).encode()).hexdigest()[:16]


def rows_of(figures):
    """A data frame, or a list of rows, as plain values that JSON can hold."""
    table = pd.DataFrame(figures)
    return [
        {str(k): v.item() if isinstance(v, np.generic) else v for k, v in row.items() if v == v}
        for row in table.to_dict("records")
    ]


def record(name, figures, seed, libraries=LIBRARIES, **more):
    """Keep the figures of a study, and say on the screen what was kept; whole or not at all.

    ``name`` is the file's; ``figures`` a table, or tables by name.
    """
    by_name = figures if isinstance(figures, dict) else {"": figures}
    study = Path(sys.argv[0]).name
    files = judged(study)
    content = {
        "command": " ".join(["python", "tests/studies/" + study, *sys.argv[1:]]),
        "seed": seed,
        "date": dt.datetime.now(dt.UTC).date().isoformat(),
        "judges": {"files": len(files), "code": digest(files)},
        "versions": {"python": platform.python_version()} | {p: version(p) for p in libraries},
        "figures": {key: rows_of(table) for key, table in by_name.items()},
    } | more
    RESULTS.mkdir(exist_ok=True)
    file = RESULTS / f"{name}.json"
    part = file.with_suffix(".part")
    part.write_text(json.dumps(content, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    os.replace(part, file)
    for key, rows in content["figures"].items():
        print(key, pd.DataFrame(rows).round(2).to_string(index=False), sep="\n")
    print(f"recorded in {file.name}")
    return file


def known():
    """All records by name."""
    return {f.stem: json.loads(f.read_text("utf-8")) for f in sorted(RESULTS.glob("*.json"))}


def shown(value):
    """A figure as the page writes it."""
    if isinstance(value, float):
        return f"{value:.2f}".rstrip("0").rstrip(".")
    return "" if value is None else str(value)


def page(records):
    """All records as Markdown."""
    lines = [
        "# What the studies found",
        "",
        "Made by `python tests/studies/records.py page` from the files in `results`; not typed.",
        "",
    ]
    for name, one in records.items():
        lines += [f"## {name.replace('_', '-')}", "", f"`{one['command']}`, {one['date']}.", ""]
        if "about" in one:
            lines += [one["about"], ""]
        for key, rows in one["figures"].items():
            if key:
                lines += [f"**{key}**", ""]
            heads = list(dict.fromkeys(head for row in rows for head in row))
            lines += ["| " + " | ".join(h.replace("_", " ") for h in heads) + " |"]
            lines += ["| " + " | ".join("---" for _ in heads) + " |"]
            for row in rows:
                lines.append("| " + " | ".join(shown(row.get(head)) for head in heads) + " |")
            lines.append("")
    return "\n".join(lines)


def older(records):
    """Names of the records that judge code which does something else by now."""

    def same(one):
        study = Path(one.get("command", "python tests/studies/none.py").split()[1]).name
        return (HERE / study).exists() and one["judges"]["code"] == digest(judged(study))

    return [name for name, one in records.items() if not same(one)]


def main():
    ask = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    ask.add_argument("what", choices=["page", "older"])
    if ask.parse_args().what == "page":
        PAGE.write_text(page(known()), encoding="utf-8")
        return
    for name in older(known()):
        print(f"{name}: what it judges has changed since; run its command again")


if __name__ == "__main__":
    main()
