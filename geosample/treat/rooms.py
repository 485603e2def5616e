"""The room a zone may take: a surface, less what it must keep off, within the border if only that is treated."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import shapely

from geosample.ground import edge_lines
from geosample.treat.shapes import NOTHING, is_narrow, less, meet, polygons_of, widest_m

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    import geopandas as gpd
    from shapely import Geometry

    from geosample.ground import Ground
    from geosample.treat.settings import TreatSettings

_ROUND = 16


@dataclass(frozen=True, slots=True)
class Room:
    """Where zones may lie on one surface.

    Parameters
    ----------
    surface_id, hole, kind : str
        The surface; hole may be None.
    surface : Geometry
        All of it.
    kept : Geometry
        The surface less what is kept off.
    shape : Geometry
        That, within the border strip where only the border is treated.
    """

    surface_id: str
    hole: str | None
    kind: str
    surface: Geometry
    kept: Geometry
    shape: Geometry


def find_rooms(ground: Ground, surface_ids: Iterable[str], settings: TreatSettings) -> list[Room]:
    """Return the room on each mapped surface, in the ground's order."""
    wanted = ground.surfaces[ground.surfaces["surface_id"].isin(list(surface_ids))]
    shut = keep_off_area(ground.obstacles, settings.keep_off_m)
    strip = border_strip(ground.surfaces, settings.border_only_m)
    rooms = []
    for row in wanted.itertuples():
        kept = less(row.geometry, shut)
        shape = kept if strip is None else meet(kept, strip)
        hole = row.hole if isinstance(row.hole, str) else None
        rooms.append(Room(row.surface_id, hole, row.kind, row.geometry, kept, shape))
    return rooms


def keep_off_area(obstacles: gpd.GeoDataFrame, keep_off_m: Mapping[str, float]) -> Geometry:
    """Return the ground within the user's distances of the obstacles; nothing for kinds with no distance.

    Examples
    --------
    >>> import geopandas as gpd
    >>> pond = gpd.GeoDataFrame({"kind": ["water"]}, geometry=[shapely.box(0, 0, 10, 10)])
    >>> keep_off_area(pond, {}).is_empty, keep_off_area(pond, {"water": 5.0}).bounds
    (True, (-5.0, -5.0, 15.0, 15.0))
    """
    near = [
        shapely.buffer(obstacles.geometry[obstacles["kind"] == kind].to_numpy(), distance_m, quad_segs=_ROUND)
        for kind, distance_m in keep_off_m.items()
    ]
    shapes = [shape for group in near for shape in group]
    return shapely.union_all(shapes) if shapes else NOTHING


def border_strip(surfaces: gpd.GeoDataFrame, width_m: float | None) -> Geometry | None:
    """Return the ground within a width of the outer edge of the short turf; None when no width is asked for."""
    if width_m is None:
        return None
    return shapely.buffer(edge_lines(surfaces), width_m, quad_segs=_ROUND)


def sweep_over(zone: Geometry, swath_m: float) -> Geometry:
    """Return the ground a whole boom covers driving along a zone: the zone, and past it where it is narrower.

    Examples
    --------
    >>> strip = shapely.box(0, 0, 1, 100)
    >>> round(sweep_over(strip, 5.0).bounds[2] - sweep_over(strip, 5.0).bounds[0], 1)
    5.0
    """
    driven = [_as_wide(part, swath_m) if is_narrow(part, swath_m) else part for part in polygons_of(zone)]
    return shapely.union_all(driven) if driven else NOTHING


def _as_wide(part: Geometry, swath_m: float) -> Geometry:
    return shapely.buffer(part, max(swath_m - widest_m(part), 0) / 2, quad_segs=_ROUND)


def fall_on(ground: Ground, shape: Geometry) -> dict[str, float]:
    """Return the area of a shape on each kind of surface and obstacle, m², and on ground that is not mapped.

    Examples
    --------
    >>> import geopandas as gpd
    >>> from geosample.ground import Ground
    >>> green = gpd.GeoDataFrame({"kind": ["green"]}, geometry=[shapely.box(0, 0, 10, 10)], crs=32618)
    >>> none = green.iloc[:0]
    >>> fall_on(Ground(green, none), shapely.box(5, 0, 15, 10))
    {'green': 50.0, 'unmapped': 50.0}
    """
    found: dict[str, float] = {}
    left = shape
    for frame in (ground.surfaces, ground.obstacles):
        for kind, group in frame.groupby("kind", sort=True):
            touching = group.geometry.to_numpy()
            cover = shapely.union_all(touching[shapely.intersects(touching, shape)])
            area = float(meet(left, cover).area)
            left = less(left, cover)
            if area > 0:
                found[str(kind)] = area
    return {**found, "unmapped": float(left.area)} if left.area > 0 else found
