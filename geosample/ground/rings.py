"""Shapes from lists of coordinates, however badly they were drawn: what can be mended is, and said."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

if TYPE_CHECKING:
    from shapely import Geometry

CORNERS = 3
"""A ring with fewer different corners encloses nothing."""
_FEW = 50


def read_corners(values: Iterable[Any]) -> tuple[np.ndarray, list[str]]:
    """Return the corners, shape (n, 2), and what was wrong with them; those that are not numbers are left out.

    Examples
    --------
    >>> read_corners([[0, 0, 5], [1, 0], ["north", 1]])
    (array([[0., 0.],
           [1., 0.]]), ['corners without numbers'])
    """
    rows = list(values)
    try:
        corners = np.asarray([row[:2] for row in rows], dtype=float).reshape(-1, 2)
    except (TypeError, ValueError, IndexError):
        corners = np.asarray([good for row in rows if (good := _numbers(row))], dtype=float).reshape(-1, 2)
    corners = corners[np.isfinite(corners).all(axis=1)]
    return corners, [] if len(corners) == len(rows) else ["corners without numbers"]


def _numbers(row: Any) -> tuple[float, float] | None:
    try:
        return float(row[0]), float(row[1])
    except (TypeError, ValueError, IndexError, KeyError):
        return None


def build_polygon(rings: Sequence[np.ndarray]) -> tuple[Geometry | None, list[str]]:
    """Return a polygon from its outer ring and holes, and what had to be mended.

    Parameters
    ----------
    rings : sequence of arrays of shape (n, 2)
        The outer ring first.

    Returns
    -------
    tuple of Geometry or None, list of str
        None when the outer ring encloses nothing.

    Examples
    --------
    >>> build_polygon([np.array([[0, 0], [2, 0], [2, 2], [0, 2]])])
    (<POLYGON ((0 0, 2 0, 2 2, 0 2, 0 0))>, ['a ring that was not closed'])
    """
    wrong: list[str] = []
    closed = [_close(ring, wrong) for ring in rings]
    if not closed or closed[0] is None:
        return None, wrong or ["no ring"]
    return shapely.Polygon(closed[0], [ring for ring in closed[1:] if ring is not None]), wrong


def _close(ring: np.ndarray, wrong: list[str]) -> np.ndarray | None:
    if _different(ring) < CORNERS:
        wrong.append("a ring of fewer than three corners")
        return None
    if not np.array_equal(ring[0], ring[-1]):
        wrong.append("a ring that was not closed")
        return np.vstack([ring, ring[:1]])
    return ring


def _different(corners: np.ndarray) -> int:
    """Return how many corners differ; the first few tell for any ring that is one, and sorting all takes long."""
    few = len(np.unique(corners[:_FEW], axis=0))
    return few if few >= CORNERS or len(corners) <= _FEW else len(np.unique(corners, axis=0))


def build_line(corners: np.ndarray) -> tuple[Geometry | None, list[str]]:
    """Return a line; a point where all its corners are one, None where it has none."""
    if not len(corners):
        return None, ["a line without coordinates"]
    if _different(corners) > 1:
        return shapely.LineString(corners), []
    return shapely.Point(corners[0]), ["a line of one corner"]


def build_point(corners: np.ndarray) -> tuple[Geometry | None, list[str]]:
    """Return a point, or None where there are no coordinates."""
    if len(corners):
        return shapely.Point(corners[0]), []
    return None, ["a point without coordinates"]


def split_shape(shape: Geometry | None) -> list[Geometry]:
    """Return the single polygons, lines and points in a shape of any kind, without heights.

    Examples
    --------
    >>> split_shape(shapely.from_wkt("GEOMETRYCOLLECTION (POINT Z (1 2 3), MULTIPOINT (0 0, 1 1))"))
    [<POINT (1 2)>, <POINT (0 0)>, <POINT (1 1)>]
    """
    parts = [shape]
    while any(part is not None and hasattr(part, "geoms") for part in parts):
        parts = list(shapely.get_parts([part for part in parts if part is not None]))
    flat = shapely.force_2d([part for part in parts if part is not None and not part.is_empty])
    return [_open_ring(part) for part in flat]


def _open_ring(part: Geometry) -> Geometry:
    return shapely.LineString(part) if part.geom_type == "LinearRing" else part
