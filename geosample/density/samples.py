"""What the model is told: counted samples on their surfaces, cells of the ground, and covariates at both."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import shapely
from scipy.spatial import KDTree

from geosample.density.model import COVARIATES, MapSettings
from geosample.errors import DensityError, Problem
from geosample.ground import Ground, cut_cells, edge_lines, measure_edge

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

    from geosample.density.model import DensityMap
    from geosample.design import Design

MOST_CELLS = 2_000_000
FARTHEST_M = 30.0
"""A sample farther than this from every surface is a wrong position (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Samples:
    """Counted samples as arrays: places (n, 2) in m, count, effort in m² with recovery, sample, surface, kind."""

    places: np.ndarray
    count: np.ndarray
    effort_m2: np.ndarray
    sample_id: np.ndarray
    surface_id: np.ndarray
    kind: np.ndarray

    @property
    def rate_per_m2(self) -> float:
        """Pooled density: all insects over all the turf sampled; half an insect where none was found."""
        return float(max(self.count.sum(), 0.5) / self.effort_m2.sum())


def ready_samples(found: gpd.GeoDataFrame, ground: Ground, settings: MapSettings) -> Samples:
    """Return the counted samples as arrays, each with the surface it lies on or nearest to.

    Raises
    ------
    DensityError
        When samples lack a place or their effort, or lie far off every surface; all are listed.
    """
    _check_samples(found, ground, settings)
    places = shapely.get_coordinates(found.geometry.to_numpy())
    nearest = shapely.STRtree(ground.surfaces.geometry.to_numpy()).nearest(found.geometry.to_numpy())
    recovery = found["method"].map(dict(settings.recovery)).astype(float).fillna(1.0).to_numpy()
    return Samples(
        places,
        found["count"].to_numpy(float),
        found["sampled_m2"].to_numpy(float) * recovery,
        found["sample_id"].to_numpy(),
        ground.surfaces["surface_id"].to_numpy()[nearest],
        ground.surfaces["kind"].to_numpy()[nearest],
    )


def _check_samples(found: gpd.GeoDataFrame, ground: Ground, settings: MapSettings) -> None:
    problems = [
        Problem(f"`recovery` of {method}", str(share), "a share above 0", "give the share of insects that method finds")
        for method, share in settings.recovery.items()
        if not share > 0
    ]
    methods = sorted(set(found["method"].dropna()))
    problems += [
        Problem(f"`recovery` of {name}", "a method no sample was taken by", f"one of: {', '.join(methods)}", "mend it")
        for name in settings.recovery
        if name not in methods
    ]
    no_effort = ~(found["sampled_m2"].to_numpy(float) > 0)
    no_place = (found.geometry.is_empty | found.geometry.isna()).to_numpy()
    problems += [
        Problem(f"sample {name}", "no area sampled", "plugs and their size", "say how many plugs were pooled")
        for name in found["sample_id"][no_effort]
    ]
    problems += [
        Problem(f"sample {name}", "no place", "a position", "join it by its label or give its position")
        for name in found["sample_id"][no_place]
    ]
    off_m = shapely.distance(found.geometry.to_numpy(), shapely.union_all(ground.surfaces.geometry.to_numpy()))
    problems += [
        Problem(
            f"sample {name}",
            f"a place {far:.0f} m off every surface",
            f"within {FARTHEST_M:.0f} m of one",
            "mend its position, or mark it off_turf to leave it out",
        )
        for name, far in zip(found["sample_id"], off_m, strict=True)
        if far > FARTHEST_M
    ]
    if problems:
        raise DensityError(problems)


def target_surfaces(ground: Ground, samples: Samples, design: Design | None) -> gpd.GeoDataFrame:
    """Return the surfaces to map: those the design aimed at and those sampled; never one nobody looked at."""
    wanted = set(samples.surface_id) | (set(design.strata["surface_id"]) if design is not None else set())
    return cast("gpd.GeoDataFrame", ground.surfaces[ground.surfaces["surface_id"].isin(wanted)].reset_index(drop=True))


def cut_target(surfaces: gpd.GeoDataFrame, cell_m: float) -> pd.DataFrame:
    """Return the cells of the surfaces without their shapes: surface_id, kind, column, row, area_m2, easting, northing.

    Raises
    ------
    DensityError
        When the cell is no length, or so small that the map would not fit.
    """
    import pandas as pd

    if not (np.isfinite(cell_m) and cell_m > 0):
        raise DensityError(Problem("cell_m", f"{cell_m} m", "a length above 0", "give a cell of about 1m"))
    boxes = surfaces.geometry.bounds
    number = float((((boxes.maxx - boxes.minx) / cell_m + 1) * ((boxes.maxy - boxes.miny) / cell_m + 1)).sum())
    if number > 20 * MOST_CELLS or surfaces.area.sum() / cell_m**2 > MOST_CELLS:
        least_m = np.sqrt(surfaces.area.sum() / MOST_CELLS)
        remedy = f"take cells of {max(least_m, cell_m * np.sqrt(number / 20 / MOST_CELLS)):.2g} m or more"
        found = f"{cell_m:g} m, which makes about {surfaces.area.sum() / cell_m**2:,.0f} cells"
        raise DensityError(Problem("cell_m", found, f"at most {MOST_CELLS:,} cells", remedy))
    cells = pd.DataFrame(cut_cells(surfaces, cell_m).drop(columns="geometry"))
    return cells.assign(kind=cells["surface_id"].map(surfaces.set_index("surface_id")["kind"]).to_numpy())


@dataclass(frozen=True, slots=True)
class Covariates:
    """The columns of the model's basis and the ground they are measured on.

    Parameters
    ----------
    names : tuple of str
        ``level`` first, then edge, ``kind: green`` and so on, trees, last.
    spreads : ndarray
        Prior spread of each effect on the log density.
    settings : MapSettings
        The scales.
    lines, trees : Geometry
        What edge and tree distances are measured to.
    last : DensityMap or None
        The last visit's map.
    """

    names: tuple[str, ...]
    spreads: np.ndarray
    settings: MapSettings
    lines: Any
    trees: Any = None
    last: DensityMap | None = None

    def measure(self, places: np.ndarray, kinds: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return the covariates, the level's 1 first, shape (m, p), and the edge distances in m, shape (m,)."""
        edge_m = measure_edge(self.lines, places[:, 0], places[:, 1])
        return np.column_stack([self._column(name, places, kinds, edge_m) for name in self.names]), edge_m

    def basis(self, places: np.ndarray, kinds: np.ndarray) -> np.ndarray:
        """Return the covariates, each times its prior spread, shape (m, p)."""
        return np.asarray(self.measure(places, kinds)[0] * self.spreads)

    def _column(self, name: str, places: np.ndarray, kinds: np.ndarray, edge_m: np.ndarray) -> np.ndarray:
        if name == "level":
            return np.ones(len(places))
        if name == "edge":
            return np.asarray(np.exp(-edge_m / self.settings.edge_scale_m))
        if name.startswith("kind: "):
            return np.asarray(kinds == name.removeprefix("kind: "), dtype=float)
        if name == "trees":
            far_m = measure_edge(self.trees, places[:, 0], places[:, 1])
            return np.asarray(np.exp(-far_m / self.settings.trees_scale_m))
        if self.last is None:
            return np.zeros(len(places))
        # the last map's log density at the nearest cell, around its own mean
        cells = self.last.cells
        nearest = KDTree(cells[["easting", "northing"]].to_numpy(float)).query(places)[1]
        log_mean = cells["log_mean"].to_numpy(float)
        return np.asarray(log_mean[nearest] - np.average(log_mean, weights=cells["area_m2"].to_numpy(float)))


def choose_covariates(
    ground: Ground, kinds: np.ndarray, settings: MapSettings, *, last: DensityMap | None = None
) -> Covariates:
    """Return the covariates asked for that the counts can speak to.

    Parameters
    ----------
    ground : Ground
        Surfaces and obstacles.
    kinds : ndarray of str
        Kind of surface of every sample; with one kind only there is nothing to compare.
    settings : MapSettings
        Which covariates, and their prior spreads.
    last : DensityMap, optional
        The last visit's map, for the covariate ``last``.

    Raises
    ------
    DensityError
        When a covariate is unknown, or asked for on ground that has nothing to measure it from.
    """
    wanted, trees = settings.covariates, ground.obstacles[ground.obstacles["kind"] == "trees"]
    problems = [
        Problem("covariates", repr(name), f"any of: {', '.join(COVARIATES)}, or none alone", "name one of them")
        for name in wanted
        if name not in COVARIATES
    ]
    if len(set(wanted)) < len(wanted):
        problems.append(Problem("covariates", ", ".join(wanted), "each named once", "leave out the second"))
    if "trees" in wanted and trees.empty:
        remedy = "read tree lines in with 'geosample ground', or leave trees out"
        problems.append(Problem("covariates", "trees, but the ground has none", "obstacles of kind trees", remedy))
    if "last" in wanted and last is None:
        remedy = "run 'geosample density' for the earlier visit first, or leave last out"
        problems.append(Problem("covariates", "last, but no earlier map", "a density map of an earlier visit", remedy))
    if problems:
        raise DensityError(problems)
    several = sorted(set(kinds)) if "kind" in wanted and len(set(kinds)) > 1 else []
    found = {
        "level": settings.level_sd,
        **({"edge": settings.edge_sd} if "edge" in wanted else {}),
        **{f"kind: {kind}": settings.kind_sd for kind in several},
        **({"trees": settings.trees_sd} if "trees" in wanted else {}),
        **({"last": settings.last_sd} if "last" in wanted else {}),
    }
    shape = shapely.union_all(trees.geometry.to_numpy()) if len(trees) else None
    return Covariates(tuple(found), np.array(list(found.values())), settings, edge_lines(ground.surfaces), shape, last)
