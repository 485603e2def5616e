"""Finding words: a point by clock, paces and yards, since a phone's fix is wider than a collar.

On greens and collars a point is told by the clock and the paces in from the edge. Along a fairway it is told from what
is near: the green end or the tee end, paced along the middle; farther out by the distance to the green's middle, for a
range finder. Across, by the paces in from its side.

Every sentence is read back before it is used: one that would lead more than ``GREEN_WITHIN_M`` or ``LONG_WITHIN_M``
away, or whose side is not where the turf's true edge lies, is said more finely, or not at all.

The middle line of a long surface is the longest way through the ridges of the Voronoi diagram of points along the
outline: each ridge lies as far from one side as from the other. Ridges that a neck parts are joined over it. The line
is smoothed over about a width and carried on straight to the ends.

References
----------
Blum 1967, A transformation for extracting new descriptors of shape (the medial axis).
Brandt & Algazi 1992, Continuous skeleton computation by Voronoi diagram, CVGIP: Image Understanding 55:329-338.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import shapely
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components, dijkstra
from scipy.spatial import Voronoi, cKDTree

from geosample.errors import GroundError, Problem, SheetsError
from geosample.ground import open_shapes
from geosample.units import FOOT_M, INCH_M, Units

if TYPE_CHECKING:
    import geopandas as gpd
    import pyproj
    from shapely import Geometry

    from geosample.design import Design
    from geosample.ground import Ground

PACE_M = 30 * INCH_M
"""A pace, m (common practice, no source): the user's to set."""
NO_WORDS = "nothing to pace from: go by the waypoint and the map"


def add_finding(
    design: Design,
    ground: Ground,
    *,
    pace_m: float,
    units: Units = "us",
    landmarks: gpd.GeoDataFrame | None = None,
) -> Design:
    """Return the design with its points' ``finding`` filled in.

    Parameters
    ----------
    design : Design
        The points.
    ground : Ground
        The surfaces they lie on.
    pace_m : float
        Length of a pace, m.
    units : str
        For the feet or centimetres across a collar.
    landmarks : GeoDataFrame, optional
        Points with a ``name``, in the ground's CRS.
    """
    ids = design.points["surface_id"]
    sights = {surface_id: take_sights(ground.surfaces, surface_id) for surface_id in dict.fromkeys(ids)}
    words = []
    for surface_id, place in zip(ids, shapely.get_coordinates(design.points.geometry.to_numpy()), strict=True):
        paced = write_finding(sights[surface_id], place, pace_m=pace_m, units=units)
        marked = tell_landmark(landmarks, place, pace_m=pace_m)
        words.append("; ".join(text for text in (paced, marked) if text) or NO_WORDS)
    return replace(design, points=design.points.assign(finding=words))


GREEN_WITHIN_M = 1.2
LONG_WITHIN_M = 3.0
FAR_WITHIN_M, FAR_M = 6.0, 137.16
"""Beyond 150 yards of the green twice as much is let pass: the edges of a fairway are seen at a slant from there."""
NEAR_GREEN_PACES = 25
"""So near a green the clock tells more than an end of the fairway, which may wrap round it (own choice)."""
DIAL_KINDS = ("green", "collar")
LONG_KINDS = ("fairway", "approach", "tee")
MOST_PACES = 60
"""More than this nobody counts: farther off it is told in yards or metres, for range finders (common practice)."""
_MINUTES = (15, 10, 5)
_ON_LINE_PACES = 0.5
_FAR_UNITS = {"yd": 3 * FOOT_M, "m": 1.0}
_JOIN_M = 8.0
"""A bunker, path or ditch twice as wide parts no fairway: it is paced as one."""
_CRUMB = 0.1
"""What is smaller than this share of a hole's largest piece is no piece to count."""
_FAN = np.radians(np.linspace(-50, 50, 11))
_LOOK_BACK_M, _BEYOND_M, _ASIDE_M = 45.0, 3.0, 18.0
"""Seen from so far back, an end with turf so much farther out, or as far out so much aside, is not clear (own choice):
nothing is paced from it."""
_DIAL = re.compile(r"(\d+):(\d\d) o'clock .*?, (?:(at)|([\d½]+) (paces?|ft|cm) (in|out) from) ")
_PIECE = re.compile(r"piece (\d+) of \d+")
_LONG = re.compile(
    r"(\d+) (paces?|yd|m) (?:from (?:the ([\w-]+) end|(the green's edge))|to the middle of the green), "
    r"(?:(on) the middle line|(?:([\d½]+) paces? (in from|off the middle to)|(at)) the (left|right))"
)


