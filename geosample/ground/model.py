"""Ground: the type this room makes, its place in the survey file, and what happens to designs on an older one."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, cast

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import shapely

from geosample.errors import GroundError, Problem, SurveyError, list_names
from geosample.files.reading import Note
from geosample.results import Result
from geosample.words import NO_HOLE, SURFACE_KINDS, hole_key

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from geosample.survey import Survey, SurveyChange


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
class Moved:
    """A surface or obstacle that is not as it was.

    Parameters
    ----------
    kind : str
        Of both.
    before, after : str or None
        Its id on the older and the newer ground (an obstacle's kind); None where it is new or gone.
    before_m2, after_m2, apart_m2 : float
        Its areas, and the ground that is only one's, m²; 0 for lines and points.
    """

    kind: str
    before: str | None
    after: str | None
    before_m2: float
    after_m2: float
    apart_m2: float

    def __str__(self) -> str:
        """Return what happened to it, as a message names it.

        Examples
        --------
        >>> str(Moved("green", "07-green-1", "07-green-1", 520.0, 580.0, 80.0))
        '07-green-1 changed (80 m² apart)'
        """
        if self.before is None:
            return f"{self.after} new"
        return f"{self.before} gone" if self.after is None else f"{self.before} changed ({self.apart_m2:,.0f} m² apart)"


@dataclass(frozen=True, slots=True)
class Replaced:
    """What moved where visits rest on an older ground; empty where nothing did.

    Parameters
    ----------
    visits : tuple of OlderVisit
        They stay on the ground they were drawn on, with all that was worked out on it.
    moved : tuple of Moved
        What is not as it was.
    """

    visits: tuple[OlderVisit, ...] = ()
    moved: tuple[Moved, ...] = ()


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


def load_ground(survey: Survey, visit: str | None = None) -> Ground:
    """Return the survey's ground: the newest, or the one a visit was drawn on.

    Raises
    ------
    SurveyError
        When 'geosample ground' has not been run.
    """
    surfaces = cast("gpd.GeoDataFrame", survey.need("surfaces"))
    version = ground_version(survey, surfaces, visit)
    obstacles, landmarks = (cast("gpd.GeoDataFrame", survey.read(name)) for name in ("obstacles", "landmarks"))
    placed = [frame if frame.crs else frame.set_crs(surfaces.crs) for frame in (obstacles, landmarks)]
    own, *others = (_of_version(frame, version) for frame in (surfaces, *placed))
    return Ground(own, others[0], landmarks=others[1], name=survey.describe("surfaces"))


def ground_version(survey: Survey | SurveyChange, surfaces: pd.DataFrame, visit: str | None = None) -> int:
    """Return the version of the newest ground among the surfaces, or of the one a visit was drawn on.

    Parameters
    ----------
    survey : Survey or SurveyChange
        Where the visits stand; read for a visit alone.
    surfaces : DataFrame
        The layer ``surfaces`` with the column ``ground_version``.
    visit : str, optional
        Its name; one that is not there counts as new.

    Returns
    -------
    int
        From 0; 0 where there is no ground.
    """
    if visit is not None:
        visits = survey.read("visits")
        found = visits.loc[visits["visit"] == visit, "ground_version"]
        if len(found):
            return int(found.iloc[0])
    return int(surfaces["ground_version"].max()) if len(surfaces) else 0


def _of_version(frame: gpd.GeoDataFrame, version: int) -> gpd.GeoDataFrame:
    return frame[frame["ground_version"] == version].drop(columns="ground_version").reset_index(drop=True)


def save_ground(survey: Survey, ground: Ground) -> None:
    """Put the ground into the survey file, in place of the newest there; grounds that older visits rest on stay."""
    with survey.change() as change:
        # What no visit rests on is replaced, whatever stands in it.
        versions = [0] if change.read("visits").empty else sorted(change.read("surfaces")["ground_version"].unique())
        put_ground(change, ground, int(versions[-1]) if versions else 0, alone=len(versions) < 2)  # noqa: PLR2004


def put_ground(change: SurveyChange, ground: Ground, version: int, *, alone: bool = False) -> None:
    """Add the ground to a set of changes, as a version of its own; the others stay, or go where it is to be alone."""
    landmarks = ground.obstacles.iloc[:0] if ground.landmarks is None else ground.landmarks
    for layer, frame in (("surfaces", ground.surfaces), ("obstacles", ground.obstacles), ("landmarks", landmarks)):
        fresh = frame.assign(ground_version=version)
        there = frame.iloc[:0] if alone else change.read(layer)
        others = there[there["ground_version"] != version] if len(there) else there
        if len(others):
            fresh = gpd.GeoDataFrame(pd.concat([others, fresh], ignore_index=True), geometry="geometry", crs=ground.crs)
        change.put(layer, fresh, description=(ground.name or None) if layer == "surfaces" else None)


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
    """Return the newest surfaces alone."""
    surfaces = cast("gpd.GeoDataFrame", survey.need("surfaces"))
    return _of_version(surfaces, ground_version(survey, surfaces))


def replace_ground(survey: Survey, ground: Ground, *, force: bool = False) -> Replaced:
    """Put the ground into the survey and return what moved where visits rest on the older one.

    Parameters
    ----------
    survey : Survey
        The survey file, which may be new.
    ground : Ground
        The new ground.
    force : bool
        Put a ground that differs beside the one that visits rest on.

    Raises
    ------
    GroundError
        When visits rest on the older ground and the new one differs (without ``force``): with what moved; or when it is
        in another CRS.

    Notes
    -----
    Visits stay on the ground they were drawn on: no point, estimate or area of theirs changes. New ones are drawn on
    the new ground.
    """
    kept = kept_crs(survey)
    if kept is None:
        save_ground(survey, ground)
        return Replaced()
    try:
        older = load_ground(survey)
    except SurveyError:  # obstacles that another program harmed are made again
        older = Ground(_kept_surfaces(survey), ground.obstacles)
    if ground.crs != kept:
        visits = ", ".join(survey.read("visits")["visit"])
        found = f"another coordinate system than that of the visits {visits}"
        remedy = "leave `crs` out, or start a new survey file"
        raise GroundError(Problem(str(survey.path), found, f"'{kept.to_string()}'", remedy))
    moved = find_moves(older, ground)
    version = ground_version(survey, survey.read("surfaces"))
    there = survey.read("visits")
    resting = [str(visit) for visit in there.loc[there["ground_version"] == version, "visit"]]
    if not resting or (not moved and _same(older.surfaces, ground.surfaces)):
        save_ground(survey, ground)
        return Replaced()
    if not force:
        told = list_names(moved) or "other names"
        found = f"a ground that differs from the one the visits {', '.join(resting)} were drawn on: {told}"
        remedy = (
            "say `force` to keep those visits on their ground and draw new ones on this, or start a new survey file"
        )
        raise GroundError(Problem(str(survey.path), found, "the ground of those visits", remedy))
    older_visits = _check_points(survey, ground, resting)
    with survey.change() as change:
        put_ground(change, ground, version + 1)
    return Replaced(older_visits, moved)


_APART_SHARE = 0.01
"""A surface of which less than this share lies elsewhere is as it was (own choice)."""


def find_moves(older: Ground, newer: Ground) -> tuple[Moved, ...]:
    """Return what is not as it was: surfaces, and obstacles with an area."""
    both = []
    for ground in (older, newer):
        areal = ground.obstacles[shapely.get_dimensions(ground.obstacles.geometry.to_numpy()) == 2]  # noqa: PLR2004
        pieces = areal.explode(ignore_index=True)  # read from a file of ours, they come one by one
        frames = [ground.surfaces[["surface_id", "kind", "geometry"]], pieces.assign(surface_id=pieces["kind"])]
        both.append(pd.concat([frame[["surface_id", "kind", "geometry"]] for frame in frames], ignore_index=True))
    before, after = both
    shapes = [frame["geometry"].to_numpy() for frame in both]
    old, new = shapely.STRtree(shapes[1]).query(shapes[0], predicate="intersects")
    common = shapely.area(shapely.intersection(shapes[0][old], shapes[1][new]))
    alike = (before["kind"].to_numpy()[old] == after["kind"].to_numpy()[new]) & (common > 0)
    partner: dict[int, tuple[int, float]] = {}
    for i in np.argsort(-common, kind="stable"):
        taken = {one for one, _ in partner.values()}
        if alike[i] and int(old[i]) not in partner and int(new[i]) not in taken:
            partner[int(old[i])] = (int(new[i]), float(common[i]))
    areas = [shapely.area(one) for one in shapes]
    moved: list[Moved] = []
    for i, row in enumerate(before.itertuples()):
        j, shared = partner.get(i, (-1, 0.0))
        apart = areas[0][i] + (areas[1][j] if j >= 0 else 0.0) - 2 * shared
        if j < 0:
            moved.append(Moved(row.kind, row.surface_id, None, float(areas[0][i]), 0.0, float(apart)))
        elif apart > max(_SAME_M2, _APART_SHARE * areas[0][i]):
            names = row.surface_id, after["surface_id"].iloc[j]
            moved.append(Moved(row.kind, *names, float(areas[0][i]), float(areas[1][j]), float(apart)))
    fresh = sorted(set(range(len(after))) - {j for j, _ in partner.values()})
    rows = ((after["kind"].iloc[j], after["surface_id"].iloc[j], float(areas[1][j])) for j in fresh)
    moved += [Moved(kind, None, name, 0.0, area, area) for kind, name, area in rows]
    return tuple(moved)


def _same(old: gpd.GeoDataFrame, new: gpd.GeoDataFrame) -> bool:
    if old.crs != new.crs or list(old["surface_id"]) != list(new["surface_id"]):
        return False
    apart = shapely.symmetric_difference(old.geometry.to_numpy(), new.geometry.to_numpy())
    return bool(shapely.area(apart).sum() < _SAME_M2)


def _check_points(survey: Survey, ground: Ground, visits: Iterable[str]) -> tuple[OlderVisit, ...]:
    """Return how many of each visit's points no longer lie on the surface they were drawn on."""
    points = cast("gpd.GeoDataFrame", survey.read("points"))
    shapes = ground.surfaces.set_index("surface_id").geometry
    found = []
    for visit in visits:
        own = points[points["visit"] == visit]
        now = own["surface_id"].map(shapes)
        off = int((~shapely.intersects(now.to_numpy(), own.geometry.to_numpy())).sum())
        found.append(OlderVisit(str(visit), len(own), off))
    return tuple(found)
