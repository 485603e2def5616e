"""The one negative binomial against SciPy's, statsmodels' and published fits; the normal quantile against a table."""

from __future__ import annotations

import math

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import optimize, stats
from scipy.special import ndtri
from visit_case import make_bags

from geosample import distributions
from geosample.distributions import Bags, Groups, log_spread, normal_quantile, normal_reach

COUNT = np.array([0, 3, 1, 7, 2, 2, 0, 0, 12, 5, 4, 1], dtype=float)
EFFORT = np.array([1, 2, 1, 1, 2, 1, 1, 3, 1, 2, 1, 1], dtype=float)
SHAPES = [(0.02, 0.001), (0.5, 3.0), (1.3, 40.0), (20.0, 0.7), (8000.0, 12.0), (0.3, 5e4)]


@pytest.mark.parametrize(("k", "expected"), SHAPES)
def test_chances_are_scipys(k: float, expected: float) -> None:
    # Reference: scipy.stats.nbinom with n = k and p = k / (k + mu)
    theirs, count = stats.nbinom(k, k / (k + expected)), np.unique(np.geomspace(1, 300, 40).astype(int)) - 1.0
    assert distributions.log_pmf(count, expected, k) == pytest.approx(theirs.logpmf(count), rel=1e-7, abs=1e-9)
    assert distributions.cdf(count, expected, k) == pytest.approx(theirs.cdf(count), rel=1e-9, abs=1e-12)
    assert distributions.log_none(expected, k) == pytest.approx(theirs.logpmf(0), rel=1e-9)
    share = np.array([0.001, 0.025, 0.3, 0.5, 0.9, 0.975, 0.999])
    assert distributions.quantile(share, expected, k).tolist() == theirs.ppf(share).tolist()


def test_below_nothing_there_is_no_chance() -> None:
    assert distributions.cdf(np.array([-1.0, -5.0]), 2.0, 0.5).tolist() == [0.0, 0.0]


def test_slopes_are_those_of_the_log_chance() -> None:
    # Reference: differences of scipy.stats.nbinom's log pmf
    eta, k, step = np.linspace(-2, 3, COUNT.size), 0.8, 1e-5

    def height(at: np.ndarray, log_k: float) -> np.ndarray:
        size = math.exp(log_k)
        return np.asarray(stats.nbinom.logpmf(COUNT, size, size / (size + np.exp(at))))

    found, by_k = distributions.slopes(COUNT, np.exp(eta), k), distributions.slopes_in_log_k(COUNT, np.exp(eta), k)
    up, down = (distributions.slopes(COUNT, np.exp(eta + side), k) for side in (step, -step))
    more, less = (distributions.slopes(COUNT, np.exp(eta), k * math.exp(side)) for side in (step, -step))
    log_k = math.log(k)
    by_difference = {
        "first": (height(eta + step, log_k) - height(eta - step, log_k), found.first),
        "weight": (down.first - up.first, found.weight),
        "slope of the weight": (up.weight - down.weight, found.weight_slope),
        "first in log k": (height(eta, log_k + step) - height(eta, log_k - step), by_k.first),
        "weight in log k": (more.weight - less.weight, by_k.weight),
        "slope in log k": (more.first - less.first, by_k.weight_slope),
    }
    for name, (difference, slope) in by_difference.items():
        assert slope == pytest.approx(difference / (2 * step), rel=1e-5, abs=1e-7), name
    assert k * distributions.slope_in_k(COUNT, np.exp(eta), k) == pytest.approx(by_k.first)


def test_expectations_stay_where_a_double_holds_their_square() -> None:
    assert np.isfinite(distributions.expect(np.array([-1e9, 1e9])) ** 2).all()


def test_the_three_sums_of_the_log_chance_are_one() -> None:
    k, mean = 0.7, 1.9
    data = distributions.make_likelihood(Bags(COUNT, EFFORT, np.ones(COUNT.size)), distributions.FREE_K)
    # Reference: scipy.stats.nbinom
    theirs = stats.nbinom.logpmf(COUNT, k, k / (k + mean * EFFORT)).sum()
    assert distributions.log_pmf(COUNT, mean * EFFORT, k).sum() == pytest.approx(theirs)
    assert distributions.log_likelihood(data, mean, math.log(k)) == pytest.approx(theirs)
    one = Groups(COUNT, EFFORT, np.ones(COUNT.size), np.zeros(COUNT.size, dtype=np.int64), np.zeros(COUNT.size))
    best = optimize.minimize_scalar(
        lambda log_mean: -stats.nbinom.logpmf(COUNT, k, k / (k + math.exp(log_mean) * EFFORT)).sum(), tol=1e-10
    )
    prior = -0.5 * math.log(k) ** 2
    left_out = sum(math.lgamma(count + 1) for count in COUNT)
    assert distributions.with_best_means(one, 0.0, math.log(k)) == pytest.approx(-best.fun + left_out + prior, rel=1e-9)


def test_one_mean_and_k_are_statsmodels() -> None:
    # Reference: statsmodels' NegativeBinomial (NB2), a constant with log effort as offset; alpha = 1/k
    theirs = sm.NegativeBinomial(COUNT, np.ones((COUNT.size, 1)), offset=np.log(EFFORT)).fit(
        disp=0, maxiter=500, gtol=1e-8
    )
    data = distributions.make_likelihood(Bags(COUNT, EFFORT, np.ones(COUNT.size)), distributions.FREE_K)
    mean = distributions.fit_mean(data)
    assert mean == pytest.approx(math.exp(theirs.params[0]), rel=1e-5)
    assert math.exp(distributions.fit_log_k(data, mean)) == pytest.approx(1 / theirs.params[1], rel=1e-5)
    assert distributions.profile(data, mean) == pytest.approx(theirs.llf, rel=1e-9)


