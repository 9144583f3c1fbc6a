"""What to chart next: the balls, and the matches, that would bring the rule closer to the truth.

The value of information (Raiffa & Schlaifer 1961, Applied Statistical Decision Theory): a rule
costs something because the gain of attacking is not known. With more balls charted it would be
known better, and the rule would cost less; how much less is expected today is what charting
them is worth.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import pandas as pd

from sidewall.arguments import Floats, check_count, check_fitted, check_player
from sidewall.features.coded import struck_by
from sidewall.models.answers import asked
from sidewall.models.counted import cell_of
from sidewall.models.tightness import TightnessModel

#: The player's mean match stands for so many matches against an opponent.
_MEAN_MATCHES: Final = 1.0


def information_value(
    gain: Floats, gaps_m: Floats, met_m: Floats, charted: float, further: float
) -> Floats:
    """What more charting may save: rallies a ball, one number for every draw, (draws,).

    With more of what was charted, balls or matches, the posterior variance of the gains,
    (draws, gaps), shrinks by ``charted / (charted + further)``; the mean that will then be known is
    spread about today's by the rest. Each draw is such a mean: choosing by it, gap by gap, for the
    balls of `met_m`, gains this much over choosing as today. Their mean is the expected value of
    the information, their quantiles say how much may come.
    """
    mean = gain.mean(axis=0)
    known = float(np.sqrt(further / (charted + further)))
    later = mean + known * (gain - mean)
    saves = later * (np.asarray(later > 0, dtype=float) - (mean > 0))
    left = np.clip(np.searchsorted(gaps_m, met_m, side="right") - 1, 0, len(gaps_m) - 2)
    step = (np.clip(met_m, gaps_m[0], gaps_m[-1]) - gaps_m[left]) / np.diff(gaps_m)[left]
    weights = np.bincount(left, 1 - step, len(gaps_m)) + np.bincount(left + 1, step, len(gaps_m))
    return np.asarray(saves @ weights / max(len(met_m), 1))


def _with_ends(name: str, saves: Floats) -> dict[str, float]:
    """Mean of the draws and the ends of their middle 95 in 100."""
    low, high = np.quantile(saves, [0.025, 0.975])
    return {name: float(saves.mean()), f"{name}_low": float(low), f"{name}_high": float(high)}


def next_balls(
    model: TightnessModel, player: str, by: str | Sequence[str] = (), matches: int = 1
) -> pd.DataFrame:
    """Which balls of a player to chart next, the most useful first.

    Estimand: by how much further matches like those charted would be expected to lower what
    the rule for such balls costs.

    Parameters
    ----------
    model : TightnessModel
        A fitted model.
    player : str
    by : str or sequence of str, default ()
        As in :meth:`TightnessModel.thresholds`: ``"stroke"`` or columns of the situation.
    matches : int, default 1
        Further matches.

    Returns
    -------
    DataFrame
        By side, family and `by`: ``saves``, rallies in 100 such balls; ``saves_per_game``,
        points a game; each with ``_low`` and ``_high``, between which 95 in 100 of what may
        come lie; ``n_attack``, ``n_reset`` so far, of ``n_matches``.

    Raises
    ------
    DataError
        For an unknown player, or a `by` that the model does not tell apart.
    """
    check_count(matches, "matches", 1)
    i, posterior, rows = _position(model, player), model.posterior_, []
    charted, games = (max(int(n[i]), 1) for n in (model.matches_, model.games_))
    for j, (side, family) in enumerate(model.cells_):
        met, gaps = posterior.gaps_met(i, j), posterior.grids[j]
        for ask in asked(posterior, model.told_apart(by)):
            mine, _ = posterior.mix.enough(i, j, ask.where, ask.stroke)
            gain = posterior.gain(i, j, gaps, ask.where, ask.stroke)
            if np.isnan(gain).any() or not len(met):
                continue
            saves = information_value(gain, gaps, met, charted, matches)
            row: dict[str, Any] = {"side": side, "family": family, **ask.told}
            row |= _with_ends("saves", 100 * saves)
            row |= _with_ends("saves_per_game", saves * sum(mine) / games)
            rows.append(row | {"n_attack": mine[0], "n_reset": mine[1], "n_matches": charted})
    ends = [name + end for name in ("saves", "saves_per_game") for end in ("", "_low", "_high")]
    columns = ["side", "family", *model.told_apart(by), *ends, "n_attack", "n_reset", "n_matches"]
    table = pd.DataFrame(rows, columns=columns)
    return table.sort_values("saves_per_game", ascending=False, ignore_index=True)


def next_matches(model: TightnessModel, player: str) -> pd.DataFrame:
    """Against whom to chart next, the most useful opponent first.

    Opponents differ in the balls that they leave: one hits tight length, another lets the
    player volley. Estimand: by how much one more match against each would be expected to lower
    what the player's rules cost.

    Parameters
    ----------
    model : TightnessModel
        Fitted to a table.
    player : str

    Returns
    -------
    DataFrame
        ``opponent``; ``saves_per_game``, points a game, with ``_low`` and ``_high`` as above;
        ``side`` and ``family``, the balls that bring most of it, with ``balls``, how many such
        a match is expected to bring (the opponent's own matches, drawn toward the player's mean
        match, which counts as one);
        ``n_matches``, ``n_shots`` charted against the opponent.
    """
    i, posterior, cells = _position(model, player), model.posterior_, len(model.cells_)
    own = model.used_[struck_by(model.used_, player)]
    cell = cell_of(own["side"], own["family"], model.families_)
    opponents, code = np.unique(own["opponent"].astype(str), return_inverse=True)
    balls = np.zeros((len(opponents), cells))
    np.add.at(balls, (code, cell), 1.0)
    pairs = own.assign(code=code)[["code", "match"]].drop_duplicates()
    matches = np.bincount(pairs["code"], minlength=len(opponents))
    games = max(int(model.games_[i]), 1)
    mean = balls.sum(axis=0) / matches.sum()
    expected = (balls + _MEAN_MATCHES * mean) / (matches + _MEAN_MATCHES)[:, None]
    saves = np.zeros((len(opponents), cells, model.draws))
    for j in range(cells):
        met, gaps = posterior.gaps_met(i, j), posterior.grids[j]
        gain = posterior.gain(i, j, gaps)
        if not len(met) or np.isnan(gain).any():
            continue
        for k, more in enumerate(expected[:, j]):
            a_ball = information_value(gain, gaps, met, len(met), more)
            saves[k, j] = a_ball * len(met) / games
    most = saves.mean(axis=2).argmax(axis=1)
    a_game = pd.DataFrame([_with_ends("saves_per_game", one) for one in saves.sum(axis=1)])
    table = pd.DataFrame(
        {
            "opponent": opponents,
            **a_game,
            "side": [model.cells_[j][0] for j in most],
            "family": [model.cells_[j][1] for j in most],
            "balls": expected[np.arange(len(most)), most],
            "n_matches": matches,
            "n_shots": balls.sum(axis=1).astype(int),
        }
    )
    return table.sort_values("saves_per_game", ascending=False, ignore_index=True)


def _position(model: TightnessModel, player: str) -> int:
    check_fitted(model)
    return model.players_.index(check_player(player, model.players_))
