"""Logs as people write them: typed with a unit, and charted by a second person, slips and all."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import pandas as pd

from sidewall.arguments import Array, Bools
from sidewall.court import Court
from sidewall.court.units import board_width, parse_unit, to_display
from sidewall.errors import DataError
from sidewall.log.vocabulary import ENDING_WINNER, GAP_CLASS_EDGES_M, GAP_CLASSES, VOCABULARY

_PLACES: Final = ("x_m", "y_m", "bounce_x_m", "bounce_y_m")
#: What a short row leaves blank.
_OF_SHOT: Final = (
    *("side", "stroke", "direction", "contact", "gap_m", "balance", "depth", "lane"),
    *("opponent_place", "bounce", *_PLACES, "wall_z_m", "opponent_x_m", "opponent_y_m", "t_s"),
)
#: A stroke or a no-let may go to either player, so it never contradicts the winner.
_EITHER_WAY: Final = ("stroke", "no_let")

_ORDER: Final = (
    *("match", "game", "rally", "shot", "player", "side", "stroke", "direction", "contact"),
    *("gap_m", "gap_class", "choice", "balance", "rally_won_by", "ending"),
    *("x_m", "y_m", "bounce_x_m", "bounce_y_m", "wall_z_m", "opponent_x_m", "opponent_y_m"),
    *("t_s", "hand", "group", "date", "tin_height_m", "board_width_m", "scoring"),
)
_DETAILS: Final = ("hand", "group", "date", "tin_height_m", "board_width_m", "scoring")
#: Decimals that lose nothing of a whole number of centimetres, or of half boards.
_DECIMALS: Final = {"cm": 1, "m": 3, "in": 2, "boards": 2}


def second_charter(
    shots: pd.DataFrame,
    *,
    miss: float = 0.01,
    miss_rally: float = 0.0,
    confuse: float | Mapping[str, float] = 0.05,
    gap_sd_m: float = 0.05,
    place_sd_m: float = 0.0,
    time_sd_s: float = 0.0,
    seed: int | np.random.Generator = 0,
    court: Court | None = None,
) -> pd.DataFrame:
    """Chart a log's matches again, with errors of one's own.

    Parameters
    ----------
    shots : DataFrame
        A canonical shot table, taken for the truth.
    miss : float, default 0.01
        Chance, at each shot after the serve, of looking away and missing it and the reply (a
        single missed shot would make one player strike twice running).
    miss_rally : float, default 0
        Chance of missing a rally; the later ones of its game are numbered on.
    confuse : float or mapping of str to float, default 0.05
        Chance of writing another word, for every column of words or by column (none where a
        column is not named). Other words are those that the log holds, all equally likely;
        a serve stays one, and an ending stays one that suits who won.
    gap_sd_m : float, default 0.05
        Standard deviation of the error of the gap; below zero it is turned back.
    place_sd_m, time_sd_s : float, default 0
        Standard deviations of the errors of each coordinate of contact and bounce, and of
        times, which never run back.
    seed : int or Generator, default 0
    court : Court, optional
        For how far a ball can be from a wall.

    Returns
    -------
    DataFrame
        A canonical shot table: whole rallies, without contradictions, in whole centimetres.

    Raises
    ------
    DataError
        If a chance or a standard deviation cannot be, or `confuse` names no column of words.

    See Also
    --------
    sidewall.simulate.chart_in_short
    sidewall.simulate.to_log
    sidewall.Agreement

    Examples
    --------
    >>> again = sw.simulate.second_charter(shots, gap_sd_m=0.05, seed=1)
    >>> len(again) < len(shots)
    True
    """
    rates = _rates(confuse, shots)
    chances = {"miss": miss, "miss_rally": miss_rally, **rates}
    spreads = {"gap_sd_m": gap_sd_m, "place_sd_m": place_sd_m, "time_sd_s": time_sd_s}
    wrong = [n for n, p in chances.items() if not 0.0 <= p <= 1.0]
    wrong += [n for n, sd in spreads.items() if not 0.0 <= sd < np.inf]
    if wrong:
        raise DataError(
            f"second_charter: {wrong[0]} is {({**chances, **spreads})[wrong[0]]}; chances lie "
            "between 0 and 1, standard deviations from 0 up."
        )
    rng, court = np.random.default_rng(seed), court or Court()
    # the score follows from the winners that are charted
    scores = ["own_points", "opponent_points", "own_games", "opponent_games"]
    charted = _seen(shots.drop(columns=scores, errors="ignore"), miss, miss_rally, rng)
    for column, rate in rates.items():
        charted[column] = _confused(charted, column, rate, rng)
    charted["gap_m"] = measured(charted["gap_m"], gap_sd_m, court.half_width_m, rng)
    for name in _PLACES:
        if name in charted and place_sd_m > 0:
            limit = court.width_m if name.endswith("x_m") else court.length_m
            charted[name] = measured(charted[name], place_sd_m, limit, rng)
    if "t_s" in charted and time_sd_s > 0:
        noisy = charted["t_s"] + rng.normal(0.0, time_sd_s, len(charted))
        late = noisy.clip(lower=0.0).groupby(charted["match"], observed=True).cummax()
        charted["t_s"] = late.round(2)
    return charted


def chart_in_short(shots: pd.DataFrame, rows: Bools) -> pd.DataFrame:
    """Chart some shots in short: the gap in words and the choice alone; serves stay.

    Parameters
    ----------
    shots : DataFrame
        A canonical shot table.
    rows : ndarray of bool, shape (n,)

    Returns
    -------
    DataFrame
        Whole rallies, with ``gap_class``.

    See Also
    --------
    sidewall.simulate.second_charter

    Examples
    --------
    >>> short = sw.simulate.chart_in_short(shots, np.arange(len(shots)) % 2 == 1)
    >>> short["gap_class"].head(4).to_list()
    [nan, 'loose', nan, 'loose']
    """
    struck = rows & (shots["stroke"] != "serve").to_numpy(dtype=bool)
    gap = shots["gap_m"].to_numpy(dtype=float)
    code = np.where(struck, np.searchsorted(GAP_CLASS_EDGES_M, gap, side="right"), -1)
    words: Any = pd.Categorical.from_codes(code, categories=pd.Index(GAP_CLASSES))
    gone = [name for name in _OF_SHOT if name in shots.columns]
    return shots.assign(gap_class=words, **{name: shots[name].mask(struck) for name in gone})


def _rates(confuse: float | Mapping[str, float], shots: pd.DataFrame) -> dict[str, float]:
    columns = [column for column in VOCABULARY if column in shots]
    if not isinstance(confuse, Mapping):
        return dict.fromkeys(columns, float(confuse))
    strange = [column for column in confuse if column not in columns]
    if strange:
        raise DataError(
            f"confuse: {strange[0]!r} is no column of words of this log; these are: "
            f"{', '.join(columns)}."
        )
    return {column: float(confuse[column]) for column in columns if column in confuse}


def _seen(
    shots: pd.DataFrame, miss: float, miss_rally: float, rng: np.random.Generator
) -> pd.DataFrame:
    """Rows that the charter saw, numbered anew; a rally keeps its ending and its winner."""
    rally = shots.groupby(["match", "game", "rally"], sort=False, observed=True).ngroup()
    of_shot = rally.to_numpy()
    n = len(shots)
    looks_away = rng.random(n) < miss
    looks_away[:-1] &= of_shot[:-1] == of_shot[1:]
    looks_away[-1:] = False
    looks_away &= (shots["stroke"] != "serve").to_numpy()
    # of looks that follow one another every other one counts: two shots are missed each time
    at = np.arange(n)
    run_start = np.maximum.accumulate(np.where(~looks_away, at, -1)) + 1
    starts = looks_away & ((at - run_start) % 2 == 0)
    gone = starts.copy()
    gone[1:] |= starts[:-1]
    keep = ~gone & (rng.random(int(of_shot.max(initial=-1)) + 1) >= miss_rally)[of_shot]
    seen = shots[keep].reset_index(drop=True)
    whole = of_shot[keep]
    ends = np.flatnonzero(shots["shot"].to_numpy() == np.bincount(of_shot)[of_shot])
    last = np.ones(len(seen), dtype=bool)
    last[:-1] = whole[1:] != whole[:-1]
    for column in ("ending", "rally_won_by"):
        if column in shots:
            words = pd.Categorical(shots[column])
            codes = np.where(last, words.codes[ends[whole]], -1)
            seen[column] = pd.Categorical.from_codes(codes, dtype=words.dtype)
    seen["shot"] = seen.groupby(whole).cumcount().to_numpy(dtype=np.int64) + 1
    begins = (seen["shot"] == 1).astype(np.int64)
    number = begins.groupby([seen["match"], seen["game"]], observed=True).cumsum()
    seen["rally"] = number.to_numpy(dtype=np.int64)
    if "line" in seen:
        seen["line"] = np.arange(len(seen), dtype=np.int64) + 2
    return seen


def _confused(charted: pd.DataFrame, column: str, rate: float, rng: np.random.Generator) -> Any:
    values = pd.Categorical(charted[column], categories=list(VOCABULARY[column]))
    codes = values.codes.astype(np.int64)
    met = np.unique(codes[codes >= 0])
    allowed = np.zeros((len(codes), len(VOCABULARY[column])), dtype=bool)
    allowed[:, met] = True
    slips = (rng.random(len(codes)) < rate) & (codes >= 0)
    if column == "stroke":
        allowed[:, VOCABULARY["stroke"].index("serve")] = False
        slips &= (charted["stroke"] != "serve").to_numpy()
    if column == "ending":
        won = (charted["rally_won_by"].astype(str) == charted["player"].astype(str)).to_numpy()
        for k, word in enumerate(VOCABULARY["ending"]):
            suits = (won == (ENDING_WINNER.get(word, 0) > 0)) | (word in _EITHER_WAY)
            allowed[:, k] &= suits & (word != "let")
        slips &= (charted["ending"] != "let").to_numpy()
    allowed[np.arange(len(codes)), codes] = False
    drawn = np.where(allowed, rng.random(allowed.shape), -1.0)
    slips &= allowed.any(axis=1)
    written: Any = np.where(slips, drawn.argmax(axis=1), codes)
    return pd.Categorical.from_codes(written, dtype=values.dtype)


def measured(true: Any, sd: float, limit: float, rng: np.random.Generator) -> Array:
    """Add an error, turned back at 0 and at the limit, to whole centimetres."""
    true = np.asarray(true, dtype=float)
    value = np.abs(true + rng.normal(0.0, sd, len(true)))
    value = np.where(value > limit, np.maximum(2 * limit - value, 0.0), value)
    return np.round(value, 2) if sd > 0 else true


def to_log(
    shots: pd.DataFrame,
    unit: str = "cm",
    *,
    board_width_m: float | None = None,
    details: bool = True,
) -> pd.DataFrame:
    """Turn a canonical shot table into a log as a charter types it.

    Parameters
    ----------
    shots : DataFrame
    unit : {"cm", "in", "m", "boards"}
        Of the gap; it goes into the column's name.
    board_width_m : float, optional
        Needed for boards if `shots` has no column ``board_width_m``; the width is written
        into the column ``board_width_cm``.
    details : bool, default True
        Whether details of player and match (hand, date and so on) are kept.

    Returns
    -------
    DataFrame
        The columns of a shot log; what is not known is missing. With gaps in cm or m,
        :func:`sidewall.read_shots` gives `shots` back.

    Raises
    ------
    UnitError
        If the unit is unknown, or boards are asked for without their width.

    See Also
    --------
    sidewall.simulate.simulate_shots
    sidewall.read_shots

    Examples
    --------
    >>> log = sw.simulate.to_log(shots)
    >>> log[["match", "rally", "player", "stroke", "gap_cm"]].head(2)
      match  rally player stroke  gap_cm
    0   m01      1  Cedar  serve     NaN
    1   m01      1  Rowan   kill    99.0
    """
    known, width = parse_unit(unit), None
    if known == "boards":
        given = shots.get("board_width_m", pd.Series([np.nan])).to_numpy(dtype=float)
        use_given = board_width_m is None and not np.isnan(given).any()
        width = given if use_given else np.full(len(shots), board_width(board_width_m))
    columns: dict[str, Any] = {}
    for name in _ORDER:
        if name not in shots or (name in _DETAILS and not details):
            continue
        values = shots[name]
        if name == "gap_m":
            gap = values / width if width is not None else to_display(values, known)
            columns[f"gap_{known}"] = gap.round(_DECIMALS[known])
        elif name == "t_s":
            columns["t"] = values
        elif name == "board_width_m" and known == "boards":
            continue
        elif isinstance(values.dtype, pd.CategoricalDtype):
            columns[name] = values.astype(object).where(values.notna(), None)
        else:
            columns[name] = values
    if width is not None:
        columns["board_width_cm"] = np.round(100 * width, 2)
    return pd.DataFrame(columns)
