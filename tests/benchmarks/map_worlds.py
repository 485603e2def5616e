"""Simulated larvae on a course's fairways and greens: the truth at every cell, and what bags would hold.

log density = level + border effect x exp(-edge distance / fade) + field; the field is Gaussian with exponential or
Matérn 3/2 correlation, half of the worlds each; a bag's count is negative binomial around density x one bag.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import geopandas as gpd
import numpy as np
import shapely
from bench import ROOT
from scipy.spatial.distance import cdist

from geosample.design import draw_spread
from geosample.ground import cut_cells, edge_lines, measure_edge, read_ground

COURSES = (ROOT.parent / "shared" / "courses" / "oak_bluff.kml", ROOT / "layers" / "course.geojson")
CELLS = 700
_FINE = 12


@dataclass(frozen=True)
class Turf:
    """One hole's fairway and greens: cells with their areas (as shares), edge distances and kinds; fine places."""

    name: str
    hectares: float
    places: np.ndarray
    share: np.ndarray
    edge_m: np.ndarray
    kind: np.ndarray
    fine: np.ndarray
    fine_edge_m: np.ndarray
    fine_kind: np.ndarray
    fine_share: np.ndarray


@dataclass(frozen=True)
class World:
    """One truth and its survey; densities are in insects per bag."""

    turf: Turf
    points: np.ndarray
    edge_m: np.ndarray
    kind: np.ndarray
    count: np.ndarray
    truth: np.ndarray
    covariance: np.ndarray
    spread: float
    range_m: float
    k: float
    border: float
    fade_m: float


@cache
def read_holes() -> list[tuple[str, gpd.GeoDataFrame]]:
    """Return the turf by hole, of the real course where it is there, else of the invented one."""
    path = next(path for path in COURSES if path.is_file())
    kinds = {"teebox": "tee", "OB": "ignore"} if path.suffix == ".kml" else None
    surfaces = read_ground(path, kinds=kinds).surfaces
    surfaces = surfaces[surfaces["kind"].isin(["fairway", "green"])]
    return [(str(hole), group) for hole, group in surfaces.groupby("hole")]


def turf_of(survey: int) -> Turf:
    """Return the hole whose turn it is in this survey, cut when it is first asked for."""
    return _cut_hole(survey % len(read_holes()))


@cache
def _cut_hole(number: int) -> Turf:
    return make_turf(*read_holes()[number])


def make_turf(name: str, surfaces: gpd.GeoDataFrame) -> Turf:
    area, lines = float(surfaces.area.sum()), edge_lines(surfaces)
    kinds = surfaces.set_index("surface_id")["kind"]
    parts: list[np.ndarray] = []
    for number in (CELLS, CELLS * _FINE):
        cells = cut_cells(surfaces, float(np.sqrt(area / number)))
        places = cells[["easting", "northing"]].to_numpy(float)
        edge_m = measure_edge(lines, places[:, 0], places[:, 1])
        parts += [places, cells["area_m2"].to_numpy() / area, edge_m, cells["surface_id"].map(kinds).to_numpy()]
    places, share, edge_m, kind, fine, fine_share, fine_edge_m, fine_kind = parts
    return Turf(name, area / 1e4, places, share, edge_m, kind, fine, fine_edge_m, fine_kind, fine_share)


def make_world(turf: Turf, number: int, rng: np.random.Generator, *, border: bool) -> World:
    """Return a world with a balanced sample of ``number`` bags, every parameter drawn anew."""
    drawn = draw_spread(turf.fine, number * turf.fine_share, rng)
    points, edge_m, kind = turf.fine[drawn], turf.fine_edge_m[drawn], turf.fine_kind[drawn]
    spread, range_m, k = rng.uniform(0.5, 1.2), float(np.exp(rng.uniform(np.log(4), np.log(60)))), rng.uniform(0.5, 2)
    effect, fade_m = (rng.uniform(0.5, 2) if border else 0.0), rng.uniform(2, 8)
    distance = cdist(np.vstack([points, turf.places]), np.vstack([points, turf.places]))
    covariance = spread**2 * correlate(distance / range_m, smooth=bool(rng.random() < 0.5))
    factor = np.linalg.cholesky(covariance + 1e-8 * np.eye(len(covariance)))
    log_density = factor @ rng.standard_normal(len(covariance))
    log_density += effect * np.exp(-np.concatenate([edge_m, turf.edge_m]) / fade_m)
    mean = float(np.exp(rng.uniform(np.log(0.4), np.log(3))))
    density = np.exp(log_density) * mean / (turf.share @ np.exp(log_density[len(points) :]))
    expected = density[: len(points)]
    count = rng.poisson(rng.gamma(k, expected / k)).astype(float)
    truth = density[len(points) :]
    return World(turf, points, edge_m, kind, count, truth, covariance, spread, range_m, k, effect, fade_m)


def correlate(share: np.ndarray, *, smooth: bool) -> np.ndarray:
    """Return the correlation at distances given as shares of the practical range."""
    if smooth:
        x = 4.744 * share
        return np.asarray((1 + x) * np.exp(-x))
    return np.asarray(np.exp(-3 * share))


def split_truth(world: World, share: float) -> float:
    """Return the density that the given share of the area stays below."""
    order = np.argsort(world.truth)
    return float(world.truth[order][np.searchsorted(np.cumsum(world.turf.share[order]), share)])


def near_kind(surfaces: gpd.GeoDataFrame, points: np.ndarray) -> np.ndarray:
    """Return the kind of the nearest surface to each point."""
    tree = shapely.STRtree(surfaces.geometry.to_numpy())
    return surfaces["kind"].to_numpy()[tree.nearest(shapely.points(points))]
