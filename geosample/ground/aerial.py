"""A picture of the course from above, of the user's own: where it lies, and the part of it that lies under a map."""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pyproj
import shapely

from geosample.errors import GroundError, Problem
from geosample.files.reading import Note
from geosample.ground.placing import HALF_TURN, Pairs, fit_pairs, note_pairs, read_crs

if TYPE_CHECKING:
    from pathlib import Path

Bounds = tuple[float, float, float, float]
_DRIVERS = {".png": "PNG", ".jpg": "JPEG", ".jpeg": "JPEG"}


@dataclass(frozen=True, slots=True)
class Aerial:
    """A picture from above.

    Parameters
    ----------
    path : Path
        A GeoTIFF, or a PNG or JPEG with a world file beside it or with ``pairs``; its first three bands are red, green
        and blue, or its first is grey.
    pairs : Pairs
        Three or more places in it, columns and rows from its upper left corner, and where they lie, degrees.
    crs : str or None
        What a world file's coordinates are in; degrees are told from their size.
    """

    path: Path
    pairs: Pairs = ()
    crs: str | None = None


@dataclass(frozen=True, slots=True)
class _Lie:
    """Where a picture lies: what its coordinates are in, and what turns its columns and rows into them."""

    crs: Any
    transform: Any


def note_aerial(aerial: Aerial) -> Note | None:
    """Return how far the pairs miss that a picture is placed by, None where it is placed without."""
    return note_pairs(fit_pairs(aerial.pairs, "aerial_pairs", down=True), aerial.path) if aerial.pairs else None


def find_bounds(aerial: Aerial, crs: str | pyproj.CRS = "EPSG:4326") -> Bounds:
    """Return where a picture lies: west, south, east, north, degrees or in the system asked for.

    Raises
    ------
    GroundError
        When it can't be read or placed.
    """
    with _open(aerial) as (picture, lie):
        return _bounds_of(picture, lie, crs)


def cut_aerial(
    aerial: Aerial, corners: np.ndarray, crs: str | pyproj.CRS, most_pixels: float, *, must_reach: bool = True
) -> np.ndarray:
    """Return the part of a picture that lies in a frame, shape (rows, columns, 3) of uint8; white where there is none.

    Parameters
    ----------
    aerial : Aerial
        The picture.
    corners : ndarray, shape (3, 2)
        The frame's upper left, upper right and lower left corner; it may be turned.
    crs : str or CRS
        What the corners are in.
    most_pixels : float
        The finest it may be; no finer than the picture is.
    must_reach : bool
        Whether a picture of other ground is an error.

    Raises
    ------
    GroundError
        When it can't be read or placed, is not 8-bit, or lies elsewhere.
    """
    from rasterio import Affine
    from rasterio.enums import ColorInterp, Resampling
    from rasterio.vrt import WarpedVRT

    start, along, down = corners[0], corners[1] - corners[0], corners[2] - corners[0]
    frame = shapely.Polygon([start, start + along, start + along + down, start + down])
    wide, high = np.hypot(*along), np.hypot(*down)
    with _open(aerial) as (picture, lie):
        reach = shapely.box(*_bounds_of(picture, lie, crs))
        if must_reach and not shapely.intersects(frame, reach):
            raise GroundError(_problem(aerial.path, "a picture of other ground", "one that covers the course"))
        side = max(math.sqrt(reach.area / (picture.width * picture.height)), math.sqrt(wide * high / most_pixels))
        columns, rows = max(1, round(wide / side)), max(1, round(high / side))
        (a, d), (b, e) = along / columns, down / rows
        indexed = picture.colorinterp[0] == ColorInterp.palette
        laid = {"src_crs": lie.crs, "src_transform": lie.transform, "crs": crs}
        laid |= {"transform": Affine(a, b, start[0], d, e, start[1]), "width": columns, "height": rows}
        with WarpedVRT(
            picture,
            add_alpha=ColorInterp.alpha not in picture.colorinterp,
            resampling=Resampling.nearest if indexed else Resampling.average,
            **laid,
        ) as warped:
            bands = [1, 2, 3] if picture.count >= 3 else [1, 1, 1]  # noqa: PLR2004
            seen = warped.read([*bands, warped.count])
        colours, there = np.moveaxis(seen[:3], 0, -1), seen[3, :, :, None] > 127  # noqa: PLR2004 - half seen through
        if indexed:
            named, table = picture.colormap(1), np.zeros((256, 3), np.uint8)
            table[[*named]] = [colour[:3] for colour in named.values()]
            colours = table[colours[..., 0]]
    return np.where(there, colours, np.uint8(255))


