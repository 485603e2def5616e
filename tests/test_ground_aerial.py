"""A picture from above, of the user's own: it lies where it, its world file or pairs of places say; also on paper."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np
import pymupdf
import pytest
import rasterio
import shapely
from click.testing import CliRunner
from PIL import Image
from pyproj import Transformer

from geosample.cli import main
from geosample.design import Design
from geosample.drawing import open_book
from geosample.errors import GroundError
from geosample.ground import Aerial, Ground, cut_aerial
from geosample.sheets import write_sheets
from geosample.sheets.finding import PACE_M
from geosample.sheets.mapbook import USUAL, open_mapbook, plan_sheets
from geosample.sheets.rounds import split_rounds
from geosample.survey import Survey

FLAT, DEGREES = "EPSG:32618", "EPSG:4326"
WEST, NORTH, SIDE = 499_900.0, 4_600_000.0, 0.5  # where the grid lies as degrees do, m; metres a pixel
TO_DEGREES = Transformer.from_crs(FLAT, DEGREES, always_xy=True)
SQUARE = (WEST + 125, NORTH - 75)
"""The middle of the white square of ``draw_square``."""


def draw_square(path: Path, mode: str = "RGB") -> Path:
    """Write an invented black picture of 200 by 150 m with a white square of 50 m in it."""
    pixels = np.zeros((300, 400, 3), np.uint8)
    pixels[100:200, 200:300] = 250
    picture = Image.fromarray(pixels)
    (picture.quantize(4) if mode == "P" else picture.convert(mode)).save(path)
    return path


def give_pairs(corners: list[tuple[float, float]]) -> list[tuple[float, float, float, float]]:
    """Return places of the picture, columns and rows, and where they lie on Earth."""
    return [(*one, *TO_DEGREES.transform(WEST + one[0] * SIDE, NORTH - one[1] * SIDE)) for one in corners]


PAIRS = give_pairs([(0, 0), (400, 0), (0, 300), (400, 300)])


def box_round(east: float, north: float, reach: float) -> np.ndarray:
    """Return the corners of a square frame, as ``cut_aerial`` takes them."""
    return np.array([(east - reach, north + reach), (east + reach, north + reach), (east - reach, north - reach)])


@pytest.mark.parametrize("way", ["world file in degrees", "world file in metres", "pairs", "GeoTIFF"])
def test_a_picture_lies_where_it_or_its_world_file_or_pairs_say(tmp_path: Path, way: str) -> None:
    path, how = draw_square(tmp_path / "own.png"), {"crs": FLAT}
    # Six lines: size across, two turns, size down (below 0), middle of the upper left pixel (ESRI's world file).
    lines = [SIDE, 0, 0, -SIDE, WEST + SIDE / 2, NORTH - SIDE / 2]
    if way == "world file in degrees":
        (left, top), (right, bottom) = (TO_DEGREES.transform(WEST + x, NORTH - y) for x, y in ((0, 0), (200, 150)))
        lines, how = [(right - left) / 400, 0, 0, (bottom - top) / 300, left, top], {}
    if way == "pairs":
        how = {"pairs": PAIRS}
    elif way == "GeoTIFF":
        path, how = tmp_path / "own.tif", {}
        make = {"driver": "GTiff", "count": 1, "dtype": "uint8", "height": 300, "width": 400, "crs": FLAT}
        with rasterio.open(path, "w", transform=rasterio.Affine(SIDE, 0, WEST, 0, -SIDE, NORTH), **make) as file:
            file.write(np.asarray(Image.open(tmp_path / "own.png").convert("L"))[None])
    else:
        path.with_suffix(".pgw").write_text("\n".join(f"{line:.12f}" for line in lines))
    own = Aerial(path, **how)
    east, north = SQUARE
    for place, white in (((0, 23), True), ((-23, 0), True), ((0, -23), True), ((0, 27), False), ((27, 0), False)):
        seen = cut_aerial(own, box_round(east + place[0], north + place[1], 1), FLAT, 100)
        assert (seen > 128).all() == white, place
        assert (seen > 128).any() == white, place
    middle = np.array(SQUARE)
    turn = np.array([[0.6, -0.8], [0.8, 0.6]])  # by an angle whose sides are 3, 4 and 5
    turned = cut_aerial(own, (box_round(0, 0, 40) @ turn.T) + middle, FLAT, 1e6)[..., 0] > 128
    share = turned[: turned.shape[0] // 2].mean(), turned[:, : turned.shape[1] // 2].mean()
    assert share == pytest.approx((turned.mean(),) * 2, abs=0.01)  # as much above the middle as below, and beside it
    rows, columns = np.nonzero(turned)
    corner = np.argmin(rows)  # the turned square's own: its north-east, 35.4 m from the middle at 45 - 53.13 degrees
    metres = 80 / turned.shape[0]
    there = (columns[corner] + 0.5) * metres - 40, 40 - (rows[corner] + 0.5) * metres
    assert there == pytest.approx(tuple(turn.T @ [-25, 25]), abs=1.5)


def test_where_a_picture_does_not_reach_it_is_white_and_one_of_other_ground_is_refused(tmp_path: Path) -> None:
    half = Aerial(draw_square(tmp_path / "own.png"), PAIRS)
    seen = cut_aerial(half, box_round(WEST, NORTH - 75, 50), FLAT, 1e4)
    assert (seen[:, : seen.shape[1] // 2 - 2] == 255).all()
    assert (seen[:, seen.shape[1] // 2 + 2 :] == 0).all()
    far = box_round(WEST - 5000, NORTH, 50)
    with pytest.raises(GroundError, match="a picture of other ground"):
        cut_aerial(half, far, FLAT, 1e4)
    assert (cut_aerial(half, far, FLAT, 1e4, must_reach=False) == 255).all()


@pytest.mark.parametrize("mode", ["P", "L", "RGBA"])
def test_colours_from_a_table_are_those_of_the_table(tmp_path: Path, mode: str) -> None:
    own = Aerial(draw_square(tmp_path / "own.png", mode), PAIRS)
    assert (cut_aerial(own, box_round(*SQUARE, 20), FLAT, 1e4) > 240).all()
    assert (cut_aerial(own, box_round(WEST + 50, NORTH - 50, 20), FLAT, 1e4) < 10).all()


def test_ground_that_is_seen_through_in_the_picture_is_white(tmp_path: Path) -> None:
    picture = Image.open(draw_square(tmp_path / "own.png")).convert("RGBA")
    picture.putalpha(Image.new("L", picture.size, 0))
    picture.save(tmp_path / "own.png")
    assert (cut_aerial(Aerial(tmp_path / "own.png", PAIRS), box_round(*SQUARE, 60), FLAT, 1e4) == 255).all()


def test_a_picture_that_lies_nowhere_is_asked_about_in_words(tmp_path: Path) -> None:
    path = tmp_path / "own.jpg"
    Image.new("RGB", (40, 30)).save(path)
    frame = box_round(WEST, NORTH, 50)
    with pytest.raises(GroundError, match=r"does not say where it lies.*aerial_pairs="):
        cut_aerial(Aerial(path), frame, FLAT, 1e4)
    path.with_suffix(".jgw").write_text("0.5\n0\n0\n-0.5\n580000\n4600000\n")
    with pytest.raises(GroundError, match="aerial_crs=EPSG:n"):
        cut_aerial(Aerial(path), frame, FLAT, 1e4)


def over_ground(ground: Ground, path: Path) -> list[tuple[float, float, float, float]]:
    """Write a dark picture of the ground whose western half is white; return three pairs of places."""
    west, south, east, north = ground.surfaces.total_bounds + np.array([-40, -40, 40, 40])
    columns, rows = round(2 * (east - west)), round(2 * (north - south))
    pixels = np.zeros((rows, columns), np.uint8)
    pixels[:, : columns // 2] = 255
    Image.fromarray(pixels).save(path)
    to_degrees = Transformer.from_crs(ground.crs, DEGREES, always_xy=True).transform
    return [(c, r, *to_degrees(west + c / 2, north - r / 2)) for c, r in ((0, 0), (columns, 0), (columns, rows))]


@pytest.mark.slow
def test_on_paper_it_lies_grey_and_light_under_each_map_of_a_hole_at_its_place(
    sheets_design: Design, small_ground: Ground, tmp_path: Path
) -> None:
    pairs = over_ground(small_ground, tmp_path / "own.png")
    asked: dict[str, Any] = {"aerial": tmp_path / "own.png", "aerial_pairs": pairs}
    plain = write_sheets(sheets_design, small_ground, tmp_path / "plain")
    laid = write_sheets(sheets_design, small_ground, tmp_path / "laid", **asked)
    again = write_sheets(sheets_design, small_ground, tmp_path / "again", **asked)
    assert (tmp_path / "laid" / "field_map.pdf").read_bytes() == (tmp_path / "again" / "field_map.pdf").read_bytes()
    assert laid.unlabelled == again.unlabelled == plain.unlabelled
    (one,) = split_rounds(laid.design, small_ground, 1)
    book = open_mapbook(open_book(), one, small_ground, units="us", setting=USUAL, pace_m=PACE_M)
    windows = [view.window() for sheet in plan_sheets(book) for view in sheet.views]
    west, south, east, north = small_ground.surfaces.total_bounds + np.array([-40, -40, 40, 40])
    black = shapely.box((west + east) / 2, south, east, north)
    dark = []
    with (
        pymupdf.open(tmp_path / "plain" / "field_map.pdf") as before,
        pymupdf.open(tmp_path / "laid" / "field_map.pdf") as after,
    ):
        assert [len(page.get_images()) for page in before] == [0] * len(before)
        assert [page.get_text() for page in before] == [page.get_text() for page in after]
        assert len(after[0].get_images()) == 0  # the overview
        for page in after:
            for image in page.get_images():
                picture = Image.open(io.BytesIO(after.extract_image(image[0])["image"]))
                assert picture.mode == "L"
                pixels = np.asarray(picture)
                assert pixels.min() >= 150  # black on it has seven times its light (WCAG 2.2, relative luminance)
                dark.append((pixels < 212).mean())
    assert dark == pytest.approx([window.intersection(black).area / window.area for window in windows], abs=0.01)
    assert len({round(share, 1) for share in dark}) > 1


@pytest.mark.slow
def test_the_command_tells_how_far_the_pairs_miss_and_refuses_pairs_without_a_picture(
    counts_survey: Survey, small_ground: Ground, tmp_path: Path
) -> None:
    pairs = over_ground(small_ground, tmp_path / "own.png")
    pairs[0] = (pairs[0][0] + 8, *pairs[0][1:])  # four metres
    words = [word for pair in pairs for word in ("--aerial-pairs", "{},{}={},{}".format(*pair))]
    for command, out in (("map", "map.html"), ("sheets", "files")):
        asked = [command, str(counts_survey.path), "--out", str(tmp_path / out), "--units", "metric"]
        told = CliRunner().invoke(main, [*asked, "--aerial", str(tmp_path / "own.png"), *words])
        assert told.exit_code == 0, told.output
        assert "placed by 3 pairs of places: they miss by 1." in told.stderr
        assert "own.png" in told.stderr
        refused = CliRunner().invoke(main, [*asked, *words])
        assert (refused.exit_code, "name it with --aerial" in refused.stderr) == (2, True)
    elsewhere = [word.replace("=-73.", "=-72.") for word in words]
    refused = CliRunner().invoke(main, [*asked, "--aerial", str(tmp_path / "own.png"), *elsewhere, "--force"])
    assert (refused.exit_code, "a picture of other ground" in refused.stderr) == (1, True)
