"""What to chart next, and how many matches, so that a threshold is known as closely as asked."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any, Final, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sidewall.arguments import Table, as_frame, check_count, check_length_m, check_level, check_seed
from sidewall.errors import DataError
from sidewall.features.coded import need_columns, struck_by
from sidewall.features.rallies import rally_runs
from sidewall.features.shots import shot_features
from sidewall.models.answers import CROSSES, NOT_KNOWN
from sidewall.models.tightness import TightnessModel
from sidewall.progress.chart_next import next_balls, next_matches
from sidewall.simulate import club_ladder, round_robin, simulate_shots
from sidewall.waiting import waiting

#: Numbers of matches that are tried.
MATCHES: Final = (1, 2, 3, 5, 8)
#: So many of a player's matches tell how they differ.
_LEAST_CHARTED: Final = 3
_RESAMPLES: Final = 500
#: A forecast beyond so many times the matches tried would be a guess.
_FARTHEST: Final = 20


@dataclass(frozen=True)
class Plan:
    """What a number of matches gives.

    Attributes
    ----------
    table : DataFrame
        One row a number of ``n_matches`` of the player: ``n_rallies`` and ``n_shots`` of the player
        (means); ``half_width_m``, the median half width of the threshold's interval over
        all sides, stroke families and simulations, an open one counting as wider than any;
        ``half_width_low_m``, ``half_width_high_m``, between which it lies with the simulation's
        own error (95%); ``known``, the share of thresholds that are known, with
        ``known_error``, its standard error; ``sets``.
    half_width_m : float
        What was asked for.
    matches : float
        About how many matches reach it; infinite where no forecast can be made.
    how : {"simulated", "forecast", "out of reach"}
        Whether `matches` lies within what was tried, or follows from the widest number by
        the square-root law.
    simulations : int
        Of each number of matches.
    source : str
        What the matches are like.
    balls : list of DataFrame
        What to chart next, the most useful first: by side and family, then told apart by
        stroke and by each column of the situation (:func:`next_balls`). Empty without a log,
        or where the log has not enough for a model.
    opponents : DataFrame
        Against whom (:func:`next_matches`); empty likewise.
    """

    table: pd.DataFrame
    half_width_m: float
    matches: float
    how: Literal["simulated", "forecast", "out of reach"]
    simulations: int
    source: str
    balls: list[pd.DataFrame] = field(default_factory=list)
    opponents: pd.DataFrame = field(default_factory=pd.DataFrame)


def plan(
    shots: Table | None = None,
    player: str | None = None,
    *,
    half_width_m: float = 0.15,
    matches: Sequence[int] = MATCHES,
    simulations: int = 4,
    outcome: Literal["value", "rally"] = "value",
    level: float = 0.95,
    seed: int = 0,
) -> Plan:
    """Find out what to chart next, and by simulation how much.

    Parameters
    ----------
    shots : DataFrame, optional
        A ladder's log. The player's further matches are taken to be like those charted:
        matches are drawn from the player's with replacement, and within each the rallies
        again. The other players' matches stay. Without a log, the invented club plays: every
        player as many matches.
    player : str, optional
        Needed with a log.
    half_width_m : float, default 0.15
        Half the width of the interval of a threshold that is wanted, metres.
    matches : sequence of int, default (1, 2, 3, 5, 8)
        Numbers of matches to try.
    simulations : int, default 4
        Of each number of matches.
    outcome : {"value", "rally"}
        What the model judges a shot by.
    level : float, default 0.95
    seed : int, default 0

    Returns
    -------
    Plan

    Raises
    ------
    DataError
        If a number is not above 0, the player is unknown or not named, or every simulated
        log is too small for a model.

    See Also
    --------
    compare_periods

    Notes
    -----
    Estimand: the median over the player's thresholds (sides and stroke families; in the
    invented club over all players too) of half the width of the confidence set, over logs of
    so many matches. Drawing matches again cannot show that further opponents differ more than
    the ones met; with few matches charted it is a first idea. The error of the simulation is
    that of a bootstrap over simulated logs. Between the numbers tried, half width and number
    are taken to be straight on logarithmic scales, beyond them by the square-root law, which
    is a little too hopeful where players borrow much from each other.

    Examples
    --------
    >>> found = sw.plan(shots, "Rowan", matches=[2], simulations=2, outcome="rally")
    >>> found.table["n_matches"].to_list()
    [2]
    """
    shots = None if shots is None else as_frame(shots)
    check_level(level)
    check_seed(seed)
    check_count(simulations, "simulations", 2)  # with one, their error cannot be told
    check_length_m(half_width_m, "half_width_m")
    if isinstance(matches, str) or not isinstance(matches, Sequence) or not matches:
        raise DataError(f"matches is {matches!r}; give numbers of matches, such as (2, 5)")
    sizes = sorted({check_count(k, "matches", 1) for k in matches})
    rng = np.random.default_rng(seed)
    if shots is not None:
        need_columns(shots, ("match", "player"))
    source, logs = _source(shots, player, rng)
    found: list[dict[str, Any]] = []
    tries = [(k, number) for k in sizes for number in range(simulations)]
    for k, number in waiting(tries, "planning", "log"):
        found += _one(logs(k), player, outcome, level, {"n_matches": k, "simulation": number})
    sets = pd.DataFrame(found)
    if not sets["half_width"].notna().any():
        raise DataError(
            "no simulated log has enough for a model; try more matches, or chart more first"
        )
    table = pd.DataFrame([_row(k, sets[sets["n_matches"] == k], rng) for k in sizes])
    reached, how = _needed(table, half_width_m)
    following = ([], pd.DataFrame()) if player is None else _following(shots, player, outcome, seed)
    return Plan(table, half_width_m, reached, how, simulations, source, *following)


def _following(
    shots: pd.DataFrame | None, player: str, outcome: Any, seed: int
) -> tuple[list[pd.DataFrame], pd.DataFrame]:
    """What to chart next, by the log as it is."""
    try:
        model = TightnessModel(outcome=outcome, seed=seed).fit(shot_features(as_frame(shots)))
    except DataError:
        return [], pd.DataFrame()
    if player not in model.players_:
        return [], pd.DataFrame()
    by = ((), *((name,) for name in ("stroke", *model.situation_)))
    return [next_balls(model, player, names) for names in by], next_matches(model, player)


def _source(
    shots: pd.DataFrame | None, player: str | None, rng: np.random.Generator
) -> tuple[str, Callable[[int], pd.DataFrame]]:
    if shots is None:
        if player is not None:
            raise DataError("a player is named but no log is given; give the log too")
        club = club_ladder()

        def play(k: int) -> pd.DataFrame:
            schedule = round_robin(len(club.players), k)
            return simulate_shots(club.players, schedule, rng, club.world)

        return f"the invented club, {len(club.players)} players", play
    names = sorted(shots["player"].astype(str).unique())
    if player is None or player not in names:
        raise DataError(f"no shot is by {player!r}; players of the log: {', '.join(names)}")
    again = _MoreMatches(shots, player)
    said = f"{again.charted} {'match' if again.charted == 1 else 'matches'}"
    source = f"matches like {player}'s {said} of the log"
    if again.charted < _LEAST_CHARTED:
        source += ", too few to tell how matches differ: take all numbers as rough"
    return source, lambda k: again.draw(k, rng)


class _MoreMatches:
    """Draws matches like a player's own, rally by rally."""

    def __init__(self, shots: pd.DataFrame, player: str) -> None:
        match = shots["match"].astype(str)
        own = match.isin(match[struck_by(shots, player)].unique())
        self._others = shots[~own]
        self._own = shots[own].reset_index(drop=True)
        runs = rally_runs(self._own)
        of_rally = self._own["match"].astype(str).to_numpy()[runs.first]
        self._first, self._length = runs.first, runs.length
        self._rallies = [np.flatnonzero(of_rally == name) for name in pd.unique(of_rally)]

    @property
    def charted(self) -> int:
        """Matches of the player in the log."""
        return len(self._rallies)

    def draw(self, k: int, rng: np.random.Generator) -> pd.DataFrame:
        """Others' matches as they are, and k of the player's drawn with replacement."""
        parts = [self._others.assign(match=self._others["match"].astype(str))]
        for number, which in enumerate(rng.integers(0, len(self._rallies), k), start=1):
            drawn = rng.choice(self._rallies[which], len(self._rallies[which]))
            length = self._length[drawn]
            begin = np.repeat(self._first[drawn] - (np.cumsum(length) - length), length)
            rows: NDArray[np.int64] = begin + np.arange(length.sum())
            rally = np.repeat(np.arange(len(drawn)) + 1, length)
            # a name that no charted match can have: names are one line
            name = f"drawn\n{number}"
            parts.append(self._own.iloc[rows].assign(match=name, game=1, rally=rally))
        table = pd.concat(parts, ignore_index=True)
        return table.assign(match=pd.Categorical(table["match"], table["match"].unique()))


