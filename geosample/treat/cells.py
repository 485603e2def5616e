"""The map's cells as squares, what a shape laid over them holds, and cells at their strata's averages.

A square is the whole cell, also where it reaches over its surface's edge: zones stay on the surface, so that what a
square shares with a zone is on it too. Squares are drawn where they are asked for: a course has too many to keep.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from geosample.density import exceedance
from geosample.distributions import normal_reach
from geosample.errors import Problem, TreatError
from geosample.ground import clip_pieces, draw_squares
from geosample.treat.model import Basis, Holding

if TYPE_CHECKING:
    from collections.abc import Iterable

    import geopandas as gpd
    import pandas as pd
    from shapely import Geometry

    from geosample.density import DensityMap
    from geosample.ground import Ground

_SLACK_M = 1e-3
_SAME_AREA = 1e-3
_WHOLE = 1e-6
_NAMED = 5


def place_cells(density_map: DensityMap, ground: Ground, threshold_per_m2: float) -> pd.DataFrame:
    """Return the columns of the layer ``cells``, and the ``probability`` of each being above the threshold.

    Raises
    ------
    TreatError
        When the map was made on other ground than this.
    """
    cells = density_map.cells.assign(probability=exceedance(density_map, threshold_per_m2))
    _check_same_ground(cells, ground.surfaces.set_index("surface_id").geometry, density_map.cell_m)
    return cells


def _check_same_ground(cells: pd.DataFrame, surfaces: gpd.GeoSeries, cell_m: float) -> None:
    """Refuse cells that do not make up the surfaces they name: as large as each, and within a cell of its edges."""
    of_surface = cells.groupby("surface_id")
    ends = of_surface[["column", "row"]].agg(["min", "max"]) * cell_m
    shapes = surfaces.reindex(ends.index)
    corners = ends.to_numpy()[:, [0, 2, 1, 3]] + [0, 0, cell_m, cell_m]
    off_m = np.abs(shapes.bounds.to_numpy() - corners).max(axis=1)
    off_m2 = np.abs(of_surface["area_m2"].sum() - shapes.area)
    same = (off_m <= cell_m + _SLACK_M) & (off_m2 <= _SAME_AREA * shapes.area).to_numpy()
    if len(cells) == 0 or not same.all():
        other = list(ends.index[~same])
        found = f"cells that do not make up {', '.join(other[:_NAMED])}" if other else "a map of no cells"
        more = f" and {len(other) - _NAMED} more surfaces" if len(other) > _NAMED else ""
        remedy = "run 'geosample density' again, then 'treat'"
        raise TreatError(Problem("density map", f"{found}{more}", "a map of this ground", remedy))


def share_inside(pieces: np.ndarray, area_m2: np.ndarray, shape: Geometry) -> np.ndarray:
    """Return the share of each cell's area that lies inside a shape on its surface, 0 to 1, shape (cells,).

    Parameters
    ----------
    pieces : array of Polygon, shape (cells,)
        The cells, whole or clipped to their surface.
    area_m2 : array of float, shape (cells,)
        What of each is on its surface.
    shape : Geometry
        On that surface.

    Examples
    --------
    >>> pieces = shapely.box([0, 1], 0, [1, 2], 1)
    >>> share_inside(pieces, np.ones(2), shapely.box(0, 0, 1.25, 1)).tolist()
    [1.0, 0.25]
    """
    shapely.prepare(shape)
    touched = shapely.intersects(shape, pieces)
    within = touched & shapely.covers(shape, pieces)
    share = within.astype(float)
    cut = touched & ~within
    share[cut] = shapely.area(clip_pieces(pieces[cut], shape)) / area_m2[cut]
    return np.asarray(np.minimum(share, 1.0))


@dataclass(frozen=True, slots=True)
class Overlay:
    """Shapes laid over the cells of one surface, squares of a side; what each covers of them is worked out once."""

    cells: pd.DataFrame
    cell_m: float
    _found: dict[Geometry, np.ndarray] = field(default_factory=dict, repr=False)

    def outline(self, chosen: np.ndarray) -> Geometry:
        """Return the chosen cells as one shape: squares of a grid share whole edges, which makes it quick."""
        squares = self._squares(chosen)
        joined = shapely.coverage_union_all(squares)
        return joined if shapely.is_valid(joined) else shapely.union_all(squares)

    def share(self, shape: Geometry) -> np.ndarray:
        """Return the share of each cell's area inside a shape on the surface, as ``share_inside``."""
        if shape not in self._found:
            whole_m2 = float(self.cells["area_m2"].sum())
            whole = abs(shape.area - whole_m2) <= _WHOLE * whole_m2  # on its surface, and as large: all of it
            share = np.full(len(self.cells), float(whole))
            if not whole and not shape.is_empty:
                places, ends = self.cells[["column", "row"]].to_numpy(), np.reshape(shape.bounds, (2, 2)) / self.cell_m
                near = ((places >= np.floor(ends[0])) & (places <= ends[1])).all(axis=1)
                share[near] = share_inside(self._squares(near), self.cells["area_m2"].to_numpy()[near], shape)
            self._found[shape] = share
        return self._found[shape]

    def share_of_all(self, shapes: Iterable[Geometry]) -> np.ndarray:
        """Return the share of each cell's area inside shapes that lie apart, such as zones."""
        total = np.zeros(len(self.cells))
        for shape in shapes:
            total += self.share(shape)
        return np.minimum(total, 1.0)

    def _squares(self, chosen: np.ndarray) -> np.ndarray:
        places = self.cells.loc[chosen, ["column", "row"]].to_numpy()
        return draw_squares(places[:, 0], places[:, 1], self.cell_m)


