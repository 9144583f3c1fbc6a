"""The demonstration: a made-up club's log, and the profile and report of one of its players."""

from __future__ import annotations

import shlex
import shutil
from pathlib import Path
from typing import cast

from sidewall.cli.profile import write_profile
from sidewall.errors import SidewallError
from sidewall.log import check_log
from sidewall.log.file_stem import file_stem
from sidewall.models import TightnessModel
from sidewall.report import Report
from sidewall.simulate import synthetic_data_folder, write_demo
from sidewall.simulate.demo import FILES

__all__ = ["make_demo"]

_WHAT = {
    "ladder.csv": "every shot of the club's ladder",
    "players.csv": "hand and group of the players",
    "matches.csv": "date, board width and tin of the matches",
    "typed_by_hand.csv": "one match as people type it, with mistakes to find",
    "truth.csv": "the true thresholds, known because the players are simulated",
    "truth_curves.csv": "the true chances of winning",
}


def make_demo(folder: Path) -> list[str]:
    """Write the demonstration and say what it is, one line each.

    Parameters
    ----------
    folder
        Made if it is not there.

    Raises
    ------
    SidewallError
        If the files cannot be written.
    """
    try:
        logs = _logs(folder)
    except OSError as error:
        raise SidewallError(
            f"{folder}: the demonstration cannot be written ({error.strerror}). Choose another "
            "folder with --out."
        ) from error
    log, players, matches = (logs[name] for name in FILES[:3])
    found = check_log(log, players=players, matches=matches)
    names = [str(name) for name in found.shots["player"].cat.categories]
    report = Report(check=found).fit(found.shots)
    fitted = {"value": report.ladder_.value, "rally": report.ladder_.rally}
    known = {outcome: cast(TightnessModel, one) for outcome, one in fitted.items() if one}
    made = write_profile(found.shots, names[0], folder / "profile", models=known)
    page = folder / f"{file_stem(names[0], names)}-report.html"
    report.write(names[0], page)
    lines = ["A made-up club; its players are simulated, none is a real person.", ""]
    lines += [f"  {path}: {_WHAT[name]}" for name, path in logs.items()]
    lines += ["", *made.lines(), f"Report of {names[0]}: {page}", "", "Try next:"]
    quoted = [shlex.quote(str(path)) for path in (log, players, matches, folder / "profile")]
    everyone = shlex.quote(str(folder / "reports"))
    lines.append(f"  sidewall check {shlex.quote(str(logs['typed_by_hand.csv']))}")
    lines.append(
        f"  sidewall profile {quoted[0]} --players {quoted[1]} --matches {quoted[2]} "
        f"--player {shlex.quote(names[1])} --out {quoted[3]}"
    )
    lines.append(
        f"  sidewall report {quoted[0]} --players {quoted[1]} --matches {quoted[2]} --all "
        f"--out {everyone}"
    )
    return lines


def _logs(folder: Path) -> dict[str, Path]:
    """Copy the logs that come with the package, or simulate them anew."""
    folder.mkdir(parents=True, exist_ok=True)
    home = synthetic_data_folder()
    if all((home / name).is_file() for name in FILES):
        for name in FILES:
            shutil.copyfile(home / name, folder / name)
    else:
        write_demo(folder)
    return {name: folder / name for name in FILES}
