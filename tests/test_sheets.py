"""Sheets: what is written from a design is true to scale, complete, and can be read by others."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import gpxpy
import openpyxl
import pandas as pd
import pytest
from sheets_case import read_pages

from geosample.design import Design
from geosample.errors import SheetsError
from geosample.ground import Ground
from geosample.pests import load_pest
from geosample.sheets import Sheets, blank_rows, sheet_columns, write_sheets
from geosample.sheets.blanks import check_not_filled, is_filled


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