@dataclass(frozen=True, slots=True)
class Sights:
    """What the words of one surface go by.

    Parameters
    ----------
    kind : str
        The surface's kind.
    clock : Clock or None
        The dial of its green, or of its hole's.
    outline : Geometry
        The edge that clock positions count paces from: the green's, or the collar's outer one.
    lines : tuple of MiddleLine
        The middle lines of its pieces, on long kinds.
    ends : tuple of str
        What the two ends of a middle line are called, the near one first.
    """

    kind: str
    clock: Clock | None
    outline: Geometry | None
    lines: tuple[MiddleLine, ...]
    ends: tuple[str, str] = ("green", "tee")


def take_sights(surfaces: gpd.GeoDataFrame, surface_id: str) -> Sights:
    """Return what the words of a surface go by."""
    row = surfaces[surfaces["surface_id"] == surface_id].iloc[0]
    hole = row["hole"] if isinstance(row["hole"], str) else None
    greens = surfaces[surfaces["kind"] == "green"]
    own = greens[greens["hole"] == hole] if hole is not None else greens
    near = own.iloc[int(np.argmin(own.geometry.distance(row.geometry)))].geometry if len(own) else None
    if row["kind"] in DIAL_KINDS:
        dial = row.geometry if row["kind"] == "green" or near is None else near
        outline = row.geometry if row["kind"] == "green" or near is None else shapely.union(row.geometry, near)
        return Sights(row["kind"], set_clock(surfaces, dial, hole), outline, ())
    # All of that kind on the hole: a fairway cut by a creek is paced piece by piece, whoever drew it as one or three.
    alike = surfaces[(surfaces["kind"] == row["kind"]) & (surfaces["hole"] == hole)] if hole is not None else None
    shapes = row.geometry if alike is None else shapely.union_all(alike.geometry.to_numpy())
    lines = [find_middle(piece, near) for piece in _pieces(shapes, near)] if row["kind"] in LONG_KINDS else []
    clock = set_clock(surfaces, near, hole) if near is not None else None
    ends = ("front", "back") if row["kind"] == "tee" else ("green", "tee")
    found = tuple(line for line in lines if line is not None)
    if near is None and found:
        way = found[0].places[0] - found[0].places[-1]
        ends = (tell_way(way), tell_way(-way))
    return Sights(row["kind"], clock, near, found, ends)


def _pieces(shapes: Geometry, green: Geometry | None) -> list[Geometry]:
    """Return the pieces of a fairway worth counting, the nearest to the green first: what a step parts is one piece."""
    filled = shapely.union_all([shapely.Polygon(part.exterior) for part in shapely.get_parts(shapes)])
    joined = shapely.get_parts(shapely.buffer(shapely.buffer(filled, _JOIN_M), -_JOIN_M))
    pieces = [shapely.intersection(filled, shapely.buffer(whole, 0.01)) for whole in joined]
    areas = [float(shapely.area(shapely.intersection(piece, shapes))) for piece in pieces]
    worth = [piece for piece, area in zip(pieces, areas, strict=True) if area >= _CRUMB * max(areas)]
    if green is None:
        return sorted(worth, key=lambda piece: -float(piece.area))
    return sorted(worth, key=lambda piece: float(shapely.distance(piece, green)))


def write_finding(sights: Sights, place: np.ndarray, *, pace_m: float, units: Units = "us") -> str:
    """Return the words that lead to a place, or an empty text where none would lead near enough.

    Parameters
    ----------
    place : ndarray, shape (2,)
        Easting and northing, m.
    pace_m : float
        Length of a pace, m.
    units : str
        For the few feet across a collar.
    """
    if sights.kind in DIAL_KINDS and sights.clock is not None:
        step = _in_steps(sights.kind, pace_m, units)
        tries = [_say_dial(sights, sights.clock, place, minutes, step) for minutes in _MINUTES]
        within_m = GREEN_WITHIN_M
    else:
        out, long = _say_out(sights, place, pace_m), _say_long(sights, place, pace_m, units)
        near = bool(out) and shapely.distance(sights.outline, shapely.Point(place)) <= NEAR_GREEN_PACES * pace_m
        tries = [*out, *long] if near else [*long, *out]
        far = sights.clock and math.dist(place, (sights.clock.easting, sights.clock.northing)) > FAR_M
        within_m = FAR_WITHIN_M if far else LONG_WITHIN_M
    for words in tries:
        back = read_finding(words, sights, pace_m=pace_m)
        if back is not None and math.dist(back, place) <= within_m:
            return words
    return ""


