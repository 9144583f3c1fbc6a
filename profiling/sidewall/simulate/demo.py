"""The files of the synthetic ladder, the same bytes from the same scenario every time."""

from __future__ import annotations

from os import PathLike
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd

from sidewall.errors import WriteError
from sidewall.files import make_folder, plan_files, write_file
from sidewall.simulate.folder import synthetic_data_folder
from sidewall.simulate.raw_log import to_log
from sidewall.simulate.scenario import Scenario, club_ladder
from sidewall.simulate.truth import CROSSES
from sidewall.simulate.typed import typed_match

#: Every file that :func:`write_demo` writes.
FILES: Final = (
    "ladder.csv",
    "players.csv",
    "matches.csv",
    "typed_by_hand.csv",
    "truth.csv",
    "truth_curves.csv",
)
_CURVE_GAPS_M: Final = np.round(np.arange(17) * 0.1, 1)
#: Digits that stay the same whatever order a machine adds numbers up in.
_TRUTH_DECIMALS: Final = 4


def write_demo(
    folder: str | PathLike[str] | None = None,
    scenario: Scenario | None = None,
    *,
    overwrite: bool = False,
) -> list[Path]:
    """Write the log, its two side tables, a hand-typed match and the truth of a scenario.

    Parameters
    ----------
    folder : path, optional
        Made if it is not there; by default where the package keeps its synthetic data.
    scenario : Scenario, optional
        The club ladder by default.
    overwrite : bool
        Whether files that hold something else are replaced.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    WriteError
        If a file of that name holds something else, or cannot be written.
    """
    place = synthetic_data_folder() if folder is None else Path(folder)
    make_folder(place)
    plan_files([place / name for name in FILES])
    data = {place / name: content for name, content in demo_files(scenario).items()}
    edited = [path for path in data if path.is_file() and path.read_bytes() != data[path]]
    if edited and not overwrite:
        raise WriteError(
            f"{', '.join(map(str, edited))}: there already, and not what is written here. Choose "
            "another folder, or pass overwrite=True."
        )
    for path, content in data.items():
        write_file(path, content)
    return list(data)


def demo_files(scenario: Scenario | None = None) -> dict[str, bytes]:
    """Make what :func:`write_demo` writes: the content of each of `FILES`."""
    scenario = club_ladder() if scenario is None else scenario
    shots = scenario.shots()
    thresholds = scenario.thresholds()
    thresholds["threshold_m"] = (
        thresholds["threshold_m"].where(thresholds["status"] == CROSSES).round(_TRUTH_DECIMALS)
    )
    tables = {
        "ladder.csv": _ladder(shots),
        "players.csv": _players(scenario),
        "matches.csv": _matches(scenario),
        "truth.csv": thresholds,
        "truth_curves.csv": scenario.curves(_CURVE_GAPS_M).round(_TRUTH_DECIMALS),
    }
    texts = {name: table.to_csv(index=False, lineterminator="\n") for name, table in tables.items()}
    texts["typed_by_hand.csv"] = "\n".join(_typed(scenario, shots)) + "\n"
    return {name: texts[name].encode("utf-8") for name in FILES}


def _ladder(shots: pd.DataFrame) -> pd.DataFrame:
    log = to_log(shots, "cm", details=False)
    # Whole centimetres, typed without a decimal point.
    log["gap_cm"] = log["gap_cm"].round().astype("Int64")
    return log


def _players(scenario: Scenario) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "player": [player.name for player in scenario.players],
            "hand": [player.hand for player in scenario.players],
            "group": [scenario.groups[player.name] for player in scenario.players],
            "initials": [player.name[:2].upper() for player in scenario.players],
        }
    )


def _matches(scenario: Scenario) -> pd.DataFrame:
    matches = scenario.matches
    return pd.DataFrame(
        {
            "match": matches["match"],
            "date": matches["date"],
            "tin_height_cm": (100 * matches["tin_height_m"]).round(2),
            "board_width_cm": (100 * matches["board_width_m"]).round(2),
            "scoring": matches["scoring"],
        }
    )


def _typed(scenario: Scenario, shots: pd.DataFrame) -> list[str]:
    """The shortest match: what somebody would type in one evening."""
    lengths = shots["match"].value_counts(sort=False)
    shortest = lengths.idxmin()
    match = shots[shots["match"] == shortest]
    widths = dict(zip(scenario.matches["match"], scenario.matches["board_width_m"], strict=True))
    return typed_match(match, widths[shortest], np.random.default_rng(scenario.seed + 1))
