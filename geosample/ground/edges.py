"""The outer edge of short turf, the distance to it, and the strip along it.

Insects walk in from outside, so the edge that matters is the outer line of all short turf that touches
(green, collar, approach, tee, fairway), not the line between a green and its collar. Rough never cancels an edge.
A bunker or pond wholly inside the turf makes no outer line; where it reaches the side, the outer line runs round it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely

from geosample.words import SHORT_TURF
from geosample.workers import map_threads

if TYPE_CHECKING:
    import geopandas as gpd
    from shapely import Geometry

_MANY = 10_000
"""From so many places on, a tree of the lines' pieces is worth making."""
_NODE = 3
"""Branches to a node of that tree: half the time of shapely's default of 10 on 18 holes."""
GAP_M = 1.0
"""Gaps up to this width between short turf surfaces, m, are digitising and not an edge (common practice, no source)."""


def outer_turf(surfaces: gpd.GeoDataFrame) -> Geometry:
    """Return the union of the short turf with gaps of up to ``GAP_M`` closed.

    Parameters
    ----------
    surfaces : GeoDataFrame
        With a ``kind``; kinds that are not short turf are left out.
    """
    short = surfaces.geometry[surfaces["kind"].isin(SHORT_TURF)]
    union = shapely.union_all(short.to_numpy())
    closed = shapely.buffer(shapely.buffer(union, GAP_M / 2, join_style="mitre"), -GAP_M / 2, join_style="mitre")
    return shapely.union(union, closed)


def edge_lines(surfaces: gpd.GeoDataFrame, *, every_edge: bool = False) -> Geometry:
    """Return the lines edge distance is measured to.

    Parameters
    ----------
    surfaces : GeoDataFrame
        Surfaces with a ``kind``.
    every_edge : bool
        Measure to each surface's own line instead of the outer line of the short turf.

    Returns
    -------
    Geometry
        Lines. Where there is no short turf at all, the surfaces' own lines.

    Examples
    --------
    >>> import geopandas as gpd
    >>> from shapely import Point, box
    >>> holed = box(0, 0, 40, 40).difference(box(15, 15, 25, 25))
    >>> frame = gpd.GeoDataFrame({"kind": ["fairway"]}, geometry=[holed])
    >>> edge_lines(frame).distance(Point(12, 20)), edge_lines(frame, every_edge=True).distance(Point(12, 20))
    (12.0, 3.0)
    """
    own = every_edge or not surfaces["kind"].isin(SHORT_TURF).any()
    if own:
        return shapely.union_all(shapely.boundary(surfaces.geometry.to_numpy()))
    pieces = shapely.get_parts(outer_turf(surfaces))
    return shapely.multilinestrings(shapely.get_exterior_ring(pieces))


def measure_edge(lines: Geometry, easting: np.ndarray, northing: np.ndarray) -> np.ndarray:
    """Return the distance of places to the edge lines, m, shape (n,).

    Parameters
    ----------
    lines : Geometry
        As ``edge_lines`` gives them, m.
    easting, northing : ndarray, shape (n,)
        Of the places, in the same CRS, m.

    Examples
    --------
    >>> from shapely import box
    >>> measure_edge(box(0, 0, 10, 10).boundary, [5.0, 1.0], [5.0, 5.0]).tolist()
    [5.0, 1.0]
    """
    places = np.stack([easting, northing], axis=-1)
    if len(places) >= _MANY and shapely.get_dimensions(lines) == 1 and not lines.is_empty:
        return _measure_many(lines, places)
    shapely.prepare(lines)
    return np.asarray(shapely.distance(lines, shapely.points(places)), dtype=float)


def _measure_many(lines: Geometry, places: np.ndarray) -> np.ndarray:
    """Return the same by a tree of the lines' single pieces, several parts of the places at a time."""
    corners, line = shapely.get_coordinates(shapely.get_parts(lines), return_index=True)
    joined = line[1:] == line[:-1]
    pieces = shapely.linestrings(np.stack([corners[:-1][joined], corners[1:][joined]], axis=1))
    tree = shapely.STRtree(pieces, node_capacity=_NODE)

    def measure(some: np.ndarray) -> np.ndarray:
        points = shapely.points(some)
        return np.asarray(tree.query_nearest(points, return_distance=True, all_matches=False)[1])

    return np.concatenate(map_threads(measure, np.array_split(places, len(places) // _MANY + 1)))


def split_border(surfaces: gpd.GeoDataFrame, width_m: float, *, every_edge: bool = False) -> gpd.GeoDataFrame:
    """Return each surface in its parts: the border within ``width_m`` of the outer edge, and the interior.

    Parameters
    ----------
    surfaces : GeoDataFrame
        In a CRS in metres.
    width_m : float
        Of the border, m.
    every_edge : bool
        As for ``edge_lines``.

    Returns
    -------
    GeoDataFrame
        The surfaces' columns, ``part`` (border or interior) and ``area_m2`` of the part; a part of no area is
        left out. A collar narrower than the border is all border.
    """
    import geopandas as gpd
    import pandas as pd

    lines = edge_lines(surfaces, every_edge=every_edge)
    strip = shapely.buffer(lines, width_m, quad_segs=16)
    shapely.prepare(strip)
    shapes = surfaces.geometry.to_numpy()
    # A collar narrower than the border is all border, also where turf joins it and the outer edge is elsewhere.
    thin = (surfaces["kind"] == "collar").to_numpy() & shapely.is_empty(shapely.buffer(shapes, -width_m / 2))
    inner = np.where(thin, shapely.Polygon(), shapely.difference(shapes, strip))
    parts = {"border": np.where(thin, shapes, shapely.intersection(shapes, strip)), "interior": inner}
    frames = [surfaces.assign(part=name, geometry=only_polygons(pieces)) for name, pieces in parts.items()]
    both = gpd.GeoDataFrame(pd.concat(frames, ignore_index=True), geometry="geometry", crs=surfaces.crs)
    both = both.assign(area_m2=both.geometry.area)
    whole = both["surface_id"].map(surfaces.set_index("surface_id").geometry.area)
    return both[both["area_m2"] > 1e-9 * whole].sort_values(["surface_id", "part"]).reset_index(drop=True)


def is_area(shapes: np.ndarray) -> np.ndarray:
    """Return which shapes have an area by their kind, as booleans of the same shape.

    Examples
    --------
    >>> is_area(shapely.from_wkt(["POINT (0 0)", "LINESTRING (0 0, 1 0)", "POLYGON ((0 0, 1 0, 1 1, 0 0))"])).tolist()
    [False, False, True]
    """
    return np.asarray(shapely.get_dimensions(shapes) == 2)  # noqa: PLR2004 - dimensions


def only_polygons(shapes: np.ndarray) -> np.ndarray:
    """Return the shapes as MultiPolygons, without the lines and points an overlay leaves behind."""
    return np.array([_polygons_of(shape) for shape in shapes], dtype=object)


def _polygons_of(shape: Geometry) -> Geometry:
    parts = shapely.get_parts(shapely.get_parts([shape]))
    polygons = [part for part in parts if part.geom_type == "Polygon" and not part.is_empty]
    return shapely.multipolygons(np.array(polygons, dtype=object))
