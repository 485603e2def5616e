"""Waypoints, route and form: other programs read them, and they say what the survey says."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from pathlib import Path

import gpxpy
import numpy as np
import openpyxl
import pyogrio
import pytest
from pyxform.xls2xform import convert

from geosample.design import Design
from geosample.ground import Ground
from geosample.pests import load_pest
from geosample.sheets import stage_columns, write_sheets
from geosample.sheets.blanks import ordered_points

GPX = "{http://www.topografix.com/GPX/1/1}"
# Topografix, GPX 1.1 schema: order of the children of gpx, wpt and rte (http://www.topografix.com/GPX/1/1/gpx.xsd).
GPX_ORDER = ["metadata", "wpt", "rte", "trk", "extensions"]
WPT_ORDER = ["ele", "time", "magvar", "geoidheight", "name", "cmt", "desc", "src", "link", "sym", "type"]
RTE_ORDER = ["name", "cmt", "desc", "src", "link", "number", "type", "extensions", "rtept"]


@pytest.fixture(scope="module")
def folder(sheets_design: Design, small_ground: Ground, tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("files")
    write_sheets(sheets_design, small_ground, made)
    return made


def in_order(element: ET.Element, order: list[str]) -> bool:
    places = [order.index(child.tag.removeprefix(GPX)) for child in element]
    return places == sorted(places)


def test_the_gpx_keeps_the_schema_s_order_and_ranges(folder: Path) -> None:
    root = ET.parse(folder / "points.gpx").getroot()
    assert root.tag == f"{GPX}gpx"
    assert root.attrib["version"] == "1.1"
    assert root.attrib["creator"]
    assert in_order(root, GPX_ORDER)
    assert all(in_order(point, WPT_ORDER) for tag in ("wpt", "rtept") for point in root.iter(f"{GPX}{tag}"))
    assert all(in_order(route, RTE_ORDER) for route in root.iter(f"{GPX}rte"))
    for point in [*root.iter(f"{GPX}wpt"), *root.iter(f"{GPX}rtept")]:
        assert -90 <= float(point.attrib["lat"]) <= 90
        assert -180 <= float(point.attrib["lon"]) < 180


def test_two_readers_find_the_waypoints_where_the_survey_has_them(folder: Path, sheets_design: Design) -> None:
    places = sheets_design.points.to_crs(4326).set_index("point_id").geometry
    with (folder / "points.gpx").open(encoding="utf-8") as file:
        first = {w.name: (w.longitude, w.latitude) for w in gpxpy.parse(file).waypoints}
    frame = pyogrio.read_dataframe(folder / "points.gpx", layer="waypoints")
    second = {name: (place.x, place.y) for name, place in zip(frame["name"], frame.geometry, strict=True)}
    for read in (first, second):
        assert set(read) == set(sheets_design.points["point_id"])
        apart = [np.subtract(read[name], (places[name].x, places[name].y)) for name in read]
        assert np.abs(apart).max() < 1e-7  # a centimetre


def test_the_route_walks_the_main_points_in_their_order(folder: Path, sheets_design: Design) -> None:
    with (folder / "points.gpx").open(encoding="utf-8") as file:
        (route,) = gpxpy.parse(file).routes
    assert [point.name for point in route.points] == list(ordered_points(sheets_design, "main")["point_id"])


def test_the_kml_opens_with_points_and_the_round(folder: Path, sheets_design: Design) -> None:
    layers = {name for name, _ in pyogrio.list_layers(folder / "points.kml")}
    assert {"main points", "reserve points"} <= layers
    main = pyogrio.read_dataframe(folder / "points.kml", layer="main points")
    assert list(main["Name"]) == list(ordered_points(sheets_design, "main")["point_id"])


FORMS = ("form_pull.xlsx", "form_bench.xlsx")


@pytest.mark.parametrize("name", FORMS)
def test_the_forms_are_valid_xlsforms_with_points_bags_and_stages(
    name: str, folder: Path, sheets_design: Design
) -> None:
    result = convert(str(folder / name), validate=False)
    assert result.warnings == []
    root = ET.fromstring(result.xform)
    bound = {element.attrib["nodeset"].split("/")[-1] for element in root.iter() if "nodeset" in element.attrib}
    asked = {"point_id", "position", "could_not", "hole_filled", "plugs"}
    wanted = asked if name == "form_pull.xlsx" else {*stage_columns(load_pest()), "none_found", "not_done", "sample_id"}
    assert wanted | {"design_code", "visit", "note"} <= bound
    assert all(point_id in result.xform for point_id in sheets_design.points["point_id"])
    assert re.search(r"nodeset=.[^>]*\[of ?= ?", result.xform)


def test_the_forms_name_their_fields_as_the_blank_sheet_does(folder: Path) -> None:
    names: set[str] = set()
    for form in FORMS:
        sheet = openpyxl.load_workbook(folder / form)["survey"]
        heads = [cell.value for cell in sheet[1]]
        names |= {row[heads.index("name")] for row in sheet.iter_rows(min_row=2, values_only=True)}
    blank = (folder / "blank_counts.csv").read_text(encoding="utf-8-sig").splitlines()[0].split(",")
    of_the_plan, of_the_position = {"surface_id", "walk_order", "role", "method"}, {"lat", "lon", "accuracy_m"}
    assert set(blank) - names == of_the_plan | of_the_position | {"status"}  # the paper asks for no status either
    assert names - set(blank) == {"start", "hole", "position", "how_to_count"}
    assert all(re.fullmatch(r"[A-Za-z_][A-Za-z0-9_.-]*", name) for name in names)
