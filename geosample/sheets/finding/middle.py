"""The middle line of a long surface, and places by paces along it and in from its sides.

The line is the longest way through the ridges of the Voronoi diagram of points along the outline: each ridge lies as
far from one side as from the other. It is smoothed over about a width and carried on straight to the ends.

References
----------
Blum 1967, A transformation for extracting new descriptors of shape (the medial axis).
Brandt & Algazi 1992, Continuous skeleton computation by Voronoi diagram, CVGIP: Image Understanding 55:329-338.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import Voronoi

if TYPE_CHECKING:
    from shapely import Geometry

_STEP_M = 0.5
_MOST_CORNERS = 400
_NOTCH_M = 3.0  # bays of the outline narrower than twice this do not bend the middle line
_FEWEST = 4
_FAR_M = 300.0


@dataclass(frozen=True, slots=True)
class MiddleLine:
    """A line down the middle, from the green end to the far end.

    Parameters
    ----------
    places : ndarray, shape (n, 2)
        Easting and northing every half metre, m.
    ways : ndarray, shape (n, 2)
        Unit vectors along it, away from the green.
    outline : Polygon
        The surface without its holes, m.
    """

    places: np.ndarray
    ways: np.ndarray
    outline: Geometry


def find_middle(surface: Geometry, green_end: Geometry | None) -> MiddleLine | None:
    """Return a polygon's middle line, or None where it has none worth the name.

    Parameters
    ----------
    surface : Polygon
        A surface's piece, m; its holes are overlooked.
    green_end : Geometry, optional
        The line starts at the end nearer to it; at the northern end when None.
    """
    outline = shapely.Polygon(surface.exterior)
    calm = shapely.buffer(shapely.buffer(outline, _NOTCH_M), -_NOTCH_M)
    ridge = _longest_ridge(calm if calm.geom_type == "Polygon" else outline)
    if ridge is None:
        return None
    line = _smooth(ridge, outline)
    if line is None:
        return None
    goal = green_end if green_end is not None else shapely.Point(line[:, 0].mean(), line[:, 1].max() + _FAR_M)
    ends = shapely.distance(shapely.points(line[[0, -1]]), goal)
    line = line[::-1] if ends[1] < ends[0] else line
    return MiddleLine(line, _unit(np.gradient(line, axis=0)), outline)


def tell_along(line: MiddleLine, place: np.ndarray) -> tuple[float, float]:
    """Return how far along the line a place lies, m, and how far to its left, m, facing the green."""
    rest = place - line.places
    ahead = np.abs((rest * line.ways).sum(axis=1))
    left = (rest * _left_of(line.ways)).sum(axis=1)
    best = int(np.argmin(10 * ahead + np.abs(left)))
    return best * _STEP_M, float(left[best])


def reach_side(line: MiddleLine, along_m: float, side: str) -> float:
    """Return how far the surface's side lies from the line at a place along it, m."""
    place, left = _station(line, along_m)
    way = left if side == "left" else -left
    ray = shapely.LineString([place, place + _FAR_M * way])
    inside = shapely.get_parts(shapely.intersection(ray, line.outline))
    first = [part for part in inside if shapely.distance(part, shapely.Point(place)) < _STEP_M]
    return float(np.hypot(*(shapely.get_coordinates(first) - place).T).max()) if first else 0.0


def walk_along(line: MiddleLine, along_m: float, left_m: float) -> np.ndarray:
    """Return the place so far along the line and so far to its left (facing the green), (easting, northing)."""
    place, left = _station(line, along_m)
    return np.asarray(place + left_m * left)


def _station(line: MiddleLine, along_m: float) -> tuple[np.ndarray, np.ndarray]:
    number = int(np.clip(round(along_m / _STEP_M), 0, len(line.places) - 1))
    return line.places[number], _left_of(line.ways)[number]


def _left_of(ways: np.ndarray) -> np.ndarray:
    """Return the left hand of somebody facing the green, who looks against the line's way."""
    return np.column_stack([ways[:, 1], -ways[:, 0]])


