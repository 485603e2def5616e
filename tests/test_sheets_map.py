"""The sampling map: measured on the PDF, read by eye's rules, the same on both papers."""

from __future__ import annotations

import re
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely
from scipy.spatial.distance import pdist
from sheets_case import Page, read_pages

from geosample.design import Design
from geosample.ground import Ground
from geosample.sheets import write_sheets
from geosample.sheets.blanks import ordered_points

LABEL = re.compile(r"\d\d[A-Z]-\d\d")
WITHIN_MM = 0.3  # about a pen line


@pytest.fixture(scope="module", params=["letter", "a4"])
def pages(
    request: pytest.FixtureRequest,
    sheets_design: Design,
    small_ground: Ground,
    tmp_path_factory: pytest.TempPathFactory,
) -> list[Page]:
    folder = tmp_path_factory.mktemp("map")
    write_sheets(sheets_design, small_ground, folder, paper=request.param)
    return read_pages(folder / "field_map.pdf")


def map_pages(pages: list[Page]) -> list[Page]:
    return [page for page in pages if page.text.startswith("Hole")]


def labels_of(page: Page) -> list[tuple[str, np.ndarray]]:
    return [(word, box) for word, box in page.words if LABEL.fullmatch(word)]


def own_marks(page: Page) -> np.ndarray:
    """Return the marks inside the map, without those of the legend in the page's foot."""
    return page.marks[page.marks[:, 1] < page.height_mm - 49]


def test_distances_between_points_on_paper_agree_with_the_survey(pages: list[Page], sheets_design: Design) -> None:
    for page in map_pages(pages):
        scale = int(next(word for word, _ in page.words if re.fullmatch(r"1:[\d,]+", word))[2:].replace(",", ""))
        shown = {word for word, _ in labels_of(page)}
        roles = [ordered_points(sheets_design, role) for role in ("main", "reserve")]
        order = [frame[frame["point_id"].isin(shown)].geometry for frame in roles]
        ground = np.vstack([shapely.get_coordinates(places.to_numpy()) for places in order])
        on_paper = own_marks(page)
        assert len(on_paper) == len(ground) > 3
        assert np.abs(pdist(on_paper) - pdist(ground) * 1000 / scale).max() < WITHIN_MM


def test_scales_are_round_and_the_green_is_drawn_large(pages: list[Page]) -> None:
    scales = {re.search(r"1:([\d,]+)", page.text).group(1) for page in map_pages(pages)}
    assert scales <= {"200", "250", "500", "1,000"}
    assert scales & {"200", "250"}


def test_every_point_is_labelled_on_some_page(pages: list[Page], sheets_design: Design) -> None:
    shown = {word for page in map_pages(pages) for word, _ in labels_of(page)}
    assert shown == set(sheets_design.points["point_id"])


def test_labels_touch_neither_each_other_nor_a_point(pages: list[Page]) -> None:
    for page in map_pages(pages):
        boxes = np.array([box for _, box in labels_of(page)])
        # A word's box holds the line's full height; its letters take the middle of it.
        slack = 0.22 * (boxes[:, 3] - boxes[:, 1])
        shapes = shapely.box(boxes[:, 0], boxes[:, 1] + slack, boxes[:, 2], boxes[:, 3] - slack)
        near = shapely.intersects(shapes[:, None], shapes[None, :])
        assert near.sum() == len(shapes)
        discs = shapely.buffer(shapely.points(own_marks(page)), 0.9)
        assert not shapely.intersects(shapes[:, None], discs[None, :]).any()


def test_every_page_carries_the_design_code_and_its_number(pages: list[Page], sheets_design: Design) -> None:
    for number, page in enumerate(pages, start=1):
        assert sheets_design.visit.design_code in page.text
        assert f"page {number} of" in page.text


def test_the_paper_is_the_one_asked_for(pages: list[Page]) -> None:
    sizes = {(round(page.width_mm), round(page.height_mm)) for page in pages}
    assert sizes in ({(216, 279), (279, 216)}, {(210, 297), (297, 210)})


@pytest.mark.slow
def test_the_same_sheets_make_the_same_bytes(sheets_design: Design, small_ground: Ground, tmp_path: Path) -> None:
    for folder in ("one", "two"):
        write_sheets(sheets_design, small_ground, tmp_path / folder)
    for name in ("field_map.pdf", "points.gpx", "points.kml", "blank_counts.csv"):
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()


def test_ticks_of_longitude_stand_where_they_say(pages: list[Page], sheets_design: Design) -> None:
    page = next(page for page in map_pages(pages) if "green" in page.text.splitlines()[0])
    scale = int(next(word for word, _ in page.words if re.fullmatch(r"1:\d+", word))[2:])
    shown = [word for word, _ in labels_of(page)]
    main = ordered_points(sheets_design, "main")
    point = main[main["point_id"].isin(shown)].iloc[0]
    for word, box in page.words:
        found = re.fullmatch(r"(\d+)°(\d+)'([\d.]+)\"W", word)
        if found:
            lon = -(int(found[1]) + int(found[2]) / 60 + float(found[3]) / 3600)
            place = gpd.GeoSeries(gpd.points_from_xy([lon], [41.5]), crs=4326).to_crs(sheets_design.points.crs)[0]
            east_mm = own_marks(page)[0][0] + (place.x - point.geometry.x) * 1000 / scale
            assert (box[0] + box[2]) / 2 == pytest.approx(east_mm, abs=WITHIN_MM)
