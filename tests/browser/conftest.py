"""A headless Chromium that records every request, and the pages it opens."""

from __future__ import annotations

import importlib.util
import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import pytest
from desk_case import start_desk
from page_tools import DESK, Browser, Job
from selenium import webdriver
from selenium.webdriver.chrome.service import Service

from geosample.ground import Ground
from geosample.webmap import draw_map

_FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
)


@pytest.fixture(scope="session")
def surveys() -> ModuleType:
    """The module that invents surveys, loaded from beside this file."""
    spec = importlib.util.spec_from_file_location("full_survey", Path(__file__).with_name("full_survey.py"))
    if spec is None or spec.loader is None:
        pytest.fail("tests/browser/full_survey.py is missing")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def page(surveys: ModuleType, small_ground: Ground, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A page with every layer on it."""
    folder = tmp_path_factory.mktemp("page")
    return draw_map(surveys.complete(folder / "invented.gpkg", small_ground), folder / "map.html")


@pytest.fixture(scope="session")
def visits_page(surveys: ModuleType, small_ground: Ground, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page of two visits, the newer of them without a plan."""
    folder = tmp_path_factory.mktemp("visits")
    return draw_map(surveys.two_visits(folder / "invented.gpkg", small_ground), folder / "map.html")


@pytest.fixture(scope="session")
def course_page(surveys: ModuleType, small_ground: Ground, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page of a course of eighteen holes, three of them sampled, with a zone on each and a long name."""
    folder = tmp_path_factory.mktemp("course")
    return draw_map(surveys.eighteen_holes(folder / "course.gpkg", small_ground), folder / "map.html")


@pytest.fixture(scope="session")
def chromium(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    """A browser with no network; where there is none the test is skipped, but never on a CI machine."""
    browser, driver = shutil.which("chromium"), shutil.which("chromedriver")
    if not (browser and driver):
        if os.environ.get("CI"):
            pytest.fail("the browser tests need Chromium and its driver: apt-get install chromium chromium-driver")
        pytest.skip("needs Chromium and its driver, which are not installed")
    options = webdriver.ChromeOptions()
    options.binary_location = browser
    for flag in (*_FLAGS, f"--user-data-dir={tmp_path_factory.mktemp('profile')}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    opened = webdriver.Chrome(options=options, service=Service(driver))
    yield opened
    opened.quit()


@pytest.fixture(scope="module")
def job(chromium: Browser, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Job]:
    folder = tmp_path_factory.mktemp("work")
    (folder / "dropped").mkdir()
    process, _, door = start_desk(folder)
    metrics = {"width": DESK[0], "height": DESK[1], "deviceScaleFactor": 1, "mobile": False}
    chromium.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    chromium.get_log("browser")
    chromium.get(door)
    one = Job(chromium, folder)
    one.wait("typeof desk !== 'undefined' && desk.state()")
    yield one
    chromium.get("about:blank")
    process.terminate()
    process.wait()
    process.stderr.close()  # type: ignore[union-attr]