@contextmanager
def _open(aerial: Aerial) -> Iterator[tuple[Any, _Lie]]:
    import rasterio

    path, expected = aerial.path, "a GeoTIFF, PNG or JPEG"
    try:
        with warnings.catch_warnings():
            # A picture that lies nowhere is refused below, in words of our own.
            warnings.simplefilter("ignore", rasterio.errors.NotGeoreferencedWarning)
            picture = rasterio.open(path, driver=_DRIVERS.get(path.suffix.lower(), "GTiff"))
        with picture:
            yield picture, _place(picture, aerial)
    except rasterio.errors.RasterioError as error:
        raise GroundError(_problem(path, f"a file that can't be read ({error})", expected)) from error


def _place(picture: Any, aerial: Aerial) -> _Lie:
    """Return where a picture lies, by pairs, by itself or by its world file; refuse one that lies nowhere."""
    path, crs = aerial.path, aerial.crs
    problems, lie = [], None
    if aerial.pairs:
        lie = _fit(aerial.pairs)
    elif picture.crs is not None:
        lie = _Lie(picture.crs, picture.transform)
    elif not picture.transform.is_identity:  # a world file, which says no coordinate system
        lie = _Lie(read_crs(crs or "EPSG:4326", "aerial_crs"), picture.transform)
        if crs is None and max(abs(edge) for edge in _corners_of(picture, lie).ravel()) > HALF_TURN:
            found, expected = "a world file in metres or feet", "what they are in"
            problems.append(Problem(str(path), found, expected, "say it with `aerial_crs=EPSG:n`"))
    else:
        remedy = "give three places in it and on Earth: `aerial_pairs=1203,884=-73.9123,41.5234`"
        expected = "a GeoTIFF, a world file beside it, or pairs"
        problems.append(Problem(str(path), "a picture that does not say where it lies", expected, remedy))
    if picture.dtypes[0] != "uint8":
        problems.append(_problem(path, f"bands of {picture.dtypes[0]}", "8-bit bands (uint8)"))
    if problems or lie is None:
        raise GroundError(problems)
    return lie


def _fit(pairs: Pairs) -> _Lie:
    from rasterio import Affine

    fit = fit_pairs(pairs, "aerial_pairs", down=True)
    turn, shift = fit.turn, fit.shift
    return _Lie(fit.crs, Affine(turn.real, turn.imag, shift.real, turn.imag, -turn.real, shift.imag))


def _corners_of(picture: Any, lie: _Lie) -> np.ndarray:
    column, row = np.array([0, picture.width, 0, picture.width]), np.array([0, 0, picture.height, picture.height])
    turn = lie.transform
    return np.column_stack([turn.a * column + turn.b * row + turn.c, turn.d * column + turn.e * row + turn.f])


def _bounds_of(picture: Any, lie: _Lie, crs: str | pyproj.CRS) -> Bounds:
    from rasterio.warp import transform_bounds

    corners = _corners_of(picture, lie)
    west, south, east, north = transform_bounds(lie.crs, crs, *corners.min(axis=0), *corners.max(axis=0))
    return west, south, east, north


def _problem(path: Path, found: str, expected: str) -> Problem:
    return Problem(str(path), found, expected, "name another file as `aerial`")
