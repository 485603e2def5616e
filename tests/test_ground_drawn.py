"""Ground: drawings of a course, placed by their own coordinates or by pairs of places."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

import ezdxf
import numpy as np
import pyproj
import pytest
import shapely
from click.testing import CliRunner
from ground_case import LAEA, disc, said
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from geosample.cli import main
from geosample.errors import GeosampleError, GroundError
from geosample.ground import Ground, drawings, read_ground
from geosample.ground.placing import fit_pairs

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
