"""The sampling frame: each stratum in fine cells of exact area, each with its chance of being drawn."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

from geosample.design.request import EDGE_DECAY_M
from geosample.ground import cut_cells, measure_edge

if TYPE_CHECKING:
    import geopandas as gpd
    from shapely import Geometry

FINEST_M, COARSEST_M = 0.25, 4.0
"""Limits of a frame cell's side, m."""
EDGE_CELL_M, EDGE_STRIP_M = 1.0, 6.0
"""Side of the cells near the edge, m, and how far from it they reach, where the density rises toward the edge."""
_FEWEST_CELLS, _MOST_CELLS = 2_000, 150_000
_TRIES = 10_000


@dataclass(frozen=True, slots=True)
class Frame:
    """A stratum in cells.

    Parameters
    ----------
    stratum, kind : str
        Its name and kind of surface.
    part : ndarray of int, shape (n,)
        Row in the target frame of the part each cell lies in.
    places : ndarray, shape (n, 2)
        Easting and northing of the cells' middles, m.
    area_m2 : ndarray, shape (n,)
        Exact area of each cell within the target.
    weight : ndarray, shape (n,)
        Relative density, 1 where nothing is favoured.
    shapes : ndarray of Polygon, shape (n,)
        The cells, clipped.
    cell_m : float
        Side of a whole cell, m.
    """

    stratum: str
    kind: str
    part: np.ndarray
    places: np.ndarray
    area_m2: np.ndarray
    weight: np.ndarray
    shapes: np.ndarray
    cell_m: float

    @property
    def mass_m2(self) -> float:
        """Area times weight over the whole stratum, m²."""
        return float(self.area_m2 @ self.weight)

    def density(self, points: float) -> np.ndarray:
        """Return the density of so many points at each cell, per m², shape (n,)."""
        return points * self.weight / self.mass_m2


def choose_cell_m(area_m2: float, points: int) -> float:
    """Return the side of a stratum's frame cells, m: a sixth of the points' spacing, or finer for few points.

    Examples
    --------
    >>> choose_cell_m(1e6, 10), choose_cell_m(100.0, 100), choose_cell_m(1e4, 1000)
    (4.0, 0.25, 0.5270462766947299)
    """
    wanted = np.sqrt(area_m2 / max(36 * points, _FEWEST_CELLS))
    return float(np.clip(wanted, max(FINEST_M, np.sqrt(area_m2 / _MOST_CELLS)), COARSEST_M))


def cut_frame(parts: gpd.GeoDataFrame, points: int, *, lines: Geometry, border_weight: float = 1.0) -> Frame:
    """Return the frame of one stratum.

    Parameters
    ----------
    parts : GeoDataFrame
        Rows of the target area that make the stratum, with their index in the whole target.
    points : int
        Points to be drawn, main and reserve.
    lines : Geometry
        What edge distance is measured to.
    border_weight : float
        Density at the edge over that far inside.
    """
    cell_m = choose_cell_m(float(parts["area_m2"].sum()), points)
    cells = cut_cells(parts, cell_m)
    number = dict(zip(parts["surface_id"], parts.index, strict=True))
    part, shapes = cells["surface_id"].map(number).to_numpy(dtype=np.int64), cells.geometry.to_numpy()
    places, weight = _middles(shapes), np.ones(len(shapes))
    if border_weight > 1:
        edge_m = measure_edge(lines, *places.T)
        near = np.flatnonzero(edge_m < EDGE_STRIP_M) if cell_m > EDGE_CELL_M else np.zeros(0, dtype=np.int64)
        far = np.setdiff1d(np.arange(len(shapes)), near)
        fine, owner = _cut_finer(shapes[near], part[near], parts.geometry, cell_m)
        within = _middles(fine)
        edge_m = np.concatenate([edge_m[far], measure_edge(lines, *within.T)])
        shapes, part = np.concatenate([shapes[far], fine]), np.concatenate([part[far], owner])
        places, weight = np.concatenate([places[far], within]), weigh_edge(edge_m, border_weight)
    return Frame(
        stratum=parts["stratum"].iloc[0],
        kind=parts["kind"].iloc[0],
        part=part,
        places=places,
        area_m2=shapely.area(shapes),
        weight=weight,
        shapes=shapes,
        cell_m=cell_m,
    )


