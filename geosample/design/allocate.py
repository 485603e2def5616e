"""How the strata share the points."""

from __future__ import annotations

import heapq
from collections.abc import Callable, Sequence

import numpy as np

from geosample.errors import DesignError, Problem

PULLS: dict[str, Callable[[np.ndarray, np.ndarray], np.ndarray]] = {
    "power": lambda area, _: np.sqrt(area),
    "proportional": lambda area, _: area,
    "equal": lambda area, _: np.ones_like(area),
    "optimal": lambda area, sd: area * sd,
}
"""What a stratum pulls with, from its area and the standard deviation expected of a point in it."""


def share_points(
    points: int, want: Sequence[float], *, minimum: Sequence[int], most: Sequence[int] | None = None
) -> list[int]:
    """Return the whole numbers of points that make the sum of want² / n smallest.

    Parameters
    ----------
    points : int
        Points to share.
    want : sequence of float
        What each stratum pulls with: area x standard deviation (over the root of the cost) for Wright's optimum,
        area for a proportional share, the root of the area for a power share, 1 for equal shares.
    minimum, most : sequence of int
        Fewest and most points of each stratum; no limit above when ``most`` is None.

    Raises
    ------
    DesignError
        When the minimums need more points than there are, or the limits hold fewer.

    Notes
    -----
    Priority values: one point at a time to the stratum with the largest want / root(n (n + 1)), which gives the exact
    integer optimum.

    References
    ----------
    Wright 2012, The equivalence of Neyman optimum allocation for sampling and equal proportions for apportioning the
    U.S. House of Representatives, The American Statistician 66:217-224.
    Wright 2017, Exact optimal sample allocation, Statistics and Probability Letters 129:50-57.

    Examples
    --------
    >>> share_points(58, [1550 * 5, 620 * 15, 930 * 10], minimum=[1, 1, 1])
    [17, 21, 20]
    """
    given = list(minimum)
    limit = [points] * len(given) if most is None else list(most)
    _check_limits(points, given, limit)
    heap = [(_priority(want[h], given[h]), h) for h in range(len(given)) if given[h] < limit[h]]
    heapq.heapify(heap)
    for _ in range(points - sum(given)):
        _, h = heapq.heappop(heap)
        given[h] += 1
        if given[h] < limit[h]:
            heapq.heappush(heap, (_priority(want[h], given[h]), h))
    return given


def pull_of(allocation: str, area_m2: np.ndarray, sd: np.ndarray | None = None) -> np.ndarray:
    """Return what each stratum pulls with, shape (n,).

    Parameters
    ----------
    allocation : str
        One of ``words.ALLOCATIONS``; ``power`` is by the root of the area.
    area_m2 : ndarray, shape (n,)
        Areas of the strata.
    sd : ndarray, shape (n,), optional
        Expected standard deviation of a point, for ``optimal``; alike everywhere when None.

    References
    ----------
    Bankier 1988, Power allocations, The American Statistician 42:174-177 (power 0.5).
    """
    area = np.asarray(area_m2, dtype=float)
    spread = np.ones_like(area) if sd is None else np.asarray(sd, dtype=float)
    return np.asarray(PULLS[allocation](area, spread))


def _priority(want: float, given: int) -> float:
    """Return the priority with its sign turned, as a heap gives the smallest first."""
    return -want / np.sqrt(given * (given + 1)) if given else -np.inf


def _check_limits(points: int, minimum: list[int], most: list[int]) -> None:
    low, high = sum(minimum), sum(most)
    if low > points:
        found = f"{points} points for {len(minimum)} strata that need {low} between them"
        remedy = f"ask for --points {low} or more, a smaller --minimum, or fewer strata"
        raise DesignError(Problem("--points", found, f"at least {low}", remedy))
    if high < points or any(a > b for a, b in zip(minimum, most, strict=True)):
        found = f"{points} points where the strata hold {high}"
        raise DesignError(Problem("--points", found, f"at most {high}", "ask for fewer points, or sample more ground"))
