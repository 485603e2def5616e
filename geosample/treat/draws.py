"""Draws of the whole map, so that shares of its insects have intervals.

Notes
-----
The survey keeps each cell's spread, not how cells err together. Two things they share are put back: the border effect,
which lifts or lowers the whole edge at once, with the spread its interval tells; and the fitted field, which carries
neighbours along, with the correlation exp(-distance / range). What else is common (the level of a kind) is taken to
belong to the field, so the intervals are approximate and a little narrow where kinds are compared.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator

    import pandas as pd

    from geosample.density import DensityMap

DRAWS = 400
_BATCH = 25
LEVEL = 0.9
_NORMAL_90 = 1.6449
_MOST_BLOCKS = 1200
_RANGE_M = 20.0
"""Correlation range where the map has none fitted, m: 10-60 m is usual for such patches (from memory, unverified)."""
_EDGE_SCALE_M = 4.0


@dataclass(frozen=True, slots=True)
class Field:
    """What the cells share.

    Parameters
    ----------
    log_mean, own_sd, edge_sd : array, shape (cells,)
        Mean of the log density, the field's spread, and the border effect's spread at the cell.
    block : array of int, shape (cells,)
        The block of ground a cell lies in; cells of a block err together.
    root : array, shape (blocks, blocks)
        Lower Cholesky factor of the blocks' correlation.
    """

    log_mean: np.ndarray
    own_sd: np.ndarray
    edge_sd: np.ndarray
    block: np.ndarray
    root: np.ndarray


def build_field(density_map: DensityMap, cells: pd.DataFrame) -> Field:
    """Return what the cells share, from the map's own record.

    Parameters
    ----------
    cells : DataFrame
        Cells of that map, in any order: easting, northing, edge_m, log_mean, log_sd.
    """
    scale_m = float(density_map.settings.get("edge_scale_m", _EDGE_SCALE_M))
    total = cells["log_sd"].to_numpy(float)
    edge = np.exp(-cells["edge_m"].to_numpy(float) / scale_m) * _border_sd(density_map)
    edge = np.minimum(edge, total)
    block, places = _cut_blocks(cells[["easting", "northing"]].to_numpy(float))
    range_m = float(density_map.fitted.get("range_m") or _RANGE_M)
    apart = np.hypot(*(places[:, None, :] - places[None, :, :]).transpose(2, 0, 1))
    root = np.linalg.cholesky(np.exp(-apart / range_m) + 1e-9 * np.eye(len(places)))
    return Field(cells["log_mean"].to_numpy(float), np.sqrt(total**2 - edge**2), edge, block, root)


def draw_densities(field: Field, rng: np.random.Generator, draws: int = DRAWS) -> Iterator[np.ndarray]:
    """Yield densities per m² of all cells, shape (cells, batch), a batch of draws at a time."""
    for start in range(0, draws, _BATCH):
        many = min(_BATCH, draws - start)
        common = field.root @ rng.standard_normal((len(field.root), many))
        edge = field.edge_sd[:, None] * rng.standard_normal(many)
        yield np.exp(field.log_mean[:, None] + field.own_sd[:, None] * common[field.block] + edge)


def _border_sd(density_map: DensityMap) -> float:
    """Return the spread of the log border effect from the map's 90 % interval; 0 where it has none."""
    rows = density_map.findings
    rows = rows[rows["what"] == "border effect"]
    if rows.empty or not (rows["low"].iloc[0] > 0):
        return 0.0
    return float(np.log(rows["high"].iloc[0] / rows["low"].iloc[0]) / (2 * _NORMAL_90))


def _cut_blocks(places: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return each place's block and the blocks' middles: squares as small as keeps their number in hand."""
    side_m = 4.0
    while True:
        keys = np.floor(places / side_m).astype(np.int64)
        _, block, count = np.unique(keys, axis=0, return_inverse=True, return_counts=True)
        if len(count) <= _MOST_BLOCKS:
            break
        side_m *= 1.4
    block = block.ravel()
    middles = np.column_stack([np.bincount(block, places[:, axis]) / count for axis in (0, 1)])
    return block, middles
