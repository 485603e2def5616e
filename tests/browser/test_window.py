"""What fits in the window, measured: on a phone and on a desk, on a course of one hole and of eighteen."""

from __future__ import annotations

import base64
import io
import re
from pathlib import Path

import numpy as np
import pymupdf
import pytest
from page_tools import DESK, PHONE, Browser, ask, box, click, colour_by, of_shown, open_page, settle
from PIL import Image

from geosample.words import TREATMENT

pytestmark = pytest.mark.browser
sizes = pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
LIES_OPEN = """
const [left, top, right, bottom] = [0, 0, innerWidth, innerHeight];
return [...document.querySelectorAll(arguments[0])].filter(n => n.checkVisibility()).map(n => {
  const b = n.getBoundingClientRect();
  const whole = b.left >= left && b.top >= top && b.right <= right + .5 && b.bottom <= bottom + .5 && b.width > 0;
  const seen = document.elementFromPoint((b.left + b.right) / 2, (b.top + b.bottom) / 2);
  return [n.innerText, whole && Boolean(seen) && (n.contains(seen) || seen.contains(n))];
});
"""


@pytest.fixture(params=["page", "course_page"])
def any_page(request: pytest.FixtureRequest) -> Path:
    return Path(request.getfixturevalue(request.param))


def hidden(browser: Browser, selector: str) -> list[str]:
    """Return what of the matching elements is not whole in the window, or lies under something."""
    found = ask(browser, LIES_OPEN, selector)
    assert found, selector
    return [text for text, open_ in found if not open_]


@sizes
def test_the_map_fills_the_window_under_a_head_of_one_line(chromium: Browser, any_page: Path, size) -> None:
    open_page(chromium, any_page, size)
    area = box(chromium, ".folium-map")
    assert area["width"] == size[0]
    assert area["height"] >= 0.85 * size[1]
    assert box(chromium, "#open")["height"] <= 46
    # what covers the map leaves two thirds of the window to it
    tools = box(chromium, "#tools")
    free = (tools["top"] - area["top"]) * size[0] if size == PHONE else tools["left"] * area["height"]
    assert free >= 0.6 * size[0] * size[1]
    assert ask(chromium, "return document.scrollingElement.scrollHeight <= innerHeight")
    assert hidden(chromium, "#open .course, #open .date, #open .answer") == []
    assert all(of_shown(chromium, "#open .date, #open .answer", "n.scrollWidth <= n.offsetWidth"))


def test_a_phone_held_sideways_has_its_tools_beside_the_map(chromium: Browser, course_page: Path) -> None:
    open_page(chromium, course_page, PHONE)
    chromium.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride", {"width": 844, "height": 390, "deviceScaleFactor": 1, "mobile": True}
    )
    settle(chromium)
    area, tools = box(chromium, ".folium-map"), box(chromium, "#tools")
    assert (tools["left"] - area["left"]) * area["height"] >= 0.45 * 844 * 390
    assert tools["bottom"] <= area["bottom"]
    assert hidden(chromium, "#to-cautions, #raster, #open .answer") == []
    assert ask(chromium, "return document.querySelector('input[data-layer=surfaces]').checkVisibility()")
    click(chromium, ".to-zone")
    settle(chromium)
    assert hidden(chromium, ".leaflet-popup-close-button") == []


@sizes
def test_legend_holes_layers_and_a_line_of_caution_are_in_view(chromium: Browser, any_page: Path, size) -> None:
    open_page(chromium, any_page, size)
    for selector in (
        ".legend",
        ".swatches li",
        ".to-hole",
        "#raster",
        ".switch",
        "#to-cautions",
        ".leaflet-control-scale",
    ):
        assert hidden(chromium, selector) == [], selector
    assert min(of_shown(chromium, ".to-hole, .switch, #tools select", "n.offsetHeight")) >= 34
    colour_by(chromium, "chance")
    assert hidden(chromium, ".legend, #lower, #higher, .to-hole, #to-cautions") == []


