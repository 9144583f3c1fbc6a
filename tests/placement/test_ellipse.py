import math

import numpy as np
import pytest
from scipy.stats import chi2, f, multivariate_normal
from sklearn.covariance import MinCovDet

from sidewall.errors import DataError
from sidewall.placement import error_ellipse
from sidewall.placement.ellipse import _REACH, Ellipse, _reach, _robust, _tightest_half

COVARIANCE = np.array([[0.09, 0.05], [0.05, 0.64]])


def area(ellipse):
    return np.pi * np.prod(ellipse.half_axes_m)


def points(n, rng):
    return rng.multivariate_normal([0.4, 7.8], COVARIANCE, n)


def test_closed_form_of_many_points():
    x, y = points(200_000, np.random.default_rng(1)).T
    ellipse = error_ellipse(x, y, 0.8)
    values, vectors = np.linalg.eigh(COVARIANCE)
    radius = np.sqrt(chi2.ppf(0.8, 2))
    assert ellipse.half_axes_m == pytest.approx(radius * np.sqrt(values[::-1]), rel=0.01)
    assert area(ellipse) == pytest.approx(np.pi * radius**2 * np.sqrt(np.prod(values)), rel=0.01)
    angle = np.degrees(np.arctan2(vectors[1, 1], vectors[0, 1]))
    assert (ellipse.angle_deg - angle + 90) % 180 - 90 == pytest.approx(0, abs=0.5)
    # The share inside by scipy's own distribution.
    inside = multivariate_normal([0.4, 7.8], COVARIANCE).rvs(100_000, random_state=2)
    assert ellipse.contains(*inside.T).mean() == pytest.approx(0.8, abs=0.005)


def test_few_points_reach_as_far_as_hotelling_says():
    n = 7
    x, y = points(n, np.random.default_rng(3)).T
    square = 2 * (n + 1) * (n - 1) / (n * (n - 2)) * f.ppf(0.9, 2, n - 2)
    assert error_ellipse(x, y, 0.9).radius == pytest.approx(np.sqrt(square))
    mean = error_ellipse(x, y, 0.9, of="mean").radius
    assert mean == pytest.approx(np.sqrt(square / (n + 1)))


@pytest.mark.parametrize("n", [5, 12, 40])
def test_the_next_shot_falls_inside_as_often_as_said(n):
    rng = np.random.default_rng(n)
    logs = 1500
    hits = []
    for _ in range(logs):
        drawn = points(n + 1, rng)
        hits.append(error_ellipse(*drawn[:-1].T, 0.8).contains(*drawn[-1]))
    assert np.mean(hits) == pytest.approx(0.8, abs=4 * np.sqrt(0.16 / logs))


SIZES = (*range(10, 19), 20, 22, 25, 28, 30, 31, 35, 40, 41, 50, 60, 61, 80, 81, 100, 140)
SIZES += (200, 300, 400)
SHARES = np.array([0.5, 0.6, 0.7, 0.8, 0.9, 0.95])


def squares(n, logs, seed=2031):
    """Squared distances of 64 next shots and of the true mean, by the robust ellipse of n."""
    rng = np.random.default_rng([seed, n])
    shots, mean = np.empty((logs, 64)), np.empty(logs)
    for log in range(logs):
        drawn, following = rng.standard_normal((n, 2)), rng.standard_normal((64, 2))
        centre, covariance, _ = _robust(drawn, log)
        inverse = np.linalg.inv(covariance)
        away = following - centre
        shots[log] = np.einsum("pi,ij,pj->p", away, inverse, away)
        mean[log] = centre @ inverse @ centre
    return {"shots": shots, "mean": mean}


