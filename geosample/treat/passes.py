"""The passes that cover the zones, in driving order, and where each zone lies in a crew's words.

A lane is a line the sprayer may follow; a pass is the part of a lane where its boom has ground to treat. Lanes are
parallel, a swath apart: straight along a zone's long side, or along the outer edge of its surface, whichever takes
less driving.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from scipy.spatial import cKDTree
from shapely.ops import substring

from geosample.treat.zoning import (
    NOTHING,
    close_gaps,
    fall_on,
    fill_holes,
    keep_off_area,
    less,
    meet,
    polygons_of,
    widest_m,
)
from geosample.words import hole_key
from geosample.workers import map_threads

if TYPE_CHECKING:
    from collections.abc import Mapping

    import geopandas as gpd
    from shapely import Geometry

    from geosample.ground import Ground
    from geosample.sheets.finding import Clock, MiddleLine, Sights
    from geosample.units import Units

    Row = Any
    Lane = list[Geometry]

_SLACK_M = 0.02
_TOUCH_M = 0.5  # outlines are straightened by half a cell: zones nearer than this touch
_LEAST_PART = 1 / 8  # of a swath squared: a smaller corner gets no pass
_LEFT_COSTS = 5.0  # ground left counts as so much driving over it (own choice)
_TWICE_COSTS = 3.0  # ground under two passes counts as so much sprayed beyond the zone (own choice)
_TURN_SWATHS = 6.0  # to the next pass takes as long as so many swaths of driving (own choice)
_BENDS_COST = 1.1  # a way with bends must be shorter than a straight one by this (own choice)
_TOGETHER = {"green": "green", "collar": "green", "fairway": "fairway", "approach": "fairway"}
"""Kinds cut by the same machine: zones of them that touch are driven as one, so that no ground gets a second pass."""
_ROUND_KINDS = ("green", "collar")
_NEARLY_ALL = 0.9
_RIM_M = 1.0  # a zone that lies nearer than this reaches the edge
_SPOTS = 1500  # looked at on a long surface, about
_MOST_OF_THIRD = 0.5
_PARTS = {
    ("left", "middle", "right"): "full width",
    ("left", "middle"): "left side",
    ("middle", "right"): "right side",
    ("left", "right"): "both edges",
    ("left",): "left edge",
    ("middle",): "middle",
    ("right",): "right edge",
}


@dataclass(frozen=True, slots=True)
class Drive:
    """Zones driven as one: most often one zone, or a green with its collar.

    Parameters
    ----------
    zone_ids, kinds : tuple of str
        The zones, the largest first, and the surfaces' kinds.
    hole : str or None
        Whose.
    passes : tuple of LineString
        In driving order and direction, m.
    area_m2 : float
        Of the zones.
    swept_m2 : float
        What a whole boom covers along the passes.
    kept_off_m2, corners_m2 : float
        Left of the zones: where the boom would be over water or ground kept off, and corners too small for a pass or
        beside a check strip that the boom meets at a slant.
    overspray_m2 : float
        What a whole boom covers beyond all zones.
    twice_m2 : float
        Under two of the passes.
    """

    zone_ids: tuple[str, ...]
    kinds: tuple[str, ...]
    hole: str | None
    passes: tuple[Geometry, ...]
    area_m2: float
    swept_m2: float
    kept_off_m2: float
    corners_m2: float
    overspray_m2: float
    twice_m2: float

    @property
    def length_m(self) -> float:
        """Length of all passes, m, without turns."""
        return float(sum(line.length for line in self.passes))

    def plain(self) -> dict[str, Any]:
        """Return the facts in JSON's own types, without the lines."""
        told = asdict(replace(self, passes=()))
        return {**told, "passes": len(self.passes), "length_m": self.length_m}