@sizes
def test_the_first_view_shows_the_sampled_holes_whole(chromium: Browser, course_page: Path, size) -> None:
    open_page(chromium, course_page, size)
    corners = ask(
        chromium,
        "const {map, first_bounds, holes} = geosample.current(); const b = map.getContainer().getBoundingClientRect();"
        "return [first_bounds, ...holes.slice(0, 3)].flat().map(c => map.latLngToContainerPoint(c))"
        ".map(p => [p.x + b.left, p.y + b.top])",
    )
    east, south = (np.array(corners)[:, axis].max() for axis in (0, 1))
    west, north = (np.array(corners)[:, axis].min() for axis in (0, 1))
    tools, area = box(chromium, "#tools"), box(chromium, ".folium-map")
    assert west >= box(chromium, "#position")["right"]
    assert north >= area["top"]
    assert south <= (tools["top"] if size == PHONE else area["bottom"])
    assert east <= (area["right"] if size == PHONE else tools["left"])


@sizes
def test_every_pop_up_lies_inside_the_window_with_its_close_button(chromium: Browser, any_page: Path, size) -> None:
    open_page(chromium, any_page, size)
    zones = ask(chromium, "return [...document.querySelectorAll('.to-zone')].map(b => b.dataset.zone)")
    assert zones
    for zone in zones:
        click(chromium, f".to-zone[data-zone='{zone}']")
        settle(chromium)
        assert hidden(chromium, ".leaflet-popup-close-button") == [], zone
        check_inside(chromium, size)
        assert zone in ask(chromium, "return document.querySelector('.leaflet-popup-content').innerText")


