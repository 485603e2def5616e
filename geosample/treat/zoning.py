"""From worthwhile cells to zones a sprayer can drive: gaps closed, slivers widened or dropped; and check strips.

All shapes are in metres. Opening and closing with a disc as wide as the swath are those of mathematical morphology
(Serra 1982, Image Analysis and Mathematical Morphology, ch. II).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import shapely

from geosample.ground import edge_lines
from geosample.treat.cells import Overlay, net_saving

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    import geopandas as gpd
    import pandas as pd
    import pyproj
    from shapely import Geometry

    from geosample.ground import Ground
    from geosample.treat.model import TreatSettings


_ROUND = 8  # segments to a quarter circle: a boom of 15 ft follows it within 2 cm
_ROUNDER = 16  # for distances that are kept
_SLACK = 0.98  # a strip exactly as wide as the swath must pass, so widths are tested a little below it
_MOSTLY = 0.5
_TOUCH_M = 1e-6
_TAIL_M = 0.2
_GRID_M = 1e-4
NOTHING = shapely.MultiPolygon()


def meet(shape: Geometry, other: Geometry) -> Geometry:
    """Return the polygons two shapes share, without the lines and points an overlay leaves behind."""
    return _polygonal(_overlay(shapely.intersection, shape, other))


def less(shape: Geometry, other: Geometry) -> Geometry:
    """Return the polygons of a shape outside another."""
    return _polygonal(_overlay(shapely.difference, shape, other))


def _polygonal(shape: Geometry) -> Geometry:
    return shapely.multipolygons(np.array(polygons_of(shape), dtype=object))


def join(shapes: Sequence[Geometry]) -> Geometry:
    """Return the polygons of shapes as one."""
    try:
        return shapely.union_all(shapes)
    except shapely.errors.GEOSException:
        return shapely.union_all(shapely.make_valid(np.asarray(shapes, dtype=object)), grid_size=_GRID_M)


def _overlay(lay: Callable[..., Geometry], shape: Geometry, other: Geometry) -> Geometry:
    """Return the overlay of two shapes or arrays; edges that cross by rounding alone are laid on a 0.1 mm grid."""
    try:
        return lay(shape, other)
    except shapely.errors.GEOSException:
        return lay(*shapely.make_valid(np.array([shape, other], dtype=object)), grid_size=_GRID_M)


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
    return _overlay(shapely.union, shape, shapely.buffer(grown, -width_m / 2, quad_segs=_ROUND))


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
    filled = []
    for part in polygons_of(shape):
        rings = [ring for ring in part.interiors if shapely.Polygon(ring).area >= smallest_m2]
        filled.append(shapely.Polygon(part.exterior, rings))
    return shapely.union_all(filled)


def polygons_of(shape: Geometry) -> list[Geometry]:
    """Return the polygons of a shape, without the lines and points an overlay leaves behind."""
    parts = shapely.get_parts(shapely.get_parts([shape]))
    flat = shapely.get_type_id(parts) == shapely.GeometryType.POLYGON
    return list(parts[flat & (shapely.area(parts) > 0)])


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
    left = np.array(polygons_of(shape), dtype=object)  # part by part: all at once are far larger than any of them
    for frame in (ground.surfaces, ground.obstacles):
        for kind, group in frame.groupby("kind", sort=True):
            covers = group.geometry.to_numpy()
            part, at = shapely.STRtree(covers).query(left, predicate="intersects")
            parts, first, many = np.unique(part, return_index=True, return_counts=True)
            over = covers[at[first]]
            for several in np.flatnonzero(many > 1):
                over[several] = shapely.union_all(covers[at[part == parts[several]]])
            area = float(shapely.area(_overlay(shapely.intersection, left[parts], over)).sum())
            left[parts] = _overlay(shapely.difference, left[parts], over)
            if area > 0:
                found[str(kind)] = area
    unmapped = float(shapely.area(left).sum())
    return {**found, "unmapped": unmapped} if unmapped > 0 else found


_LEAST_CELL = 0.25  # of a cell: a smaller scrap holds nothing that the map can tell
_WHOLE = 0.9  # a zone that is this much of its surface is no spot, however small the surface
_MISSES = 25  # places in a row where no strip fits: what is left is too little for one
_MOST_OF_ZONE = 0.5


@dataclass(frozen=True, slots=True)
class OpenGround:
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
        That, within the border strip where only the border is treated; empty on ground not asked for.
    asked : bool
        Whether it is of the kinds and holes asked for.
    """

    surface_id: str
    hole: str | None
    kind: str
    surface: Geometry
    kept: Geometry
    shape: Geometry
    asked: bool = True


