"""Too few insects for a map: one upper bound for all the ground, and nothing that looks like knowledge."""

from __future__ import annotations

import numpy as np
from scipy.optimize import brentq
from scipy.special import betainc

from geosample.normal import normal_quantile

BOUND_K = 0.5
"""k taken for the bound: the clumped end of what is usual for turf insects (1 ft² white grubs: 1.59, grade A)."""


def upper_bound(insects: int, samples: int, k: float = BOUND_K, *, confidence: float = 0.95) -> float:
    """Return the one-sided upper bound of the mean count per sample when few insects were found in all.

    Notes
    -----
    The sum of n counts with mean mu and the same k is negative binomial with mean n mu and size n k; the bound is the
    mu that leaves a chance of 1 - confidence to find as few.

    Examples
    --------
    >>> round(upper_bound(0, 10), 6)  # k ((1 - 0.95)^(-1/(n k)) - 1)
    0.410282
    """
    size = samples * k

    def excess(log_mu: float) -> float:
        expected = samples * np.exp(log_mu)
        return float(betainc(size, insects + 1, size / (size + expected)) - (1 - confidence))

    return float(np.exp(brentq(excess, np.log(1e-9), np.log(1e9), xtol=1e-12)))


def bound_density(insects: int, effort_m2: np.ndarray, *, confidence: float = 0.95) -> tuple[float, float, float]:
    """Return the pooled density, its upper bound, both per m², and the spread of the log density that joins them."""
    high = upper_bound(insects, len(effort_m2), confidence=confidence) / float(effort_m2.mean())
    middle = max(insects, 0.5) / float(effort_m2.sum())
    return middle, high, float(np.log(high / middle) / normal_quantile(confidence))
