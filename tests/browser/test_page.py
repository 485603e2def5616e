"""The page in a real browser with no network: what a reader can see, switch and reach."""

from __future__ import annotations

from pathlib import Path
from types import ModuleType

import pytest
from page_tools import DESK, PHONE, Browser, ask, box, click, colour_by, count, open_page, picture, requests
from selenium.webdriver.common.keys import Keys

from geosample.ground import Ground
from geosample.survey import open_survey
from geosample.units import show_area
from geosample.webmap import draw_map
from geosample.words import SIMULATED

pytestmark = pytest.mark.browser


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_the_page_asks_for_nothing_but_itself_and_logs_no_error(chromium: Browser, page: Path, size):
    open_page(chromium, page, size)
    outside = [url for url in requests(chromium) if not url.startswith("data:") and url != page.as_uri()]
    assert outside == []
    assert chromium.get_log("browser") == []


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_nothing_is_wider_than_the_screen(chromium: Browser, page: Path, size):
    open_page(chromium, page, size)
    assert ask(chromium, "return document.documentElement.scrollWidth") <= size[0]


@pytest.mark.parametrize(
    ("layer", "selector"),
    [
        ("surfaces", "path.surface"),
        ("obstacles", "path.obstacle"),
        ("points", ".leaflet-marker-pane .point"),
        ("treat", ".folium-map path.zone.treat"),
        ("check", ".folium-map path.zone.check"),
    ],
)
def test_each_layer_switches_off_and_on(chromium: Browser, page: Path, layer: str, selector: str):
    open_page(chromium, page)
    before = count(chromium, selector)
    assert before > 0
    click(chromium, f"input[data-layer={layer}]")
    assert count(chromium, selector) == 0
    click(chromium, f"input[data-layer={layer}]")
    assert count(chromium, selector) == before


def test_each_measure_has_its_own_picture_and_legend(chromium: Browser, page: Path):
    open_page(chromium, page)
    seen = {}
    for measure in ("density", "width", "chance"):
        colour_by(chromium, measure)
        seen[picture(chromium)] = ask(
            chromium,
            "return [...document.querySelectorAll('.legend h2')].filter(h => h.offsetParent).map(h => h.innerText)",
        )
    assert len(seen) == 3
    assert [len(heads) for heads in seen.values()] == [1, 1, 1]
    colour_by(chromium, "")
    assert picture(chromium) is None


def test_stepping_the_threshold_changes_what_is_drawn_and_said(chromium: Browser, page: Path):
    open_page(chromium, page)
    colour_by(chromium, "chance")
    assert "30/ft²" in ask(chromium, "return document.getElementById('spoken').textContent")
    first = picture(chromium)
    click(chromium, "#higher")
    assert picture(chromium) != first
    assert "40/ft²" in ask(chromium, "return document.getElementById('spoken').textContent")
    click(chromium, "#lower")
    assert picture(chromium) == first


def test_a_zone_says_the_same_area_in_its_popup_the_table_and_the_survey(chromium: Browser, page: Path):
    zones = open_survey(page.with_name("invented.gpkg")).read("zones").set_index("zone_id")
    open_page(chromium, page)
    for zone_id, zone in zones.iterrows():
        click(chromium, f".to-zone[data-zone={zone_id}]")
        popup = ask(chromium, "return [...document.querySelectorAll('.leaflet-popup-content')].at(-1).innerText")
        row = ask(chromium, f"return document.querySelector('.to-zone[data-zone={zone_id}]').closest('tr').innerText")
        wanted = show_area(zone["area_m2"])
        assert f"Zone {zone_id}" in popup
        assert wanted in popup
        assert wanted in row
        assert "licensed applicator decides" in popup


def test_the_reader_can_change_units(chromium: Browser, page: Path):
    open_page(chromium, page)
    click(chromium, "#open")
    text = "return document.querySelector('dl').innerText"
    assert "/ft²" in ask(chromium, text)
    click(chromium, "input[name=units][value=metric]")
    assert "/ft²" not in ask(chromium, text)
    assert "/m²" in ask(chromium, text)
    assert "m" in ask(chromium, "return document.querySelector('.leaflet-control-scale').innerText")


def test_a_zone_and_a_point_open_from_the_keyboard(chromium: Browser, page: Path):
    open_page(chromium, page)
    for selector in (".folium-map path.zone.treat", ".leaflet-marker-pane .point"):
        ask(chromium, "document.querySelector(arguments[0]).focus()", selector)
        chromium.switch_to.active_element.send_keys(Keys.ENTER)
        assert count(chromium, ".leaflet-popup-content") == 1
        ask(
            chromium,
            "geosample.current().map.closePopup(); document.querySelector('.leaflet-popup')?.remove()",
        )


