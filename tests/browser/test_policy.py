"""The page's content security policy in a real browser: it holds back nothing of the page, and all that is not."""

from __future__ import annotations

from pathlib import Path

import pytest
from page_tools import Browser, ask, click, colour_by, count, fetched, open_page

from geosample.survey import open_survey
from geosample.webmap import draw_map

pytestmark = pytest.mark.browser
TILES = "https://tiles.invalid/{z}/{x}/{y}.png"
# Each way a script or a request could come into a page; the last two would tell another host of the reader.
ATTACKS = {
    "a script": "const s = document.createElement('script'); s.textContent = 'window.hurt = 1';document.head.append(s)",
    "a script from data": "const s = document.createElement('script'); s.src = 'data:text/javascript,window.hurt=1';"
    "document.head.append(s)",
    "a handler": "document.body.insertAdjacentHTML('beforeend', '<img src=\"data:,\" onerror=\"window.hurt = 1\">')",
    "a link that is a script": "const a = document.createElement('a'); a.href = 'javascript:window.hurt=1';"
    "document.body.append(a); a.click()",
    "a timer of text": "setTimeout('window.hurt = 1')",
    "a frame": "const f = document.createElement('iframe'); f.src = 'https://other.invalid/'; document.body.append(f)",
    "a picture": "new Image().src = 'https://other.invalid/a.png'",
    "a request": "fetch('https://other.invalid/')",
}


def refusals(browser: Browser) -> list[str]:
    said = [entry["message"] for entry in browser.get_log("browser")]
    return [line for line in said if "Content Security Policy" in line]


def use_all(browser: Browser) -> None:
    """Press, switch and open whatever the page has."""
    for box in ask(browser, "return [...document.querySelectorAll('input[data-layer]')].map(b => b.dataset.layer)"):
        click(browser, f"input[data-layer={box}]")
        click(browser, f"input[data-layer={box}]")
    for measure in ("width", "chance", "", "density"):
        colour_by(browser, measure)
    for selector in (
        "#higher",
        "#lower",
        "#open",
        "#close",
        "#to-cautions",
        "input[name=units][value=metric]",
        ".to-zone",
        ".to-hole",
    ):
        click(browser, selector)
    for selector in ("#position", "#position"):
        click(browser, selector)
    ask(
        browser,
        "geosample.current().map.eachLayer(l => { if (l.feature && l.feature.properties.say) {"
        " geosample.tell(l, l.getLatLng ? l.getLatLng() : l.getBounds().getCenter()); } })",
    )
    ask(browser, "window.dispatchEvent(new Event('beforeprint')); window.dispatchEvent(new Event('afterprint'))")
    ask(browser, "geosample.current().map.setZoom(20, {animate: false})")


def test_nothing_of_the_page_is_held_back_while_all_of_it_is_used(chromium: Browser, page: Path) -> None:
    open_page(chromium, page)
    use_all(chromium)
    assert count(chromium, ".leaflet-popup-content") > 0
    # "network" is the browser's own: asked for a position, it does ask its maker's service
    assert [entry for entry in chromium.get_log("browser") if entry["source"] != "network"] == []
    assert fetched(chromium) == []


def test_nothing_is_held_back_of_two_visits_side_by_side(chromium: Browser, visits_page: Path) -> None:
    open_page(chromium, visits_page)
    ask(chromium, "const s = document.querySelector('#second'); s.value = '1'; s.dispatchEvent(new Event('change'))")
    use_all(chromium)
    assert [entry for entry in chromium.get_log("browser") if entry["source"] != "network"] == []
    assert fetched(chromium) == []


def test_legends_and_patterns_keep_their_look(chromium: Browser, page: Path) -> None:
    open_page(chromium, page)
    swatch = "const r = document.querySelector('.swatches svg rect'); return [getComputedStyle(r).fill, r.clientWidth]"
    fill, _ = ask(chromium, swatch)
    assert fill.startswith("rgb(")
    assert fill != "rgb(0, 0, 0)"
    assert ask(chromium, "return getComputedStyle(document.querySelector('.patterns')).position") == "absolute"


@pytest.mark.parametrize("attack", ATTACKS)
def test_what_is_not_of_the_page_neither_runs_nor_asks(chromium: Browser, page: Path, attack: str) -> None:
    open_page(chromium, page)
    ask(chromium, ATTACKS[attack])
    assert ask(chromium, "return new Promise(done => setTimeout(() => done(window.hurt || null), 200))") is None
    assert refusals(chromium)
    assert fetched(chromium) == []


def test_a_script_written_into_the_file_does_not_run(chromium: Browser, page: Path, tmp_path: Path) -> None:
    text = page.read_text(encoding="utf-8")
    changed = tmp_path / "changed.html"
    changed.write_text(text.replace("<main", "<script>window.hurt = 1</script><main", 1), encoding="utf-8")
    open_page(chromium, changed)
    assert ask(chromium, "return window.hurt || null") is None
    assert len(refusals(chromium)) == 1
    assert count(chromium, "path.surface") > 0  # the page itself still works


@pytest.mark.parametrize("asked", [True, False])
def test_only_a_base_map_that_was_asked_for_may_be_fetched(
    chromium: Browser, page: Path, tmp_path: Path, asked: bool
) -> None:
    asks = {"base_map": TILES, "base_credit": "Owner"} if asked else {}
    made = draw_map(open_survey(page.with_name("invented.gpkg")), tmp_path / "map.html", **asks)
    open_page(chromium, made)
    if asked:
        click(chromium, "input[data-layer=base]")
    else:
        ask(chromium, "new Image().src = 'https://tiles.invalid/1/1/1.png'")
    ask(chromium, "return new Promise(done => setTimeout(done, 200))")
    assert any("tiles.invalid" in url for url in fetched(chromium)) is asked
    assert bool(refusals(chromium)) is not asked


def test_before_its_first_use_the_position_button_says_who_may_learn_of_it(chromium: Browser, page: Path) -> None:
    open_page(chromium, page)
    ask(
        chromium,
        "window.asked = 0; navigator.geolocation.watchPosition = () => { window.asked += 1; return 1; };",
    )
    click(chromium, "#position")
    said = ask(chromium, "return document.querySelector('.leaflet-popup-content').innerText")
    assert "the browser may ask its maker's location service" in said
    assert "\n" not in said.strip()
    assert said == ask(chromium, "return document.querySelector('#spoken').textContent")
    assert ask(chromium, "return window.asked") == 0
    click(chromium, "#position")
    assert ask(chromium, "return window.asked") == 1