def lay_passes(
    zones: gpd.GeoDataFrame, ground: Ground, *, swath_m: float, keep_off_m: Mapping[str, float]
) -> tuple[tuple[Drive, ...], dict[str, float]]:
    """Return the passes over the zones to treat, hole by hole, and what a whole boom covers beyond the zones.

    Parameters
    ----------
    zones : GeoDataFrame
        The plan's zones; check strips among them are left.
    ground : Ground
        Its obstacles and surfaces.
    swath_m : float
        Width of the boom, m.
    keep_off_m : mapping of str to float
        Distance kept from each kind of obstacle, m; the boom is kept off water whatever is said.

    Returns
    -------
    tuple of Drive
        Hole by hole, on each from the tee to the green.
    dict of str to float
        Area beyond the zones by what it is on, as ``fall_on``, m².

    Notes
    -----
    A pass ends where a disc as wide as the swath round its end would touch water or ground kept off: spray flies, and
    nozzles shut late. What that leaves of a zone is in ``Drive.kept_off_m2``.
    """
    treat = zones[zones["action"] == "treat"]
    if treat.empty:
        return (), {}
    strips = zones.geometry[zones["action"] == "check"].union_all()
    water = ground.obstacles.geometry[ground.obstacles["kind"] == "water"].to_numpy()
    # a creek may be a line: kept off as one, it has no area to keep off
    shut = shapely.union_all([*water, keep_off_area(ground.obstacles, keep_off_m)])
    outlines = ground.surfaces.set_index("surface_id").geometry
    groups = list(_drive_together(list(treat.itertuples())))
    every = treat.geometry.to_numpy()
    lay = partial(_lay_drive, outlines=outlines, every=every, shut=shut, strips=strips, swath_m=swath_m)
    laid = map_threads(lay, groups)
    beyond = shapely.union_all([over for _, over in laid])
    greens = ground.surfaces[ground.surfaces["kind"] == "green"]
    drives = sorted((drive for drive, _ in laid), key=lambda one: _tee_first(one, greens))
    return tuple(_from_end_to_start(drives)), fall_on(ground, beyond)


def _drive_together(rows: Sequence[Row]) -> Iterator[list[Row]]:
    """Yield the zones that are driven as one, the largest first."""
    left = sorted(rows, key=lambda row: -row.area_m2)
    while left:
        first, *others = left
        group, left = [first], []
        for row in others:
            alike = row.hole == first.hole and _TOGETHER.get(row.kind, row.zone_id) == _TOGETHER.get(first.kind)
            touch = alike and min(shapely.distance(row.geometry, one.geometry) for one in group) < _TOUCH_M
            (group if touch else left).append(row)
        yield group


@dataclass(frozen=True, slots=True)
class _Way:
    """Passes laid one way over a shape.

    Parameters
    ----------
    whole, cut : list of Lane
        Lane by lane, before and after they were cut at water and ground kept off.
    swept : Geometry
        Under the boom along what is left of them.
    twice_m2, cost_m2 : float
        Under the boom twice; and what driving, turning, waste and what is left cost, as so much spraying.
    """

    whole: list[Lane]
    cut: list[Lane]
    swept: Geometry
    twice_m2: float
    cost_m2: float


