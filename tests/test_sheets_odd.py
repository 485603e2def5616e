"""Odd courses: no hole, names with quotes and accents, one point, no reserve, lines and points as obstacles."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import openpyxl
import pytest
import shapely
from pyxform.xls2xform import convert
from sheets_case import read_pages

from geosample.design import Design, draw_design
from geosample.errors import SheetsError
from geosample.ground import Ground
from geosample.sheets import write_sheets
from geosample.sheets.blanks import quote_text

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
