"""The demonstration: a made-up club's log, and the profile and report of one of its players."""

from __future__ import annotations

import hashlib
import shlex
from collections.abc import Iterable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

import pandas as pd

from sidewall.beside import spare_jobs
from sidewall.cli.options import Steps
from sidewall.cli.profile import Profile, profile_files, write_profile
from sidewall.errors import WriteError
from sidewall.files import account, make_folder, plan_files, write_file
from sidewall.log import LogCheck, check_log
from sidewall.log.writing import file_stem
from sidewall.report import Report
from sidewall.simulate import synthetic_data_folder
from sidewall.simulate.scenario import FILES

_WHAT = {
    "ladder.csv": "every shot of the club's ladder",
    "players.csv": "hand and group of the players",
    "matches.csv": "date, board width and tin of the matches",
    "typed_by_hand.csv": "one match as people type it, with mistakes to find",
    "truth.csv": "the true thresholds, known because the players are simulated",
    "truth_curves.csv": "the true chances of winning",
}
#: Sums of what was written, in the form that ``sha256sum --check`` reads.
_SUMS: Final = "sidewall-demo.sha256"


def make_demo(folder: Path) -> list[str]:
    """Write the demonstration and say what it is, one line each.

    The folder is made if it is not there. A WriteError if a file that it holds was changed since
    it was written here, or cannot be written.
    """
    home = synthetic_data_folder()
    logs = {name: folder / name for name in FILES}
    log, players, matches = (logs[name] for name in FILES[:3])
    found = check_log(home / log.name, players=home / players.name, matches=home / matches.name)
    names = [str(name) for name in found.shots["player"].cat.categories]
    stem = file_stem(names[0], names)
    sheet, page = folder / f"{stem}-sheet.html", folder / f"{stem}-report.html"
    planned = [*logs.values(), *profile_files(folder / "profile", names[0], names), sheet, page]
    plan_files(planned)
    data = {path: (home / name).read_bytes() for name, path in logs.items()}
    sums = _refuse_edited(folder, planned, data)
    make_folder(folder)
    with account() as own:
        try:
            for path, content in data.items():
                write_file(path, content)
            made = _write_results(found, names[0], folder / "profile", sheet, page)
        finally:
            sums |= {path.relative_to(folder).as_posix(): _sum(path) for path in own.written}
            with suppress(WriteError):  # a full disk is said already
                write_file(folder / _SUMS, "".join(f"{sums[at]}  {at}\n" for at in sorted(sums)))
    lines = ["A made-up club; its players are simulated, none is a real person."]
    lines += [f"The player shown, {names[0]}, is the first in the list of players.", ""]
    lines += [f"  {path}: {_WHAT[name]}" for name, path in logs.items()]
    lines += ["", *made.lines(), "Diamonds in it are the true thresholds, known here alone."]
    lines.append(f"Report of {names[0]}: {page}")
    lines += [f"What {names[0]} takes on court: {sheet}", "", "Try next:"]
    whole = [str(log), "--players", str(players), "--matches", str(matches)]
    commands = (
        ["check", str(logs["typed_by_hand.csv"])],
        ["profile", *whole, "--player", names[1], "--out", str(folder / "profile")],
        ["report", *whole, "--all", "--out", str(folder / "reports")],
    )
    return lines + [f"  sidewall {shlex.join(words)}" for words in commands]


def _write_results(found: LogCheck, player: str, profile: Path, sheet: Path, page: Path) -> Profile:
    with Steps("demo", 4) as steps:
        steps.next("models")
        report = Report(check=found).fit(found.shots, spare_jobs())
        ladder = report.ladder_
        by_rally = {"rally": ladder.rally} if ladder.rally else {}
        steps.next("pictures and tables")
        models = {"value": ladder.value} | by_rally
        truth = pd.read_csv(synthetic_data_folder() / "truth.csv")
        truth = truth[truth[["stroke", "balance", "depth"]].isna().all(axis=1)]
        more: Any = {"models": models, "truth": truth, "jobs": spare_jobs()}
        made = write_profile(found.shots, player, profile, **more)
        steps.next("sheet")
        report.write_sheet(player, sheet)
        steps.next("report")
        report.write(player, page)
    return made


def _refuse_edited(
    folder: Path, planned: Iterable[Path], data: Mapping[Path, bytes]
) -> dict[str, str]:
    """Refuse to replace what somebody changed; return the sums of what was written before."""
    file = folder / _SUMS
    lines = file.read_text(encoding="utf-8", errors="replace").splitlines() if file.exists() else []
    sums = {name: own for own, _, name in (line.partition("  ") for line in lines) if name}
    edited = [
        path
        for path in planned
        if path.exists()
        and _sum(path) != sums.get(path.relative_to(folder).as_posix())
        and (path not in data or path.read_bytes() != data[path])
    ]
    if edited:
        raise WriteError(
            f"{', '.join(map(str, edited))}: changed since the demonstration was written, or never "
            "part of it. Nothing was written. Move what you want to keep, or choose another "
            "folder with --out."
        )
    return sums


def _sum(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()
