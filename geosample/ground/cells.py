"""Cutting surfaces into square cells with exact areas, for the sampling frame and for the map."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely

from geosample.workers import map_threads

if TYPE_CHECKING:
    import geopandas as gpd
    from numpy.typing import ArrayLike
    from shapely import Geometry

_BLOCK = 8
_SQUARE_M = 32.0


def cut_cells(surfaces: gpd.GeoDataFrame, cell_m: float) -> gpd.GeoDataFrame:
    """Return the cells of one grid, each clipped to its surface.

    Parameters
    ----------
    surfaces : GeoDataFrame
        Disjoint polygons with a ``surface_id``, in a CRS in metres.
    cell_m : float
        Side of a cell, m. The grid's lines lie at whole multiples of it, so that two calls agree.

    Returns
    -------
    GeoDataFrame
        A row a piece of cell: surface_id, column, row (whole numbers; the cell's west and south edges are at
        ``column * cell_m`` and ``row * cell_m``), area_m2 (of the piece), easting, northing (of the piece's
        centroid, or a place inside it where that falls outside), geometry (the piece).

    Examples
    --------
    >>> import geopandas as gpd
    >>> from shapely import box
    >>> square = gpd.GeoDataFrame({"surface_id": ["a"]}, geometry=[box(0, 0, 3, 1.5)], crs=32618)
    >>> cut_cells(square, 1.0)["area_m2"].tolist()
    [1.0, 1.0, 1.0, 0.5, 0.5, 0.5]
    """
    import geopandas as gpd
    import pandas as pd

    named = zip(surfaces["surface_id"], surfaces.geometry, strict=True)
    pieces = map_threads(lambda one: _cut_one(*one, cell_m), named)
    columns = ["surface_id", "column", "row", "area_m2", "easting", "northing", "geometry"]
    frame = pd.concat(pieces, ignore_index=True) if pieces else pd.DataFrame(columns=columns)
    return gpd.GeoDataFrame(frame, geometry="geometry", crs=surfaces.crs)


def _cut_one(surface_id: str, geometry: Geometry, cell_m: float) -> gpd.GeoDataFrame:
    import pandas as pd

    column, row, whole = _cells_over(geometry, cell_m)
    boxes = draw_squares(column, row, cell_m)
    boxes[~whole] = clip_pieces(boxes[~whole], geometry)
    area = shapely.area(boxes)
    real = area > 0
    places = np.column_stack([(column + 0.5) * cell_m, (row + 0.5) * cell_m])
    places[~whole & real] = _places_inside(boxes[~whole & real])
    return pd.DataFrame(
        {
            "surface_id": surface_id,
            "column": column[real],
            "row": row[real],
            "area_m2": area[real],
            "easting": places[real, 0],
            "northing": places[real, 1],
            "geometry": boxes[real],
        }
    )


def draw_squares(column: ArrayLike, row: ArrayLike, side_m: float) -> np.ndarray:
    """Return cells of one grid as whole squares, shape (n,).

    Parameters
    ----------
    column, row : array_like of int, shape (n,)
        As ``cut_cells`` gives them.
    side_m : float
        Side of a cell, m.

    Notes
    -----
    Neighbours share their corners to the last digit, so that many join without cracks: an edge is a whole number times
    the side, whichever cell it belongs to.
    """
    east, north = np.asarray(column, dtype=float), np.asarray(row, dtype=float)
    return np.asarray(shapely.box(east * side_m, north * side_m, (east + 1) * side_m, (north + 1) * side_m))


def clip_pieces(pieces: np.ndarray, shape: Geometry) -> np.ndarray:
    """Return what of each small piece lies inside a shape, shape (n,).

    Notes
    -----
    An outline of a hundred corners meets a piece at two or three of them, so it is first clipped to squares of ground.
    Where two squares meet, pieces may differ in the last digit along their shared side.

    Examples
    --------
    >>> shapely.area(clip_pieces(shapely.box([0, 2], 0, [1, 3], 1), shapely.box(0, 0, 2.25, 1))).tolist()
    [1.0, 0.25]
    """
    if not len(pieces):
        return pieces
    bounds = shapely.bounds(pieces)
    corners = np.floor(bounds[:, :2] / _SQUARE_M)
    squares, square = np.unique(corners[:, 0] + 1j * corners[:, 1], return_inverse=True)
    west, south = squares.real * _SQUARE_M, squares.imag * _SQUARE_M
    wide, high = _SQUARE_M + (bounds[:, 2:] - bounds[:, :2]).max(axis=0)
    near = shapely.intersection(shape, shapely.box(west, south, west + wide, south + high))
    return np.asarray(shapely.intersection(pieces, near[square]))


def _cells_over(geometry: Geometry, cell_m: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return column and row of the cells that touch the shape, and which lie wholly inside; row by row.

    Blocks of cells are tried first: most of a bent fairway's bounding box is not fairway.
    """
    shapely.prepare(geometry)
    west, south, east, north = shapely.bounds(geometry)
    columns = np.arange(np.floor(west / cell_m), np.ceil(east / cell_m), dtype=np.int64)
    rows = np.arange(np.floor(south / cell_m), np.ceil(north / cell_m), dtype=np.int64)
    blocks = [np.unique(numbers // _BLOCK) for numbers in (columns, rows)]
    block_column, block_row = (grid.ravel() for grid in np.meshgrid(*blocks))
    column, row, inside = _try_boxes(geometry, block_column, block_row, _BLOCK * cell_m)
    step = np.arange(_BLOCK)
    across, up = (grid.ravel() for grid in np.meshgrid(step, step))
    fine = [np.add.outer(column * _BLOCK, across).ravel(), np.add.outer(row * _BLOCK, up).ravel()]
    sure = np.repeat(inside, _BLOCK**2)
    open_column, open_row, open_inside = _try_boxes(geometry, fine[0][~sure], fine[1][~sure], cell_m)
    all_columns, all_rows = np.append(fine[0][sure], open_column), np.append(fine[1][sure], open_row)
    order = np.lexsort((all_columns, all_rows))
    whole = np.append(np.ones(int(sure.sum()), dtype=bool), open_inside)
    return all_columns[order], all_rows[order], whole[order]


def _try_boxes(
    geometry: Geometry, column: np.ndarray, row: np.ndarray, side_m: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the squares that touch the prepared shape, and whether each lies inside it."""
    boxes = draw_squares(column, row, side_m)
    touched = shapely.intersects(geometry, boxes)
    return column[touched], row[touched], shapely.contains_properly(geometry, boxes[touched])


def _places_inside(pieces: np.ndarray) -> np.ndarray:
    places = shapely.centroid(pieces)
    outside = ~shapely.intersects(pieces, places)
    places[outside] = shapely.point_on_surface(pieces[outside])
    return np.asarray(shapely.get_coordinates(places))
