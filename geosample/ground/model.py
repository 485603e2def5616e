"""Ground: the type this room makes, and its place in the survey file."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, cast

if TYPE_CHECKING:
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
