"""Draw the demo course: nine invented holes, written as course.geojson beside this file.

Nothing here is a real course. The shapes come from a few lines a hole and a fixed seed; sizes follow common
figures of the trade (greens of 5,000-6,000 ft², fairways 25-50 yd wide). Run it after changing a shape:
``python layers/draw_course.py``.
"""

from __future__ import annotations

import itertools
import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyproj
import shapely
import shapely.affinity
from scipy.interpolate import make_interp_spline

SEED = 9
PAR_3 = 3
CENTRE = "+proj=laea +lat_0=41.9036 +lon_0=-74.5512 +datum=WGS84 +units=m"
Shape = shapely.Geometry


@dataclass(frozen=True)
class Hole:
    """A hole by its middle line (metres from the course's centre), par, fairway width and green radius in m."""

    line: tuple[tuple[float, float], ...]
    par: int
    width_m: float
    green_m: float
    bunkers: tuple[tuple[float, float], ...]  # (angle seen from the green, degrees; distance from its edge, m)


HOLES = {
    "1": Hole(((10, 150), (15, 300), (75, 470)), 4, 30, 13.0, ((200, 4), (330, 5))),
    "2": Hole(((120, 478), (262, 440)), 3, 22, 12.5, ((250, 4), (140, 4))),
    "3": Hole(((305, 430), (345, 230), (290, 60), (250, -60)), 5, 34, 14.0, ((20, 4), (190, 4), (80, 5))),
    "4": Hole(((290, -85), (420, 0), (445, 245)), 4, 30, 13.2, ((230, 4), (300, 4))),
    "5": Hole(((478, 275), (575, 385)), 3, 20, 12.0, ((270, 4),)),
    "6": Hole(((610, 415), (650, 250), (585, 70)), 4, 32, 13.5, ((30, 4), (150, 5))),
    "7": Hole(((570, 25), (480, -120), (320, -165)), 4, 29, 12.8, ((60, 4), (330, 4))),
    "8": Hole(((285, -190), (110, -225), (-30, -205), (-150, -140)), 5, 35, 13.8, ((0, 4), (250, 4))),
    "9": Hole(((-165, -95), (-185, 60), (-100, 190)), 4, 31, 14.2, ((180, 5), (280, 4), (45, 4))),
}
POND = ((238, 175), (262, 150), (255, 110), (232, 78), (200, 82), (188, 120), (200, 160))
WOODS = {
    "west wood": ((-60, -100), (40, -150), (150, -120), (165, -40), (90, 20), (0, 40), (-70, 0)),
    "middle wood": ((120, 240), (190, 250), (250, 300), (235, 370), (150, 380), (90, 330)),
    "south wood": ((400, -230), (560, -180), (640, -60), (690, 10), (740, -90), (640, -260), (500, -262)),
}
TREE_ROWS = (((385, 330), (400, 220), (362, 90)), ((520, 240), (545, 130), (520, 60)), ((-235, -80), (-245, 60)))
PATH = (
    (-30, 140), (40, 200), (48, 330), (108, 455), (190, 480), (285, 462), (385, 420), (398, 250), (372, 60), (336, -20),
    (352, -78), (430, -48), (508, 60), (500, 240), (540, 300), (655, 432), (695, 260), (645, 50), (598, -60),
    (535, -140), (420, -195), (320, -205), (120, -262), (-60, -245), (-205, -150), (-228, 60), (-185, 160), (-120, 226),
    (-70, 205), (-52, 150),
)  # fmt: skip


def smooth(points: tuple[tuple[float, float], ...], n: int = 81, *, closed: bool = False) -> np.ndarray:
    """Return n points of a curve through the given ones, shape (n, 2)."""
    knots = np.array([*points, points[0]] if closed else points, dtype=float)
    along = np.append(0, np.cumsum(np.hypot(*np.diff(knots, axis=0).T)))
    degree = min(3, len(knots) - 1)
    ends = "periodic" if closed and degree == 3 else None
    return np.asarray(make_interp_spline(along, knots, k=degree, bc_type=ends)(np.linspace(0, along[-1], n)))


def draw_green(hole: Hole, rng: np.random.Generator) -> Shape:
    """Return a rounded, slightly kidney-shaped green at the end of the hole."""
    angle = np.linspace(0, 2 * np.pi, 61)[:-1]
    turn, dent = rng.uniform(0, 2 * np.pi, 2)
    radius = (
        1
        + 0.14 * np.cos(2 * (angle - turn))
        - 0.2 * np.exp(-(((angle - dent + np.pi) % (2 * np.pi) - np.pi) ** 2) / 0.3)
    )
    east, north = hole.line[-1]
    ring = np.column_stack(
        [east + hole.green_m * radius * np.cos(angle), north + hole.green_m * radius * np.sin(angle)]
    )
    return shapely.Polygon(ring)


