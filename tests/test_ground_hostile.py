"""Files that are broken, meant to do harm, or odd but honest: an answer or what to do, and no work that swells."""

from __future__ import annotations

import io
import json
import shutil
import struct
import zipfile
from contextlib import suppress
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely
from click.testing import CliRunner
from ground_case import (
    collection,
    disc,
    frame_of,
    gpx,
    invented_edges,
    kml,
    lonlat,
    one_hole,
    osm,
    pbf,
    placemark,
    understate,
    write,
    write_swelling,
)
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from work_case import count_calls

from geosample.cli import main
from geosample.errors import GeosampleError, GroundError, SurveyError
from geosample.files import reading as texts
from geosample.ground import FORMATS, read_ground, save_ground
from geosample.report.ground import tell_note
from geosample.survey import open_survey

DRIVERS = {".kml": "LIBKML", ".gml": "GML", ".tab": "MapInfo File", ".mif": "MapInfo File", ".gdb": "OpenFileGDB"}
ROUNDED = {".osm": 1e-3, ".pbf": 1e-3, ".gdb": 1e-5, ".tab": 1e-5}  # whole numbers of 1e-7 degrees, 8 to 11 mm; of 1e-9
BESIDE = (".shx", ".dbf", ".prj", ".dat", ".map", ".id", ".mid")


@pytest.fixture
def every_format(tmp_path: Path) -> dict[str, Path]:
    """Return one hole in each format that is read."""
    frame = frame_of(one_hole())
    written = (".geojson", ".gpkg", ".fgb", ".shp", ".kml", ".gml", ".gdb", ".mif", ".tab")
    made = {ending: tmp_path / f"hole{ending}" for ending in written}
    fine = {".tab": {"BOUNDS": "-74,41,-73,42"}}  # its coordinates are whole numbers within these
    for path in made.values():
        frame.to_file(path, driver=DRIVERS.get(path.suffix), **fine.get(path.suffix, {}))
    made |= {ending: tmp_path / f"hole{ending}" for ending in (".osm", ".pbf")}
    made[".osm"].write_text(osm(*one_hole()), encoding="utf-8")
    made[".pbf"].write_bytes(pbf(*one_hole()))
    table = frame.assign(WKT=frame.geometry.to_wkt(rounding_precision=12)).drop(columns="geometry")
    table.to_csv(tmp_path / "hole.csv", index=False)
    with zipfile.ZipFile(tmp_path / "hole.zip", "w") as archive:
        for ending in (".shp", ".shx", ".dbf", ".prj"):
            archive.write(tmp_path / f"hole{ending}", f"the course/hole{ending}")
    with zipfile.ZipFile(tmp_path / "hole.kmz", "w") as archive:
        archive.write(made[".kml"], "doc.kml")
    shutil.copy(made[".geojson"], tmp_path / "hole.json")
    made[".json"] = tmp_path / "hole.json"
    return {**made, ".csv": tmp_path / "hole.csv", ".zip": tmp_path / "hole.zip", ".kmz": tmp_path / "hole.kmz"}


@pytest.mark.slow
def test_each_format_gives_the_same_ground(every_format: dict[str, Path]) -> None:
    assert every_format.keys() == set(FORMATS) - {
        ".gpx",
        ".dxf",
    }  # these are not placed as drawn, and have tests of their own
    wanted = read_ground(every_format[".geojson"], collar_m=0.762).surfaces
    for path in every_format.values():
        got = read_ground(path, collar_m=0.762).surfaces
        assert got["surface_id"].tolist() == wanted["surface_id"].tolist(), path.name
        assert got["area_m2"].to_numpy() == pytest.approx(
            wanted["area_m2"].to_numpy(), rel=ROUNDED.get(path.suffix, 1e-6)
        ), path.name
    assert not list(every_format[".gml"].parent.glob("*.gfs"))  # nothing is left beside the user's file


