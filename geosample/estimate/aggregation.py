"""How clumped the counts are: variance to mean, k with its interval, Morisita, Lloyd, Taylor and Iwao.

None of these says where the insects are; all but k ignore everything but the list of counts.

References
----------
Bliss & Fisher 1953, Biometrics 9:176-200 (k). Lloyd 1967; Iwao 1968; Morisita 1959; Taylor 1961
(from memory, unverified).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import scipy  # its stats are slow to import, and load when the lines are fitted
from scipy import optimize, special

from geosample.estimate.intervals import Interval, spread_cut
from geosample.negbin import (
    FREE_K,
    GROUPS,
    ONE_MEAN,
    POISSON_LOG_K,
    WEAK_K,
    Bags,
    best_common_log_k,
    fit_log_k,
    log_likelihood,
    make_likelihood,
    with_best_means,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from geosample.negbin import Groups

    Floats = NDArray[np.float64]

MANY = 30  # bags from which k is told without shrinking (own choice, no source)
FEWEST_FOR_LAWS = 10  # pairs of mean and variance for Taylor or Iwao (Clark & Perry 1994)
FEWEST_IN_PAIR = 15  # sample units behind each pair (Clark & Perry 1994)


@dataclass(frozen=True, slots=True)
class Indices:
    """Indices of one list of counts; missing where too few insects were found.

    Parameters
    ----------
    ratio : float
        Variance to mean; 1 for a random scatter.
    morisita : float
        Morisita's I (1 for random).
    crowding, patchiness : float
        Lloyd's mean crowding, and that over the mean (1 for random).
    p_random : float
        Chance of at least this variance to mean from a random scatter.
    """

    ratio: float
    morisita: float
    crowding: float
    patchiness: float
    p_random: float


@dataclass(frozen=True, slots=True)
class PowerLaw:
    """Taylor's or Iwao's line: intercept, slope, the slope's standard error, and r²."""

    intercept: float
    slope: float
    slope_se: float
    r2: float


def measure_clumping(count: Floats) -> Indices:
    """Return the indices of a list of counts.

    Examples
    --------
    >>> found = measure_clumping(np.array([0, 1, 0, 2, 0, 3, 1, 0, 4, 0, 0, 1, 7, 2, 0, 0.0]))
    >>> round(found.morisita, 6), round(found.crowding, 6)
    (2.438095, 3.22996)
    """
    n, total = count.size, float(count.sum())
    if n < 2 or total < 2:  # noqa: PLR2004
        return Indices(*([math.nan] * 5))
    mean = total / n
    ratio = float(count.var(ddof=1)) / mean
    crowding = mean + ratio - 1
    morisita = n * float((count * (count - 1)).sum()) / (total * (total - 1))
    p_random = float(special.chdtrc(n - 1, (n - 1) * ratio))
    return Indices(ratio, morisita, crowding, crowding / mean, p_random)


def fit_k(bags: Bags, *, level: float = 0.95) -> Interval | None:
    """Return k with its profile interval; infinite where the counts are as even as Poisson's.

    Parameters
    ----------
    bags : Bags
        Of one mean.
    level : float
        Two-sided confidence.

    Returns
    -------
    Interval or None
        None when nothing was found.

    Notes
    -----
    The prior is ``WEAK_K`` below ``MANY`` bags and none from there on: small samples overstate k.
    """
    if not bags.count.any():
        return None
    data = make_likelihood(bags, FREE_K if bags.n_effective >= MANY else WEAK_K)
    mean = float(data.weight @ data.count / (data.weight @ data.effort))
    best = fit_log_k(data, mean)
    allowed = spread_cut(bags.n_effective, level)

    def height(log_k: float) -> float:
        return log_likelihood(data, mean, log_k) + float(data.prior.log_density(log_k))

    top = height(best)

    def drop(log_k: float) -> float:
        return 2 * (top - height(log_k)) - allowed

    low, high = _limits(drop, best, ONE_MEAN.log_bounds)
    return Interval(*(math.exp(v) if v < POISSON_LOG_K else math.inf for v in (best, low, high)))


def fit_common_k(groups: Groups, *, level: float = 0.95) -> Interval:
    """Return the k common to groups with means of their own, with its profile interval (weak prior on log k).

    Pooling groups of different means as one would take the spread between their means for clumping.
    """
    best, top = best_common_log_k(groups)
    cut = spread_cut(float(groups.weight.sum()) - groups.n + 1, level)

    def drop(log_k: float) -> float:
        return 2 * (top - with_best_means(groups, 0.0, log_k)) - cut

    low, high = _limits(drop, best, GROUPS.log_bounds)
    return Interval(math.exp(best), math.exp(low), math.exp(high))


def _limits(drop: Callable[[float], float], best: float, ends: tuple[float, float]) -> tuple[float, float]:
    """Return where the drop allowed is used up on both sides of the best; infinite where it is not within the ends."""
    first, last = ends
    low = float(optimize.brentq(drop, first, best)) if drop(first) > 0 else -math.inf
    high = float(optimize.brentq(drop, best, last)) if drop(last) > 0 else math.inf
    return low, high


def fit_taylor(mean: Floats, variance: Floats) -> PowerLaw:
    """Return ln variance = ln a + b ln mean by least squares; ``intercept`` is a. Pairs of zero are left out."""
    kept = (mean > 0) & (variance > 0)
    line = scipy.stats.linregress(np.log(mean[kept]), np.log(variance[kept]))
    return PowerLaw(math.exp(line.intercept), float(line.slope), float(line.stderr), float(line.rvalue) ** 2)


def fit_iwao(mean: Floats, variance: Floats) -> PowerLaw:
    """Return mean crowding = alpha + beta mean by least squares. Pairs of zero mean are left out."""
    kept = mean > 0
    crowding = mean[kept] + variance[kept] / mean[kept] - 1
    line = scipy.stats.linregress(mean[kept], crowding)
    return PowerLaw(float(line.intercept), float(line.slope), float(line.stderr), float(line.rvalue) ** 2)
