"""Feature: one shape as a file gave it, with everything the file says about it, however badly it was drawn.

Shapes are made from lists of coordinates, from text or from bytes: what can be mended is, and said.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from geosample.files.reading import Note

if TYPE_CHECKING:
    from pathlib import Path

    import pyproj
    from shapely import Geometry

CORNERS = 3
"""A ring with fewer different corners encloses nothing."""
_FEW = 50


@dataclass(frozen=True, slots=True)
class Feature:
    """One shape of a file: a single polygon, line or point; a MultiPolygon only where it is known to be one surface.

    Parameters
    ----------
    shape : Geometry
        Polygon, LineString or Point in the file's coordinates, without heights.
    fields : mapping of str to str
        The file's attributes, empty values left out.
    folders : tuple of str
        Names of the folders (KML) or the layer it lies in, outermost first.
    name : str or None
        The name of a placemark; None in formats that have no such thing.
    source : str
        File and place in it, as a person can look it up.
    """

    shape: Geometry
    fields: Mapping[str, str]
    folders: tuple[str, ...]
    name: str | None
    source: str


@dataclass(frozen=True, slots=True)
class Content:
    """What one file held: its features, its CRS (None when it does not say) and what had to be mended.

    A drawing has coordinates of its own, of ``unit_m`` metres each (None when it does not say).
    """

    path: Path
    features: tuple[Feature, ...]
    crs: pyproj.CRS | None
    notes: tuple[Note, ...] = field(default=())
    drawing: bool = False
    unit_m: float | None = None


def gather_content(path: Path, found: Iterable[Feature | Note], crs: pyproj.CRS | None) -> Content:
    """Return a file's content from what a reader found in it, shape by shape.

    Parameters
    ----------
    path : Path
        The file.
    found : iterable of Feature or Note
        In the file's order.
    crs : CRS or None
        What the file says its coordinates are in.
    """
    all_found = list(found)
    features = tuple(one for one in all_found if isinstance(one, Feature))
    return Content(path, features, crs, tuple(one for one in all_found if isinstance(one, Note)))


def read_corners(values: Iterable[Any]) -> tuple[np.ndarray, list[str]]:
    """Return the corners that are numbers, shape (n, 2), and the codes of what was wrong with the others.

    Examples
    --------
    >>> read_corners([[0, 0, 5], [1, 0], ["north", 1]])
    (array([[0., 0.],
           [1., 0.]]), ['no_numbers'])
    """
    rows = list(values)
    try:
        corners = np.asarray([row[:2] for row in rows], dtype=float).reshape(-1, 2)
    except (TypeError, ValueError, IndexError):
        corners = np.asarray([good for row in rows if (good := _numbers(row))], dtype=float).reshape(-1, 2)
    corners = corners[np.isfinite(corners).all(axis=1)]
    return corners, [] if len(corners) == len(rows) else ["no_numbers"]


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
    (<POLYGON ((0 0, 2 0, 2 2, 0 2, 0 0))>, ['open_ring'])
    """
    wrong: list[str] = []
    closed = [_close(ring, wrong) for ring in rings]
    if not closed or closed[0] is None:
        return None, wrong or ["no_ring"]
    return shapely.Polygon(closed[0], [ring for ring in closed[1:] if ring is not None]), wrong


def _close(ring: np.ndarray, wrong: list[str]) -> np.ndarray | None:
    if _different(ring) < CORNERS:
        wrong.append("few_corners")
        return None
    if not np.array_equal(ring[0], ring[-1]):
        wrong.append("open_ring")
        return np.vstack([ring, ring[:1]])
    return ring


def _different(corners: np.ndarray) -> int:
    """Return how many corners differ; the first few tell for any ring that is one, and sorting all takes long."""
    few = len(np.unique(corners[:_FEW], axis=0))
    return few if few >= CORNERS or len(corners) <= _FEW else len(np.unique(corners, axis=0))


def build_line(corners: np.ndarray) -> tuple[Geometry | None, list[str]]:
    """Return a line; a point where all its corners are one, None where it has none."""
    if not len(corners):
        return None, ["no_line"]
    if _different(corners) > 1:
        return shapely.LineString(corners), []
    return shapely.Point(corners[0]), ["one_corner"]


def build_point(corners: np.ndarray) -> tuple[Geometry | None, list[str]]:
    """Return a point, or None where there are no coordinates."""
    if len(corners):
        return shapely.Point(corners[0]), []
    return None, ["no_point"]


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
    return [(shapely.LineString(part) if part.geom_type == "LinearRing" else part) for part in flat]


def open_text(text: str) -> tuple[list[shapely.Geometry], list[str]]:
    """Return the single shapes in well-known text, mended where need be, and what was wrong.

    Examples
    --------
    >>> open_text("POLYGON ((0 0, 1 0, 1 1, 0 1))")
    ([<POLYGON ((0 0, 1 0, 1 1, 0 1, 0 0))>], ['open_ring'])
    """
    body = text.partition(";")[2] if text.upper().startswith("SRID=") else text
    if not body:
        return [], ["no_row_shape"]
    with np.errstate(invalid="ignore", over="ignore"):  # corners that are no numbers are told of in words
        try:
            parts, wrong = split_shape(shapely.from_wkt(body)), []
        except (shapely.errors.GEOSException, ValueError):
            parts = split_shape(shapely.from_wkt(body, on_invalid="fix"))
            wrong = ["open_ring" if parts else "unreadable"]
    good = [part for part in parts if np.isfinite(shapely.get_coordinates(part)).all()]
    if len(good) < len(parts):
        return good, ["no_numbers"]
    return good, wrong if good or wrong else ["no_row_shape"]


def open_bytes(wkb: bytes | None) -> tuple[list[Any], list[str]]:
    """Return the single shapes in well-known binary, mended where need be, and what was wrong.

    Examples
    --------
    >>> open_bytes(shapely.to_wkb(shapely.Point(1, 2)))
    ([<POINT (1 2)>], [])
    """
    if wkb is None:
        return [], ["no_shape"]
    try:
        return _checked(split_shape(shapely.from_wkb(wkb)))
    except (shapely.errors.GEOSException, ValueError):
        mended = shapely.from_wkb(wkb, on_invalid="fix")
    parts, wrong = _checked(split_shape(mended))
    return parts, wrong or ["open_ring" if parts else "unreadable"]


def _checked(parts: list[Any]) -> tuple[list[Any], list[str]]:
    good = [part for part in parts if np.isfinite(shapely.get_coordinates(part)).all()]
    if not parts:
        return [], ["no_shape"]
    return good, [] if len(good) == len(parts) else ["no_numbers"]