def read_finding(words: str, sights: Sights, *, pace_m: float) -> np.ndarray | None:
    """Return the place the words lead to, (easting, northing) in m, or None where they are not such words.

    Distances across are counted from the turf's edge as the line meets it; ``write_finding`` holds them against the
    true edge.
    """
    dial, along = _DIAL.search(words), _LONG.search(words)
    if dial and sights.clock is not None:
        hours = int(dial[1]) + int(dial[2]) / 60
        in_m = 0.0 if dial[3] else _read_half(dial[4]) * {"ft": FOOT_M, "cm": 0.01}.get(dial[5], pace_m)
        return walk_in(sights.clock, sights.outline, hours, -in_m if dial[6] == "out" else in_m)
    if along and sights.lines:
        named = _PIECE.search(words)
        return _read_long(along, sights, sights.lines[int(named[1]) - 1 if named else 0], pace_m)
    return None


def _in_steps(kind: str, pace_m: float, units: Units) -> tuple[float, str]:
    """Return the step counted in from the edge, m, and its unit: a collar is about a pace wide, so feet or cm there."""
    if kind != "collar":
        return pace_m / 2, "pace"
    return (FOOT_M / 2, "ft") if units == "us" else (0.1, "cm")


def _say_dial(sights: Sights, clock: Clock, place: np.ndarray, minutes: int, step: tuple[float, str]) -> str:
    step_m, unit = step
    hours = round(tell_hours(clock, *place) * 60 / minutes) * minutes / 60
    in_m = reach_edge(clock, sights.outline, hours) - math.dist(place, (clock.easting, clock.northing))
    if sights.kind == "collar":  # a rounded hour's ray leaves it at a slant: what the crew measures is the way across
        in_m = float(shapely.distance(shapely.Point(place), shapely.boundary(sights.outline)))
    steps = max(0, round(in_m / step_m))
    edge = "the edge" if sights.kind == "green" else "the collar's outer edge"
    start = f"{show_hours(hours)} o'clock from {clock.seen_from}, "
    if steps == 0:
        return f"{start}at {edge}"
    if unit == "cm":
        return f"{start}{steps * 10} cm in from {edge}"
    return f"{start}{show_half(steps / 2)} {_paces(steps / 2) if unit == 'pace' else unit} in from {edge}"


def _say_out(sights: Sights, place: np.ndarray, pace_m: float) -> list[str]:
    """Return how to get to a place off the green but near it, for turf that wraps round a green."""
    if sights.clock is None or shapely.distance(sights.outline, shapely.Point(place)) > MOST_PACES * pace_m:
        return []
    words = []
    for minutes in _MINUTES:
        hours = round(tell_hours(sights.clock, *place) * 60 / minutes) * minutes / 60
        far_m = math.dist(place, (sights.clock.easting, sights.clock.northing))
        paces = (far_m - reach_edge(sights.clock, sights.outline, hours)) / pace_m
        out = f"{show_half(paces)} {_paces(paces)} out from the green's edge"
        words.append(f"{show_hours(hours)} o'clock from {sights.clock.seen_from}, {out}")
    return words


def _say_long(sights: Sights, place: np.ndarray, pace_m: float, units: Units) -> list[str]:
    """Return sentences in order of preference: in from the nearer side, then off the middle line."""
    if not sights.lines:
        return []
    spot = shapely.Point(place)
    number = int(np.argmin([shapely.distance(line.outline, spot) for line in sights.lines]))
    line = sights.lines[number]
    piece = f"piece {number + 1} of {len(sights.lines)} from the green: " if len(sights.lines) > 1 else ""
    along_m, left_m = tell_along(line, place)
    starts = _say_along(sights, line, place, along_m, pace_m, units)
    return [f"{piece}{start}, {way}" for start in starts for way in _say_across(line, place, along_m, left_m, pace_m)]


def _say_along(
    sights: Sights, line: MiddleLine, place: np.ndarray, along_m: float, pace_m: float, units: Units
) -> list[str]:
    """Return how far along it is, from what is nearest: what can be paced from, else for a range finder."""
    green = sights.outline if sights.clock is not None and sights.kind != "tee" else None
    near = [(line.length_m - along_m, f"the {sights.ends[1]} end")] if line.clear[1] else []
    if green is not None:
        near.append((float(shapely.distance(green, shapely.Point(place))), "the green's edge"))
    elif line.clear[0]:
        near.append((along_m, f"the {sights.ends[0]} end"))
    paces = [(round(far_m / pace_m), what) for far_m, what in sorted(near)]
    told = [f"{number} {_paces(number)} from {what}" for number, what in paces if number <= MOST_PACES]
    unit = "yd" if units == "us" else "m"
    if green is not None and sights.clock is not None:
        far_m = math.dist(place, (sights.clock.easting, sights.clock.northing))
        return [*told, f"{round(far_m / _FAR_UNITS[unit])} {unit} to the middle of the green"]
    far = sorted((math.dist(place, line.places[number]), end) for number, end in zip((0, -1), sights.ends, strict=True))
    return [*told, *(f"{round(far_m / _FAR_UNITS[unit])} {unit} from the {end} end" for far_m, end in far)]


