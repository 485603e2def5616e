"""Draws of the whole map, so that shares of its insects have intervals.

Notes
-----
The survey keeps each cell's spread, and with the model's record how any two places err together: the joint posterior.
It is worked out for blocks of ground, a cell standing for each; a cell's own draw is its block's, stretched to the
cell's spread. Under averages each stratum errs as one, apart from the others. A map with no record of its samples, or
with the last visit's map among its covariates, is taken to err with the field's correlation, exp(-3 distance / range),
and its border effect as one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from geosample.density import covary_places
from geosample.normal import log_spread
from geosample.survey.findings import What
from geosample.workers import map_threads

if TYPE_CHECKING:
    from collections.abc import Callable

    from geosample.density import DensityMap
    from geosample.ground import Ground

DRAWS = 400
_BATCH = 25
LEVEL = 0.9
_MOST_BLOCKS = 1200
_RANGE_M = 20.0
"""Where no map says at which distance the correlation is down to 0.05, m: 10-60 is usual (from memory, unverified)."""


@dataclass(frozen=True, slots=True)
class Field:
    """How the cells err.

    Parameters
    ----------
    log_mean, sd : array, shape (cells,)
        Mean and spread of the log density.
    block : array of int, shape (cells,)
        The block of ground a cell lies in; cells of a block err together.
    root : array, shape (blocks, blocks)
        Lower Cholesky factor of the blocks' correlation.
    """

    log_mean: np.ndarray
    sd: np.ndarray
    block: np.ndarray
    root: np.ndarray


def build_field(density_map: DensityMap, cells: pd.DataFrame, *, ground: Ground | None = None) -> Field:
    """Return how the cells err, from the map's own record.

    Parameters
    ----------
    cells : DataFrame
        Cells of that map, in any order: surface_id, easting, northing, edge_m, log_mean, log_sd.
    ground : Ground, optional
        What the map was made on; needed for the joint posterior.
    """
    mean, total = (cells[name].to_numpy(float) for name in ("log_mean", "log_sd"))
    if density_map.fitted.get("by") == "averages":
        levels, block = np.unique(np.column_stack([mean, total]), axis=0, return_inverse=True)
        return Field(mean, total, block.ravel(), np.eye(len(levels)))
    block, rows = _cut_blocks(cells)
    some = cells.iloc[rows]
    if ground is not None and "sites" in density_map.fitted and "last" not in density_map.settings.covariates:
        covariance = covary_places(density_map, ground, some)
    else:
        covariance = _guess_covariance(density_map, some)
    spread = np.sqrt(np.diag(covariance))
    correlation = covariance / np.outer(spread, spread)
    return Field(mean, total, block, np.linalg.cholesky(correlation + 1e-6 * np.eye(len(rows))))


def _guess_covariance(density_map: DensityMap, cells: pd.DataFrame) -> np.ndarray:
    scale_m = density_map.settings.edge_scale_m
    total, places = cells["log_sd"].to_numpy(float), cells[["easting", "northing"]].to_numpy(float)
    edge = np.minimum(np.exp(-cells["edge_m"].to_numpy(float) / scale_m) * _border_sd(density_map), total)
    own = np.sqrt(total**2 - edge**2)
    range_m = float(density_map.fitted.get("range_m") or _RANGE_M)
    apart = np.hypot(*(places[:, None, :] - places[None, :, :]).transpose(2, 0, 1))
    return np.asarray(np.outer(own, own) * np.exp(-3.0 * apart / range_m) + np.outer(edge, edge))


def draw_sums(
    field: Field,
    rng: np.random.Generator,
    add: Callable[[np.ndarray], np.ndarray],
    draws: int = DRAWS,
) -> np.ndarray:
    """Return what ``add`` makes of the densities per m² of all cells, draw by draw, shape (sums, draws).

    Parameters
    ----------
    add : callable
        Takes densities of shape (cells, batch), in single precision, and returns sums of shape (sums, batch).
    """
    mean, spread = (values[:, None].astype(np.float32) for values in (field.log_mean, field.sd))

    def sum_up(normal: np.ndarray) -> np.ndarray:
        drawn = (field.root @ normal).astype(np.float32)[field.block]
        drawn *= spread
        drawn += mean
        return add(np.exp(drawn, out=drawn))

    sizes = [min(_BATCH, draws - start) for start in range(0, draws, _BATCH)]
    normals = [rng.standard_normal((len(field.root), size)) for size in sizes]
    return np.column_stack(map_threads(sum_up, normals))


def _border_sd(density_map: DensityMap) -> float:
    """Return the spread of the log border effect from its interval at the map's level; 0 where it has none."""
    border = density_map.findings.first(What.BORDER_EFFECT)
    if border is None or not border.low > 0:
        return 0.0
    return log_spread(border.low, border.high, density_map.level)


def _cut_blocks(cells: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Return each cell's block, and for each block the row of the cell nearest its middle.

    Blocks are squares of one surface, as small as keeps their number in hand.
    """
    places = cells[["easting", "northing"]].to_numpy(float)
    places = places - places.min(axis=0)
    surface = pd.factorize(cells["surface_id"], sort=True)[0]
    side_m = 4.0
    while True:
        key = (surface * 2**20 + np.floor(places[:, 0] / side_m).astype(np.int64)) * 2**20
        key += np.floor(places[:, 1] / side_m).astype(np.int64)
        _, block, count = np.unique(key, return_inverse=True, return_counts=True)
        if len(count) <= max(_MOST_BLOCKS, surface.max() + 1):
            break
        side_m *= 1.4
    middles = np.column_stack([np.bincount(block, places[:, axis]) / count for axis in (0, 1)])
    away = np.hypot(*(places - middles[block]).T)
    order = np.lexsort((away, block))
    return block, order[np.searchsorted(block[order], np.arange(len(count)))]
