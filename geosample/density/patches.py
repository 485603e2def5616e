"""Hotspots: patches of ground where the density is probably above the threshold, at two levels of probability."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from geosample.ground import draw_squares

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

LEVELS = (0.5, 0.8)
_STRIDE = 2**32


def label_patches(column: np.ndarray, row: np.ndarray) -> np.ndarray:
    """Return the number of the patch each cell belongs to, cells that share a side being of one, shape (n,).

    Examples
    --------
    >>> label_patches(np.array([0, 1, 3]), np.array([0, 0, 0])).tolist()
    [0, 0, 1]
    """
    place, cell = np.unique(column.astype(np.int64) * _STRIDE + row, return_inverse=True)
    pairs = [_neighbours(place, step) for step in (1, _STRIDE)]
    first, second = (np.concatenate(side) for side in zip(*pairs, strict=True))
    links = coo_array((np.ones(len(first)), (first, second)), shape=(len(place), len(place)))
    return np.asarray(connected_components(links, directed=False)[1][cell])


def _neighbours(place: np.ndarray, step: int) -> tuple[np.ndarray, np.ndarray]:
    at = np.minimum(np.searchsorted(place, place + step), len(place) - 1)
    first = np.flatnonzero(place[at] == place + step)
    return first, at[first]


def find_hotspots(cells: pd.DataFrame, over: np.ndarray, level: float) -> pd.DataFrame:
    """Return the patches where the chance of being above the threshold is at least a level, largest first.

    Parameters
    ----------
    cells : DataFrame
        Columns of the layer ``cells``.
    over : ndarray, shape (cells,)
        Exceedance of each cell.
    level : float
        Probability each cell of a patch has at least.

    Returns
    -------
    DataFrame
        A row a patch: surface_ids, area_m2, known_m2, easting, northing (of its middle), mean_per_m2,
        probability (mean over its area).
    """
    import pandas as pd

    columns = ["surface_ids", "area_m2", "known_m2", "easting", "northing", "mean_per_m2", "probability"]
    hot = cells.assign(over=over)[over >= level]
    if hot.empty:
        return pd.DataFrame(columns=columns)
    hot = hot.assign(patch=label_patches(hot["column"].to_numpy(), hot["row"].to_numpy()))
    weighted = {name: hot[name] * hot["area_m2"] for name in ("easting", "northing", "expected_per_m2", "over")}
    sums = hot.assign(**weighted, known_m2=hot["known"] * hot["area_m2"]).groupby("patch")
    total = sums[["area_m2", "known_m2", *weighted]].sum()
    means = total[list(weighted)].div(total["area_m2"], axis=0)
    found = total[["area_m2", "known_m2"]].join(means).join(sums["surface_id"].agg(_join_names))
    names = {"surface_id": "surface_ids", "expected_per_m2": "mean_per_m2", "over": "probability"}
    return found.rename(columns=names)[columns].sort_values("area_m2", ascending=False).reset_index(drop=True)


def outline_hotspots(
    cells: pd.DataFrame, over: np.ndarray, level: float, cell_m: float, surfaces: gpd.GeoSeries, *, most: int = 100
) -> gpd.GeoSeries:
    """Return the shapes of the largest hotspots, in the order of ``find_hotspots``, clipped to their surfaces.

    Parameters
    ----------
    cells, over, level
        As for ``find_hotspots``.
    cell_m : float
        Side of a cell, m.
    surfaces : GeoSeries
        The surfaces' shapes by surface_id.
    most : int
        How many at most.
    """
    import geopandas as gpd

    hot = cells[over >= level]
    if hot.empty:
        return gpd.GeoSeries([], crs=surfaces.crs)
    column, row, names = (hot[name].to_numpy() for name in ("column", "row", "surface_id"))
    patch = label_patches(column, row)
    largest = np.argsort(-np.bincount(patch, hot["area_m2"]), kind="stable")[:most]
    by_patch = np.split(np.argsort(patch, kind="stable"), np.cumsum(np.bincount(patch))[:-1])
    shapes, outlines = surfaces.to_dict(), []
    for own in (by_patch[number] for number in largest):
        # two surfaces may hold pieces of one square
        columns, rows = np.unique(np.column_stack([column[own], row[own]]), axis=0).T
        joined = shapely.coverage_union_all(draw_squares(columns, rows, cell_m))
        ground = shapely.union_all([shapes[name] for name in sorted(set(names[own]))])
        outlines.append(shapely.intersection(shapely.simplify(joined, 0.75 * cell_m), ground))
    return gpd.GeoSeries(outlines, crs=surfaces.crs)


def _join_names(surfaces: pd.Series) -> str:
    return ", ".join(sorted(set(surfaces)))