def _longest_ridge(outline: Geometry) -> np.ndarray | None:
    """Return the longest way through the medial axis, or None for an outline that is too small for one."""
    step_m = max(1.5, outline.length / _MOST_CORNERS)
    corners = shapely.get_coordinates(shapely.segmentize(outline.exterior, step_m))[:-1]
    diagram = Voronoi(np.unique(np.round(corners, 6), axis=0))
    inside = shapely.contains_xy(outline, diagram.vertices[:, 0], diagram.vertices[:, 1])
    ridges = np.array([pair for pair in diagram.ridge_vertices if min(pair) >= 0 and inside[pair].all()])
    if len(ridges) < _FEWEST:
        return None
    lengths = np.hypot(*(diagram.vertices[ridges[:, 0]] - diagram.vertices[ridges[:, 1]]).T) + 1e-9
    size = len(diagram.vertices)
    ends = ridges.astype(np.int32)  # what SciPy's graph routines take in every version
    graph = csr_array((lengths, (ends[:, 0], ends[:, 1])), shape=(size, size))
    return np.asarray(diagram.vertices[_longest_way(graph, int(ridges[0, 0]))])


def _longest_way(graph: csr_array, start: int) -> list[int]:
    """Return the nodes of the longest of the shortest ways (twice the farthest node: exact on a tree)."""
    first = _farthest(dijkstra(graph, directed=False, indices=np.array([start]))[0])
    far, before = dijkstra(graph, directed=False, indices=np.array([first]), return_predecessors=True)
    node, way = _farthest(far[0]), []
    while node >= 0:
        way.append(node)
        node = int(before[0, node])
    return way


def _farthest(far: np.ndarray) -> int:
    return int(np.argmax(np.where(np.isfinite(far), far, -1.0)))


def _smooth(ridge: np.ndarray, outline: Geometry) -> np.ndarray | None:
    """Return the ridge without its forks into corners, smoothed over about a width and carried to both ends."""
    from scipy.ndimage import uniform_filter1d  # slow to import, and only sheets need it

    clearance = shapely.distance(shapely.points(ridge), outline.exterior)
    wide = np.flatnonzero(clearance >= 0.75 * np.median(clearance))
    trunk = shapely.LineString(ridge[wide[0] : wide[-1] + 1]) if wide[-1] > wide[0] else None
    if trunk is None or trunk.length < 4 * _STEP_M:
        return None
    stations = shapely.line_interpolate_point(trunk, np.arange(0.0, trunk.length, _STEP_M))
    width = int(max(3, np.median(clearance) / _STEP_M))
    places = uniform_filter1d(shapely.get_coordinates(stations), width, axis=0, mode="nearest")
    return _to_the_ends(places, outline, width)


def _to_the_ends(places: np.ndarray, outline: Geometry, width: int) -> np.ndarray:
    reach = min(width, len(places) - 1)
    for _ in range(2):
        way = _unit(places[0] - places[reach])
        ray = shapely.intersection(shapely.LineString([places[0], places[0] + _FAR_M * way]), outline)
        ahead = [part for part in shapely.get_parts(ray) if shapely.distance(part, shapely.Point(places[0])) < _STEP_M]
        far_m = float(np.hypot(*(shapely.get_coordinates(ahead) - places[0]).T).max()) if ahead else 0.0
        more = places[0] + np.arange(far_m, 0.0, -_STEP_M)[:, None] * way
        places = np.vstack([more, places])[::-1]
    line = shapely.LineString(places)
    even = shapely.line_interpolate_point(line, np.arange(0.0, line.length, _STEP_M))
    return np.asarray(shapely.get_coordinates(even))


def _unit(ways: np.ndarray) -> np.ndarray:
    return np.asarray(ways / np.maximum(np.linalg.norm(ways, axis=-1, keepdims=True), 1e-12))