def _lay_drive(
    rows: list[Row],
    *,
    outlines: Mapping[str, Geometry],
    every: np.ndarray,
    shut: Geometry,
    strips: Geometry,
    swath_m: float,
) -> tuple[Drive, Geometry]:
    """Return a group's passes, laid the way that costs least, and what a whole boom covers beyond every zone."""
    shape = _join_up([row.geometry for row in rows])
    outline = fill_holes(_join_up([outlines[row.surface_id] for row in rows]), float("inf"))
    near = shapely.buffer(shape, 2 * swath_m)
    off_limits = shapely.buffer(shapely.intersection(shut, near), swath_m / 2 + _SLACK_M, quad_segs=16)
    untreated = meet(strips, near) if not strips.is_empty else NOTHING
    # strips lie across the zone they were cut from, so the boom meets them square when it goes the way of that zone
    beside = [strip for strip in polygons_of(untreated) if shapely.distance(strip, shape) < _TOUCH_M]
    along = _cut_from(beside[0], strips, every) if beside else shape
    slides = (0.5,) if off_limits.is_empty else (0.0, 0.5, 1.0)
    sets = [(_straight_lanes(shape, swath_m, slide, along=along), 1.0) for slide in slides]
    sets.append((_edge_lanes(shape, outline, swath_m), _BENDS_COST))
    ways = [_lay_way(lanes, shape, untreated, off_limits, swath_m=swath_m, dearer=dearer) for lanes, dearer in sets]
    best = min(ways, key=lambda way: way.cost_m2)
    ground = shapely.union_all([row.geometry for row in rows])
    left_m2, corners_m2 = (less(ground, swept).area for swept in (best.swept, _sweep(best.whole, swath_m)))
    lines = [line for number, passes in enumerate(best.cut) for line in _to_and_fro(passes, number)]
    over = less(best.swept, shapely.union_all(every[shapely.intersects(every, best.swept)]))
    drive = Drive(
        zone_ids=tuple(row.zone_id for row in rows),
        kinds=tuple(dict.fromkeys(row.kind for row in rows)),
        hole=rows[0].hole if isinstance(rows[0].hole, str) else None,
        passes=tuple(lines),
        area_m2=sum(float(row.area_m2) for row in rows),
        swept_m2=float(best.swept.area),
        kept_off_m2=max(float(left_m2 - corners_m2), 0.0),
        corners_m2=float(corners_m2),
        overspray_m2=float(over.area),
        twice_m2=best.twice_m2,
    )
    return drive, over


def _lay_way(
    lanes: Lane, shape: Geometry, untreated: Geometry, off_limits: Geometry, *, swath_m: float, dearer: float
) -> _Way:
    """Return the passes along lanes, and what they cost; driving counts so many times as dear."""
    whole = [_find_passes(lane, shape, untreated, swath_m) for lane in lanes]
    cut = whole if off_limits.is_empty else [_cut_passes(passes, off_limits, swath_m) for passes in whole]
    swept = _sweep(cut, swath_m)
    left_m2 = float(less(shape, swept).area)
    sprayed_m2 = sum(line.length for passes in cut for line in passes) * swath_m
    twice_m2 = max(sprayed_m2 - float(swept.area), 0.0)
    turns_m2 = _TURN_SWATHS * swath_m**2 * sum(map(len, cut))
    wasted_m2 = sprayed_m2 - (shape.area - left_m2) + _TWICE_COSTS * twice_m2
    cost_m2 = dearer * sprayed_m2 + turns_m2 + wasted_m2 + _LEFT_COSTS * left_m2
    return _Way(whole, cut, swept, twice_m2, cost_m2)


def _join_up(shapes: list[Geometry]) -> Geometry:
    """Return shapes as one, with the hair between them closed."""
    joined = shapely.union_all(shapes)
    return shapely.MultiPolygon(polygons_of(close_gaps(joined, 2 * _TOUCH_M) if len(shapes) > 1 else joined))


def _cut_from(strip: Geometry, strips: Geometry, zones: np.ndarray) -> Geometry:
    """Return the zone a check strip was cut out of: what it makes with the zones and strips that touch in a row."""
    parts = polygons_of(shapely.buffer(shapely.union_all([strips, *zones]), _TOUCH_M / 2))
    return next(part for part in parts if shapely.intersects(part, strip))


