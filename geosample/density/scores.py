"""Scores of predictive distributions of counts and densities: the lower the better.

References
----------
Gneiting & Raftery 2007, JASA 102:359-378 (proper scores); Czado, Gneiting & Held 2009, Biometrics 65:1254-1261 (PIT).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import betainc

from geosample.density.field import FittedField
from geosample.density.likelihood import expect, log_pmf, slopes

_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(32)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()
_TOLD_IN_ONES = 200.0
_MOST_STEPS = 20_000
_LEFT_OUT = 1e-7


@dataclass(frozen=True, slots=True)
class Predictive:
    """Predictive distributions of counts: negative binomials mixed over nodes of the log expectation.

    Parameters
    ----------
    expected : ndarray, shape (n, nodes)
        Expectations mixed over.
    share : ndarray, shape (nodes,)
        Weight of each node, adding up to 1.
    k : float or ndarray, shape (n,)
        Of the negative binomials.
    """

    expected: np.ndarray
    share: np.ndarray
    k: float | np.ndarray

    def log_score(self, count: np.ndarray) -> np.ndarray:
        """Return -log p(count), shape (n,)."""
        k = np.broadcast_to(np.asarray(self.k, dtype=float), count.shape)[:, None]
        logs = log_pmf(count[:, None], self.expected, k)
        most = logs.max(axis=1, keepdims=True)
        return np.asarray(-(most[:, 0] + np.log(np.exp(logs - most) @ self.share)))

    def cdf(self, count: np.ndarray) -> np.ndarray:
        """Return P(Y <= count), shape (n,); 0 below 0."""
        k = np.broadcast_to(np.asarray(self.k, dtype=float), count.shape)[:, None]
        below = np.maximum(count[:, None] + 1.0, 0.0)
        return np.asarray(betainc(k, np.maximum(below, 1e-300), k / (k + self.expected)) * (below > 0) @ self.share)


def mix_lognormal(mean: np.ndarray, spread: np.ndarray, offset: np.ndarray, k: float) -> Predictive:
    """Return the predictive distributions of counts whose log expectation is normal, by Gauss-Hermite nodes."""
    return Predictive(expect(mean[:, None] + spread[:, None] * _NODES + offset[:, None]), _WEIGHTS, k)


def leave_one_out(fitted: FittedField) -> tuple[np.ndarray, np.ndarray]:
    """Return mean and spread of each sample's latent value given all the other samples, hyper-parameters kept.

    Notes
    -----
    Laplace's approximation puts a normal site of precision W at each sample; taking one away leaves the cavity
    (Rasmussen & Williams 2006, equations 3.56 applied to Laplace sites).
    """
    sites, k = fitted.sites, fitted.hyper.k
    slope = slopes(sites.count, expect(fitted.eta + sites.offset), k)
    # The cavity variance from R alone: 1/R_ii - 1/W_ii, as for a Gaussian process with noise 1/W.
    weight = np.maximum(slope.weight, 1e-12)
    diagonal = np.maximum(np.diag(fitted.precision), 1e-300)
    variance = np.maximum(1 / diagonal - 1 / weight, 1e-12)
    target = fitted.eta + slope.first / weight
    # The sites' own residual weights: R (target) equals the pull at the mode.
    return np.asarray(target - fitted.pull / diagonal), np.sqrt(variance)


def crps_counts(predictive: Predictive, count: np.ndarray) -> np.ndarray:
    """Return the continuous ranked probability score of counts: the sum of (F(x) - 1[x >= y])² over whole x.

    Notes
    -----
    The pmf is built up by its recursion until all chance but a billionth lies below. A prediction of many hundreds is
    told in tens, or hundreds: a negative binomial with mean mu and size k is there a gamma in all but name.

    Examples
    --------
    >>> one = Predictive(np.array([[1.0]]), np.array([1.0]), 1.0)
    >>> float(crps_counts(one, np.array([0.0]))[0].round(6))
    0.333333
    """
    step = np.maximum(1.0, np.floor(np.maximum(predictive.expected @ predictive.share, 0.0) / _TOLD_IN_ONES))
    k = np.broadcast_to(np.asarray(predictive.k, dtype=float), count.shape)[:, None]
    expected, value = predictive.expected / step[:, None], np.round(count / step)
    odds = expected / (k + expected)
    chance = np.exp(-k * np.log1p(expected / k))
    below, total = np.zeros(len(count)), np.zeros(len(count))
    for x in range(_MOST_STEPS):
        below += chance @ predictive.share
        total += (below - (x >= value)) ** 2
        if (below > 1 - _LEFT_OUT).all():
            break
        chance *= odds * (k + x) / (x + 1)
    return np.asarray(step * (total + np.maximum(value - x - 1, 0.0)))


def spread_pit(predictive: Predictive, count: np.ndarray) -> np.ndarray:
    """Return the share of counts in each tenth of what was foretold: all 0.1 where it is right, shape (10,).

    Notes
    -----
    The non-randomised mean probability integral transform of Czado, Gneiting & Held 2009, equation 2.
    """
    low, high = predictive.cdf(count - 1), predictive.cdf(count)
    width = np.maximum(high - low, 1e-12)
    edges = np.linspace(0, 1, 11)[:, None]
    return np.asarray(np.diff(np.clip((edges - low) / width, 0, 1).mean(axis=1)))


def hold_share(predictive: Predictive, count: np.ndarray, level: float) -> float:
    """Return the share of counts inside the central predictive interval; above the level for counts with few values."""
    tail = (1 - level) / 2
    return float(((predictive.cdf(count) >= tail) & (predictive.cdf(count - 1) < 1 - tail)).mean())
