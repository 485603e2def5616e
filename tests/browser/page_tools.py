"""How the browser tests open a page, ask it and click on it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from selenium import webdriver

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
