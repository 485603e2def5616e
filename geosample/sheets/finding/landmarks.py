"""Landmarks the user has: sprinkler heads, yardage markers, anything with a name a crew can walk to."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import shapely

from geosample.errors import GroundError, Problem, SheetsError
from geosample.ground import open_shapes

if TYPE_CHECKING:
    import geopandas as gpd
    import pyproj

    from geosample.ground import Ground

NEAR_M = 40.0
"""A landmark farther than this helps nobody (common practice, no source), m."""
_NAMES = ("name", "label", "id", "number")
_WAYS = ("east", "north-east", "north", "north-west", "west", "south-west", "south", "south-east")


def read_landmarks(path: str | Path, crs: pyproj.CRS) -> gpd.GeoDataFrame:
    """Return the landmarks of a vector file: name and geometry (points; the middle of anything else), in a CRS.

    Parameters
    ----------
    path : path
        Any vector file with a coordinate system and a column ``name``, ``label``, ``id`` or ``number``.
    crs : CRS
        The ground's.

    Raises
    ------
    SheetsError
        When it can't be read, is empty, has no coordinate system or no such column.
    """
    import geopandas as gpd

    where = str(path)
    try:
        frame = open_shapes(Path(path), where)
    except GroundError as error:
        raise SheetsError(error.problems) from error
    column = next((name for name in frame.columns if name.lower() in _NAMES), None)
    if column is None:
        found = f"columns {', '.join(frame.columns)}"
        expected = f"one of: {', '.join(_NAMES)}"
        raise SheetsError(Problem(where, found, expected, "rename the column that holds the landmarks' names"))
    kept = frame[frame.geometry.notna() & frame[column].notna()].to_crs(crs)
    return gpd.GeoDataFrame({"name": kept[column].astype(str)}, geometry=kept.geometry.centroid, crs=crs)


def named_landmarks(ground: Ground) -> gpd.GeoDataFrame | None:
    """Return the ground's own landmarks that have a name, as points; None where there are none."""
    marks = ground.landmarks
    if marks is None or marks.empty:
        return None
    named = marks[marks["name"].notna()]
    if named.empty:
        return None
    holes = named["hole"] if "hole" in named.columns else None
    names = named["name"].astype(str)
    if holes is not None:
        names = names.where(holes.isna(), "hole " + holes.astype(str) + "'s " + names)
    return named.assign(name=names, geometry=named.geometry.centroid)


def tell_landmark(landmarks: gpd.GeoDataFrame | None, place: np.ndarray, *, pace_m: float) -> str:
    """Return how to get to a place from the nearest landmark, or an empty text where none is near.

    Examples
    --------
    >>> import geopandas as gpd
    >>> heads = gpd.GeoDataFrame({"name": ["head 7-12"]}, geometry=[shapely.Point(0, 0)], crs=32618)
    >>> tell_landmark(heads, np.array([5.0, 5.0]), pace_m=0.762)
    '9 paces north-east of head 7-12'
    """
    if landmarks is None or landmarks.empty:
        return ""
    ways = place - shapely.get_coordinates(landmarks.geometry.to_numpy())
    far_m = np.hypot(*ways.T)
    nearest = int(np.argmin(far_m))
    name = landmarks["name"].iloc[nearest]
    if far_m[nearest] > NEAR_M:
        return ""
    paces = round(float(far_m[nearest]) / pace_m)
    if paces == 0:
        return f"at {name}"
    return f"{paces} {'pace' if paces == 1 else 'paces'} {tell_way(ways[nearest])} of {name}"


def tell_way(way: np.ndarray) -> str:
    """Return the nearest of eight directions of a vector (east, north).

    Examples
    --------
    >>> tell_way(np.array([-1.0, 0.9]))
    'north-west'
    """
    return _WAYS[round(np.degrees(np.arctan2(way[1], way[0])) / 45) % 8]


def tell_leg(start: np.ndarray, end: np.ndarray, pace_m: float) -> str:
    """Return the way from one point of the round to the next: paces and direction.

    Examples
    --------
    >>> tell_leg(np.array([0.0, 0.0]), np.array([0.0, -7.62]), 0.762)
    '10 paces south'
    """
    paces = round(float(np.hypot(*(end - start))) / pace_m)
    return f"{paces} {'pace' if paces == 1 else 'paces'} {tell_way(end - start)}"
