"""Ground: the type this room makes, its place in the survey file, and what happens to designs on an older one."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, cast

import pyproj
import shapely

from geosample.errors import GroundError, Problem
from geosample.files.reading import Note
from geosample.results import Result
from geosample.words import NO_HOLE, SURFACE_KINDS, hole_key

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    import geopandas as gpd

    from geosample.survey import Change, Survey


@dataclass(frozen=True, slots=True)
class OlderVisit:
    """A visit drawn on a ground that was replaced.

    Parameters
    ----------
    visit : str
        Its name.
    points, off_surface : int
        Its points, and those that no longer lie on the surface of the same name.
    """

    visit: str
    points: int
    off_surface: int


@dataclass(frozen=True, slots=True)
class Replaced:
    """What became of what rested on the older ground; empty where nothing did.

    Parameters
    ----------
    visits : tuple of OlderVisit
        Their points and weights stay as drawn.
    taken_away : tuple of str
        Layers of results that are no longer true.
    """

    visits: tuple[OlderVisit, ...] = ()
    taken_away: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, repr=False)
class Ground(Result):
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
    name : str
        What the course is called; empty where nobody said.
    """

    surfaces: gpd.GeoDataFrame
    obstacles: gpd.GeoDataFrame
    notes: tuple[Note, ...] = field(default=())
    landmarks: gpd.GeoDataFrame | None = None
    left_out: gpd.GeoDataFrame | None = None
    name: str = ""

    @property
    def crs(self) -> pyproj.CRS:
        """The projected CRS, in metres, of everything in the survey."""
        return cast("pyproj.CRS", self.surfaces.crs)

    def to_geodataframe(self) -> gpd.GeoDataFrame:
        """Return the surfaces, a row each."""
        return cast("gpd.GeoDataFrame", self.surfaces.copy())

    def summary(self) -> dict[str, Any]:
        """Return counts and areas in m² by hole and kind, the obstacles, and what was mended and left out."""
        surfaces = self.surfaces
        origin = None if self.crs.to_authority() else _origin_of(self.crs)
        return {
            "name": self.name,
            "surfaces": len(surfaces),
            "area_m2": float(surfaces["area_m2"].sum()),
            "holes": {hole: _sum_kinds(group) for hole, group in _by_hole(surfaces)},
            "kinds": _sum_kinds(surfaces),
            "obstacles": {
                str(kind): {"count": len(group), "area_m2": float(group.area.sum())}
                for kind, group in self.obstacles.groupby("kind", sort=True)
            },
            "crs": self.crs.to_string(),
            "crs_name": self.crs.name,
            "crs_centre_lonlat": origin,
            "notes": [
                {"what": n.what, "where": n.where, "count": n.count, "area_m2": n.area_m2, **n.facts}
                for n in self.notes
            ],
        }


def _origin_of(crs: pyproj.CRS) -> list[float]:
    return list(pyproj.Transformer.from_crs(crs, 4326, always_xy=True).transform(0.0, 0.0))


def _by_hole(surfaces: gpd.GeoDataFrame) -> list[tuple[str, gpd.GeoDataFrame]]:
    holes = sorted({hole if isinstance(hole, str) else None for hole in surfaces["hole"]}, key=hole_key)
    named = [(hole, surfaces[surfaces["hole"] == hole]) for hole in holes if hole is not None]
    return [*named, (NO_HOLE, surfaces[surfaces["hole"].isna()])] if None in holes else named


def _sum_kinds(surfaces: gpd.GeoDataFrame) -> dict[str, dict[str, float]]:
    return {
        kind: {"count": len(areas), "area_m2": float(areas.sum())}
        for kind in SURFACE_KINDS
        if len(areas := surfaces.loc[surfaces["kind"] == kind, "area_m2"])
    }


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
    return Ground(surfaces, placed[0], landmarks=placed[1], name=survey.describe("surfaces"))


def save_ground(survey: Survey, ground: Ground) -> None:
    """Put the ground into the survey file, in place of what was there."""
    with survey.change() as change:
        put_ground(change, ground)


def put_ground(change: Change, ground: Ground) -> None:
    """Add the ground to a set of changes."""
    change.put("surfaces", ground.surfaces, description=ground.name or None)
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


def replace_ground(survey: Survey, ground: Ground, *, force: bool = False) -> Replaced:
    """Put the ground into the survey and return what rested on the older one.

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
        return Replaced()
    visits = ", ".join(survey.read("visits")["visit"])
    if ground.crs != kept:
        found = f"another coordinate system than that of the visits {visits}"
        remedy = "leave `crs` out, or start a new survey file"
        raise GroundError(Problem(str(survey.path), found, f"'{kept.to_string()}'", remedy))
    if not force:
        remedy = "start a new survey file, or say `force` to replace it and keep the visits as they were drawn"
        found = f"a ground that differs from the one the visits {visits} were drawn on"
        raise GroundError(Problem(str(survey.path), found, "the ground of those visits", remedy))
    older = _check_points(survey, ground)
    with survey.change() as change:
        put_ground(change, ground)
        return Replaced(older, tuple(change.forget_results()))


def _same(old: gpd.GeoDataFrame, new: gpd.GeoDataFrame) -> bool:
    if old.crs != new.crs or list(old["surface_id"]) != list(new["surface_id"]):
        return False
    apart = shapely.symmetric_difference(old.geometry.to_numpy(), new.geometry.to_numpy())
    return bool(shapely.area(apart).sum() < _SAME_M2)


def _check_points(survey: Survey, ground: Ground) -> tuple[OlderVisit, ...]:
    """Return how many of each visit's points no longer lie on the surface they were drawn on."""
    points = cast("gpd.GeoDataFrame", survey.read("points"))
    shapes = ground.surfaces.set_index("surface_id").geometry
    found = []
    for visit in survey.read("visits")["visit"]:
        own = points[points["visit"] == visit]
        now = own["surface_id"].map(shapes)
        off = int((~shapely.intersects(now.to_numpy(), own.geometry.to_numpy())).sum())
        found.append(OlderVisit(str(visit), len(own), off))
    return tuple(found)
