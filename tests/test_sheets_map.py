"""The crew's sheets, measured on the PDF: pages, letters, rows to write in, and maps that are true to scale."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pymupdf
import pytest
import shapely
from scipy.spatial.distance import pdist
from sheets_case import POINT_MM, Page, read_pages

from geosample.demo import find_course
from geosample.design import Design, draw_design
from geosample.drawing import open_book
from geosample.ground import Ground, read_ground
from geosample.sheets import write_sheets
from geosample.sheets.finding import PACE_M
from geosample.sheets.mapbook import SMALL_KINDS, STRIP_MM, USUAL, HoleSheet, open_mapbook, plan_sheets
from geosample.sheets.rounds import split_rounds

LABEL = re.compile(r"\d\d[A-Z]-\d\d")
WITHIN_MM = 0.3  # about a pen line
LEAST_PT, LEAST_LABEL_PT, LEAST_ROW_MM = 9.0, 10.0, 9.0


@dataclass(frozen=True)
class Printed:
    """A design's sheets: the file, its pages as read, and the sheets as planned."""

    path: Path
    pages: list[Page]
    sheets: list[HoleSheet]
    design: Design
    ground: Ground

    @property
    def drawn(self) -> list[tuple[HoleSheet, Page]]:
        """Each planned sheet and the page that holds it."""
        titles = {page.text.splitlines()[0]: page for page in self.pages}
        return [(sheet, titles[sheet.title]) for sheet in self.sheets]


def print_sheets(design: Design, ground: Ground, folder: Path, **asked: str | bool) -> Printed:
    made = write_sheets(design, ground, folder, **asked)
    book = open_book(paper=str(asked.get("paper", "letter")))
    (one,) = split_rounds(made.design, ground, 1)
    planned = open_mapbook(book, one, ground, units="us", setting=USUAL, pace_m=PACE_M)
    path = folder / "field_map.pdf"
    return Printed(path, read_pages(path), plan_sheets(planned), made.design, ground)


@pytest.fixture(scope="module")
def small(sheets_design: Design, small_ground: Ground, tmp_path_factory: pytest.TempPathFactory) -> Printed:
    return print_sheets(sheets_design, small_ground, tmp_path_factory.mktemp("map"), paper="a4")


@pytest.fixture(scope="module")
def demo_sheets(tmp_path_factory: pytest.TempPathFactory) -> Printed:
    """The demo's own design: 90 points on three holes."""
    ground = read_ground(find_course(), collar_m=0.762)
    design = draw_design(
        ground,
        visit="2026-05-18",
        points=90,
        surfaces=("green", "collar", "fairway"),
        holes="3,4,7",
        border_m=4.572,
        seed=7,
    )
    return print_sheets(design, ground, tmp_path_factory.mktemp("demo"))


@pytest.fixture(scope="module")
def oak_sheets(shared: Path, tmp_path_factory: pytest.TempPathFactory) -> Printed:
    """A real course: 90 points on 18 holes."""
    ground = read_ground(shared / "courses" / "oak_bluff.kml", kinds={"OB": "ignore"})
    design = draw_design(ground, visit="2026-05-04", points=90, seed=7)
    return print_sheets(design, ground, tmp_path_factory.mktemp("oak"))


@pytest.fixture(scope="module")
def maple_sheets(shared: Path, tmp_path_factory: pytest.TempPathFactory) -> Printed:
    """Another: 40 points on greens only."""
    ground = read_ground(shared / "courses" / "maple_abbey.kml", kinds={"OB": "ignore"})
    design = draw_design(ground, visit="2026-05-04", points=40, surfaces=("green",), seed=7)
    return print_sheets(design, ground, tmp_path_factory.mktemp("maple"))


@pytest.fixture(params=["small", "demo_sheets", "oak_sheets", "maple_sheets"])
def printed(request: pytest.FixtureRequest) -> Printed:
    made: Printed = request.getfixturevalue(request.param)
    return made


def labels_of(page: Page) -> list[tuple[str, np.ndarray]]:
    """Return the labels on a page's maps, each with its box: those above the rows."""
    top = min(box[1] for word, box in page.words if word == "walk")
    return [(word, box) for word, box in page.words if LABEL.fullmatch(word) and box[3] < top]


@pytest.mark.slow
@pytest.mark.parametrize(("course", "most"), [("demo_sheets", 16), ("oak_sheets", 30), ("maple_sheets", 24)])
def test_a_round_is_a_handful_of_pages(request: pytest.FixtureRequest, course: str, most: int) -> None:
    made: Printed = request.getfixturevalue(course)
    assert len(made.pages) <= most
    assert all(sheet.fits for sheet in made.sheets)


@pytest.mark.slow
def test_letters_are_large_enough_to_read_at_arm_s_length(printed: Printed) -> None:
    with pymupdf.open(printed.path) as file:
        spans = [
            span
            for page in file
            for block in page.get_text("dict")["blocks"]
            for line in block.get("lines", [])
            for span in line["spans"]
            if span["text"].strip()
        ]
    assert min(span["size"] for span in spans) > LEAST_PT - 0.01
    labels = [span for span in spans if LABEL.fullmatch(span["text"].strip()) and "Bold" in span["font"]]
    main = printed.design.points["point_id"][printed.design.points["role"] == "main"]
    assert {label["text"].strip() for label in labels} >= set(main)
    assert min(label["size"] for label in labels) > LEAST_LABEL_PT - 0.01


