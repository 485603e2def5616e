"""The strata with their areas and their shares of the points."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from geosample.design.allocate import pull_of, share_points
from geosample.design.frame import FINEST_M
from geosample.design.howmany import CAUTIOUS_K
from geosample.design.methods import Quota
from geosample.design.request import Request
from geosample.errors import DesignError, Problem

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

_FEWEST = 2
"""Points without which a stratum has no variance."""


def share_request(target: gpd.GeoDataFrame, request: Request, point_m2: float) -> dict[str, Quota]:
    """Return the number of main and reserve points of each stratum, in the target's order.

    Parameters
    ----------
    target : GeoDataFrame
        The target area by stratum and surface.
    request : Request
        Points, allocation, minimum, reserve.
    point_m2 : float
        Turf taken at one point, m².

    Raises
    ------
    DesignError
        When a stratum has no room for its points, or there are too few points for the strata.
    """
    areas = target.groupby("stratum", sort=False)["area_m2"].sum()
    _raise_all(_small_surfaces(target, point_m2))
    minimum = max(min(request.minimum, request.points // len(areas)), min(_FEWEST, request.minimum))
    kinds = target.groupby("stratum", sort=False)["kind"].first()
    pull = pull_of(request.allocation, areas.to_numpy(), expect_sd(kinds, request, point_m2))
    caps = _find(dict(request.most), kinds, request.points)
    _raise_all(_unknown_names(kinds, request))
    main = share_points(request.points, pull.tolist(), minimum=[min(minimum, cap) for cap in caps], most=caps)
    quotas = {name: Quota(n, math.ceil(request.reserve * n - 1e-9)) for name, n in zip(areas.index, main, strict=True)}
    _raise_all(_crowded(areas, quotas))
    return quotas


def expect_sd(kinds: pd.Series, request: Request, point_m2: float) -> np.ndarray:
    """Return the standard deviation expected of a bag's count in each stratum, shape (n,): 1 where nothing is known.

    Parameters
    ----------
    kinds : Series
        Stratum -> its kind.
    request : Request
        Densities expected by stratum or kind, and k.
    point_m2 : float
        Turf in a bag, m².

    Notes
    -----
    Negative binomial: variance mean + mean² / k (Bliss & Fisher 1953, Biometrics 9:176-200).
    """
    if not request.expected:
        return np.ones(len(kinds))
    known = dict(request.expected)
    middle = float(np.mean(list(known.values())))
    means = np.maximum(np.array(_find(known, kinds, middle)) * point_m2, 1e-3)
    return np.asarray(np.sqrt(means + means**2 / (request.k or CAUTIOUS_K)))


Number = TypeVar("Number", int, float)


def _find(known: Mapping[str, Number], kinds: pd.Series, otherwise: Number) -> list[Number]:
    return [known.get(str(name), known.get(str(kind), otherwise)) for name, kind in kinds.items()]


def _unknown_names(kinds: pd.Series, request: Request) -> Iterator[Problem]:
    there = {*map(str, kinds.index), *map(str, kinds)}
    for option, pairs in (("--most", request.most), ("--expected-by", request.expected)):
        for name, _ in pairs:
            if name not in there:
                yield Problem(option, repr(name), f"of: {', '.join(sorted(there))}", "name a stratum or a kind")


def room_for_points(area_m2: float) -> int:
    """Return how many points an area can hold: one to every two of the finest cells."""
    return int(area_m2 / (2 * FINEST_M**2))


def _small_surfaces(target: gpd.GeoDataFrame, point_m2: float) -> Iterator[Problem]:
    for name, area in target.groupby("surface_id", sort=False)["area_m2"].sum().items():
        if area < point_m2:
            remedy = "leave it out, mend its polygon, or pull less turf at a point"
            yield Problem(f"surface {name}", f"{area:.4f} m²", f"more than one point takes, {point_m2:.4f} m²", remedy)


def _crowded(areas: pd.Series, quotas: dict[str, Quota]) -> Iterator[Problem]:
    for name, area in areas.items():
        most, quota = room_for_points(float(area)), quotas[str(name)]
        if quota.all > most:
            found = f"{quota.main} main and {quota.reserve} reserve points on {area:.2f} m²"
            expected = f"at most {most} there, one to two cells of {FINEST_M:g} m"
            yield Problem(
                f"stratum {name}", found, expected, "ask for fewer points or a smaller --minimum or --reserve"
            )


def _raise_all(problems: Iterator[Problem]) -> None:
    found = list(problems)
    if found:
        raise DesignError(found)
