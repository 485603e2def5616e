"""Averages in place of the map: where the map adds nothing, each stratum's own mean is what the counts can say."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from geosample.errors import Problem, TreatError
from geosample.normal import normal_reach

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

    from geosample.density import DensityMap

ENOUGH_BAGS = 8
"""Bags from which a stratum's mean is known well enough to decide by (own choice)."""


def adds_nothing(density_map: DensityMap) -> bool:
    """Return whether the map's own cross-validation says that it adds nothing to plain averages."""
    return bool(density_map.fitted.get("map_worth", {}).get("answer") == "no")


def use_averages(density_map: DensityMap, estimates: pd.DataFrame, strata: gpd.GeoDataFrame) -> DensityMap:
    """Return the map with every cell at its stratum's mean and doubt, from the estimates.

    Parameters
    ----------
    density_map : DensityMap
        The visit's map.
    estimates : DataFrame
        The visit's and pest's rows of the layer ``estimates``.
    strata : GeoDataFrame
        The visit's rows of the layer ``strata``, in the map's CRS.

    Returns
    -------
    DensityMap
        Cells of a stratum with no estimate, or with fewer than ``ENOUGH_BAGS`` bags, are not known.

    Raises
    ------
    TreatError
        When the visit has no estimates by stratum.

    Notes
    -----
    The log of a mean is taken as normal, with the spread its interval tells; after only zeros the upper limit gives
    both, as half of it and the spread from there to the limit.
    """
    rows = estimates[(estimates["domain"] == "stratum") & (estimates["stage"] == "all")].set_index("label")
    if rows.empty or strata.empty:
        problem = Problem(
            f"visit {density_map.visit}",
            "no estimates by stratum",
            "them, for a plan by averages",
            "run 'geosample estimate', or say --by map",
        )
        raise TreatError(problem)
    cells = density_map.cells
    names = _find_strata(cells, strata)
    means = rows.reindex(names)
    mean, low, high = (means[f"{name}_per_m2"].to_numpy(float) for name in ("mean", "low", "high"))
    middle = np.where(mean > 0, mean, high / 2)
    reach = means["level"].fillna(0.95).map(normal_reach).to_numpy(float)
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = np.where(low > 0, np.log(high / np.maximum(low, 1e-12)) / 2, np.log(high / middle)) / reach
    found = np.isfinite(middle) & (middle > 0) & np.isfinite(spread)
    own: dict[str, Any] = {
        "log_mean": np.where(found, np.log(np.where(found, middle, 1.0)), cells["log_mean"]),
        "log_sd": np.where(found, np.maximum(spread, 1e-3), cells["log_sd"]),
        "expected_per_m2": np.where(found, mean, cells["expected_per_m2"]),
        "low_per_m2": np.where(found, low, cells["low_per_m2"]),
        "high_per_m2": np.where(found, high, cells["high_per_m2"]),
        "known": found & (means["n"].fillna(0).to_numpy() >= ENOUGH_BAGS),
        "nearest_m": np.nan,
    }
    fitted = {**density_map.fitted, "by": "averages"}
    return replace(density_map, cells=cells.assign(**own), fitted=fitted)


def _find_strata(cells: pd.DataFrame, strata: gpd.GeoDataFrame) -> list[str | None]:
    """Return the stratum each cell's middle lies in, or nearest to; None where there is none within a cell."""
    places = shapely.points(cells["easting"].to_numpy(float), cells["northing"].to_numpy(float))
    tree = shapely.STRtree(strata.geometry.to_numpy())
    at, row = tree.query_nearest(places, max_distance=1.0, all_matches=False)
    names: list[str | None] = [None] * len(places)
    for cell, number in zip(at.tolist(), row.tolist(), strict=True):
        names[cell] = str(strata["stratum"].iloc[number])
    return names


def tell_averages(density_map: DensityMap, *, asked: bool) -> str:
    """Return the sentence that says so, and why."""
    why = "The map adds nothing to plain averages (its own cross-validation says so)"
    if asked:
        why = "As asked"
    elif density_map.fitted.get("no_map"):
        why = f"There are too few insects for a map ({density_map.fitted['insects']})"
    return f"{why}: this plan goes by each stratum's mean, whole strata at a time, not by the map's cells."
