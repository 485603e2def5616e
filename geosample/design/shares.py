"""The strata with their areas and their shares of the points."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

from geosample.design.allocate import pull_of, share_points
from geosample.design.frame import FINEST_M
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
    pull = pull_of(request.allocation, areas.to_numpy())
    main = share_points(request.points, pull.tolist(), minimum=[minimum] * len(areas))
    quotas = {name: Quota(n, math.ceil(request.reserve * n - 1e-9)) for name, n in zip(areas.index, main, strict=True)}
    _raise_all(_crowded(areas, quotas))
    return quotas


def most_points(area_m2: float) -> int:
    """Return how many points an area can hold: one to every two of the finest cells."""
    return int(area_m2 / (2 * FINEST_M**2))


def _small_surfaces(target: gpd.GeoDataFrame, point_m2: float) -> Iterator[Problem]:
    for name, area in target.groupby("surface_id", sort=False)["area_m2"].sum().items():
        if area < point_m2:
            remedy = "leave it out, mend its polygon, or pull less turf at a point"
            yield Problem(f"surface {name}", f"{area:.4f} m²", f"more than one point takes, {point_m2:.4f} m²", remedy)


def _crowded(areas: pd.Series, quotas: dict[str, Quota]) -> Iterator[Problem]:
    for name, area in areas.items():
        most, quota = most_points(float(area)), quotas[str(name)]
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
