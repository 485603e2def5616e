"""Reading the page: in bright sun, by keyboard, on paper, and what its layers say."""

from __future__ import annotations

import base64
from pathlib import Path

import pymupdf
import pytest
from page_tools import DESK, PHONE, Browser, ask, click, count, open_page
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.keys import Keys

pytestmark = pytest.mark.browser


def test_hotspots_are_off_at_first_and_say_what_they_are(chromium: Browser, page: Path):
    open_page(chromium, page)
    assert count(chromium, ".folium-map path.hotspot") == 0
    click(chromium, "input[data-layer=hotspots]")
    assert count(chromium, ".folium-map path.hotspot.level50") > 0
    hotspot = "document.querySelector('.folium-map path.hotspot.level50')"
    ask(chromium, f"{hotspot}.dispatchEvent(new MouseEvent('click', {{bubbles: true}}))")
    said = ask(chromium, "return document.querySelector('.leaflet-popup-content').innerText")
    assert said.startswith("Hotspot: everywhere in it the chance of more than 30/ft² is 50 % or more: ")


def test_no_zones_label_lies_on_another(chromium: Browser, page: Path):
    open_page(chromium, page)
    apart = """
    const boxes = [...document.querySelectorAll('.leaflet-marker-pane .label')]
      .filter(n => getComputedStyle(n).visibility === 'visible' && n.offsetParent)
      .map(n => n.firstElementChild.getBoundingClientRect());
    const meet = (a, b) => a.left < b.right && b.left < a.right && a.top < b.bottom && b.top < a.bottom;
    return [boxes.length, boxes.filter((a, i) => boxes.slice(0, i).some(b => meet(a, b))).length];
    """
    for zoom in (18, 19, 20):
        ask(chromium, "geosample.current().map.setZoom(arguments[0], {animate: false})", zoom)
        shown, overlapping = ask(chromium, apart)
        assert shown >= 1
        assert overlapping == 0


CONTRAST = """
const channel = (c) => { c /= 255; return c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4; };
const light = ([r, g, b]) => 0.2126 * channel(r) + 0.7152 * channel(g) + 0.0722 * channel(b);
const read = (text) => text.match(/[0-9.]+/g).map(Number);
const behind = (node) => {
  for (let at = node; at; at = at.parentElement) {
    const found = read(getComputedStyle(at).backgroundColor);
    if (found.length === 3 || found[3] === 1) { return found.slice(0, 3); }
  }
  return [255, 255, 255];
};
const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
const worst = [];
while (walk.nextNode()) {
  const node = walk.currentNode.parentElement;
  if (!walk.currentNode.data.trim() || !node.checkVisibility() || node.closest("script, style, svg")) { continue; }
  const pair = [light(read(getComputedStyle(node).color)), light(behind(node))].sort((a, b) => b - a);
  worst.push([(pair[0] + 0.05) / (pair[1] + 0.05), walk.currentNode.data.trim().slice(0, 40)]);
}
return worst.sort((a, b) => a[0] - b[0]).slice(0, 5);
"""


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
def test_text_stands_out_enough_for_bright_sun(chromium: Browser, page: Path, size: tuple[int, int]):
    """Contrast of 7 : 1 or more: WCAG 2.2, success criterion 1.4.6 (enhanced), and its relative luminance."""
    open_page(chromium, page, size)
    worst = ask(chromium, CONTRAST)
    assert len(worst) == 5
    assert worst[0][0] >= 7, worst


def test_every_switch_can_be_reached_and_used_from_the_keyboard(chromium: Browser, page: Path):
    open_page(chromium, page)
    click(chromium, "#open")
    wanted = ask(
        chromium,
        "return [...document.querySelectorAll('button, select, input, summary')].filter(n => n.checkVisibility())"
        ".map(n => n.id || n.dataset.layer || n.dataset.zone || n.value || n.textContent)",
    )
    ask(
        chromium,
        "window.reached = new Set(); addEventListener('focusin', event => { const n = event.target;"
        "window.reached.add(n.id || n.dataset.layer || n.dataset.zone || n.value || n.textContent); });",
    )
    for _ in range(8):  # fifty at a time: a message takes longer than a key
        ActionChains(chromium, duration=0).send_keys(Keys.TAB * 50).perform()
        reached = set(ask(chromium, "return [...window.reached]"))
        if reached >= {name for name in wanted if name != "us"}:
            break
    # of a group of radio buttons one is reached by Tab, the others by the arrows
    radios = {"us", "metric"}
    assert set(wanted) - radios <= reached
    box = "input[data-layer=obstacles]"
    ask(chromium, f"document.querySelector('{box}').focus()")
    before = count(chromium, "path.obstacle")
    chromium.switch_to.active_element.send_keys(Keys.SPACE)
    assert before > 0
    assert count(chromium, "path.obstacle") == 0


def test_the_printed_page_holds_map_legend_zones_and_cautions(chromium: Browser, page: Path):
    open_page(chromium, page)
    sheet = chromium.execute_cdp_cmd("Page.printToPDF", {"paperWidth": 8.5, "paperHeight": 11, "printBackground": True})
    with pymupdf.open(stream=base64.b64decode(sheet["data"]), filetype="pdf") as printed:
        text = " ".join(" ".join(sheet.get_text().split()) for sheet in printed)
        first = printed[0].get_text()
        assert len(printed) <= 6
    for words in ("Zones, hole by hole", "The product label is the law", "How sure", "Sources and how sure"):
        assert words in text
    assert "Print" not in first.split()
    assert "Obstacles" in first
    assert "Hotspots" not in first  # a layer that is off is not in the key


@pytest.mark.parametrize(("wide", "tall"), [(8.5, 11), (8.27, 11.69)], ids=["letter", "a4"])
def test_the_printed_table_shows_every_column_whole(chromium: Browser, page: Path, wide: float, tall: float):
    open_page(chromium, page)
    click(chromium, "#open")
    shown = ask(chromium, "return [...document.querySelectorAll('tbody td')].map(cell => cell.innerText.trim())")
    sheet = chromium.execute_cdp_cmd("Page.printToPDF", {"paperWidth": wide, "paperHeight": tall})
    with pymupdf.open(stream=base64.b64decode(sheet["data"]), filetype="pdf") as printed:
        words = [word for leaf in printed for word in leaf.get_text("words") if leaf.rect.contains(word[:4])]
    text = " ".join(word[4] for word in words)
    assert "Chance above threshold" in text
    assert all(" ".join(cell.split()) in text for cell in shown)


def test_from_afar_the_holes_are_named_and_from_near_the_zones(chromium: Browser, page: Path):
    open_page(chromium, page)
    seen = "return [...document.querySelectorAll('.label')].filter(n => n.offsetParent).map(n => n.innerText)"
    for zoom, named in ((16, "1"), (19, "T1")):
        ask(chromium, "geosample.current().map.setZoom(arguments[0], {animate: false})", zoom)
        assert named in ask(chromium, seen)


def test_labels_lie_above_points(chromium: Browser, page: Path):
    open_page(chromium, page)
    ask(chromium, "geosample.current().map.setZoom(19, {animate: false})")
    depth = "return [...document.querySelectorAll(arguments[0])].map(n => Number(n.style.zIndex))"
    labels, points = (ask(chromium, depth, f".leaflet-marker-pane .{kind}") for kind in ("label", "point"))
    assert labels
    assert min(labels) > max(points)
