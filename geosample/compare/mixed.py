"""The model of a comparison, its fit, and the ratio's interval: negative binomial, log mean site + block + method.

The block effect is normal and integrated out, so that a block in which one method found nothing still counts (Booth,
Casella, Friedl & Hobert 2003, Statistical Modelling 3:179-191, give the negative binomial log-linear mixed model). The
integral is the trapezoid rule on an even grid, which for a smooth integrand that falls off like a normal is exact to
many digits (Trefethen & Weideman 2014, SIAM Review 56:385-458).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special, stats

from geosample.estimate import Interval
from geosample.negbin import BLOCKS, expect, log_pmf, slope_in_k, slopes

Floats = NDArray[np.float64]
NODES = np.linspace(-6.0, 6.0, 81)
_LOG_WEIGHTS = -0.5 * NODES**2 - 0.5 * np.log(2 * np.pi) + np.log(NODES[1] - NODES[0])
LOG_SD = (np.log(1e-3), np.log(5.0))
LOG_RATIO = (np.log(1e-6), np.log(1e6))
"""Bounds: block effects from none to a hundredfold either way."""


@dataclass(frozen=True, slots=True)
class Blocks:
    """Bags ready for the model, one row each.

    Parameters
    ----------
    count, effort : ndarray, shape (n,)
        Insects, and turf in the bag.
    is_method : ndarray of float, shape (n,)
        1 for the method, 0 for the reference.
    site, block : ndarray of int, shape (n,)
        Codes from 0 up.
    """

    count: Floats
    effort: Floats
    is_method: Floats
    site: NDArray[np.intp]
    block: NDArray[np.intp]

    @property
    def n_sites(self) -> int:
        """How many sites."""
        return int(self.site.max()) + 1

    @property
    def n_blocks(self) -> int:
        """How many blocks."""
        return int(self.block.max()) + 1

    @property
    def freedom(self) -> int:
        """Degrees of freedom inside blocks: bags less blocks less the ratio, one at the least."""
        return max(self.count.size - self.n_blocks - 1, 1)


@dataclass(frozen=True, slots=True)
class Fit:
    """A maximum: log likelihood, log ratio (one, or one a site), site intercepts, log k and log block sd."""

    log_likelihood: float
    log_ratio: Floats
    theta: Floats

    @property
    def k(self) -> float:
        """The negative binomial's k."""
        return float(np.exp(self.theta[-2]))

    @property
    def block_sd(self) -> float:
        """Standard deviation of the blocks' log density."""
        return float(np.exp(self.theta[-1]))


def fit_ratio(
    data: Blocks, *, log_ratio: float | None = None, by_site: bool = False, start: Floats | None = None
) -> Fit:
    """Return the maximum-likelihood fit.

    Parameters
    ----------
    data : Blocks
        The bags.
    log_ratio : float, optional
        Hold the log ratio there, for profiles.
    by_site : bool
        Let each site have a ratio of its own.
    start : ndarray, optional
        Where to begin: theta of a neighbouring fit.
    """
    slopes = _slopes(data, by_site=by_site)
    free = slopes.shape[1] if log_ratio is None else 0
    offset = np.log(data.effort) + (0.0 if log_ratio is None else log_ratio * data.is_method)
    design = np.column_stack([np.eye(data.n_sites)[data.site], slopes[:, :free]])
    bounds = [(None, None)] * data.n_sites + [LOG_RATIO] * free + [BLOCKS.log_bounds, LOG_SD]
    begin = _begin(data, free) if start is None else start
    found = optimize.minimize(
        _negative, begin, args=(data, design, offset), jac=True, method="L-BFGS-B", bounds=bounds,
        options={"maxiter": 500, "ftol": 1e-12, "gtol": 1e-7},
    )  # fmt: skip
    ratios = found.x[data.n_sites : data.n_sites + free] if free else np.array([log_ratio])
    return Fit(-float(found.fun), np.asarray(ratios, dtype=np.float64), found.x)


def log_likelihood(data: Blocks, log_mean: Floats, log_k: float, log_sd: float) -> float:
    """Return the log likelihood of the bags at given log means (block effect 0), log k and log block sd."""
    return float(special.logsumexp(_joint(data, log_mean, log_k, log_sd), axis=1).sum())


def redraw(data: Blocks, fit: Fit, rng: np.random.Generator) -> Blocks:
    """Return the same bags with counts drawn anew from a fit of one ratio."""
    block = rng.standard_normal(data.n_blocks)[data.block] * fit.block_sd
    log_mean = fit.theta[: data.n_sites][data.site] + float(fit.log_ratio[0]) * data.is_method + block
    mean = data.effort * np.exp(np.minimum(log_mean, 20.0))
    count = rng.poisson(mean * rng.gamma(fit.k, 1 / fit.k, mean.size)).astype(np.float64)
    return replace(data, count=count)


