"""Ground by hand at the desk, in a real browser: a picture placed by clicks, surfaces drawn and changed."""

from __future__ import annotations

import re

import numpy as np
import pytest
from page_tools import Job, ask
from PIL import Image
from pyproj import Transformer
from selenium.webdriver.common.keys import Keys

from geosample.ground import Ground, write_ground

pytestmark = [pytest.mark.browser, pytest.mark.slow]
_PLACE = """const on = desk.the_map();
const frame = document.querySelector('#map').getBoundingClientRect();
const box = on.map.getContainer().getBoundingClientRect();
const spot = on.map.latLngToContainerPoint([arguments[1], arguments[0]]);
return [frame.left + box.left + spot.x, frame.top + box.top + spot.y];"""
PICTURE = (400, 300)
"""Columns and rows of the invented picture, a metre each."""


def place_on_map(job: Job, lon: float, lat: float) -> list[float]:
    """Return where a place on Earth lies on the screen."""
    return list(ask(job.browser, _PLACE, lon, lat))


def press_in_picture(job: Job, column: float, row: float) -> None:
    box = ask(job.browser, "return document.querySelector('#spot-picture').getBoundingClientRect().toJSON()")
    job.press(box["x"] + column / PICTURE[0] * box["width"], box["y"] + row / PICTURE[1] * box["height"])


def read_pairs(job: Job) -> list[list[float]]:
    text = ask(job.browser, "return document.querySelector('#under [data-under=aerial-pairs]').value")
    return [[float(part) for part in re.split("[=,]", pair)] for pair in text.split(";") if pair.strip()]


@pytest.fixture(scope="module")
def drawn(job: Job, small_ground: Ground, tmp_path_factory: pytest.TempPathFactory) -> Job:
    """A desk on the invented hole, read by its card, and an invented picture of it in the desk's folder."""
    folder = tmp_path_factory.mktemp("own")
    write_ground(small_ground, folder / "course.geojson")
    pixels = np.random.default_rng(1).integers(60, 120, (PICTURE[1], PICTURE[0], 3)).astype("uint8")
    Image.fromarray(pixels).save(folder / "own.png")
    job.drop("ground", folder / "course.geojson")
    job.do("ground")
    job.wait("desk.the_map() && desk.the_map().layers.surfaces")
    job.browser.find_element("css selector", "#card-ground .files").send_keys(str(folder / "own.png"))
    job.wait("document.querySelector('#under [data-under=aerial]').value === 'own.png'")
    return job


@pytest.fixture(scope="module")
def lonlats(small_ground: Ground) -> list[tuple[float, float]]:
    """Where three places of the picture lie on Earth."""
    west, _, _, north = small_ground.surfaces.total_bounds
    to_degrees = Transformer.from_crs(small_ground.crs, 4326, always_xy=True).transform
    return [to_degrees(west - 100 + column, north + 20 - row) for column, row in SPOTS]


SPOTS = ((110, 30), (160, 40), (140, 200))


def test_a_picture_is_laid_under_by_three_pairs_clicked_in_it_and_on_the_map(
    drawn: Job, lonlats: list[tuple[float, float]]
) -> None:
    ticked = ask(drawn.browser, "return document.querySelector('.dropped input[value=\"own.png\"]').checked")
    assert not ticked  # it is no ground
    drawn.click("#spot-open")
    drawn.wait("document.querySelector('#spot-picture').naturalWidth === 400")
    for number, ((column, row), (lon, lat)) in enumerate(zip(SPOTS, lonlats, strict=True), start=1):
        press_in_picture(drawn, column, row)
        drawn.wait("document.querySelector('#spot-says').innerText.includes('Where is place')")
        assert ask(drawn.browser, "return document.querySelector('#spot-lay').disabled")
        drawn.click("#spot-map")
        drawn.press(*place_on_map(drawn, lon, lat))
        drawn.wait(
            f"!document.querySelector('#spot').hidden && document.querySelectorAll('#spot b').length === {number}"
        )
    for pair, spot, lonlat in zip(read_pairs(drawn), SPOTS, lonlats, strict=True):
        assert pair[:2] == pytest.approx(spot, abs=1)
        assert pair[2:] == pytest.approx(lonlat, abs=2e-5)  # a pixel of the map
    drawn.click("#spot-lay")
    drawn.wait("document.querySelector('#spoken').innerText.includes('placed by 3 pairs')")
    drawn.wait("desk.the_map() && desk.the_map().layers.aerial")
    assert ask(drawn.browser, "return desk.state().under['aerial-pairs'].split(';').length") == len(SPOTS)


def test_a_picture_is_placed_by_keyboard_alone(drawn: Job, lonlats: list[tuple[float, float]]) -> None:
    ask(drawn.browser, "document.activeElement.blur()")
    drawn.tab_to("#spot-open")
    drawn.keys(Keys.ENTER)
    drawn.wait("document.querySelector('#spot-picture').naturalWidth === 400")
    drawn.wait("document.activeElement.id === 'spot-room'")
    for number, (lon, lat) in enumerate(lonlats):
        drawn.keys(*([Keys.ARROW_RIGHT] * 2 * number), Keys.ENTER)
        drawn.wait("document.activeElement.id === 'spot-lonlat'")
        drawn.keys(f"{lon:.7f}, {lat:.7f}", Keys.ENTER)
        drawn.wait("document.activeElement.id === 'spot-room'")
    assert [pair[2:] for pair in read_pairs(drawn)] == [pytest.approx(lonlat, abs=1e-6) for lonlat in lonlats]
    drawn.keys(Keys.ESCAPE)
    drawn.wait("document.querySelector('#spot').hidden")
