"""Shapes a sprayer can drive, and what is kept off: gaps closed, slivers widened or dropped, corners rounded.

All shapes are in metres. Opening and closing with a disc as wide as the swath are those of mathematical morphology
(Serra 1982, Image Analysis and Mathematical Morphology, ch. II).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np
import shapely

from geosample.ground import edge_lines

if TYPE_CHECKING:
    from collections.abc import Mapping

    import geopandas as gpd
    from shapely import Geometry

    from geosample.ground import Ground

_ROUND = 8  # segments to a quarter circle: a boom of 15 ft follows it within 2 cm
_ROUNDER = 16  # for distances that are kept
_SLACK = 0.98  # a strip exactly as wide as the swath must pass, so widths are tested a little below it
_MOSTLY = 0.5
_TOUCH_M = 1e-6
_TAIL_M = 0.2
NOTHING = shapely.MultiPolygon()


def meet(shape: Geometry, other: Geometry) -> Geometry:
    """Return the polygons two shapes share, without the lines and points an overlay leaves behind."""
    return shapely.MultiPolygon(polygons_of(shapely.intersection(shape, other)))


def less(shape: Geometry, other: Geometry) -> Geometry:
    """Return the polygons of a shape outside another."""
    return shapely.MultiPolygon(polygons_of(shapely.difference(shape, other)))


def close_gaps(shape: Geometry, width_m: float) -> Geometry:
    """Return the shape with gaps narrower than the width filled.

    Examples
    --------
    >>> from shapely import box, union_all
    >>> two = union_all([box(0, 0, 10, 10), box(12, 0, 22, 10)])
    >>> round(close_gaps(two, 4.0).area)
    219
    """
    grown = shapely.buffer(shape, width_m / 2, quad_segs=_ROUND)
    return shapely.union(shape, shapely.buffer(grown, -width_m / 2, quad_segs=_ROUND))


def drop_slivers(shape: Geometry, width_m: float) -> Geometry:
    """Return the parts of the shape that are as wide as the width.

    Examples
    --------
    >>> from shapely import box
    >>> drop_slivers(box(0, 0, 3, 50), 4.0).is_empty
    True
    >>> round(drop_slivers(box(0, 0, 4, 50), 4.0).area)
    197
    """
    radius = width_m * _SLACK / 2
    core = shapely.buffer(shape, -radius, quad_segs=_ROUND)
    return meet(shapely.buffer(core, radius, quad_segs=_ROUND), shape)


def is_narrow(shape: Geometry, width_m: float) -> bool:
    """Return whether most of the shape is narrower than the width, as a collar is.

    Examples
    --------
    >>> from shapely import box
    >>> is_narrow(box(0, 0, 3, 50), 4.0), is_narrow(box(0, 0, 30, 50), 4.0)
    (True, False)
    """
    return bool(drop_slivers(shape, width_m).area < _MOSTLY * shape.area)


def widest_m(shape: Geometry) -> float:
    """Return the diameter of the largest circle inside the shape, m."""
    return 2 * float(shapely.maximum_inscribed_circle(shape, tolerance=0.05).length)


def make_drivable(hot: Geometry, inside: Geometry, swath_m: float, worth: Callable[[Geometry], float]) -> Geometry:
    """Return where to drive so that the hot ground is covered, no narrower than the swath.

    Parameters
    ----------
    hot : Geometry
        Ground worth treating for itself.
    inside : Geometry
        Polygons a zone may lie in: a surface, less what it keeps off.
    swath_m : float
        The sprayer's width, m.
    worth : callable
        Takes a shape and returns what treating it saves less what it costs; a strip too narrow to drive is
        widened to the swath only where that is more than 0.

    Returns
    -------
    Geometry
        Inside that. In parts of it narrower than the swath the hot ground is taken whole-width.
    """
    parts = shapely.get_parts([inside])
    driven = [_drive_part(meet(hot, part), part, swath_m, worth) for part in parts]
    return shapely.union_all(driven) if driven else NOTHING


def _drive_part(hot: Geometry, part: Geometry, swath_m: float, worth: Callable[[Geometry], float]) -> Geometry:
    if hot.area <= 0:
        return NOTHING
    closed = meet(close_gaps(hot, swath_m), part)
    if is_narrow(part, swath_m):
        across = shapely.buffer(closed, widest_m(part), quad_segs=_ROUND)
        return meet(across, part)
    core = drop_slivers(closed, swath_m)
    wider = _widen(less(closed, core), core, part, swath_m, worth)
    whole = meet(close_gaps(shapely.union(core, wider), swath_m), part)
    joined = bridge_gaps(drop_slivers(whole, swath_m), part, swath_m)
    return _with_corners(joined, closed, part, swath_m)


def bridge_gaps(shape: Geometry, inside: Geometry, width_m: float) -> Geometry:
    """Return the shape with bars as wide as the width over gaps narrower than it that lie inside.

    Notes
    -----
    Closing leaves the gap between two round zones, since the neck it would make is too thin to drive.
    """
    parts = np.array(polygons_of(shape), dtype=object)
    near, far = shapely.STRtree(parts).query(parts, predicate="dwithin", distance=width_m)
    once = near < far
    lines = shapely.shortest_line(parts[near[once]], parts[far[once]])
    bars = shapely.buffer(lines[shapely.covers(inside, lines)], width_m / 2, quad_segs=_ROUND)
    return meet(shapely.union_all([*parts, *bars]), inside) if len(bars) else shape


def _widen(
    slivers: Geometry, core: Geometry, part: Geometry, swath_m: float, worth: Callable[[Geometry], float]
) -> Geometry:
    """Return the slivers worth treating, each made as wide as the swath."""
    accepted = []
    for sliver in shapely.get_parts([slivers]):
        rounding = sliver.area < swath_m**2 / 8 and shapely.distance(sliver, core) <= 0
        wide = NOTHING if rounding else _grow_to_swath(sliver, part, swath_m)
        if not wide.is_empty and worth(less(wide, core)) > 0:
            accepted.append(wide)
    return shapely.union_all(accepted) if accepted else NOTHING


def _grow_to_swath(sliver: Geometry, part: Geometry, swath_m: float) -> Geometry:
    """Return the sliver grown by the least of a few steps that makes it drivable; nothing if none does."""
    for step in (0.25, 0.5, 0.75, 1.0):
        grown = meet(shapely.buffer(sliver, step * swath_m, quad_segs=_ROUND), part)
        wide = drop_slivers(grown, swath_m)
        if meet(wide, sliver).area >= 0.9 * sliver.area:
            return wide
    return NOTHING


def _with_corners(core: Geometry, closed: Geometry, part: Geometry, swath_m: float) -> Geometry:
    """Return the core with the hot corners of the ground a round disc can't reach, where they touch it."""
    corners = shapely.get_parts([meet(closed, less(part, drop_slivers(part, swath_m)))])
    near = corners[shapely.distance(corners, core) <= _TOUCH_M] if len(corners) and not core.is_empty else []
    return shapely.union_all([core, *near])


