"""Areas, projections and edges against published values and other programs; and what holds for any course."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyproj
import pytest
import shapely
from geographiclib.geodesic import Geodesic
from ground_case import LAEA, disc, write
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import affinity

from geosample.ground import (
    FORMATS,
    Ground,
    Note,
    cut_cells,
    edge_lines,
    measure_edge,
    outer_turf,
    read_ground,
    split_border,
)
from geosample.ground.formats import read_file
from geosample.ground.naming import find_kind
from geosample.ground.placing import site_crs
from geosample.units import FOOT_M, YARD_M
from geosample.words import SURFACE_KINDS

SMALLEST_SHARE = 1e-4  # 0.01 %, far below what a surveyed outline is good for


def geodesic_area(shape: shapely.Geometry, crs: pyproj.CRS) -> float:
    """Return the area on the ellipsoid, m², by GeographicLib, of a shape in any CRS."""
    back = pyproj.Transformer.from_crs(crs, 4326, always_xy=True)
    total = 0.0
    for part in shapely.get_parts(shapely.transform(shape, back.transform, interleaved=False)):
        rings = [part.exterior, *part.interiors]
        sizes = [abs(_ring_area(shapely.get_coordinates(ring))) for ring in rings]
        total += sizes[0] - sum(sizes[1:])
    return total


def _ring_area(corners: np.ndarray) -> float:
    polygon = Geodesic.WGS84.Polygon()
    for lon, lat in corners[:-1]:
        polygon.AddPoint(lat, lon)
    return polygon.Compute()[2]


def test_the_geodesic_areas_we_compare_with_are_the_published_ones() -> None:
    # GeographicLib manual (Karney), Antarctica, 18 corners: 16831067.892790709 m, 13662703680020.09 m2
    corners = [
        (-63.1, -58), (-72.9, -74), (-71.9, -102), (-74.9, -102), (-74.3, -131), (-77.5, -163), (-77.4, 163),
        (-71.7, 172), (-65.9, 140), (-65.7, 113), (-66.6, 88), (-66.9, 59), (-69.8, 25), (-70.0, -4), (-71.0, -14),
        (-77.3, -33), (-77.9, -46), (-74.7, -61),
    ]  # fmt: skip
    polygon = Geodesic.WGS84.Polygon()
    for lat, lon in corners:
        polygon.AddPoint(lat, lon)
    count, perimeter, area = polygon.Compute()
    assert count == 18
    assert perimeter == pytest.approx(16831067.892790709, abs=1e-6)
    assert area == pytest.approx(13662703680020.09, abs=1)
    # Computed with GeographicLib: (0,0)(0,1)(1,1)(1,0) lat, lon: 12308778361.469452 m2, perimeter 443770.917248302 m
    square = Geodesic.WGS84.Polygon()
    for lat, lon in [(0, 0), (0, 1), (1, 1), (1, 0)]:
        square.AddPoint(lat, lon)
    assert abs(square.Compute()[2]) == pytest.approx(12308778361.469452, abs=1e-3)
    assert square.Compute()[1] == pytest.approx(443770.917248302, abs=1e-8)


def test_projection_agrees_with_the_epsg_guidance_example() -> None:
    # EPSG Guidance Note 7-2, Transverse Mercator, British National Grid: 50 30 00 N 0 30 00 E -> 577274.99, 69740.50
    grid = pyproj.CRS.from_user_input(
        "+proj=tmerc +lat_0=49 +lon_0=-2 +k_0=0.9996013 +x_0=400000 +y_0=-100000 "
        "+a=6377563.396 +rf=299.32496 +units=m +type=crs"
    )
    forward = pyproj.Transformer.from_crs(grid.geodetic_crs, grid, always_xy=True)
    assert forward.transform(0.5, 50.5) == pytest.approx((577274.99, 69740.50), abs=0.005)
    # UTM zone 30N of 51.5074 N, 0.1278 W, computed independently: 699316.2343, 5710163.7581
    utm = pyproj.Transformer.from_crs(4326, 32630, always_xy=True)
    assert utm.transform(-0.1278, 51.5074) == pytest.approx((699316.2343, 5710163.7581), abs=1e-3)


@pytest.mark.parametrize("lat", [-45.0, 0.0, 20.0, 43.0, 60.0, 70.0])
@pytest.mark.parametrize("lon", [-179.99, -77.5, 0.0, 20.0])
def test_areas_are_geodesic_to_a_hundredth_of_a_percent_at_any_latitude(tmp_path: Path, lon: float, lat: float) -> None:
    site = site_crs(lon, lat)
    back = pyproj.Transformer.from_crs(site, 4326, always_xy=True)
    shapes = [disc(-1500, -1500, 13), disc(1500, 1500, 60), shapely.box(-16, -200, 16, 20)]
    placed = [(shapely.transform(s, back.transform, interleaved=False), {"kind": "fairway"}) for s in shapes]
    ground = read_ground(write(tmp_path / "a.geojson", *placed, degrees=True))
    for shape, area in zip(ground.surfaces.geometry, ground.surfaces["area_m2"], strict=True):
        assert area == pytest.approx(geodesic_area(shape, ground.crs), rel=SMALLEST_SHARE)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["oak_bluff.kml", "maple_abbey.kml", "north_course_greens.geojson"])
def test_every_surface_of_the_real_courses_has_its_geodesic_area(shared: Path, name: str) -> None:
    ground = read_ground(shared / "courses" / name, kinds="OB=ignore,tyoe:green=green", collar_m=0.762)
    found = ground.surfaces["area_m2"].to_numpy()
    true = np.array([geodesic_area(shape, ground.crs) for shape in ground.surfaces.geometry])
    assert np.abs(found / true - 1).max() < SMALLEST_SHARE
    union = shapely.union_all(ground.surfaces.geometry.to_numpy()).area
    assert found.sum() == pytest.approx(union, rel=1e-6)


@pytest.mark.slow
def test_no_ground_of_the_real_courses_goes_untold(shared: Path) -> None:
    """What was drawn, geodesic, is what is kept and what the notes tell as covered, drawn twice, cut or left out."""
    kinds = {"ob": "ignore", "tyoe:green": "green"}
    for path in [path for path in sorted((shared / "courses").iterdir()) if path.suffix in FORMATS]:
        turf = [f.shape for f in read_file(path).features if find_kind(f, kinds).kind in SURFACE_KINDS]
        shapes = [shape for shape in turf if shape.geom_type == "Polygon"]
        drawn = sum(geodesic_area(shapely.make_valid(shape), pyproj.CRS(4326)) for shape in shapes)
        ground = read_ground(path, kinds=kinds)
        told = [note.facts.get("left_m2", note.area_m2) for note in ground.notes if _took_turf(note)]
        assert ground.surfaces["area_m2"].sum() + sum(told) == pytest.approx(drawn, rel=2e-4), path.name


def _took_turf(note: Note) -> bool:
    of = {note.facts.get("kind"), *note.facts.get("kinds", ())}
    return note.what == "scraps" or (note.what in {"overlap", "drawn_twice", "island"} and bool(of & {*SURFACE_KINDS}))


def test_the_real_courses_are_understood_in_full(shared: Path) -> None:
    # shared/courses/README.md: 18 holes each; 84 and 78 bunkers, 18 greens, counted in the files themselves
    for name, bunkers in (("oak_bluff.kml", 84), ("maple_abbey.kml", 78)):
        ground = read_ground(shared / "courses" / name, kinds={"OB": "ignore"}, collar_m=0.762)
        greens = ground.surfaces[ground.surfaces["kind"] == "green"]
        assert sorted(greens["hole"], key=int) == [str(hole) for hole in range(1, 19)]
        assert (ground.surfaces["kind"] == "collar").sum() == 18
        assert (ground.obstacles["kind"] == "bunker").sum() == bunkers
    islands = [note for note in ground.notes if note.what == "island"]
    assert len(islands) == 5


def test_a_misspelt_attribute_is_listed_and_mendable(shared: Path) -> None:
    path = shared / "courses" / "north_course_greens.geojson"
    with pytest.raises(ValueError, match='kinds="tyoe:green=green"'):
        read_ground(path)
    features = json.loads(path.read_text(encoding="utf-8"))["features"]
    polygons = sum(feature["geometry"]["type"] == "Polygon" for feature in features)
    assert len(read_ground(path, kinds="tyoe:green=green").surfaces) == polygons
    assert len(read_ground(path, kind_from="type,tyoe").surfaces) == polygons


def frame(**shapes: shapely.Geometry) -> gpd.GeoDataFrame:
    kinds = [name.rstrip("0123456789") for name in shapes]
    return gpd.GeoDataFrame({"surface_id": list(shapes), "kind": kinds}, geometry=list(shapes.values()), crs=32618)


def test_an_inner_band_has_the_share_of_a_fairway_the_trade_expects() -> None:
    fairway = shapely.box(0, 0, 300 * YARD_M, 35 * YARD_M)
    # 900 x 105 ft, band b: 1 - (900 - 2b)(105 - 2b) / (900 · 105) is 20.8, 31.0, 40.8 and 60.0 % for 10, 15, 20, 30 ft
    for feet, percent in ((10, 21), (15, 31), (20, 41), (30, 60)):
        parts = split_border(frame(fairway=fairway), feet * FOOT_M).set_index("part")["area_m2"]
        assert 100 * parts["border"] / fairway.area == pytest.approx(percent, abs=0.5)
        assert parts.sum() == pytest.approx(fairway.area, rel=1e-9)


def test_rough_cancels_no_edge_and_a_green_in_its_collar_has_none_of_its_own() -> None:
    green = disc(0, 0, 13)
    collar = disc(0, 0, 14) - green
    surfaces = frame(green=green, collar=collar, rough=shapely.box(-99, -99, 99, 99) - disc(0, 0, 14))
    lines = edge_lines(surfaces)
    assert measure_edge(lines, np.array([0.0]), np.array([0.0]))[0] == pytest.approx(14, rel=1e-3)
    assert measure_edge(edge_lines(surfaces, every_edge=True), np.array([0.0]), np.array([0.0]))[0] == pytest.approx(
        13, rel=1e-3
    )
    parts = split_border(surfaces[surfaces["kind"] != "rough"], 2.0).set_index(["surface_id", "part"])["area_m2"]
    assert ("collar", "interior") not in parts.index  # narrower than the border: all of it is border
    assert parts["green", "border"] == pytest.approx(np.pi * (13**2 - 12**2), rel=5e-3)


def test_a_bunker_inside_the_turf_makes_no_outer_edge_but_one_at_its_side_does() -> None:
    fairway = shapely.box(0, 0, 200, 40)
    inside, at_side = disc(60, 20, 5), disc(140, 0, 6)
    surfaces = frame(fairway=shapely.difference(fairway, shapely.union(inside, at_side)))
    places = measure_edge(edge_lines(surfaces), np.array([60.0, 140.0]), np.array([13.0, 10.0]))
    assert places == pytest.approx([13.0, 4.0], abs=1e-2)
    own = measure_edge(edge_lines(surfaces, every_edge=True), np.array([60.0]), np.array([13.0]))
    assert own[0] == pytest.approx(2.0, abs=1e-2)


def test_small_gaps_are_no_edge_and_larger_ones_are() -> None:
    for gap, distance in ((0.8, 10.0), (1.5, 5.0)):
        surfaces = frame(fairway1=shapely.box(0, 0, 40, 20), fairway2=shapely.box(40 + gap, 0, 80, 20))
        place = measure_edge(edge_lines(surfaces), np.array([35.0]), np.array([10.0]))[0]
        assert place == pytest.approx(distance, abs=1e-6)
    assert outer_turf(surfaces).area == pytest.approx(surfaces.area.sum(), rel=1e-6)


def test_cells_cover_the_surfaces_exactly_and_agree_between_calls() -> None:
    surfaces = frame(green=disc(0.3, 0.7, 13), tee=shapely.box(40.2, 0.1, 47.9, 9.4))
    cells = cut_cells(surfaces, 1.0)
    assert cells.groupby("surface_id")["area_m2"].sum().tolist() == pytest.approx(surfaces.area.tolist(), rel=1e-9)
    inside = shapely.intersects(
        cells["surface_id"].map(surfaces.set_index("surface_id").geometry).to_numpy(),
        shapely.points(cells["easting"], cells["northing"]),
    )
    assert inside.all()
    alone = cut_cells(surfaces.iloc[1:], 1.0)
    again = cells[cells["surface_id"] == "tee"]
    assert list(zip(alone["column"], alone["row"], strict=True)) == list(
        zip(again["column"], again["row"], strict=True)
    )


def test_many_places_are_as_far_from_the_edge_as_shapely_says(small_ground: Ground) -> None:
    """Against shapely's own distance, place by place."""
    lines = edge_lines(small_ground.surfaces)
    west, south, east, north = small_ground.surfaces.total_bounds
    rng = np.random.default_rng(4)
    easting, northing = rng.uniform(west, east, 25_000), rng.uniform(south, north, 25_000)
    found = measure_edge(lines, easting, northing)
    assert found == pytest.approx(shapely.distance(lines, shapely.points(easting, northing)), abs=1e-9)
    few = measure_edge(lines, easting[:100], northing[:100])
    assert found[:100] == pytest.approx(few, abs=1e-9)


