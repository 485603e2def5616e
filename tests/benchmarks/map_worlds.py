"""Simulated larvae on a course's fairways and greens: the truth at every cell, and what bags would hold.

Five kinds of world: of the map's own family (log density = level + border effect x exp(-edge distance / fade) + a
Gaussian field with exponential or Matérn 3/2 correlation, half of the worlds each), round clumps, a gradient, hot
edges only, and one density everywhere. A bag's count is negative binomial around density x one bag.
"""

from __future__ import annotations

from collections.abc import Callable
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
    """One hole's fairway and greens: cells with their areas (as shares), edge distances and kinds; fine places.

    ``cells`` and ``surfaces`` are the same as frames, in m and m².
    """

    name: str
    hectares: float
    places: np.ndarray
    share: np.ndarray
    edge_m: np.ndarray
    kind: np.ndarray
    cells: gpd.GeoDataFrame
    surfaces: gpd.GeoDataFrame
    fine: np.ndarray
    fine_edge_m: np.ndarray
    fine_kind: np.ndarray
    fine_share: np.ndarray


@dataclass(frozen=True)
class World:
    """One truth, at its samples (``here``) and cells, and its survey; densities are in insects per bag."""

    turf: Turf
    points: np.ndarray
    edge_m: np.ndarray
    kind: np.ndarray
    count: np.ndarray
    here: np.ndarray
    truth: np.ndarray
    k: float
    mean: float
    shape: Shape


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
    coarse = cut_cells(surfaces, float(np.sqrt(area / CELLS)))
    for cells in (coarse, cut_cells(surfaces, float(np.sqrt(area / CELLS / _FINE)))):
        places = cells[["easting", "northing"]].to_numpy(float)
        edge_m = measure_edge(lines, places[:, 0], places[:, 1])
        parts += [places, cells["area_m2"].to_numpy() / area, edge_m, cells["surface_id"].map(kinds).to_numpy()]
    places, share, edge_m, kind, fine, fine_share, fine_edge_m, fine_kind = parts
    return Turf(
        name, area / 1e4, places, share, edge_m, kind, coarse, surfaces, fine, fine_edge_m, fine_kind, fine_share
    )


def make_world(
    turf: Turf,
    number: int,
    rng: np.random.Generator,
    *,
    what: str = "own",
    border: bool | None = None,
    levels: tuple[float, float] = (0.4, 3.0),
) -> World:
    """Return a world with a balanced sample of ``number`` bags, every parameter drawn anew.

    Parameters
    ----------
    turf : Turf
        The ground.
    number : int
        Bags.
    rng : Generator
        Of everything.
    what : str
        A kind of world, of ``KINDS``.
    border : bool, optional
        In the map's own family, whether there is a border effect: half and half when None.
    levels : tuple of float
        The mean over the turf is drawn log-uniformly between these, insects a bag.
    """
    drawn = draw_spread(turf.fine, number * turf.fine_share, rng)
    points, edge_m, kind = turf.fine[drawn], turf.fine_edge_m[drawn], turf.fine_kind[drawn]
    places, away_m = np.vstack([points, turf.places]), np.concatenate([edge_m, turf.edge_m])
    k = float(np.exp(rng.uniform(*np.log(KS))))
    shape = KINDS[what](places, away_m, rng, rng.random() < 0.5 if border is None else border)
    mean = float(np.exp(rng.uniform(*np.log(levels))))
    density = np.exp(shape.log_density - shape.log_density.max())
    density *= mean / (turf.share @ density[number:])
    here, truth = density[:number], density[number:]
    count = rng.poisson(rng.gamma(k, here / k)).astype(float)
    return World(turf, points, edge_m, kind, count, here, truth, k, mean, shape)


@dataclass(frozen=True)
class Shape:
    """Log density at samples and cells around any level, and what an oracle is told of a world of the own family."""

    log_density: np.ndarray
    covariance: np.ndarray | None = None
    effect: float = 0.0
    fade_m: float = 4.0


def _own(places: np.ndarray, edge_m: np.ndarray, rng: np.random.Generator, border: bool) -> Shape:
    """Return a log-Gaussian field with exponential or Matern 3/2 correlation, and a border effect or none."""
    spread, range_m = rng.uniform(0.5, 1.2), float(np.exp(rng.uniform(np.log(4), np.log(60))))
    effect, fade_m = (rng.uniform(0.5, 2) if border else 0.0), rng.uniform(2, 8)
    covariance = spread**2 * correlate(cdist(places, places) / range_m, smooth=bool(rng.random() < 0.5))
    factor = np.linalg.cholesky(covariance + 1e-8 * np.eye(len(covariance)))
    log_density = factor @ rng.standard_normal(len(covariance)) + effect * np.exp(-edge_m / fade_m)
    return Shape(log_density, covariance, effect, fade_m)


def _clumps(places: np.ndarray, edge_m: np.ndarray, rng: np.random.Generator, border: bool) -> Shape:
    """Return round clumps on a thin even ground, each 3 to 12 m wide at 61 % of its height."""
    number = 2 + rng.poisson(5)
    middles = places[rng.integers(len(places), size=number)]
    wide_m, high = rng.uniform(3, 12, number), rng.lognormal(0.0, 0.5, number)
    found = np.exp(-0.5 * (cdist(places, middles) / wide_m) ** 2) @ high
    return Shape(np.log(found + 10.0 ** -rng.uniform(0.7, 2)))


def _gradient(places: np.ndarray, edge_m: np.ndarray, rng: np.random.Generator, border: bool) -> Shape:
    """Return a rise from one end of the turf to the other, in any direction, by a factor of 3 to 55."""
    angle = rng.uniform(0, 2 * np.pi)
    along = places @ [np.cos(angle), np.sin(angle)]
    return Shape(rng.uniform(np.log(3), 4) * (along - along.min()) / np.ptp(along))


def _edges(places: np.ndarray, edge_m: np.ndarray, rng: np.random.Generator, border: bool) -> Shape:
    """Return edges 1.6 to 7 times as hot as the even inside."""
    return Shape(rng.uniform(0.5, 2) * np.exp(-edge_m / rng.uniform(2, 8)))


def _even(places: np.ndarray, edge_m: np.ndarray, rng: np.random.Generator, border: bool) -> Shape:
    """Return one density everywhere."""
    return Shape(np.zeros(len(places)))


KINDS: dict[str, Callable[[np.ndarray, np.ndarray, np.random.Generator, bool], Shape]] = {
    "own": _own,
    "clumps": _clumps,
    "gradient": _gradient,
    "hot edges": _edges,
    "even": _even,
}
KS = (0.4, 4.0)
"""k of a bag is drawn log-uniformly between these."""


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