@pytest.mark.parametrize(("name", "inside"), [("hole.zip", ""), ("hole.gdb.zip", "the course/")])
def test_a_zipped_file_geodatabase_is_read_as_its_folder_is(tmp_path: Path, name: str, inside: str) -> None:
    folder = tmp_path / "hole.gdb"
    frame_of(one_hole()).to_file(folder, driver=DRIVERS[".gdb"])
    wanted = read_ground(folder).surfaces
    with zipfile.ZipFile(tmp_path / name, "w", zipfile.ZIP_DEFLATED) as archive:
        for file in sorted(folder.iterdir()):
            archive.write(file, f"{inside}{folder.name}/{file.name}")
    got = read_ground(tmp_path / name).surfaces
    assert got["surface_id"].tolist() == wanted["surface_id"].tolist()
    assert got["area_m2"].tolist() == wanted["area_m2"].tolist()
    with zipfile.ZipFile(tmp_path / name) as archive:
        parts = {one: archive.read(one) for one in archive.namelist()}
    told = set()
    for left in parts:  # one file at a time is not there: as before, or refused in words
        with zipfile.ZipFile(tmp_path / "less.zip", "w") as archive:
            for one, data in parts.items():
                if one != left:
                    archive.writestr(one, data)
        try:
            assert read_ground(tmp_path / "less.zip").surfaces["surface_id"].tolist() == wanted["surface_id"].tolist()
        except GroundError as error:
            told.add(error.problems[0].where)
    assert told == {str(tmp_path / "less.zip")}


def test_each_format_cut_short_anywhere_is_an_error(every_format: dict[str, Path], tmp_path: Path) -> None:
    for ending, path in every_format.items():
        if path.is_dir():
            continue  # many files: a table that is missing or cut short is the driver's to tell
        data = path.read_bytes()
        for share in (0.05, 0.3, 0.6, 0.9, 0.95 if ending == ".tab" else 0.99):  # its last bytes are white space
            cut = tmp_path / f"cut{ending}"
            for beside in BESIDE:
                cut.with_suffix(beside).write_bytes(path.with_suffix(beside).read_bytes())
            cut.write_bytes(data[: int(len(data) * share)])
            with pytest.raises(GeosampleError, match="cut"):
                read_ground(cut)


def test_a_shapefile_without_its_other_files_says_which(every_format: dict[str, Path]) -> None:
    every_format[".shp"].with_suffix(".dbf").unlink()
    with pytest.raises(GroundError, match=r"no \.dbf file beside it"):
        read_ground(every_format[".shp"])


