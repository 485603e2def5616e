"""Putting a new ground where an older one was, without orphaning the designs that rest on it."""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

import shapely

from geosample.errors import GroundError, Problem
from geosample.ground.model import Ground, put_ground, save_ground

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    import geopandas as gpd
    import pyproj

    from geosample.survey import Survey

_SAME_M2 = 1e-3


def check_not_survey(survey: Survey, files: Iterable[Path]) -> None:
    """Refuse the survey file among the files it is made from.

    Raises
    ------
    GroundError
        When a file is the survey file itself.
    """
    if any(file.exists() and survey.path.exists() and file.samefile(survey.path) for file in files):
        problem = Problem(str(survey.path), "the survey file itself", "files with polygons", "name it once, and first")
        raise GroundError(problem)


def kept_crs(survey: Survey) -> pyproj.CRS | None:
    """Return the CRS the survey's visits rest on, which a new ground has to keep; None without a visit."""
    if not {"surfaces", "visits"} <= set(survey.layers()) or survey.read("visits").empty:
        return None
    return cast("pyproj.CRS", _kept_surfaces(survey).crs)


def _kept_surfaces(survey: Survey) -> gpd.GeoDataFrame:
    """Return the surfaces alone: what else the ground has is replaced, whatever stands in it now."""
    return cast("gpd.GeoDataFrame", survey.need("surfaces"))


def replace_ground(survey: Survey, ground: Ground, *, force: bool = False) -> list[str]:
    """Put the ground into the survey and return what is to be known about the visits already there.

    Parameters
    ----------
    survey : Survey
        The survey file, which may be new.
    ground : Ground
        The new ground.
    force : bool
        Replace a ground that visits rest on by one that differs.

    Raises
    ------
    GroundError
        When visits rest on the older ground and the new one differs (without ``force``), or is in another CRS.

    Notes
    -----
    Points and weights of a visit stay as drawn: they describe the ground of their day.
    """
    kept = kept_crs(survey)
    if kept is None or _same(_kept_surfaces(survey), ground.surfaces):
        save_ground(survey, ground)
        return []
    visits = ", ".join(survey.read("visits")["visit"])
    if ground.crs != kept:
        found = f"another coordinate system than that of the visits {visits}"
        remedy = "leave --crs out, or start a new survey file"
        raise GroundError(Problem(str(survey.path), found, f"'{kept.to_string()}'", remedy))
    if not force:
        remedy = "start a new survey file, or say --force to replace it and keep the visits as they were drawn"
        found = f"a ground that differs from the one the visits {visits} were drawn on"
        raise GroundError(Problem(str(survey.path), found, "the ground of those visits", remedy))
    advice = _advise(survey, ground)
    with survey.change() as change:
        put_ground(change, ground)
        stale = change.forget_results()
    if stale:
        advice.append(
            f"results worked out on the older ground ({', '.join(stale)}) were taken away: run the stages again"
        )
    return advice


def _same(old: gpd.GeoDataFrame, new: gpd.GeoDataFrame) -> bool:
    if old.crs != new.crs or list(old["surface_id"]) != list(new["surface_id"]):
        return False
    apart = shapely.symmetric_difference(old.geometry.to_numpy(), new.geometry.to_numpy())
    return bool(shapely.area(apart).sum() < _SAME_M2)


def _advise(survey: Survey, ground: Ground) -> list[str]:
    """Return a line a visit: how many of its points no longer lie on the surface they were drawn on."""
    points = cast("gpd.GeoDataFrame", survey.read("points"))
    shapes = ground.surfaces.set_index("surface_id").geometry
    lines = []
    for visit in survey.read("visits")["visit"]:
        own = points[points["visit"] == visit]
        now = own["surface_id"].map(shapes)
        off = int((~shapely.intersects(now.to_numpy(), own.geometry.to_numpy())).sum())
        lines.append(
            f"visit {visit} rests on the older ground: {off} of its {len(own)} points no longer lie on the surface "
            "of the same name. Its points and weights stay as drawn; draw a new visit for the new ground."
        )
    return lines
