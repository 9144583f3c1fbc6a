from collections import Counter

import numpy as np
import pandas as pd
import pytest
from scipy.stats import f, norm, t
from statsmodels.stats.inter_rater import cohens_kappa

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
from sidewall.features.rates import clustered_rate
from sidewall.log.vocabulary import VOCABULARY
from sidewall.numbers import signed
from sidewall.rallies.intervals import rally_weights
from sidewall.simulate.charter import second_charter


@pytest.fixture(scope="module")
def fitted(two_charters):
    return Agreement(draws=300).fit(*two_charters)


def test_the_gaps_error_is_the_planted_one(fitted):
    # 7 cm each; readings turned back at the wall make it a little less
    assert fitted.gap_error_["sd_low_m"] < 0.07 < fitted.gap_error_["sd_high_m"] + 0.005
    gap = fitted.limits_.set_index("column").loc["gap_m"]
    assert gap["sd_m"] == pytest.approx(np.sqrt(2) * fitted.gap_error_["sd_m"])
    assert gap["bias_low_m"] < gap["bias_m"] < gap["bias_high_m"]
    assert gap["outside"] == pytest.approx(0.05, abs=0.03)


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


def slow_reach(sizes, level):
    """Standard deviations that an interval reaches, by the words of `reach`."""
    effective, G = sum(sizes) ** 2 / sum(m**2 for m in sizes), len(sizes)
    return t.ppf(0.5 + level / 2, max(effective - 1, 1)) * (G / (G - 1)) ** 0.5


def slow_kappa(pairs):
    """Kappa of pairs of words; missing where chance agrees always."""
    n, ones, twos = len(pairs), Counter(a for a, _ in pairs), Counter(b for _, b in pairs)
    chance = sum(ones[word] * twos[word] for word in ones) / n**2
    return (sum(a == b for a, b in pairs) / n - chance) / (1 - chance) if chance < 1 else np.nan


def slow_forms(one, two):
    """The three correlations from an analysis of variance of the readings."""
    x, n = np.column_stack([one, two]), len(one)
    rows, columns, grand = x.mean(axis=1), x.mean(axis=0), x.mean()
    msb = 2 * ((rows - grand) ** 2).sum() / (n - 1)
    msc = n * ((columns - grand) ** 2).sum()
    msw = ((x - rows[:, None]) ** 2).sum() / n
    mse = ((x - rows[:, None] - columns + grand) ** 2).sum() / (n - 1)
    return np.array([(msb - msw) / (msb + msw),
                     (msb - mse) / (msb + mse + 2 * (msc - mse) / n),
                     (msb - mse) / (msb + mse)])  # fmt: skip


def slow_limits(d, level):
    z = norm.ppf(0.5 + level / 2)
    mean, sd = d.mean(), d.std(ddof=1)
    return np.array([mean, mean - z * sd, mean + z * sd, sd])