def _say_across(line: MiddleLine, place: np.ndarray, along_m: float, left_m: float, pace_m: float) -> list[str]:
    """Return where it lies across: on the middle, in from the turf's true edge on the nearer side, off the middle."""
    edge_m = {side: _edge_m(line, place, along_m, side) for side in ("left", "right")}
    off_m = (edge_m["right"] - edge_m["left"]) / 2
    said = ["on the middle line"] if max(abs(off_m), abs(left_m)) <= _ON_LINE_PACES * pace_m else []
    for side in sorted(edge_m, key=lambda side: edge_m[side]):
        paces = edge_m[side] / pace_m
        if paces <= MOST_PACES:
            said.append(
                f"{show_half(paces)} {_paces(paces)} in from the {side}" if round(2 * paces) else f"at the {side}"
            )
    if abs(off_m - left_m) <= LONG_WITHIN_M / 2:
        paces, side = abs(left_m) / pace_m, "left" if left_m > 0 else "right"
        said.append(f"{show_half(paces)} {_paces(paces)} off the middle to the {side}")
    return said


def _edge_m(line: MiddleLine, place: np.ndarray, along_m: float, side: str) -> float:
    """Return how far off the turf's true edge on a side is, m, for somebody who looks for its nearest part there."""
    left = _left_of(line.ways)[_station(line, along_m)] * (1 if side == "left" else -1)
    angle = math.atan2(left[1], left[0]) + _FAN
    fan = shapely.Polygon([place, *(place + _FAR_M / 4 * np.column_stack([np.cos(angle), np.sin(angle)]))])
    edge = shapely.intersection(shapely.boundary(line.outline), fan)
    return float(np.nan_to_num(shapely.distance(edge, shapely.Point(place)), nan=np.inf))


def _paces(number: float) -> str:
    return "pace" if round(number * 2) in (1, 2) else "paces"


def _read_half(text: str) -> float:
    return float(text.replace("½", "") or 0) + (0.5 if "½" in text else 0.0)


