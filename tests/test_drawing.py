"""Drawing: true to scale on paper, the same on a picture, nothing dropped in silence; colours for every eye."""

from __future__ import annotations

import io
import itertools
import re
from importlib import resources

import geopandas as gpd
import numpy as np
import pymupdf
import pytest
import shapely
from PIL import Image
from sheets_case import POINT_MM

from geosample.drawing import (
    MAIN_MARK,
    SURFACE_LOOKS,
    Book,
    Box,
    Column,
    Look,
    MapLayer,
    MapView,
    Png,
    Text,
    close_book,
    draw_check_bar,
    draw_table,
    draw_view,
    fit_view,
    flow_pages,
    ground_layers,
    make_table,
    must_fit,
    next_page,
    open_book,
    paragraph,
    text_width,
    upright_turn,
    write_paragraphs,
)
from geosample.drawing.pens import LABEL, draw_labels, labels_fit, place_labels
from geosample.errors import PaperError
from geosample.palettes import CIVIDIS, OKABE_ITO, VIRIDIS, ramp, rgb
from geosample.units import Units
from geosample.webmap.pictures import CHANCE_EDGES, UNKNOWN

GREY = Look("#808080", line_mm=0.0)


def words_of(book: Book) -> list[str]:
    """Return the text of each page."""
    with pymupdf.open(stream=close_book(book)) as file:
        return [" ".join(page.get_text().split()) for page in file]


def test_a_map_names_in_its_legend_only_what_shows_and_labels_what_is_in_the_frame() -> None:
    book = open_book()
    view = must_fit(shapely.box(0, 0, 50, 50), Box(20, 60, 170, 190))
    far = shapely.box(5_000, 0, 5_010, 10)
    surfaces = gpd.GeoDataFrame({"kind": ["green", "tee"]}, geometry=[shapely.box(0, 0, 50, 50), far], crs=32618)
    obstacles = gpd.GeoDataFrame({"kind": ["water"]}, geometry=[shapely.box(10, 10, 20, 20)], crs=32618)
    points = [shapely.Point(30, 30), shapely.Point(5_000, 5)]
    layers = [
        MapLayer(points, MAIN_MARK, "main point", ["near", "beyond"]),
        MapLayer([shapely.Point(40, 40)], Text(7), labels=["12"]),
        MapLayer([far], GREY, "treat"),
    ]
    unplaced = draw_view(book, view, ground_layers(surfaces, obstacles), layers, legend=Box(20, 12, 170, 30))
    (text,) = words_of(book)
    assert unplaced == []
    assert {"main point", "green", "water", "near", "12", f"1:{view.scale}"} <= {*text.split(), "main point"}
    assert "main point" in text
    assert not {"tee", "beyond", "treat"} & set(text.split())


def test_labels_keep_off_words_that_stand_at_their_place() -> None:
    view = MapView(Box(0, 0, 100, 100), 1000, 0.0, 0.0)
    book = open_book()
    crowd = [shapely.Point(x, y) for x in np.linspace(-45, 45, 19) for y in np.linspace(-45, 45, 19)]
    hours = MapLayer(crowd, Text(9, align="centre"), labels=["88"] * len(crowd))
    point = MapLayer([shapely.Point(1, 1)], MAIN_MARK, labels=["a long label that needs room"])
    assert draw_view(book, view, [], [hours, point]) == ["a long label that needs room"]
    assert draw_view(book, view, [], [point]) == []


@pytest.mark.slow
@pytest.mark.parametrize("turn_deg", [0.0, 90.0])
def test_a_page_and_a_picture_show_the_same_map(turn_deg: float) -> None:
    ring = shapely.difference(shapely.box(-20, -30, 20, 30), shapely.box(-5, -5, 5, 5))
    layers = [MapLayer([ring], GREY), MapLayer([shapely.LineString([(30, -30), (30, 30)])], Look(line_mm=2.0))]
    view = MapView(Box(10, 10, 100, 100), 1000, 0.0, 0.0, turn_deg)
    book, png = open_book(), Png(215.9, 279.4)
    for paper in (book, png):
        draw_view(paper, view, [], layers)
    with pymupdf.open(stream=close_book(book)) as file:
        pixels = file[0].get_pixmap(dpi=254, colorspace=pymupdf.csGRAY)  # ten to a millimetre
    page = np.frombuffer(pixels.samples, dtype=np.uint8).reshape(pixels.height, pixels.width)
    picture = np.asarray(Image.open(io.BytesIO(png.to_bytes())).convert("L"))
    for (east, north), grey in {(12, 12): 128, (0, 0): 255, (-19, 0): 128, (30, 10): 0, (0, 40): 255}.items():
        ((east_mm, north_mm),) = view.place([east], [north])
        for drawn in (page, picture):
            value = drawn[drawn.shape[0] - round(north_mm * 10), round(east_mm * 10)]
            assert value == pytest.approx(grey, abs=3), (east, north)