@pytest.mark.parametrize("level", [0.8, 0.95])
def test_every_table_by_loops(hard, charted_again, level):
    """All rows and columns, with blanks, lengths that are seldom known, and rallies drawn again."""
    first = charted_again(hard(25, matches=4, rallies=9), 2)
    first["bounce_y_m"] = first["bounce_y_m"].where(np.arange(len(first)) % 9 == 0)
    second = charted_again(hard(25, matches=4, rallies=9), 1)
    # in no draw of rallies may two agree to the last digit: a spread of nothing has no log
    second["bounce_x_m"] += 0.03 * (np.arange(len(second)) % 7)
    found = Agreement(level, draws=12, seed=5).fit(first, second)
    table = found.aligned_
    rows = table.astype(object).where(table.notna(), None).to_dict("records")
    match_of = {row["rally_pair"]: row["match"] for row in rows}
    matches = list(dict.fromkeys(match_of.values()))
    rng = np.random.default_rng(5)

    def draws_of(pairs):
        """Rallies of each draw, by number, as often as they were drawn."""
        present = sorted(set(pairs))
        codes = np.array([matches.index(match_of[pair]) for pair in present])
        weights = rally_weights(codes, 12, rng)
        return [np.repeat(present, drawn.astype(int)) for drawn in weights]

    # -- what was found
    alone = {}
    for row in rows:
        alone.setdefault(row["rally_pair"], set()).add(row["status"])
    by_rally = [
        (pair, "agreed" if seen - {"missed by first"} and seen - {"missed by second"}
         else next(iter(seen)))
        for pair, seen in alone.items()
    ]  # fmt: skip
    wanted = []
    for noun, states in (("shots", [(r["rally_pair"], r["status"]) for r in rows]),
                         ("rallies", by_rally)):  # fmt: skip
        for words, leave in (
            ("of either, found by both", None),
            ("of the first, found by the second", "missed by first"),
            ("of the second, found by the first", "missed by second"),
        ):
            counted = [(pair, float(state == "agreed")) for pair, state in states if state != leave]
            pair, hit = map(np.array, zip(*counted, strict=True))
            rate = clustered_rate(hit, pair, np.zeros(len(hit), int), 1, level)
            wanted.append([f"{noun} {words}", rate.rate[0], rate.low[0], rate.high[0], len(hit),
                           len(set(pair))])  # fmt: skip
    wanted = pd.DataFrame(wanted, columns=list(found.found_))
    pd.testing.assert_frame_equal(found.found_, wanted)

    # -- words
    both = [row for row in rows if row["status"] == "agreed"]
    balls = [row for row in both if row["stroke_first"] != "serve"]
    wanted = []
    for column in (name for name in VOCABULARY if name in first):
        pairs, blank = [], 0
        if column == "ending":
            for pair in alone:
                ends = [[r[f"ending_{w}"] for r in rows if r["rally_pair"] == pair
                         and r[f"ending_{w}"]] for w in ("first", "second")]  # fmt: skip
                pairs += [(pair, ends[0][0], ends[1][0])] if all(ends) else []
        else:
            for row in balls:
                one, two = row[f"{column}_first"], row[f"{column}_second"]
                blank += (one is None) != (two is None)
                pairs += [(row["rally_pair"], one, two)] if one and two else []
        words, counts = VOCABULARY[column], Counter((one, two) for _, one, two in pairs)
        told = found.tables_[column]
        assert list(told.index) == list(told.columns) == list(words)
        assert (told.index.name, told.columns.name) == ("first", "second")
        assert told.to_numpy().tolist() == [[counts[a, b] for b in words] for a in words]
        hit = np.array([float(one == two) for _, one, two in pairs])
        rate = clustered_rate(hit, np.array([pair for pair, *_ in pairs]),
                              np.zeros(len(pairs), int), 1, level)  # fmt: skip
        sizes = Counter(pair for pair, *_ in pairs)
        row = [column, "not known yet", *[np.nan] * 5, rate.rate[0], rate.low[0], rate.high[0],
               len(pairs), len(sizes), blank]  # fmt: skip
        if len(pairs) >= 20 and len(sizes) >= 10:
            kappa, again = slow_kappa([pair[1:] for pair in pairs]), []
            for drawn in draws_of(sizes):
                again.append(slow_kappa([pair[1:] for r in drawn for pair in pairs
                                         if pair[0] == r]))  # fmt: skip
            se = np.std([k for k in again if not np.isnan(k)], ddof=1)
            out = slow_reach(sizes.values(), level) * se / (1 - kappa)
            ends = [max(1 - (1 - kappa) * np.exp(out), -1), 1 - (1 - kappa) * np.exp(-out)]
            book = cohens_kappa(told.to_numpy()).std_kappa
            row[1:7] = ["known", kappa, *ends, se, book]
        wanted.append(row)
    wanted = pd.DataFrame(wanted, columns=list(found.words_))
    pd.testing.assert_frame_equal(found.words_, wanted, rtol=1e-9)

    # -- lengths
    limits, correlations = [], []
    for column in ("gap_m", "x_m", "y_m", "bounce_x_m", "bounce_y_m"):
        read = [(r["rally_pair"], r[f"{column}_first"], r[f"{column}_second"])
                for r in (balls if column == "gap_m" else both)]  # fmt: skip
        read = [each for each in read if None not in each]
        pair, one, two = (np.array(part) for part in zip(*read, strict=True))
        d, sizes, forms = one - two, Counter(pair.tolist()), ["ICC(1,1)", "ICC(2,1)", "ICC(3,1)"]
        row = dict.fromkeys(f"{name}{end}_m" for name in ("bias", "sd", "lower", "upper")
                            for end in ("", "_low", "_high"))  # fmt: skip
        row |= {"column": column, "status": "not known yet", "outside": np.nan,
                "n_shots": len(d), "n_rallies": len(sizes)}  # fmt: skip
        icc = np.full((3, 3), np.nan)
        if len(d) >= 20 and len(sizes) >= 10:
            row["status"] = "known"
            rows_of = [np.concatenate([np.flatnonzero(pair == r) for r in drawn])
                       for drawn in draws_of(sizes)]  # fmt: skip
            far, value = slow_reach(sizes.values(), level), slow_limits(d, level)
            error = np.std([slow_limits(d[at], level) for at in rows_of], axis=0, ddof=1)
            for k, name in enumerate(("bias", "lower", "upper")):
                row[f"{name}_m"] = value[k]
                row[f"{name}_low_m"] = value[k] - far * error[k]
                row[f"{name}_high_m"] = value[k] + far * error[k]
            out = np.exp(far * error[3] / value[3])
            row |= {"sd_m": value[3], "sd_low_m": value[3] / out, "sd_high_m": value[3] * out}
            row["outside"] = np.mean([x < value[1] or x > value[2] for x in d])
            again = [np.arctanh(slow_forms(one[at], two[at])) for at in rows_of]
            out = far * np.std(again, axis=0, ddof=1)
            z = np.arctanh(slow_forms(one, two))
            icc = np.tanh(np.array([z, z - out, z + out]))
        limits.append(row)
        size = len(d), len(sizes), row["status"]
        correlations += [[column, form, *icc[:, k], *size] for k, form in enumerate(forms)]
    wanted = pd.DataFrame(limits).astype({name: float for name in row if name.endswith("_m")})
    assert set(found.limits_) == set(wanted)
    pd.testing.assert_frame_equal(found.limits_, wanted[list(found.limits_)], rtol=1e-8)
    wanted = pd.DataFrame(correlations, columns=list(found.intraclass_))
    pd.testing.assert_frame_equal(found.intraclass_, wanted, rtol=1e-8)
    assert set(found.limits_["status"]) == {"known", "not known yet"}
    gap = found.limits_.iloc[0]
    for name in ("sd_m", "sd_low_m", "sd_high_m"):
        assert found.gap_error_[name] == pytest.approx(gap[name] / 2**0.5)