def _read_long(found: re.Match[str], sights: Sights, line: MiddleLine, pace_m: float) -> np.ndarray | None:
    """Return the place along a line and across it; None where a distance fits two places far apart."""
    far, unit, end, edge, on, across, way, _, side = found.groups()
    left = _left_of(line.ways)
    sign = 1 if side == "left" else -1
    reach_m = line.reach_m[:, int(side == "right")]
    paces_m = _read_half(across or "0") * pace_m
    off_middle = bool(on) or way == "off the middle to"
    off_m = sign * (np.full(len(left), paces_m) if off_middle else reach_m - paces_m)
    places = line.places + off_m[:, None] * left
    far_m = int(far) * _FAR_UNITS.get(unit, pace_m)
    if end and unit.startswith("pace"):
        return np.asarray(places[_station(line, far_m if end == sights.ends[0] else line.length_m - far_m)])
    if edge:
        gaps_m = shapely.distance(sights.outline, shapely.points(places))
    elif end or sights.clock is None:
        gaps_m = np.hypot(*(places - line.places[0 if end == sights.ends[0] else -1]).T)
    else:
        gaps_m = np.hypot(*(places - [sights.clock.easting, sights.clock.northing]).T)
    fits = np.flatnonzero(np.diff(np.sign(gaps_m - far_m)) != 0)
    if not len(fits) or np.ptp(fits) * _STEP_M > 2 * LONG_WITHIN_M:
        return None
    return np.asarray(places[fits[len(fits) // 2]])


def show_half(number: float) -> str:
    """Return a number of half steps as it is said.

    Examples
    --------
    >>> [show_half(n) for n in (0.5, 1.0, 7.5)]
    ['½', '1', '7½']
    """
    whole, half = divmod(round(number * 2), 2)
    return f"{whole or ''}½" if half else str(whole)


_DIAL_FAR_M = 500.0
LOOK_M = 80.0
"""How far round the green's middle the fairway side is looked for, m."""
_LEAST_M = 5.0  # a fairway whose middle lies nearer than this gives no side


@dataclass(frozen=True, slots=True)
class Clock:
    """A green as a dial.

    Parameters
    ----------
    easting, northing : float
        Its middle, m.
    six_deg : float
        Direction of six o'clock from the middle, degrees anticlockwise from east.
    seen_from : str
        What six o'clock faces, in words.
    """

    easting: float
    northing: float
    six_deg: float
    seen_from: str


def set_clock(surfaces: gpd.GeoDataFrame, green: Geometry, hole: str | None) -> Clock:
    """Return the dial of a green: six o'clock toward its fairway, else toward its tee, else south.

    Parameters
    ----------
    surfaces : GeoDataFrame
        The ground's surfaces.
    green : Geometry
        The green's polygon, m.
    hole : str or None
        Whose fairway and tee are looked for.
    """
    middle = _middle_of(green)
    near = shapely.buffer(shapely.Point(middle), LOOK_M)
    own = (
        surfaces[surfaces["hole"] == hole] if hole is not None else surfaces[surfaces.geometry.distance(green) < LOOK_M]
    )
    sides = (
        ("the fairway side", shapely.intersection(_union(own, ("fairway", "approach")), near)),
        ("the fairway side", _union(own, ("fairway", "approach"))),
        ("the tee side", _union(own, ("tee",))),
    )
    for words, shape in sides:
        if not shapely.is_empty(shape):
            way = np.subtract(shapely.get_coordinates(shapely.centroid(shape))[0], middle)
            if np.hypot(*way) > _LEAST_M:
                return Clock(*middle, math.degrees(math.atan2(way[1], way[0])), words)
    return Clock(*middle, -90.0, "the south side")


def tell_hours(clock: Clock, easting: float, northing: float) -> float:
    """Return the hour of a place on the dial, 0 to 12, not rounded.

    Examples
    --------
    >>> south = Clock(0.0, 0.0, -90.0, "the south side")
    >>> round(tell_hours(south, -5.0, 0.0), 9), round(tell_hours(south, 0.0, -5.0), 9)
    (9.0, 6.0)
    """
    angle = math.degrees(math.atan2(northing - clock.northing, easting - clock.easting))
    return (6 + (clock.six_deg - angle) / 30) % 12


def hour_ray(clock: Clock, hours: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the middle, and the unit vector from it toward an hour."""
    angle = math.radians(clock.six_deg - (hours - 6) * 30)
    return np.array([clock.easting, clock.northing]), np.array([math.cos(angle), math.sin(angle)])


def reach_edge(clock: Clock, outline: Geometry, hours: float) -> float:
    """Return how far the outline's outermost edge lies from the middle toward an hour, m; 0 where it has none there."""
    middle, way = hour_ray(clock, hours)
    ray = shapely.LineString([middle, middle + _DIAL_FAR_M * way])
    crossed = shapely.get_coordinates(shapely.intersection(ray, shapely.boundary(outline)))
    return float(np.hypot(*(crossed - middle).T).max()) if len(crossed) else 0.0


def walk_in(clock: Clock, outline: Geometry, hours: float, in_m: float) -> np.ndarray:
    """Return the place reached from the outline's edge at an hour, going toward the middle, (easting, northing)."""
    middle, way = hour_ray(clock, hours)
    return np.asarray(middle + (reach_edge(clock, outline, hours) - in_m) * way)


def show_hours(hours: float) -> str:
    """Return an hour as it is said.

    Examples
    --------
    >>> show_hours(4.25), show_hours(0.0), show_hours(11.999)
    ('4:15', '12:00', '12:00')
    """
    minutes = round(hours * 60) % 720
    return f"{minutes // 60 or 12}:{minutes % 60:02d}"


def _middle_of(green: Geometry) -> tuple[float, float]:
    centre = shapely.centroid(green)
    inside = centre if shapely.intersects(green, centre) else shapely.point_on_surface(green)
    return float(inside.x), float(inside.y)


def _union(surfaces: gpd.GeoDataFrame, kinds: tuple[str, ...]) -> Geometry:
    return shapely.union_all(surfaces.geometry[surfaces["kind"].isin(kinds)].to_numpy())


_STEP_M = 0.5
_MOST_CORNERS = 400
_NOTCH_M = 3.0  # bays of the outline narrower than twice this do not bend the middle line
_FEWEST = 4
_SCRAP = 0.05
_FORK = 1.5
_FAR_M = 300.0
_LEAST_SHARE = 0.85
"""A middle line is at least this much of the farthest reach of its turf: a stub leads nowhere."""


@dataclass(frozen=True, slots=True)
class MiddleLine:
    """A line down the middle, from the green end to the far end.

    Parameters
    ----------
    places : ndarray, shape (n, 2)
        Easting and northing every half metre, m.
    ways : ndarray, shape (n, 2)
        Unit vectors along it, away from the green.
    outline : Geometry
        The surface without its holes, m.
    reach_m : ndarray, shape (n, 2)
        How far its left and its right side (facing the green) lie from each place, m.
    clear : tuple of bool
        Whether the turf ends where the line does, at its first place and at its last.
    """

    places: np.ndarray
    ways: np.ndarray
    outline: Geometry
    reach_m: np.ndarray
    clear: tuple[bool, bool]

    @property
    def length_m(self) -> float:
        """From end to end, m."""
        return (len(self.places) - 1) * _STEP_M


def find_middle(surface: Geometry, green_end: Geometry | None) -> MiddleLine | None:
    """Return a polygon's middle line, or None where it has none worth the name.

    Parameters
    ----------
    surface : Polygon
        A surface's piece, m; its holes are overlooked.
    green_end : Geometry, optional
        The line starts at the end nearer to it; at the northern end when None.
    """
    outline = shapely.union_all([shapely.Polygon(part.exterior) for part in shapely.get_parts(surface)])
    whole = shapely.buffer(shapely.buffer(outline, _JOIN_M), -_JOIN_M)
    whole = shapely.union(whole, outline)
    whole = shapely.Polygon(max(shapely.get_parts(whole), key=lambda part: part.area).exterior)
    calm = shapely.buffer(shapely.buffer(whole, _NOTCH_M), -_NOTCH_M)
    ridge = _longest_ridge(calm if calm.geom_type == "Polygon" else whole)
    line = None if ridge is None else _smooth(ridge, whole)
    if line is None or (len(line) - 1) * _STEP_M < _LEAST_SHARE * _reach(whole):
        return None
    goal = green_end if green_end is not None else shapely.Point(line[:, 0].mean(), line[:, 1].max() + _FAR_M)
    ends = shapely.distance(shapely.points(line[[0, -1]]), goal)
    line = line[::-1] if ends[1] < ends[0] else line
    ways = _unit(np.gradient(line, axis=0))
    clear = (_ends_clearly(line, outline), _ends_clearly(line[::-1], outline))
    return MiddleLine(line, ways, outline, _reach_sides(line, ways, outline), clear)


def _ends_clearly(line: np.ndarray, outline: Geometry) -> bool:
    """Return whether the turf seen from some way back ends where the line starts, and nowhere else."""
    corners = shapely.get_coordinates(shapely.segmentize(outline, 2.0))
    corners = corners[np.hypot(*(corners - line[0]).T) < _LOOK_BACK_M]
    back = line[min(int(_LOOK_BACK_M / _STEP_M), len(line) - 1)]
    beyond_m = np.hypot(*(corners - back).T) - math.dist(line[0], back)
    aside_m = np.hypot(*(corners - line[0]).T)
    return bool(beyond_m.max() <= _BEYOND_M and aside_m[beyond_m > -_BEYOND_M].max(initial=0.0) <= _ASIDE_M)


def _reach(shape: Geometry) -> float:
    """Return how far a shape reaches from end to end, m: no line down its whole length is much shorter."""
    corners = shapely.get_coordinates(shapely.convex_hull(shape))
    return float(np.hypot(*(corners[:, None] - corners[None, :]).transpose(2, 0, 1)).max())


def _reach_sides(places: np.ndarray, ways: np.ndarray, outline: Geometry) -> np.ndarray:
    """Return how far the turf's left and right edges lie from places on a line, m; 0 where a place is off the turf."""
    left, spots = _left_of(ways), shapely.points(places)
    sides = []
    for way in (left, -left):
        rays = shapely.linestrings(np.stack([places, places + _FAR_M * way], axis=1))
        parts, ray = shapely.get_parts(shapely.intersection(rays, outline), return_index=True)
        first = shapely.distance(parts, spots[ray]) < _STEP_M
        ends, part = shapely.get_coordinates(parts[first], return_index=True)
        far_m = np.zeros(len(places))
        np.maximum.at(far_m, ray[first][part], np.hypot(*(ends - places[ray[first][part]]).T))
        sides.append(far_m)
    return np.column_stack(sides)


def tell_along(line: MiddleLine, place: np.ndarray) -> tuple[float, float]:
    """Return how far along the line a place lies, m, and how far to its left, m, facing the green."""
    rest = place - line.places
    ahead = np.abs((rest * line.ways).sum(axis=1))
    left = (rest * _left_of(line.ways)).sum(axis=1)
    best = int(np.argmin(10 * ahead + np.abs(left)))
    return best * _STEP_M, float(left[best])


def _station(line: MiddleLine, along_m: float) -> int:
    return int(np.clip(round(along_m / _STEP_M), 0, len(line.places) - 1))


def _left_of(ways: np.ndarray) -> np.ndarray:
    """Return the left hand of somebody facing the green, who looks against the line's way."""
    return np.column_stack([ways[:, 1], -ways[:, 0]])


def _longest_ridge(outline: Geometry) -> np.ndarray | None:
    """Return the longest way through the medial axis, or None for an outline that is too small for one."""
    step_m = max(1.5, outline.length / _MOST_CORNERS)
    corners = shapely.get_coordinates(shapely.segmentize(outline.exterior, step_m))[:-1]
    diagram = Voronoi(np.unique(np.round(corners, 6), axis=0))
    inside = shapely.contains_xy(outline, diagram.vertices[:, 0], diagram.vertices[:, 1])
    ridges = np.array([pair for pair in diagram.ridge_vertices if min(pair) >= 0 and inside[pair].all()])
    if len(ridges) < _FEWEST:
        return None
    lengths = np.hypot(*(diagram.vertices[ridges[:, 0]] - diagram.vertices[ridges[:, 1]]).T) + 1e-9
    size = len(diagram.vertices)
    ends = ridges.astype(np.int32)  # what SciPy's graph routines take in every version
    graph = _join_parts(csr_array((lengths, (ends[:, 0], ends[:, 1])), shape=(size, size)), ends, diagram.vertices)
    _, part = connected_components(graph, directed=False)
    most = np.bincount(part[ends[:, 0]]).argmax()
    start = ends[part[ends[:, 0]] == most][0, 0]
    return np.asarray(diagram.vertices[_longest_way(graph, int(start))])


def _join_parts(graph: csr_array, ends: np.ndarray, vertices: np.ndarray) -> csr_array:
    """Return the graph with its parts joined where they come nearest: a neck of the turf holds no ridge of its own.

    A scrap of ridge, such as a thorn of the outline holds, joins nothing.
    """
    while True:
        _, part = connected_components(graph, directed=False)
        sizes = np.bincount(part[ends[:, 0]])
        large = np.flatnonzero(sizes > max(_FEWEST, _SCRAP * sizes.max()))
        if len(large) == 1:
            return graph
        nodes = np.unique(ends)
        main = nodes[part[nodes] == sizes.argmax()]
        others = nodes[np.isin(part[nodes], large) & (part[nodes] != sizes.argmax())]
        near_m, near = (np.asarray(found) for found in cKDTree(vertices[main]).query(vertices[others]))
        best = int(np.argmin(near_m))
        bridge = csr_array(([near_m[best] + 1e-9], ([main[near[best]]], [others[best]])), shape=graph.shape)
        graph = csr_array(graph + bridge)


def _longest_way(graph: csr_array, start: int) -> list[int]:
    """Return the nodes of the longest of the shortest ways (twice the farthest node: exact on a tree)."""
    first = _farthest(dijkstra(graph, directed=False, indices=np.array([start]))[0])
    far, before = dijkstra(graph, directed=False, indices=np.array([first]), return_predecessors=True)
    node, way = _farthest(far[0]), []
    while node >= 0:
        way.append(node)
        node = int(before[0, node])
    return way


def _farthest(far: np.ndarray) -> int:
    return int(np.argmax(np.where(np.isfinite(far), far, -1.0)))


def _smooth(ridge: np.ndarray, outline: Geometry) -> np.ndarray | None:
    """Return the ridge without its forks into corners, smoothed over about a width and carried to both ends."""
    from scipy.ndimage import uniform_filter1d  # slow to import, and only sheets need it

    clearance = shapely.distance(shapely.points(ridge), outline.exterior)
    along_m = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(ridge, axis=0).T))])
    # A fork runs into a corner at 45 degrees at most: it is 1.4 times as long as the turf is wide to either side.
    past = (along_m >= _FORK * clearance) & (along_m[-1] - along_m >= _FORK * clearance)
    wide = np.flatnonzero(past)
    trunk = shapely.LineString(ridge[wide[0] : wide[-1] + 1]) if len(wide) > 1 else None
    if trunk is None or trunk.length < 4 * _STEP_M:
        return None
    stations = shapely.line_interpolate_point(trunk, np.arange(0.0, trunk.length, _STEP_M))
    width = int(max(3, np.median(clearance) / _STEP_M))
    places = uniform_filter1d(shapely.get_coordinates(stations), width, axis=0, mode="nearest")
    return _to_the_ends(places, outline, width)