def _middles(shapes: np.ndarray) -> np.ndarray:
    return np.asarray(shapely.get_coordinates(shapely.centroid(shapes)))


def _cut_finer(
    shapes: np.ndarray, part: np.ndarray, wholes: gpd.GeoSeries, cell_m: float
) -> tuple[np.ndarray, np.ndarray]:
    """Return the cells cut into squares of about a metre, clipped, and the part each lies in."""
    times = int(np.ceil(cell_m / EDGE_CELL_M))
    side = cell_m / times
    corner = np.floor(_middles(shapes) / cell_m) * cell_m
    across, up = (step.ravel() * side for step in np.meshgrid(np.arange(times), np.arange(times)))
    west = (corner[:, :1] + across).ravel()
    south = (corner[:, 1:] + up).ravel()
    fine = shapely.box(west, south, west + side, south + side)
    owner = np.repeat(part, times**2)
    # Most squares lie wholly in or out of the part; a prepared shape tells that at a tenth of the price of a cut.
    cut = np.repeat(shapely.area(shapes) < cell_m**2 * (1 - 1e-9), times**2)
    real = np.ones(len(fine), dtype=bool)
    for row in np.unique(part):
        whole = wholes.loc[row]
        shapely.prepare(whole)
        mine = np.flatnonzero((owner == row) & cut)
        real[mine] = shapely.intersects(whole, fine[mine])
        cut[mine] = real[mine] & ~shapely.contains_properly(whole, fine[mine])
    # Clipping by an upright box is several times faster than an overlay, and as exact.
    bounds = zip(np.repeat(shapes, times**2)[cut], *shapely.bounds(fine[cut]).T.tolist(), strict=True)
    fine[cut] = [shapely.clip_by_rect(*bound) for bound in bounds]
    real &= shapely.area(fine) > 0
    return fine[real], owner[real]


def weigh_edge(edge_m: np.ndarray, border_weight: float) -> np.ndarray:
    """Return the relative density at a distance from the edge: 1 + (r - 1) exp(-d / 4 m).

    Examples
    --------
    >>> weigh_edge(np.array([0.0, 400.0]), 2.5).tolist()
    [2.5, 1.0]
    """
    return np.asarray(1 + (border_weight - 1) * np.exp(-edge_m / EDGE_DECAY_M))


def place_within(shapes: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return one place uniform in each polygon, shape (n, 2), strictly inside.

    Notes
    -----
    Uniform in the smallest box turned any way around the polygon, tried again until it falls inside.
    """
    places = np.full((len(shapes), 2), np.nan)
    corner, along, across = _turned_boxes(shapes)
    waiting = np.arange(len(shapes))
    for _ in range(_TRIES):
        luck = rng.random((len(waiting), 2))
        tried = corner[waiting] + luck[:, :1] * along[waiting] + luck[:, 1:] * across[waiting]
        inside = shapely.contains_xy(shapes[waiting], tried[:, 0], tried[:, 1])
        places[waiting[inside]] = tried[inside]
        waiting = waiting[~inside]
        if not len(waiting):
            break
    # Slivers thinner than rounding can't be hit; their middle is as good a place.
    rest = shapely.point_on_surface(shapes[waiting])
    places[waiting] = shapely.get_coordinates(rest)
    return places


def _turned_boxes(shapes: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    boxes = shapely.oriented_envelope(shapes)
    flat = shapely.get_type_id(boxes) != shapely.GeometryType.POLYGON
    boxes[flat] = shapely.box(*shapely.bounds(shapes[flat]).T)
    corners = shapely.get_coordinates(boxes).reshape(-1, 5, 2)
    return corners[:, 0], corners[:, 1] - corners[:, 0], corners[:, 3] - corners[:, 0]
