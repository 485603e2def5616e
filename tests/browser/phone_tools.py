"""How tests and scripts use the phone's page: touches on a small screen, as a hand would, and what the page holds."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from selenium import webdriver
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.actions.action_builder import ActionBuilder
from selenium.webdriver.common.actions.pointer_input import PointerInput

SMALL = (360, 640)
LEAST_PX, LEAST_CONTRAST = 54, 7.0
# WCAG 2.2, relative luminance and contrast ratio, of every text shown against the ground behind it.
CONTRASTS = """
const shade = (text) => { const [r, g, b, a = 1] = text.match(/[\\d.]+/g).map(Number); return [r, g, b, a]; };
const curve = (v) => (v /= 255) <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
const light = (c) => 0.2126 * curve(c[0]) + 0.7152 * curve(c[1]) + 0.0722 * curve(c[2]);
const behind = (one) => {
  for (let at = one; at; at = at.parentElement) {
    const c = shade(getComputedStyle(at).backgroundColor);
    if (c[3] > 0) { return c; }
  }
  return [255, 255, 255];
};
const worded = (one) => [...one.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim());
return [...document.querySelectorAll("body *")].filter((one) => !one.closest("svg") && one.checkVisibility())
  .filter(worded).map((one) => {
    const a = light(shade(getComputedStyle(one).color)), b = light(behind(one));
    return [(Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05), one.textContent.slice(0, 30)];
  });