def _one(
    shots: pd.DataFrame, player: str | None, outcome: Any, level: float, about: dict[str, Any]
) -> Iterator[dict[str, Any]]:
    """Half widths of every threshold that counts; missing where there is no model."""
    table = shots_of = shot_features(shots)
    if player is not None:
        shots_of = table[struck_by(table, player)]
    players = len(shots_of["player"].astype(str).unique())
    rallies = shots_of.groupby(shots_of["player"].astype(str))["rally_id"].nunique().mean()
    about = about | {"n_rallies": rallies, "n_shots": len(shots_of) / players}
    try:
        model = TightnessModel(outcome=outcome, draws=300).fit(table)
    except DataError:
        yield about | {"half_width": np.nan, "known": False}
        return
    answers = model.thresholds(level)
    if player is not None:
        answers = answers[answers["player"] == player]
    for status, low, high in zip(
        answers["status"], answers["threshold_low_m"], answers["threshold_high_m"], strict=True
    ):
        # one choice at any gap is an answer, but it has no width
        width = {CROSSES: (high - low) / 2.0, NOT_KNOWN: np.inf}.get(status, -1.0)
        yield about | {"half_width": width, "known": status != NOT_KNOWN}


def _row(k: int, some: pd.DataFrame, rng: np.random.Generator) -> dict[str, Any]:
    by = [group for _, group in some.groupby("simulation")]
    widths = [g["half_width"].fillna(np.inf).to_numpy() for g in by]
    known = np.array([g["known"].mean() for g in by])
    again = rng.integers(0, len(by), (_RESAMPLES, len(by)))
    medians = np.array([_median(np.concatenate([widths[i] for i in draw])) for draw in again])
    low, high = np.quantile(medians, [0.025, 0.975], method="nearest")
    return {
        "n_matches": k,
        "n_rallies": round(float(some["n_rallies"].mean())),
        "n_shots": round(float(some["n_shots"].mean())),
        "half_width_m": _median(np.concatenate(widths)),
        "half_width_low_m": low,
        "half_width_high_m": high,
        "known": float(known.mean()),
        "known_error": float(known.std(ddof=1) / math.sqrt(len(by))),
        "sets": int((some["half_width"] >= 0).sum()),
    }


def _median(widths: NDArray[np.float64]) -> float:
    """The middle one, an open interval being wider than any; those without width left out."""
    kept = np.sort(widths[widths >= 0])
    return float(kept[len(kept) // 2]) if len(kept) else float("inf")


def _needed(
    table: pd.DataFrame, wanted: float
) -> tuple[float, Literal["simulated", "forecast", "out of reach"]]:
    """Fewest matches that reach a half width."""
    points = list(zip(table["n_matches"], table["half_width_m"], strict=True))
    if points[0][1] <= wanted:
        return float(points[0][0]), "simulated"
    for (k0, w0), (k1, w1) in pairwise(points):
        if w1 <= wanted:
            if not np.isfinite(w0):
                return float(k1), "simulated"
            share = (math.log(w0) - math.log(wanted)) / (math.log(w0) - math.log(w1))
            return float(math.ceil(k0 * (k1 / k0) ** share - 1e-9)), "simulated"
    k, width = points[-1]
    if not np.isfinite(width) or (width / wanted) ** 2 > _FARTHEST:
        return float("inf"), "out of reach"
    return float(math.ceil(k * (width / wanted) ** 2)), "forecast"