def test_names_show_as_text_and_run_nothing(
    chromium: Browser, surveys: ModuleType, small_ground: Ground, tmp_path: Path
):
    name = "<script>window.hurt = 1</script>{{ 7 * 7 }}<img src=x onerror='window.hurt = 2'>"
    ground = Ground(small_ground.surfaces.assign(name=name), small_ground.obstacles)
    page = draw_map(surveys.ground_only(tmp_path / "names.gpkg", ground), tmp_path / "names.html")
    open_page(chromium, page)
    ask(chromium, "const l = geosample.current().layers.surfaces[0].getLayers()[0]; geosample.tell(l, l.getCenter())")
    assert name in ask(chromium, "return document.querySelector('.leaflet-popup-content').innerText")
    assert ask(chromium, "return window.hurt") is None
    assert chromium.get_log("browser") == []


def test_a_survey_with_only_the_ground_says_what_is_not_done(
    chromium: Browser, surveys: ModuleType, small_ground: Ground, tmp_path: Path
):
    page = draw_map(surveys.ground_only(tmp_path / "bare.gpkg", small_ground), tmp_path / "bare.html")
    open_page(chromium, page)
    assert count(chromium, "path.surface") == 3
    click(chromium, "#open")
    text = ask(chromium, "return document.body.innerText")
    for command in ("design", "counts", "estimate", "density", "treat"):
        assert f"geosample {command}" in text
    assert chromium.get_log("browser") == []


def test_the_map_stands_beside_the_simulated_note(chromium: Browser, page: Path, surveys: ModuleType):
    open_page(chromium, page, PHONE)
    box = ask(chromium, "return document.querySelector('.simulated').getBoundingClientRect().top")
    assert ask(chromium, "return document.querySelector('.simulated').innerText") == SIMULATED
    assert box < PHONE[1] / 2


def choose(browser: Browser, selector: str, value: str) -> None:
    """Pick an option by keyboard, as a reader does."""
    field = browser.find_element("css selector", selector)
    places = [option.get_attribute("value") for option in field.find_elements("css selector", "option")]
    wanted, at = places.index(value), places.index(field.get_attribute("value"))
    field.send_keys(*([Keys.ARROW_DOWN if wanted > at else Keys.ARROW_UP] * abs(wanted - at)))


def test_the_page_switches_to_another_visit(chromium: Browser, visits_page: Path) -> None:
    open_page(chromium, visits_page)
    head = "return document.querySelector('#head').innerText"
    assert "2026-06-02" in ask(chromium, head)
    assert count(chromium, ".folium-map path.zone.treat") == 0
    before, points = picture(chromium), count(chromium, ".leaflet-marker-pane .point")
    choose(chromium, "#visit", "1")
    assert "2026-05-12" in ask(chromium, head)
    assert "2026-06-02" not in ask(chromium, head)
    assert count(chromium, ".folium-map path.zone.treat") > 0
    assert count(chromium, ".leaflet-marker-pane .point") == points
    assert picture(chromium) != before
    choose(chromium, "#visit", "0")
    assert picture(chromium) == before


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_two_visits_side_by_side_show_the_same_ground_by_the_same_colours(
    chromium: Browser, visits_page: Path, size: tuple[int, int]
) -> None:
    open_page(chromium, visits_page, size)
    choose(chromium, "#second", "1")
    first, second = (box(chromium, part) for part in (".folium-map:not(#beside)", "#beside"))
    assert min(first["height"], second["height"]) > 200
    assert first["right"] <= second["left"] + 1 or first["bottom"] <= second["top"] + 1
    names = "return [...document.querySelectorAll('.which')].map(n => n.innerText)"
    assert ask(chromium, names) == ["2026-06-02", "2026-05-12"]
    click(chromium, ".to-hole[data-hole='0']")
    centres = (
        "return geosample.current().views.map(v => [v.map.getCenter().lat, v.map.getCenter().lng, v.map.getZoom()])"
    )
    one, other = ask(chromium, centres)
    assert one == pytest.approx(other)
    colour_by(chromium, "chance")
    heads = ask(
        chromium,
        "return [...document.querySelectorAll('.legend:not([hidden]) h2 > span:last-child')].map(n => n.textContent)",
    )
    assert len(heads) == 2
    assert heads[0].partition(",")[0] == heads[1].partition(",")[0]
    swatches = "return [...document.querySelectorAll(`.legend[data-visit='${arguments[0]}'][data-for=density] rect`)]"
    colours = [ask(chromium, swatches + ".map(n => n.getAttribute('fill'))", visit) for visit in (0, 1)]
    assert colours[0] == colours[1]
    # the visit that is beside takes the place of the one that leaves
    choose(chromium, "#visit", "1")
    assert ask(chromium, names) == ["2026-05-12", "2026-06-02"]
    assert ask(chromium, "return document.documentElement.scrollWidth") <= size[0]
    choose(chromium, "#second", "")
    assert ask(chromium, "return document.querySelector('#beside').hidden")
    assert chromium.get_log("browser") == []
