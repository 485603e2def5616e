"""A second reader of finding words, that knows no middle line: it measures the turf itself.

Distances along are walked cell by cell from the end of the whole turf, those to the green's middle are straight, those
across run to the turf's true edge on the side named. ``miss_m`` says how far off the words are at a place.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import cKDTree
from shapely import Geometry

from geosample.sheets.finding import Sights

YARD_M = 0.9144
STEP_M = 2.0
EDGE_M = 1.0  # who is so near the edge stands at it
FULL_M = 8.0  # what a step or a bunker parts is walked as one
WORDS = re.compile(
    r"(\d+) (?:paces? from the (?:(tee) end|green's edge)|(yd) to the middle of the green), "
    r"(?:(on the middle line)|([\d½]+) paces? (in from|off the middle to) the (left|right)|at the (left|right))"
)
DIAL = re.compile(r"(\d+):(\d\d) o'clock from the ([\w ]+), (?:at|([\d½]+) (paces?|ft) (in|out) from) ")


def half(text: str | None) -> float:
    return float((text or "0").replace("½", "") or 0) + (0.5 if text and "½" in text else 0.0)


@dataclass(frozen=True)
class Turf:
    """A hole's turf of one kind, as cells that can be walked from one to the next, and its true edge."""

    edge: np.ndarray
    cells: np.ndarray
    from_green_m: np.ndarray
    from_tee_m: np.ndarray
    green: Geometry | None

    def at(self, place: np.ndarray) -> int:
        return int(np.argmin(np.hypot(*(self.cells - place).T)))

    def forward(self, place: np.ndarray) -> np.ndarray:
        """Return the way toward the green at a place: that in which the walk to it shortens fastest."""
        near = np.flatnonzero(np.hypot(*(self.cells - place).T) < 5 * STEP_M)
        slope = np.linalg.lstsq(
            np.column_stack([self.cells[near] - place, np.ones(len(near))]), self.from_green_m[near], rcond=None
        )[0][:2]
        return -slope / np.hypot(*slope)

    def side_m(self, place: np.ndarray, side: str) -> float:
        """Return how far the true edge on a side is, as somebody paces who looks for its nearest part there."""
        east, north = self.forward(place)
        out = np.array([-north, east]) * (1 if side == "left" else -1)
        ways = self.edge - place
        far_m = np.hypot(*ways.T)
        there = ((ways @ out) >= math.cos(math.radians(55)) * far_m) | (far_m < EDGE_M)
        return float(far_m[there].min(initial=np.inf))


def read_turf(surfaces: gpd.GeoDataFrame, surface_id: str) -> Turf:
    """Return the turf a surface belongs to: all of its kind on its hole, what only a step parts walked as one."""
    row = surfaces[surfaces["surface_id"] == surface_id].iloc[0]
    mine = surfaces[(surfaces["hole"] == row["hole"]) & (surfaces["kind"] == row["kind"])]
    filled = shapely.union_all([shapely.Polygon(p.exterior) for p in shapely.get_parts(mine.geometry.to_numpy())])
    whole = shapely.buffer(shapely.buffer(filled, FULL_M), -FULL_M).buffer(0.01)
    piece = next(part for part in shapely.get_parts(whole) if shapely.intersects(part, row.geometry))
    west, south, east, north = shapely.bounds(piece)
    grid = np.meshgrid(np.arange(west, east, STEP_M), np.arange(south, north, STEP_M))
    cells = np.column_stack([axis.ravel() for axis in grid])
    cells = cells[shapely.contains_xy(piece, cells[:, 0], cells[:, 1])]
    pairs = cKDTree(cells).query_pairs(2.3 * STEP_M, output_type="ndarray")
    far = np.hypot(*(cells[pairs[:, 0]] - cells[pairs[:, 1]]).T)
    graph = coo_array((far, (pairs[:, 0], pairs[:, 1])), shape=(len(cells), len(cells))).tocsr()

    def walk(sources: np.ndarray) -> np.ndarray:
        return dijkstra(graph, directed=False, indices=sources, min_only=True)

    greens = surfaces.geometry[(surfaces["hole"] == row["hole"]) & (surfaces["kind"] == "green")]
    green = greens.iloc[int(np.argmin(greens.distance(row.geometry)))] if len(greens) else None
    start = int(np.argmin(shapely.distance(shapely.points(cells), green))) if green is not None else 0
    tee = _last(walk(np.array([start])))
    ends = [_last(walk(np.array([tee]))), tee]
    fields = [walk(_slab(cells, walk(np.array([end])), end)) for end in ends]
    edge = shapely.get_coordinates(shapely.segmentize(shapely.boundary(filled), 0.5))
    return Turf(edge, cells, fields[0], fields[1], green)