def _straight_lanes(
    shape: Geometry, swath_m: float, slide: float = 0.5, *, along: Geometry | None = None
) -> list[Geometry]:
    """Return lanes over a shape: flush with one of its sides (0), in its middle, or with the other (1).

    They go along its long side, or that of ``along``.
    """
    corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(shape if along is None else along))[:3]
    sides = np.diff(corners, axis=0)
    ahead = sides[np.argmax(np.hypot(*sides.T))]
    ahead = ahead / np.hypot(*ahead)
    aside = np.array([-ahead[1], ahead[0]])
    places = shapely.get_coordinates(shape)
    low, high = (places @ aside).min(), (places @ aside).max()
    start, end = (places @ ahead).min(), (places @ ahead).max()
    many = max(1, int(np.ceil((high - low) / swath_m - 1e-6)))
    levels = low - slide * (many * swath_m - (high - low)) + (np.arange(many) + 0.5) * swath_m
    return [shapely.LineString([start * ahead + at * aside, end * ahead + at * aside]) for at in levels]


def _edge_lanes(shape: Geometry, outline: Geometry, swath_m: float) -> list[Geometry]:
    """Return lanes along the outer edge of a shape's surface, from the edge in; down the middle of a narrow shape."""
    lanes: list[Geometry] = []
    in_m = min(swath_m, widest_m(shape)) / 2
    while not (inner := shapely.buffer(outline, -in_m)).is_empty:
        rings = [part.exterior for part in polygons_of(inner)]
        near = [ring for ring in rings if shapely.distance(ring, shape) < swath_m / 2]
        near = [ring for ring in near if not lanes or not _is_tight(ring, swath_m)]
        lanes += [_start_away(ring, shape) for ring in near]
        if not near and lanes:
            break
        in_m += swath_m
    missed = polygons_of(less(shape, _sweep([lanes], swath_m)))
    for core in (one for one in missed if one.area >= _LEAST_PART * swath_m**2):
        lanes += _straight_lanes(core, swath_m)
    return lanes


def _is_tight(ring: Geometry, swath_m: float) -> bool:
    """Return whether a ring turns all the time, and so tightly that the boom's inner end would stand still."""
    radius_m = widest_m(shapely.Polygon(ring)) / 2
    return bool(radius_m < 2 * swath_m and ring.length < 2 * (2 * np.pi * radius_m))


def _start_away(ring: Geometry, shape: Geometry) -> Geometry:
    """Return a ring as a line that starts as far from a shape as it can, so that no pass crosses its start."""
    places = shapely.get_coordinates(ring)[:-1]
    first = int(np.argmax(shapely.distance(shapely.points(places), shape)))
    turned = np.roll(places, -first, axis=0)
    return shapely.LineString(np.vstack([turned, turned[:1]]))


def _find_passes(lane: Geometry, shape: Geometry, untreated: Geometry, swath_m: float) -> Lane:
    """Return the parts of a lane where its boom has a shape beneath it, and no check strip."""
    band = shapely.buffer(lane, swath_m / 2, cap_style="flat")
    pieces = [one for one in polygons_of(meet(shape, band)) if one.area >= _LEAST_PART * swath_m**2]
    spans: list[list[float]] = []
    for start, end in sorted(_span(lane, piece, swath_m) for piece in pieces):
        if spans and start - spans[-1][1] < swath_m / 2:
            spans[-1][1] = max(spans[-1][1], end)
        else:
            spans.append([start, end])
    if lane.is_closed and spans and spans[0][0] < swath_m / 2 and spans[-1][1] > lane.length - swath_m / 2:
        spans[0][0], spans[-1][1] = 0.0, lane.length
    for start, end in (_span(lane, piece, swath_m) for piece in polygons_of(meet(untreated, band))):
        spans = [part for low, high in spans for part in ([low, min(high, start)], [max(low, end), high])]
    return [substring(lane, start, end) for start, end in spans if end - start >= min(swath_m, lane.length) / 2]


def _span(lane: Geometry, piece: Geometry, swath_m: float) -> tuple[float, float]:
    """Return from where to where along a lane a piece of its band lies, m."""
    places = shapely.points(shapely.get_coordinates(shapely.segmentize(piece.exterior, swath_m / 2)))
    along = shapely.line_locate_point(lane, places)
    return float(along.min()), float(along.max())


