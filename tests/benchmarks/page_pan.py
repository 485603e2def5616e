"""How smoothly the demo's page opens and pans in a real browser.

Run: python tests/benchmarks/page_pan.py [--write] [PAGE.html ...]; the demo's page when none is named.
Each page is opened from its file with no network, at phone and desk size, and dragged by the pointer for three
seconds; the figures are the times between the frames the browser drew meanwhile. A processor core without a graphics
card does all of it, so a phone's own figures may be better or worse.
"""

from __future__ import annotations

import os
import platform
import shutil
import time
from pathlib import Path

import numpy as np
import pandas as pd
from bench import ROOT, as_markdown, ask, beside, stop_without
from selenium import webdriver
from selenium.webdriver.chrome.service import Service

SIZES = {"phone": (390, 844), "desk": (1400, 900)}
FRAMES = """
window.frames_ms = [];
const note = (time) => { window.frames_ms.push(time); requestAnimationFrame(note); };
requestAnimationFrame(note);
"""


def open_browser() -> webdriver.Chrome:
    options = webdriver.ChromeOptions()
    options.binary_location = str(shutil.which("chromium"))
    for flag in ("--headless", "--no-sandbox", "--disable-gpu", "--host-resolver-rules=MAP * ~NOTFOUND"):
        options.add_argument(flag)
    return webdriver.Chrome(options=options, service=Service(str(shutil.which("chromedriver"))))


def drag(browser: webdriver.Chrome, seconds: float) -> None:
    """Drag the map to and fro by the pointer, as a finger would."""
    box = browser.execute_script(
        "document.querySelector('.folium-map').scrollIntoView();"
        "const b = document.querySelector('.folium-map').getBoundingClientRect();"
        "return [b.left + b.width / 2, b.top + Math.min(b.height, innerHeight) / 2]"
    )
    pointer = {"button": "left", "buttons": 1, "clickCount": 1}
    browser.execute_cdp_cmd("Input.dispatchMouseEvent", {"type": "mousePressed", "x": box[0], "y": box[1], **pointer})
    start = time.perf_counter()
    while (passed := time.perf_counter() - start) < seconds:
        x, y = box[0] + 120 * np.sin(4 * passed), box[1] + 90 * np.sin(2.7 * passed)
        browser.execute_cdp_cmd("Input.dispatchMouseEvent", {"type": "mouseMoved", "x": x, "y": y, **pointer})
    browser.execute_cdp_cmd("Input.dispatchMouseEvent", {"type": "mouseReleased", "x": box[0], "y": box[1], **pointer})


def measure(browser: webdriver.Chrome, page: Path, size: str, seconds: float) -> list[str]:
    width, height = SIZES[size]
    metrics = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": size == "phone"}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    browser.get(page.as_uri())
    loaded = browser.execute_script(
        "const t = performance.getEntriesByType('navigation')[0]; return t.loadEventEnd - t.startTime"
    )
    browser.execute_script("geosample.current().map.setZoom(18, {animate: false})")
    browser.execute_script(FRAMES)
    drag(browser, seconds)
    frames = np.diff(browser.execute_script("return window.frames_ms"))
    median, slow = np.quantile(frames, [0.5, 0.95])
    long = (frames > 50).mean()
    megabytes = page.stat().st_size / 1e6
    figures = [f"{loaded:.0f}", f"{len(frames)}", f"{median:.0f}", f"{slow:.0f}", f"{long:.1%}"]
    return [page.stem, f"{megabytes:.1f}", size, *figures]


def main() -> None:
    asked = ask(__doc__, beside(__file__), words="pages of geosample map", seconds=(3, 1))
    if not (shutil.which("chromium") and shutil.which("chromedriver")):
        stop_without("no chromium and chromedriver on the path")
    pages = [Path(word).resolve() for word in asked.words or [ROOT / "sample_maps" / "map.html"]]
    browser = open_browser()
    try:
        rows = [measure(browser, page, size, asked.seconds) for page in pages for size in SIZES]
    finally:
        browser.quit()
    heads = ["page", "MB", "size", "opened after, ms", "frames", "median, ms", "95 % within, ms", "over 50 ms"]
    lines = ["# How smoothly the page pans", "", *(__doc__ or "").splitlines()[3:6], ""]
    lines += [f"Made on {os.cpu_count()} cores ({platform.machine()}).", ""]
    asked.publish("\n".join([*lines, as_markdown(pd.DataFrame(rows, columns=heads))]))


if __name__ == "__main__":
    main()