Shapes = list[tuple[shapely.Geometry, dict[str, object]]]
metres = st.integers(-200, 200)
sizes = st.integers(4, 60)
kinds = st.sampled_from([*SURFACE_KINDS, "bunker", "water", "path"])
holes = st.sampled_from(["1", "2", "12", None])


@st.composite
def shapes(draw: st.DrawFn) -> Shapes:
    """Draw boxes, discs and crooked pentagons of any kind, lying over each other any way round."""
    made: Shapes = [(disc(0, 0, 15), {"kind": "green", "hole": "1"})]
    for _ in range(draw(st.integers(1, 7))):
        east, north, size = draw(metres), draw(metres), draw(sizes)
        angles = sorted(draw(st.lists(st.integers(0, 359), min_size=5, max_size=5, unique=True)))
        crooked = shapely.Polygon([(east + size * np.cos(a), north + size * np.sin(a)) for a in np.radians(angles)])
        shape = draw(st.sampled_from([shapely.box(east, north, east + size, north + size / 2), crooked]))
        made.append((shape, {"kind": draw(kinds), "hole": draw(holes)}))
    return made


def read(made: Shapes, **options: object) -> Ground:
    with tempfile.TemporaryDirectory() as folder:
        return read_ground(write(Path(folder) / "a.geojson", *made), collar_m=0.762, **options)