@pytest.mark.parametrize(
    "ending",
    [".kml", ".kmz", ".zip", ".gpkg", ".fgb", ".shp", ".geojson", ".csv", ".osm", ".pbf", ".gml", ".tab", ".mif"],
)
def test_noise_under_any_ending_is_an_error(tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"noise{ending}"
    path.write_bytes(np.random.default_rng(5).bytes(5000))
    with pytest.raises(GroundError, match="noise"):
        read_ground(path)


def test_entities_that_swell_are_refused_before_any_is_made(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    lines = [
        '<!ENTITY a "x">',
        *(f'<!ENTITY {b} "{f"&{a};" * 10}">' for a, b in zip("abcdefgh", "bcdefghi", strict=True)),
    ]
    path = tmp_path / "bomb.kml"
    path.write_text(f"<?xml version='1.0'?><!DOCTYPE kml [{''.join(lines)}]><kml>&i;</kml>", encoding="utf-8")
    monkeypatch.setattr(texts.ET, "fromstring", lambda _: pytest.fail("the document was parsed"))
    with pytest.raises(GroundError, match="document type"):
        read_ground(path)


def test_entities_that_fetch_other_files_are_refused(tmp_path: Path) -> None:
    (tmp_path / "secret").write_text("hidden", encoding="utf-8")
    path = tmp_path / "a.kml"
    entity = f'<!DOCTYPE kml [<!ENTITY x SYSTEM "{(tmp_path / "secret").as_uri()}">]>'
    path.write_text(
        f"<?xml version='1.0'?>{entity}<kml><Placemark><name>&x;</name></Placemark></kml>", encoding="utf-8"
    )
    with pytest.raises(GroundError, match="document type") as caught:
        read_ground(path)
    assert "hidden" not in str(caught.value)


@pytest.mark.parametrize("name", ["../../evil.kml", "/evil.kml", "..\\evil.kml"])
def test_paths_outside_an_archive_are_refused_and_nothing_is_written(tmp_path: Path, name: str) -> None:
    path = tmp_path / "in" / "a.kmz"
    path.parent.mkdir()
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr(name, kml(placemark("green", disc(0, 0, 9))))
    with pytest.raises(GroundError, match="outside the archive"):
        read_ground(path)
    assert [found.name for found in tmp_path.rglob("*")] == ["in", "a.kmz"]


@pytest.mark.slow
def test_an_archive_that_unpacks_without_end_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.kmz"
    with (
        zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive,
        archive.open("doc.kml", "w", force_zip64=True) as file,
    ):
        for _ in range(80):
            file.write(b" " * 8_000_000)
    with pytest.raises(GroundError, match="unpacks to"):
        read_ground(path)


def test_a_virtual_file_under_another_name_never_reaches_the_driver(tmp_path: Path) -> None:
    path = tmp_path / "a.gpkg"
    path.write_text(
        "<OGRVRTDataSource><OGRVRTLayer name='x'><SrcDataSource>/etc</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>"
    )
    with pytest.raises(GroundError, match="other bytes"):
        read_ground(path)


def test_folders_nested_without_end_and_brackets_without_end(tmp_path: Path) -> None:
    path = tmp_path / "deep.kml"
    deep = 20_000
    path.write_text(kml("<Folder>" * deep + placemark("green", disc(0, 0, 9)) + "</Folder>" * deep), encoding="utf-8")
    assert len(read_ground(path).surfaces) == 1
    brackets = tmp_path / "deep.geojson"
    brackets.write_text('{"type":"FeatureCollection","features":' + "[" * 200_000, encoding="utf-8")
    with pytest.raises(GroundError, match="can't be read"):
        read_ground(brackets)


def test_a_ring_that_is_not_closed_in_a_layer_loses_nothing_else(tmp_path: Path) -> None:
    path = tmp_path / "a.gpkg"
    frame_of(one_hole()).to_file(path)
    good = shapely.to_wkb(lonlat(disc(0, 0, 13)))
    data = path.read_bytes()
    count = struct.unpack("<I", good[9:13])[0]
    at = data.index(good)
    last = at + 13 + 16 * (count - 1)
    moved = struct.pack("<dd", *np.add(struct.unpack("<dd", data[last : last + 16]), 1e-6))
    path.write_bytes(data[:last] + moved + data[last + 16 :])
    ground = read_ground(path)
    assert ground.surfaces["kind"].tolist() == ["green", "tee", "fairway"]
    assert any(note.what == "open_ring" for note in ground.notes)


def test_words_in_another_encoding_are_said_to_be(tmp_path: Path) -> None:
    path = tmp_path / "a.kml"
    path.write_bytes(kml(placemark("green é", disc(0, 0, 9))).encode("latin-1"))
    with pytest.raises(GroundError, match="save it again as UTF-8"):
        read_ground(path)
    table = tmp_path / "a.csv"
    table.write_bytes(f"WKT;name\n{lonlat(disc(0, 0, 9)).wkt};gr\xe9en\n".encode("latin-1"))
    with pytest.raises(GroundError, match="gréen"):
        read_ground(table)


def write_rough(path: Path, corners: int) -> Path:
    angle = np.linspace(0, 2 * np.pi, corners + 1)
    ring = np.column_stack([-73.9 + 0.002 * np.cos(angle), 41.5 + 0.002 * np.sin(angle)])
    feature = {
        "type": "Feature",
        "properties": {"golf": "rough"},
        "geometry": {"type": "Polygon", "coordinates": [ring.tolist()]},
    }
    path.write_text(json.dumps(feature), encoding="utf-8")
    return path


@pytest.mark.slow
def test_many_corners_are_read_by_no_more_calls_than_a_thousand(tmp_path: Path) -> None:
    few, many = (write_rough(tmp_path / f"{corners}.geojson", corners) for corners in (1_000, 300_000))
    for path in (few, many):
        assert len(read_ground(path).surfaces) == 1
    assert count_calls(lambda: read_ground(many)) < 1.5 * count_calls(lambda: read_ground(few))


WORDS = st.sampled_from(["type", "geometry", "coordinates", "properties", "features", "crs"])


junk = st.recursive(
    st.none() | st.booleans() | st.floats() | st.text(max_size=4) | st.integers(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(WORDS, inner, max_size=4),
    max_leaves=12,
)


@pytest.mark.slow
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=junk, geometry=junk)
def test_junk_in_geojson_is_always_an_error_in_words(tmp_path: Path, data: object, geometry: object) -> None:
    path = tmp_path / "junk.geojson"
    feature = {"type": "Feature", "properties": data, "geometry": {"type": "Polygon", "coordinates": geometry}}
    path.write_text(json.dumps({"type": "FeatureCollection", "features": [feature, data]}), encoding="utf-8")
    with pytest.raises(GeosampleError):
        read_ground(path)


BENT = {
    ".kml": kml("".join(placemark("green", disc(30 * n, 0, 9)) for n in range(2))).encode(),
    ".osm": osm(*one_hole()).encode(),
    ".pbf": pbf(*one_hole()),
    ".cut.pbf": pbf(*((disc(40 * n, 0, 9), {"golf": "green", "ref": str(n)}) for n in range(4)), without={3, 40}),
    ".gpx": gpx(("green 7", invented_edges()["green"]), ("fairway 7", invented_edges()["fairway"])).encode(),
}


@pytest.mark.slow
@settings(max_examples=90, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    places=st.lists(st.tuples(st.integers(0, 6000), st.integers(0, 255)), min_size=1, max_size=20),
    ending=st.sampled_from(sorted(BENT)),
)
def test_a_file_with_bytes_overwritten_is_read_or_refused_in_words(
    tmp_path: Path, places: list[tuple[int, int]], ending: str
) -> None:
    data = bytearray(BENT[ending])
    for place, value in places:
        data[place % len(data)] = value
    path = tmp_path / f"a{ending}"
    path.write_bytes(bytes(data))
    with suppress(GeosampleError):
        read_ground(path)


def test_archives_inside_archives_and_no_map_in_them(tmp_path: Path) -> None:
    inner = io.BytesIO()
    with zipfile.ZipFile(inner, "w") as archive:
        archive.writestr("a.txt", "nothing")
    path = tmp_path / "a.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("inner.zip", inner.getvalue())
    with pytest.raises(GroundError, match="no KML"):
        read_ground(path)


def test_other_maps_in_an_archive_are_named(tmp_path: Path) -> None:
    path = tmp_path / "a.kmz"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("doc.kml", kml(placemark("green", disc(0, 0, 9))))
        archive.writestr("back nine/more.kml", kml(placemark("green", disc(99, 0, 9))))
    ground = read_ground(path)
    assert [note.where for note in ground.notes] == ["a.kmz, back nine/more.kml", "all surfaces"]


@pytest.mark.slow
@pytest.mark.parametrize("told", [True, False], ids=["as it says", "more than it says"])
@pytest.mark.parametrize("ending", [".kmz", ".zip"])
def test_the_limit_on_what_an_archive_unpacks_to_is_told(tmp_path: Path, ending: str, told: bool) -> None:
    path = tmp_path / f"a{ending}"
    write_swelling(path, "doc.kml", kml("").encode())
    if not told:
        understate(path, "doc.kml", 999)
    with pytest.raises(GroundError) as caught:
        read_ground(path)
    expected = "at most 128 MB unpacked" if told else "an archive that can't be read"
    assert expected in str(caught.value)
    assert str(path) in str(caught.value)


def test_a_kmz_of_which_a_place_lies_before_its_start_is_named(tmp_path: Path) -> None:
    path = tmp_path / "a.kmz"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("doc.kml", kml(placemark("green", disc(0, 0, 9))))
    data = bytearray(path.read_bytes())
    data[-6:-2] = (int.from_bytes(data[-6:-2], "little") + 38_912).to_bytes(
        4, "little"
    )  # APPNOTE 4.3.16: the list's place
    path.write_bytes(bytes(data))
    run = CliRunner().invoke(main, ["ground", str(tmp_path / "course.gpkg"), str(path)])
    assert run.exit_code == 1
    assert "did not foresee" not in run.output
    assert f"{path}: found an archive that can't be read" in run.output


@pytest.mark.slow
@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(places=st.lists(st.tuples(st.integers(0, 600), st.integers(0, 255)), min_size=1, max_size=5))
def test_a_kmz_with_bytes_overwritten_is_read_or_refused_in_words(tmp_path: Path, places: list) -> None:
    path = tmp_path / "a.kmz"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("doc.kml", kml(placemark("green", disc(0, 0, 9))))
    data = bytearray(path.read_bytes())
    for place, value in places:
        data[-1 - place % len(data)] = value
    path.write_bytes(bytes(data))
    with suppress(GeosampleError):
        read_ground(path)


@pytest.mark.parametrize("wkt", ["POLYGON ((0 0, 1e400 0, 1 1, 0 0))", "POINT (1e309 1)"])
def test_a_number_too_large_for_any_map_is_told_of_in_words(tmp_path: Path, wkt: str) -> None:
    path = tmp_path / "a.csv"
    good = lonlat(disc(0, 0, 9)).wkt
    path.write_text(f'kind,wkt\ngreen,"{wkt}"\ngreen,"{good}"\n')
    notes = read_ground(path).notes
    assert [(note.where, note.what) for note in notes if "row 2" in note.where] == [("a.csv, row 2", "no_numbers")]


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