def _slopes(data: Blocks, *, by_site: bool) -> Floats:
    if not by_site:
        return data.is_method[:, None]
    return np.eye(data.n_sites)[data.site] * data.is_method[:, None]


def _begin(data: Blocks, free: int) -> Floats:
    totals = np.bincount(data.site, data.count) + 0.5
    means = np.log(totals / np.bincount(data.site, data.effort))
    return np.concatenate([means, np.zeros(free), [0.0, np.log(0.5)]])


def _joint(data: Blocks, log_mean: Floats, log_k: float, log_sd: float) -> Floats:
    """Return log of each block's likelihood at every node times the node's weight, shape (blocks, nodes)."""
    expected = expect(log_mean[:, None] + np.exp(log_sd) * NODES)
    bags = log_pmf(data.count[:, None], expected, np.exp(log_k))
    blocks = np.zeros((data.n_blocks, NODES.size))
    np.add.at(blocks, data.block, bags)
    return np.asarray(blocks + _LOG_WEIGHTS, dtype=np.float64)


def _negative(theta: Floats, data: Blocks, design: Floats, offset: Floats) -> tuple[float, Floats]:
    """Return minus the log likelihood and its gradient."""
    k, sd = np.exp(theta[-2:])
    log_mean = design @ theta[:-2] + offset
    joint = _joint(data, log_mean, theta[-2], theta[-1])
    each = special.logsumexp(joint, axis=1)
    weight = np.exp(joint - each[:, None])[data.block]
    count, expected = data.count[:, None], expect(log_mean[:, None] + sd * NODES)
    score = slopes(count, expected, k).first
    by_k = slope_in_k(count, expected, k)
    gradient = np.concatenate(
        [
            design.T @ (weight * score).sum(axis=1),
            [k * (weight * by_k).sum(), sd * (weight * score * NODES).sum()],
        ]
    )
    return -float(each.sum()), -gradient


def ratio_interval(data: Blocks, fit: Fit, *, level: float) -> Interval:
    """Return the ratio with the limits at which the likelihood falls by the F(1, bags - blocks - 1) point.

    The F point instead of chi-square's pays for k and the block spread being estimated. A method that found nothing
    has ratio 0 and only an upper limit, and the other way round.
    """
    cut = float(stats.f.ppf(level, 1, data.freedom))
    drop = _drop_from(data, fit)
    best = float(fit.log_ratio[0])
    caught = [float(data.count[data.is_method == side].sum()) for side in (0, 1)]
    low = 0.0 if not caught[1] else math.exp(_cross(drop, cut, best, -1))
    high = math.inf if not caught[0] else math.exp(_cross(drop, cut, best, 1))
    value = 0.0 if not caught[1] else math.inf if not caught[0] else math.exp(best)
    return Interval(value, low, high)


def one_sided_p(data: Blocks, fit: Fit, log_ratio: float, side: int) -> float:
    """Return the p of the ratio lying beyond a bound, by the signed root of the drop in likelihood on Student's t.

    Parameters
    ----------
    log_ratio : float
        The bound.
    side : int
        1 when the question is whether the ratio is above it, -1 below.
    """
    away = side * (float(fit.log_ratio[0]) - log_ratio)
    root = math.copysign(math.sqrt(_drop_from(data, fit)(log_ratio)), away)
    return float(stats.t.sf(root, data.freedom))


def _drop_from(data: Blocks, fit: Fit) -> Callable[[float], float]:
    keep = [i for i in range(fit.theta.size) if i != data.n_sites]

    def drop(log_ratio: float) -> float:
        held = fit_ratio(data, log_ratio=log_ratio, start=fit.theta[keep])
        return max(2 * (fit.log_likelihood - held.log_likelihood), 0.0)

    return drop


def _cross(drop: Callable[[float], float], cut: float, best: float, side: int) -> float:
    """Return where the drop passes the cut on one side of the best log ratio, its bound where it never does."""
    end = LOG_RATIO[0] if side < 0 else LOG_RATIO[1]
    inner, step = best, 0.25
    while side * (end - inner) > 0:
        outer = best + side * step
        if side * (end - outer) <= 0:
            return float(end)
        if drop(outer) > cut:
            return float(optimize.brentq(lambda at: drop(at) - cut, inner, outer, xtol=1e-5))
        inner, step = outer, step * 2
    return float(np.clip(inner, *LOG_RATIO))
