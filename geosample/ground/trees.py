"""How far the nearest trees are from a place, and in which direction."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely

from geosample.ground.model import Note
from geosample.words import SHORT_TURF

if TYPE_CHECKING:
    import geopandas as gpd

WORTH_SAYING_M = 5.0
"""A line of trees that touches turf over less than this may be crowns at its edge (no source)."""


def measure_trees(
    obstacles: gpd.GeoDataFrame, easting: np.ndarray, northing: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return how far the nearest trees are, m, and their bearing, degrees clockwise from grid north.

    Parameters
    ----------
    obstacles : GeoDataFrame
        With a ``kind``; trees may be points, lines or polygons.
    easting, northing : arrays of shape (n,)
        Places in the same CRS.

    Returns
    -------
    tuple of arrays of shape (n,)
        Distance, NaN where there are no trees at all; bearing from 0 up to 360, NaN there and among the trees.

    Notes
    -----
    The line of trees as drawn is measured to, which is often the trunk line and not the edge of the crowns.

    Examples
    --------
    >>> import geopandas as gpd
    >>> trees = gpd.GeoDataFrame({"kind": ["trees"]}, geometry=[shapely.LineString([(10, -5), (10, 5)])])
    >>> [values.tolist() for values in measure_trees(trees, np.array([0.0]), np.array([0.0]))]
    [[10.0], [90.0]]
    """
    places = shapely.points(easting, northing)
    trees = obstacles.geometry[obstacles["kind"] == "trees"].to_numpy()
    trees = trees[~shapely.is_empty(trees)]
    if not len(trees) or not len(places):
        nothing = np.full(len(places), np.nan)
        return nothing, nothing.copy()
    nearest = trees[shapely.STRtree(trees).nearest(places)]
    lines = shapely.shortest_line(places, nearest)
    ends = shapely.get_coordinates(lines).reshape(-1, 2, 2)
    east, north = (ends[:, 1] - ends[:, 0]).T
    distance = np.hypot(east, north)
    bearing = np.degrees(np.arctan2(east, north)) % 360
    return distance, np.where(distance > 0, bearing, np.nan)


def note_trees_on_turf(surfaces: gpd.GeoDataFrame, obstacles: gpd.GeoDataFrame) -> list[Note]:
    """Return a note a source for lines of trees that run across short turf, which no trees stand on.

    Such a line is most often one long line drawn from stand to stand; the distance to trees is wrong beside it.

    Examples
    --------
    >>> import geopandas as gpd
    >>> turf = gpd.GeoDataFrame({"kind": ["fairway"]}, geometry=[shapely.box(0, 0, 30, 30)])
    >>> line = shapely.LineString([(-10, 10), (50, 10)])
    >>> trees = gpd.GeoDataFrame({"kind": ["trees"], "source": ["a.kml, placemark 6"]}, geometry=[line])
    >>> [(note.what, note.where) for note in note_trees_on_turf(turf, trees)]
    [('a line of trees runs 30 m across short turf', 'a.kml, placemark 6')]
    """
    lines = obstacles[(obstacles["kind"] == "trees") & obstacles.geom_type.isin(["LineString", "MultiLineString"])]
    turf = shapely.union_all(surfaces.geometry[surfaces["kind"].isin(SHORT_TURF)].to_numpy())
    across = shapely.length(shapely.intersection(lines.geometry.to_numpy(), turf))
    remedy = "distances to trees are measured to it as drawn; split it where no trees stand"
    return [
        Note(f"a line of trees runs {length:,.0f} m across short turf", source, 1, 0.0, remedy)
        for source, length in zip(lines["source"], across, strict=True)
        if length > WORTH_SAYING_M
    ]
