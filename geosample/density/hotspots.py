"""Hotspots: patches of the map that are probably above the threshold; and clusters of samples, a description beside it.

A hotspot is ground where the density is probably above the threshold. A cluster (Getis-Ord Gi*, local Moran) says
"higher than this survey's mean around here", never "above the threshold": a survey that is high everywhere has no
cluster, and with few samples hardly any survey has one that passes (simulated: with 120 samples or fewer nine surveys
in ten name none).

References
----------
Ord & Getis 1995, Geographical Analysis 27:286-306 (Gi*); Anselin 1995, ibid. 27:93-115 (local Moran).
Benjamini & Hochberg 1995, JRSS B 57:289-300 (false discovery rate).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from scipy.ndimage import label
from scipy.spatial import KDTree

from geosample.ground import join_squares

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

    from geosample.density.mapping import Samples

PERMUTATIONS = 999
FALSE_SHARE = 0.10
"""False discovery rate at which samples are named (common practice, no source)."""
_FOUR = 4
_SEED = 0
"""Of the permutations, so that the same counts always say the same."""


def label_patches(column: np.ndarray, row: np.ndarray) -> np.ndarray:
    """Return the number of the patch each cell belongs to, cells that share a side being of one, shape (n,).

    Examples
    --------
    >>> label_patches(np.array([0, 1, 3]), np.array([0, 0, 0])).tolist()
    [0, 0, 1]
    """
    across, up = column - column.min(), row - row.min()
    grid = np.zeros((int(across.max()) + 1, int(up.max()) + 1), dtype=bool)
    grid[across, up] = True
    return np.asarray(label(grid)[0][across, up] - 1)


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
        joined = join_squares(column[own], row[own], cell_m)
        ground = shapely.union_all([shapes[name] for name in sorted(set(names[own]))])
        outlines.append(shapely.intersection(shapely.simplify(joined, 0.75 * cell_m), ground))
    return gpd.GeoSeries(outlines, crs=surfaces.crs)


def _join_names(surfaces: pd.Series) -> str:
    return ", ".join(sorted(set(surfaces)))


@dataclass(frozen=True, slots=True)
class Clusters:
    """Local indicators of every sample.

    Parameters
    ----------
    band_m : float
        Samples nearer than this are neighbours, m.
    gi_star : ndarray, shape (n,)
        Getis-Ord Gi*, a standard score.
    moran : ndarray, shape (n,)
        Local Moran's I, row-standardised weights.
    q_high, q_moran : ndarray, shape (n,)
        One-sided conditional permutation p-values (local sum this high; I this far out on its side) after Benjamini
        and Hochberg.
    """

    band_m: float
    gi_star: np.ndarray
    moran: np.ndarray
    q_high: np.ndarray
    q_moran: np.ndarray


def usual_band(places: np.ndarray) -> float:
    """Return a distance at which half the samples have four neighbours or more, m (common practice, no source)."""
    nearest = min(_FOUR, len(places) - 1)
    if nearest < 1:
        return 1.0
    distance = np.asarray(KDTree(places).query(places, k=[nearest + 1])[0])
    return float(max(np.median(distance), 1e-3))


def find_clusters(places: np.ndarray, value: np.ndarray, rng: np.random.Generator) -> Clusters:
    """Return local indicators of the values at places.

    Parameters
    ----------
    places : ndarray, shape (n, 2)
        Easting and northing, m.
    value : ndarray, shape (n,)
        Such as the density in each bag.
    rng : Generator
        For the permutations.

    Notes
    -----
    Neighbours lie within ``usual_band``.
    """
    band_m = usual_band(places)
    near = neighbours_within(places, band_m)
    p_high, p_moran = permute_locals(near, value, rng)
    return Clusters(
        band_m,
        measure_gi_star(near, value),
        measure_moran(near, value),
        adjust_false_discovery(p_high),
        adjust_false_discovery(p_moran),
    )


def neighbours_within(places: np.ndarray, band_m: float) -> np.ndarray:
    """Return which samples lie within the band of which, never of themselves, boolean (n, n)."""
    square = ((places[:, None] - places) ** 2).sum(axis=2)
    return np.asarray((square <= band_m**2) & ~np.eye(len(places), dtype=bool))


def measure_gi_star(near: np.ndarray, value: np.ndarray) -> np.ndarray:
    """Return Gi* with binary weights and the sample itself among its neighbours; 0 where all values are the same."""
    number, weight = len(value), near.sum(axis=1) + 1.0
    spread = value.std()
    room = np.maximum((number * weight - weight**2) / max(number - 1, 1), 0.0)
    scale = spread * np.sqrt(room)
    excess = near @ value + value - value.mean() * weight
    return np.asarray(np.divide(excess, scale, out=np.zeros(number), where=scale > 0))


def measure_moran(near: np.ndarray, value: np.ndarray) -> np.ndarray:
    """Return local Moran's I, row-standardised, variance with divisor n - 1; 0 without neighbours or spread.

    Notes
    -----
    I_i = z_i / m2 times the neighbours' mean z, with m2 the sum of squares over n - 1.
    """
    away = value - value.mean()
    spread = float(away @ away) / max(len(value) - 1, 1)
    if spread <= 0:
        return np.zeros(len(value))
    return np.asarray(away / spread * _neighbour_mean(near, away))


def _neighbour_mean(near: np.ndarray, away: np.ndarray) -> np.ndarray:
    number = near.sum(axis=1)
    return np.asarray(np.divide(near @ away, number, out=np.zeros(len(away)), where=number > 0))


def permute_locals(near: np.ndarray, value: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Return one-sided p-values of the local sum and of local Moran, each sample's own value kept in its place."""
    number, degree = len(value), near.sum(axis=1)
    if number < 2:  # noqa: PLR2004 - nothing to permute
        return np.ones(number), np.ones(number)
    shuffled = np.argsort(rng.random((PERMUTATIONS, number - 1)), axis=1)[:, : max(int(degree.max()), 1)]
    away = value - value.mean()
    p_high, p_moran = np.ones(number), np.ones(number)
    for i in np.flatnonzero(degree):
        others = np.delete(away, i)
        drawn = others[shuffled[:, : degree[i]]].sum(axis=1)
        found = near[i] @ away
        slack = 1e-9 * max(float(np.abs(away).max()), 1e-300)
        p_high[i] = (1 + (drawn >= found - slack).sum()) / (PERMUTATIONS + 1)
        beyond = (away[i] * (drawn - found) >= -slack * abs(away[i])).sum()
        p_moran[i] = (1 + min(beyond, (away[i] * (drawn - found) <= slack * abs(away[i])).sum())) / (PERMUTATIONS + 1)
    return p_high, p_moran


