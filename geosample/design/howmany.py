"""How many points: what a number of them buys, from the spread of counts expected beforehand.

References
----------
Methods B.5: for negative binomial counts (SE / mean)² = (1 / m + 1 / k) / n, m and k per bag.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from geosample.design.model import Visit
from geosample.design.request import Request
from geosample.errors import DesignError, Problem
from geosample.pests import load_pest
from geosample.report import show_table
from geosample.units import Units, plug_area_m2, show_density

POINTS_SHOWN = (20, 40, 80, 160)
MAP_SPACING_M = 20.0
"""Widest spacing of points, m, that is still called a map: patches range over 10 to 60 m (methods, first page) (P)."""

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


def settle_points(request: Request, precision: float | None, expected_per_m2: float | None) -> Request:
    """Return the request with the points that a precision at an expected density takes; as it is when None.

    Raises
    ------
    DesignError
        When the density expected is not more than zero.
    """
    if precision is None or expected_per_m2 is None:
        return request
    if expected_per_m2 <= 0:
        problem = Problem(
            "--expected", f"{expected_per_m2:g} per m²", "a density above zero", "give one such as 20/ft2"
        )
        raise DesignError(problem)
    pest = load_pest(request.pest)
    unit_m2 = request.unit_m2 or plug_area_m2(request.plug_m or pest.unit_diameter_m)
    mean = expected_per_m2 * unit_m2 * (request.plugs or pest.plugs_per_point)
    return replace(request, points=points_for(precision, mean))


def tabulate_precision(
    points: Sequence[int], densities_per_m2: Sequence[float], point_m2: float, k: float = CAUTIOUS_K
) -> np.ndarray:
    """Return the precision at each number of points (rows) and density (columns)."""
    return np.array([[precision_of(n, d * point_m2, k) for d in densities_per_m2] for n in points])


def advise_points(visit: Visit, strata: Sequence[Mapping[str, Any]], units: Units = "us") -> list[str]:
    """Return the table of what numbers of points would buy at the low, middle and high of the pest's range.

    Parameters
    ----------
    visit : Visit
        Gives the pest, the unit and how many are pooled.
    strata : sequence of mapping
        The design's strata, with ``area_m2``.
    units : str
        ``us`` or ``metric``.
    """
    ends = [(t.low_per_m2, t.high_per_m2) for t in load_pest(visit.pest).thresholds]
    if not ends:
        return []
    low, high = min(end[0] for end in ends), max(end[1] for end in ends)
    range_ = [low, math.sqrt(low * high), high]
    table = tabulate_precision(POINTS_SHOWN, range_, visit.point_m2)
    rows = [[f"{n}", *(f"± {2 * 100 * d:.0f} %" for d in row)] for n, row in zip(POINTS_SHOWN, table, strict=True)]
    return [
        "What a number of points gives for one mean (two standard errors):",
        *show_table(["points", *(f"at {show_density(d, units)}" for d in range_)], rows),
        f"k taken as {CAUTIOUS_K:g} a bag: none is published for these larvae (G), so this is on the careful side (M).",
        _map_or_means(sum(row["main"] for row in strata), sum(row["area_m2"] for row in strata)),
    ]


def _map_or_means(points: int, area_m2: float) -> str:
    spacing_m = math.sqrt(area_m2 / max(points, 1))
    if spacing_m <= MAP_SPACING_M:
        return f"Points lie about {spacing_m:.0f} m apart: close enough for a map, if patches are no smaller than that."
    return (
        f"Points lie about {spacing_m:.0f} m apart, wider than the {MAP_SPACING_M:.0f} m a map needs (P): this answers "
        "by kind and border, and is no map. Do that first, then map the holes that need it with a second visit."
    )