@dataclass(frozen=True, slots=True)
class SurfacePlan:
    """What is drawn on one surface.

    Parameters
    ----------
    open : OpenGround
        The surface and what may be treated of it.
    cells : DataFrame
        Its cells, with ``hot`` (worth treating), ``shunned`` (that too, but no plug speaks for it and only sampled
        ground is treated), and the share of each inside: ``treated``, ``check`` (strips left untreated), ``kept``
        (not kept off), ``allowed`` (and within the border), ``small`` (left out for its size).
    laid : Overlay
        What shapes laid over those cells cover of them.
    treat : list of Polygon
        The zones.
    small : list of Polygon
        Patches left out for their size.
    checks : list of Polygon
        Strips inside the zones left untreated on purpose.
    """

    open: OpenGround
    cells: pd.DataFrame
    laid: Overlay
    treat: list[Geometry]
    small: list[Geometry]
    checks: list[Geometry] = field(default_factory=list)


def find_open_ground(ground: Ground, surface_ids: Iterable[str], settings: TreatSettings) -> list[OpenGround]:
    """Return where zones may lie on each mapped surface, in the ground's order."""
    wanted = ground.surfaces[ground.surfaces["surface_id"].isin(list(surface_ids))]
    shut = keep_off_area(ground.obstacles, settings.keep_off_m)
    strip = border_strip(ground.surfaces, settings.border_only_m)
    places = []
    for row in wanted.itertuples():
        kept = less(row.geometry, shut)
        hole = row.hole if isinstance(row.hole, str) else None
        asked = row.kind in (settings.kinds or [row.kind]) and hole in (settings.holes or [hole])
        shape = (kept if strip is None else meet(kept, strip)) if asked else shapely.Polygon()
        places.append(OpenGround(row.surface_id, hole, row.kind, row.geometry, kept, shape, asked))
    return places


def draw_surface(open_ground: OpenGround, cells: pd.DataFrame, cell_m: float, settings: TreatSettings) -> SurfacePlan:
    """Return what to treat on one surface; see ``suggest_zones`` for the method."""
    above = cells["probability"].to_numpy() > settings.cutoff
    known = cells["known"].to_numpy(bool)
    shunned = above & ~known if settings.sampled_only else np.zeros(len(cells), dtype=bool)
    laid = Overlay(cells, cell_m)
    if settings.sampled_only:
        spoken_for = meet(laid.outline(known), open_ground.surface)
        open_ground = replace(open_ground, shape=meet(open_ground.shape, spoken_for))
    worth = partial(net_saving, laid, miss_cost=settings.miss_cost)
    outline = _outline_worth(laid, above & ~shunned, open_ground, cell_m=cell_m, settings=settings, worth=worth)
    paying = [zone for zone in polygons_of(outline) if worth(zone) > 0]
    paying = [zone for zone in paying if zone.area >= _LEAST_CELL * cell_m**2]
    treat = [zone for zone in paying if _is_large(zone, open_ground, settings)]
    small = [zone for zone in paying if not _is_large(zone, open_ground, settings)]
    shares = {
        "hot": above & ~shunned,
        "shunned": shunned,
        "treated": laid.share_of_all(treat),
        "small": laid.share_of_all(small),
        "check": np.zeros(len(cells)),
        "kept": laid.share(open_ground.kept),
        "allowed": laid.share(open_ground.shape),
        "asked": np.full(len(cells), float(open_ground.asked)),
    }
    return SurfacePlan(open_ground, cells.assign(**shares), laid, treat, small)


def _outline_worth(
    laid: Overlay,
    hot: np.ndarray,
    open_ground: OpenGround,
    *,
    cell_m: float,
    settings: TreatSettings,
    worth: Callable[[Geometry], float],
) -> Geometry:
    """Return where to drive so that the hot cells are covered; all of the open ground where every cell is hot."""
    if hot.all():
        return open_ground.shape
    cells = shapely.simplify(laid.outline(hot), 0)  # no corner on a straight side
    drivable = make_drivable(meet(cells, open_ground.surface), open_ground.shape, settings.swath_m, worth)
    return smooth_outline(fill_holes(drivable, settings.smallest_m2), open_ground.shape, cell_m / 2)


def outline_unknown(plans: Sequence[SurfacePlan], cell_m: float, crs: pyproj.CRS) -> gpd.GeoDataFrame:
    """Return the mapped ground that is not known, a row a surface: hole, geometry."""
    import geopandas as gpd

    def outline(one: SurfacePlan) -> Geometry:
        unknown = ~one.cells["known"].to_numpy(bool)
        rest = one.open.surface if unknown.all() else meet(one.laid.outline(unknown), one.open.surface)
        return shapely.simplify(rest, cell_m / 2)

    shapes = [outline(one) for one in plans]
    frame = gpd.GeoDataFrame({"hole": [one.open.hole for one in plans]}, geometry=shapes, crs=crs)
    return frame[~frame.is_empty].reset_index(drop=True)


