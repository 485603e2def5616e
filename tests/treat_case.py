"""Known fields on the small invented ground, for the tests of the treat room."""

from __future__ import annotations

from collections.abc import Callable

import geopandas as gpd
import numpy as np
import pandas as pd
from density_case import THRESHOLD

from geosample.density import DensityMap, MapSettings
from geosample.estimate import judge_border
from geosample.ground import Ground, cut_cells, edge_lines, measure_edge
from geosample.survey import shape_frame
from geosample.survey.findings import Finding, Findings, What
from geosample.treat import Zones, suggest_zones
from geosample.units import FOOT2_M2

Field = Callable[[gpd.GeoDataFrame], np.ndarray]


def make_map(ground: Ground, density: Field, *, spread: float = 0.25, known: Field | None = None) -> DensityMap:
    """Return a map of a known field: insects per ft² in, the log density's spread the same everywhere."""
    cells = cut_cells(ground.surfaces, 1.0)
    expected = np.maximum(density(cells), 1e-6) / FOOT2_M2
    cells = cells.assign(
        edge_m=measure_edge(edge_lines(ground.surfaces), cells["easting"], cells["northing"]),
        log_mean=np.log(expected) - spread**2 / 2,
        log_sd=spread,
        prior_sd=1.0,
        expected_per_m2=expected,
        low_per_m2=expected * np.exp(-(spread**2) / 2 - 1.6449 * spread),
        high_per_m2=expected * np.exp(-(spread**2) / 2 + 1.6449 * spread),
        known=True if known is None else known(cells),
    )
    frame = shape_frame("cells", pd.DataFrame(cells.drop(columns="geometry")).assign(visit="May", pest="x"))
    return DensityMap("May", "x", 1.0, frame, MapSettings(), {}, Findings("May", "x", ()))


def patch(east: float, north: float, radius_m: float, per_ft2: float = 90.0, elsewhere: float = 3.0) -> Field:
    """Return a field that is high within a circle and low elsewhere."""

    def density(cells: gpd.GeoDataFrame) -> np.ndarray:
        near = np.hypot(cells["easting"] - east, cells["northing"] - north) < radius_m
        return np.where(near, per_ft2, elsewhere)

    return density


def plan(ground: Ground, density: Field, **asked: object) -> Zones:
    return plan_map(make_map(ground, density), ground, **asked)


def plan_map(density_map: DensityMap, ground: Ground, **asked: object) -> Zones:
    return suggest_zones(density_map, ground, threshold_per_m2=THRESHOLD, **asked)  # type: ignore[arg-type]


def treated(zones: Zones, surface_id: str | None = None) -> gpd.GeoDataFrame:
    frame = zones.zones[zones.zones["action"] == "treat"]
    return frame if surface_id is None else frame[frame["surface_id"] == surface_id]


def finding(zones: Zones, what: str, domain: str) -> float:
    found = zones.findings.first(What(what), domain)
    assert found is not None
    return found.value


def ratio_found(low: float, value: float, high: float) -> Findings:
    """Return the findings of a visit whose counts tell one border ratio."""
    detail = {"verdict": judge_border(low, high)}
    return Findings("May", "x", (Finding(What.COMMON_BORDER_RATIO, "all", value, low, high, detail=detail),))
