"""Negative binomial counts: the bags, their log-likelihood, and the k and mean that fit best.

Variance of a bag's count is mu + mu²/k; mu is the density times the bag's effort. Weights make it a pseudo-likelihood:
they are scaled to sum to the effective number of bags (Kish), so that its maximum is the weighted mean and its width
pays for unequal weights.

References
----------
Bliss & Fisher 1953, Biometrics 9:176-200 (maximum likelihood of k).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import optimize, special

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

LOG_K_GRID: Floats = np.linspace(-7.0, 14.0, 85)
POISSON_LOG_K = 9.0  # k above 8,000 is told as Poisson: the difference is beyond any turf survey


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


FREE_K = Prior(0.0, math.inf)
WEAK_K = Prior()


@dataclass(frozen=True, slots=True)
class Likelihood:
    """Grouped bags with what does not depend on the mean worked out once."""

    count: Floats  # distinct (count, effort) pairs
    effort: Floats
    weight: Floats  # summing to the effective number of bags
    constant: float  # sum of w ln y!
    grid_gamma: Floats  # sum of w [ln gamma(y + k) - ln gamma(k)] along LOG_K_GRID
    prior: Prior


def make_likelihood(bags: Bags, prior: Prior = WEAK_K) -> Likelihood:
    """Return the likelihood of the bags, grouped by count and effort."""
    pairs, place = np.unique(np.column_stack([bags.count, bags.effort]), axis=0, return_inverse=True)
    scaled = bags.weight * bags.n_effective / bags.weight.sum()
    weight = np.bincount(place.ravel(), weights=scaled).astype(np.float64)
    count, effort = pairs[:, 0], pairs[:, 1]
    k = np.exp(LOG_K_GRID)[:, None]
    gamma = (special.gammaln(count + k) - special.gammaln(k)) @ weight
    return Likelihood(count, effort, weight, float(special.gammaln(count + 1) @ weight), gamma, prior)


def log_likelihood(data: Likelihood, mean: float, log_k: float) -> float:
    """Return the log-likelihood at a mean per unit of effort and log k, without the prior."""
    k, expected = math.exp(log_k), mean * data.effort
    gamma = special.gammaln(data.count + k) - special.gammaln(k)
    return float(data.weight @ (gamma + _mean_terms(data, expected, np.array([k]))[0])) - data.constant


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
    along = data.grid_gamma + _mean_terms(data, expected, np.exp(LOG_K_GRID)) @ data.weight
    peak = int(np.argmax(along + _log_prior(data.prior, LOG_K_GRID)))
    low, high = LOG_K_GRID[max(peak - 1, 0)], LOG_K_GRID[min(peak + 1, LOG_K_GRID.size - 1)]

    def slope(log_k: float) -> float:
        return _slope(data, expected, log_k)

    turns = slope(low) > 0 > slope(high)
    log_k = float(optimize.brentq(slope, low, high, xtol=1e-9)) if turns else float(LOG_K_GRID[peak])
    return log_k, log_likelihood(data, mean, log_k) + float(_log_prior(data.prior, np.array([log_k]))[0])


def _log_prior(prior: Prior, log_k: Floats) -> Floats:
    return -0.5 * ((log_k - prior.mean) / prior.sd) ** 2


def _slope(data: Likelihood, expected: Floats, log_k: float) -> float:
    """Return the slope of the penalised log-likelihood in log k."""
    k = math.exp(log_k)
    found = special.digamma(data.count + k) - special.digamma(k)
    each = found - np.log1p(expected / k) + (expected - data.count) / (k + expected)
    return k * float(data.weight @ each) - (log_k - data.prior.mean) / data.prior.sd**2
