"""The files of the synthetic ladder, the same bytes from the same scenario every time."""

from __future__ import annotations

from collections.abc import Sequence
from os import PathLike
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd

from sidewall.court.units import to_display
from sidewall.errors import WriteError
from sidewall.files import make_folder, plan_files, write_file
from sidewall.log.vocabulary import ENDING_WINNER
from sidewall.simulate.raw_log import to_log
from sidewall.simulate.scenario import Scenario, club_ladder, synthetic_data_folder
from sidewall.simulate.truth import CROSSES

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
_SPLITS: Final = ("stroke", "balance", "depth")
#: Digits that stay the same whatever order a machine adds numbers up in.
_TRUTH_DECIMALS: Final = 4

_HEADINGS: Final = (
    *("Match", "Game", "Rally", "Shot", "Player", "Side", "Stroke", "Contact"),
    *("Gap (boards)", "board_width_cm", "Rally won by", "Ending", "Time"),
)
_SAID: Final = {
    "forehand": ("FH", "fh", "Forehand", "forehand "),
    "backhand": ("BH", "bh", "Backhand", "backhand"),
    "serve": ("serve", "Serve", "Service"),
    "drive": ("drive", "Drive", "length"),
    "drop": ("drop", "Drop", "drop shot"),
    "lob": ("lob", "Lob"),
    "boast": ("boast", "Boast", "two-wall boast"),
    "back_wall_boast": ("back wall boast",),
    "kill": ("kill", "Kill"),
    "straight": ("straight", "Straight", "str."),
    "cross": ("cross", "Cross-court", "x-court"),
    "volley": ("volley", "Vol", "V"),
    "after_bounce": ("bounce", "after bounce", "ground"),
    "off_back_wall": ("back wall", "Off back wall"),
    "winner": ("winner", "Winner", "win"),
    "tin": ("tin", "Tin", "tinned"),
    "out": ("out", "Out"),
    "down": ("down", "not up"),
    "stroke": ("stroke", "Stroke"),
    "no_let": ("no let", "No let"),
    "let": ("let", "Let"),
}
#: A rally must be this long for a shot left out of its middle to go unnoticed by the typist.
_LONG_RALLY: Final = 6


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
    tables = {
        "ladder.csv": _ladder(shots),
        "players.csv": _players(scenario),
        "matches.csv": _matches(scenario),
        "truth.csv": _truth(scenario),
        "truth_curves.csv": scenario.curves(_CURVE_GAPS_M).round(_TRUTH_DECIMALS),
    }
    texts = {name: table.to_csv(index=False, lineterminator="\n") for name, table in tables.items()}
    texts["typed_by_hand.csv"] = "\n".join(_typed(scenario, shots)) + "\n"
    return {name: texts[name].encode("utf-8") for name in FILES}


def _truth(scenario: Scenario) -> pd.DataFrame:
    """Thresholds over all, then by stroke, by balance and by depth; blank where averaged."""
    columns = ["player", "side", "family", *_SPLITS, "status", "threshold_m"]
    parts = [scenario.thresholds(by) for by in ((), *((name,) for name in _SPLITS))]
    table = pd.concat(parts, ignore_index=True).reindex(columns=columns)
    crossing = table["threshold_m"].where(table["status"] == CROSSES)
    return table.assign(threshold_m=crossing.round(_TRUTH_DECIMALS))


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


def typed_match(shots: pd.DataFrame, board_width_m: float, rng: np.random.Generator) -> list[str]:
    """Type out one match, with mistakes.

    One rally lacks a shot in its middle; another lacks its winner and its ending; in a third
    only the winner is left out, which the ending gives. There are a blank line, trailing
    spaces and times as mm:ss.

    Parameters
    ----------
    shots : DataFrame
        Canonical shots of one match, on a court whose boards are `board_width_m` wide.
    board_width_m : float
    rng : numpy.random.Generator
        Chooses among the words for a thing.

    Returns
    -------
    list of str
        Lines of comma-separated text, the headings first.
    """
    rally = shots.groupby(["game", "rally"], sort=False).ngroup().to_numpy()
    last = shots["ending"].notna().to_numpy()
    length = np.bincount(rally)[rally]
    gives_winner = last & shots["ending"].isin(list(ENDING_WINNER)).to_numpy()
    with_hole = rally[np.flatnonzero(length >= _LONG_RALLY)[0]]
    unsaid = rally[np.flatnonzero(gives_winner & (rally > with_hole + 1))[0]]
    half_said = rally[np.flatnonzero(gives_winner & (rally > unsaid + 1))[0]]
    boards = np.round(2 * to_display(shots["gap_m"].to_numpy(), "boards", board_width_m)) / 2

    lines = [",".join(_HEADINGS)]
    cells_of = {name: shots[name].tolist() for name in shots.columns}
    for at in range(len(shots)):
        row = {name: values[at] for name, values in cells_of.items()}
        if rally[at] == with_hole and row["shot"] == 3:
            continue
        name = row["player"]
        winner = "" if rally[at] in (unsaid, half_said) else row["rally_won_by"]
        ending = "" if rally[at] == unsaid else row["ending"]
        minutes, seconds = divmod(int(row["t_s"]), 60)
        cells = (
            *(str(row[key]) for key in ("match", "game", "rally", "shot")),
            _one_of(rng, (name, name, name.lower(), f"{name} ", name.upper())),
            _say(rng, row["side"]),
            f"{_say(rng, row['direction'])} {_say(rng, row['stroke'])}".lstrip(),
            _say(rng, row["contact"]),
            "" if np.isnan(boards[at]) else f"{boards[at]:g}",
            f"{100 * board_width_m:g}",
            winner if isinstance(winner, str) else "",
            _say(rng, ending),
            f"{minutes}:{seconds:02d}",
        )
        lines.append(",".join(cells) + ("  " if rng.random() < 0.02 else ""))
        if last[at] and rally[at] == half_said:
            lines.append("")
    return lines


def _one_of(rng: np.random.Generator, words: Sequence[str]) -> str:
    return words[int(rng.integers(len(words)))]


def _say(rng: np.random.Generator, word: object) -> str:
    return _one_of(rng, _SAID[word]) if isinstance(word, str) and word else ""
