"""Feature: one shape as a file gave it, with everything the file says about it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

    import pyproj
    from shapely import Geometry

LARGEST_BYTES = 512 * 1024 * 1024
"""A file that is larger is not a course (no source)."""
LARGEST_UNPACKED_BYTES = 128 * 1024 * 1024
"""An archive or a workbook that unpacks to more is neither a course nor its counts (own choice: a workbook with one
cell of this size takes half a gigabyte of memory to read)."""


@dataclass(frozen=True, slots=True)
class Feature:
    """One shape of a file: a single polygon, line or point, never a collection.

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
class Remark:
    """Something seen on the way in: a ring closed, a shape left out because it has no area.

    Parameters
    ----------
    what : str
        In a few words; remarks of the same words are counted together.
    source : str
        File and place in it.
    remedy : str
        What was done, or what the user can do.
    """

    what: str
    source: str
    remedy: str


@dataclass(frozen=True, slots=True)
class Content:
    """What one file held: its features, its CRS (None when it does not say) and what had to be mended."""

    path: Path
    features: tuple[Feature, ...]
    crs: pyproj.CRS | None
    remarks: tuple[Remark, ...] = field(default=())


def gather_content(path: Path, found: Iterable[Feature | Remark], crs: pyproj.CRS | None) -> Content:
    """Return a file's content from what a reader found in it, shape by shape.

    Parameters
    ----------
    path : Path
        The file.
    found : iterable of Feature or Remark
        In the file's order.
    crs : CRS or None
        What the file says its coordinates are in.
    """
    all_found = list(found)
    features = tuple(one for one in all_found if isinstance(one, Feature))
    return Content(path, features, crs, tuple(one for one in all_found if isinstance(one, Remark)))