def adjust_false_discovery(p: np.ndarray) -> np.ndarray:
    """Return p-values adjusted for the false discovery rate.

    Examples
    --------
    >>> adjust_false_discovery(np.array([0.01, 0.04, 0.03])).round(3).tolist()
    [0.03, 0.04, 0.04]
    """
    order = np.argsort(p)
    scaled = p[order] * len(p) / np.arange(1, len(p) + 1)
    adjusted = np.empty(len(p))
    adjusted[order] = np.minimum(np.minimum.accumulate(scaled[::-1])[::-1], 1.0)
    return adjusted


def describe_clusters(samples: Samples) -> dict[str, Any]:
    """Return the local indicators of the density in every bag, in plain JSON types."""
    density = samples.count / samples.effort_m2
    found = find_clusters(samples.places, density, np.random.default_rng(_SEED))
    low_or_high = np.where(density > density.mean(), "high", "low")
    return {
        "band_m": found.band_m,
        "high": [str(name) for name in samples.sample_id[found.q_high <= FALSE_SHARE]],
        "false_share": FALSE_SHARE,
        "samples": [
            {"sample_id": str(name), "gi_star": gi, "moran": moran, "side": str(side), "q_high": q, "q_moran": q_moran}
            for name, gi, moran, side, q, q_moran in zip(
                samples.sample_id,
                found.gi_star.tolist(),
                found.moran.tolist(),
                low_or_high,
                found.q_high.tolist(),
                found.q_moran.tolist(),
                strict=True,
            )
        ],
    }
