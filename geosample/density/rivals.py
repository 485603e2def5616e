"""Plainer ways to foretell a count, which the map has to beat: tuned inverse-distance weighting.

References
----------
Shepard 1968, A two-dimensional interpolation function for irregularly-spaced data, Proc. 23rd ACM conference, 517-524.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.optimize import minimize_scalar
from scipy.spatial.distance import cdist

from geosample.density.fitting import BOUNDS
from geosample.density.likelihood import expect, log_pmf, slopes
from geosample.density.scores import Predictive, mix_lognormal

POWERS = (0.25, 0.5, 1.0, 1.5, 2.0, 3.0, 4.0)
_TOUCHING_M = 1e-3
_MOST_STEPS = 200
_SETTLED = 1e-9


def weigh_distances(distance_m: np.ndarray, power: float, effort: np.ndarray) -> np.ndarray:
    """Return the weights of samples in the mean count at places, rows adding up to 1, shape (m, n).

    Parameters
    ----------
    distance_m : ndarray, shape (m, n)
        From each place to each sample; an infinite one leaves the sample out.
    power : float
        Of the inverse distance.
    effort : ndarray, shape (n,)
        Of the samples; a sample of more turf weighs more.
    """
    logs = np.log(effort) - power * np.log(np.maximum(distance_m, _TOUCHING_M))
    weights = np.exp(logs - logs.max(axis=1, keepdims=True))
    return np.asarray(weights / weights.sum(axis=1, keepdims=True))


def tune_distance_power(
    places: np.ndarray, count: np.ndarray, effort: np.ndarray, powers: Sequence[float] = POWERS
) -> tuple[float, float]:
    """Return the power and k with the best leave-one-out negative binomial log score.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> noise = rng.poisson(3.0, 60).astype(float)
    >>> tune_distance_power(rng.uniform(0, 100, (60, 2)), noise, np.ones(60))[0]
    0.25
    """
    tried = [(*_best_k(_left_out(places, count, effort, power), count), power) for power in powers]
    _, k, power = min(tried)
    return power, k


def leave_out_distance(places: np.ndarray, count: np.ndarray, effort: np.ndarray) -> Predictive:
    """Return every count foretold from all the others by tuned inverse-distance weighting, negative binomial.

    Notes
    -----
    A single sample has no others: it is foretold by itself.
    """
    if len(count) == 1:
        return Predictive(np.maximum(count, 0.5)[:, None], np.ones(1), 1.0)
    power, k = tune_distance_power(places, count, effort)
    return Predictive(_left_out(places, count, effort, power)[:, None], np.ones(1), k)


def _left_out(places: np.ndarray, count: np.ndarray, effort: np.ndarray, power: float) -> np.ndarray:
    """Return each count's expectation from all the other samples, shape (n,)."""
    distance_m = cdist(places, places)
    np.fill_diagonal(distance_m, np.inf)
    return expect_count(weigh_distances(distance_m, power, effort), count, effort, effort)


def expect_count(weights: np.ndarray, count: np.ndarray, effort: np.ndarray, effort_there: np.ndarray) -> np.ndarray:
    """Return expected counts from weights, never quite 0: half an insect in all is the least the counts can tell."""
    least = 0.5 / effort.sum()
    return np.asarray(np.maximum(weights @ (count / effort), least) * effort_there)


def leave_out_average(count: np.ndarray, offset: np.ndarray, level_sd: float) -> tuple[Predictive, float]:
    """Return every count foretold by one density for all, from all the others, and the k it has.

    Parameters
    ----------
    count, offset : ndarray, shape (n,)
        Counts, and the log of their expectation where the level is zero.
    level_sd : float
        Prior spread of the level, as in the map.

    Notes
    -----
    The map's model without field and covariates: one latent value, Laplace's approximation, k at its most likely.
    """
    best = minimize_scalar(
        lambda log_k: log_k**2 / 2 - _settle_level(count, offset, float(np.exp(log_k)), level_sd)[1],
        bounds=tuple(np.log(BOUNDS[2])),
        method="bounded",
        options={"xatol": 1e-3},
    )
    k = float(np.exp(best.x))
    level, _ = _settle_level(count, offset, k, level_sd)
    slope = slopes(count, expect(level + offset), k)
    others = slope.weight.sum() - slope.weight + level_sd**-2
    target = slope.weight * level + slope.first
    return mix_lognormal((target.sum() - target) / others, others**-0.5, offset, k), k


def _settle_level(count: np.ndarray, offset: np.ndarray, k: float, level_sd: float) -> tuple[float, float]:
    """Return the most likely level and Laplace's log marginal likelihood, by Newton steps of at most 1."""
    level = 0.0
    for _ in range(_MOST_STEPS):
        slope = slopes(count, expect(level + offset), k)
        step = (slope.first.sum() - level / level_sd**2) / (slope.weight.sum() + level_sd**-2)
        level += float(np.clip(step, -1.0, 1.0))
        if abs(step) < _SETTLED:
            break
    curvature = slopes(count, expect(level + offset), k).weight.sum()
    height = log_pmf(count, expect(level + offset), k).sum() - level**2 / (2 * level_sd**2)
    return level, float(height - np.log1p(level_sd**2 * curvature) / 2)


def fit_k(expected: np.ndarray, count: np.ndarray) -> float:
    """Return the most likely k of counts around their expectations."""
    return _best_k(expected, count)[1]


def _best_k(expected: np.ndarray, count: np.ndarray) -> tuple[float, float]:
    def cost(log_k: float) -> float:
        return float(-log_pmf(count, expected, float(np.exp(log_k))).mean())

    best = minimize_scalar(cost, bounds=tuple(np.log(BOUNDS[2])), method="bounded", options={"xatol": 1e-3})
    return float(best.fun), float(np.exp(best.x))
