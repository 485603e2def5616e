"""Finding words: read back, they lead to the point.

They are read by a second reader that knows no middle line and measures the turf itself: distances along are walked cell
by cell from the end of the whole turf, those to the green's middle are straight, those across run to the true edge on
the side named. ``miss_m`` says how far off the words are at a place.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import cKDTree
from shapely import Geometry

from geosample.demo import find_course
from geosample.design import Design
from geosample.errors import SheetsError
from geosample.ground import Ground, read_ground
from geosample.sheets.finding import (
    MOST_PACES,
    Sights,
    add_finding,
    find_middle,
    named_landmarks,
    read_finding,
    read_landmarks,
    take_sights,
    tell_along,
    write_finding,
)

PACE_M = 0.762
WITHIN_M = {"green": 1.5, "collar": 1.5, "fairway": 4.0}  # two paces; five on a fairway


def places_in(shape: shapely.Geometry, count: int, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    west, south, east, north = shapely.bounds(shape)
    tries = rng.uniform((west, south), (east, north), (60_000, 2))
    return tries[shapely.contains_xy(shape, tries[:, 0], tries[:, 1])][:count]


@pytest.mark.parametrize("units", ["us", "metric"])
@pytest.mark.parametrize("pace_m", [0.6, PACE_M, 1.0])
@pytest.mark.parametrize("kind", ["green", "collar", "fairway"])
def test_the_words_read_back_lead_to_the_point(small_ground: Ground, kind: str, pace_m: float, units: str) -> None:
    surface = small_ground.surfaces.set_index("kind").loc[kind]
    sights = take_sights(small_ground.surfaces, surface["surface_id"])
    places = places_in(surface.geometry, 150, seed=3)
    words = [write_finding(sights, place, pace_m=pace_m, units=units) for place in places]
    off = [math.dist(read_finding(w, sights, pace_m=pace_m), p) for w, p in zip(words, places, strict=True) if w]
    assert max(off) < WITHIN_M[kind]
    assert len(off) >= 0.98 * len(places)


def test_every_fairway_of_the_demo_course_has_its_middle_line() -> None:
    # the seventh's outline has a thorn with a scrap of ridge by itself, and that was taken for the middle
    surfaces = read_ground([find_course()]).surfaces
    for surface_id in surfaces.loc[surfaces["kind"] == "fairway", "surface_id"]:
        assert take_sights(surfaces, surface_id).lines, surface_id


@pytest.mark.parametrize(("units", "step_m"), [("us", 0.3048 / 2), ("metric", 0.1)])
def test_a_collars_words_tell_the_way_across_it_and_never_send_the_crew_onto_the_green(
    small_ground: Ground, units: str, step_m: float
) -> None:
    surface = small_ground.surfaces.set_index("kind").loc["collar"]
    sights = take_sights(small_ground.surfaces, surface["surface_id"])
    outer = shapely.boundary(sights.outline)
    for place in places_in(surface.geometry, 200, seed=5):
        words = write_finding(sights, place, pace_m=PACE_M, units=units)
        told = re.search(r"([\d½]+) (ft|cm) in from", words)
        number = float(told[1].replace("½", ".5") if told[1] != "½" else 0.5) if told else 0.0
        told_m = number * (0.3048 if told and told[2] == "ft" else 0.01)
        assert told_m == pytest.approx(shapely.distance(outer, shapely.Point(place)), abs=step_m / 2 + 1e-9)


def test_a_fairway_drawn_as_several_surfaces_is_told_piece_by_piece() -> None:
    pieces = [shapely.box(-15, low, 15, low + 80) for low in (-100, -200, -300)]
    surfaces = gpd.GeoDataFrame(
        {
            "surface_id": ["g", "f1", "f2", "f3", "other"],
            "hole": ["1"] * 4 + ["2"],
            "kind": ["green"] + ["fairway"] * 4,
        },
        geometry=[shapely.Point(0, 0).buffer(12), *pieces, shapely.box(100, -100, 130, -20)],
        crs=32618,
    )
    for number, surface_id in enumerate(("f1", "f2", "f3"), 1):
        sights = take_sights(surfaces, surface_id)
        place = np.array([3.0, 80 - 100.0 * number - 40])
        words = write_finding(sights, place, pace_m=PACE_M)
        assert words.startswith(f"piece {number} of 3 from the green: ")
        assert math.dist(read_finding(words, sights, pace_m=PACE_M), place) < WITHIN_M["fairway"]
    assert "piece" not in write_finding(take_sights(surfaces, "other"), np.array([115.0, -60.0]), pace_m=PACE_M)


def test_a_landmark_of_a_hole_says_which(small_ground: Ground) -> None:
    marks = gpd.GeoDataFrame(
        {"name": ["oak", "pump house", None], "hole": ["3", None, "2"]},
        geometry=gpd.points_from_xy([0, 1, 2], [0, 1, 2]),
        crs=small_ground.crs,
    )
    assert named_landmarks(replace(small_ground, landmarks=marks))["name"].tolist() == ["hole 3's oak", "pump house"]


def test_turf_by_a_green_without_a_middle_line_is_told_by_the_clock_and_paces_out() -> None:
    green = shapely.Point(0, 0).buffer(12)
    wrap = shapely.difference(shapely.box(-20, -60, 20, 20), green)
    surfaces = gpd.GeoDataFrame(
        {"surface_id": ["g", "f"], "hole": "1", "kind": ["green", "fairway"]},
        geometry=[green, wrap],
        crs=32618,
    )
    sights = replace(take_sights(surfaces, "f"), lines=())
    places = places_in(shapely.intersection(wrap, green.buffer(25)), 120, seed=4)
    words = [write_finding(sights, place, pace_m=PACE_M) for place in places]
    assert all("out from the green's edge" in w for w in words)
    off = [math.dist(read_finding(w, sights, pace_m=PACE_M), p) for w, p in zip(words, places, strict=True)]
    assert max(off) < WITHIN_M["fairway"]


def test_six_o_clock_faces_the_fairway(small_ground: Ground) -> None:
    sights = take_sights(small_ground.surfaces, "01-green-1")
    assert "6:00 o'clock from the fairway side" in write_finding(sights, np.array([-4.5, -8.5]), pace_m=PACE_M)
    assert "12:00 o'clock" in write_finding(sights, np.array([4.0, 8.0]), pace_m=PACE_M)
    assert "9:00 o'clock" in write_finding(sights, np.array([-10.0, 5.0]), pace_m=PACE_M)


def courses() -> list[object]:
    """The demo's ground, and every shared course."""
    return ["demo", *(pytest.param(name, marks=pytest.mark.slow) for name in ("oak_bluff.kml", "maple_abbey.kml"))]