def test_words_that_never_disagree_reach_down_to_the_share_of_agreement():
    counts = np.zeros((12, 2, 2))
    counts[:8, 0, 0], counts[8:, 1, 1] = 2, 1
    found = clustered_kappa(counts, np.ones((5, 12)), 0.8)
    chance = (16 / 20) ** 2 + (4 / 20) ** 2
    assert found == pytest.approx((1.0, 0.0, (0.8 - chance) / (1 - chance), 1.0))


@pytest.mark.parametrize("off", [[0.0, 0.0, 0.0, 0.0], [0.0, 0.0, 0.3, 0.0]])
def test_lengths_that_hardly_differ_have_limits_all_the_same(off):
    """Equal readings are perfectly correlated, and their differences do not scatter."""
    one = np.array([0.1, 0.4, 0.2, 0.9])
    rally, weights = np.array([0, 0, 1, 2]), np.array([[1.0, 1, 1], [2, 1, 0], [0, 2, 1]])
    limits = clustered_limits(np.array(off), rally, weights)
    if not any(off):
        assert (limits.to_numpy() == 0.0).all()
        icc = clustered_intraclass(one, one, rally, weights)
        np.testing.assert_allclose(icc, 1.0, atol=1e-9)
    else:
        assert limits.loc["sd", "value"] == pytest.approx(0.15)
        assert limits.loc["sd", "value_low"] < 0.15 < limits.loc["sd", "value_high"]


@pytest.mark.parametrize("multiplier", [None, 2.0])
def test_limits_of_plain_differences(multiplier):
    d = np.array([0.3, np.nan, -0.2, 0.5, 0.1])
    n, s = 4, np.nanstd(d, ddof=1)
    half = (multiplier or norm.ppf(0.9)) * s
    found = limits_of_agreement(d, multiplier, level=0.8)
    mean, far = np.nanmean(d), t.ppf(0.9, n - 1)
    for name, value, se in (("bias", mean, s / 2), ("lower", mean - half, 3**0.5 * s / 2),
                            ("upper", mean + half, 3**0.5 * s / 2)):  # fmt: skip
        told = found.loc[name].tolist()
        assert told == pytest.approx([value, se, value - far * se, value + far * se])
    assert len(limits_of_agreement([1.0, 2.0])) == 3
    assert limits_of_agreement(d).equals(limits_of_agreement(d, norm.ppf(0.975), 0.95))


@pytest.mark.parametrize("k", [2, 3])
@pytest.mark.parametrize("level", [0.8, 0.95])
def test_correlations_have_the_limits_of_f(k, level):
    """McGraw & Wong 1996, cases 1 and 3; and of two things or two charters there are some."""
    rng = np.random.default_rng(k)
    x = rng.normal(size=(9, 1)) + 0.6 * rng.normal(size=(9, k)) + np.arange(k)
    found = intraclass(x, level)
    rows, columns, grand = x.mean(axis=1), x.mean(axis=0), x.mean()
    msb = k * ((rows - grand) ** 2).sum() / 8
    within = ((x - rows[:, None]) ** 2).sum() / (9 * (k - 1))
    rest = ((x - rows[:, None] - columns + grand) ** 2).sum() / (8 * (k - 1))
    q = 0.5 + level / 2
    for form, error, df in (("ICC(1,1)", within, 9 * (k - 1)), ("ICC(3,1)", rest, 8 * (k - 1))):
        low = msb / error / f.ppf(q, 8, df)
        high = msb / error * f.ppf(q, df, 8)
        wanted = [(ratio - 1) / (ratio + k - 1) for ratio in (msb / error, low, high)]
        assert found.loc[form].tolist() == pytest.approx(wanted)
    assert intraclass(x).equals(intraclass(x, 0.95))
    assert list(intraclass([[1.0, 2.0], [2.0, 2.5]]).index) == ["ICC(1,1)", "ICC(2,1)", "ICC(3,1)"]


