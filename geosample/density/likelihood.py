"""The negative binomial likelihood of counts given the log of their expectation, and its derivatives."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import digamma, gammaln

# exp(60) is far above any count and far below what a double can hold.
LOG_LIMIT = 60.0


@dataclass(frozen=True, slots=True)
class Slopes:
    """Derivatives of the log likelihood in eta, the log expectation: first, minus second, and that one's slope."""

    first: np.ndarray
    weight: np.ndarray
    weight_slope: np.ndarray


def log_pmf(count: np.ndarray, expected: np.ndarray, k: float | np.ndarray) -> np.ndarray:
    """Return the log probability of counts, negative binomial with variance mu + mu²/k.

    Examples
    --------
    >>> float(np.exp(log_pmf(np.array(0), np.array(1.0), 1.0)))
    0.5
    """
    return np.asarray(
        gammaln(count + k)
        - gammaln(k)
        - gammaln(count + 1.0)
        - k * np.log1p(expected / k)
        + count * (np.log(expected) - np.log(k + expected))
    )


def expect(eta: np.ndarray) -> np.ndarray:
    """Return exp(eta), kept where a double can hold it and its square."""
    return np.asarray(np.exp(np.clip(eta, -LOG_LIMIT, LOG_LIMIT)))


def slopes(count: np.ndarray, expected: np.ndarray, k: float) -> Slopes:
    """Return the derivatives in eta; the weight is never negative, so the mode is unique.

    Notes
    -----
    With e the expectation: first k(y - e)/(k + e), weight (y + k) k e/(k + e)², its slope weight (k - e)/(k + e).
    """
    total = k + expected
    weight = (count + k) * k * expected / total**2
    return Slopes(k * (count - expected) / total, weight, weight * (k - expected) / total)


def slopes_in_log_k(count: np.ndarray, expected: np.ndarray, k: float) -> Slopes:
    """Return what log k changes: the log likelihood itself (``first``), its weight, and its first slope in eta.

    The three are returned in the fields first (d log p), weight (d weight) and weight_slope (d first).
    """
    total = k + expected
    log_p = digamma(count + k) - digamma(k) - np.log1p(expected / k) + (expected - count) / total
    weight = expected * ((count + 2 * k) * total - 2 * k * (count + k)) / total**3
    first = (count - expected) * expected / total**2
    return Slopes(k * log_p, k * weight, k * first)
