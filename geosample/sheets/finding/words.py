"""Words that lead a crew to a point without a receiver, and the way back from the words to a place.

Every sentence is read back before it is used: one that would lead more than ``GREEN_WITHIN_M`` or
``LONG_WITHIN_M`` away is said more finely, or not at all.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

from geosample.sheets.finding.clock import Clock, reach_edge, set_clock, show_hours, tell_hours, walk_in
from geosample.sheets.finding.middle import MiddleLine, find_middle, reach_side, tell_along, walk_along
from geosample.units import FOOT_M, Units

if TYPE_CHECKING:
    import geopandas as gpd
    from shapely import Geometry

GREEN_WITHIN_M = 1.2
LONG_WITHIN_M = 3.0
NEAR_GREEN_M = 30.0
DIAL_KINDS = ("green", "collar")
LONG_KINDS = ("fairway", "approach", "tee")
_MINUTES = (15, 10, 5)
_ON_LINE_PACES = 0.5
_MOST_PACES = 100
"""More than this nobody counts: farther out it is told in yards or metres, for markers and range finders (P)."""
_FAR_UNITS = {"yd": 3 * FOOT_M, "m": 1.0}
_DIAL = re.compile(r"(\d+):(\d\d) o'clock .*?, (?:(at)|([\d½]+) (paces?|ft|cm) (in|out) from) ")
_PIECE = re.compile(r"piece (\d+) of \d+")
_LONG = re.compile(
    r"(\d+) (paces?|yd|m)(?: \(\d+ paces\))? from the \w+ end along the middle line, "
    r"(?:(on) it|(?:([\d½]+) paces? (in from the|to the)|at the) (left|right))"
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
    """

    kind: str
    clock: Clock | None
    outline: Geometry | None
    lines: tuple[MiddleLine, ...]


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
    shapes = row.geometry if alike is None else alike.geometry.to_numpy()
    pieces = shapely.get_parts(shapes) if row["kind"] in LONG_KINDS else []
    lines = [find_middle(piece, near) for piece in _nearest_first(pieces, near)]
    clock = set_clock(surfaces, near, hole) if near is not None else None
    return Sights(row["kind"], clock, near, tuple(line for line in lines if line is not None))


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
        tries, within_m = [*_say_long(sights, place, pace_m, units), *_say_out(sights, place, pace_m)], LONG_WITHIN_M
    for words in tries:
        back = read_finding(words, sights, pace_m=pace_m)
        if back is not None and math.dist(back, place) <= within_m:
            return words
    return ""


def read_finding(words: str, sights: Sights, *, pace_m: float) -> np.ndarray | None:
    """Return the place the words lead to, (easting, northing) in m, or None where they are not such words."""
    dial, along = _DIAL.search(words), _LONG.search(words)
    if dial and sights.clock is not None:
        hours = int(dial[1]) + int(dial[2]) / 60
        in_m = 0.0 if dial[3] else _read_half(dial[4]) * {"ft": FOOT_M, "cm": 0.01}.get(dial[5], pace_m)
        return walk_in(sights.clock, sights.outline, hours, -in_m if dial[6] == "out" else in_m)
    if along and sights.lines:
        return _read_long(along, sights.lines[_piece_named(words) - 1], pace_m)
    return None


def _nearest_first(pieces: list[Geometry], green: Geometry | None) -> list[Geometry]:
    if green is None:
        return sorted(pieces, key=lambda piece: -piece.area)
    return sorted(pieces, key=lambda piece: float(shapely.distance(piece, green)))


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
    edge = "the green's edge" if sights.kind == "green" else "the collar's outer edge"
    start = f"{show_hours(hours)} o'clock from {clock.seen_from}, "
    if steps == 0:
        return f"{start}at {edge}"
    if unit == "cm":
        return f"{start}{steps * 10} cm in from {edge}"
    return f"{start}{show_half(steps / 2)} {_paces(steps / 2) if unit == 'pace' else unit} in from {edge}"


def _say_out(sights: Sights, place: np.ndarray, pace_m: float) -> list[str]:
    """Return how to get to a place off the green but near it, for turf that wraps round a green."""
    if sights.clock is None or shapely.distance(sights.outline, shapely.Point(place)) > NEAR_GREEN_M:
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
    told_m, far = _say_along(along_m, pace_m, units)
    start = f"{piece}{far} from the {_end_of(sights.kind)} end along the middle line, "
    side = "left" if left_m > 0 else "right"
    off = round(2 * abs(left_m) / pace_m) / 2
    in_m = reach_side(line, told_m, side) - abs(left_m)
    inner = f"{_say_in(in_m / pace_m)} the {side} (facing the green)"
    outer = f"{show_half(off)} {_paces(off)} to the {side} (facing the green)"
    if off <= _ON_LINE_PACES:
        return [f"{start}on it", start + outer]
    return [start + inner, start + outer] if in_m > 0 else [start + outer]


def _say_along(along_m: float, pace_m: float, units: Units) -> tuple[float, str]:
    """Return how far along it is, as told: in m, and in words."""
    paces = round(along_m / pace_m)
    if paces <= _MOST_PACES:
        return paces * pace_m, f"{paces} {_paces(paces)}"
    unit = "yd" if units == "us" else "m"
    number = round(along_m / _FAR_UNITS[unit])
    return number * _FAR_UNITS[unit], f"{number} {unit} ({paces} paces)"


def _say_in(paces: float) -> str:
    return f"{show_half(paces)} {_paces(paces)} in from" if round(paces * 2) else "at"


def _end_of(kind: str) -> str:
    return "front" if kind == "tee" else "green"


def _paces(number: float) -> str:
    return "pace" if round(number * 2) in (1, 2) else "paces"


def _piece_named(words: str) -> int:
    named = _PIECE.search(words)
    return int(named[1]) if named else 1


def _read_half(text: str) -> float:
    return float(text.replace("½", "") or 0) + (0.5 if "½" in text else 0.0)


def _read_long(found: re.Match[str], line: MiddleLine, pace_m: float) -> np.ndarray:
    along_m = int(found[1]) * _FAR_UNITS.get(found[2], pace_m)
    if found[3]:
        return walk_along(line, along_m, 0.0)
    paces_m, way = _read_half(found[4] or "0") * pace_m, 1 if found[6] == "left" else -1
    left_m = way * (paces_m if found[5] == "to the" else reach_side(line, along_m, found[6]) - paces_m)
    return walk_along(line, along_m, left_m)


def show_half(number: float) -> str:
    """Return a number of half steps as it is said.

    Examples
    --------
    >>> [show_half(n) for n in (0.5, 1.0, 7.5)]
    ['½', '1', '7½']
    """
    whole, half = divmod(round(number * 2), 2)
    return f"{whole or ''}½" if half else str(whole)
