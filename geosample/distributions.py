"""Negative binomial counts, here and nowhere else: chances, slopes in the log mean and in log k, and fits of k.

And the normal distribution's quantile, which turns an interval into a standard deviation and back.

A count with expectation mu and k has variance mu + mu²/k. Its expectation is a density times what the bag searched
(its effort). In the fits, weights make it a pseudo-likelihood: they are scaled to sum to the effective number of bags
(Kish), so that its maximum is the weighted mean and its width pays for unequal weights.

The log chance stands here three times, in other orders of the same terms, each as its fit has always summed it: a new
order moves stored numbers in their last digits. The tests hold all three to one another.

References
----------
Bliss & Fisher 1953, Biometrics 9:176-200 (maximum likelihood of k).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np
from scipy import optimize, special

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Numbers = Floats | float

# exp(60) is far above any count and far below what a double can hold.
LOG_LIMIT = 60.0
FADES_FROM = 30
"""Bags from which a weak prior on a common k makes way for them (own choice)."""
POISSON_LOG_K = 9.0  # k above 8,000 is told as Poisson: the difference is beyond any turf survey


# What each caller lets k be


@dataclass(frozen=True, slots=True)
class Prior:
    """A normal prior on log k that keeps k from running off when n is small; infinite ``sd`` leaves k free.

    Parameters
    ----------
    mean, sd : float
        Of log k.
    df : int
        Degrees of freedom behind it, which a list of few bags borrows for its interval.
    """

    mean: float = 0.0
    sd: float = 1.0
    df: int = 4

    def log_density(self, log_k: Numbers) -> Floats:
        """Return the log density at log k, without its constant."""
        return np.asarray(-0.5 * ((log_k - self.mean) / self.sd) ** 2)

    def fade(self, bags: float) -> Prior:
        """Return the prior as it stands beside so many bags: as it is up to ``FADES_FROM``, then ever looser.

        Examples
        --------
        >>> Prior().fade(20).sd, Prior().fade(300).sd
        (1.0, 10.0)
        """
        return Prior(self.mean, self.sd * max(1.0, bags / FADES_FROM), self.df)

    def slope(self, log_k: float) -> float:
        """Return the slope of the log density at log k."""
        return -(log_k - self.mean) / self.sd**2


FREE_K = Prior(0.0, math.inf)
WEAK_K = Prior()


@dataclass(frozen=True, slots=True)
class KRule:
    """The bounds of k in one caller's fit, and its prior on log k."""

    low: float
    high: float
    prior: Prior

    @property
    def log_bounds(self) -> tuple[float, float]:
        """The bounds of log k."""
        return float(np.log(self.low)), float(np.log(self.high))


# All bounds are own choices, wide enough for any survey; "simulated" and the like stand where the value is used.
ONE_MEAN = KRule(math.exp(-7.0), math.exp(14.0), WEAK_K)
"""Of one mean, in estimate; a visit's own prior, or ``FREE_K``, may take the prior's place."""
GROUPS = KRule(math.exp(-5.0), math.exp(8.0), WEAK_K)
"""Common to groups with means of their own, in estimate: strata, and both sides of a border."""
BLOCKS = KRule(0.02, 1e4, FREE_K)
"""Of bags within a block, in compare: from hopelessly clumped to Poisson."""
FIELD = KRule(0.05, 300.0, Prior(0.0, 1.5))
"""Of bags around a map's expectation, in density, and around one average for all."""
RIVALS = KRule(0.05, 20.0, FREE_K)
"""Of bags around expectations that are given, as the map's rivals have them."""
K_IF_UNKNOWN = 0.5
"""k of a bag where none is known: none is published for these larvae (G); the low end of insect counts (M), so that
numbers of points and bounds err on the careful side (simulated for bounds of means)."""


# Chances: counts, expectations and k are arrays that broadcast, or numbers; expectations and k above 0