def table(ground: Ground) -> dict[str, float]:
    """Return the area by hole and kind, which is what must not change."""
    named = ground.surfaces.assign(hole=ground.surfaces["hole"].fillna("-"))
    return dict(named.groupby(["hole", "kind"])["area_m2"].sum())


many = settings(max_examples=15, deadline=None)


@pytest.mark.slow
@many
@given(made=shapes())
def test_surfaces_are_valid_disjoint_and_clear_of_obstacles(made: Shapes) -> None:
    ground = read(made)
    surfaces = ground.surfaces
    assert surfaces.geometry.is_valid.all()
    assert surfaces["surface_id"].is_unique
    assert surfaces["area_m2"].sum() == pytest.approx(surfaces.union_all().area, rel=1e-6)
    cutting = ground.obstacles.union_all()
    assert shapely.area(shapely.intersection(surfaces.geometry.to_numpy(), cutting)).max() < 1e-3


@pytest.mark.slow
@many
@given(made=shapes())
def test_no_ground_is_lost_but_to_obstacles_and_what_the_notes_say(made: Shapes) -> None:
    ground = read(made)
    turf = shapely.union_all([shape for shape, fields in made if fields["kind"] in SURFACE_KINDS])
    placed = gpd.GeoSeries(ground.surfaces.geometry, crs=ground.crs).to_crs(LAEA)
    lost = shapely.difference(turf, shapely.union_all([*placed, *ground.obstacles.geometry.to_crs(LAEA)])).area
    told = sum(n.facts.get("left_m2", n.area_m2) for n in ground.notes if n.what in {"scraps", "island"})
    seams = 1e-3 * sum(shape.length for shape, _ in made)  # the two projections agree to a millimetre
    assert lost <= told * (1 + 1e-6) + seams


