"""Make what lies in sample_maps/ and its pictures anew, from the demo: run it when the page or a paper changes.

Run: python tests/remake_samples.py; Chromium and its driver are needed for the page's picture.
"""

from __future__ import annotations

import io
import shutil
import sys
import tempfile
from pathlib import Path

import pymupdf
from click.testing import CliRunner
from PIL import Image
from selenium import webdriver
from selenium.webdriver.chrome.service import Service

from geosample.cli import main

SAMPLES = Path(__file__).resolve().parents[1] / "sample_maps"
KEPT = ("estimates.csv", "field_map.pdf", "map.html", "points.gpx", "treatment_plan.pdf", "zones.csv")
PAGE_PX = (1280, 900)
PAPER_DPI = 80


def picture_page(page: Path) -> Image.Image:
    """Return the page as it opens on a desk."""
    options = webdriver.ChromeOptions()
    options.binary_location = str(shutil.which("chromium"))
    for flag in ("--headless", "--no-sandbox", "--disable-gpu", "--host-resolver-rules=MAP * ~NOTFOUND"):
        options.add_argument(flag)
    browser = webdriver.Chrome(options=options, service=Service(str(shutil.which("chromedriver"))))
    try:
        wide, tall = PAGE_PX
        asked = {"width": wide, "height": tall, "deviceScaleFactor": 1, "mobile": False}
        browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", asked)
        browser.get(page.as_uri())
        return Image.open(io.BytesIO(browser.get_screenshot_as_png()))
    finally:
        browser.quit()


def picture_paper(pdf: Path, start: str) -> Image.Image:
    """Return the first sheet whose text starts so, or else the first of all."""
    with pymupdf.open(pdf) as book:
        sheet = next((sheet for sheet in book if sheet.get_text().startswith(start)), book[0])
        return Image.open(io.BytesIO(sheet.get_pixmap(dpi=PAPER_DPI).tobytes("png")))


def remake() -> None:
    with tempfile.TemporaryDirectory() as name:
        made = Path(name)
        run = CliRunner().invoke(main, ["demo", "--out", str(made)])
        if run.exit_code:
            sys.exit(run.output)
        for kept in KEPT:
            shutil.copyfile(made / kept, SAMPLES / kept)
        pictures = {
            "map.png": picture_page(made / "map.html"),
            "field_map_hole.png": picture_paper(made / "field_map.pdf", "Hole"),
            "treatment_plan_hole.png": picture_paper(made / "treatment_plan.pdf", "Hole"),
        }
    for file, picture in pictures.items():
        # A palette: a third of the size, and nothing that a reader would see.
        small = picture.convert("RGB").quantize(256, Image.Quantize.MAXCOVERAGE, dither=Image.Dither.NONE)
        small.save(SAMPLES / file, optimize=True)


if __name__ == "__main__":
    remake()