"""
SIZES = """
const shown = [...document.querySelectorAll("button, input:not([type=file])")].filter((one) => one.checkVisibility());
return shown.map((one) => {  // a text that spills over its button counts as too small a button
  const b = one.getBoundingClientRect(), spills = one.tagName === "BUTTON" && one.scrollHeight > one.clientHeight + 1;
  return [spills ? 0 : Math.min(b.width, b.height), one.textContent || one.id];
});
"""
SCROLLS = """
const all = document.documentElement;
return all.scrollWidth > innerWidth || all.scrollHeight > innerHeight;
"""
PLACE = """
const fits = (n) => n.checkVisibility() && n.textContent.includes(arguments[1]);
const one = [...document.querySelectorAll(arguments[0])].find(fits);
if (!one) { return null; }
one.scrollIntoView({ block: "nearest" });
const b = one.getBoundingClientRect();
return [b.left + b.width / 2, b.top + b.height / 2];
"""

KEPT = """
const done = arguments[0], given = JSON.parse(document.getElementById("given").textContent);
const asked = indexedDB.open(`geosample ${given.visit} ${given.design_code}`, 1);
asked.onsuccess = () => {
  const all = asked.result.transaction("entries").objectStore("entries").getAll();
  all.onsuccess = () => { asked.result.close(); done(all.result.sort((a, b) => a.at - b.at).map((one) => one.cells)); };
};
"""


def start_browser(chromium: str, driver: str, profile: Path, *flags: str) -> webdriver.Chrome:
    """Start a browser with a profile of its own, as another phone."""
    options = webdriver.ChromeOptions()
    options.binary_location = chromium
    usual = ("--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking")
    for flag in (*usual, *flags, f"--user-data-dir={profile}"):
        options.add_argument(flag)
    return webdriver.Chrome(options=options, service=Service(driver))


class Phone:
    """A browser's window used as a phone of 360 by 640 pixels with a touch screen."""

    def __init__(self, browser: webdriver.Chrome) -> None:
        self.browser = browser
        self.last_tap = (-99.0, -99.0, 0.0)
        width, height = SMALL
        metrics = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": True}
        self.cdp("Emulation.setDeviceMetricsOverride", **metrics)
        self.cdp("Emulation.setTouchEmulationEnabled", enabled=True)

    def cdp(self, command: str, **given: Any) -> Any:
        return self.browser.execute_cdp_cmd(command, given)

    def ask(self, script: str, *given: Any) -> Any:
        return self.browser.execute_script(script, *given)

    def open(self, address: str) -> None:
        self.browser.get(address)
        self.wait(lambda: self.ask("return document.body.dataset.ready"), "the page to be ready")

    def wait(self, until: Callable[[], Any], what: str, seconds: float = 60) -> Any:
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            if found := until():
                return found
            time.sleep(0.02)
        message = f"waited for {what}; the page says: {self.ask('return document.body.innerText')!r}"
        raise AssertionError(message)

    def tap(self, mark: str, text: str = "") -> None:
        """Touch what a selector finds, the first with this text, in the window or in a list that scrolls."""
        x, y = self.wait(lambda: self.ask(PLACE, mark, text), f"{mark} {text!r}")
        last_x, last_y, at = self.last_tap
        if abs(x - last_x) < 40 and abs(y - last_y) < 40:  # no finger is so fast: the page takes it for a bounce
            time.sleep(max(0.0, at + 0.5 - time.monotonic()))
        self.touch([x, y])
        self.last_tap = (x, y, time.monotonic())

    def touch(self, *places: list[float]) -> None:
        """Touch one place after the other, in one message to the browser: messages take longer than touches."""
        finger = ActionBuilder(self.browser, mouse=PointerInput("touch", "finger"), duration=0)
        for x, y in places:
            finger.pointer_action.move_to_location(round(x), round(y)).pointer_down().pointer_up()
        finger.perform()

    def button(self, text: str) -> None:
        self.tap("button", text)

    def write(self, mark: str, text: str) -> None:
        self.ask("document.querySelector(arguments[0]).focus()", mark)
        self.cdp("Input.insertText", text=text)

    def enter_name(self, name: str) -> None:
        self.write("#person", name)
        self.tap("[data-ok]")
        self.wait(lambda: name in self.said(), "the greeting")

    def said(self) -> str:
        return str(self.ask("return document.querySelector('#said').textContent"))

    def text(self) -> str:
        return str(self.ask("return document.body.innerText"))

    def heading(self) -> str:
        return str(self.ask("const h = document.querySelector('h1'); return h ? h.textContent : ''"))

    def open_bag(self, sample_id: str) -> None:
        """Call a bag by tapping its number."""
        self.button("Bags")
        self.tap(f"[data-bag='{sample_id}']")
        self.wait(lambda: self.heading() == sample_id, sample_id)

    def type_counts(self, found: dict[str, int]) -> None:
        marks = [
            mark
            for stage, count in found.items()
            for mark in (f"[data-stage='{stage}']", *(f"[data-key='{digit}']" for digit in str(count)))
        ]
        self.touch(*self.ask(f"return arguments[0].map((mark) => (function () {{ {PLACE} }})(mark, ''));", marks))

    def next(self, sample_id: str, *, blank: str = "zero") -> None:
        """Keep the bag, with what blanks mean where the page asks."""
        self.tap("[data-next]")
        asked = "return document.querySelector('[data-blank]') !== null"

        def kept() -> bool:
            return self.said().startswith(f"{sample_id}:") and self.said().endswith("Kept.")

        self.wait(lambda: kept() or self.ask(asked), f"{sample_id} kept")
        if self.ask(asked):
            self.tap(f"[data-blank={blank}]")
        self.wait(kept, f"{sample_id} kept")

    def kept(self) -> list[dict[str, str]]:
        """Return what stands on the phone's disk, oldest first."""
        entries: list[dict[str, str]] = self.browser.execute_async_script(KEPT)
        return entries

    def faults(self) -> list[str]:
        """Return what of this screen is too small, too pale, or only reached by scrolling."""
        small = [f"{text}: {size:.0f} px" for size, text in self.ask(SIZES) if size < LEAST_PX]
        pale = [f"{text}: {ratio:.1f}:1" for ratio, text in self.ask(CONTRASTS) if ratio < LEAST_CONTRAST]
        return [*small, *pale, *(["the page scrolls"] if self.ask(SCROLLS) else [])]

    def beyond(self, *texts: str) -> list[str]:
        """Return which of these buttons lie outside the window."""
        inside = (
            "const one = [...document.querySelectorAll('button')].find((n) => n.textContent === arguments[0]);"
            "if (!one) { return false; } const b = one.getBoundingClientRect();"
            "return b.top >= 0 && b.left >= 0 && b.bottom <= innerHeight && b.right <= innerWidth"
            " && one.contains(document.elementFromPoint(b.left + b.width / 2, b.top + b.height / 2))"
        )
        return [text for text in texts if not self.ask(inside, text)]
