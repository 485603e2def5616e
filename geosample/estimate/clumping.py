"""How clumped the counts are: variance to mean, Morisita, Lloyd, and Taylor's and Iwao's lines over strata.

None of these says where the insects are; all ignore everything but the list of counts. k stands in ``intervals``.

References
----------
Lloyd 1967; Iwao 1968; Morisita 1959; Taylor 1961 (from memory, unverified).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import scipy  # its stats are slow to import, and load when the lines are fitted
from scipy import special

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

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
