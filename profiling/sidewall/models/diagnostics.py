"""Is the tightness model to be believed? Checks on matches it has not seen."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
from scipy.special import logit

from sidewall.arguments import Array, Floats, Ints, kept_rows
from sidewall.errors import DataError
from sidewall.features.coded import positions
from sidewall.features.parts import one_table
from sidewall.features.rates import clustered_rate
from sidewall.log.vocabulary import CHOICES, STROKES
from sidewall.models.curves import side_and_volley
from sidewall.models.draws import one_thread
from sidewall.waiting import waiting

if TYPE_CHECKING:
    from sidewall.models.tightness import TightnessModel


_DRAWS: Final = 100
_LEAST_SLOPE: Final = 0.8


@dataclass(frozen=True)
class Diagnostics:
    """Held-out checks of a tightness model.

    Attributes
    ----------
    held_out : DataFrame
        Log loss of the model and of others on matches that they had not seen: "constant"
        (one chance for every shot of a choice), "no player" (the club's curves for
        everybody), "no gap" (all but the gap, by ridge logistic regression) and "gradient
        boosting" (the same columns, trees: how much the log holds beyond the model).
        ``log_loss``, ``se``, and ``worse_by`` with ``worse_by_se`` against the model,
        clustered by rally.
    slope : float
        Of the results on the predicted log odds: 1 where predictions are as bold as they
        should be, below 1 where they are too bold; ``slope_se`` is clustered by match.
    calibration : DataFrame
        Shots in bins of predicted chance: ``predicted``, ``observed`` with
        ``observed_low`` and ``observed_high``, ``n_shots``, ``n_rallies``.
    brier : Series
        ``score`` and its parts: ``reliability`` (0 is best), ``resolution`` (more is
        better), ``uncertainty``, and the within-bin remainder.
    notes : list of str
        Warnings in words; empty where there is none.
    n_shots, n_rallies, n_matches : int
    """

    held_out: pd.DataFrame
    slope: float
    slope_se: float
    calibration: pd.DataFrame
    brier: pd.Series
    notes: list[str]
    n_shots: int
    n_rallies: int
    n_matches: int


def diagnose(model: TightnessModel, folds: int) -> Diagnostics:
    """Predict every match from the others, in `folds` parts, and compare with what happened.

    A DataError when the log holds a single match, so that nothing can be held out.
    """
    used = model.used_[model.used_["won"].notna()].reset_index(drop=True)
    match = used["match"].astype(str).to_numpy()
    if len(np.unique(match)) < 2:
        raise DataError("nothing can be held out of a single match; chart one more")
    won, rally = used["won"].to_numpy(dtype=float), used["rally_id"].to_numpy()
    predictions = _held_out(model, used, match, min(folds, len(np.unique(match))))
    losses = {
        name: -(won * np.log(p) + (1.0 - won) * np.log1p(-p)) for name, p in predictions.items()
    }
    rows = [
        (*clustered_mean(loss, rally), *clustered_mean(loss - losses["model"], rally))
        for loss in losses.values()
    ]
    held_out = pd.DataFrame(
        rows,
        index=pd.Index(list(losses), name="predictor"),
        columns=["log_loss", "se", "worse_by", "worse_by_se"],
    )
    win = predictions["model"]
    slope, slope_se = calibration_slope(won, win, match)
    return Diagnostics(
        held_out,
        slope,
        slope_se,
        calibration_table(won, win, rally),
        brier_parts(won, win),
        _notes(held_out, slope, slope_se),
        len(used),
        len(np.unique(rally)),
        len(np.unique(match)),
    )


def _held_out(
    model: TightnessModel, used: pd.DataFrame, match: Array, folds: int
) -> dict[str, Floats]:
    """Chances of winning of every shot by fits that had not seen its match."""
    from sklearn.ensemble import HistGradientBoostingClassifier  # noqa: PLC0415
    from sklearn.linear_model import LogisticRegression  # noqa: PLC0415
    from sklearn.model_selection import GroupKFold  # noqa: PLC0415

    table = one_table(model.parts, "a held-out check")
    whole = table["match"].astype(str).to_numpy()
    keep = None if model.keep is None else kept_rows(table, model.keep)
    won = used["won"].to_numpy(dtype=float)
    names = ("model", "constant", "no player", "no gap", "gradient boosting")
    found = {name: np.empty(len(used)) for name in names}
    attack = (used["choice"] == "attack").to_numpy()
    split = [*GroupKFold(folds).split(used, groups=match)]
    for train, test in waiting(split, "holding matches out", "part"):
        some = used.iloc[test]
        seen = np.isin(whole, np.unique(match[train]))
        again = model.again(table[seen], keep if keep is None else keep[seen], _DRAWS)
        found["model"][test] = again.posterior_.mean_of(some)
        stranger = some.assign(player="nobody", opponent="nobody either")
        found["no player"][test] = again.posterior_.mean_of(stranger)
        for choice in (True, False):
            rate = won[train][attack[train] == choice].mean()
            found["constant"][test[attack[test] == choice]] = rate
        lead = again.strengths_.difference(used)
        columns = _columns(used, model, lead)
        plain = columns.drop(columns=["gap_m"]).fillna(-1).astype(str)
        hot = pd.get_dummies(plain.drop(columns=["lead"])).assign(lead=lead).to_numpy(dtype=float)
        fit = LogisticRegression(C=1.0, max_iter=500).fit(hot[train], won[train])
        found["no gap"][test] = fit.predict_proba(hot[test])[:, 1]
        boosted = HistGradientBoostingClassifier(
            max_iter=80, learning_rate=0.05, max_leaf_nodes=12, min_samples_leaf=60, random_state=0
        )
        with one_thread():
            boosted.fit(columns.iloc[train], won[train])
        found["gradient boosting"][test] = boosted.predict_proba(columns.iloc[test])[:, 1]
    return {name: np.clip(p, 1e-4, 1.0 - 1e-4) for name, p in found.items()}


def _columns(used: pd.DataFrame, model: TightnessModel, lead: Floats) -> pd.DataFrame:
    side, volley = side_and_volley(used)
    columns: dict[str, Any] = {"gap_m": used["gap_m"], "side": side, "volley": volley}
    for name, words in (("choice", CHOICES), ("stroke", STROKES), *model.situation_.items()):
        columns[name] = positions(used[name], pd.Index(list(words)))
    return pd.DataFrame(columns).assign(lead=lead)


def _notes(held_out: pd.DataFrame, slope: float, slope_se: float) -> list[str]:
    notes = []
    if slope < _LEAST_SLOPE:
        notes.append(
            f"predictions for unseen matches are too bold: results move by {slope:.2f} (standard "
            f"error {slope_se:.2f}) of what they say; take differences between players and "
            "balls as smaller than shown"
        )
    for name in ("constant", "no player"):
        row = held_out.loc[name]
        if row["worse_by"] <= 0:
            words = {"constant": "one chance for all balls", "no player": "the club's curves"}
            notes.append(f"on unseen matches {words[name]} did as well: chart more matches")
    trees = held_out.loc["gradient boosting"]
    if trees["worse_by"] < -2 * trees["worse_by_se"]:
        notes.append(
            "trees on the same columns do better on unseen matches: the log holds something "
            "that the curves miss"
        )
    return notes


def clustered_mean(values: Floats, cluster: Array) -> tuple[float, float]:
    """Mean of values with its standard error, clusters as the independent units."""
    code = np.unique(cluster, return_inverse=True)[1]
    groups = int(code.max(initial=0)) + 1
    sums = np.bincount(code, values - values.mean(), groups)
    error = np.sqrt(groups / max(groups - 1, 1) * float(sums @ sums)) / len(values)
    return float(values.mean()), float(error)


def calibration_slope(won: Floats, win: Floats, match: Array) -> tuple[float, float]:
    """Slope of the results on the predicted log odds, and its error clustered by match.

    Cox 1958, Biometrika 45:562-565; the sandwich is statsmodels'.
    """
    import statsmodels.api as sm  # noqa: PLC0415

    X = np.column_stack([np.ones(len(won)), logit(win)])
    code = np.unique(match, return_inverse=True)[1]
    fit = sm.Logit(won, X).fit(disp=0, cov_type="cluster", cov_kwds={"groups": code})
    return float(fit.params[1]), float(fit.bse[1])


def _bins(win: Floats, bins: int) -> Ints:
    """Number of each prediction's bin, from 0 without empty bins."""
    edges = np.quantile(win, np.linspace(0.0, 1.0, bins + 1)[1:-1])
    return np.unique(np.searchsorted(edges, win, side="right"), return_inverse=True)[1]


