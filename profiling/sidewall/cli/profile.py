"""A player's profile as files: tables to go on with, pictures to look at."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal, cast

import pandas as pd

from sidewall.beside import beside
from sidewall.cli.files import Profile, Writer
from sidewall.cli.names import find_player
from sidewall.cli.options import Steps
from sidewall.cli.tables import by_outcome, player_tables, player_zones, readable
from sidewall.court.units import board_width, parse_unit
from sidewall.errors import DataError
from sidewall.files import make_folder, plan_files
from sidewall.log.safe_text import file_stem
from sidewall.models import TightnessModel

if TYPE_CHECKING:
    from sidewall.models.diagnostics import Diagnostics

Outcome = Literal["rally", "value"]

#: What a shot may be judged by, and the models that it takes.
OUTCOMES: Final[dict[str, tuple[Outcome, ...]]] = {
    "both": ("value", "rally"),
    "rally": ("rally",),
    "value": ("value",),
}
#: Pictures that come once an outcome, and tables.
_BY_OUTCOME: Final = ("threshold", "comfort", "calibration")
_TABLES: Final = (
    *("thresholds", "curves", "comfort", "rule", "shots-used", "zones"),
    *(f"thresholds-by-{name}" for name in ("stroke", "balance", "depth", "opponent-place")),
    *("held-out-checks", "calibration"),
)


def write_profile(
    shots: pd.DataFrame,
    player: str,
    folder: Path,
    unit: str = "cm",
    board_width_m: float | None = None,
    outcome: str = "both",
    models: Mapping[str, TightnessModel] | None = None,
    truth: pd.DataFrame | None = None,
    jobs: int = 1,
) -> Profile:
    """Fit the model to a log and write one player's tables and pictures into a folder.

    All players' shots are needed: the player borrows from the others. Files of the same names are
    written over. `unit` is cm, in, m or boards, their width taken from the log where the player's
    matches share one; `outcome`, what shots are judged by: rally, value or both; `models`, fitted
    already, by outcome; `truth`, the thresholds of simulated players, see `plot_threshold`. With
    two `jobs` another process makes the first model's held-out checks meanwhile. A SidewallError
    if player, unit or outcome is unknown, the log has too little for a model, or the files cannot
    be written.
    """
    import matplotlib as mpl  # noqa: PLC0415

    from sidewall.plots.words import board_width_of, known_player  # noqa: PLC0415

    mpl.use("Agg")  # no window, and none needed
    if outcome not in OUTCOMES:
        raise DataError(f"Unknown outcome {outcome!r}; use one of {', '.join(OUTCOMES)}.")
    parse_unit(unit)
    if board_width_m is not None:
        board_width(board_width_m)
    names = [str(name) for name in shots["player"].cat.categories]
    player = find_player(player, names)
    profile = Profile(player, folder)
    plan_files(profile_files(folder, player, names, OUTCOMES[outcome]))
    with Steps("profile", 3 * len(OUTCOMES[outcome]) + 2) as steps:
        models = models or _fit(shots, OUTCOMES[outcome], profile, steps)
        some = next(iter(models.values()))
        known_player(some, player)
        width = board_width_of(some, player, board_width_m)
        if parse_unit(unit) == "boards":
            board_width(width)
        checks: dict[str, Callable[[], Diagnostics]] = {
            outcome: model.diagnostics for outcome, model in models.items()
        }
        if jobs > 1:
            checks[next(iter(models))] = beside(some.diagnostics)
        make_folder(folder)
        writer = Writer(profile, file_stem(player, names))
        _pictures(writer, models, {"unit": unit, "board_width_m": width}, truth, steps)
        steps.next("zones")
        _zones(writer, shots, unit, width)
        steps.next("tables")
        for name, table in player_tables(models, player).items():
            writer.table(name, readable(table, unit, width))
        _checks(writer, checks, steps)
    return profile


def profile_files(
    folder: Path, player: str, names: Sequence[str], outcomes: Sequence[str] = OUTCOMES["both"]
) -> list[Path]:
    """List every file of a profile, those that the log may turn out too short for included."""
    stem = file_stem(player, names)
    pictures = [f"{name}-by-{outcome}" for name in _BY_OUTCOME for outcome in outcomes]
    listed = [
        f"{stem}-{name}.{kind}" for name in (*pictures, "zone-map") for kind in ("png", "svg")
    ]
    return [folder / name for name in (*listed, *(f"{stem}-{name}.csv" for name in _TABLES))]


def _fit(
    shots: pd.DataFrame, outcomes: tuple[Outcome, ...], profile: Profile, steps: Steps
) -> dict[str, TightnessModel]:
    """Fit a model by each outcome; the first must succeed, the others may not."""
    models: dict[str, TightnessModel] = {}
    for outcome in outcomes:
        steps.next(f"model by {outcome}")
        try:
            models[outcome] = TightnessModel(outcome=outcome).fit(shots)
        except DataError as error:
            if not models:
                raise DataError(
                    f"No profile can be made from the {len(shots):,} shots of this log. Chart "
                    f"more, or see what the model says: {error}."
                ) from error
            profile.missing.append(f"model by {outcome}: {error}")
    return models


def _pictures(
    writer: Writer,
    models: Mapping[str, TightnessModel],
    look: dict[str, Any],
    truth: pd.DataFrame | None,
    steps: Steps,
) -> None:
    from sidewall.plots import plot_comfort, plot_threshold  # noqa: PLC0415

    player = writer.profile.player
    for outcome, model in models.items():
        steps.next(f"pictures by {outcome}")
        for name, plot in (("threshold", plot_threshold), ("comfort", plot_comfort)):
            others = [other for other in models.values() if other is not model]
            more: dict[str, Any] = {}
            if name == "threshold":
                more = {"beside": others[0] if others else None, "truth": truth}
            draw = partial(cast(Any, plot), model, player, **look, **more)
            writer.picture(f"{name}-by-{outcome}", draw)


def _zones(writer: Writer, shots: pd.DataFrame, unit: str, width: float | None) -> None:
    from sidewall.plots import plot_zone_map  # noqa: PLC0415

    player = writer.profile.player
    writer.picture("zone-map", partial(plot_zone_map, shots, player))
    writer.table("zones", readable(player_zones(shots, player), unit, width))


def _checks(writer: Writer, checks: Mapping[str, Callable[[], Diagnostics]], steps: Steps) -> None:
    """Held-out checks, where there are matches enough to hold some out."""
    from sidewall.plots import plot_calibration  # noqa: PLC0415

    found: dict[str, Diagnostics] = {}
    for outcome, check in checks.items():
        steps.next(f"checks by {outcome}")
        try:
            found[outcome] = check()
        except DataError as error:
            writer.profile.missing.append(f"held-out checks by {outcome}: {error}")
    for outcome, one in found.items():
        writer.picture(f"calibration-by-{outcome}", partial(plot_calibration, one))
    if found:
        for name, tables in (
            ("held-out-checks", {o: one.held_out.reset_index() for o, one in found.items()}),
            ("calibration", {o: one.calibration for o, one in found.items()}),
        ):
            writer.table(name, readable(by_outcome(tables), "cm", None))