@pytest.mark.parametrize("table", [[[1, 2]], [1, 2], np.zeros((3, 3)), np.ones((2, 2, 2))])
def test_what_is_no_table_of_pairs(table):
    with pytest.raises(DataError, match="give a square table"):
        cohen_kappa(table)
    assert np.isnan(cohen_kappa([[5, 0], [0, 0]])).all()
    perfect = cohen_kappa([[5, 0], [0, 3]])
    assert tuple(perfect) == pytest.approx((1.0, 0.0, 1.0, 1.0))


def test_lines_in_words():
    """Each number where it belongs, in hundredths and centimetres; what is not known yet."""
    told = Agreement(level=0.9)
    names = ["what", "share", "share_low", "share_high", "n_compared"]
    told.found_ = pd.DataFrame([["shots of either, found by both", 0.9, 0.85, 0.951, 1234]],
                               columns=names)  # fmt: skip
    words = {"status": "known", "kappa": 0.8, "kappa_low": 0.75, "kappa_high": 0.85, "agreed": 0.9}
    told.words_ = pd.DataFrame([
        {"column": "stroke", **words, "n_shots": 1500, "n_rallies": 1100},
        {"column": "opponent_place", **words, "status": "not known yet", "n_shots": 3,
         "n_rallies": 1},
    ])  # fmt: skip
    cm = {
        "bias_m": 0.021,
        "bias_low_m": -0.01,
        "bias_high_m": 0.05,
        "lower_m": -0.1,
        "upper_m": 0.2,
    }
    told.limits_ = pd.DataFrame([
        {"column": "gap_m", "status": "known", **cm, "n_shots": 20, "n_rallies": 2},
        {"column": "bounce_y_m", "status": "not known yet", **cm, "n_shots": 2, "n_rallies": 2},
    ])  # fmt: skip
    told.intraclass_ = pd.DataFrame(
        [["gap_m", "ICC(1,1)", 0.5, 0.4, 0.6], ["gap_m", "ICC(2,1)", 0.75, 0.7, 0.8],
         ["x_m", "ICC(2,1)", 0.1, 0.0, 0.2]],
        columns=["column", "form", "icc", "icc_low", "icc_high"],
    )  # fmt: skip
    told.gap_error_ = pd.Series({"sd_m": 0.071, "sd_low_m": 0.06, "sd_high_m": 0.0825})
    lines = told.summary().split("\n")
    minus = signed(-1.0)[0]
    assert lines == [
        "Two charters, 90% intervals that allow for rallies.",
        "Shots of either, found by both: 90.0 in 100 (85.0 to 95.1), n = 1,234.",
        "Stroke: kappa 0.80 (0.75 to 0.85), the same word 90 times in 100, n = 1,500 pairs in "
        "1,100 rallies.",
        "Opponent place: not known yet, n = 3 pairs in 1 rally.",
        f"Gap: first less second +2.1 cm ({minus}1.0 to +5.0), 90% of differences between "
        f"{minus}10.0 and +20.0 cm, ICC(2,1) 0.750 (0.700 to 0.800), n = 20 balls in 2 rallies.",
        "Bounce, depth: not known yet, n = 2 balls in 2 rallies.",
        "Error of one charted gap, if both err alike: standard deviation 7.1 cm (6.0 to 8.2).",
    ]
    told.gap_error_["sd_low_m"] = np.nan
    assert told.summary().split("\n") == lines[:-1]


def test_ninety_five_in_a_hundred_where_nothing_is_said():
    rng = np.random.default_rng(3)
    weights = rng.multinomial(12, np.full(12, 1 / 12), size=20)
    counts = rng.integers(1, 5, (12, 2, 2)).astype(float)
    assert clustered_kappa(counts, weights, 0.7) == clustered_kappa(counts, weights, 0.7, 0.95)
    one, two = rng.normal(size=(2, 12))
    for kind, given in ((clustered_limits, (one,)), (clustered_intraclass, (one, two))):
        usual = kind(*given, np.arange(12), weights)
        pd.testing.assert_frame_equal(usual, kind(*given, np.arange(12), weights, 0.95))
    assert cohen_kappa(counts[0]) == cohen_kappa(counts[0], 0.95)
