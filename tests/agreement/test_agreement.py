import numpy as np
import pytest
from scipy.stats import f

from sidewall.agreement import Agreement, cohen_kappa
from sidewall.agreement.coefficients import (
    clustered_intraclass,
    clustered_kappa,
    clustered_limits,
    intraclass,
    limits_of_agreement,
    reach,
)
from sidewall.errors import DataError, NotFittedError
from sidewall.log.vocabulary import VOCABULARY
from sidewall.simulate.charter import second_charter


@pytest.fixture(scope="module")
def fitted(two_charters):
    return Agreement().fit(*two_charters)


def test_tables_hold_every_pair(fitted, two_charters):
    words = fitted.words_.set_index("column")
    assert list(words.index) == [name for name in VOCABULARY if name in two_charters[0]]
    for column, table in fitted.tables_.items():
        assert table.to_numpy().sum() == words.loc[column, "n_shots"]
        agreed = np.trace(table.to_numpy()) / table.to_numpy().sum()
        assert words.loc[column, "agreed"] == pytest.approx(agreed)
        assert words.loc[column, "kappa"] == pytest.approx(cohen_kappa(table).kappa)
        low, kappa, high = words.loc[column, ["kappa_low", "kappa", "kappa_high"]]
        assert low < kappa < high
    assert fitted.tables_["stroke"].loc["serve"].sum() == 0


def test_the_gaps_error_is_the_planted_one(fitted):
    # 7 cm each; readings turned back at the wall make it a little less
    assert fitted.gap_error_["sd_low_m"] < 0.07 < fitted.gap_error_["sd_high_m"] + 0.005
    gap = fitted.limits_.set_index("column").loc["gap_m"]
    assert gap["sd_m"] == pytest.approx(np.sqrt(2) * fitted.gap_error_["sd_m"])
    assert gap["bias_low_m"] < gap["bias_m"] < gap["bias_high_m"]
    assert gap["outside"] == pytest.approx(0.05, abs=0.03)


def test_shares_found_add_up(fitted):
    found = fitted.found_.set_index("what")
    counts = fitted.aligned_["status"].value_counts()
    first = found.loc["shots of the first, found by the second"]
    assert first["n_compared"] == counts["agreed"] + counts["missed by second"]
    assert first["share"] == pytest.approx(counts["agreed"] / first["n_compared"])
    assert (found["share_low"] <= found["share"]).all()
    assert (found["share"] <= found["share_high"]).all()
    rallies = found.loc["rallies of either, found by both"]
    assert rallies["n_compared"] == fitted.aligned_["rally_pair"].nunique()


