"""A region's picture: all courses' estimates as one GeoParquet, each with the ground it speaks of."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, cast

from geosample.errors import GeosampleError, Problem
from geosample.files.saving import save_file
from geosample.survey import Survey, open_survey

if TYPE_CHECKING:
    import geopandas as gpd

LONLAT = "EPSG:4326"
DOMAIN_COLUMNS = {"kind": "kind", "hole": "hole", "surface": "surface_id", "stratum": "stratum", "part": "part"}


def gather_region(surveys: Sequence[Path]) -> gpd.GeoDataFrame:
    """Return the estimates of all courses, each with its target ground.

    Parameters
    ----------
    surveys : sequence of Path
        Survey files; those without estimates add no row.

    Returns
    -------
    GeoDataFrame
        Columns of the layer ``estimates`` after ``course`` and ``date``; MultiPolygons in longitude and latitude
        (WGS 84).

    Raises
    ------
    GeosampleError
        When none has estimates.
    """
    import geopandas as gpd
    import pandas as pd

    frames = [frame for frame in (_of_course(open_survey(path, must_exist=True)) for path in surveys) if len(frame)]
    if not frames:
        problem = Problem(
            ", ".join(map(str, surveys)) or "no survey",
            "no estimates",
            "at least one course with estimates",
            "put the stage 'estimate' into the plan",
        )
        raise GeosampleError(problem)
    return gpd.GeoDataFrame(pd.concat(frames, ignore_index=True), geometry="geometry", crs=LONLAT)


def check_region(path: Path | None) -> None:
    """Let only a Parquet file be written as a region, asked before the courses are run; None is no region.

    Raises
    ------
    GeosampleError
        When the name ends otherwise.
    """
    if path is not None and path.suffix.lower() != ".parquet":
        raise GeosampleError(Problem("--region", str(path), "a file ending in .parquet", "name it region.parquet"))


def write_region(surveys: Sequence[Path], path: Path) -> Path:
    """Write the region as GeoParquet 1.1 with a bounding box a row, so that readers can skip what is far away.

    Raises
    ------
    GeosampleError
        When no course has estimates, or the file can't be written.
    """
    region = gather_region(surveys)
    packed = io.BytesIO()
    region.to_parquet(packed, write_covering_bbox=True)
    return save_file(path, packed.getvalue())


def _of_course(survey: Survey) -> gpd.GeoDataFrame:
    import geopandas as gpd

    estimates = survey.read("estimates")
    strata = cast("gpd.GeoDataFrame", survey.read("strata"))
    if estimates.empty or strata.empty:
        return gpd.GeoDataFrame(estimates.iloc[:0], geometry=[])
    dates = survey.read("visits").set_index("visit")["date"]
    grounds = _grounds(strata.to_crs(LONLAT))
    shapes = [grounds.get((str(row.visit), str(row.domain), str(row.label))) for row in estimates.itertuples()]
    named = estimates.assign(course=survey.path.stem, date=estimates["visit"].map(dates))
    front = ["course", "date"]
    ordered = named[[*front, *(name for name in named.columns if name not in front)]]
    return gpd.GeoDataFrame(ordered, geometry=gpd.GeoSeries(shapes, crs=LONLAT, index=ordered.index))


def _grounds(strata: gpd.GeoDataFrame) -> dict[tuple[str, str, str], object]:
    """Return the ground of every domain: (visit, domain, label) -> MultiPolygon."""
    grounds: dict[tuple[str, str, str], object] = {}
    for visit, part in strata.groupby("visit"):
        grounds[(str(visit), "all", "all")] = _join(part)
        for domain, column in DOMAIN_COLUMNS.items():
            for label, rows in part.groupby(column):
                grounds[(str(visit), domain, str(label))] = _join(rows)
    return grounds


def _join(rows: gpd.GeoDataFrame) -> object:
    """Return all polygons as one MultiPolygon; they are disjoint, so nothing needs dissolving."""
    import shapely

    return shapely.multipolygons(shapely.get_parts(rows.geometry.to_numpy()))