def log_pmf(count: Numbers, expected: Numbers, k: Numbers) -> Floats:
    """Return the log chance of counts.

    Parameters
    ----------
    count, expected, k : float or ndarray
        Counts, expectations and k above 0; they broadcast.

    Examples
    --------
    >>> float(np.exp(log_pmf(0, 1.0, 1.0)))
    0.5
    """
    return np.asarray(
        log_rising(count, k)
        - special.gammaln(count + 1.0)
        + log_none(expected, k)
        + count * (np.log(expected) - np.log(k + expected))
    )


def log_rising(count: Numbers, k: Numbers) -> Floats:
    """Return ln gamma(y + k) - ln gamma(k), what ties a count to k whatever its expectation."""
    return np.asarray(special.gammaln(count + k) - special.gammaln(k))


def log_none(expected: Numbers, k: Numbers) -> Floats:
    """Return the log chance of finding nothing.

    Examples
    --------
    >>> round(float(np.exp(log_none(1.0, 1.0))), 9)
    0.5
    """
    return np.asarray(-k * np.log1p(expected / k))


def relative_variance(expected: float, k: float) -> float:
    """Return a count's variance over its squared expectation, which is nearly the variance of its log.

    Examples
    --------
    >>> relative_variance(2.0, 0.5)
    2.5
    """
    return 1 / expected + 1 / k


def cdf(count: Numbers, expected: Numbers, k: Numbers) -> Floats:
    """Return the chance of at most so many; 0 below 0.

    Parameters
    ----------
    count, expected, k : float or ndarray
        Counts, expectations and k above 0; they broadcast.

    Examples
    --------
    >>> round(float(cdf(1, 1.0, 1.0)), 9)
    0.75
    """
    above = np.maximum(count + 1.0, 0.0)
    return np.asarray(special.betainc(k, np.maximum(above, 1e-300), k / (k + expected)) * (above > 0))


def quantile(share: Numbers, expected: Numbers, k: Numbers) -> Floats:
    """Return the smallest count that is not exceeded with at least the chance given.

    Parameters
    ----------
    share : float or ndarray
        The chance, above 0 and below 1.
    expected, k : float or ndarray
        Expectations and k above 0; they broadcast.

    Examples
    --------
    >>> quantile(np.array([0.4, 0.5, 0.51]), 1.0, 1.0).tolist()
    [0.0, 0.0, 1.0]
    """
    # The inverse is of a smooth curve through the steps, so that it is at most one off.
    near = np.maximum(np.rint(special.nbdtrik(share, k, k / (k + expected))) - 1, 0.0)
    for _ in range(2):
        near = np.where(cdf(near, expected, k) < share, near + 1, near)
    return np.asarray(near)


# Slopes


@dataclass(frozen=True, slots=True)
class Slopes:
    """Derivatives of the log chance in eta, the log expectation: first, minus second, and that one's slope."""

    first: Floats
    weight: Floats
    weight_slope: Floats


def expect(eta: Numbers) -> Floats:
    """Return exp(eta), kept where a double can hold it and its square."""
    return np.asarray(np.exp(np.clip(eta, -LOG_LIMIT, LOG_LIMIT)))


def slopes(count: Floats, expected: Floats, k: float) -> Slopes:
    """Return the derivatives in eta; the weight is never negative, so the mode is unique.

    Parameters
    ----------
    count, expected : ndarray, shape (n,)
        Counts, and expectations above 0.
    k : float
        Above 0.

    Notes
    -----
    With e the expectation: first k(y - e)/(k + e), weight (y + k) k e/(k + e)², its slope weight (k - e)/(k + e).
    """
    total = k + expected
    weight = (count + k) * k * expected / total**2
    return Slopes(k * (count - expected) / total, weight, weight * (k - expected) / total)


def slope_in_k(count: Floats, expected: Floats, k: float) -> Floats:
    """Return the derivative of the log chance in k.

    Parameters
    ----------
    count, expected : ndarray, shape (n,)
        Counts, and expectations above 0.
    k : float
        Above 0.
    """
    found = special.digamma(count + k) - special.digamma(k)
    return np.asarray(found - np.log1p(expected / k) + (expected - count) / (k + expected))