def draw_fairway(hole: Hole, green: Shape, rng: np.random.Generator) -> Shape:
    """Return the fairway: along the middle line, waving in width, from the landing ground to the green's front."""
    line = smooth(hole.line)
    along = np.append(0, np.cumsum(np.hypot(*np.diff(line, axis=0).T)))
    start = {3: along[-1] - 46, 4: 85.0, 5: 100.0}[hole.par]
    kept = (along >= start) & (along <= along[-1] - hole.green_m * 0.7)
    share = (along[kept] - start) / np.ptp(along[kept])
    half = hole.width_m / 2 * (1 + 0.14 * np.sin(2 * np.pi * (1.3 * share + rng.uniform())))
    taper = np.where(share > 0.85, 1 - 2.6 * (share - 0.85), 1.0)
    discs = shapely.buffer(shapely.points(line[kept]), half * taper, quad_segs=16)
    hulls = [shapely.convex_hull(shapely.union(a, b)) for a, b in itertools.pairwise(discs)]
    return shapely.difference(shapely.simplify(shapely.union_all(hulls), 0.15), shapely.buffer(green, 0.9))


def draw_tees(hole: Hole) -> list[Shape]:
    """Return two or three tees in line behind one another, turned along the hole."""
    line = smooth(hole.line)
    direction = line[3] - line[0]
    angle = np.degrees(np.arctan2(direction[1], direction[0]))
    unit = direction / np.hypot(*direction)
    backs = (0, 17, 32)[: 2 if hole.par == PAR_3 else 3]
    corners = [line[0] + unit * back for back in backs]
    boxes = [shapely.box(e - 5.5, n - 3.5, e + 5.5, n + 3.5) for e, n in corners]
    rounded = [shapely.buffer(shapely.buffer(box, -1.5), 1.5, quad_segs=4) for box in boxes]
    return [shapely.affinity.rotate(box, angle) for box in rounded]


def draw_bunkers(hole: Hole, green: Shape, rng: np.random.Generator) -> Iterator[Shape]:
    """Yield the bunkers beside the green, and one at the edge of a par 4 or 5 fairway."""
    east, north = hole.line[-1]
    for degrees, gap in hole.bunkers:
        away = hole.green_m * 1.15 + gap + 3
        place = (east + away * np.cos(np.radians(degrees)), north + away * np.sin(np.radians(degrees)))
        blob = shapely.union(shapely.Point(place).buffer(3.4), shapely.Point(place[0] + 3, place[1] + 2).buffer(2.6))
        turned = shapely.affinity.rotate(blob, rng.uniform(0, 360))
        yield shapely.difference(shapely.simplify(turned, 0.1), shapely.buffer(green, 2.2))
    if hole.par > PAR_3:
        line = smooth(hole.line)
        normal = (line[45] - line[43])[::-1] * (1, -1)
        place = line[44] + normal / np.hypot(*normal) * hole.width_m * 0.52 * rng.choice([-1, 1])
        yield shapely.simplify(shapely.affinity.scale(shapely.Point(place).buffer(5.5), 1.4, 0.8), 0.1)


def draw_course() -> list[tuple[dict[str, str], Shape]]:
    """Return the features: OpenStreetMap's open tags, the hole, and the shape in metres."""
    rng = np.random.default_rng(SEED)
    features: list[tuple[dict[str, str], Shape]] = []
    for number, hole in HOLES.items():
        green = draw_green(hole, rng)
        bunkers = list(draw_bunkers(hole, green, rng))
        fairway = draw_fairway(hole, green, rng)
        features += [({"golf": "green", "hole": number}, green), ({"golf": "fairway", "hole": number}, fairway)]
        features += [({"golf": "tee", "hole": number}, tee) for tee in draw_tees(hole)]
        features += [({"golf": "bunker", "hole": number}, bunker) for bunker in bunkers]
    features.append(({"natural": "water", "name": "invented pond"}, shapely.Polygon(smooth(POND, 60, closed=True))))
    woods = [
        ({"natural": "wood", "name": name}, shapely.Polygon(smooth(ring, 60, closed=True)))
        for name, ring in WOODS.items()
    ]
    rows = [({"natural": "tree_row"}, shapely.LineString(smooth(row, 20))) for row in TREE_ROWS]
    paths = [({"golf": "cartpath"}, shapely.LineString(smooth(PATH, 240)))]
    house = [({"building": "yes", "name": "invented clubhouse"}, shapely.box(-58, 108, -34, 124))]
    return [*features, *woods, *rows, *paths, *house]


def to_lonlat(shape: Shape) -> dict[str, Any]:
    """Return the shape as a GeoJSON geometry in lon/lat (RFC 7946)."""
    turn = pyproj.Transformer.from_crs(CENTRE, "EPSG:4326", always_xy=True)
    placed = shapely.transform(shape, lambda xy: np.column_stack(turn.transform(xy[:, 0], xy[:, 1])).round(8))
    geometry: dict[str, Any] = json.loads(shapely.to_geojson(placed))
    return geometry


def main() -> None:
    """Write course.geojson beside this file."""
    features = [
        {"type": "Feature", "properties": {**tags, "source": "invented for the demo"}, "geometry": to_lonlat(shape)}
        for tags, shape in draw_course()
    ]
    collection = {"type": "FeatureCollection", "name": "invented nine-hole course", "features": features}
    target = Path(__file__).with_name("course.geojson")
    target.write_text(
        json.dumps(collection).replace('{"type": "Feature"', '\n{"type": "Feature"') + "\n", encoding="utf-8"
    )
    print(f"{target.name}: {len(features)} features")


if __name__ == "__main__":
    main()