def _cut_passes(passes: Lane, off_limits: Geometry, swath_m: float) -> Lane:
    """Return the parts of passes outside what the middle of the boom may not enter."""
    parts = shapely.get_parts(shapely.difference(np.array(passes, dtype=object), off_limits))
    return [part for part in parts if part.length >= swath_m / 2]


def _sweep(lanes: list[Lane], swath_m: float) -> Geometry:
    """Return the ground under a whole boom along the passes of lanes."""
    lines = np.array([line for passes in lanes for line in passes], dtype=object)
    return shapely.union_all(shapely.buffer(lines, swath_m / 2, cap_style="flat"))


def _to_and_fro(passes: Lane, number: int) -> Lane:
    return [shapely.reverse(line) for line in reversed(passes)] if number % 2 else passes


def _tee_first(drive: Drive, greens: gpd.GeoDataFrame) -> tuple[Any, ...]:
    """Return what drives are sorted by: hole, then the way from the tee to the green."""
    own = greens[greens["hole"] == drive.hole]
    middle = shapely.centroid(shapely.multilinestrings(list(drive.passes))) if drive.passes else None
    far_m = 0.0 if own.empty or middle is None else float(shapely.distance(own.union_all(), middle))
    return hole_key(drive.hole), -far_m, drive.zone_ids


def _from_end_to_start(drives: Sequence[Drive]) -> Iterator[Drive]:
    """Yield the drives in order, each begun at the end that is nearer to where the one before ended."""
    last = None
    for drive in drives:
        lines = drive.passes
        if lines and last is not None:
            first, end = (shapely.get_point(lines[at], at) for at in (0, -1))
            if shapely.distance(last, end) < shapely.distance(last, first):
                lines = tuple(shapely.reverse(line) for line in reversed(lines))
        last = shapely.get_point(lines[-1], -1) if lines else last
        yield replace(drive, passes=lines)


@dataclass(frozen=True, slots=True)
class ZonePlace:
    """Where a zone lies on its surface, for a crew's words.

    Parameters
    ----------
    part : str
        Of a long surface: ``all``, ``full width``, ``left edge``, ``right edge``, ``left side``, ``right side``,
        ``both edges``, ``middle`` or ``patches``, seen facing the green. Of a round one: ``all``, ``rim`` (all round
        its edge), ``hours`` (its edge between two hours) or ``middle``. ``towards`` where nothing else is to go by.
    start_m, end_m, whole_m : float
        From where to where along the middle line, from the green end (a tee's front), and how long that is, m.
    piece : tuple of int
        Which piece of the hole's turf of that kind, from the green, of how many.
    hours : tuple of float
        From which hour to which, clockwise.
    seen_from : str
        What six o'clock faces.
    way : str
        The side of the surface, as a compass has it.
    paced : str
        For a check strip, the words that lead to its middle; empty where none lead near enough.
    """

    part: str
    start_m: float = 0.0
    end_m: float = 0.0
    whole_m: float = 0.0
    piece: tuple[int, int] = (1, 1)
    hours: tuple[float, float] = (0.0, 0.0)
    seen_from: str = ""
    way: str = ""
    paced: str = ""


def find_places(zones: gpd.GeoDataFrame, ground: Ground, *, units: Units = "us") -> dict[str, ZonePlace]:
    """Return where each zone lies on its surface, by the zone's id."""
    from geosample.sheets.finding import PACE_M, take_sights, write_finding

    outlines = ground.surfaces.set_index("surface_id").geometry
    checks = zones["action"] == "check"
    in_part = zones[checks | (zones["area_m2"] < _NEARLY_ALL * zones["surface_id"].map(outlines.area))]
    sights = {name: take_sights(ground.surfaces, name) for name in in_part["surface_id"].unique()}
    found = dict.fromkeys(zones["zone_id"], ZonePlace("all"))
    for row in in_part.itertuples():
        seen = sights[row.surface_id]
        found[row.zone_id] = _find_place(row.geometry, outlines[row.surface_id], seen)
        if row.action == "check":
            middle = row.geometry.representative_point()
            words = write_finding(seen, np.array([middle.x, middle.y]), pace_m=PACE_M, units=units)
            found[row.zone_id] = replace(found[row.zone_id], paced=words)
    return found


