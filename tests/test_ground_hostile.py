"""Files that are broken, or meant to do harm: an error in words, nothing else, and no work that swells."""

from __future__ import annotations

import io
import json
import shutil
import struct
import zipfile
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
import shapely
from click.testing import CliRunner
from ground_case import (
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
    write_swelling,
)
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from work_case import count_calls

from geosample.cli import main
from geosample.errors import GeosampleError, GroundError
from geosample.files import reading as texts
from geosample.ground import FORMATS, read_ground

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
    ".gpx": gpx(("green 7", invented_edges()["green"]), ("fairway 7", invented_edges()["fairway"])).encode(),
}


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
