"""Ground: the type this room makes, its place in the survey file, and what happens to designs on an older one."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, cast

import shapely

from geosample.errors import GroundError, Problem

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    import geopandas as gpd
    import pyproj

    from geosample.survey import Change, Survey


@dataclass(frozen=True, slots=True)
class Note:
    """One thing that was seen, mended or left out on the way from file to frame.

    Parameters
    ----------
    what : str
        What it is in a few words, such as ``"overlap settled"``.
    where : str
        File and feature, or surface id.
    count : int
        How many features.
    area_m2 : float
        How much ground, in m².
    remedy : str
        What was done, or what the user can do.
    """

    what: str
    where: str
    count: int
    area_m2: float
    remedy: str


@dataclass(frozen=True, slots=True)
class Ground:
    """A course as polygons, disjoint and in metres.

    Parameters
    ----------
    surfaces : GeoDataFrame
        One MultiPolygon a surface: surface_id, hole, kind, name, area_m2, source; projected CRS in metres.
    obstacles : GeoDataFrame
        Polygons, lines or points: kind, hole, name, source; same CRS.
    notes : tuple of Note
        What was understood, mended and left out.
    landmarks : GeoDataFrame or None
        What is no ground but helps to find one's way, such as cups and tee markers: kind, hole, name, source.
    left_out : GeoDataFrame or None
        What became neither, as drawn: label, source. It is shown in the picture and not kept in the survey.
    """

    surfaces: gpd.GeoDataFrame
    obstacles: gpd.GeoDataFrame
    notes: tuple[Note, ...] = field(default=())
    landmarks: gpd.GeoDataFrame | None = None
    left_out: gpd.GeoDataFrame | None = None

    @property
    def crs(self) -> pyproj.CRS:
        """The projected CRS, in metres, of everything in the survey."""
        return cast("pyproj.CRS", self.surfaces.crs)


def load_ground(survey: Survey) -> Ground:
    """Return the survey's ground.

    Raises
    ------
    SurveyError
        When 'geosample ground' has not been run.
    """
    surfaces = cast("gpd.GeoDataFrame", survey.need("surfaces"))
    obstacles, landmarks = (cast("gpd.GeoDataFrame", survey.read(name)) for name in ("obstacles", "landmarks"))
    placed = [frame if frame.crs else frame.set_crs(surfaces.crs) for frame in (obstacles, landmarks)]
    return Ground(surfaces, placed[0], landmarks=placed[1])


def save_ground(survey: Survey, ground: Ground) -> None:
    """Put the ground into the survey file, in place of what was there."""
    with survey.change() as change:
        put_ground(change, ground)


def put_ground(change: Change, ground: Ground) -> None:
    """Add the ground to a set of changes."""
    change.put("surfaces", ground.surfaces)
    change.put("obstacles", ground.obstacles)
    landmarks = ground.landmarks
    change.put("landmarks", ground.obstacles.iloc[:0] if landmarks is None else landmarks)


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