@pytest.mark.slow
def test_rows_are_high_enough_to_write_in(printed: Printed) -> None:
    with pymupdf.open(printed.path) as file:
        for page in file:
            lines = [shape["items"][0] for shape in page.get_drawings() if len(shape["items"]) == 1]
            rules = [item[1:] for item in lines if item[0] == "l"]
            level = {round(a.y, 1) for a, b in rules if abs(a.y - b.y) < 0.1 and abs(b.x - a.x) * POINT_MM > 185}
            assert np.diff(sorted(level)).min(initial=np.inf) * POINT_MM > LEAST_ROW_MM


@pytest.mark.slow
def test_each_main_point_has_one_row_under_a_map_that_shows_and_labels_it(printed: Printed) -> None:
    rows: list[str] = []
    for sheet, page in printed.drawn:
        mine = sheet.points[sheet.points["role"] == "main"]
        assert len(mine)
        shown = {word for word, _ in labels_of(page)}
        assert set(mine["point_id"]) <= shown <= set(sheet.points["point_id"])
        words = [word for word, _ in page.words]
        assert all(words.count(label) == 2 for label in mine["point_id"])  # the map's and the row's
        rows += mine["point_id"].tolist()
    main = printed.design.points["point_id"][printed.design.points["role"] == "main"]
    assert sorted(rows) == sorted(main)
    told = " ".join(" ".join(page.text.split()) for page in printed.pages)
    assert all(f"Reserve {label}," in told for label in set(printed.design.points["point_id"]) - set(main))


@pytest.mark.slow
def test_distances_between_points_on_paper_agree_with_the_survey(printed: Printed) -> None:
    compared = 0
    for sheet, page in printed.drawn:
        marks = page.marks
        for number, view in enumerate(sheet.views):
            mine = sheet.points
            if len(sheet.views) > 1:
                mine = mine[mine["kind"].isin(SMALL_KINDS) == (number == 1)]
            mine = mine[shapely.intersects(view.window(), mine.geometry.to_numpy())]
            ground = np.vstack([shapely.get_coordinates(mine.geometry[mine["role"] == r]) for r in ("main", "reserve")])
            on_paper, marks = marks[: len(ground)], marks[len(ground) :]
            far = pdist(on_paper) - pdist(ground) * view.mm_per_m
            assert np.abs(far).max(initial=0.0) < WITHIN_MM
            assert f"1:{view.scale:,}" in page.text
            compared += len(far)
        assert not len(marks)
    assert compared > 20


@pytest.mark.slow
def test_nothing_on_a_map_covers_a_point_a_label_or_another_map(printed: Printed) -> None:
    for sheet, page in printed.drawn:
        boxes = np.array([box for _, box in labels_of(page)])
        # A word's box holds the line's full height; its letters take the middle of it.
        slack = 0.22 * (boxes[:, 3] - boxes[:, 1])
        shapes = shapely.box(boxes[:, 0], boxes[:, 1] + slack, boxes[:, 2], boxes[:, 3] - slack)
        assert shapely.intersects(shapes[:, None], shapes[None, :]).sum() == len(shapes)
        discs = shapely.buffer(shapely.points(page.marks), 0.9)
        assert not shapely.intersects(shapes[:, None], discs[None, :]).any()
        # Scale bar and arrow stand in a strip beneath each map, which no map reaches into: they can't cover ground.
        frames = [view.frame for view in sheet.views]
        maps = shapely.box(*np.array([(f.west_mm, f.south_mm, f.east_mm, f.north_mm) for f in frames]).T)
        strips = shapely.box(*np.array([(f.west_mm, f.south_mm - STRIP_MM, f.east_mm, f.south_mm) for f in frames]).T)
        assert shapely.area(shapely.intersection(maps[:, None], strips[None, :])).max() < 1e-6
        rows_mm = min(box[1] for word, box in page.words if word == "walk")
        bars = [box for word, box in page.words if re.fullmatch(r"1:[\d,]+|N", word) and box[3] < rows_mm]
        standing = shapely.points([((b[0] + b[2]) / 2, page.height_mm - (b[1] + b[3]) / 2) for b in bars])
        assert len(standing) == 2 * len(frames)
        assert shapely.intersects(shapely.union_all(strips), standing).all()


def test_a_green_is_drawn_large_with_its_clock(small: Printed) -> None:
    views = [view for sheet in small.sheets for view in sheet.views]
    assert min(view.scale for view in views) <= 500
    page = next(page for page in small.pages if "green" in page.text.splitlines()[0])
    assert {"3", "6", "9", "12"} <= {word for word, _ in page.words}


def test_every_page_carries_the_design_code_and_its_number_on_the_paper_asked_for(small: Printed) -> None:
    for number, page in enumerate(small.pages, start=1):
        assert small.design.visit.design_code in page.text
        assert f"page {number} of" in page.text
    sizes = {(round(page.width_mm), round(page.height_mm)) for page in small.pages}
    assert sizes == {(210, 297)}


@pytest.mark.slow
def test_large_letters_are_large(sheets_design: Design, small_ground: Ground, tmp_path: Path) -> None:
    write_sheets(sheets_design, small_ground, tmp_path, large=True)
    page = next(page for page in read_pages(tmp_path / "field_map.pdf") if page.text.startswith("Hole"))
    heights = [box[3] - box[1] for word, box in page.words if LABEL.fullmatch(word)]
    assert min(heights) > 1.4 * LEAST_LABEL_PT * POINT_MM


@pytest.mark.slow
def test_the_same_sheets_make_the_same_bytes(sheets_design: Design, small_ground: Ground, tmp_path: Path) -> None:
    for folder in ("one", "two"):
        write_sheets(sheets_design, small_ground, tmp_path / folder)
    for name in ("field_map.pdf", "points.gpx", "points.kml", "blank_counts.csv"):
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()
