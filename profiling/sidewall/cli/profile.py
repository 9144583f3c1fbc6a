"""A player's profile as files: tables to go on with, pictures to look at."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
import pandas as pd

from sidewall.beside import beside
from sidewall.cli.options import Steps, find_player
from sidewall.court.units import board_width, parse_unit, to_display
from sidewall.errors import DataError
from sidewall.features import shot_features, zone_features
from sidewall.features.coded import struck_by
from sidewall.files import make_folder, plan_files, write_file
from sidewall.log.writing import csv_bytes, file_stem
from sidewall.models import TightnessModel
from sidewall.plots.words import board_width_of, known_player, two_figures

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from sidewall.models.diagnostics import Diagnostics


_DPI: Final = 150


@dataclass
class Profile:
    """Writes tables and pictures whose names begin with a stem, and keeps the account.

    The picture to open first was written before all; `missing` says what is not there, and why.
    """

    player: str
    folder: Path
    files: list[Path] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    stem: str = ""

    def lines(self) -> list[str]:
        """Say what was written, one line each."""
        lines = [f"Profile of {self.player} in {self.folder}:"]
        lines += [f"  {path.name}" for path in self.files]
        lines += [f"Not made: {why}" for why in self.missing]
        return [*lines, f"Open first: {self.files[0]}"]

    def table(self, name: str, table: pd.DataFrame) -> None:
        """Write a table as CSV."""
        path = self.folder / f"{self.stem}-{name}.csv"
        self.files.append(write_file(path, csv_bytes(table)))

    def picture(self, name: str, draw: Callable[[], Any]) -> None:
        """Write a picture as PNG and SVG, or note why the data do not allow it."""
        from matplotlib import pyplot as plt  # noqa: PLC0415

        from sidewall.plots.frame import lay_out  # noqa: PLC0415

        try:
            figure: Figure = np.asarray(draw(), dtype=object).ravel()[0].figure
        except DataError as error:
            self.missing.append(f"{name.replace('-', ' ')}: {error}")
            return
        lay_out(figure)
        for suffix in ("png", "svg"):
            path = self.folder / f"{self.stem}-{name}.{suffix}"
            # No date and no chance in the file: the same log gives the same picture.
            more: dict[str, Any] = {"metadata": {"Date": None}} if suffix == "svg" else {}
            data = BytesIO()
            with plt.rc_context({"svg.hashsalt": "sidewall"}):
                figure.savefig(data, format=suffix, dpi=_DPI, **more)
            self.files.append(write_file(path, data.getvalue()))
        plt.close(figure)


_DECIMALS: Final = {"cm": 1, "in": 1, "m": 3, "boards": 2}
_SMALL: Final = ("log_loss", "se", "worse_by", "worse_by_se")


def readable(table: pd.DataFrame, unit: str, board_width_m: float | None) -> pd.DataFrame:
    """Write gaps in a unit, named in the heading, and round every number.

    Columns that end in ``_m`` are gaps in metres. They come to a millimetre or so, chances to a
    tenth of a per cent, further shots to two figures.
    """
    known = parse_unit(unit)
    columns: dict[str, pd.Series] = {}
    for name, values in table.items():
        heading = str(name)
        if heading.endswith("_m"):
            heading = f"{heading.removesuffix('_m')}_{known}"
            written = to_display(values.astype(float), known, board_width_m)
            columns[heading] = written.round(_DECIMALS[known])
        elif heading == "more_shots":
            columns[heading] = values.map(lambda more: two_figures(more).replace(",", ""))
        elif pd.api.types.is_float_dtype(values.dtype):
            columns[heading] = values.round(5 if heading in _SMALL else 3)
        else:
            columns[heading] = values
    return pd.DataFrame(columns)


def player_tables(models: Mapping[str, TightnessModel], player: str) -> dict[str, pd.DataFrame]:
    """Make the tables of one player, by name; the first column is the outcome of the model."""
    parts: dict[str, dict[str, pd.DataFrame]] = {}
    for outcome, model in models.items():
        tables = {
            "thresholds": model.thresholds(player=player),
            "curves": model.curves(player=player),
            "comfort": model.comfort(player=player),
            "rule": model.rule(player=player),
            **_by_situation(model, player),
            "shots-used": _shots_used(model, int(struck_by(model.used_, player).sum())),
        }
        for name, table in tables.items():
            parts.setdefault(name, {})[outcome] = table
    return {name: by_outcome(tables) for name, tables in parts.items()}


def _by_situation(model: TightnessModel, player: str) -> dict[str, pd.DataFrame]:
    """Thresholds by stroke and by each column of the situation that the log tells apart."""
    names = [*(["stroke"] if model.curves_["attack"].columns.strokes else []), *model.situation_]
    return {
        f"thresholds-by-{name}".replace("_", "-"): model.thresholds(by=name, player=player)
        for name in names
    }


def by_outcome(tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Put tables of models with different outcomes below one another, the outcome first."""
    marked = [table.assign(outcome=outcome) for outcome, table in tables.items()]
    joined = pd.concat(marked, ignore_index=True)
    return joined[["outcome", *joined.columns.drop("outcome")]]