def open_course(name: str, request: pytest.FixtureRequest) -> Ground:
    if name == "demo":
        return read_ground(find_course(), collar_m=0.762)
    return read_ground(request.getfixturevalue("shared") / "courses" / name, kinds={"OB": "ignore"})


@pytest.mark.slow
@pytest.mark.parametrize("course", courses())
def test_on_real_courses_words_lead_to_the_point_as_a_second_reader_measures_it(
    course: str, request: pytest.FixtureRequest
) -> None:
    ground, asked, told, missed = open_course(course, request), 0, 0, []
    for row in ground.surfaces[ground.surfaces["kind"].isin(["green", "collar", "fairway"])].itertuples():
        sights = take_sights(ground.surfaces, row.surface_id)
        turf = read_turf(ground.surfaces, row.surface_id) if row.kind == "fairway" else None
        for place in places_in(row.geometry, 15, seed=8):
            words = write_finding(sights, place, pace_m=PACE_M)
            asked, told = asked + 1, told + bool(words)
            paces = [int(number) for number in re.findall(r"(\d+)½? paces? (?:in|out|from|off)", words)]
            assert max(paces, default=0) <= MOST_PACES
            if "o'clock" in words:
                off_m, within_m = dial_miss_m(words, sights, place, PACE_M), WITHIN_M[row.kind]
            elif words:
                off_m, yards = miss_m(words, turf, place, PACE_M), re.search(r"(\d+) yd", words)
                within_m = 8.0 if yards and int(yards[1]) > 150 else WITHIN_M["fairway"]
            else:
                continue
            missed += [f"{row.surface_id} {words}: {off_m:.1f} m"] * (off_m > within_m)
    assert told >= 0.99 * asked
    assert len(missed) <= 0.01 * told, missed


def test_the_middle_line_goes_on_through_a_neck_and_over_what_a_step_parts() -> None:
    parts = [shapely.box(-14, 0, 14, 120), shapely.box(-0.4, 119, 0.4, 141), shapely.box(-14, 140, 14, 260)]
    for fairway in (shapely.union_all(parts), shapely.union_all([parts[0], shapely.box(-14, 130, 14, 260)])):
        surfaces = gpd.GeoDataFrame(
            {"surface_id": ["g", "f"], "hole": "1", "kind": ["green", "fairway"]},
            geometry=[shapely.Point(0, 285).buffer(12), fairway],
            crs=32618,
        )
        (line,) = take_sights(surfaces, "f").lines
        assert line.length_m == pytest.approx(260, abs=3)
        words = write_finding(take_sights(surfaces, "f"), np.array([-6.0, 20.0]), pace_m=PACE_M)
        assert words == "26 paces from the tee end, 10½ paces in from the left"