def slopes_in_log_k(count: Floats, expected: Floats, k: float) -> Slopes:
    """Return what log k changes: the log chance itself (``first``), its weight, and its first slope in eta.

    The three are returned in the fields first (d log p), weight (d weight) and weight_slope (d first).

    Parameters
    ----------
    count, expected : ndarray, shape (n,)
        Counts, and expectations above 0.
    k : float
        Above 0.
    """
    total = k + expected
    weight = expected * ((count + 2 * k) * total - 2 * k * (count + k)) / total**3
    first = (count - expected) * expected / total**2
    return Slopes(k * slope_in_k(count, expected, k), k * weight, k * first)


# One k around expectations that are given


def fit_k_around(expected: Floats, count: Floats) -> tuple[float, float]:
    """Return the most likely k of counts around their expectations, and the mean log chance there (``RIVALS``)."""

    def cost(log_k: float) -> float:
        return float(-log_pmf(count, expected, float(np.exp(log_k))).mean())

    best = optimize.minimize_scalar(cost, bounds=RIVALS.log_bounds, method="bounded", options={"xatol": 1e-3})
    return float(np.exp(best.x)), -float(best.fun)


# One mean and k of a list of bags

LOG_K_GRID: Floats = np.linspace(*ONE_MEAN.log_bounds, 85)


@dataclass(frozen=True, slots=True)
class Bags:
    """Counts of one kind of place.

    Parameters
    ----------
    count : ndarray, shape (n,)
        Insects in each bag, whole numbers.
    effort : ndarray, shape (n,)
        What each bag searched, m² (area taken times recovery), above 0.
    weight : ndarray, shape (n,)
        Design weights, m²; only their ratios matter.
    """

    count: Floats
    effort: Floats
    weight: Floats

    @property
    def n_effective(self) -> float:
        """Kish's effective number of bags, (sum w)² / sum w²."""
        return float(self.weight.sum() ** 2 / (self.weight**2).sum())


@dataclass(frozen=True, slots=True)
class Likelihood:
    """Grouped bags with what does not depend on the mean worked out once."""

    count: Floats  # distinct (count, effort) pairs
    effort: Floats
    weight: Floats  # summing to the effective number of bags
    constant: float  # sum of w ln y!
    grid_rising: Floats  # sum of w [ln gamma(y + k) - ln gamma(k)] along LOG_K_GRID
    prior: Prior


def make_likelihood(bags: Bags, prior: Prior = ONE_MEAN.prior) -> Likelihood:
    """Return the likelihood of the bags, grouped by count and effort."""
    pairs, place = np.unique(np.column_stack([bags.count, bags.effort]), axis=0, return_inverse=True)
    scaled = bags.weight * bags.n_effective / bags.weight.sum()
    weight = np.bincount(place.ravel(), weights=scaled).astype(np.float64)
    count, effort = pairs[:, 0], pairs[:, 1]
    rising = log_rising(count, np.exp(LOG_K_GRID)[:, None]) @ weight
    return Likelihood(count, effort, weight, float(special.gammaln(count + 1) @ weight), rising, prior)


def log_likelihood(data: Likelihood, mean: float, log_k: float) -> float:
    """Return the log-likelihood, without the prior.

    Parameters
    ----------
    data : Likelihood
        The bags.
    mean : float
        Per unit of effort.
    log_k : float
        Log of k.
    """
    k = math.exp(log_k)
    each = log_rising(data.count, k) + _mean_terms(data, mean * data.effort, np.array([k]))[0]
    return float(data.weight @ each) - data.constant


def fit_log_k(data: Likelihood, mean: float) -> float:
    """Return the log k that fits best at a mean, prior included; the grid's end stands for Poisson."""
    return _best_log_k(data, mean)[0]


