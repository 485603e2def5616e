"""The normal distribution's quantile, which turns an interval into a standard deviation and back."""

from __future__ import annotations

import math
from statistics import NormalDist

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
