"""How the browser tests open a page, ask it and click on it."""

from __future__ import annotations

import json
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from selenium import webdriver
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.keys import Keys

Browser = webdriver.Chrome
PHONE, DESK = (390, 844), (1280, 900)


def open_page(browser: Browser, page: Path, size: tuple[int, int] = DESK) -> None:
    browser.get_log("performance")
    browser.get_log("browser")
    metrics = {"width": size[0], "height": size[1], "deviceScaleFactor": 1, "mobile": size == PHONE}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    browser.get(page.as_uri())


def requests(browser: Browser) -> list[str]:
    told = [json.loads(entry["message"])["message"] for entry in browser.get_log("performance")]
    return [event["params"]["request"]["url"] for event in told if event["method"] == "Network.requestWillBeSent"]


def fetched(browser: Browser) -> list[str]:
    """Return what was asked of other places, without what the page's own policy held back."""
    told = [json.loads(entry["message"])["message"] for entry in browser.get_log("performance")]
    held = {e["params"]["requestId"] for e in told if e["params"].get("blockedReason") == "csp"}
    sent = [e["params"] for e in told if e["method"] == "Network.requestWillBeSent"]
    urls = [one["request"]["url"] for one in sent if one["requestId"] not in held]
    return [url for url in urls if not url.startswith(("data:", "file:"))]


def ask(browser: Browser, script: str, *given: Any) -> Any:
    return browser.execute_script(script, *given)


def count(browser: Browser, selector: str) -> int:
    return int(ask(browser, "return document.querySelectorAll(arguments[0]).length", selector))


def click(browser: Browser, selector: str) -> None:
    ask(browser, "document.querySelector(arguments[0]).click()", selector)


def picture(browser: Browser) -> str | None:
    return ask(browser, "const i = document.querySelector('.leaflet-rasters-pane img'); return i && i.src")


def colour_by(browser: Browser, measure: str) -> None:
    """Choose what the map is coloured by."""
    ask(
        browser,
        "const s = document.querySelector('#raster'); s.value = arguments[0]; s.dispatchEvent(new Event('change'))",
        measure,
    )


def box(browser: Browser, selector: str) -> dict[str, float]:
    """Return where an element lies in the window, px."""
    return dict(ask(browser, "return document.querySelector(arguments[0]).getBoundingClientRect().toJSON()", selector))


def settle(browser: Browser) -> None:
    """Wait until the map has come to rest."""
    ask(browser, "return new Promise(done => setTimeout(done, 400))")


def of_shown(browser: Browser, selector: str, what: str) -> list[Any]:
    """Return what is asked of each matching element ``n`` that is shown."""
    nodes = "[...document.querySelectorAll(arguments[0])].filter(n => n.checkVisibility())"
    return list(ask(browser, f"return {nodes}.map(n => {what})", selector))


_FIND = """const on = desk.the_map();
const shapes = on.layers.surfaces.flatMap((group) => group.getLayers());
const own = shapes.find((shape) => shape.feature && shape.feature.properties.id === arguments[0]);
on.map.fitBounds(own.getBounds(), { animate: false });
const frame = document.querySelector('#map').getBoundingClientRect();
const box = on.map.getContainer().getBoundingClientRect();
const spot = on.map.latLngToContainerPoint(own.getBounds().getCenter());
return [frame.left + box.left + spot.x, frame.top + box.top + spot.y];"""


_HIT = """const node = document.querySelector(arguments[0]);
node.scrollIntoView({ block: 'center' });
const box = node.getBoundingClientRect();
const hit = document.elementFromPoint(box.x + box.width * arguments[1], box.y + box.height / 2);
return node.disabled || !hit || !(node === hit || node.contains(hit)) ? null : box.toJSON();"""


