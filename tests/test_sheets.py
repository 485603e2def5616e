"""Sheets: what is written is true to scale, complete, and read by others; the command; bags; odd courses."""

from __future__ import annotations

import csv
import json
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import gpxpy
import numpy as np
import openpyxl
import pandas as pd
import pymupdf
import pyogrio
import pytest
import segno
import shapely
from click.testing import CliRunner
from pyxform.xls2xform import convert
from sheets_case import read_pages

from geosample.cli import main
from geosample.design import Design, draw_design, load_design, save_design
from geosample.drawing import close_book, open_book
from geosample.errors import GeosampleError, SheetsError
from geosample.ground import Ground, save_ground
from geosample.pests import load_pest
from geosample.report.sheets import STEPS
from geosample.sheets import Sheets, StopTable, blank_rows, sheet_columns, stage_columns, write_sheets
from geosample.sheets.bench import choose_recounts, draw_qr, qr_text
from geosample.sheets.blanks import check_not_filled, is_filled, ordered_points, quote_text
from geosample.survey import open_survey
from geosample.words import BENCH, FIELD, METHOD_LETTERS, METHODS, make_sample_id


@pytest.fixture(scope="module")
def made(sheets_design: Design, small_ground: Ground, tmp_path_factory: pytest.TempPathFactory) -> Sheets:
    return write_sheets(sheets_design, small_ground, tmp_path_factory.mktemp("sheets"))


def test_write_sheets_makes_every_file_of_the_contract(made: Sheets) -> None:
    names = {path.name for path in made.paths if path.stat().st_size > 0}
    assert names >= {
        "field_map.pdf",
        "points.gpx",
        "points.kml",
        "blank_counts.csv",
        "blank_counts.xlsx",
        "form_pull.xlsx",
        "form_bench.xlsx",
        "field_page.html",
    }


def test_the_blank_sheet_has_one_header_row_and_a_row_a_bag(made: Sheets, sheets_design: Design) -> None:
    with (made.paths[0].parent / "blank_counts.csv").open(newline="", encoding="utf-8-sig") as file:
        rows = list(csv.reader(file))
    assert tuple(rows[0]) == sheet_columns(load_pest())
    assert len(rows) == 1 + len(sheets_design.points)
    assert {row[3] for row in rows[1:]} == {f"{point_id}-B" for point_id in sheets_design.points["point_id"]}