def _last(far_m: np.ndarray) -> int:
    return int(np.argmax(np.where(np.isfinite(far_m), far_m, -1.0)))


def _slab(cells: np.ndarray, far_m: np.ndarray, end: int) -> np.ndarray:
    """Return the cells across the turf at an end, since people pace from the middle of it."""
    near = far_m < 45
    on = cells[(far_m >= 45) & (far_m < 60)]
    way = (on if len(on) else cells).mean(axis=0) - (cells[near].mean(axis=0) if len(on) else cells[end])
    ahead = cells @ (way / np.hypot(*way))
    return np.flatnonzero(near & (ahead <= ahead[near].min() + STEP_M))


def middle_of(green: Geometry) -> Geometry:
    """Return what is marked as a green's middle: its centre, or a place on it where that lies off the green."""
    centre = shapely.centroid(green)
    return centre if shapely.intersects(green, centre) else shapely.point_on_surface(green)


def miss_m(words: str, turf: Turf, place: np.ndarray, pace_m: float) -> float:
    """Return how far off the words are at a place on long turf, m."""
    found = WORDS.search(words)
    assert found, words
    number, end, yards, on, across, way, side, at = found.groups()
    if yards:
        middle = middle_of(turf.green)
        along = int(number) * YARD_M - math.dist(place, (middle.x, middle.y))
    elif end:
        along = int(number) * pace_m - float(turf.from_tee_m[turf.at(place)])
    else:
        along = int(number) * pace_m - float(shapely.distance(turf.green, shapely.Point(place)))
    left_m, right_m = turf.side_m(place, "left"), turf.side_m(place, "right")
    if on or way == "off the middle to":
        off = half(across) * pace_m * (1 if side == "left" else -1) if not on else 0.0
        sideways = off - (right_m - left_m) / 2
    else:
        sideways = half(across) * pace_m - (left_m if (side or at) == "left" else right_m)
    return math.hypot(along, sideways)


def dial_miss_m(words: str, sights: Sights, place: np.ndarray, pace_m: float) -> float:
    """Return how far off clock words are at a place, m: the hand's angle and the way to the edge, each by itself."""
    hours, minutes, _, number, unit, way = DIAL.search(words).groups()
    clock = sights.clock
    told = math.radians(clock.six_deg - (int(hours) + int(minutes) / 60 - 6) * 30)
    hand = place - [clock.easting, clock.northing]
    turn = math.remainder(math.atan2(hand[1], hand[0]) - told, 2 * math.pi)
    far_m = math.hypot(*hand)
    end = [clock.easting + 500 * math.cos(told), clock.northing + 500 * math.sin(told)]
    ray = shapely.LineString([[clock.easting, clock.northing], end])
    crossed = shapely.get_coordinates(shapely.intersection(ray, shapely.boundary(sights.outline)))
    edge_m = float(np.hypot(*(crossed - [clock.easting, clock.northing]).T).max())
    paces_m = half(number) * (0.3048 if unit == "ft" else pace_m) if number else 0.0
    return math.hypot(far_m * math.sin(turn), edge_m + (paces_m if way == "out" else -paces_m) - far_m * math.cos(turn))
