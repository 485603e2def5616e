"""The user's own aerial picture, brought into the page's projection and made small enough to travel in it."""

from __future__ import annotations

import base64
import math
import warnings
from pathlib import Path
from typing import Any

import numpy as np

from geosample.errors import MapError, Problem
from geosample.webmap.raster import WEB_MERCATOR

# Two million pixels as JPEG are about 1 MB: half a metre over a hole or two, a metre over a course (P).
MOST_PIXELS = 2_000_000
Bounds = tuple[float, float, float, float]


def read_aerial(path: Path, lonlat: Bounds) -> tuple[str, Bounds]:
    """Return a GeoTIFF as a JPEG data: address, cut to the course, and where it lies.

    Parameters
    ----------
    path : Path
        A GeoTIFF with a coordinate system; its first three bands are red, green and blue, or its first is grey.
    lonlat : tuple of float
        The course's west, south, east, north in degrees, which the picture is cut to.

    Raises
    ------
    MapError
        When it can't be read, has no coordinate system, is not 8-bit, or lies elsewhere.
    """
    import rasterio
    from rasterio.warp import transform_bounds

    frame = transform_bounds("EPSG:4326", WEB_MERCATOR, *lonlat)
    try:
        with warnings.catch_warnings():
            # A picture that lies nowhere is refused below, in words of our own.
            warnings.simplefilter("ignore", rasterio.errors.NotGeoreferencedWarning)
            picture = rasterio.open(path)
        with picture:
            check_picture(path, picture)
            return _encode(warp_picture(picture, frame, path)), lonlat
    except rasterio.errors.RasterioIOError as error:
        raise MapError(_problem(path, f"a file that can't be read ({error})", "a GeoTIFF")) from error


def check_picture(path: Path, picture: Any) -> None:
    """Raise MapError unless the picture is placed and has 8-bit bands."""
    problems = []
    if picture.crs is None:
        problems.append(_problem(path, "no coordinate system", "a GeoTIFF that says where it lies"))
    if picture.dtypes[0] != "uint8":
        problems.append(_problem(path, f"bands of {picture.dtypes[0]}", "8-bit bands (uint8)"))
    if problems:
        raise MapError(problems)


def warp_picture(picture: Any, frame: Bounds, path: Path) -> np.ndarray:
    """Return the picture on the frame, shape (3, rows, columns); black where it does not reach.

    Parameters
    ----------
    frame : tuple of float
        West, south, east, north in EPSG:3857 metres.
    """
    from rasterio import Affine
    from rasterio.vrt import WarpedVRT
    from rasterio.warp import transform_bounds

    west, south, east, north = frame
    left, bottom, right, top = transform_bounds(picture.crs, WEB_MERCATOR, *picture.bounds)
    if left > east or right < west or bottom > north or top < south:
        raise MapError(_problem(path, "a picture of other ground", "one that covers the course"))
    finest = math.sqrt((right - left) * (top - bottom) / (picture.width * picture.height))
    side = max(finest, math.sqrt((east - west) * (north - south) / MOST_PIXELS))
    columns, rows = max(1, round((east - west) / side)), max(1, round((north - south) / side))
    grid = Affine((east - west) / columns, 0.0, west, 0.0, (south - north) / rows, north)
    bands = [1, 2, 3] if picture.count >= 3 else [1, 1, 1]  # noqa: PLR2004
    with WarpedVRT(picture, crs=WEB_MERCATOR, transform=grid, width=columns, height=rows) as warped:
        return np.asarray(warped.read(bands))


def _encode(pixels: np.ndarray) -> str:
    from rasterio.errors import NotGeoreferencedWarning
    from rasterio.io import MemoryFile

    make = {"driver": "JPEG", "count": 3, "dtype": "uint8", "height": pixels.shape[1], "width": pixels.shape[2]}
    with warnings.catch_warnings(), MemoryFile() as memory:
        # The page keeps the place; the JPEG itself needs none.
        warnings.simplefilter("ignore", NotGeoreferencedWarning)
        with memory.open(**make, quality=80) as file:
            file.write(pixels)
        content = memory.read()
    return f"data:image/jpeg;base64,{base64.b64encode(content).decode('ascii')}"


def _problem(path: Path, found: str, expected: str) -> Problem:
    return Problem(str(path), found, expected, "name another file with --aerial")