def _to_the_ends(places: np.ndarray, outline: Geometry, width: int) -> np.ndarray:
    reach = min(width, len(places) - 1)
    for _ in range(2):
        way = _unit(places[0] - places[reach])
        ray = shapely.intersection(shapely.LineString([places[0], places[0] + _FAR_M * way]), outline)
        ahead = [part for part in shapely.get_parts(ray) if shapely.distance(part, shapely.Point(places[0])) < _STEP_M]
        far_m = float(np.hypot(*(shapely.get_coordinates(ahead) - places[0]).T).max()) if ahead else 0.0
        more = places[0] + np.arange(far_m, 0.0, -_STEP_M)[:, None] * way
        places = np.vstack([more, places])[::-1]
    line = shapely.LineString(places)
    even = shapely.line_interpolate_point(line, np.arange(0.0, line.length, _STEP_M))
    return np.asarray(shapely.get_coordinates(even))


def _unit(ways: np.ndarray) -> np.ndarray:
    return np.asarray(ways / np.maximum(np.linalg.norm(ways, axis=-1, keepdims=True), 1e-12))


_LANDMARK_M = 40.0
"""A landmark farther than this helps nobody (common practice, no source), m."""
_NAMES = ("name", "label", "id", "number")
_MOVED_DAILY = ("cup", "pin", "flag", "hole", "tee")
_WAYS = ("east", "north-east", "north", "north-west", "west", "south-west", "south", "south-east")


