"""How far the nearest trees are from a place, and in which direction."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely

if TYPE_CHECKING:
    import geopandas as gpd


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