def profile(data: Likelihood, mean: float) -> float:
    """Return the log-likelihood at a mean with the best k, prior included."""
    return _best_log_k(data, mean)[1]


def fit_mean(data: Likelihood) -> float:
    """Return the mean per unit of effort of highest profile; the weighted mean when all efforts are the same."""
    pooled = float(data.weight @ data.count / (data.weight @ data.effort))
    if pooled == 0 or np.ptp(data.effort) <= 1e-9 * float(data.effort[0]):
        return pooled

    def fall(shift: float) -> float:
        return -profile(data, pooled * math.exp(shift))

    found = optimize.minimize_scalar(fall, bounds=(-1, 1), method="bounded", options={"xatol": 1e-7})
    return pooled * math.exp(float(found.x))


def _mean_terms(data: Likelihood, expected: Floats, k: Floats) -> Floats:
    """Return what depends on the mean for each k (rows) and pair (columns)."""
    rows = k[:, None]
    return np.asarray(
        rows * (np.log(rows) - np.log(rows + expected)) + special.xlogy(data.count, expected / (rows + expected))
    )


def _best_log_k(data: Likelihood, mean: float) -> tuple[float, float]:
    expected = mean * data.effort
    along = data.grid_rising + _mean_terms(data, expected, np.exp(LOG_K_GRID)) @ data.weight
    peak = int(np.argmax(along + data.prior.log_density(LOG_K_GRID)))
    low, high = LOG_K_GRID[max(peak - 1, 0)], LOG_K_GRID[min(peak + 1, LOG_K_GRID.size - 1)]

    def slope(log_k: float) -> float:
        k = math.exp(log_k)
        return k * float(data.weight @ slope_in_k(data.count, expected, k)) + data.prior.slope(log_k)

    turns = slope(low) > 0 > slope(high)
    log_k = float(optimize.brentq(slope, low, high, xtol=1e-9)) if turns else float(LOG_K_GRID[peak])
    return log_k, log_likelihood(data, mean, log_k) + float(data.prior.log_density(log_k))


def zero_bound(bags: Bags, *, tail: float, k: float = K_IF_UNKNOWN) -> float:
    """Return the mean at which finding nothing at all has probability ``tail``: the exact bound after only zeros.

    Parameters
    ----------
    bags : Bags
        Their counts do not matter.
    tail : float
        The probability, 0 to 1.
    k : float
        Of a bag.

    Examples
    --------
    >>> round(zero_bound(Bags(np.zeros(10), np.ones(10), np.ones(10)), tail=0.05, k=1.0), 7)
    0.3492828
    """
    share = bags.n_effective / bags.count.size

    def surplus(log_mean: float) -> float:
        expected = math.exp(log_mean) * bags.effort
        return float(share * k * np.log1p(expected / k).sum() + math.log(tail))

    middle = -math.log(float(bags.effort.mean()))
    return math.exp(float(optimize.brentq(surplus, middle - 40, middle + 120, xtol=1e-12)))


# Groups with means of their own, a ratio between the sides of each, and one k


@dataclass(frozen=True, slots=True)
class Groups:
    """Counts in groups that share a ratio between their sides and a k.

    Parameters
    ----------
    count, effort, weight : ndarray, shape (n,)
        As in ``Bags``; weights sum to the effective number of bags within each group and side.
    group : ndarray of int, shape (n,)
        Which group, from 0, none empty and none without an insect.
    side : ndarray of float, shape (n,)
        1 where the ratio applies (the border), 0 elsewhere.
    """

    count: Floats
    effort: Floats
    weight: Floats
    group: NDArray[np.int64]
    side: Floats

    @property
    def n(self) -> int:
        """How many groups."""
        return int(np.unique(self.group).size)

    @property
    def prior(self) -> Prior:
        """Of their common k: ``GROUPS``', fading as bags grow many."""
        return GROUPS.prior.fade(float(self.weight.sum()))


