"""Ground: odd but honest files, each either read or answered with what to do."""

from __future__ import annotations

import json
import zipfile
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely
from click.testing import CliRunner
from ground_case import collection, disc, kml, lonlat, one_hole, placemark, write

from geosample.cli import main
from geosample.errors import GroundError, SurveyError
from geosample.ground import read_ground, save_ground
from geosample.report.ground import tell_note
from geosample.survey import open_survey


def read_one(tmp_path: Path, fields: dict[str, Any]) -> str:
    """Return the surface id of a disc with these fields."""
    return str(read_ground(write(tmp_path / "a.geojson", (disc(0, 0, 10), fields))).surfaces["surface_id"].iloc[0])


@pytest.mark.parametrize(
    ("name", "surface_id"),
    [
        ("Hole7_Green", "07-green-1"),
        ("H7 Green", "07-green-1"),
        ("18th green", "18-green-1"),
        ("Front 9 Hole 2 green", "02-green-1"),
        ("Fairway 3 left", "03-fairway-1"),
        ("Tee 4 Black", "04-tee-1"),
        ("Tee Box 1 (Blue)", "01-tee-1"),
        ("Green 7 collar", "07-collar-1"),
        ("Practice Green 2", "green-1"),
        ("Nursery green", "green-1"),
        ("7G", "07-green-1"),
        ("GR07", "07-green-1"),
        ("FW_12", "12-fairway-1"),
    ],
)
def test_names_of_kind_and_hole_are_read_however_they_are_written(tmp_path: Path, name: str, surface_id: str) -> None:
    assert read_one(tmp_path, {"name": name}) == surface_id


def test_what_a_short_code_was_taken_for_is_said_and_can_be_mapped(tmp_path: Path) -> None:
    path = write(tmp_path / "a.geojson", (disc(0, 0, 10), {"name": "G7"}), (disc(50, 0, 10), {"name": "Fwy 7"}))
    codes = [note for note in read_ground(path).notes if note.what == "by_code"]
    assert [note.facts["label"] for note in codes] == ["G7"]
    assert read_ground(path, kinds="G7=tee").surfaces["kind"].tolist() == ["tee", "fairway"]


@pytest.mark.parametrize("name", ["B7", "PG", "Red 3 green", "R2"])
def test_a_name_that_may_mean_several_things_is_asked_about(tmp_path: Path, name: str) -> None:
    with pytest.raises(GroundError, match=f"'{name}'"):
        read_one(tmp_path, {"name": name})


@pytest.mark.parametrize(
    "fields",
    [
        {"tags": {"golf": "green", "ref": "7"}},
        {"tags": ["golf=green", "ref=7"]},
        {"tags": [{"k": "golf", "v": "green"}, {"k": "ref", "v": "7"}]},
        {"tags": '{"golf": "green", "ref": "7"}'},
        {"other_tags": '"golf"=>"green","ref"=>"7","name"=>"by the \\"old\\" oak"'},
        {"all_tags": "golf=green;ref=7"},
        {"GOLF": "Green", "Hole": 7},
        {"Surface_Ty": "GREEN", "HOLE_NUMBE": 7},
    ],
)
def test_tags_and_truncated_columns_are_found_in_any_packing(tmp_path: Path, fields: dict[str, Any]) -> None:
    assert read_one(tmp_path, fields) == "07-green-1"


def test_folders_by_kind_with_bare_numbers_for_names(tmp_path: Path) -> None:
    path = tmp_path / "a.kml"
    greens = placemark("7", disc(0, 0, 9)) + placemark("Hole 8", disc(60, 0, 9))
    fairways = placemark("7", disc(0, 50, 9))
    body = f"<Folder><name>Greens</name>{greens}</Folder><Folder><name>Fairways</name>{fairways}</Folder>"
    path.write_text(kml(body), encoding="utf-8")
    assert read_ground(path).surfaces["surface_id"].tolist() == ["07-green-1", "07-fairway-1", "08-green-1"]


@pytest.mark.parametrize("epsg", [4326, 2260, 26918, 3857])
def test_a_zipped_shapefile_in_a_folder_with_by_products_beside_it(tmp_path: Path, epsg: int) -> None:
    shapes = [lonlat(disc(0, 0, 9)), lonlat(disc(50, 0, 9))]
    frame = gpd.GeoDataFrame({"SURFACE_TY": ["Green", "Fairway"], "HOLE_NUMBE": [7, 7]}, geometry=shapes, crs=4326)
    (tmp_path / "c").mkdir()
    frame.to_crs(epsg).to_file(tmp_path / "c" / "c.shp")
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
        for file in (tmp_path / "c").iterdir():
            archive.write(file, f"sub/folder/{file.name}")
        archive.writestr("__MACOSX/sub/folder/._c.shp", b"junk")
    ground = read_ground(tmp_path / "a.zip")
    assert ground.surfaces["surface_id"].tolist() == ["07-green-1", "07-fairway-1"]
    assert ground.surfaces["area_m2"].tolist() == pytest.approx([disc(0, 0, 9).area] * 2, rel=1e-4)
    (tmp_path / "c" / "c.prj").unlink()
    if epsg != 4326:
        with pytest.raises(GroundError, match=r"no coordinate system.*file_crs"):
            read_ground(tmp_path / "c" / "c.shp")
    again = read_ground(tmp_path / "c" / "c.shp", file_crs=f"EPSG:{epsg}")
    assert again.surfaces.area.sum() == pytest.approx(ground.surfaces.area.sum(), rel=1e-6)


