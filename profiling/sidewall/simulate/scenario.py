"""A scenario: who plays, how well, when, and from which seed; and the files made from it.

It is read from a TOML file, and gives the same bytes every time.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from importlib.resources import files
from os import PathLike
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from sidewall.arguments import Floats, read_toml
from sidewall.court import Court
from sidewall.court.units import to_display
from sidewall.court.zones import DEPTHS
from sidewall.errors import DataError, WriteError
from sidewall.files import make_folder, plan_files, write_file
from sidewall.log.vocabulary import ENDING_WINNER, HANDS, SIDES
from sidewall.simulate.charter import to_log
from sidewall.simulate.dress import simulate_shots
from sidewall.simulate.play import round_robin
from sidewall.simulate.truth import CROSSES, true_curves, true_thresholds
from sidewall.simulate.world import CELLS, MERITS, PLAYED, SimPlayer, World

_ABILITIES: Final = ("touch", "looseness_gain", "length", "steadiness", "attack_from_m")
_NUMBERS: Final = ("retrieving", "stretched", "drift")
_PLAYER_KEYS: Final = ("name", "hand", "group", "planted", "strokes", *_NUMBERS, *_ABILITIES)
_TOP_KEYS: Final = ("club", "seed", "games_to_win", "schedule", "court", "world", "player")
_TABLES: Final = {
    "schedule": ("rounds", "first_date", "days_between_rounds"),
    "court": ("tin_height_m", "board_widths_m"),
    "world": tuple(one.name for one in fields(World)),
}
_KNOWN_BY: Final = "scenario.toml"

#: Every file that :func:`write_demo` writes.
FILES: Final = (
    *("ladder.csv", "players.csv", "matches.csv"),
    *("typed_by_hand.csv", "truth.csv", "truth_curves.csv"),
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
    **{"forehand": ("FH", "fh", "Forehand", "forehand ")},
    **{"backhand": ("BH", "bh", "Backhand", "backhand")},
    **{"serve": ("serve", "Serve", "Service"), "drive": ("drive", "Drive", "length")},
    **{"drop": ("drop", "Drop", "drop shot"), "boast": ("boast", "Boast", "two-wall boast")},
    **{"back_wall_boast": ("back wall boast",), "lob": ("lob", "Lob"), "kill": ("kill", "Kill")},
    **{"straight": ("straight", "Straight", "str."), "cross": ("cross", "Cross-court", "x-court")},
    **{"volley": ("volley", "Vol", "V"), "after_bounce": ("bounce", "after bounce", "ground")},
    **{"off_back_wall": ("back wall", "Off back wall"), "winner": ("winner", "Winner", "win")},
    **{"tin": ("tin", "Tin", "tinned"), "out": ("out", "Out"), "down": ("down", "not up")},
    **{"stroke": ("stroke", "Stroke"), "no_let": ("no let", "No let"), "let": ("let", "Let")},
}
#: A rally must be this long for a shot left out of its middle to go unnoticed by the typist.
_LONG_RALLY: Final = 6


@dataclass(frozen=True)
class Scenario:
    """Players of known abilities and the matches they play.

    Parameters
    ----------
    club : str
    seed : int
    players : list of SimPlayer
    groups, planted : dict of str to str
        By player: the group, and what a good analysis should find.
    schedule : list of (int, int)
        As in :func:`~sidewall.simulate.simulate_shots`.
    matches : DataFrame
        One row a match: match, date, tin_height_m, board_width_m, scoring.
    world : World
    court : Court
    games_to_win : int, default 3

    See Also
    --------
    sidewall.simulate.load_scenario
    sidewall.simulate.club_ladder

    Examples
    --------
    >>> club = sw.simulate.club_ladder()
    >>> club.thresholds().columns.to_list()
    ['player', 'side', 'family', 'status', 'threshold_m']
    """

    club: str
    seed: int
    players: list[SimPlayer]
    groups: dict[str, str]
    planted: dict[str, str]
    schedule: list[tuple[int, int]]
    matches: pd.DataFrame
    world: World
    court: Court
    games_to_win: int = 3

    def shots(self, seed: int | None = None) -> pd.DataFrame:
        """Canonical shot table of all matches.

        Parameters
        ----------
        seed : int, optional
            The scenario's own by default.
        """
        return simulate_shots(
            self.players,
            self.schedule,
            self.seed if seed is None else seed,
            self.world,
            games_to_win=self.games_to_win,
            match_names=self.matches["match"].tolist(),
            court=self.court,
        )

    def thresholds(self, by: Sequence[str] = ()) -> pd.DataFrame:
        """True thresholds of the players.

        Parameters
        ----------
        by
            As in :func:`~sidewall.simulate.true_thresholds`.
        """
        return true_thresholds(self.players, self.schedule, self.world, by)

    def curves(self, gaps_m: Any = None, by: Sequence[str] = ()) -> pd.DataFrame:
        """True curves of the players.

        Parameters
        ----------
        gaps_m, by
            As in :func:`~sidewall.simulate.true_curves`.
        """
        return true_curves(self.players, self.schedule, self.world, gaps_m, by)


def load_scenario(path: str | PathLike[str]) -> Scenario:
    """Read a scenario from a TOML file.

    Parameters
    ----------
    path : path

    Returns
    -------
    Scenario

    Raises
    ------
    DataError
        If something in the file is not understood; it says what and where.

    See Also
    --------
    sidewall.simulate.club_ladder
    sidewall.simulate.Scenario

    Examples
    --------
    >>> path = sw.simulate.synthetic_data_folder() / "scenario.toml"
    >>> len(sw.simulate.load_scenario(path).players)
    10
    """
    file = Path(path)
    content = read_toml(file, "the scenario")
    where = file.name
    _only(content, _TOP_KEYS, where)
    plan, surroundings, constants = (content.get(name, {}) for name in _TABLES)
    for table, (name, known) in zip((plan, surroundings, constants), _TABLES.items(), strict=True):
        _only(table, known, f"{where}, [{name}]")
    entries = content.get("player", [])
    if len(entries) < 2:
        raise DataError(f"{where}: a scenario needs at least two [[player]] tables.")
    players = [_player(entry, f"{where}, player {n}") for n, entry in enumerate(entries, start=1)]
    seed = content.get("seed")
    if not isinstance(seed, int) or isinstance(seed, bool) or seed < 0:
        raise DataError(f"{where}: seed is {seed!r}; give a whole number from 0.")
    rounds = plan.get("rounds", 1)
    if not isinstance(rounds, int) or rounds < 1:
        raise DataError(f"{where}, [schedule]: rounds is {rounds!r}; give a whole number from 1.")
    schedule = round_robin(len(players), rounds)
    tin = float(surroundings.get("tin_height_m", 0.48))
    return Scenario(
        club=str(content.get("club", file.stem)),
        seed=seed,
        players=players,
        groups={entry["name"]: str(entry.get("group", "")) for entry in entries},
        planted={entry["name"]: str(entry.get("planted", "")) for entry in entries},
        schedule=schedule,
        matches=_matches(len(schedule), rounds, plan, surroundings.get("board_widths_m", []), tin),
        world=World(**constants),
        court=Court(tin_height_m=tin),
        games_to_win=int(content.get("games_to_win", 3)),
    )


def club_ladder() -> Scenario:
    """Return the scenario of the demonstration: an invented club's ladder.

    See Also
    --------
    sidewall.simulate.load_scenario
    sidewall.simulate.write_demo

    Examples
    --------
    >>> club = sw.simulate.club_ladder()
    >>> club.players[0].name
    'Rowan'
    """
    return load_scenario(synthetic_data_folder() / _KNOWN_BY)


def _only(table: Mapping[str, Any], known: Any, where: str) -> None:
    strange = [key for key in table if key not in known]
    if strange:
        raise DataError(
            f"{where}: {', '.join(strange)} not understood. Known here: {', '.join(known)}."
        )


def _player(entry: Mapping[str, Any], where: str) -> SimPlayer:
    _only(entry, _PLAYER_KEYS, where)
    name, hand = entry.get("name"), entry.get("hand", "right")
    if not isinstance(name, str) or not name.strip():
        raise DataError(f"{where}: the player has no name.")
    if hand not in HANDS:
        raise DataError(f"{where} ({name}): hand is {hand!r}; write right or left.")
    where = f"{where} ({name})"
    given = [ability for ability in _ABILITIES if ability in entry]
    abilities: dict[str, Any] = {one: _by_cell(entry[one], f"{where}, {one}") for one in given}
    abilities |= {one: _number(entry.get(one, 0.0), f"{where}, {one}") for one in _NUMBERS}
    abilities["merit"] = _merit(entry.get("strokes", {}), f"{where}, strokes")
    return SimPlayer(name, hand, **abilities)


def _merit(entries: Mapping[str, Any], where: str) -> Floats:
    """From keys such as "forehand kill" or "backhand drop back"; what comes later adds."""
    merit = np.zeros(MERITS)
    for key, value in entries.items():
        side, stroke, depth, *more = [*key.split(), "", "", ""]
        if side not in SIDES or stroke not in PLAYED or depth not in ("", *DEPTHS) or any(more):
            raise DataError(
                f"{where}: {key!r} is not understood; write a side, a stroke ({', '.join(PLAYED)}) "
                f"and, if wanted, a depth ({', '.join(DEPTHS)})."
            )
        place = DEPTHS.index(depth) if depth else slice(None)
        better = _number(value, f"{where}, {key}")
        merit[SIDES.index(side), PLAYED.index(stroke), place] += better
    return merit


def _number(value: Any, where: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not np.isfinite(value):
        raise DataError(f"{where}: {value!r} is no number.")
    return float(value)


def _by_cell(value: Any, where: str) -> Floats:
    try:
        table = np.asarray(value, dtype=float)
    except (TypeError, ValueError):
        table = np.zeros(0)
    if table.shape not in ((), CELLS):
        raise DataError(
            f"{where}: give one number, or two rows (forehand, backhand) of two numbers "
            "(ground, volley)."
        )
    return np.broadcast_to(table, CELLS).copy()


def _matches(
    count: int, rounds: int, plan: Mapping[str, Any], widths: Sequence[float], tin: float
) -> pd.DataFrame:
    first = plan.get("first_date", dt.date(2026, 1, 12))
    later = dt.timedelta(days=int(plan.get("days_between_rounds", 7)))
    turns = [divmod(k, count // rounds) for k in range(count)]
    return pd.DataFrame(
        {
            "match": [f"w{turn + 1}m{k + 1}" for turn, k in turns],
            "date": [(first + turn * later).isoformat() for turn, _ in turns],
            "tin_height_m": tin,
            "board_width_m": [widths[k % len(widths)] if widths else np.nan for k in range(count)],
            "scoring": "par11",
        }
    )


def synthetic_data_folder() -> Path:
    """Return the folder of the synthetic ladder that comes with the package.

    Raises
    ------
    DataError
        If the folder is missing.

    See Also
    --------
    sidewall.simulate.write_demo

    Examples
    --------
    >>> (sw.simulate.synthetic_data_folder() / "ladder.csv").is_file()
    True
    """
    package = Path(str(files("sidewall")))
    # Installed, the data lie within the package; in a checkout at the root of the repository.
    places = [package / "synthetic_data", package.parents[1] / "synthetic_data"]
    found = [place for place in places if (place / _KNOWN_BY).is_file()]
    if found:
        return found[0]
    raise DataError(
        f"The synthetic data are missing: no {_KNOWN_BY} in {places[0]} or {places[1]}. Install "
        "sidewall again, or give the path of a scenario."
    )


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
        If a file that is there holds something else, and `overwrite` is not said.

    See Also
    --------
    sidewall.simulate.club_ladder
    sidewall.simulate.synthetic_data_folder

    Examples
    --------
    >>> club = sw.simulate.club_ladder()
    >>> files = sw.simulate.write_demo("club", club)
    >>> files[0].name
    'ladder.csv'
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
    shots, who = scenario.shots(), scenario.players
    log = to_log(shots, "cm", details=False)
    # Whole centimetres, typed without a decimal point.
    log["gap_cm"] = log["gap_cm"].round().astype("Int64")
    details = [(one.name, one.hand, scenario.groups[one.name], one.name[:2].upper()) for one in who]
    matches = scenario.matches.rename(columns=lambda name: name.replace("_m", "_cm"))
    for name in ("tin_height_cm", "board_width_cm"):
        matches[name] = (100 * matches[name]).round(2)
    # Thresholds over all, then by stroke, by balance and by depth; blank where averaged.
    parts = [scenario.thresholds(by) for by in ((), *((name,) for name in _SPLITS))]
    columns = ["player", "side", "family", *_SPLITS, "status", "threshold_m"]
    truth = pd.concat(parts, ignore_index=True).reindex(columns=columns)
    crossing = truth["threshold_m"].where(truth["status"] == CROSSES)
    tables = {
        "ladder.csv": log,
        "players.csv": pd.DataFrame(details, columns=["player", "hand", "group", "initials"]),
        "matches.csv": matches,
        "truth.csv": truth.assign(threshold_m=crossing.round(_TRUTH_DECIMALS)),
        "truth_curves.csv": scenario.curves(_CURVE_GAPS_M).round(_TRUTH_DECIMALS),
    }
    texts = {name: table.to_csv(index=False, lineterminator="\n") for name, table in tables.items()}
    texts["typed_by_hand.csv"] = "\n".join(_typed(scenario, shots)) + "\n"
    return {name: texts[name].encode("utf-8") for name in FILES}


def _typed(scenario: Scenario, shots: pd.DataFrame) -> list[str]:
    """Type out the shortest match, as somebody would in one evening, with mistakes.

    One rally lacks a shot in its middle; another lacks its winner and its ending; in a third
    only the winner is left out, which the ending gives. There are a blank line, trailing
    spaces and times as mm:ss; the gaps are in half boards.
    """
    rng = np.random.default_rng(scenario.seed + 1)
    shortest = shots["match"].value_counts(sort=False).idxmin()
    shots = shots[shots["match"] == shortest]
    widths = scenario.matches["board_width_m"][scenario.matches["match"] == shortest]
    width = float(widths.iloc[0])
    rally = shots.groupby(["game", "rally"], sort=False).ngroup().to_numpy()
    last = shots["ending"].notna().to_numpy()
    length = np.bincount(rally)[rally]
    gives_winner = last & shots["ending"].isin(list(ENDING_WINNER)).to_numpy()
    with_hole = rally[np.flatnonzero(length >= _LONG_RALLY)[0]]
    unsaid = rally[np.flatnonzero(gives_winner & (rally > with_hole + 1))[0]]
    half_said = rally[np.flatnonzero(gives_winner & (rally > unsaid + 1))[0]]
    boards = np.round(2 * to_display(shots["gap_m"].to_numpy(), "boards", width)) / 2

    lines = [",".join(_HEADINGS)]
    for at, row in enumerate(shots.to_dict("records")):
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
            f"{100 * width:g}",
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
