"""Ground: drawings of a course, placed by pairs of places; and edges walked with a receiver, with their doubt."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

import ezdxf
import numpy as np
import pyproj
import pytest
import shapely
from click.testing import CliRunner
from ground_case import LAEA, disc, gpx, invented_edges, kml, lonlat, said, walk_edge, write
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from geosample.cli import main
from geosample.desk.jobs import correct
from geosample.errors import GeosampleError, GroundError
from geosample.ground import Ground, drawings, load_ground, read_ground, write_ground
from geosample.ground.placing import fit_pairs
from geosample.ground.walking import average_rings, clean_track, close_track, doubt_edge, part_laps
from geosample.survey import open_survey
from geosample.units import show_length

FEET = "EPSG:2260"  # New York East, US survey feet
TO_FEET = pyproj.Transformer.from_crs(LAEA, FEET, always_xy=True)
TO_LONLAT = pyproj.Transformer.from_crs(LAEA, 4326, always_xy=True)
# Turned by 30 degrees, a unit of 0.3048 m, its origin at a corner of the sheet: metres about the site -> the drawing
TURN = np.exp(-1j * np.pi / 6) / 0.3048
CORNERS = [(-200.0, -300.0), (200.0, -300.0), (200.0, 100.0), (-150.0, 90.0)]


def on_sheet(corners: np.ndarray) -> np.ndarray:
    turned = TURN * (np.asarray(corners) @ [1, 1j]) + (900 + 1200j)
    return np.column_stack([turned.real, turned.imag])


def in_feet(corners: np.ndarray) -> np.ndarray:
    return np.column_stack(TO_FEET.transform(*np.asarray(corners).T))


def draw(path: Path, place: object = in_feet, unit: int = 2) -> Path:
    """Write an invented hole: outlines, a hatch with an island, a spline, blocks, text, and a layer that is off."""
    drawing = ezdxf.new()
    drawing.header["$INSUNITS"] = unit
    space = drawing.modelspace()

    def corners(shape: shapely.Geometry) -> list[tuple[float, float]]:
        return [tuple(one) for one in place(shapely.get_coordinates(shape)[:-1])]  # type: ignore[operator]

    for layer in ("HOLE 7", "C-GOLF-GREEN", "BUNKERS", "TEE", "FAIRWAY", "OLD TEES", "TREES"):
        drawing.layers.add(layer)
    drawing.layers.get("OLD TEES").off()
    space.add_lwpolyline(corners(disc(0, 0, 13)), close=True, dxfattribs={"layer": "C-GOLF-GREEN"})
    hatch = space.add_hatch(dxfattribs={"layer": "FAIRWAY"})
    hatch.paths.add_polyline_path(corners(shapely.box(-16, -220, 16, -20)), is_closed=True, flags=1)
    hatch.paths.add_polyline_path(corners(shapely.box(-5, -160, 5, -150)), is_closed=True, flags=0)
    ring = corners(disc(40, -80, 6))[::8]
    space.add_spline(fit_points=[*ring, ring[0]], dxfattribs={"layer": "BUNKERS"})
    space.add_lwpolyline(corners(shapely.box(-5, -260, 5, -250)), close=True, dxfattribs={"layer": "TEE"})
    space.add_lwpolyline(corners(shapely.box(90, -260, 99, -250)), close=True, dxfattribs={"layer": "OLD TEES"})
    block = drawing.blocks.new("OAK")
    block.add_circle((0, 0), 12)  # on layer 0, so of the layer it is put on
    for east in (-60, 60):
        at = place(np.array([[east, -50.0]]))[0]  # type: ignore[operator]
        space.add_blockref("OAK", tuple(at), dxfattribs={"layer": "TREES"})
    space.add_text("HOLE 7", dxfattribs={"layer": "TEXT"})
    drawing.saveas(path)
    return path


def check_areas(ground: Ground) -> None:
    areas = ground.surfaces.groupby("kind")["area_m2"].sum().to_dict()
    wanted = {"fairway": 32 * 200 - 100, "green": disc(0, 0, 13).area, "tee": 100}
    assert areas == pytest.approx(wanted, rel=1e-3)
    kinds = ground.obstacles["kind"].value_counts().to_dict()
    assert kinds == {"trees": 2, "bunker": 1}
    assert ground.obstacles[ground.obstacles["kind"] == "bunker"].area.iloc[0] == pytest.approx(
        disc(40, -80, 6).area, rel=0.01
    )
    middle = shapely.centroid(ground.surfaces.set_index("kind").geometry["green"])
    lon, lat = pyproj.Transformer.from_crs(ground.crs, 4326, always_xy=True).transform(middle.x, middle.y)
    assert np.hypot(*np.subtract(TO_LONLAT.transform(0, 0), (lon, lat))) < 1e-6  # a tenth of a metre


@pytest.mark.parametrize("unit", [2, 0, 21])  # feet, none said, US survey feet
def test_a_drawing_lies_where_its_own_coordinates_say(tmp_path: Path, unit: int) -> None:
    ground = read_ground(draw(tmp_path / "plan.dxf", unit=unit), file_crs=FEET)
    check_areas(ground)
    told = said(ground)
    assert "C-GOLF-GREEN as green" in told
    assert "2 things of the drawing without a shape, or on layers switched off" in told
    assert ("does not say its unit" in told) == (unit == 0)


def test_a_drawing_lies_where_pairs_of_places_say_and_their_misses_are_told(tmp_path: Path) -> None:
    path = draw(tmp_path / "plan.dxf", on_sheet)
    known = zip(on_sheet(np.array(CORNERS)), CORNERS, strict=True)
    pairs = [(*place, *TO_LONLAT.transform(*corner)) for place, corner in known]
    ground = read_ground(path, pairs=pairs)
    check_areas(ground)
    [note] = [note for note in ground.notes if note.what == "by_pairs"]
    assert note.facts["worst_m"] < 0.01
    assert note.facts["scale"] == pytest.approx(1, abs=1e-4)
    words = [word for x, y, lon, lat in pairs for word in ("--pairs", f"{x},{y}={lon},{lat}")]
    run = CliRunner().invoke(main, ["ground", str(tmp_path / "a.gpkg"), str(path), *words, "--more"])
    assert run.exit_code == 0, run.output
    assert "placed by 4 pairs of places" in " ".join(run.output.split())
    off = [(*pairs[0][:2], pairs[0][2] + 0.001, pairs[0][3]), *pairs[1:]]  # 83 m east
    with pytest.raises(GroundError) as caught:
        read_ground(path, pairs=off)
    assert len(caught.value.problems) == 4


def test_a_fit_has_the_misses_of_least_squares() -> None:
    # No published value: against numpy's least squares for a, b, c, d of east = ax - by + c, north = bx + ay + d.
    rng = np.random.default_rng(4)
    places = on_sheet(np.array(CORNERS))
    lonlat = np.column_stack(TO_LONLAT.transform(*(np.array(CORNERS) + rng.normal(0, 1, (4, 2))).T))
    fit = fit_pairs(np.column_stack([places, lonlat]), "pairs")
    there = np.array(pyproj.Transformer.from_crs(4326, fit.crs, always_xy=True).transform(*lonlat.T))
    zeros, ones = np.zeros(4), np.ones(4)
    x, y = places.T
    matrix = np.vstack([np.column_stack([x, -y, ones, zeros]), np.column_stack([y, x, zeros, ones])])
    solved, *_ = np.linalg.lstsq(matrix, there.ravel(), rcond=None)
    left = (matrix @ solved - there.ravel()).reshape(2, 4)
    assert fit.misses_m == pytest.approx(np.hypot(*left), abs=1e-6)


def test_a_drawing_without_a_place_or_with_too_few_pairs_is_asked_about(tmp_path: Path) -> None:
    path = draw(tmp_path / "plan.dxf", on_sheet)
    with pytest.raises(GroundError, match=r"coordinates of its own.*file_crs=EPSG:n.*pairs="):
        read_ground(path)
    with pytest.raises(GroundError) as caught:
        read_ground(path, pairs=[(0, 0, -73.9, 41.5), (9, 0, -273.9, 41.5)])
    assert [problem.found.split()[0] for problem in caught.value.problems] == ["pair", "2"]
    path.write_bytes(path.read_bytes()[:9000])
    with pytest.raises(GroundError, match="no end of a DXF file"):
        read_ground(path, file_crs=FEET)


def test_blocks_in_blocks_without_end_are_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(drawings, "_MOST_THINGS", 3_000)
    drawing = ezdxf.new()
    for n in range(9):
        block = drawing.blocks.new(f"B{n}")
        for _ in range(10):
            if n:
                block.add_blockref(f"B{n - 1}", (0, 0))
            else:
                block.add_circle((0, 0), 1)
    drawing.modelspace().add_blockref("B8", (0, 0))
    path = tmp_path / "bomb.dxf"
    drawing.saveas(path)
    with pytest.raises(GroundError, match="blocks in more than"):
        read_ground(path, file_crs=FEET)


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    return draw(tmp_path_factory.mktemp("plan") / "plan.dxf").read_bytes()


@pytest.mark.slow
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(places=st.lists(st.tuples(st.integers(0, 400_000), st.integers(32, 126)), min_size=1, max_size=12))
def test_a_drawing_with_bytes_overwritten_is_read_or_refused_in_words(
    tmp_path: Path, plan: bytes, places: list[tuple[int, int]]
) -> None:
    data = bytearray(plan)
    for place, value in places:
        data[-1 - place % len(data)] = value  # entities stand behind
    path = tmp_path / "a.dxf"
    path.write_bytes(bytes(data))
    with suppress(GeosampleError):
        read_ground(path, file_crs=FEET)


EDGES = invented_edges()
# 68 % of a round normal error lie within 1.5096 standard deviations of an axis: sqrt(-2 ln 0.32)
RECEIVERS = {"of 2012": (0.21, 1.0, 7.44), "of 2017": (0.01, 0.2, 0.79)}


@pytest.mark.slow
@pytest.mark.parametrize(
    ("kind", "receiver"), [("green", "of 2012"), ("green", "of 2017"), ("fairway", "of 2012"), ("bunker", "of 2012")]
)
def test_two_walks_tell_the_area_and_the_doubt_holds_the_truth(kind: str, receiver: str) -> None:
    sd_m, every_s, accuracy_m = RECEIVERS[receiver]
    rng = np.random.default_rng(7)
    walks = 100
    true = shapely.Polygon(EDGES[kind])
    closed = []
    for _ in range(walks):
        track, spikes, _ = clean_track(walk_edge(EDGES[kind], rng, sd_m=sd_m, every_s=every_s))
        assert not spikes
        closed.append(close_track(track, accuracy_m))
    rings = [ring for ring, _ in closed]
    areas = np.array([shapely.Polygon(ring).area for ring in rings])
    doubts = np.array([doubt_edge(ring, [accuracy_m], [gap_m]) for ring, gap_m in closed])
    far = [shapely.hausdorff_distance(shapely.LinearRing(ring), true.exterior) for ring in rings]
    # 95 % of 100 walks inside, less three standard errors of such a share (binomial)
    least = 0.95 - 3 * np.sqrt(0.95 * 0.05 / walks)
    assert (np.abs(areas - true.area) < doubts[:, 1] * areas).mean() > least
    assert (far < doubts[:, 0]).mean() > least
    pairs = [shapely.Polygon(average_rings(rings[i : i + 2])).area for i in range(0, walks, 2)]
    assert np.median(np.abs(np.array(pairs) / true.area - 1)) < (0.03 if kind != "bunker" else 0.06)


@pytest.mark.slow
@pytest.mark.parametrize("laps", [2, 3, 2.5])
@pytest.mark.parametrize("kind", ["green", "bunker", "fairway"])
def test_laps_in_one_track_are_as_many_walks_and_the_doubt_holds_the_truth(kind: str, laps: float) -> None:
    rng, walks, true = np.random.default_rng(7), 60, shapely.Polygon(EDGES[kind])
    found, inside, misses = [], [], []
    for _ in range(walks):
        track, _, _ = clean_track(walk_edge(EDGES[kind], rng, laps=laps))
        parts, over_m = part_laps(track)
        ring = average_rings([close_track(part, RECEIVERS["of 2012"][2])[0] for part in parts])
        doubt = doubt_edge(ring, [RECEIVERS["of 2012"][2]] * len(parts), [np.nan] * len(parts))[1]
        misses.append(shapely.Polygon(ring).area / true.area - 1)
        inside.append(abs(misses[-1]) < doubt * (1 + misses[-1]))
        found.append((len(parts), over_m > 0))
    # 95 % of 60 inside, less three standard errors (binomial); a lap whose ends drift too far apart is left out, told
    assert np.mean(inside) > 0.95 - 3 * np.sqrt(0.95 * 0.05 / walks)
    assert np.median(np.abs(misses)) < (0.04 if kind != "bunker" else 0.06)
    assert found.count((int(laps), laps % 1 > 0)) >= 0.9 * walks


@pytest.mark.slow
@pytest.mark.parametrize("reach", [6.0, 12.0])
def test_one_walk_round_a_bent_edge_that_comes_near_itself_is_one_lap(reach: float) -> None:
    bends = (
        [(0, 0), (0, 60), (8, 72), (22, 72), (30, 60), (30, 0)] if reach > 6 else [(0, 0), (40, 0), (40, 20), (0, 20)]
    )
    outline = shapely.buffer(shapely.LineString(bends), reach).exterior
    edge, rng = shapely.get_coordinates(outline.segmentize(0.5))[:-1], np.random.default_rng(9)
    for _ in range(100):
        parts, over_m = part_laps(clean_track(walk_edge(edge, rng))[0])
        assert (len(parts), over_m) == (1, 0.0)


def test_two_rounds_in_one_recording_are_told_as_two_walks_also_back_the_other_way(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    edge, back = EDGES["green"], EDGES["green"][::-1]
    twice = walk_edge(edge, rng, sd_m=0.05, laps=2)
    start = np.argmin(np.hypot(*(back - twice[-1]).T))
    round_again = np.roll(back, -start, axis=0)[::3]
    for laps, track in ((2, twice), (3, np.vstack([twice, round_again]))):
        path = tmp_path / "walked.gpx"
        path.write_text(gpx(("green 7", track)), encoding="utf-8")
        ground = read_ground(path, accuracy_m=2)
        assert ground.surfaces["area_m2"].tolist() == [pytest.approx(shapely.Polygon(edge).area, rel=0.03)]
        [note] = [note for note in ground.notes if note.what == "walked"]
        assert (note.facts["walks"], note.facts["laps"], note.facts["over_m"]) == (laps, laps, 0)
        assert f"1 walked edge, {laps} walks" in said(ground)
    half = walk_edge(edge, rng, sd_m=0.05, laps=1.5)
    path.write_text(gpx(("green 7", half)), encoding="utf-8")
    ground = read_ground(path, accuracy_m=2)
    assert ground.surfaces["area_m2"].tolist() == [pytest.approx(shapely.Polygon(edge).area, rel=0.05)]
    assert "walked over again and left out: 4" in said(ground)  # some forty metres


@pytest.mark.slow
def test_tracks_named_in_plain_words_become_surfaces_and_two_walks_one(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    tracks = [
        ("green 7", walk_edge(EDGES["green"], rng)),
        ("green 7 walk 2", walk_edge(EDGES["green"], rng)),
        ("7 fairway left", walk_edge(EDGES["fairway"] + [60, 0], rng)),
        ("bunker", walk_edge(EDGES["bunker"] + [-40, 0], rng)),
    ]
    path = tmp_path / "walked.gpx"
    path.write_text(gpx(*tracks), encoding="utf-8")
    ground = read_ground(path, collar_m=0.76)
    frame = ground.surfaces.set_index("surface_id")
    assert list(frame.index) == ["07-green-1", "07-collar-1", "07-fairway-1"]
    assert ground.obstacles["kind"].tolist() == ["bunker"]
    wanted = shapely.Polygon(EDGES["green"]).area
    assert frame.loc["07-green-1", "area_m2"] == pytest.approx(wanted, rel=frame.loc["07-green-1", "area_doubt"])
    assert frame["edge_doubt_m"].notna().all()
    assert "3 walked edges, 4 walks" in said(ground)
    assert "--accuracy" in said(ground)
    assert "collars of 76 cm round walked greens" in said(ground)
    for name in ("out.geojson", "out.kml", "out.zip"):  # what an edge is known by goes with it
        write_ground(ground, tmp_path / name)
        again = read_ground(tmp_path / name).surfaces.set_index("surface_id")
        for column in ("edge_doubt_m", "area_doubt"):
            assert again[column].to_numpy() == pytest.approx(frame[column].to_numpy(), nan_ok=True), name
    survey = tmp_path / "course.gpkg"
    run = CliRunner().invoke(main, ["ground", str(survey), str(path), "--accuracy", "2m"])
    assert run.exit_code == 0, run.output
    before = load_ground(open_survey(survey)).surfaces.set_index("surface_id")
    correct(str(survey), str(tmp_path / "again.geojson"), surface_id="07-fairway-1", kind="rough", hole="7")
    kept = read_ground(tmp_path / "again.geojson").surfaces.set_index("surface_id")
    assert kept.loc["07-green-1", "edge_doubt_m"] == pytest.approx(before.loc["07-green-1", "edge_doubt_m"])
    assert kept.loc["07-rough-1", "area_doubt"] == pytest.approx(before.loc["07-fairway-1", "area_doubt"])
    asked = ["design", str(survey), "--visit", "2026-05-04", "--points", "12", "--surfaces", "green", "--seed", "1"]
    told = [CliRunner().invoke(main, [*asked, "--border", width]).output for width in ("3ft", "5m")]
    assert ["narrower than what is known of the walked edges" in " ".join(text.split()) for text in told] == [
        True,
        False,
    ]
    kept = load_ground(open_survey(survey)).surfaces
    assert kept["edge_doubt_m"].max() < frame["edge_doubt_m"].max() / 2


@pytest.mark.parametrize("ending", [".kml", ".geojson"])
def test_an_open_line_is_closed_where_its_ends_are_near_and_told_where_they_are_not(
    tmp_path: Path, ending: str
) -> None:
    edge = EDGES["green"]
    near, wide = (
        shapely.LineString(edge[:-30]),
        shapely.LineString(edge[:-80] + np.array([60, 0])),
    )  # gaps of 5 m and of 14 m
    path = tmp_path / f"a{ending}"
    lines = [(near, {"name": "green 7"}), (wide, {"name": "green 8"})]
    if ending == ".kml":
        text = [
            f"<Placemark><name>{fields['name']}</name><LineString><coordinates>"
            f"{' '.join(f'{lon},{lat}' for lon, lat in shapely.get_coordinates(lonlat(line)))}"
            "</coordinates></LineString></Placemark>"
            for line, fields in lines
        ]
        path.write_text(kml("".join(text)), encoding="utf-8")
    else:
        write(path, *lines)
    ground = read_ground(path)
    assert ground.surfaces["surface_id"].tolist() == ["07-green-1"]
    [note] = [note for note in ground.notes if note.what == "open_line"]
    assert note.facts["gap_m"] == pytest.approx(wide.boundary.geoms[0].distance(wide.boundary.geoms[1]), rel=1e-3)
    assert f"its ends are {show_length(note.facts['gap_m'], 'metric')} apart" in said(ground)
    inside = shapely.Polygon(edge).area
    assert ground.surfaces["area_m2"].iloc[0] == pytest.approx(inside, rel=ground.surfaces["area_doubt"].iloc[0])


def test_spikes_and_stops_change_no_area(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    plain = walk_edge(EDGES["green"], rng, sd_m=0.001)
    bent = np.insert(plain, 40, plain[40] + rng.normal(0, 0.4, (60, 2)), axis=0)  # a minute's chat
    bent[[0, 15, 16, -1]] += [[30, 0], [0, 25], [3, 28], [-40, 9]]  # a cold start, and two jumps
    areas = []
    for track in (plain, bent):
        path = tmp_path / "a.gpx"
        path.write_text(gpx(("green", track)), encoding="utf-8")
        ground = read_ground(path, accuracy_m=0.5)
        areas.append(ground.surfaces["area_m2"].iloc[0])
    [note] = [note for note in ground.notes if note.what == "walked"]
    assert note.facts["spikes"] == 4
    assert note.facts["stops"] >= 1
    assert areas[1] == pytest.approx(areas[0], rel=0.01)
    assert areas[0] == pytest.approx(shapely.Polygon(EDGES["green"]).area, rel=0.01)


def test_an_accuracy_that_is_none_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.gpx"
    path.write_text(gpx(("green", EDGES["green"])), encoding="utf-8")
    with pytest.raises(GroundError, match="accuracy_m"):
        read_ground(path, accuracy_m=0.0)