def smooth_outline(shape: Geometry, inside: Geometry, tolerance_m: float) -> Geometry:
    """Return the shape with its steps taken out and its outer edge still that of its ground.

    Notes
    -----
    The shape is first let run out over that ground's edge and clipped again at the end, so that straightening its
    line opens no gap along the edge. Tails the clipping leaves, thinner than 20 cm, are cut off.
    """
    if shape.is_empty:
        return shape
    out = less(shapely.buffer(shape, 3 * tolerance_m, quad_segs=_ROUND), inside)
    # normalised, since the line kept depends on where each ring starts
    straight = shapely.simplify(shapely.normalize(shapely.union(shape, out)), tolerance_m)
    clipped = meet(shapely.make_valid(straight), inside)
    core = shapely.buffer(clipped, -_TAIL_M / 2, join_style="mitre")
    return meet(shapely.buffer(core, _TAIL_M / 2, join_style="mitre"), clipped)


def fill_holes(shape: Geometry, smallest_m2: float) -> Geometry:
    """Return the polygons of a shape without their holes smaller than an area.

    Examples
    --------
    >>> from shapely import box
    >>> fill_holes(box(0, 0, 9, 9).difference(box(1, 1, 2, 2)), 2.0).area
    81.0
    """
    return shapely.union_all([_fill_one(part, smallest_m2) for part in polygons_of(shape)])


def _fill_one(polygon: Geometry, smallest_m2: float) -> Geometry:
    rings = [ring for ring in polygon.interiors if shapely.Polygon(ring).area >= smallest_m2]
    return shapely.Polygon(polygon.exterior, rings)


def polygons_of(shape: Geometry) -> list[Geometry]:
    """Return the polygons of a shape, without the lines and points an overlay leaves behind."""
    parts = shapely.get_parts(shapely.get_parts([shape]))
    return [part for part in parts if part.geom_type == "Polygon" and part.area > 0]


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
        shapely.buffer(obstacles.geometry[obstacles["kind"] == kind].to_numpy(), distance_m, quad_segs=_ROUNDER)
        for kind, distance_m in keep_off_m.items()
    ]
    shapes = [shape for group in near for shape in group]
    return shapely.union_all(shapes) if shapes else NOTHING


def border_strip(surfaces: gpd.GeoDataFrame, width_m: float | None) -> Geometry | None:
    """Return the ground within a width of the outer edge of the short turf; None when no width is asked for."""
    if width_m is None:
        return None
    return shapely.buffer(edge_lines(surfaces), width_m, quad_segs=_ROUNDER)


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