def test_a_picture_draws_nothing_outside_the_frame() -> None:
    png = Png(100, 100)
    view = MapView(Box(20, 20, 60, 60), 1000, 0.0, 0.0)
    draw_view(png, view, [MapLayer([shapely.box(-500, -500, 500, 500)], Look("#000000", line_mm=3.0))])
    drawn = np.asarray(Image.open(io.BytesIO(png.to_bytes())).convert("L"))
    assert (drawn[:190] == 255).all()
    assert (drawn[:, :190] == 255).all()
    assert drawn[400:600, 400:600].max() < 10


def test_a_table_flows_over_pages_with_its_heads_and_loses_no_row() -> None:
    book = open_book()
    rows = [[f"r{number}", "words that need room " * (number % 7)] for number in range(70)]
    table = make_table([Column("label", 20), Column("what to do", 60)], rows, width_mm=150)

    def start_page(number: int) -> Box:
        next_page(book)
        return book.inside

    flow_pages(book, [paragraph("Once above the table."), table], start_page)
    _, *pages = words_of(book)
    assert len(pages) > 1
    assert all("label what to do" in page for page in pages)
    assert sum(page.count("Once above") for page in pages) == 1
    found = [word for page in pages for word in page.split() if word.startswith("r") and word[1:].isdecimal()]
    assert found == [row[0] for row in rows]


def test_a_table_in_a_box_gives_back_the_rows_there_was_no_room_for() -> None:
    book, box = open_book(), Box(20, 20, 100, 45)
    table, pages = (
        make_table([Column("n", 10), Column("", 10)], [[str(number), ""] for number in range(12)], width_mm=100),
        0,
    )
    while table is not None:
        table, pages = draw_table(book, table, box), pages + 1
        next_page(book)
    assert pages == 3  # 9 mm of heads and five rows of 7 mm fit 45 mm
    assert [int(word) for page in words_of(book) for word in page.split() if word != "n"] == list(range(12))


def test_a_row_higher_than_a_page_is_refused_in_words() -> None:
    book = open_book()
    table = make_table([Column("n", 10)], [["word " * 20_000]], width_mm=100)
    with pytest.raises(PaperError, match="higher than a page"):
        flow_pages(book, [table], lambda _: book.inside)


def test_a_word_wider_than_its_column_is_set_smaller_not_broken() -> None:
    book = open_book()
    draw_table(book, make_table([Column("n", 10)], [["R3-fairway-green-01-B"]], width_mm=20), book.inside)
    assert "R3-fairway-green-01-B" in words_of(book)[0]


def test_paragraphs_are_whole_or_given_back_and_signs_are_no_markup() -> None:
    book = open_book()
    said = ["a <b>bold</b> & plain word", "two " * 40, "three"]
    left_mm, rest = write_paragraphs(book, said, Box(20, 20, 100, 12), Text(8), gap_mm=1)
    assert rest == said[1:]
    assert 0 < left_mm < 12
    assert said[0] in words_of(book)[0]


@pytest.mark.parametrize(("units", "told", "long_mm"), [("us", "2 in", 50.8), ("metric", "50 mm", 50.0)])
def test_the_check_bar_measures_what_it_says(units: Units, told: str, long_mm: float) -> None:
    book = open_book()
    draw_check_bar(book, 20, 30, units=units)
    with pymupdf.open(stream=close_book(book)) as file:
        widths = [shape["rect"].width * POINT_MM for shape in file[0].get_drawings()]
        assert f"This bar is {told} long" in file[0].get_text()
    assert max(widths) == pytest.approx(long_mm, abs=0.3)


def test_accents_and_the_degree_sign_print() -> None:
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


def test_a_view_keeps_what_it_is_asked_to_show_and_its_scale() -> None:
    frame, shape = Box(10, 20, 190, 200), shapely.box(1000, 500, 1060, 530)
    for turn_deg in (0.0, 37.0, 180.0):
        view = fit_view(shape, frame, turn_deg=turn_deg)
        assert shapely.contains(view.window(), shape)
        on_paper = shapely.get_coordinates(view.to_paper(shape))
        again = view.place(*shapely.get_coordinates(shape).T)
        np.testing.assert_allclose(on_paper, again, atol=1e-9)
        assert np.hypot(*(on_paper[1] - on_paper[0])) == pytest.approx(30_000 / view.scale)


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


