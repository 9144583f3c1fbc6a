"""Do two charters of the same matches agree: words, lengths, and shots seen at all."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Final

import numpy as np
import pandas as pd

from sidewall.agreement.align import AGREED, MEASURES, MISSED_BY_FIRST, MISSED_BY_SECOND, align
from sidewall.agreement.coefficients import (
    FORMS,
    clustered_intraclass,
    clustered_kappa,
    clustered_limits,
    cohen_kappa,
)
from sidewall.arguments import Array, Table, as_frame, check_count, check_level, check_seed
from sidewall.estimator import Estimator
from sidewall.features.rates import clustered_rate
from sidewall.log.vocabulary import VOCABULARY
from sidewall.models.answers import NOT_KNOWN
from sidewall.numbers import signed
from sidewall.rallies.intervals import rally_weights

#: What the columns of lengths are called.
length_words: Final = {
    "gap_m": "gap",
    "x_m": "contact, across",
    "y_m": "contact, depth",
    "bounce_x_m": "bounce, across",
    "bounce_y_m": "bounce, depth",
}


def summary_lines(agreement: Agreement) -> Iterator[str]:
    """Lines of :meth:`Agreement.summary`; every number with its interval and n."""
    yield f"Two charters, {agreement.level:.0%} intervals that allow for rallies."
    for row in agreement.found_.to_dict("records"):
        share, low, high = (100 * row[f"share{end}"] for end in ("", "_low", "_high"))
        yield (
            f"{str(row['what']).capitalize()}: {share:.1f} in 100 ({low:.1f} to {high:.1f}), "
            f"n = {row['n_compared']:,}."
        )
    for row in agreement.words_.to_dict("records"):
        yield _word_line(row)
    for row in agreement.limits_.to_dict("records"):
        yield _length_line(row, agreement)
    error = agreement.gap_error_
    if error.notna().all():
        sd, low, high = (100 * float(error[key]) for key in ("sd_m", "sd_low_m", "sd_high_m"))
        yield (
            f"Error of one charted gap, if both err alike: standard deviation {sd:.1f} cm "
            f"({low:.1f} to {high:.1f})."
        )


def _size(row: dict[Any, Any], what: str) -> str:
    rallies = row["n_rallies"]
    return f"n = {row['n_shots']:,} {what} in {rallies:,} {'rally' if rallies == 1 else 'rallies'}"


def _word_line(row: dict[Any, Any]) -> str:
    size, name = _size(row, "pairs"), str(row["column"]).replace("_", " ").capitalize()
    if row["status"] == NOT_KNOWN:
        return f"{name}: {NOT_KNOWN}, {size}."
    kappa = f"kappa {row['kappa']:.2f} ({row['kappa_low']:.2f} to {row['kappa_high']:.2f})"
    same = f"the same word {100 * row['agreed']:.0f} times in 100"
    return f"{name}: {kappa}, {same}, {size}."


def _length_line(row: dict[Any, Any], agreement: Agreement) -> str:
    name, size = length_words[row["column"]].capitalize(), _size(row, "balls")
    if row["status"] == NOT_KNOWN:
        return f"{name}: {NOT_KNOWN}, {size}."
    cm = {key: 100 * row[f"{key}_m"] for key in ("bias", "bias_low", "bias_high", "lower", "upper")}
    table = agreement.intraclass_
    icc = table[(table["column"] == row["column"]) & (table["form"] == "ICC(2,1)")].iloc[0]
    return (
        f"{name}: first less second {signed(cm['bias'])} cm ({signed(cm['bias_low'])} to "
        f"{signed(cm['bias_high'])}), {agreement.level:.0%} of differences between "
        f"{signed(cm['lower'])} and {signed(cm['upper'])} cm, ICC(2,1) {icc['icc']:.3f} "
        f"({icc['icc_low']:.3f} to {icc['icc_high']:.3f}), {size}."
    )


#: Fewer pairs, or pairs from fewer rallies, say nothing that could be relied on.
LEAST_PAIRS: Final = 20
LEAST_RALLIES: Final = 10
KNOWN: Final = "known"


class Agreement(Estimator):
    """How far two charters of the same matches agree.

    Parameters
    ----------
    level : float, default 0.95
        Confidence level of the intervals.
    draws : int, default 2000
        Of the rally bootstrap behind them.
    seed : int or Generator, default 0

    Attributes
    ----------
    aligned_ : DataFrame
        Both logs side by side; see :func:`~sidewall.agreement.align`.
    found_ : DataFrame
        Shares of shots, and of rallies, that were found: ``what``, ``share`` with
        ``share_low`` and ``share_high``, ``n_compared`` (shots or rallies), ``n_rallies``.
        Wilson's interval, on the number of independent shots that would carry what the rallies
        carry.
    words_ : DataFrame
        A row a column of words: ``column``, ``status`` (known, not known yet), ``kappa``
        with ``kappa_low`` and ``kappa_high`` by rally bootstrap, ``se`` by the same,
        ``se_textbook`` as if shots were independent; ``agreed``, the raw share, with
        ``agreed_low`` and ``agreed_high``; ``n_shots``, pairs in which both wrote a word,
        ``n_rallies``, ``blank`` (pairs that one of the two left blank). Serves are left out.
        An ending counts once a rally that both have, whichever shot each took for the last.
    tables_ : dict of str to DataFrame
        For each of them, how often each word of the first (rows) met each of the second.
    limits_ : DataFrame
        A row a length: ``bias_m`` (first less second), ``sd_m``, ``lower_m`` and
        ``upper_m``, the limits between which 95 in 100 differences lie, each with its ends
        such as ``bias_low_m``; ``outside``, the share of differences beyond the limits;
        ``n_shots``, ``n_rallies``, ``status``.
    intraclass_ : DataFrame
        A row a length and form of the correlation: ``icc`` with ``icc_low``, ``icc_high``,
        ``n_shots``, ``n_rallies``, ``status``.
    gap_error_ : Series
        ``sd_m`` with ``sd_low_m``, ``sd_high_m``: the error of one charted gap, the standard
        deviation of the differences over the root of 2. This takes both charters to err
        alike and independently of each other; an error that both make is not in it.

    See Also
    --------
    align
    threshold_agreement
    simex_thresholds
    plot_agreement

    Notes
    -----
    Shots of a rally are charted by the same people in the same seconds from the same
    angle, so whole rallies are drawn, within matches.

    Examples
    --------
    >>> again = sw.simulate.second_charter(shots, seed=1)
    >>> agreement = sw.Agreement(draws=50).fit(shots, again)
    >>> agreement.words_[["column", "kappa", "kappa_low", "kappa_high", "n_shots"]].head(2).round(2)
       column  kappa  kappa_low  kappa_high  n_shots
    0    side   0.89       0.85        0.91     1553
    1  stroke   0.90       0.88        0.92     1553
    """

    _asks, _result = "first, second", "words_"

    def __init__(
        self, level: float = 0.95, draws: int = 2000, seed: int | np.random.Generator = 0
    ) -> None:
        check_level(level)
        check_count(draws, "draws", 2)
        check_seed(seed)
        self.level = level
        self.draws = draws
        self.seed = seed

    def fit(self, first: Table, second: Table) -> Agreement:
        """Compare two logs.

        Parameters
        ----------
        first, second : DataFrame
            Canonical shot tables with at least one match in common.

        Raises
        ------
        DataError
            If the logs cannot be lined up; see :func:`~sidewall.agreement.align`.
        """
        first = as_frame(first, "first")
        second = as_frame(second, "second")
        table = self.aligned_ = align(first, second)
        both = table[(table["status"] == AGREED).to_numpy()]
        self._rng = np.random.default_rng(self.seed)
        pair_match = table.groupby("rally_pair")["match"].first()
        self._match_of_pair = pd.factorize(pair_match)[0]
        self.found_ = self._found(table)
        self.tables_: dict[str, pd.DataFrame] = {}
        self.words_ = pd.DataFrame([self._word(c, both) for c in VOCABULARY if _has(table, c)])
        balls = both[(both["stroke_first"] != "serve").to_numpy()]
        lengths = [
            self._length(c, balls if c == "gap_m" else both) for c in MEASURES if _has(table, c)
        ]
        self.limits_ = pd.DataFrame([row for row, _ in lengths])
        self.intraclass_ = pd.concat([icc for _, icc in lengths], ignore_index=True)
        gap = self.limits_.set_index("column").loc["gap_m", ["sd_m", "sd_low_m", "sd_high_m"]]
        self.gap_error_ = (gap.astype(float) / np.sqrt(2.0)).rename("gap_error")
        return self

    def _found(self, table: pd.DataFrame) -> pd.DataFrame:
        status = table["status"].astype(str).to_numpy()
        pair = table["rally_pair"].to_numpy(dtype=np.int64)
        last = np.flatnonzero(np.diff(pair, append=-1))
        seen = [
            np.bincount(pair, status != missed) > 0
            for missed in (MISSED_BY_FIRST, MISSED_BY_SECOND)
        ]
        alone = np.where(
            seen[0] & seen[1], AGREED, np.where(seen[0], MISSED_BY_SECOND, MISSED_BY_FIRST)
        )
        rows = []
        for noun, states, cluster in (
            ("shots", status, pair),
            ("rallies", alone, np.arange(len(last))),
        ):
            for words, leave in (
                ("of either, found by both", ""),
                ("of the first, found by the second", MISSED_BY_FIRST),
                ("of the second, found by the first", MISSED_BY_SECOND),
            ):
                hit = np.where(states == leave, np.nan, (states == AGREED).astype(float))
                rate = clustered_rate(
                    hit, cluster, np.zeros(len(hit), dtype=np.int64), 1, self.level
                )
                numbers = (rate.rate, rate.low, rate.high, rate.n, rate.clusters)
                rows.append((f"{noun} {words}", *(values[0] for values in numbers)))
        names = ["what", "share", "share_low", "share_high", "n_compared", "n_rallies"]
        return pd.DataFrame(rows, columns=names)

    def _weights(self, pairs: Array) -> tuple[Array, Array]:
        """Position of each shot's rally, and how often each rally is drawn."""
        present, rally = np.unique(pairs, return_inverse=True)
        return rally, rally_weights(self._match_of_pair[present], self.draws, self._rng)

    def _word(self, column: str, both: pd.DataFrame) -> dict[str, Any]:
        names = list(VOCABULARY[column])
        if column == "ending":  # one a rally, whichever shot each took for its last
            ends = self.aligned_.groupby("rally_pair", as_index=False)
            used = pd.DataFrame(ends[["ending_first", "ending_second"]].first()).dropna()
            blank = 0
        else:
            balls = both[(both["stroke_first"] != "serve").to_numpy()]
            known = balls[[f"{column}_first", f"{column}_second"]].notna().to_numpy()
            used, blank = balls[np.asarray(known.all(axis=1))], int((known.sum(axis=1) == 1).sum())
        codes = [
            pd.Categorical(used[f"{column}_{w}"], categories=names).codes.astype(np.int64)
            for w in ("first", "second")
        ]
        pairs = used["rally_pair"].to_numpy(dtype=np.int64)
        k, n = len(names), len(used)
        flat = codes[0] * k + codes[1]
        counts = np.bincount(flat, minlength=k * k).reshape(k, k)
        self.tables_[column] = pd.DataFrame(
            counts, pd.Index(names, name="first"), pd.Index(names, name="second")
        )
        hit = (codes[0] == codes[1]).astype(float)
        rate = clustered_rate(hit, pairs, np.zeros(n, dtype=np.int64), 1, self.level)
        row: dict[str, Any] = {
            "column": column, "status": NOT_KNOWN, "kappa": np.nan, "kappa_low": np.nan,
            "kappa_high": np.nan, "se": np.nan, "se_textbook": np.nan, "agreed": rate.rate[0],
            "agreed_low": rate.low[0], "agreed_high": rate.high[0], "n_shots": n,
            "n_rallies": int(rate.clusters[0]), "blank": blank,
        }  # fmt: skip
        if not _enough(row):
            return row
        rally, weights = self._weights(pairs)
        by_rally = np.zeros((weights.shape[1], k * k))
        np.add.at(by_rally, (rally, flat), 1.0)
        found = clustered_kappa(by_rally.reshape(-1, k, k), weights, float(rate.low[0]), self.level)
        if np.isnan(found.kappa):
            return row
        textbook = cohen_kappa(counts, self.level)
        row |= {"kappa": found.kappa, "kappa_low": found.low, "kappa_high": found.high}
        return row | {"status": KNOWN, "se": found.se, "se_textbook": textbook.se}

    def _length(self, column: str, both: pd.DataFrame) -> tuple[dict[str, Any], pd.DataFrame]:
        one, two = (both[f"{column}_{w}"].to_numpy(dtype=float) for w in ("first", "second"))
        known = ~np.isnan(one) & ~np.isnan(two)
        one, two = one[known], two[known]
        pairs = both["rally_pair"].to_numpy(dtype=np.int64)[known]
        names = [
            f"{q}{end}_m" for q in ("bias", "sd", "lower", "upper") for end in ("", "_low", "_high")
        ]
        row: dict[str, Any] = {"column": column, "status": NOT_KNOWN}
        row |= dict.fromkeys(names, np.nan)
        row |= {"outside": np.nan, "n_shots": len(one), "n_rallies": len(np.unique(pairs))}
        icc = pd.DataFrame(np.nan, list(FORMS), ["icc", "icc_low", "icc_high"])
        if _enough(row):
            row["status"] = KNOWN
            rally, weights = self._weights(pairs)
            d = one - two
            for quantity, found in clustered_limits(d, rally, weights, self.level).iterrows():
                for end in ("", "_low", "_high"):
                    row[f"{quantity}{end}_m"] = float(found[f"value{end}"])
            row["outside"] = float(np.mean((d < row["lower_m"]) | (d > row["upper_m"])))
            icc = clustered_intraclass(one, two, rally, weights, self.level)
        icc = icc.rename_axis("form").reset_index()
        icc.insert(0, "column", column)
        return row, icc.assign(**{key: row[key] for key in ("n_shots", "n_rallies", "status")})

    def summary(self) -> str:
        """Say in a few lines what agrees and what does not.

        Raises
        ------
        NotFittedError
        """
        self.need_fit()
        return "\n".join(summary_lines(self))


def _has(table: pd.DataFrame, column: str) -> bool:
    return f"{column}_first" in table.columns


def _enough(row: dict[str, Any]) -> bool:
    return bool(row["n_shots"] >= LEAST_PAIRS and row["n_rallies"] >= LEAST_RALLIES)