@pytest.mark.slow
@many
@given(made=shapes(), seed=st.integers(0, 99))
def test_reordering_the_file_changes_nothing(made: Shapes, seed: int) -> None:
    order = np.random.default_rng(seed).permutation(len(made))
    first, second = read(made).surfaces, read([made[i] for i in order]).surfaces
    assert first["surface_id"].tolist() == second["surface_id"].tolist()
    assert first["area_m2"].to_numpy() == pytest.approx(second["area_m2"].to_numpy(), abs=1e-4)


@pytest.mark.slow
@many
@given(made=shapes(), east=metres, north=metres)
def test_moving_the_course_changes_no_area(made: Shapes, east: int, north: int) -> None:
    moved = [(affinity.translate(shape, east, north), fields) for shape, fields in made]
    assert table(read(moved)) == pytest.approx(table(read(made)), rel=1e-4, abs=0.3)


@pytest.mark.slow
@many
@given(made=shapes(), angle=st.sampled_from([90, 180, 270]))
def test_turning_the_course_changes_no_area(made: Shapes, angle: int) -> None:
    turned = [(affinity.rotate(shape, angle, origin=(0, 0)), fields) for shape, fields in made]
    assert table(read(turned)) == pytest.approx(table(read(made)), rel=1e-4, abs=0.3)


@pytest.mark.slow
@many
@given(made=shapes(), width=st.floats(0.5, 20))
def test_border_and_interior_make_up_each_surface(made: Shapes, width: float) -> None:
    surfaces = read(made).surfaces
    parts = split_border(surfaces, width)
    sums = parts.groupby("surface_id")["area_m2"].sum()
    assert sums.sort_index().to_numpy() == pytest.approx(
        surfaces.set_index("surface_id")["area_m2"].sort_index().to_numpy(), rel=1e-6
    )
    assert set(parts["part"]) <= {"border", "interior"}


@pytest.mark.slow
@many
@given(made=shapes())
def test_closing_gaps_only_adds_ground(made: Shapes) -> None:
    surfaces = read(made).surfaces
    short = surfaces[surfaces["kind"] != "rough"]
    assert outer_turf(surfaces).area >= shapely.union_all(short.geometry.to_numpy()).area - 1e-6