@sizes
@pytest.mark.parametrize("layer", ["points", "surfaces", "obstacles"])
def test_pop_ups_at_the_window_s_edges_move_into_it(chromium: Browser, page: Path, layer: str, size) -> None:
    open_page(chromium, page, size)
    ask(chromium, "geosample.current().map.setZoom(18, {animate: false})")
    some = ask(chromium, "return geosample.current().layers[arguments[0]][0].getLayers().length", layer)
    for place in {0, some // 2, some - 1}:
        ask(
            chromium,
            "const l = geosample.current().layers[arguments[0]][0].getLayers()[arguments[1]];"
            "geosample.tell(l, l.getLatLng ? l.getLatLng() : l.getBounds().getCenter())",
            layer,
            place,
        )
        settle(chromium)
        assert hidden(chromium, ".leaflet-popup-close-button") == []
        check_inside(chromium, size)


def check_inside(browser: Browser, size: tuple[int, int]) -> None:
    told, tools, area = box(browser, ".leaflet-popup"), box(browser, "#tools"), box(browser, ".folium-map")
    assert told["left"] >= 0
    assert told["top"] >= area["top"]
    assert told["right"] <= (size[0] if size == PHONE else tools["left"])
    assert told["bottom"] <= (tools["top"] if size == PHONE else area["bottom"]) + 1


@sizes
def test_the_table_of_zones_is_whole_with_bags_and_interval(chromium: Browser, any_page: Path, size) -> None:
    open_page(chromium, any_page, size)
    click(chromium, "#open")
    heads = of_shown(chromium, "th", "n.innerText")
    assert heads[:5] == ["Zone", "Area", "Bags in it", "Insects expected", "Chance above threshold"]
    assert box(chromium, "table")["right"] <= size[0]
    assert of_shown(chromium, "#rest", "n.scrollWidth - n.clientWidth") == [0]
    assert max(of_shown(chromium, "td", "n.scrollWidth - n.clientWidth")) <= 1
    whole = chromium.execute_script("return document.querySelector('tbody tr').innerText")
    assert re.search(r"fairway\s+[\d,.]+ \w+²?\s+4\s+65/ft²\s+37 to 111/ft²\s+86 %", whole), whole


@sizes
def test_the_line_of_caution_opens_all_of_them(chromium: Browser, page: Path, size) -> None:
    open_page(chromium, page, size)
    assert "licensed applicator" in ask(chromium, "return document.querySelector('#to-cautions').innerText")
    click(chromium, "#to-cautions")
    assert hidden(chromium, "#cautions") == []
    shown = ask(chromium, "return [...document.querySelectorAll('#rest ol li')].map(n => n.innerText)")
    assert shown == [caution.text for caution in TREATMENT]
    ask(chromium, "document.dispatchEvent(new KeyboardEvent('keydown', {key: 'Escape'}))")
    assert ask(chromium, "return document.querySelector('#rest').checkVisibility()") is False


@sizes
def test_a_zone_s_stripes_leave_the_density_readable(chromium: Browser, page: Path, size) -> None:
    """Of a zone's ground, three quarters look as they do without the zone."""
    open_page(chromium, page, size)
    click(chromium, "input[data-layer=points]")
    click(chromium, ".to-zone[data-zone=T1]")
    ask(chromium, "geosample.current().map.closePopup(); geosample.current().map.setZoom(19, {animate: false})")
    settle(chromium)
    spot = box(chromium, ".folium-map path.zone.treat:not(.casing)")
    tools, area = box(chromium, "#tools"), box(chromium, ".folium-map")
    bottom = min(spot["bottom"], tools["top"] if size == PHONE else area["bottom"]) - 40
    right = min(spot["right"], size[0] if size == PHONE else tools["left"]) - 20
    frame = tuple(round(end) for end in (max(spot["left"], 60) + 20, max(spot["top"], area["top"]) + 20, right, bottom))
    assert frame[2] - frame[0] > 60
    assert frame[3] - frame[1] > 60
    views = []
    for _ in range(2):
        views.append(np.asarray(Image.open(io.BytesIO(chromium.get_screenshot_as_png())).convert("RGB").crop(frame)))
        click(chromium, "input[data-layer=treat]")
    changed = (np.abs(views[0].astype(int) - views[1]).max(axis=2) > 24).mean()
    assert 0.05 < changed < 0.25


@pytest.mark.parametrize(("wide", "tall"), [(8.5, 11), (8.27, 11.69)], ids=["letter", "a4"])
@sizes
def test_printed_the_map_takes_the_paper_s_width_with_its_legend(
    chromium: Browser, course_page: Path, size, wide: float, tall: float
) -> None:
    open_page(chromium, course_page, size)
    asked = {"paperWidth": wide, "paperHeight": tall, "printBackground": True, "preferCSSPageSize": False}
    sheet = base64.b64decode(chromium.execute_cdp_cmd("Page.printToPDF", asked)["data"])
    with pymupdf.open(stream=sheet, filetype="pdf") as printed:
        first, text = printed[0], printed[0].get_text()
        frames = [drawn["rect"] for drawn in first.get_drawings() if drawn["rect"].height > 400]
        points = 72 * wide - 2 * 72 * 10 / 25.4
        assert max(frame.width for frame in frames) >= 0.95 * points
        assert all(first.rect.contains(frame) for frame in frames)
        rest = " ".join(page.get_text() for page in printed)
    for words in ("Expected insects per ft²", "not known", "licensed applicator", "2026-05-12", "treat "):
        assert words in text
    for caution in TREATMENT:
        assert caution.text.split(":")[0] in " ".join(rest.split())
    for hole in range(1, 19):
        assert f"Z{hole:02d}F-1" in rest


def test_the_head_names_the_course_as_it_was_named(chromium: Browser, course_page: Path) -> None:
    open_page(chromium, course_page)
    assert "Invented Course of Eighteen Holes" in ask(chromium, "return document.querySelector('h1').innerText")
    assert ask(chromium, "return document.title").startswith("The Invented Course of Eighteen Holes")


def test_a_hole_s_button_shows_the_hole(chromium: Browser, course_page: Path) -> None:
    open_page(chromium, course_page, PHONE)
    for place in (0, 17):
        click(chromium, f".to-hole[data-hole='{place}']")
        inside = "const {map, holes} = geosample.current(); return map.getBounds().contains(holes[arguments[0]])"
        assert ask(chromium, inside, place)
        assert ask(chromium, "return geosample.current().map.getZoom()") > 16
