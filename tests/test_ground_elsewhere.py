"""Files that lie in another place than they say, or in a system that is not true metres: named, with the remedy."""

from __future__ import annotations

import json
from pathlib import Path

import pyproj
import pytest
import shapely
from ground_case import collection, disc, frame_of, lonlat, one_hole, write

from geosample.errors import GroundError
from geosample.ground import read_ground


def test_metres_without_a_coordinate_system_are_refused_with_the_remedy(tmp_path: Path) -> None:
    path = tmp_path / "a.shp"
    frame_of(one_hole(), 32618).to_file(path)
    path.with_suffix(".prj").unlink()
    with pytest.raises(GroundError, match="file_crs=EPSG:n"):
        read_ground(path)
    assert len(read_ground(path, file_crs="EPSG:32618").surfaces) == 3


def test_degrees_in_a_metric_system_are_named(tmp_path: Path) -> None:
    data = collection(*one_hole())
    data["crs"] = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::32618"}}
    path = tmp_path / "a.geojson"
    path.write_text(json.dumps(data), encoding="utf-8")
    with pytest.raises(GroundError, match="degrees in the metric system"):
        read_ground(path)
    assert len(read_ground(path, file_crs="EPSG:4326").surfaces) == 3


@pytest.mark.parametrize("place", [(-73.9, 41.5), (20.0, 60.0), (-84.0, 33.0)])
def test_swapped_latitude_and_longitude_are_named_and_mendable(tmp_path: Path, place: tuple[float, float]) -> None:
    site = pyproj.CRS.from_user_input(f"+proj=laea +lat_0={place[1]} +lon_0={place[0]} +x_0=500 +datum=WGS84")
    back = pyproj.Transformer.from_crs(site, 4326, always_xy=True)
    greens = [(disc(200 * n, 50 * n, 12), {"kind": "green", "hole": n + 1}) for n in range(9)]
    swapped = [
        (shapely.transform(shapely.transform(s, back.transform, interleaved=False), lambda c: c[:, ::-1]), fields)
        for s, fields in greens
    ]
    path = write(tmp_path / "a.geojson", *swapped, degrees=True)
    mended = read_ground(path, swap_lonlat=True)
    assert mended.surfaces["area_m2"].iloc[0] == pytest.approx(disc(0, 0, 12).area, rel=1e-5)
    with pytest.raises(GroundError, match="swap_lonlat"):
        read_ground(path)


def test_a_course_wider_than_ten_kilometres_is_named_with_what_lies_far_off(tmp_path: Path) -> None:
    far = (shapely.Point(0, 0).buffer(0.0001), {"kind": "green", "name": "stray"})
    near = [(lonlat(shape), fields) for shape, fields in one_hole()]
    with pytest.raises(GroundError) as caught:
        read_ground(write(tmp_path / "a.geojson", *near, far, degrees=True))
    assert "km wide" in str(caught.value.problems[0])
    assert "stray" in str(caught.value.problems[1])


@pytest.mark.parametrize("crs", ["EPSG:3857", "EPSG:4326", "EPSG:2263", "EPSG:999999"])
def test_a_working_system_that_is_not_true_metres_is_refused(tmp_path: Path, crs: str) -> None:
    with pytest.raises(GroundError, match="crs"):
        read_ground(write(tmp_path / "a.geojson", *one_hole()), crs=crs)


def test_a_working_system_with_a_small_error_says_how_large(tmp_path: Path) -> None:
    ground = read_ground(write(tmp_path / "a.geojson", *one_hole()), crs="EPSG:32618")
    assert any(note.what == "areas_off" for note in ground.notes)


@pytest.mark.parametrize(("code", "metres"), [(2263, 4), (4267, 20), (26918, None)])
def test_a_datum_that_can_only_be_shifted_roughly_is_said(tmp_path: Path, code: int, metres: int | None) -> None:
    frame_of(one_hole(), code).to_file(tmp_path / "a.gpkg")
    ground = read_ground(tmp_path / "a.gpkg")
    doubts = [note.facts["accuracy_m"] for note in ground.notes if note.what == "datum_shift"]
    # EPSG registry, accuracy of the shifts to WGS84 that need no grid file: 1188 (NAD83) 4 m, 1172 (NAD27) 20 m
    assert doubts == ([metres] if metres else [])
    assert ground.surfaces["area_m2"].iloc[0] == pytest.approx(disc(0, 0, 13).area, rel=1e-6)