def test_the_sheet_to_type_into_is_in_the_order_of_the_bench_sheet_with_its_columns(
    made: Sheets, sheets_design: Design
) -> None:
    rows = blank_rows(sheets_design, load_pest())
    assert rows["role"].tolist() == sorted(rows["role"], key=["main", "reserve"].index)
    assert rows["batch"].tolist() == [number // 6 + 1 for number in range(len(rows))]
    pages = [page for page in read_pages(made.paths[0]) if page.text.startswith("Bench sheet: brine")]
    bags = [word for page in pages for word, _ in page.words if word in set(rows["sample_id"])]
    assert bags == rows["sample_id"].tolist()
    for head in ("none found", "others found", "not done", "counted by"):
        assert head.split()[0] in pages[0].text
        assert head.replace(" ", "_") in rows.columns


def test_what_the_crew_fills_in_is_blank_and_never_zero(sheets_design: Design) -> None:
    rows = blank_rows(sheets_design, load_pest())
    assert rows.loc[:, "status":].isna().all().all()


@pytest.mark.slow
def test_a_filled_blank_sheet_is_not_written_over_without_force(
    sheets_design: Design, small_ground: Ground, tmp_path: Path
) -> None:
    write_sheets(sheets_design, small_ground, tmp_path)
    check_not_filled(tmp_path.glob("blank*"))  # still blank: no reason to refuse
    sheet = tmp_path / "blank_counts.csv"
    text = sheet.read_text(encoding="utf-8-sig")
    filled = text.replace("main,brine,3,,", "main,brine,3,counted,", 1)
    sheet.write_text(filled, encoding="utf-8-sig")
    with pytest.raises(SheetsError, match=r"blank_counts\.csv: found a sheet that is filled in.*--force"):
        write_sheets(sheets_design, small_ground, tmp_path)
    assert sheet.read_text(encoding="utf-8-sig") == filled
    write_sheets(sheets_design, small_ground, tmp_path, force=True)
    assert sheet.read_text(encoding="utf-8-sig") == text


def test_a_workbook_with_a_count_in_it_is_filled(made: Sheets, tmp_path: Path) -> None:
    source = next(path for path in made.paths if path.name == "blank_counts.xlsx")
    assert not is_filled(source)
    book = openpyxl.load_workbook(source)
    book["batch 2"].cell(2, 20).value = 0
    book.save(tmp_path / "blank_counts.xlsx")
    assert is_filled(tmp_path / "blank_counts.xlsx")


def test_points_on_another_ground_are_refused_and_nothing_is_written(
    sheets_design: Design, small_ground: Ground, tmp_path: Path
) -> None:
    stray = replace(sheets_design, points=sheets_design.points.assign(surface_id="09-green-1"))
    with pytest.raises(SheetsError, match="09-green-1"):
        write_sheets(stray, small_ground, tmp_path / "new")
    assert not (tmp_path / "new").exists()


@pytest.mark.slow
def test_nothing_given_is_changed(sheets_design: Design, small_ground: Ground, tmp_path: Path) -> None:
    before = sheets_design.points.copy(deep=True), small_ground.surfaces.copy(deep=True)
    write_sheets(sheets_design, small_ground, tmp_path)
    pd.testing.assert_frame_equal(sheets_design.points, before[0])
    pd.testing.assert_frame_equal(small_ground.surfaces, before[1])


@pytest.mark.slow
def test_two_people_get_a_round_each_of_equal_time_with_pages_labels_and_waypoints(
    sheets_design: Design, small_ground: Ground, tmp_path: Path
) -> None:
    made = write_sheets(sheets_design, small_ground, tmp_path, people=2)
    rounds = made.summary()["rounds"]
    assert max(one["minutes"] for one in rounds) <= 1.1 * min(one["minutes"] for one in rounds)
    # the way at 75 m a minute, and two minutes at each point: the way to a point is not counted twice
    assert [one["minutes"] for one in rounds] == pytest.approx(
        [one["walk_m"] / 75 + 2 * one["points"] for one in rounds]
    )
    main = set(sheets_design.points["point_id"][sheets_design.points["role"] == "main"])
    pulled: list[set[str]] = []
    for number in (1, 2):
        gpx = gpxpy.parse((tmp_path / f"points_round_{number}.gpx").read_text(encoding="utf-8"))
        mine = {point.name for point in gpx.waypoints if point.type == "main"}
        assert [len(mine)] == [one["points"] for one in rounds if one["round"] == number]
        for name in ("field_map.pdf", "bag_labels.pdf"):
            pages = [page.text for page in read_pages(tmp_path / name) if f"Round {number} of 2" in page.text]
            told = {word for page in pages for word in page.split()}
            assert mine <= told
            assert not (main - mine) & told
        pulled.append(mine)
    assert pulled[0] | pulled[1] == main
    assert not pulled[0] & pulled[1]


@pytest.mark.parametrize("people", [0, 1_000])
def test_more_people_than_points_are_refused(
    sheets_design: Design, small_ground: Ground, tmp_path: Path, people: int
) -> None:
    with pytest.raises(SheetsError, match=f"people: found {people}"):
        write_sheets(sheets_design, small_ground, tmp_path, people=people)


@pytest.fixture
def survey(sheets_design: Design, small_ground: Ground, tmp_path: Path) -> Path:
    file = open_survey(tmp_path / "course.gpkg")
    save_ground(file, small_ground)
    save_design(file, sheets_design)
    return file.path


def run(*args: object) -> tuple[int, str, str]:
    result = CliRunner().invoke(main, ["sheets", *map(str, args)])
    return result.exit_code, result.stdout, result.stderr


@pytest.mark.slow
def test_it_lists_the_files_it_wrote(survey: Path, tmp_path: Path) -> None:
    code, out, _ = run(survey, "--out", tmp_path / "sheets", "--paper", "a4", "--units", "metric")
    assert code == 0
    assert all(path.name in out for path in (tmp_path / "sheets").iterdir())


@pytest.mark.slow
def test_json_is_alone_on_stdout(survey: Path, tmp_path: Path) -> None:
    code, out, _ = run(survey, "--out", tmp_path / "sheets", "--json")
    assert code == 0
    assert all(Path(path).exists() for path in json.loads(out)["files"])


@pytest.mark.slow
def test_the_finding_words_are_kept_in_the_survey(survey: Path, tmp_path: Path) -> None:
    before = load_design(open_survey(survey)).points
    run(survey, "--out", tmp_path / "sheets", "--pace", "0.8m")
    after = load_design(open_survey(survey)).points
    assert after["finding"].str.len().min() > 0
    assert after.drop(columns="finding").equals(before.drop(columns="finding"))


@pytest.mark.slow
def test_a_filled_sheet_stops_it_with_exit_1(survey: Path, tmp_path: Path) -> None:
    run(survey, "--out", tmp_path / "sheets")
    sheet = tmp_path / "sheets" / "blank_counts.csv"
    sheet.write_text(sheet.read_text(encoding="utf-8-sig").replace(",,", ",0,", 1), encoding="utf-8")
    code, out, err = run(survey, "--out", tmp_path / "sheets")
    assert (code, out) == (1, "")
    assert "blank_counts.csv" in err
    assert "--force" in err
    assert run(survey, "--out", tmp_path / "sheets", "--force")[0] == 0


def test_it_is_refused_before_a_design(small_ground: Ground, tmp_path: Path) -> None:
    file = open_survey(tmp_path / "new.gpkg")
    save_ground(file, small_ground)
    code, _, err = run(file.path, "--out", tmp_path / "sheets")
    assert code == 1
    assert "geosample design" in err
    assert not (tmp_path / "sheets").exists()


def test_a_pace_without_a_unit_is_bad_usage(survey: Path, tmp_path: Path) -> None:
    assert run(survey, "--out", tmp_path / "sheets", "--pace", "30")[0] == 2


GPX = "{http://www.topografix.com/GPX/1/1}"
# Topografix, GPX 1.1 schema: order of the children of gpx, wpt and rte (http://www.topografix.com/GPX/1/1/gpx.xsd).
GPX_ORDER = ["metadata", "wpt", "rte", "trk", "extensions"]
WPT_ORDER = ["ele", "time", "magvar", "geoidheight", "name", "cmt", "desc", "src", "link", "sym", "type"]
RTE_ORDER = ["name", "cmt", "desc", "src", "link", "number", "type", "extensions", "rtept"]


@pytest.fixture(scope="module")
def folder(made: Sheets) -> Path:
    return made.paths[0].parent


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


def test_every_bag_has_a_label(folder: Path, sheets_design: Design) -> None:
    words = [word for page in read_pages(folder / "bag_labels.pdf") for word, _ in page.words]
    bags = list(blank_rows(sheets_design, load_pest())["sample_id"])
    assert sorted(word for word in words if word in set(bags)) == sorted(bags)


def test_what_stands_on_a_label_stays_between_its_cut_lines(folder: Path) -> None:
    with pymupdf.open(folder / "bag_labels.pdf") as file:
        for page in file:
            labels = [one["rect"] for one in page.get_drawings() if one["rect"].width > page.rect.width / 5]
            cuts = {round(edge, 1) for label in labels for edge in (label.x0, label.x1)}
            assert len(cuts) > 2
            for west, _, east, *_ in page.get_text("words"):
                assert not [cut for cut in cuts if west < cut < east]


def test_the_code_on_a_label_is_the_one_its_text_makes() -> None:
    text, size_mm = qr_text("07F-03-B", "K7Q2"), 30.0
    book = open_book()
    draw_qr(book, text, 20.0, 50.0, size_mm)
    with pymupdf.open(stream=close_book(book)) as file:
        pixels = file[0].get_pixmap(dpi=600, colorspace=pymupdf.csGRAY)
    grey = np.frombuffer(pixels.samples, dtype=np.uint8).reshape(pixels.height, pixels.width)
    # segno draws by ISO/IEC 18004; the middle of each module on paper is compared with its matrix.
    truth = np.array([[bool(cell) for cell in row] for row in segno.make(text, error="m", micro=False).matrix])
    centres = 20.0 + (np.arange(len(truth)) + 4.5) * size_mm / (len(truth) + 8)
    down = 279.4 - 50.0 - size_mm + centres - 20.0
    drawn = grey[np.ix_((down / 25.4 * 600).astype(int), (centres / 25.4 * 600).astype(int))] < 128
    np.testing.assert_array_equal(drawn, truth)


def test_the_overview_carries_the_cautions(folder: Path) -> None:
    text = " ".join(read_pages(folder / "field_map.pdf")[0].text.split())
    assert all(caution.text in text for caution in FIELD)


@pytest.mark.slow
def test_the_bench_sheet_has_a_box_a_stage_the_steps_and_the_dangers(
    sheets_design: Design, small_ground: Ground, tmp_path: Path
) -> None:
    for method, danger in (("brine", BENCH[1]), ("heat", BENCH[0])):
        made = write_sheets(sheets_design, small_ground, tmp_path / method, method=method)
        pages = read_pages(made.paths[0])
        bench = next(page for page in pages if page.text.startswith(f"Bench sheet: {method}"))
        text = " ".join(bench.text.split())
        assert danger.text in text
        assert all(step.text in text for step in STEPS[method])
        assert all(stage.key in [word for word, _ in bench.words] for stage in load_pest().stages)


def test_every_tenth_bag_is_counted_again_and_the_first_sheet_does_not_say_which(
    folder: Path, sheets_design: Design
) -> None:
    rows = blank_rows(sheets_design, load_pest())
    main = list(rows.loc[rows["role"] == "main", "sample_id"])
    chosen = choose_recounts(main, seed=sheets_design.visit.seed)
    assert len(chosen) == pytest.approx(len(main) / 10, abs=1)
    pages = read_pages(folder / "field_map.pdf")
    again = [word for page in pages if "blind" in page.text for word, _ in page.words if word.endswith("-B-R")]
    assert again == [f"{bag}-R" for bag in chosen]
    typed = (folder / "blank_recounts.csv").read_text(encoding="utf-8-sig").splitlines()
    assert [line.split(",")[3] for line in typed[1:]] == again
    first = " ".join(page.text for page in pages if page.text.startswith("Bench sheet: brine"))
    assert "-R" not in first


@pytest.mark.slow
def test_a_stop_table_says_when_to_go_on_and_when_to_stop(
    sheets_design: Design, small_ground: Ground, tmp_path: Path
) -> None:
    # Wald 1947 for means 0.5 and 1.5, k 0.8, both errors 0.1: after n, stop at or below, at or above.
    rows = ((1, None, 6), (5, 0, 9), (10, 4, 13), (30, 21, 31))
    table = StopTable("green border", rows, low_per_m2=100.0, high_per_m2=300.0, k=0.8)
    made = write_sheets(sheets_design, small_ground, tmp_path, stop_lines=(table,))
    page = next(page for page in read_pages(made.paths[0]) if page.text.startswith("Stop lines: green border"))
    assert "1 go on 6 5 0 9 10 4 13 30 21 31" in " ".join(word for word, _ in page.words)


def test_every_method_has_its_own_letter_and_steps_with_a_grade() -> None:
    assert set(METHODS) == set(METHOD_LETTERS) == set(STEPS)
    assert len(set(METHOD_LETTERS.values())) == len(METHODS)
    assert all(step.grade in "SADPMG" for steps in STEPS.values() for step in steps)


def test_an_unknown_method_is_refused_with_those_there_are() -> None:
    with pytest.raises(GeosampleError, match=r"'boil'.*brine, heat"):
        make_sample_id("07F-03", "boil")


EAST_M, NORTH_M = 450_000.0, 4_600_000.0


@pytest.fixture(scope="module")
def odd_ground() -> Ground:
    """Two greens and a fairway in UTM, far from the origin; one green belongs to no hole, one to a hole named oddly."""
    shapes = [
        shapely.Point(EAST_M, NORTH_M).buffer(12),
        shapely.Point(EAST_M + 300, NORTH_M).buffer(10),
        shapely.box(EAST_M + 285, NORTH_M - 480, EAST_M + 320, NORTH_M - 30),
    ]
    surfaces = gpd.GeoDataFrame(
        {
            "surface_id": ["xx-green-1", "R3-green-1", "R3-fairway-1"],
            "hole": [None, "Ré 3", "Ré 3"],
            "kind": ["green", "green", "fairway"],
            "name": None,
            "source": "invented",
        },
        geometry=[shapely.multipolygons([shape]) for shape in shapes],
        crs=32618,
    )
    obstacles = gpd.GeoDataFrame(
        {"kind": ["trees", "path", "other"], "hole": None, "name": None, "source": "invented"},
        geometry=[
            shapely.LineString([(EAST_M - 30, NORTH_M - 30), (EAST_M + 30, NORTH_M - 30)]),
            shapely.MultiLineString([[(EAST_M - 30, NORTH_M - 40), (EAST_M + 400, NORTH_M - 40)]]),
            shapely.Point(EAST_M, NORTH_M + 15),
        ],
        crs=32618,
    )
    return Ground(surfaces.assign(area_m2=surfaces.area), obstacles)


@pytest.fixture(scope="module")
def odd_design(odd_ground: Ground) -> Design:
    design = draw_design(odd_ground, visit="2026-07-01", points=24, surfaces=("green", "fairway"), reserve=0.25, seed=2)
    return replace(design, visit=replace(design.visit, visit="Ann's round", design_code="Q'7"))


@pytest.fixture(scope="module")
def odd_folder(odd_ground: Ground, odd_design: Design, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("odd")
    write_sheets(odd_design, odd_ground, folder)
    return folder


def test_an_odd_course_gets_all_its_sheets(odd_folder: Path, odd_design: Design) -> None:
    pages = read_pages(odd_folder / "field_map.pdf")
    titles = {page.text.splitlines()[0] for page in pages}
    assert "Green 1 without a hole" in titles
    assert any(title.startswith("Hole Ré 3: ") for title in titles)
    labels = {word for page in pages for word, _ in page.words}
    assert all(set(point_id.split()) <= labels for point_id in odd_design.points["point_id"])
    with (odd_folder / "blank_counts.csv").open(encoding="utf-8-sig", newline="") as file:
        assert {row["visit"] for row in csv.DictReader(file)} == {"Ann's round"}


def test_quotes_in_names_do_not_break_the_form(odd_folder: Path) -> None:
    for name in ("form_pull.xlsx", "form_bench.xlsx"):
        assert "Ann's round" in convert(str(odd_folder / name), validate=False).xform
    assert quote_text("""5' 6" tall""") == """concat('5', "'", ' 6" tall')"""


def test_one_point_and_no_reserve_is_enough(sheets_design: Design, small_ground: Ground, tmp_path: Path) -> None:
    alone = replace(sheets_design, points=sheets_design.points[sheets_design.points["role"] == "main"].head(1))
    made = write_sheets(alone, small_ground, tmp_path)
    assert made.summary()["points"] == {"main": 1, "reserve": 0}
    sheet = openpyxl.load_workbook(tmp_path / "blank_counts.xlsx").worksheets[0]
    assert sheet.max_row == 2


@pytest.mark.slow
def test_two_points_at_one_place_are_both_labelled(sheets_design: Design, small_ground: Ground, tmp_path: Path) -> None:
    first = sheets_design.points.geometry.iloc[0]
    twins = sheets_design.points.geometry.where(np.arange(len(sheets_design.points)) != 1, first)
    made = write_sheets(replace(sheets_design, points=sheets_design.points.set_geometry(twins)), small_ground, tmp_path)
    assert made.unlabelled == ()


def test_a_design_without_points_or_on_other_coordinates_is_refused(
    sheets_design: Design, small_ground: Ground, tmp_path: Path
) -> None:
    with pytest.raises(SheetsError, match="no points"):
        write_sheets(replace(sheets_design, points=sheets_design.points.head(0)), small_ground, tmp_path)
    with pytest.raises(SheetsError, match="one coordinate system"):
        write_sheets(replace(sheets_design, points=sheets_design.points.to_crs(4326)), small_ground, tmp_path)


@pytest.mark.slow
def test_a_folder_that_can_t_be_made_is_told_in_words(
    sheets_design: Design, small_ground: Ground, tmp_path: Path
) -> None:
    (tmp_path / "taken").write_text("a file")
    with pytest.raises(SheetsError, match=r"taken.*--out"):
        write_sheets(sheets_design, small_ground, tmp_path / "taken")


@pytest.mark.slow
@pytest.mark.parametrize("reserve", [0.0, 0.3])
def test_paper_speaks_of_reserve_points_only_where_there_are_some(
    odd_ground: Ground, tmp_path: Path, reserve: float
) -> None:
    asked = {"points": 24, "surfaces": ("green", "fairway"), "reserve": reserve, "minimum": 5, "seed": 2}
    write_sheets(draw_design(odd_ground, visit="2026-07-01", **asked), odd_ground, tmp_path)
    said = " ".join(" ".join(page.text.split()) for page in read_pages(tmp_path / "field_map.pdf"))
    assert ("reserve" in said) is (reserve > 0)
    assert ("take the next reserve point of its part" in said) is (reserve > 0)