def read_landmarks(path: str | Path, crs: pyproj.CRS) -> gpd.GeoDataFrame:
    """Return the landmarks of a vector file: name and geometry (points; the middle of anything else), in a CRS.

    Parameters
    ----------
    path : path
        Any vector file with a coordinate system and a column ``name``, ``label``, ``id`` or ``number``.
    crs : CRS
        The ground's.

    Raises
    ------
    SheetsError
        When it can't be read, is empty, has no coordinate system or no such column.
    """
    import geopandas as gpd

    where = str(path)
    try:
        frame = open_shapes(Path(path), where)
    except GroundError as error:
        raise SheetsError(error.problems) from error
    column = next((name for name in frame.columns if name.lower() in _NAMES), None)
    if column is None:
        found = f"columns {', '.join(frame.columns)}"
        expected = f"one of: {', '.join(_NAMES)}"
        raise SheetsError(Problem(where, found, expected, "rename the column that holds the landmarks' names"))
    kept = frame[frame.geometry.notna() & frame[column].notna()].to_crs(crs)
    return gpd.GeoDataFrame({"name": kept[column].astype(str)}, geometry=kept.geometry.centroid, crs=crs)


def named_landmarks(ground: Ground) -> gpd.GeoDataFrame | None:
    """Return the ground's own landmarks that have a name, as points; None where there are none."""
    marks = ground.landmarks
    if marks is None or marks.empty:
        return None
    named = marks[marks["name"].notna() & ~marks["name"].astype(str).str.strip().str.lower().isin(_MOVED_DAILY)]
    if named.empty:
        return None
    holes = named["hole"] if "hole" in named.columns else None
    names = named["name"].astype(str)
    if holes is not None:
        names = names.where(holes.isna(), "hole " + holes.astype(str) + "'s " + names)
    return named.assign(name=names, geometry=named.geometry.centroid)