def calibration_table(won: Floats, win: Floats, rally: Ints, bins: int = 10) -> pd.DataFrame:
    """Predicted against observed chance of winning in bins of equal size.

    Results, predicted chances and rallies are of shape (n,); intervals allow for the result that
    the shots of a rally share.
    """
    code = _bins(win, bins)
    k = int(code.max()) + 1
    rate = clustered_rate(won, rally, code, k)
    predicted = np.bincount(code, weights=win, minlength=k) / np.bincount(code, minlength=k)
    return pd.DataFrame(
        {
            "predicted": predicted,
            "observed": rate.rate,
            "observed_low": rate.low,
            "observed_high": rate.high,
            "n_shots": rate.n,
            "n_rallies": rate.clusters,
        }
    )


def brier_parts(won: Floats, win: Floats, bins: int = 10) -> pd.Series:
    """Brier score and its parts, ``score = reliability - resolution + uncertainty + within``.

    The parts are those of Murphy 1973, Journal of Applied Meteorology 12:595-600, for
    predictions replaced by their bin's mean; ``within`` is what the binning leaves out
    (Stephenson, Coelho & Jolliffe 2008, Weather and Forecasting 23:752-757).
    """
    code = _bins(win, bins)
    n = np.bincount(code)
    mean_win = np.bincount(code, weights=win) / n
    mean_won = np.bincount(code, weights=won) / n
    base = won.mean()
    share = n / len(won)
    score = float(np.mean((win - won) ** 2))
    reliability = float(share @ (mean_win - mean_won) ** 2)
    resolution = float(share @ (mean_won - base) ** 2)
    uncertainty = float(base * (1.0 - base))
    return pd.Series(
        {
            "score": score,
            "reliability": reliability,
            "resolution": resolution,
            "uncertainty": uncertainty,
            "within": score - reliability + resolution - uncertainty,
        }
    )
