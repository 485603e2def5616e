"""Ground: the user's own points and areas, read by the same door as a course, each row one shape with its name."""

from __future__ import annotations

import json
from pathlib import Path

import geopandas as gpd
import pytest
from ground_case import kml, placemark
from shapely import MultiPolygon, Point, Polygon, box

from geosample.errors import GroundError
from geosample.ground import read_own_shapes

CRS = 32618
WET = MultiPolygon([box(500_000, 4_600_000, 500_010, 4_600_010), box(500_020, 4_600_000, 500_030, 4_600_010)])


def own(path: Path, names: list[str | None], shapes: list[object], crs: int = CRS) -> Path:
    gpd.GeoDataFrame({"name": names}, geometry=shapes, crs=CRS).to_crs(crs).to_file(path)
    return path


@pytest.mark.parametrize("file", ["mine.gpkg", "mine.fgb", "mine.shp", "mine.geojson", "mine.gml"])
def test_a_shape_of_two_parts_stays_one_row_in_any_format(tmp_path: Path, file: str) -> None:
    path = own(tmp_path / file, ["wet", "dry"], [WET, box(500_040, 4_600_000, 500_050, 4_600_010)], 4326)
    found = read_own_shapes(path, CRS, option="--areas")
    areas = dict(zip(found["name"], found.area, strict=True))  # some formats have an order of their own
    assert areas == pytest.approx({"wet": 200, "dry": 100}, rel=1e-4)
    assert found.crs.to_epsg() == CRS


def test_the_names_of_placemarks_are_the_names(tmp_path: Path) -> None:
    path = tmp_path / "mine.kml"
    path.write_text(kml(placemark("low corner", Point(0, 0).buffer(9))), encoding="utf-8")
    assert read_own_shapes(path, CRS, option="--at")["name"].tolist() == ["low corner"]


def test_a_row_without_a_name_has_its_number(tmp_path: Path) -> None:
    found = own(tmp_path / "mine.gpkg", ["wet", None], [Point(500_000, 4_600_000), Point(500_001, 4_600_000)])
    assert read_own_shapes(found, CRS, option="--at")["name"].tolist() == ["wet", "2"]


def test_every_shape_that_is_not_whole_is_refused_by_its_place(tmp_path: Path) -> None:
    open_ring = {"type": "Polygon", "coordinates": [[[-75, 41], [-74, 41], [-74, 42]]]}
    shapes = [open_ring, None, {"type": "Point", "coordinates": [-75, 41]}]
    features = [{"type": "Feature", "properties": {}, "geometry": shape} for shape in shapes]
    path = tmp_path / "mine.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}), encoding="utf-8")
    with pytest.raises(GroundError) as caught:
        read_own_shapes(path, CRS, option="--at")
    assert [problem.where for problem in caught.value.problems] == [f"--at mine.geojson, feature {n}" for n in (1, 2)]


def test_a_file_that_is_not_what_its_ending_says_is_not_let_at_the_driver(tmp_path: Path) -> None:
    path = own(tmp_path / "mine.geojson", ["a"], [Polygon([(0, 0), (1, 0), (1, 1)])], 4326)
    with pytest.raises(GroundError, match=r"--at .*other bytes than its ending says"):
        read_own_shapes(path.rename(tmp_path / "mine.gpkg"), CRS, option="--at")