def weights(of, drawn):
    """Weights of `_REACH`, by least squares of the error in the share.

    ``{n: squares(n, 6000) for n in SIZES}`` takes half an hour and makes those in the package,
    but for the noise of the simulation. The mean's have a first term, for many points, as the
    middle of the bulk tells less than that of all; the shots' have none.
    """
    rows, far = [], -np.log(1.0 - SHARES)
    for n, found in drawn.items():
        plain = (
            2 * (n - 1) / (n * (n - 2)) * f.ppf(SHARES, 2, n - 2) * (n + 1 if of == "shots" else 1)
        )
        ratio = np.log(np.quantile(found[of], SHARES) / plain)
        rows.append((_reach(n, SHARES).T, ratio, (1.0 - SHARES) * far * np.sqrt(len(found[of]))))
    terms, ratio, weight = (np.concatenate(part) for part in zip(*rows, strict=True))
    first = 1 if of == "shots" else 0
    best = np.linalg.lstsq(terms[:, first:] * weight[:, None], ratio * weight)[0]
    return np.r_[np.zeros(first), best]


@pytest.mark.parametrize("n", [11, 25, 80])
@pytest.mark.parametrize("share", [0.5, 0.9])
def test_the_next_shot_falls_inside_the_robust_one_as_often_as_said(n, share):
    """Within 4 standard errors over logs, and what the formula for all sizes may be off."""
    rng, logs, inside = np.random.default_rng([n, 3]), 300, []
    for log in range(logs):
        ellipse = error_ellipse(*points(n, rng).T, share, robust=True, seed=log)
        inside.append(ellipse.contains(*points(200, rng).T).mean())
    assert np.mean(inside) == pytest.approx(share, abs=4 * np.std(inside) / np.sqrt(logs) + 0.013)


@pytest.mark.parametrize("n", [25, 80])
def test_the_true_mean_lies_inside_the_robust_one_as_often_as_said(n):
    rng, logs = np.random.default_rng([n, 4]), 400
    inside = [
        error_ellipse(*points(n, rng).T, of="mean", robust=True, seed=log).contains(0.4, 7.8)
        for log in range(logs)
    ]
    assert np.mean(inside) == pytest.approx(0.8, abs=4 * np.sqrt(0.16 / logs) + 0.035)


@pytest.mark.parametrize("n", [10, 11, 24, 37])
@pytest.mark.parametrize("share", [0.3, 0.5, 0.8, 0.95])
@pytest.mark.parametrize("of", ["shots", "mean"])
def test_the_robust_one_reaches_further_by_a_factor_of_size_and_share(n, share, of):
    """Terms in falling powers of n, alone and times how far out, and the same where n is odd."""
    radius = [error_ellipse(*points(n, np.random.default_rng(1)).T, share, of=of, robust=how).radius
              for how in (True, False)]  # fmt: skip
    out = math.log(1 / (1 - share))
    parts = [1, 1 / n, 1 / n**1.5, 1 / n**2, out / n**1.5, out / n**2]
    parts += [1 / n**1.5, out / n**2] if n % 2 else [0, 0]
    wanted = sum(weight * part for weight, part in zip(_REACH[of], parts, strict=True))
    assert 2 * math.log(radius[0] / radius[1]) == pytest.approx(wanted)


def test_many_shots_need_no_further_reach():
    x, y = points(20_000, np.random.default_rng(12)).T
    robust, plain = (error_ellipse(x, y, 0.9, robust=how) for how in (True, False))
    assert robust.radius == pytest.approx(plain.radius, rel=0.001)
    assert area(robust) == pytest.approx(area(plain), rel=0.03)


@pytest.mark.slow
def test_the_further_reach_is_what_a_simulation_gives():
    """Of fewer logs, at every other size; a log's own share is at most 0.5 from the mean's."""
    logs = 200
    drawn = {n: squares(n, logs, seed=1) for n in SIZES[::2]}
    for of, off in (("shots", 0.013), ("mean", 0.035)):
        made = weights(of, drawn)
        for n in drawn:
            ratio = (made - _REACH[of]) @ _reach(n, SHARES)
            share = (1.0 - SHARES) * -np.log(1.0 - SHARES) * ratio
            assert np.abs(share).max() < off + 4 * 0.5 / np.sqrt(logs)