def _is_large(zone: Geometry, open_ground: OpenGround, settings: TreatSettings) -> bool:
    """Return whether a zone is worth the trip: large enough, or the whole of a small surface."""
    return bool(zone.area >= settings.smallest_m2 or zone.area >= _WHOLE * open_ground.kept.area)


def retake(drawn: Sequence[SurfacePlan]) -> list[SurfacePlan]:
    """Return the drawn surfaces with the cells' share inside the zones taken anew, after strips were cut out."""
    return [
        replace(
            one,
            cells=one.cells.assign(treated=one.laid.share_of_all(one.treat), check=one.laid.share_of_all(one.checks)),
        )
        if one.checks
        else one
        for one in drawn
    ]


def leave_strips(drawn: Sequence[SurfacePlan], settings: TreatSettings, rng: np.random.Generator) -> list[SurfacePlan]:
    """Return the drawn surfaces with check strips taken out of their zones.

    Parameters
    ----------
    drawn : sequence of SurfacePlan
        Every mapped surface.
    settings : TreatSettings
        ``check_share``: part of the area to treat that is left, met from below, since strips are one swath wide.
    rng : Generator
        Of the places.

    Notes
    -----
    A strip lies across a zone, at right angles to its long side, through a place drawn evenly over all zones: every
    place has the same chance, so that the strips stand for the ground that was treated. What a strip would leave of
    its zone too small to treat goes with the strip.
    """
    share = settings.check_share
    zones = [(number, zone) for number, one in enumerate(drawn) for zone in one.treat]
    if share <= 0 or not zones:
        return list(drawn)
    chosen = _choose_strips(zones, settings, rng)
    return [_without(one, chosen.get(number, [])) for number, one in enumerate(drawn)]


def _choose_strips(
    zones: list[tuple[int, Geometry]], settings: TreatSettings, rng: np.random.Generator
) -> dict[int, list[Geometry]]:
    areas = np.array([zone.area for _, zone in zones])
    left_m2 = settings.check_share * areas.sum()
    chosen: dict[int, list[Geometry]] = {}
    taken = np.zeros(len(zones))
    misses = 0
    while misses < _MISSES:
        pick = int(rng.choice(len(zones), p=areas / areas.sum()))
        surface, zone = zones[pick]
        old = join(chosen.get(surface, []))
        strip = cross_strip(zone, _draw_place(zone, rng), settings.swath_m)
        misses += 1
        if strip.area > left_m2 and shapely.distance(strip, old) != 0:
            continue  # with scraps it is no smaller
        strip = _with_scraps(strip, less(zone, old), settings.smallest_m2)
        fits = taken[pick] + strip.area <= _MOST_OF_ZONE * zone.area
        if strip.area <= left_m2 and fits and shapely.distance(strip, old) != 0:
            misses = 0
            chosen.setdefault(surface, []).append(strip)
            taken[pick] += strip.area
            left_m2 -= strip.area
    return chosen


def _with_scraps(strip: Geometry, zone: Geometry, smallest_m2: float) -> Geometry:
    """Return the strip with what it would cut off its zone that is too small to treat."""
    scraps = [piece for piece in polygons_of(less(zone, strip)) if piece.area < min(smallest_m2, zone.area / 2)]
    return meet(join([strip, *scraps]), zone)


def cross_strip(zone: Geometry, place: Geometry, width_m: float) -> Geometry:
    """Return the strip across a zone through a place, at right angles to the zone's long side.

    Examples
    --------
    >>> strip = cross_strip(shapely.box(0, 0, 100, 20), shapely.Point(50, 7), 5.0)
    >>> [round(side, 1) for side in strip.bounds]
    [47.5, 0.0, 52.5, 20.0]
    """
    corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(zone))[:3]
    sides = np.diff(corners, axis=0)
    long = sides[np.argmax(np.hypot(*sides.T))]
    across = np.array([-long[1], long[0]]) / np.hypot(*long) * 2 * np.hypot(*np.ptp(corners, axis=0))
    middle = shapely.get_coordinates(place)[0]
    band = shapely.buffer(shapely.LineString([middle - across, middle + across]), width_m / 2, cap_style="flat")
    pieces = polygons_of(meet(zone, band))
    near = [piece for piece in pieces if shapely.intersects(piece, place)]
    return shapely.MultiPolygon(near[:1])


def _draw_place(zone: Geometry, rng: np.random.Generator) -> Geometry:
    west, south, east, north = zone.bounds
    while True:
        place = shapely.Point(rng.uniform(west, east), rng.uniform(south, north))
        if shapely.contains(zone, place):
            return place


def _without(one: SurfacePlan, strips: list[Geometry]) -> SurfacePlan:
    if not strips:
        return one
    together = join(strips)
    treat = [piece for zone in one.treat for piece in polygons_of(less(zone, together)) if piece.area > 1.0]
    return replace(one, treat=treat, checks=polygons_of(together))