@dataclass
class Job:
    """A desk in a browser, its folder, and the command lines that stood under its cards."""

    browser: Browser
    folder: Path
    lines: dict[str, str] = field(default_factory=dict)
    seen: int = 0
    """How many pieces of work were seen to end."""

    def wait(self, condition: str, seconds: float = 60) -> None:
        end = time.monotonic() + seconds
        while not ask(self.browser, f"return Boolean({condition})"):
            assert time.monotonic() < end, (
                condition,
                ask(self.browser, "return document.querySelector('#spoken').innerText"),
            )
            time.sleep(0.05)

    def press(self, x: float, y: float) -> None:
        for kind in ("mousePressed", "mouseReleased"):
            at = {"type": kind, "x": x, "y": y, "button": "left", "clickCount": 1}
            self.browser.execute_cdp_cmd("Input.dispatchMouseEvent", at)

    def click(self, selector: str, along: float = 0.5) -> None:
        """Click an element where it lies on the screen, as far along it as asked."""
        box: dict[str, float] = {}
        while not box:  # the page may still be moving under the mouse
            box = ask(self.browser, _HIT, selector, along)
            time.sleep(0.05)
        self.press(box["x"] + box["width"] * along, box["y"] + box["height"] / 2)

    def click_surface(self, surface_id: str) -> None:
        self.press(*ask(self.browser, _FIND, surface_id))

    def choose(self, selector: str, text: str) -> None:
        """Click a list and choose from it, or a field and write in it."""
        self.click(selector)
        node = self.browser.find_element("css selector", selector)
        if node.tag_name == "input":
            node.clear()
        node.send_keys(text)

    def keys(self, *keys: str) -> None:
        ActionChains(self.browser).send_keys(*keys).perform()

    def tab_to(self, selector: str, *, back: bool = False) -> None:
        """Press Tab until an element has the keys: it can be reached, however far it is."""
        for _ in range(150):
            if ask(self.browser, "return document.activeElement.matches(arguments[0])", selector):
                return
            if back:
                self.browser.switch_to.active_element.send_keys(Keys.SHIFT, Keys.TAB)
            else:
                self.keys(Keys.TAB)
        pytest.fail(f"{selector} can't be reached by Tab")

    def write(self, selector: str, text: str) -> None:
        self.tab_to(selector)
        ActionChains(self.browser).key_down(Keys.CONTROL).send_keys("a").key_up(Keys.CONTROL).send_keys(text).perform()

    def ran(self, step: str) -> dict[str, Any]:
        """Wait for a step that was started, and return what its card knows; its line is kept."""
        self.seen = min(self.seen, ask(self.browser, "return desk.runs().begun"))  # the page was loaded anew
        self.wait(f"desk.runs().ended > {self.seen} && desk.runs().ended === desk.runs().begun", 180)
        self.seen = ask(self.browser, "return desk.runs().ended")
        told = dict(ask(self.browser, "return desk.state().steps[arguments[0]]", step))
        assert not told["problems"], told
        return told

    def do(self, step: str) -> dict[str, Any]:
        """Press a card's button and return what came of it; the command line under it is kept."""
        self.click(f"#card-{step} .go")
        told = self.ran(step)
        line = "return document.querySelector(`#card-${arguments[0]} .line code`).textContent"
        self.lines[step] = ask(self.browser, line, step)
        return told

    def drop(self, step: str, file: Path) -> None:
        self.browser.find_element("css selector", f"#card-{step} .files").send_keys(str(file))
        self.wait(f"document.querySelector('#card-{step} .dropped input[value=\"{file.name}\"]:checked')")

    def begin(self, survey: str) -> None:
        """Begin another survey, by keyboard."""
        ask(self.browser, "document.activeElement.blur()")
        self.tab_to("#survey")
        self.keys("A")  # the choice that begins so: a new one
        self.wait("document.querySelector('#new-survey').open")
        self.write("#new-name", survey)
        self.keys(Keys.ENTER)
        self.wait(f"desk.state().survey === '{survey}'")

    def press_go(self, step: str) -> None:
        self.tab_to(f"#card-{step} .go")
        self.keys(Keys.ENTER)
        self.ran(step)

    def step_into(self, step: str) -> None:
        self.tab_to(f"#card-{step} .head")
        if ask(self.browser, "return document.activeElement.getAttribute('aria-expanded')") == "false":
            self.keys(Keys.ENTER)

    def open(self, step: str) -> None:
        if ask(self.browser, "return document.querySelector(arguments[0]).hidden", f"#body-{step}"):
            self.click(f"#card-{step} .head")
        self.wait(f"!document.querySelector('#body-{step}').hidden")