def test_mishits_blow_up_the_classical_and_not_the_robust():
    rng = np.random.default_rng(4)
    drawn = points(120, rng)
    drawn[:10] = rng.uniform([3, 0], [6, 3], (10, 2))
    clean = area(error_ellipse(*drawn[10:].T, 0.8))
    assert area(error_ellipse(*drawn.T, 0.8)) > 3 * clean
    robust = error_ellipse(*drawn.T, 0.8, robust=True)
    assert area(robust) == pytest.approx(clean, rel=0.35)
    assert robust.n <= 112


@pytest.mark.parametrize("n", [12, 101, 600])
def test_the_tightest_half_is_at_least_as_tight_as_scikit_learns(n):
    drawn = points(n, np.random.default_rng(n))
    drawn[: n // 10] += 3.0
    theirs = MinCovDet(random_state=0).fit(drawn)
    _, covariance, half = _tightest_half(drawn, 0)
    assert half == theirs.raw_support_.sum()
    assert np.linalg.det(covariance) <= np.linalg.det(theirs.raw_covariance_) * (1 + 1e-9)


def test_the_bulk_of_many_normal_points_has_their_covariance():
    """Within six standard errors of the plain ones, of which the robust ones are half as many."""
    size = 40_000
    mean, covariance, n = _robust(points(size, np.random.default_rng(9)), 0)
    spread = np.diag(COVARIANCE)
    assert (np.abs(mean - [0.4, 7.8]) < 6 * np.sqrt(spread / size)).all()
    error = np.sqrt((np.outer(spread, spread) + COVARIANCE**2) / size)
    assert (np.abs(covariance - COVARIANCE) < 6 * error).all()
    assert n / size == pytest.approx(0.975, abs=0.005)


def test_the_outline_lies_on_the_ellipse():
    ellipse = error_ellipse(*points(30, np.random.default_rng(5)).T)
    away = ellipse.outline() - ellipse.centre_m
    square = np.einsum("pi,ij,pj->p", away, np.linalg.inv(ellipse.covariance), away)
    assert np.sqrt(square) == pytest.approx(np.full(181, ellipse.radius))
    x, y = away.T  # closed, and all the way round: the polygon's area is the ellipse's
    area = 0.5 * np.sum(x * np.roll(y, -1) - y * np.roll(x, -1))
    whole = np.pi * ellipse.radius**2 * np.sqrt(np.linalg.det(ellipse.covariance))
    assert abs(area) == pytest.approx(whole, rel=(2 * np.pi / 180) ** 2)
    assert away[0] == pytest.approx(away[-1])


def test_missing_points_are_left_out():
    x, y = points(30, np.random.default_rng(6)).T
    with_gaps = error_ellipse(np.append(x, [np.nan, 1.0]), np.append(y, [1.0, np.nan]))
    assert with_gaps.half_axes_m == error_ellipse(x, y).half_axes_m


@pytest.mark.parametrize(
    ("x", "y", "options", "words"),
    [
        ([0.1, 0.2], [7, 8], {}, "2 shots"),
        ([0.1] * 9, np.arange(9.0), {"robust": True}, "at least 10"),
        ([0.1] * 5, [7.0, 7.1, 7.2, 7.3, 7.4], {}, "one line"),
        ([0.1] * 20, np.linspace(7, 8, 20), {"robust": True}, "one line"),
        ([0.1, 0.3, 0.2], [7, 8, 8], {"share": 80}, "share is 80"),
        ([0.1, 0.3, 0.2], [7, 8, 8], {"of": "middle"}, "of is 'middle'"),
    ],
)
def test_what_cannot_be_drawn_is_said(x, y, options, words):
    with pytest.raises(DataError, match=words):
        error_ellipse(x, y, **options)


@pytest.mark.parametrize("degrees", [-89.0, -45.0, 0.0, 30.0, 89.0])
def test_the_long_axis_points_from_minus_90_to_90_degrees(degrees):
    turn = np.radians(degrees)
    axes = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    spread = axes @ np.diag([0.5, 0.1]) @ axes.T
    assert Ellipse((1.0, 2.0), spread, 1.0, 40).angle_deg == pytest.approx(degrees)
