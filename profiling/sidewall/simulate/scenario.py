"""A scenario: who plays, how well, when, and from which seed, read from a TOML file."""

from __future__ import annotations

import datetime as dt
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from importlib.resources import files
from os import PathLike
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.arguments import parse_toml
from sidewall.court import Court
from sidewall.court.zones import DEPTHS
from sidewall.errors import DataError
from sidewall.log.vocabulary import HANDS, SIDES
from sidewall.simulate.dress import simulate_shots
from sidewall.simulate.play import round_robin
from sidewall.simulate.players import CELLS, MERITS, PLAYED, SimPlayer
from sidewall.simulate.truth import true_curves, true_thresholds
from sidewall.simulate.world import World

_ABILITIES: Final = ("touch", "looseness_gain", "length", "steadiness", "attack_from_m")
_NUMBERS: Final = ("retrieving", "stretched", "drift")
_PLAYER_KEYS: Final = ("name", "hand", "group", "planted", "strokes", *_NUMBERS, *_ABILITIES)
_TOP_KEYS: Final = ("club", "seed", "games_to_win", "schedule", "court", "world", "player")
_SCHEDULE_KEYS: Final = ("rounds", "first_date", "days_between_rounds")
_NAME: Final = "synthetic_data"
_KNOWN_BY: Final = "scenario.toml"
_COURT_KEYS: Final = ("tin_height_m", "board_widths_m")


@dataclass(frozen=True)
class Scenario:
    """Players of known abilities and the matches they play.

    Attributes
    ----------
    club : str
    seed : int
    players : list of SimPlayer
    groups, planted : dict
        By player: the group, and in words what a good analysis should find.
    schedule : list of (int, int)
    matches : DataFrame
        One row a match: match, date (a string), tin_height_m, board_width_m, scoring.
    world : World
    court : Court
    games_to_win : int
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
        """Canonical shot table of all matches, from the scenario's seed or another."""
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
        """See :func:`~sidewall.simulate.truth.true_thresholds`."""
        return true_thresholds(self.players, self.schedule, self.world, by)

    def curves(self, gaps_m: Any = None, by: Sequence[str] = ()) -> pd.DataFrame:
        """See :func:`~sidewall.simulate.truth.true_curves`."""
        return true_curves(self.players, self.schedule, self.world, gaps_m, by)


def load_scenario(path: str | PathLike[str]) -> Scenario:
    """Read a scenario from a TOML file.

    Raises
    ------
    DataError
        If the file cannot be read, or holds something that is not understood.
    """
    file = Path(path)
    try:
        content = parse_toml(file.read_text(encoding="utf-8"))
    except OSError as error:
        raise DataError(f"{file}: the scenario cannot be read ({error.strerror}).") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise DataError(f"{file.name}: the scenario is no valid TOML: {error}.") from error
    where = file.name
    _only(content, _TOP_KEYS, where)
    entries = content.get("player", [])
    if len(entries) < 2:
        raise DataError(f"{where}: a scenario needs at least two [[player]] tables.")
    players = [_player(entry, f"{where}, player {n}") for n, entry in enumerate(entries, start=1)]
    seed = content.get("seed")
    if not isinstance(seed, int) or isinstance(seed, bool) or seed < 0:
        raise DataError(f"{where}: seed is {seed!r}; give a whole number from 0.")
    plan, surroundings = content.get("schedule", {}), content.get("court", {})
    _only(plan, _SCHEDULE_KEYS, f"{where}, [schedule]")
    _only(surroundings, _COURT_KEYS, f"{where}, [court]")
    rounds = plan.get("rounds", 1)
    if not isinstance(rounds, int) or rounds < 1:
        raise DataError(f"{where}, [schedule]: rounds is {rounds!r}; give a whole number from 1.")
    schedule = round_robin(len(players), rounds)
    constants = content.get("world", {})
    _only(constants, [field.name for field in fields(World)], f"{where}, [world]")
    tin = float(surroundings.get("tin_height_m", 0.48))
    return Scenario(
        club=str(content.get("club", file.stem)),
        seed=seed,
        players=players,
        groups={entry["name"]: str(entry.get("group", "")) for entry in entries},
        planted={entry["name"]: str(entry.get("planted", "")) for entry in entries},
        schedule=schedule,
        matches=_matches(len(schedule), rounds, plan, surroundings, tin),
        world=World(**constants),
        court=Court.singles(tin),
        games_to_win=int(content.get("games_to_win", 3)),
    )


def club_ladder() -> Scenario:
    """Return the scenario of the demonstration: an invented club's ladder."""
    return load_scenario(synthetic_data_folder() / "scenario.toml")


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
    abilities: dict[str, Any] = {
        ability: _by_cell(entry[ability], f"{where} ({name}), {ability}")
        for ability in _ABILITIES
        if ability in entry
    }
    abilities |= {number: float(entry.get(number, 0.0)) for number in _NUMBERS}
    abilities["merit"] = _merit(entry.get("strokes", {}), f"{where} ({name}), strokes")
    return SimPlayer(
        name=name,
        hand=hand,
        **abilities,
    )


def _merit(entries: Mapping[str, Any], where: str) -> NDArray[np.float64]:
    """From keys such as "forehand kill" or "backhand drop back"; what comes later adds."""
    merit = np.zeros(MERITS)
    for key, value in entries.items():
        side, stroke, *depth = key.split()[:4] if len(key.split()) > 1 else ("", "")
        if side not in SIDES or stroke not in PLAYED or (depth and depth[0] not in DEPTHS):
            raise DataError(
                f"{where}: {key!r} is not understood; write a side, a stroke ({', '.join(PLAYED)}) "
                f"and, if wanted, a depth ({', '.join(DEPTHS)})."
            )
        place = DEPTHS.index(depth[0]) if depth else slice(None)
        merit[SIDES.index(side), PLAYED.index(stroke), place] += float(value)
    return merit


def _by_cell(value: Any, where: str) -> NDArray[np.float64]:
    try:
        table = np.asarray(value, dtype=float)
        return np.broadcast_to(table, CELLS).copy() if table.ndim in (0, 2) else _wrong(where)
    except (TypeError, ValueError):
        return _wrong(where)


def _wrong(where: str) -> NDArray[np.float64]:
    raise DataError(
        f"{where}: give one number, or two rows (forehand, backhand) of two numbers "
        "(ground, volley)."
    )


def _matches(
    count: int,
    rounds: int,
    plan: Mapping[str, Any],
    surroundings: Mapping[str, Any],
    tin: float,
) -> pd.DataFrame:
    first = plan.get("first_date", dt.date(2026, 1, 12))
    days = int(plan.get("days_between_rounds", 7))
    widths = surroundings.get("board_widths_m", [])
    a_round = count // rounds
    turn = np.arange(count) // a_round
    return pd.DataFrame(
        {
            "match": [f"w{k // a_round + 1}m{k % a_round + 1}" for k in range(count)],
            "date": [(first + dt.timedelta(days=int(days * k))).isoformat() for k in turn],
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
        If it is not there.
    """
    package = Path(str(files("sidewall")))
    # Installed, the data lie within the package; in a checkout at the root of the repository.
    places = [package / _NAME, package.parents[1] / _NAME]
    for place in places:
        if (place / _KNOWN_BY).is_file():
            return place
    raise DataError(
        f"The synthetic data are missing: no {_KNOWN_BY} in {places[0]} or {places[1]}. Install "
        "sidewall again, or give the path of a scenario."
    )