def best_common_log_k(groups: Groups, log_ratio: float = 0.0) -> tuple[float, float]:
    """Return the best log k at a log ratio, and the penalised log-likelihood there."""

    def fall(log_k: float) -> float:
        return -with_best_means(groups, log_ratio, log_k)

    found = optimize.minimize_scalar(fall, bounds=GROUPS.log_bounds, method="bounded", options={"xatol": 1e-5})
    return float(found.x), -float(found.fun)


def with_best_means(groups: Groups, log_ratio: float, log_k: float) -> float:
    """Return the log-likelihood at a log ratio and log k with the groups' best means, the prior on log k included.

    Each group's mean is found by Newton steps of its own, all groups at once.

    Parameters
    ----------
    groups : Groups
        The bags.
    log_ratio : float
        Log of the density on side 1 over that on side 0.
    log_k : float
        Log of k.
    """
    k = math.exp(log_k)
    effort = groups.effort * np.exp(log_ratio * groups.side)
    searched = np.bincount(groups.group, groups.weight * effort)
    log_mean = np.log(np.bincount(groups.group, groups.weight * groups.count) / searched)
    for _ in range(40):
        expected = effort * np.exp(log_mean[groups.group])
        pull = k / (k + expected)
        score = np.bincount(groups.group, groups.weight * (groups.count - expected) * pull)
        bend = np.bincount(groups.group, groups.weight * expected * pull * (k + groups.count) / (k + expected))
        step = np.clip(score / bend, -1.0, 1.0)
        log_mean = log_mean + step
        if float(np.abs(step).max()) < 1e-10:  # noqa: PLR2004
            break
    expected = effort * np.exp(log_mean[groups.group])
    each = log_rising(groups.count, k) + log_none(expected, k)
    each = each + special.xlogy(groups.count, expected / (k + expected))
    return float(groups.weight @ each) + float(groups.prior.log_density(log_k))


_STANDARD = NormalDist()


def normal_quantile(share: float) -> float:
    """Return the standard normal value below which a share above 0 lies, infinite for all of it.

    Examples
    --------
    >>> normal_quantile(0.5), round(normal_quantile(0.8), 4)
    (0.0, 0.8416)
    """
    return _STANDARD.inv_cdf(share) if share < 1 else math.inf


def normal_reach(level: float) -> float:
    """Return how many standard deviations an interval reaches to each side to hold a normal value with probability.

    Examples
    --------
    >>> round(normal_reach(0.95), 4), round(normal_reach(0.9), 4), normal_reach(1.0)
    (1.96, 1.6449, inf)
    """
    return normal_quantile((1 + level) / 2)


def exact_limits(hits: Numbers, n: float, tail: float) -> tuple[Floats, Floats]:
    """Return the limits of a share by Clopper and Pearson.

    Parameters
    ----------
    hits, n : float, or array of shape (shares,)
        So many of how many; they need not be whole: an effective number of bags is not.
    tail : float
        Chance left out on each side.

    Examples
    --------
    >>> low, high = exact_limits(2.0, 10.0, 0.025)
    >>> round(float(low), 3), round(float(high), 3)
    (0.025, 0.556)
    """
    hits = np.asarray(hits, dtype=np.float64)
    low = np.where(hits > 0, special.betaincinv(np.maximum(hits, 1e-12), n - hits + 1, tail), 0.0)
    high = np.where(hits < n, special.betaincinv(hits + 1, np.maximum(n - hits, 1e-12), 1 - tail), 1.0)
    return low, high


def log_spread(low: float, high: float, level: float) -> float:
    """Return the standard deviation of a value's logarithm from the ends of its interval.

    Parameters
    ----------
    low, high : float
        The ends, both above 0; the interval is as wide to each side on the log scale.
    level : float
        The probability with which it holds the value, below 1.

    Examples
    --------
    >>> round(log_spread(math.exp(-1.96), math.exp(1.96), 0.95), 3)
    1.0
    """
    return (math.log(high) - math.log(low)) / (2 * normal_reach(level))
