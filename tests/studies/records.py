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
NO_FIGURES = ("sidewall.files", "sidewall.beside", "sidewall.waiting")
#: What looks at arguments and tables refuses them, or gives back what it took.
CHECKS = ("check_", "need_")
CHECKING = ("sidewall.arguments", "sidewall.features.coded", "sidewall.features.rallies")


class _Plain(ast.NodeTransformer):
    """Drops docstrings, types, refusals with their words, and where in the package names stand."""

    def visit(self, node):
        if isinstance(node, ast.Raise):
            return ast.Raise()
        if isinstance(node, ast.Expr) and ast.unparse(node).startswith(CHECKS):
            return ast.Pass()
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("sidewall"):
            return None
        if isinstance(node, ast.AnnAssign):
            node.annotation = ast.Name("object")
        if isinstance(node, ast.arg):
            node.annotation = None
        if isinstance(node, ast.FunctionDef):
            node.returns = None
        self.generic_visit(node)
        told = isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)
        if told and ast.get_docstring(node):
            node.body[:1] = []
        if isinstance(node, ast.FunctionDef | ast.If):
            does = [one for one in node.body if not isinstance(one, ast.Pass)]
            node.body = does or [ast.Pass()]
        return node


class _Room:
    """A file: what each of its names is, and what it takes from other files."""

    def __init__(self, text):
        tree = ast.parse(text)
        self.taken, self.names, self.methods = {}, {}, {}
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("sidewall"):
                for one in node.names:
                    self.taken[one.asname or one.name] = node.module, one.name
        self.tree = _Plain().visit(tree)
        for node in self.tree.body:
            targets = getattr(node, "targets", [getattr(node, "target", None)])
            for one in (part for target in targets if target for part in ast.walk(target)):
                if isinstance(one, ast.Name):
                    self.names[one.id] = node
            if isinstance(node, ast.ClassDef):
                own = [part for part in node.body if isinstance(part, ast.FunctionDef)]
                self.methods[node.name] = own
                node.body = [part for part in node.body if part not in own]
            if hasattr(node, "name"):
                self.names[node.name] = node


@cache
def _room(file, _changed):
    return _Room(file.read_text("utf-8"))


def _rooms():
    """Every file of the package by the name of its module; a door by that of its part."""
    found = {}
    for file in sorted(PACKAGE.rglob("*.py")):
        parts = file.relative_to(PACKAGE).with_suffix("").parts
        name = ".".join(["sidewall", *parts]).removesuffix(".__init__")
        found[name] = _room(file, file.stat().st_mtime_ns)
    return found


class _Reached:
    """What is reached of the package from some names, and from what these name, and so on.

    A method is reached where its class is and something of its name is asked for anywhere.
    """

    def __init__(self):
        self.rooms, self.texts, self.seen = _rooms(), set(), set()
        self.asked, self.waiting = set(), []

    def name(self, module, name):
        """Reach a name of a module."""
        if (module, name) in self.seen or module in NO_FIGURES or module not in self.rooms:
            return
        if module in CHECKING and name.startswith(CHECKS):
            return
        self.seen.add((module, name))
        room = self.rooms[module]
        if name in room.names:
            node = room.names[name]
            self.texts.add(ast.unparse(node))
            self.walk(node, room, module)
            self.waiting += [(method, module) for method in room.methods.get(name, ())]
        elif name in room.taken:
            self.name(*room.taken[name])

    def walk(self, node, room, module):
        """Reach all that a piece of code of a module names."""
        for part in ast.walk(node):
            if isinstance(part, ast.Name):
                here = module if part.id in room.names else None
                home, name = (here, part.id) if here else room.taken.get(part.id, ("", ""))
                self.name(home, name)
            elif isinstance(part, ast.Attribute):
                self.asked.add(part.attr)
                home = room.taken.get(getattr(part.value, "id", ""))
                if home and ".".join(home) in self.rooms:
                    self.name(".".join(home), part.attr)
            elif isinstance(part, ast.Constant) and str(part.value).isidentifier():
                self.asked.add(str(part.value))  # for getattr

    def methods(self):
        """Reach the methods that are asked for, until no more are."""
        while True:
            now = [m for m in self.waiting if m[0].name in self.asked or "__" in m[0].name]
            if not now:
                return
            self.waiting = [m for m in self.waiting if m not in now]
            for method, module in now:
                self.texts.add(ast.unparse(method))
                self.walk(method, self.rooms[module], module)


def digest(study):
    """Sixteen letters that change with what the package does for a study.

    They stay when it is explained otherwise, or stands in another file. A study that runs
    commands, or names nothing of the package, hangs on all of it.
    """
    stub = (PACKAGE / "__init__.pyi").read_text("utf-8")
    public = re.findall(r"^from \.(\S*) import \w+ as (\w+)", stub, re.M)
    homes = {name: f"sidewall.{home}".rstrip(".") for home, name in public}
    reached, to_read = _Reached(), [HERE / study]
    while to_read:
        text = to_read.pop().read_text("utf-8")
        beside = (HERE / f"{name}.py" for name in re.findall(r"^from (\w+) import", text, re.M))
        to_read += [file for file in beside if file.exists() and file.name != "records.py"]
        room = _Room(text)
        for name in re.findall(r"\bsw\.(\w+)", text):
            room.taken.setdefault(name, (homes.get(name, "sidewall"), name))
            reached.name(*room.taken[name])
        for home, name in re.findall(r"\bsw\.(\w+)\.(\w+)", text):
            reached.name(f"sidewall.{home}", name)
        reached.walk(room.tree, room, "")
    reached.methods()
    texts = reached.texts
    if not texts or any(module.startswith("sidewall.cli") for module, _ in reached.seen):
        texts = {ast.unparse(room.tree) for room in reached.rooms.values()}
    return hashlib.sha256("\n".join(sorted(texts)).encode()).hexdigest()[:16]


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
    content = {
        "command": " ".join(["python", "tests/studies/" + study, *sys.argv[1:]]),
        "seed": seed,
        "date": dt.datetime.now(dt.UTC).date().isoformat(),
        "judges": digest(study),
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
        study = Path(one.get("command", "python none").split()[1]).name
        return (HERE / study).exists() and one["judges"] == digest(study)

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