def player_zones(shots: pd.DataFrame, player: str) -> pd.DataFrame:
    """Tabulate a player's zones, or sides where the log tells no place and no contact."""
    features = shot_features(shots)
    own = features[struck_by(features, player)]
    try:
        return zone_features(own)
    except DataError:
        return zone_features(own, by=["player", "side"])


def _shots_used(model: TightnessModel, own: int) -> pd.DataFrame:
    """How many shots the model rests on, and why it left out the others."""
    used = {"used": len(model.used_), "used, of this player": own}
    left_out = {f"left out: {reason}": int(n) for reason, n in model.left_out_.items()}
    return pd.DataFrame({"what": [*used, *left_out], "shots": [*used.values(), *left_out.values()]})


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

    mpl.use("Agg")  # no window, and none needed
    from sidewall.plots import plot_zone_map  # noqa: PLC0415

    if outcome not in OUTCOMES:
        raise DataError(f"Unknown outcome {outcome!r}; use one of {', '.join(OUTCOMES)}.")
    parse_unit(unit)
    if board_width_m is not None:
        board_width(board_width_m)
    names = [str(name) for name in shots["player"].cat.categories]
    player = find_player(player, names)
    profile = Profile(player, folder, stem=file_stem(player, names))
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
        _pictures(profile, models, {"unit": unit, "board_width_m": width}, truth, steps)
        steps.next("zones")
        profile.picture("zone-map", partial(plot_zone_map, shots, player))
        profile.table("zones", readable(player_zones(shots, player), unit, width))
        steps.next("tables")
        for name, table in player_tables(models, player).items():
            profile.table(name, readable(table, unit, width))
        _checks(profile, checks, steps)
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
    profile: Profile,
    models: Mapping[str, TightnessModel],
    look: dict[str, Any],
    truth: pd.DataFrame | None,
    steps: Steps,
) -> None:
    from sidewall.plots import plot_comfort, plot_threshold  # noqa: PLC0415

    for outcome, model in models.items():
        steps.next(f"pictures by {outcome}")
        other = next((other for other in models.values() if other is not model), None)
        more: Any = look | {"beside": other, "truth": truth}
        thresholds = partial(plot_threshold, model, profile.player, **more)
        profile.picture(f"threshold-by-{outcome}", thresholds)
        comfort = partial(plot_comfort, model, profile.player, **look)
        profile.picture(f"comfort-by-{outcome}", comfort)


def _checks(
    profile: Profile, checks: Mapping[str, Callable[[], Diagnostics]], steps: Steps
) -> None:
    """Held-out checks, where there are matches enough to hold some out."""
    from sidewall.plots import plot_calibration  # noqa: PLC0415

    found: dict[str, Diagnostics] = {}
    for outcome, check in checks.items():
        steps.next(f"checks by {outcome}")
        try:
            found[outcome] = check()
        except DataError as error:
            profile.missing.append(f"held-out checks by {outcome}: {error}")
    for outcome, one in found.items():
        profile.picture(f"calibration-by-{outcome}", partial(plot_calibration, one))
    if found:
        for name, tables in (
            ("held-out-checks", {o: one.held_out.reset_index() for o, one in found.items()}),
            ("calibration", {o: one.calibration for o, one in found.items()}),
        ):
            profile.table(name, readable(by_outcome(tables), "cm", None))