def test_labels_fit_where_each_of_them_finds_room_and_none_lies_on_another() -> None:
    rng, frame, fits = np.random.default_rng(5), Box(10, 10, 140, 100), []
    for count in (5, 20, 60, 120, 240):
        points, texts = (
            rng.uniform([12, 12], [148, 108], (count, 2)),
            [f"{number:02d}F-0{number % 9}" for number in range(count)],
        )
        sizes = np.array([(text_width(text, LABEL) + 1, LABEL.size_mm * 0.78 + 1) for text in texts])
        corners = place_labels(points, sizes, frame)
        drawn = shapely.box(*corners.T, *(corners + sizes).T)[np.isfinite(corners).all(axis=1)]
        assert shapely.union_all(drawn).area == pytest.approx(shapely.area(drawn).sum())
        fits.append(labels_fit(points, texts, frame))
        assert fits[-1] == np.isfinite(corners).all()
    assert set(fits) == {True, False}


def test_hatches_stay_apart_in_black_and_white() -> None:
    tones = {}
    for kind, look in SURFACE_LOOKS.items():
        book = open_book()
        view = must_fit(shapely.box(0, 0, 10, 10), Box(20, 20, 60, 60))
        draw_view(book, view, [MapLayer([shapely.box(0, 0, 10, 10)], look)])
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


# Simulation of dichromacy in linear sRGB, severity 1: Machado, Oliveira & Fernandes 2009, IEEE TVCG 15:1291-1298
# (matrices from memory, unverified).
SEEN_AS = {
    "usual": np.eye(3),
    "protanopia": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deuteranopia": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "tritanopia": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
}
# Linear sRGB to CIE XYZ, D65: IEC 61966-2-1.
TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
# A step in lightness that print and eye keep apart side by side (common practice, no source).
LEAST_STEP = 8.0


def linear(colour: str) -> np.ndarray:
    """Return linear light of an sRGB colour such as #ff0000: IEC 61966-2-1."""
    coded = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    return np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)


def lab(light: np.ndarray) -> np.ndarray:
    """Return CIE L*a*b* of linear light, D65: CIE 15."""
    ratio = TO_XYZ @ np.clip(light, 0, 1) / (TO_XYZ @ np.ones(3))
    f = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def classes(palette: tuple[str, ...], number: int) -> list[str]:
    """Return a legend's colours, light to dark, as the map's pictures take them."""
    return [ramp(palette, 1 - place / (number - 1)) for place in range(number)]


def test_lightness_is_the_standards() -> None:
    assert lab(linear("#ffffff")) == pytest.approx([100, 0, 0], abs=0.02)
    assert lab(linear("#777777"))[0] == pytest.approx(50, abs=0.1)


@pytest.mark.parametrize("palette", [VIRIDIS, CIVIDIS], ids=["viridis", "cividis"])
@pytest.mark.parametrize("number", range(2, 8))
def test_in_greyscale_each_class_is_darker_than_the_one_before(palette: tuple[str, ...], number: int) -> None:
    lightness = np.array([lab(linear(colour))[0] for colour in classes(palette, number)])
    assert (np.diff(lightness) < -LEAST_STEP).all()


@pytest.mark.parametrize("eye", SEEN_AS)
@pytest.mark.parametrize("palette", [VIRIDIS, CIVIDIS], ids=["viridis", "cividis"])
def test_neighbouring_classes_differ_to_every_eye(palette: tuple[str, ...], eye: str) -> None:
    seen = [lab(SEEN_AS[eye] @ linear(colour)) for colour in classes(palette, len(CHANCE_EDGES) - 1)]
    assert min(np.linalg.norm(one - two) for one, two in itertools.pairwise(seen)) > LEAST_STEP


def test_the_stripes_of_unknown_ground_differ_in_greyscale_more_than_classes_do() -> None:
    light, dark = (lab(linear(colour))[0] for colour in UNKNOWN)
    assert light - dark > 4 * LEAST_STEP


def test_the_pages_own_colours_are_the_palettes_or_greys() -> None:
    rooms = [resources.files(f"geosample.{room}") for room in ("webmap", "report", "desk", "sheets")]
    parts = [part for room in rooms for part in room.iterdir() if part.name.endswith((".css", ".js", ".html"))]
    assert len(parts) == 13
    shown = {sign for part in parts for sign in re.findall(r"#[0-9a-fA-F]{6}\b", part.read_text(encoding="utf-8"))}
    coloured = {sign.upper() for sign in shown if np.ptp(rgb(sign)) > LEAST_STEP}
    # links are a darker blue, to be read on grey too
    assert coloured - {colour.upper() for colour in OKABE_ITO.values()} <= {"#00447C"}


def test_the_page_script_takes_its_foot_and_colours_from_the_program() -> None:
    script = resources.files("geosample.webmap").joinpath("page.js").read_text(encoding="utf-8")
    assert re.findall(r"#[0-9a-fA-F]{6}\b|0\.3048|3\.28", script) == []
    assert {"page.foot_m", "page.here_colour"} <= set(re.findall(r"page\.\w+", script))
