"""How many points: what a number of them buys, from the spread of counts expected beforehand.

References
----------
Methods B.5: for negative binomial counts (SE / mean)² = (1 / m + 1 / k) / n, m and k per bag.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

CAUTIOUS_K = 0.5
"""k of one bag where none is known: none is published for these larvae (G); the low end of insect counts (M)."""


def precision_of(points: int, mean: float, k: float = CAUTIOUS_K) -> float:
    """Return the standard error over the mean that so many points give.

    Parameters
    ----------
    points : int
        Points counted.
    mean : float
        Mean count of one bag.
    k : float
        Negative binomial k of one bag; pooled plugs have m times a plug's k only where plugs are independent.

    Examples
    --------
    >>> round(precision_of(48, 0.5, 1.0), 6)
    0.25
    """
    return math.sqrt((1 / mean + 1 / k) / points)


def points_for(precision: float, mean: float, k: float = CAUTIOUS_K) -> int:
    """Return the number of points for a standard error of this share of the mean.

    Examples
    --------
    >>> points_for(0.25, 2.0, 1.5936)
    19
    """
    return max(2, math.ceil((1 / mean + 1 / k) / precision**2 - 1e-9))


def tabulate_precision(
    points: Sequence[int], densities_per_m2: Sequence[float], point_m2: float, k: float = CAUTIOUS_K
) -> np.ndarray:
    """Return the precision at each number of points (rows) and density (columns)."""
    return np.array([[precision_of(n, d * point_m2, k) for d in densities_per_m2] for n in points])