def test_bad_rows_of_a_csv_are_named_without_a_warning_also_when_all_else_fails(tmp_path: Path) -> None:
    bad = (
        '"POLYGON((nan nan,1 2,2 2,nan nan))",green\n"POLYGON((1 inf,1 2,2 2,1 inf))",green\n,green\nPOINT EMPTY,tee\n'
    )
    path = tmp_path / "a.csv"
    path.write_text(f'WKT,kind\n{bad}"{lonlat(disc(0, 0, 9)).wkt}",green\n', encoding="utf-8")
    ground = read_ground(path)
    assert len(ground.surfaces) == 1
    places = " ".join(note.where for note in ground.notes)
    assert all(f"row {row}" in places for row in (2, 3, 4, 5))
    far = shapely.transform(lonlat(disc(0, 0, 9)), lambda places: np.add(places, [3, 0]))
    rows = "".join(f'"{shape.wkt}",green\n' for shape in (lonlat(disc(0, 0, 9)), lonlat(disc(50, 0, 9)), far))
    path.write_text(f"WKT,kind\n{bad}{rows}", encoding="utf-8")
    with pytest.raises(GroundError) as caught:
        read_ground(path)
    text = str(caught.value)
    assert "km wide" in text
    assert all(f"row {row}" in text for row in (2, 3, 4, 5, 8))


def test_a_surface_too_small_to_sample_is_not_called_none(tmp_path: Path) -> None:
    path = write(tmp_path / "a.geojson", (shapely.box(0, 0, 0.01, 0.01), {"kind": "green"}))
    with pytest.raises(GroundError, match=r"1 surface, the largest of 1 cm².*at least 3 m²"):
        read_ground(path)


def test_one_unknown_label_is_one_line(tmp_path: Path) -> None:
    path = write(tmp_path / "a.geojson", *one_hole(), (disc(90, 0, 9), {"kind": "OB"}))
    run = CliRunner().invoke(main, ["ground", str(tmp_path / "a.gpkg"), str(path)])
    assert run.exit_code == 1
    assert len(run.stderr.strip().splitlines()) == 1
    assert '--kinds "OB=ignore"' in run.stderr


def test_a_cart_path_drawn_as_a_line_takes_no_turf_and_says_so(tmp_path: Path) -> None:
    line = (shapely.LineString([(-50, -100), (50, -100)]), {"golf": "cartpath"})
    bare = read_ground(write(tmp_path / "a.geojson", *one_hole()))
    ground = read_ground(write(tmp_path / "b.geojson", *one_hole(), line))
    assert ground.surfaces["area_m2"].sum() == pytest.approx(bare.surfaces["area_m2"].sum(), rel=1e-6)
    note = next(note for note in ground.notes if note.what == "no_width")
    assert "draw it as a polygon" in tell_note(note)


def test_a_folder_that_may_not_be_written_to_is_said_at_once(tmp_path: Path) -> None:
    ground = read_ground(write(tmp_path / "a.geojson", *one_hole()))
    folder = tmp_path / "shut"
    folder.mkdir(mode=0o555)
    with pytest.raises(SurveyError, match="a folder that may not be written to"):
        save_ground(open_survey(folder / "a.gpkg"), ground)
    assert list(folder.iterdir()) == []


def test_null_shapes_alone_are_named(tmp_path: Path) -> None:
    document = collection()
    document["features"] = [{"type": "Feature", "properties": None, "geometry": None}]
    path = tmp_path / "a.geojson"
    path.write_text(json.dumps(document), encoding="utf-8")
    with pytest.raises(GroundError, match="feature 1: found a feature without a shape"):
        read_ground(path)


def test_a_line_of_trees_across_the_turf_is_doubted(tmp_path: Path) -> None:
    across = (shapely.LineString([(-50, -100), (50, -100)]), {"natural": "tree_row"})
    beside = (shapely.LineString([(-50, -100), (-50, 100)]), {"natural": "tree_row"})
    ground = read_ground(write(tmp_path / "a.geojson", *one_hole(), across, beside))
    found = [note.facts["length_m"] for note in ground.notes if note.what == "trees_on_turf"]
    assert found == pytest.approx([32.0], rel=1e-3)


def test_ground_that_collars_add_is_in_the_report_to_the_square_metre(tmp_path: Path) -> None:
    ground = read_ground(write(tmp_path / "a.geojson", (disc(0, 0, 13), {"kind": "green"})), collar_m=0.762)
    added = next(note for note in ground.notes if note.what == "collar_new_ground")
    assert ground.surfaces["area_m2"].sum() == pytest.approx(disc(0, 0, 13).area + added.area_m2, rel=1e-6)