def weigh(cells: pd.DataFrame, share: np.ndarray) -> Holding:
    """Return what the shares of the cells hold."""
    area = cells["area_m2"].to_numpy() * share
    names = ("expected_per_m2", "low_per_m2", "high_per_m2", "probability")
    return Holding(float(area.sum()), *(float((cells[name].to_numpy() * area).sum()) for name in names))


def net_saving(laid: Overlay, shape: Geometry, miss_cost: float) -> float:
    """Return what treating a shape saves less what it costs, in m² of needless treatment.

    Notes
    -----
    Treating a place saves ``miss_cost`` where it is hot and costs 1 where it is not: the integral over the shape of
    miss_cost p - (1 - p), which is positive exactly where p passes the cut-off of ``TreatSettings.cutoff``. Ground
    that is not known counts at what the map gives.
    """
    chance, area = (laid.cells[name].to_numpy() for name in ("probability", "area_m2"))
    gain = miss_cost * chance - (1.0 - chance)
    return float((gain * area * laid.share(shape)).sum())


ENOUGH_BAGS = 8
"""Bags from which a stratum's mean is known well enough to decide by (own choice)."""


def adds_nothing(density_map: DensityMap) -> bool:
    """Return whether the map's own cross-validation says that it adds nothing to plain averages."""
    return bool(density_map.fitted.get("map_worth", {}).get("answer") == "no")


def use_averages(
    density_map: DensityMap, estimates: pd.DataFrame, strata: gpd.GeoDataFrame, *, because: Basis = Basis.NO_BETTER
) -> DensityMap:
    """Return the map with every cell at its stratum's mean and doubt, from the estimates.

    Parameters
    ----------
    density_map : DensityMap
        The visit's map.
    estimates : DataFrame
        The visit's and pest's rows of the layer ``estimates``.
    strata : GeoDataFrame
        The visit's rows of the layer ``strata``, in the map's CRS.
    because : Basis
        Why, for whoever reads the plan.

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
        # The plan has one level for all its intervals, the map's: the estimates' ends are moved to it.
        times = np.exp(spread * normal_reach(density_map.level))
        centre = np.where(low > 0, np.sqrt(low * high), middle)
        low, high = np.where(low > 0, centre / times, 0.0), centre * times
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
    fitted = {**density_map.fitted, "by": "averages", "because": because.value}
    return replace(density_map, cells=cells.assign(**own), fitted=fitted)


def _find_strata(cells: pd.DataFrame, strata: gpd.GeoDataFrame) -> np.ndarray:
    """Return the stratum each cell's middle lies in, or nearest to; None where there is none within a cell."""
    places = shapely.points(cells["easting"].to_numpy(float), cells["northing"].to_numpy(float))
    tree = shapely.STRtree(strata.geometry.to_numpy())
    at, row = tree.query_nearest(places, max_distance=1.0, all_matches=False)
    names = np.full(len(places), None, dtype=object)
    names[at] = strata["stratum"].astype(str).to_numpy(dtype=object)[row]
    return names
