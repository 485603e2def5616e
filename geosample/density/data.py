"""Samples and cells made ready for the model: checked, on their surfaces, with effort and covariates."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

import numpy as np
import shapely

from geosample.density.settings import Settings
from geosample.errors import DensityError, Problem
from geosample.ground import Ground, cut_cells

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

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


def ready_samples(found: gpd.GeoDataFrame, ground: Ground, settings: Settings) -> Samples:
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


def _check_samples(found: gpd.GeoDataFrame, ground: Ground, settings: Settings) -> None:
    problems = [
        Problem(f"recovery of {method}", str(share), "a share above 0", "give the share of insects that method finds")
        for method, share in settings.recovery.items()
        if not share > 0
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
        raise DensityError(Problem("--cell", f"{cell_m} m", "a length above 0", "give a cell of about 1m"))
    boxes = surfaces.geometry.bounds
    number = float((((boxes.maxx - boxes.minx) / cell_m + 1) * ((boxes.maxy - boxes.miny) / cell_m + 1)).sum())
    if number > 20 * MOST_CELLS or surfaces.area.sum() / cell_m**2 > MOST_CELLS:
        least_m = np.sqrt(surfaces.area.sum() / MOST_CELLS)
        remedy = f"take cells of {max(least_m, cell_m * np.sqrt(number / 20 / MOST_CELLS)):.2g} m or more"
        found = f"{cell_m:g} m, which makes about {surfaces.area.sum() / cell_m**2:,.0f} cells"
        raise DensityError(Problem("--cell", found, f"at most {MOST_CELLS:,} cells", remedy))
    cells = pd.DataFrame(cut_cells(surfaces, cell_m).drop(columns="geometry"))
    return cells.assign(kind=cells["surface_id"].map(surfaces.set_index("surface_id")["kind"]).to_numpy())