def tell_landmark(landmarks: gpd.GeoDataFrame | None, place: np.ndarray, *, pace_m: float) -> str:
    """Return how to get to a place from the nearest landmark, or an empty text where none is near.

    Examples
    --------
    >>> import geopandas as gpd
    >>> heads = gpd.GeoDataFrame({"name": ["head 7-12"]}, geometry=[shapely.Point(0, 0)], crs=32618)
    >>> tell_landmark(heads, np.array([5.0, 5.0]), pace_m=0.762)
    '9 paces north-east of head 7-12'
    """
    if landmarks is None or landmarks.empty:
        return ""
    ways = place - shapely.get_coordinates(landmarks.geometry.to_numpy())
    far_m = np.hypot(*ways.T)
    nearest = int(np.argmin(far_m))
    name = landmarks["name"].iloc[nearest]
    if far_m[nearest] > _LANDMARK_M:
        return ""
    paces = round(float(far_m[nearest]) / pace_m)
    if paces == 0:
        return f"at {name}"
    return f"{paces} {'pace' if paces == 1 else 'paces'} {tell_way(ways[nearest])} of {name}"


def tell_way(way: np.ndarray) -> str:
    """Return the nearest of eight directions of a vector (east, north).

    Examples
    --------
    >>> tell_way(np.array([-1.0, 0.9]))
    'north-west'
    """
    return _WAYS[round(np.degrees(np.arctan2(way[1], way[0])) / 45) % 8]


def tell_leg(way: np.ndarray, pace_m: float, units: Units = "us") -> str:
    """Return the way from one point of the round to the next: how far by the corners it has, and in which direction.

    Examples
    --------
    >>> tell_leg(np.array([[0.0, 0.0], [0.0, -7.62]]), 0.762)
    '10 paces S'
    """
    letters = "".join(word[0] for word in tell_way(way[-1] - way[0]).split("-")).upper()
    return f"{show_paces(float(np.hypot(*np.diff(way, axis=0).T).sum()), pace_m, units)} {letters}"


def show_paces(far_m: float, pace_m: float, units: Units) -> str:
    """Return how far it is: in paces as long as people count them, else in yards or metres.

    Examples
    --------
    >>> show_paces(38.1, 0.762, "us"), show_paces(100.0, 0.762, "us"), show_paces(100.0, 0.762, "metric")
    ('50 paces', '109 yd', '100 m')
    """
    paces = round(far_m / pace_m)
    if paces <= MOST_PACES:
        return f"{paces} {_paces(paces)}"
    unit = "yd" if units == "us" else "m"
    return f"{round(far_m / _FAR_UNITS[unit])} {unit}"
