"""Repeat the last reply to a situation, or vary it: which wins more, and after how many?"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit

from sidewall.arguments import Table, as_frame, check_count, check_level, check_scale, check_seed
from sidewall.combinations.repeat_rows import CONTRAST, RepeatRows, repeat_rows
from sidewall.errors import DataError, NotFittedError
from sidewall.features.clustered import clustered_rate
from sidewall.models.components import ComponentAverage
from sidewall.models.pooled_logit import PooledLogit
from sidewall.models.prediction import PredictionError
from sidewall.models.thresholds import (
    ALWAYS_ATTACK,
    ALWAYS_RESET,
    CROSSES,
    NOT_KNOWN,
    quantile,
    threshold,
)
from sidewall.models.transforms import GapTransform

Array = NDArray[Any]

#: Own repeats and own variations that an answer about a player takes.
LEAST_OWN: Final = 5

_SD_SHAPE: Final = 2.0
_DRAWS: Final = 1000
_STATUS: Final = {
    CROSSES: "vary from here on",
    ALWAYS_ATTACK: "vary after any number",
    ALWAYS_RESET: "repeat after any number",
    NOT_KNOWN: NOT_KNOWN,
}
#: The number of repeats enters as it is, counted from the first.
_STRAIGHT: Final = GapTransform("linear", np.zeros(1))


class RepeatOrVary:
    """Chance of winning the rally when the reply is repeated, and when it is varied.

    A situation is the hitter's side, ground stroke or volley, and the stroke that came in,
    within a match. When it comes up again, the hitter plays the same stroke and direction as
    the last time, or another. Before that, the latest replies were one and the same so many
    times; see ``same_reply_run`` and ``repeats_reply`` of `sidewall.shot_features`.

    The log odds of winning are linear in the number of repeats just before, with slopes of
    their own for repeating and varying, pooled over players like the tightness model, and
    adjusted for the situation and the gap of the ball. Where the two lines cross, varying
    starts to be better; the confidence set is Fieller's, by the code of the loose threshold.

    Parameters
    ----------
    most : int, default 6
        Longer runs count as this many; the answer speaks of 1 to so many repeats.
    prior_scale : float, default 0.2
        How far players may differ; see `sidewall.TightnessModel`.
    seed : int, default 0

    Attributes
    ----------
    counts_ : DataFrame
        A row a number of repeats just before (the last is "so many or more") and kind of
        reply: ``repeats``, ``reply`` (repeated, varied), ``n``, ``rallies``, ``win_rate``,
        ``low``, ``high``, not adjusted for anything.
    fit_ : PooledLogit
    players_ : list of str
    used_ : DataFrame
        The shots behind the fit.
    """

    def __init__(self, most: int = 6, prior_scale: float = 0.2, seed: int = 0) -> None:
        check_scale(prior_scale)
        check_seed(seed)
        check_count(most, "most", 2)
        self.most = most
        self.prior_scale = prior_scale
        self.seed = seed

    def fit(self, shots: Table) -> RepeatOrVary:
        """Fit all players of a log together.

        Raises
        ------
        DataError
            If there are too few shots that repeat, or vary, the reply before.
        """
        shots = as_frame(shots)
        if self.most < 2:
            raise DataError(f"most is {self.most}; a line takes at least 2 numbers of repeats.")
        rows = repeat_rows(shots, self.most)
        self.used_ = rows.used
        self._rows = rows
        y = rows.used["won"].to_numpy(dtype=np.float64)
        player = rows.used["player"].astype(str)
        match = rows.used["match"].astype(str)
        self.fit_ = PooledLogit(sd_shape=_SD_SHAPE).fit(y, rows.X, rows.Z, player, subgroups=match)
        self.players_ = [str(name) for name in self.fit_.groups_]
        subgroup = self.fit_.subgroup_effects_.index.get_indexer(
            pd.MultiIndex.from_arrays([player, match])
        )
        self._error = PredictionError(
            self.fit_,
            rows.X.to_numpy(),
            rows.Z.to_numpy(),
            y,
            self.fit_.groups_.get_indexer(pd.Index(player)),
            subgroup,
            rows.used["rally_id"].to_numpy(),
            np.ones(len(y)),
        )
        rng = np.random.default_rng(self.seed)
        self._average = ComponentAverage(self.fit_, _DRAWS, self.prior_scale, rng)
        self.counts_ = self._counts(rows)
        return self

    def _counts(self, rows: RepeatRows, level: float = 0.95) -> pd.DataFrame:
        used = rows.used
        code = 2 * (used["repeats"].to_numpy() - 1) + (1 - used["repeated"].to_numpy())
        size = 2 * self.most
        rate = clustered_rate(
            used["won"].to_numpy(dtype=np.float64),
            used["rally_id"].to_numpy(dtype=np.int64),
            code.astype(np.int64),
            size,
            level,
        )
        return pd.DataFrame(
            {
                "repeats": np.arange(size) // 2 + 1,
                "reply": ["repeated", "varied"] * self.most,
                "n": rate.n,
                "rallies": rate.clusters,
                "win_rate": rate.rate,
                "low": rate.low,
                "high": rate.high,
            }
        )

    def _contrasts(self, lines: Array) -> tuple[Array, Array]:
        """Values and covariances of rows in the lines' columns, an average player last."""
        if not hasattr(self, "fit_"):
            raise NotFittedError("call RepeatOrVary().fit(shots) first")
        fixed, own = self._rows.contrasts(lines)
        mean, covariance = self._average.contrasts(fixed, own)
        covariance = self._error.covariance(covariance, fixed, own)[0]
        middle, spread = self._average.contrasts(fixed, np.zeros_like(own))
        spread = self._error.covariance(spread, fixed, np.zeros_like(own))[0]
        return np.vstack([mean, middle[:1]]), np.concatenate([covariance, spread[:1]])

    def answers(self, level: float = 0.95) -> pd.DataFrame:
        """From how many repeats on varying is better, by player and on average.

        Returns
        -------
        DataFrame
            ``player`` (missing for the average player, first), ``status`` (vary from here
            on, vary after any number, repeat after any number, not known yet), ``repeats``
            (where the two are even; varying is better beyond), ``low`` and ``high`` of the
            Fieller set within 1 to `most` (when not known yet, one end may be: below `low`
            repeating is better, above `high` varying is), ``n_repeated`` and ``n_varied``.
        """
        check_level(level)
        values, covariances = self._contrasts(CONTRAST)
        z = quantile(level)
        groups = self.used_.groupby(self.used_["player"].astype(str))["repeated"]
        n = groups.agg(["sum", "size"]).reindex(self.players_)
        repeated = [*n["sum"].astype(int), int(n["sum"].sum())]
        varied = [*(n["size"] - n["sum"]).astype(int), int((n["size"] - n["sum"]).sum())]
        rows = []
        names: list[str | None] = [*self.players_, None]
        for k, name in enumerate(names):
            found = threshold(_STRAIGHT, values[k], covariances[k], float(self.most - 1), z)
            enough = min(repeated[k], varied[k]) >= LEAST_OWN
            status = found.status if enough else NOT_KNOWN
            ends = (found.gap_m, found.low_m, found.high_m) if enough else (np.nan,) * 3
            # the line counts from the first repeat
            rows.append((name, _STATUS[status], *(1.0 + end for end in ends)))
        table = pd.DataFrame(rows, columns=["player", "status", "repeats", "low", "high"])
        table = table.assign(n_repeated=repeated, n_varied=varied)
        return pd.concat([table.iloc[-1:], table.iloc[:-1]], ignore_index=True)

    def curves(self, level: float = 0.95) -> pd.DataFrame:
        """Chance of winning by number of repeats just before, in the usual situation.

        Returns
        -------
        DataFrame
            ``player`` (missing for the average player, first), ``repeats`` (1 to `most`),
            ``reply`` (repeated, varied), ``win``, ``low``, ``high``.
        """
        check_level(level)
        cells = [(k, kind) for k in range(self.most) for kind in (0.5, -0.5)]
        rows = np.array([[1.0, kind, k, kind * k] for k, kind in cells])
        values, covariances = self._contrasts(rows)
        reach = quantile(level) * np.sqrt(np.einsum("gkk->gk", covariances))
        parts = []
        names: list[str | None] = [*self.players_, None]
        for at in (len(names) - 1, *range(len(names) - 1)):
            parts.append(
                pd.DataFrame(
                    {
                        "player": pd.Series([names[at]] * len(cells), dtype=object),
                        "repeats": [k + 1 for k, _ in cells],
                        "reply": ["repeated" if kind > 0 else "varied" for _, kind in cells],
                        "win": expit(values[at]),
                        "low": expit(values[at] - reach[at]),
                        "high": expit(values[at] + reach[at]),
                    }
                )
            )
        return pd.concat(parts, ignore_index=True)