def test_k_common_to_groups_is_statsmodels_with_a_mean_each() -> None:
    # Reference: statsmodels' NegativeBinomial with a column a group and one for the side; the prior is taken off again
    group, side = np.repeat([0, 1], 6), np.tile([0.0, 1.0], 6)
    exog = np.column_stack([group == 0, group == 1, side]).astype(float)
    theirs = sm.NegativeBinomial(COUNT, exog, offset=np.log(EFFORT)).fit(disp=0, maxiter=500, gtol=1e-8)
    groups = Groups(COUNT, EFFORT, np.ones(COUNT.size), group, side)
    log_ratio, log_k = theirs.params[2], -math.log(theirs.params[3])
    height = distributions.with_best_means(groups, log_ratio, log_k) + 0.5 * log_k**2
    assert height - sum(math.lgamma(count + 1) for count in COUNT) == pytest.approx(theirs.llf, rel=1e-9)
    best, top = distributions.best_common_log_k(groups, log_ratio)
    assert top >= max(distributions.with_best_means(groups, log_ratio, best + step) for step in (-0.01, 0.01))
    assert abs(best) < abs(log_k), "the prior draws k towards 1"


def test_k_around_given_expectations_is_the_best_of_scipys_heights() -> None:
    # Reference: scipy.stats.nbinom over a fine grid of k
    expected = 2.0 * EFFORT
    k, height = distributions.fit_k_around(expected, COUNT)
    grid = np.geomspace(distributions.RIVALS.low, distributions.RIVALS.high, 4001)[:, None]
    heights = stats.nbinom.logpmf(COUNT, grid, grid / (grid + expected)).mean(axis=1)
    assert k == pytest.approx(float(grid[heights.argmax(), 0]), rel=3e-3)
    assert height == pytest.approx(heights.max(), abs=1e-6)


@pytest.mark.parametrize(
    ("tallies", "k", "height"),
    [
        # Bliss & Fisher 1953, Biometrics 9:176-200, table 1: red mites, k = 1.02459 printed; log-likelihood computed
        ([70, 38, 17, 10, 9, 3, 2, 1], 1.0245924, -222.4371536),
        # Fisher 1941; Bliss & Fisher 1953: sheep ticks, k about 3.75 (from memory); recomputed independently
        ([7, 9, 8, 13, 8, 5, 4, 3, 0, 1, 2], 3.7512573, -131.9735875),
        # Student 1907, sample I: yeast cells, 3.586 (from memory); recomputed independently
        ([213, 128, 37, 18, 3, 1], 3.5860879, -446.5315762),
    ],
)
def test_k_is_the_published_one(tallies: list[int], k: float, height: float) -> None:
    counts = np.repeat(np.arange(len(tallies)), tallies)
    data = distributions.make_likelihood(make_bags(counts), distributions.FREE_K)
    found = distributions.fit_log_k(data, counts.mean())
    assert math.exp(found) == pytest.approx(k, rel=2e-7)
    assert distributions.log_likelihood(data, counts.mean(), found) == pytest.approx(height, abs=1e-6)


def test_horse_kicks_are_told_as_poisson() -> None:
    counts = np.repeat(np.arange(5), [109, 65, 22, 3, 1])
    data = distributions.make_likelihood(make_bags(counts), distributions.FREE_K)
    assert distributions.fit_log_k(data, counts.mean()) > distributions.POISSON_LOG_K
    # pscl::prussian, Poisson fit in R 4.2
    assert distributions.log_likelihood(data, counts.mean(), distributions.LOG_K_GRID[-1]) == pytest.approx(
        -206.106794, abs=1e-3
    )


@pytest.mark.parametrize(
    ("n", "k", "bound"),
    # Computed from k (0.05^(-1/nk) - 1)
    [(10, 0.5, 0.4102821), (10, 1, 0.3492828), (20, 2, 0.1555383), (30, 1e9, 0.0998577), (100, 0.5, 0.0308730)],
)
def test_zero_bound(n: int, k: float, bound: float) -> None:
    assert distributions.zero_bound(make_bags(np.zeros(n)), tail=0.05, k=k) == pytest.approx(bound, abs=6e-8)


# Abramowitz & Stegun 1964, Handbook of Mathematical Functions, table 26.5 (from memory, unverified): x for Q(x).
@pytest.mark.parametrize(("level", "reach"), [(0.5, 0.67449), (0.8, 1.28155), (0.9, 1.64485), (0.95, 1.95996)])
def test_an_interval_reaches_as_far_as_the_table_says(level: float, reach: float) -> None:
    assert normal_reach(level) == pytest.approx(reach, abs=5e-6)


@pytest.mark.parametrize("share", [1e-9, 0.2, 0.8, 0.975, 1 - 1e-9])
def test_the_quantile_is_another_programs(share: float) -> None:
    assert normal_quantile(share) == pytest.approx(float(ndtri(share)), rel=1e-12)


@pytest.mark.parametrize("level", [0.5, 0.9, 0.99])
def test_a_spread_comes_back_from_its_interval_at_any_level(level: float) -> None:
    ends = (math.exp(sign * normal_reach(level) * 0.4) for sign in (-1, 1))
    assert log_spread(*ends, level) == pytest.approx(0.4)
