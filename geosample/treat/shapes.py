"""Shapes a sprayer can drive: gaps closed, slivers widened or dropped, corners rounded to the swath.

All shapes are in metres. Opening and closing with a disc as wide as the swath are those of mathematical morphology
(Serra 1982, Image Analysis and Mathematical Morphology, ch. II).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np
import shapely

if TYPE_CHECKING:
    from shapely import Geometry

_ROUND = 8  # segments to a quarter circle: a boom of 15 ft follows it within 2 cm
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


def make_drivable(hot: Geometry, room: Geometry, swath_m: float, worth: Callable[[Geometry], float]) -> Geometry:
    """Return where to drive so that the hot ground is covered, no narrower than the swath.

    Parameters
    ----------
    hot : Geometry
        Ground worth treating for itself.
    room : Geometry
        Polygons a zone may lie in: a surface, less what it keeps off.
    swath_m : float
        The sprayer's width, m.
    worth : callable
        Takes a shape and returns what treating it saves less what it costs; a strip too narrow to drive is
        widened to the swath only where that is more than 0.

    Returns
    -------
    Geometry
        Inside the room. In parts of the room narrower than the swath the hot ground is taken whole-width.
    """
    parts = shapely.get_parts([room])
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


def bridge_gaps(shape: Geometry, room: Geometry, width_m: float) -> Geometry:
    """Return the shape with bars as wide as the width over gaps narrower than it that lie in the room.

    Notes
    -----
    Closing leaves the gap between two round zones, since the neck it would make is too thin to drive.
    """
    parts = np.array(polygons_of(shape), dtype=object)
    near, far = shapely.STRtree(parts).query(parts, predicate="dwithin", distance=width_m)
    once = near < far
    lines = shapely.shortest_line(parts[near[once]], parts[far[once]])
    bars = shapely.buffer(lines[shapely.covers(room, lines)], width_m / 2, quad_segs=_ROUND)
    return meet(shapely.union_all([*parts, *bars]), room) if len(bars) else shape


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
    """Return the core with the hot corners of the room a round disc can't reach, where they touch it."""
    corners = shapely.get_parts([meet(closed, less(part, drop_slivers(part, swath_m)))])
    near = corners[shapely.distance(corners, core) <= _TOUCH_M] if len(corners) and not core.is_empty else []
    return shapely.union_all([core, *near])


def smooth_outline(shape: Geometry, room: Geometry, tolerance_m: float) -> Geometry:
    """Return the shape with its steps taken out and its outer edge still that of the room.

    Notes
    -----
    The shape is first let run out over the room's edge and clipped again at the end, so that straightening its
    line opens no gap along the edge. Tails the clipping leaves, thinner than 20 cm, are cut off.
    """
    if shape.is_empty:
        return shape
    out = less(shapely.buffer(shape, 3 * tolerance_m, quad_segs=_ROUND), room)
    # normalised, since the line kept depends on where each ring starts
    straight = shapely.simplify(shapely.normalize(shapely.union(shape, out)), tolerance_m)
    clipped = meet(shapely.make_valid(straight), room)
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
