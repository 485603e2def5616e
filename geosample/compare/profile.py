"""Intervals and one-sided tests of the ratio by its likelihood profile."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from scipy import optimize, stats

from geosample.compare.mixed import LOG_RATIO, Blocks, Fit, fit_ratio
from geosample.estimate import Interval


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
