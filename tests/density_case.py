"""Invented surveys for the density tests: a ground, a design and counts with a known truth."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from survey_case import fill_rows

from geosample.counts import Counts
from geosample.design import Design, Visit
from geosample.ground import Ground, edge_lines, measure_edge
from geosample.survey import shape_frame
from geosample.units import FOOT2_M2

PEST = "annual bluegrass weevil"
MOST_SAMPLES = 200
THRESHOLD = 30 / FOOT2_M2
PLUGS_M2 = 3 * 0.002565  # three 2.25 in plugs


def make_counts(ground: Ground, places: np.ndarray, found: np.ndarray, *, visit: str = "2026-05-04") -> Counts:
    """Return counts of one stage at given places."""
    ids = [f"S-{i:03d}" for i in range(len(places))]
    samples = gpd.GeoDataFrame(
        {
            "visit": visit,
            "sample_id": ids,
            "point_id": ids,
            "method": "brine",
            "plugs": 3,
            "sampled_m2": PLUGS_M2,
            "status": "counted",
            "moved": False,
        },
        geometry=shapely.points(places),
        crs=ground.crs,
    )
    rows = pd.DataFrame({"visit": visit, "sample_id": ids, "pest": PEST, "stage": "L3", "count": found.astype(int)})
    return Counts(visit, shape_frame("samples", samples), rows)


def aim_design(ground: Ground, *, visit: str = "2026-05-04", surface_ids: list[str] | None = None) -> Design:
    """Return a design that aims at surfaces: the density stage takes only its pest and its target from it."""
    surfaces = ground.surfaces
    if surface_ids is not None:
        surfaces = surfaces[surfaces["surface_id"].isin(surface_ids)]
    strata = surfaces[["surface_id", "hole", "kind", "area_m2", "geometry"]].assign(
        visit=visit, stratum="all", part="whole"
    )
    drawn = Visit(visit, visit, PEST, "plug", 0.002565, 32.0, 3, "AB12", 7)
    first = {"surface_id": surfaces["surface_id"].iloc[0], "kind": surfaces["kind"].iloc[0], "stratum": "all"}
    rows = fill_rows(
        "points", visit=visit, point_id=[f"S-{i:03d}" for i in range(MOST_SAMPLES)], weight_m2=1.0, **first
    )
    points = gpd.GeoDataFrame(rows, geometry=[surfaces.geometry.iloc[0].centroid] * len(rows), crs=ground.crs)
    return Design(drawn, points, strata)


def place_points(ground: Ground, number: int, rng: np.random.Generator) -> np.ndarray:
    """Return random places on the surfaces, in proportion to their areas, shape (number, 2)."""
    union = shapely.union_all(ground.surfaces.geometry.to_numpy())
    west, south, east, north = union.bounds
    kept: list[np.ndarray] = []
    while sum(len(part) for part in kept) < number:
        tried = rng.uniform((west, south), (east, north), (4 * number, 2))
        kept.append(tried[shapely.contains_xy(union, tried[:, 0], tried[:, 1])])
    return np.concatenate(kept)[:number]


def draw_counts(
    ground: Ground,
    number: int,
    rng: np.random.Generator,
    *,
    mean_per_m2: float = 400.0,
    border: float = 0.0,
    spread: float = 0.8,
    range_m: float = 40.0,
    k: float = 1.2,
) -> tuple[Counts, np.ndarray, np.ndarray]:
    """Return counts drawn from the model itself, their places and the true densities per m² there."""
    places = place_points(ground, number, rng)
    density = np.exp(draw_log_density(ground, places, rng, border=border, spread=spread, range_m=range_m))
    density *= mean_per_m2
    expected = density * PLUGS_M2
    found = rng.poisson(rng.gamma(k, expected / k))
    return make_counts(ground, places, found), places, density


def draw_log_density(
    ground: Ground, places: np.ndarray, rng: np.random.Generator, *, border: float, spread: float, range_m: float
) -> np.ndarray:
    """Return an exact draw of the log density around its mean at places, shape (n,)."""
    from scipy.spatial.distance import cdist

    covariance = spread**2 * np.exp(-3 * cdist(places, places) / range_m) + 1e-9 * np.eye(len(places))
    edge_m = measure_edge(edge_lines(ground.surfaces), places[:, 0], places[:, 1])
    return np.linalg.cholesky(covariance) @ rng.standard_normal(len(places)) + border * np.exp(-edge_m / 4)
