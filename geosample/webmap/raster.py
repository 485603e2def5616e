"""The density map's cells on a picture grid that is regular in the page's own projection (EPSG:3857).

A picture laid on the page is stretched evenly in Web Mercator; drawn on any other grid it would drift.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import geopandas as gpd

    from geosample.density import DensityMap

WEB_MERCATOR = "EPSG:3857"
# Half a cell keeps a 30 in collar whole; the cap keeps a phone's memory and the page's size in bounds (P).
FINEST_PIXEL_M = 0.5
MOST_PIXELS = 4_000_000
_MARGIN_PX = 2


@dataclass(frozen=True, slots=True)
class PixelGrid:
    """A picture's place, and which cell each pixel shows.

    Parameters
    ----------
    west, south, east, north : float
        Outer edges in EPSG:3857 metres.
    cell : array of int64, shape (rows, columns)
        The row of ``DensityMap.cells`` a pixel shows, -1 off the surfaces; the first row is the northernmost.
    lonlat : tuple of float
        West, south, east, north in degrees.
    """

    west: float
    south: float
    east: float
    north: float
    cell: np.ndarray
    lonlat: tuple[float, float, float, float]


def lay_pixels(density_map: DensityMap, surfaces: gpd.GeoDataFrame) -> PixelGrid:
    """Return the picture grid over the mapped surfaces, each pixel with the cell at its centre.

    Parameters
    ----------
    density_map : DensityMap
        Cells keyed by surface, column and row.
    surfaces : GeoDataFrame
        The ground's surfaces in the survey's CRS, in metres.
    """
    mapped = surfaces[surfaces["surface_id"].isin(set(density_map.cells["surface_id"]))].reset_index(drop=True)
    flat = mapped.to_crs(WEB_MERCATOR)
    west, south, east, north, side = _frame(mapped, flat, density_map.cell_m)
    shape = (round((north - south) / side), round((east - west) / side))
    surface = _surface_of_pixels(flat, (west, north, side), shape)
    row, column = np.nonzero(surface >= 0)
    place = (west + (column + 0.5) * side, north - (row + 0.5) * side)
    cell = np.full(shape, -1, np.int64)
    cell[row, column] = _look_up(density_map, mapped, surface[row, column], place)
    return PixelGrid(west, south, east, north, cell, _to_lonlat(west, south, east, north))


def _frame(mapped: gpd.GeoDataFrame, flat: gpd.GeoDataFrame, cell_m: float) -> tuple[float, float, float, float, float]:
    """Return west, south, east, north and a pixel's side, all in EPSG:3857 metres."""
    west, south, east, north = (float(edge) for edge in flat.total_bounds)
    stretch = math.sqrt(float(flat.area.sum()) / float(mapped.area.sum()))
    wanted = min(cell_m / 2, FINEST_PIXEL_M) * stretch
    side = max(wanted, math.sqrt((east - west) * (north - south) / MOST_PIXELS))
    columns = math.ceil((east - west) / side) + 2 * _MARGIN_PX
    rows = math.ceil((north - south) / side) + 2 * _MARGIN_PX
    west, north = west - _MARGIN_PX * side, north + _MARGIN_PX * side
    return west, north - rows * side, west + columns * side, north, side


def _surface_of_pixels(
    flat: gpd.GeoDataFrame, corner: tuple[float, float, float], shape: tuple[int, int]
) -> np.ndarray:
    """Return which surface each pixel's centre lies on, -1 for none, shape (rows, columns)."""
    from rasterio import Affine
    from rasterio.features import rasterize

    west, north, side = corner
    transform = Affine(side, 0.0, west, 0.0, -side, north)
    burned = ((geometry, place) for place, geometry in enumerate(flat.geometry))
    return np.asarray(rasterize(burned, out_shape=shape, transform=transform, fill=-1, dtype="int32"))


def _look_up(
    density_map: DensityMap, mapped: gpd.GeoDataFrame, surface: np.ndarray, place: tuple[np.ndarray, np.ndarray]
) -> np.ndarray:
    """Return the cell under each pixel by surface, column and row; -1 where the map has none."""
    import pandas as pd
    from pyproj import Transformer

    turn = Transformer.from_crs(WEB_MERCATOR, mapped.crs, always_xy=True)
    easting, northing = turn.transform(*place)
    wanted = pd.MultiIndex.from_arrays(
        [
            surface,
            np.floor(np.asarray(easting) / density_map.cell_m).astype(np.int64),
            np.floor(np.asarray(northing) / density_map.cell_m).astype(np.int64),
        ]
    )
    cells = density_map.cells
    code = cells["surface_id"].map({name: place for place, name in enumerate(mapped["surface_id"])})
    known = pd.MultiIndex.from_arrays([code.astype("int32"), cells["column"], cells["row"]])
    return np.asarray(known.get_indexer(wanted))


def _to_lonlat(west: float, south: float, east: float, north: float) -> tuple[float, float, float, float]:
    from pyproj import Transformer

    turn = Transformer.from_crs(WEB_MERCATOR, "EPSG:4326", always_xy=True)
    left, bottom = turn.transform(west, south)
    right, top = turn.transform(east, north)
    return left, bottom, right, top


def hatch(row: np.ndarray, column: np.ndarray, every_px: int = 9) -> np.ndarray:
    """Return which pixels lie on crossing lines, for ground that is not known; stripes are the zones' own look."""
    return np.asarray(((row + column) % every_px < every_px // 3) | ((row - column) % every_px < every_px // 3))
