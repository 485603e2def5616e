"""How many points: what a number of them buys, from the spread of counts expected beforehand.

References
----------
Bliss & Fisher 1953, Biometrics 9:176-200: negative binomial counts have the variance m + m² / k, m and k per bag, so
that (SE / mean)² = (1 / m + 1 / k) / n.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from geosample.design.model import Visit
from geosample.design.request import MOST_POINTS, Request
from geosample.errors import DesignError, Problem
from geosample.normal import normal_quantile, normal_reach
from geosample.pests import load_pest
from geosample.report import show_table
from geosample.units import ACRE_M2, Units, plug_area_m2, set_percent, show_density, show_length

POINTS_SHOWN = (20, 40, 80, 160)
MAP_SPACING_M = 20.0
"""Widest spacing of points, m, that is still called a map: patches range over 10 to 60 m (P)."""

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

    Parameters
    ----------
    precision : float
        Standard error over the mean, above 0.
    mean : float
        Mean count of one bag.
    k : float
        Negative binomial k of one bag.

    Examples
    --------
    >>> points_for(0.25, 2.0, 1.5936)
    19
    """
    return max(2, math.ceil((1 / mean + 1 / k) / precision**2 - 1e-9))


def points_to_tell(mean: float, bound: float, k: float = CAUTIOUS_K, *, chance: float = 0.8) -> int:
    """Return the points with which a mean is told from a bound, by a 95 % interval, with the chance given.

    Notes
    -----
    Normal approximation on the log scale: (1 / m + 1 / k) ((z.975 + z_chance) / ln(m / bound))².

    Examples
    --------
    >>> points_to_tell(2.0, 4.0, 1.0), points_to_tell(2.0, 2.2, 1.0)
    (25, 1297)
    """
    reach = normal_reach(0.95) + normal_quantile(chance)
    return max(2, math.ceil((1 / mean + 1 / k) * (reach / math.log(mean / bound)) ** 2))


@dataclass(frozen=True, slots=True)
class Wish:
    """What the number of points is to buy, in place of a number.

    Parameters
    ----------
    expected_per_m2 : float, optional
        Density expected, insects per m².
    precision : float, optional
        Standard error over the mean.
    threshold_per_m2 : float, optional
        A bound the mean is to be told from, insects per m².
    chance : float
        With what chance.
    """

    expected_per_m2: float | None = None
    precision: float | None = None
    threshold_per_m2: float | None = None
    chance: float = 0.8


def settle_points(request: Request, wish: Wish) -> Request:
    """Return the request with the points that a precision, or telling a threshold, takes; as it is without either.

    Raises
    ------
    DesignError
        When the density expected is not more than zero, equals the threshold, or more points come out than can be.
    """
    if wish.precision is None and wish.threshold_per_m2 is None:
        return request
    mean_per_m2, bound = wish.expected_per_m2 or 0.0, wish.threshold_per_m2
    if mean_per_m2 <= 0 or bound == mean_per_m2 or (bound is not None and bound <= 0):
        found = f"{mean_per_m2:g} per m²" + ("" if bound is None else f", threshold {bound:g} per m²")
        expected = "a density above zero" if bound is None else "two densities above zero that differ"
        raise DesignError(Problem("--expected", found, expected, "give one such as 20/ft2"))
    k, unit_m2 = request.k or CAUTIOUS_K, point_m2_of(request)
    if bound is None:
        return _within_reach(request, points_for(wish.precision or 1.0, mean_per_m2 * unit_m2, k), "--precision")
    told = points_to_tell(mean_per_m2 * unit_m2, bound * unit_m2, k, chance=wish.chance)
    return _within_reach(request, told, "--threshold")


def point_m2_of(request: Request) -> float:
    """Return the turf taken for one bag, m²."""
    pest = load_pest(request.pest)
    unit_m2 = request.unit_m2 or plug_area_m2(request.plug_m or pest.unit_diameter_m)
    return unit_m2 * (request.plugs or pest.plugs_per_point)


def _within_reach(request: Request, points: int, option: str) -> Request:
    if points > MOST_POINTS:
        found = f"a wish that takes {points:,} points"
        remedy = "wish for less, pool more plugs at a point, or give --k if you know it"
        raise DesignError(Problem(option, found, f"up to {MOST_POINTS:,}", remedy))
    return replace(request, points=points)


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
    ends = load_pest(visit.pest).threshold_range
    if ends is None:
        return []
    k = visit.k or CAUTIOUS_K
    low, high = ends
    range_ = [low, math.sqrt(low * high), high]
    table = tabulate_precision(POINTS_SHOWN, range_, visit.point_m2, k)
    rows = [[f"{n}", *_show(row)] for n, row in zip(POINTS_SHOWN, table, strict=True)]
    rows += [
        [f"{row['stratum']}: {row['main']}", *_show(tabulate_precision([row["main"]], range_, visit.point_m2, k)[0])]
        for row in strata
        if row["main"]
    ]
    return [
        "What a number of points gives for one mean (two standard errors), and what each stratum has:",
        *show_table(["points", *(f"at {show_density(d, units)}" for d in range_)], rows),
        _say_k(visit, k),
        _map_or_means(sum(row["main"] for row in strata), sum(row["area_m2"] for row in strata)),
    ]


def _show(precisions: np.ndarray) -> list[str]:
    return [f"± {set_percent(round(2 * d, 2))}" for d in precisions]


def _say_k(visit: Visit, k: float) -> str:
    if visit.k:
        return f"k taken as {k:.2g} a bag ({visit.k_from})."
    return f"k taken as {k:g} a bag: none is published for these larvae (G), so this is on the careful side (M)."


def _both(length_m: float) -> str:
    return f"{show_length(length_m)} ({show_length(length_m, 'metric')})"


def _map_or_means(points: int, area_m2: float) -> str:
    spacing_m = math.sqrt(area_m2 / max(points, 1))
    spacing = _both(spacing_m)
    if spacing_m <= MAP_SPACING_M:
        return f"Points lie about {spacing} apart: close enough for a map, if patches are no smaller than that."
    mapped_m2 = points * MAP_SPACING_M**2
    return (
        f"Points lie about {spacing} apart, wider than the {_both(MAP_SPACING_M)} a map needs (P): this answers "
        f"by kind and border, and is no map. Two stages serve a course: this one first, then a map of the holes that "
        f"need it; these points would map about {mapped_m2 / 1e4:.1f} ha ({mapped_m2 / ACRE_M2:.1f} ac)."
    )