def test_a_rally_that_one_charter_left_out_is_missed_by_that_one(match):
    whole = match.drop_duplicates(["game", "rally"])
    out = whole.iloc[len(whole) // 2]
    second = match[~((match["game"] == out["game"]) & (match["rally"] == out["rally"]))]
    found = Agreement(draws=50).fit(match, second).found_.set_index("what")
    n = len(whole)
    shares = {"either, found by both": (n - 1) / n, "the first, found by the second": (n - 1) / n}
    for words, share in (shares | {"the second, found by the first": 1.0}).items():
        assert found.loc[f"rallies of {words}", "share"] == pytest.approx(share)


def test_an_ending_counts_once_a_rally_even_if_the_last_shot_was_missed(match):
    second = second_charter(match, miss=0.2, confuse=0.0, gap_sd_m=0.05, seed=2)
    row = Agreement(draws=50).fit(match, second).words_.set_index("column").loc["ending"]
    assert row["n_shots"] == row["n_rallies"] == len(match.drop_duplicates(["game", "rally"]))
    assert row["kappa"] == 1.0
    assert 0.5 < row["kappa_low"] < 1.0 == row["kappa_high"]


def test_blanks_are_counted_and_left_out(match):
    second = match.copy()
    second.loc[second.index[10:40], "balance"] = np.nan
    blanked = match["balance"].iloc[10:40].notna() & (match["stroke"].iloc[10:40] != "serve")
    row = Agreement(draws=50).fit(match, second).words_.set_index("column").loc["balance"]
    assert row["blank"] == blanked.sum() > 0
    assert row["agreed"] == 1.0


def test_too_few_is_not_known_yet(match):
    few = match[(match["game"] == 1) & (match["rally"] <= 4)].reset_index(drop=True)
    found = Agreement(draws=50).fit(few, few)
    assert (found.words_["status"] == "not known yet").all()
    assert found.words_["kappa"].isna().all()
    assert (found.limits_["status"] == "not known yet").all()
    assert found.gap_error_.isna().all()
    assert "Gap: not known yet" in found.summary()


def test_words_that_never_vary_are_not_known_yet(match):
    same = match.assign(balance=match["balance"].where(match["balance"].isna(), "set"))
    row = Agreement(draws=50).fit(same, same).words_.set_index("column").loc["balance"]
    assert row["status"] == "not known yet"
    assert row["agreed"] == 1.0


def test_one_seed_one_answer(two_charters, fitted):
    again = Agreement().fit(*two_charters)
    assert again.words_.equals(fitted.words_)
    assert again.limits_.equals(fitted.limits_)


def test_summary_says_each_number_with_its_n(fitted):
    lines = fitted.summary().splitlines()
    assert len(lines) == 1 + 6 + len(fitted.words_) + 5 + 1
    assert all("n = " in line for line in lines[1:-1])
    kappa = fitted.words_.set_index("column").loc["stroke"]
    assert f"Stroke: kappa {kappa['kappa']:.2f} ({kappa['kappa_low']:.2f} to" in fitted.summary()
    assert lines[-1].startswith("Error of one charted gap, if both err alike")


def test_a_length_is_said_with_its_agreement_of_single_readings_of_charters_at_random(fitted):
    lines = [line for line in fitted.summary().splitlines() if "ICC(2,1)" in line]
    rows = fitted.intraclass_[fitted.intraclass_["form"] == "ICC(2,1)"]
    assert len(lines) == len(rows) == len(fitted.limits_)
    for line, row in zip(lines, rows.itertuples(), strict=True):
        assert f"ICC(2,1) {row.icc:.3f} ({row.icc_low:.3f} to {row.icc_high:.3f})" in line


def test_refusals(match):
    with pytest.raises(NotFittedError):
        Agreement().summary()
    with pytest.raises(DataError, match=r"level is 95"):
        Agreement(level=95).fit(match, match)


def test_rallies_that_agree_within_widen_every_interval():
    """Each shot eight times over: the textbook is fooled, draws of rallies are not."""
    rng = np.random.default_rng(7)
    rallies, copies = 100, 8
    one = rng.integers(0, 3, rallies)
    two = np.where(rng.random(rallies) < 0.2, rng.integers(0, 3, rallies), one)
    counts = np.zeros((rallies, 3, 3))
    counts[np.arange(rallies), one, two] = copies
    weights = rng.multinomial(rallies, np.full(rallies, 1 / rallies), size=4000)
    clustered, single = clustered_kappa(counts, weights, 0.7), cohen_kappa(counts.sum(axis=0))
    assert clustered.se == pytest.approx(cohen_kappa(counts.sum(axis=0) / copies).se, rel=0.08)
    assert clustered.se > 2.5 * single.se

    a = rng.normal(0, 1, rallies)
    b = a + rng.normal(0, 0.5, rallies)
    rally = np.repeat(np.arange(rallies), copies)
    found = clustered_limits(np.repeat(a - b, copies), rally, weights)
    wanted = limits_of_agreement(a - b)
    np.testing.assert_allclose(found["se"][:3], wanted["se"], rtol=0.25)
    assert (found["se"][:3] > 2 * limits_of_agreement(np.repeat(a - b, copies))["se"]).all()
    icc = clustered_intraclass(np.repeat(a, copies), np.repeat(b, copies), rally, weights)
    np.testing.assert_allclose(icc["icc"], intraclass(np.column_stack([a, b]))["icc"], atol=0.01)
    wide = intraclass(np.column_stack([a, b]))
    ours, theirs = (found["icc_high"] - found["icc_low"] for found in (icc, wide))
    np.testing.assert_allclose(ours, theirs, rtol=0.35)


def test_correlations_from_sums_are_those_from_readings():
    rng = np.random.default_rng(9)
    one = rng.normal(30, 2, 60)
    two = one + rng.normal(1, 1, 60)
    weights = np.ones((3, 60))
    found = clustered_intraclass(one, two, np.arange(60), weights)
    np.testing.assert_allclose(
        found["icc"], intraclass(np.column_stack([one, two]))["icc"], rtol=1e-12
    )


def test_how_far_an_interval_reaches():
    assert reach(np.full(10_000, 5), 0.95) == pytest.approx(1.96, abs=0.001)
    # Student's quantile from the tables: 12.706 with one degree of freedom, 2.776 with four
    assert reach(np.ones(2), 0.95) == pytest.approx(12.706 * np.sqrt(2), rel=1e-4)
    assert reach(np.full(5, 7), 0.95) == pytest.approx(2.776 * np.sqrt(5 / 4), rel=2e-4)
    # one long rally among short ones: as few as the long one alone
    assert reach(np.r_[1000, np.ones(20)], 0.95) > 5 > reach(np.ones(21), 0.95)


@pytest.mark.parametrize("ratings", [[[1.0, 2.0]], [[1.0], [2.0]], [[1.0, np.nan], [2.0, 2.0]]])
def test_readings_that_cannot_be_correlated(ratings):
    with pytest.raises(DataError, match="Readings of shape"):
        intraclass(ratings)


def test_tables_and_differences_that_hold_nothing():
    with pytest.raises(DataError, match="0 pairs"):
        cohen_kappa(np.zeros((2, 2)))
    with pytest.raises(DataError, match="1 differences"):
        limits_of_agreement([3.0])


def test_limits_of_absolute_agreement_by_plain_sums_of_squares():
    """McGraw & Wong 1996, Psychological Methods 1:30-46, table 7, case 2A (from memory).

    Six balls and three charters of whom one reads longer, so that all terms matter.
    """
    ratings = np.array([[9, 4, 7], [6, 2, 7], [8, 5, 8], [5, 1, 2], [10, 5, 9], [6, 3, 5]])
    n, k = ratings.shape
    whole = ratings.mean()
    between = k * sum((row.mean() - whole) ** 2 for row in ratings) / (n - 1)
    charters = n * sum((column.mean() - whole) ** 2 for column in ratings.T) / (k - 1)
    total = sum((x - whole) ** 2 for x in ratings.ravel())
    rest = (total - (n - 1) * between - (k - 1) * charters) / ((n - 1) * (k - 1))
    icc = (between - rest) / (between + (k - 1) * rest + k * (charters - rest) / n)
    a = k * icc / (n * (1 - icc))
    b = 1 + k * icc * (n - 1) / (n * (1 - icc))
    parts = (a * charters) ** 2 / (k - 1), (b * rest) ** 2 / ((n - 1) * (k - 1))
    v = (a * charters + b * rest) ** 2 / sum(parts)
    below, above = f.ppf(0.975, n - 1, v), f.ppf(0.975, v, n - 1)
    spread = k * charters + (k * n - k - n) * rest
    found = intraclass(ratings).iloc[1]
    assert found["icc"] == pytest.approx(icc, rel=1e-9)
    low = n * (between - below * rest) / (below * spread + n * between)
    high = n * (above * between - rest) / (spread + n * above * between)
    assert (found["icc_low"], found["icc_high"]) == pytest.approx((low, high), rel=1e-6)