def _find_place(zone: Geometry, surface: Geometry, sights: Sights) -> ZonePlace:
    if sights.kind in _ROUND_KINDS and sights.clock is not None:
        return _place_on_dial(zone, surface, sights.clock)
    if sights.lines:
        return _place_along(zone, sights.lines)
    from geosample.sheets.finding import tell_way

    middles = (shapely.get_coordinates(shapely.centroid(shape))[0] for shape in (zone, surface))
    return ZonePlace("towards", way=tell_way(np.subtract(*middles)))


def _place_on_dial(zone: Geometry, surface: Geometry, clock: Clock) -> ZonePlace:
    """Return between which hours a zone lies on its surface's edge."""
    from geosample.sheets.finding import tell_hours

    rim = shapely.get_coordinates(shapely.segmentize(shapely.boundary(fill_holes(surface, float("inf"))), 1.0))
    touched = shapely.distance(shapely.points(rim), zone) < _RIM_M
    if not touched.any():
        return ZonePlace("middle", seen_from=clock.seen_from)
    hours = np.sort([tell_hours(clock, *place) for place in rim[touched]])
    gaps = np.diff(np.append(hours, hours[0] + 12))
    widest = int(np.argmax(gaps))
    if gaps[widest] < 1:
        return ZonePlace("rim", seen_from=clock.seen_from)
    first, last = float(hours[(widest + 1) % len(hours)]), float(hours[widest])
    return ZonePlace("hours", hours=(first, last), seen_from=clock.seen_from)


def _place_along(zone: Geometry, lines: Sequence[MiddleLine]) -> ZonePlace:
    """Return which stretch of a long surface a zone takes, and which part of its width."""
    number = int(np.argmax([shapely.intersection(line.outline, zone).area for line in lines]))
    line = lines[number]
    step_m = float(np.sqrt(line.outline.area / _SPOTS))
    west, south, east, north = line.outline.bounds
    spots = np.stack(np.meshgrid(np.arange(west, east, step_m), np.arange(south, north, step_m)), -1).reshape(-1, 2)
    spots = spots[shapely.contains_xy(line.outline, spots)]
    inside = shapely.contains_xy(zone, spots)
    nearest = cKDTree(line.places).query(spots)[1]
    run_m = np.append(0.0, np.cumsum(np.hypot(*np.diff(line.places, axis=0).T)))
    along_m, whole_m = run_m[nearest], float(run_m[-1])
    if not inside.any():
        return ZonePlace("patches")
    start_m, end_m = float(along_m[inside].min()), float(along_m[inside].max())
    left = np.column_stack([line.ways[:, 1], -line.ways[:, 0]])[nearest]  # of somebody facing the green
    off_m = ((spots - line.places[nearest]) * left).sum(axis=1)
    edge_m = shapely.distance(shapely.points(spots), shapely.boundary(fill_holes(line.outline, float("inf"))))
    across = off_m / np.maximum(np.abs(off_m) + edge_m, step_m)
    there = (along_m >= start_m) & (along_m <= end_m)
    thirds = {"left": across > 1 / 3, "middle": np.abs(across) <= 1 / 3, "right": across < -1 / 3}
    taken = tuple(
        name
        for name, third in thirds.items()
        if (inside & there & third).sum() >= _MOST_OF_THIRD * max((there & third).sum(), 1)
    )
    return ZonePlace(_PARTS.get(taken, "patches"), start_m, end_m, whole_m, (number + 1, len(lines)))