def test_crumbs_of_a_fairway_are_no_pieces() -> None:
    shapes = [shapely.box(-15, -300, 15, -40), shapely.box(60, -100, 64, -95), shapely.box(90, -100, 90.6, -99.4)]
    surfaces = gpd.GeoDataFrame(
        {"surface_id": ["g", "f"], "hole": "1", "kind": ["green", "fairway"]},
        geometry=[shapely.Point(0, 0).buffer(12), shapely.union_all(shapes)],
        crs=32618,
    )
    sights = take_sights(surfaces, "f")
    assert len(sights.lines) == 1
    assert write_finding(sights, np.array([5.0, -150.0]), pace_m=PACE_M) == (
        "164 yd to the middle of the green, 13 paces in from the right"
    )


def test_what_is_moved_every_day_leads_nowhere(small_ground: Ground) -> None:
    places = gpd.points_from_xy([0, 1, 2], [0, 1, 2])
    marks = gpd.GeoDataFrame({"name": ["Cup", "tee", "pump"]}, geometry=places, crs=32618)
    assert named_landmarks(replace(small_ground, landmarks=marks))["name"].tolist() == ["pump"]


def test_left_is_the_left_of_somebody_facing_the_green() -> None:
    fairway, green = shapely.box(-15, 0, 15, 200), shapely.Point(0, 230)
    line = find_middle(fairway, green)
    assert tell_along(line, np.array([-10.0, 150.0])) == pytest.approx((50.0, 10.0), abs=1.0)


def test_the_middle_line_of_a_bent_fairway_stays_in_the_middle(small_ground: Ground) -> None:
    shape = shapely.get_parts(small_ground.surfaces.set_index("kind").loc["fairway"].geometry)[0]
    line = find_middle(shape, shapely.Point(0, 0))
    # tests/conftest.py: the fairway is 16 m to either side of this line.
    truth = shapely.LineString([(-20, -40), (-60, -120), (-20, -240)])
    between = line.places[40:-40]  # it goes on 16 m past both ends of the truth, to the turf's edge
    assert shapely.distance(truth, shapely.points(between)).max() < 4
    assert shapely.LineString(line.places).length == pytest.approx(truth.length + 32, rel=0.04)


def test_words_are_left_out_where_they_would_mislead(small_ground: Ground) -> None:
    sights = take_sights(small_ground.surfaces, "01-fairway-1")
    assert write_finding(sights, np.array([400.0, 400.0]), pace_m=PACE_M) == ""


def test_landmarks_are_told_by_name_paces_and_direction(
    sheets_design: Design, small_ground: Ground, tmp_path: Path
) -> None:
    heads = gpd.GeoDataFrame({"Name": ["head 1-4"]}, geometry=[shapely.Point(0.0, -20.0)], crs=small_ground.crs)
    heads.to_crs(4326).to_file(tmp_path / "heads.geojson")
    landmarks = read_landmarks(tmp_path / "heads.geojson", small_ground.crs)
    design = add_finding(sheets_design, small_ground, pace_m=PACE_M, landmarks=landmarks)
    near = design.points[design.points.geometry.distance(shapely.Point(0, -20)) < 38]
    assert near["finding"].str.contains(r"\d+ paces [a-z-]+ of head 1-4").all()


def test_a_landmark_file_without_names_is_refused(small_ground: Ground, tmp_path: Path) -> None:
    heads = gpd.GeoDataFrame({"depth": [1]}, geometry=[shapely.Point(0.0, 0.0)], crs=4326)
    heads.to_file(tmp_path / "heads.geojson")
    with pytest.raises(SheetsError, match=r"heads\.geojson.*depth.*name"):
        read_landmarks(tmp_path / "heads.geojson", small_ground.crs)
    with pytest.raises(SheetsError, match="nowhere"):
        read_landmarks(tmp_path / "nowhere.geojson", small_ground.crs)


def test_every_point_of_a_design_gets_words(sheets_design: Design, small_ground: Ground) -> None:
    found = add_finding(sheets_design, small_ground, pace_m=PACE_M)
    assert found.points["finding"].str.contains("o'clock|green's edge|tee end|yd to the middle").all()
    assert "finding" not in sheets_design.points or not sheets_design.points["finding"].notna().any()


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
