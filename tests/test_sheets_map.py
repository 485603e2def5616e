"""The sampling map: measured on the PDF, read by eye's rules, the same on both papers."""

from __future__ import annotations

import re
from itertools import pairwise
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely
from scipy.spatial.distance import pdist
from sheets_case import POINT_MM, Page, read_pages

from geosample.design import Design
from geosample.drawing import (
    SURFACE_LOOKS,
    Box,
    MapLayer,
    close_book,
    draw_check_bar,
    draw_labels,
    draw_map,
    fit_view,
    must_fit,
    open_book,
    place_labels,
    split_views,
    upright_turn,
    write_paragraphs,
)
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


def test_the_check_bar_measures_what_it_says() -> None:
    import pymupdf

    book = open_book()
    draw_check_bar(book, 20, 30)
    with pymupdf.open(stream=close_book(book)) as file:
        widths = [shape["rect"].width * POINT_MM for shape in file[0].get_drawings()]
        assert "50 mm" in file[0].get_text()
    assert max(widths) == pytest.approx(50.0, abs=0.3)


def test_accents_and_the_degree_sign_print() -> None:
    import pymupdf

    book = open_book()
    write_paragraphs(book, ["Señor Ødegård, Château, 41.5° Łódka"], book.inside)
    with pymupdf.open(stream=close_book(book)) as file:
        assert "Señor Ødegård, Château, 41.5° Łódka" in file[0].get_text()
        used = {
            span["font"]
            for block in file[0].get_text("dict")["blocks"]
            for line in block["lines"]
            for span in line["spans"]
        }
        embedded = {font[3].split("+")[-1] for font in file[0].get_fonts() if font[1] == "ttf"}
    assert {name.split("+")[-1] for name in used} <= embedded


def test_the_same_sheets_make_the_same_bytes(sheets_design: Design, small_ground: Ground, tmp_path: Path) -> None:
    for folder in ("one", "two"):
        write_sheets(sheets_design, small_ground, tmp_path / folder)
    for name in ("field_map.pdf", "points.gpx", "points.kml", "blank_counts.csv"):
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()


def test_a_view_keeps_what_it_is_asked_to_show_and_its_scale() -> None:
    frame, shape = Box(10, 20, 190, 200), shapely.box(1000, 500, 1060, 530)
    for turn_deg in (0.0, 37.0, 180.0):
        view = fit_view(shape, frame, turn_deg=turn_deg)
        assert shapely.contains(view.window(), shape)
        on_paper = shapely.get_coordinates(view.to_paper(shape))
        again = view.place(*shapely.get_coordinates(shape).T)
        np.testing.assert_allclose(on_paper, again, atol=1e-9)
        assert np.hypot(*(on_paper[1] - on_paper[0])) == pytest.approx(30_000 / view.scale)


def test_ground_too_long_for_a_page_is_split_with_an_overlap() -> None:
    frame, shape = Box(0, 0, 190, 200), shapely.box(0, 0, 30, 600)
    assert fit_view(shape, frame, scales=(500, 1000)) is None
    views = split_views(shape, frame, scale=1000)
    assert shapely.covers(shapely.union_all([view.window() for view in views]), shape)
    for above, below in pairwise(views):
        assert above.northing - below.northing == pytest.approx(185.0)


def test_a_long_shape_is_set_upright() -> None:
    lying = shapely.LineString([(0, 0), (100, 40)]).buffer(5)
    view = must_fit(lying, Box(0, 0, 100, 200), turn_deg=upright_turn(lying))
    west, south, east, north = shapely.bounds(view.to_paper(lying))
    assert north - south > 5 * (east - west)


def test_labels_without_room_are_named_not_drawn_over() -> None:
    book = open_book()
    crowd = np.column_stack([np.linspace(20, 24, 60), np.full(60, 25.0)])
    frame = Box(15, 20, 14, 10)
    unplaced = draw_labels(book, crowd, [f"n{number}" for number in range(60)], frame)
    assert 40 < len(unplaced) < 60
    free = place_labels(crowd[:1], np.array([[5.0, 2.0]]), frame)
    assert np.isfinite(free).all()


def test_hatches_stay_apart_in_black_and_white() -> None:
    import pymupdf

    tones = {}
    for kind, look in SURFACE_LOOKS.items():
        book = open_book()
        view = must_fit(shapely.box(0, 0, 10, 10), Box(20, 20, 60, 60))
        draw_map(book, view, [MapLayer([shapely.box(0, 0, 10, 10)], look)])
        with pymupdf.open(stream=close_book(book)) as file:
            pixels = file[0].get_pixmap(dpi=150, colorspace=pymupdf.csGRAY, clip=file[0].rect)
        grey = np.frombuffer(pixels.samples, dtype=np.uint8).reshape(pixels.height, pixels.width)
        middle = grey[-int(70 / 25.4 * 150) : -int(30 / 25.4 * 150), int(30 / 25.4 * 150) : int(70 / 25.4 * 150)]
        tones[kind] = (round(float(middle.mean())), round(float(middle.std())))
    apart = [
        max(abs(a[0] - b[0]), abs(a[1] - b[1]))
        for number, a in enumerate(tones.values())
        for b in list(tones.values())[number + 1 :]
    ]
    assert min(apart) >= 4  # grey levels of 256, in the mean or in the grain


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
