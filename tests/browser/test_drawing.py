"""Ground by hand at the desk, in a real browser: a picture placed by clicks, surfaces drawn and changed."""

from __future__ import annotations

import re

import numpy as np
import pytest
from page_tools import Job, ask
from PIL import Image
from pyproj import Transformer
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.keys import Keys

from geosample.ground import Ground, load_ground, write_ground
from geosample.survey import open_survey

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


def off(lonlat: tuple[float, float], east_m: float, north_m: float) -> tuple[float, float]:
    """Return the place so far from another, by the degrees of a sphere: near enough for a hand."""
    lon, lat = lonlat
    return lon + east_m / 111_195 / np.cos(np.radians(lat)), lat + north_m / 111_195


def kept(job: Job) -> Ground:
    return load_ground(open_survey(job.folder / ask(job.browser, "return desk.state().survey")))


def corners_drawn(job: Job) -> int:
    return int(re.findall(r"\d+", ask(job.browser, "return document.querySelector('#draw-count').textContent"))[0])


def keep_drawing(job: Job) -> None:
    job.click("#draw-done")
    job.ran("ground")


@pytest.fixture
def clearing(drawn: Job, small_ground: Ground) -> tuple[float, float]:
    """A place beside the course with the map round it, the ground's card open."""
    if ask(drawn.browser, "return document.querySelector('#body-ground').hidden"):
        drawn.open("ground")
    west, south, _, north = small_ground.surfaces.to_crs(4326).total_bounds
    place = (float(west) - 0.0006, float(south + north) / 2)
    drawn.wait("desk.state().running === '' && !desk.loading() && desk.the_map()")
    ask(
        drawn.browser, "if (!document.querySelector('#draw').hidden) { document.querySelector('#draw-leave').click(); }"
    )
    ask(drawn.browser, "desk.the_map().map.setView([arguments[1], arguments[0]], 19, {animate: false})", *place)
    return place


def test_a_second_surface_drawn_by_mouse_has_all_its_corners_and_joins_the_first(
    drawn: Job, clearing: tuple[float, float]
) -> None:
    before = kept(drawn).surfaces["surface_id"].tolist()
    outlines = {
        "tee": [(-20, -10), (0, -10), (0, 10), (-20, 10)],
        "rough": [(0.3, -10.3), (20, -15), (25, 0), (20, 15), (0.2, 9.8)],  # its ends are within reach of the tee's
    }
    for kind, outline in outlines.items():
        drawn.click("#draw-new")  # at once after the first is kept, while the map's page comes anew
        drawn.wait("!document.querySelector('#draw').hidden")
        ask(drawn.browser, "desk.the_map().map.setView([arguments[1], arguments[0]], 19, {animate: false})", *clearing)
        drawn.choose("#draw-kind", kind + Keys.ENTER)
        for number, corner in enumerate(outline, start=1):
            drawn.press(*place_on_map(drawn, *off(clearing, *corner)))
            assert corners_drawn(drawn) == number
        drawn.press(*place_on_map(drawn, *off(clearing, *outline[0])))  # the first once more closes it
        assert corners_drawn(drawn) == len(outline)
        keep_drawing(drawn)
    surfaces = kept(drawn).surfaces
    assert set(surfaces["surface_id"]) == {*before, "01-tee-1", "01-rough-1"}
    new = surfaces.set_index("surface_id").geometry[["01-tee-1", "01-rough-1"]]
    assert new.area.tolist() == pytest.approx([400, 20 * 20 + 5 * 30 / 2 + 20 * 5], rel=0.06)
    assert [len(shape.geoms[0].exterior.coords) - 1 for shape in new] == [4, 5]
    side = new["01-rough-1"].boundary.intersection(new["01-tee-1"].buffer(0.001))
    assert side.length == pytest.approx(20, abs=0.5)  # a whole side in common


def test_corners_are_undone_and_snapped_by_keyboard(drawn: Job, clearing: tuple[float, float]) -> None:
    ask(drawn.browser, "document.activeElement.blur()")
    drawn.tab_to("#draw-new")
    drawn.keys(Keys.ENTER)
    drawn.wait("document.querySelector('#draw-count').textContent.includes('0')")
    box = ask(drawn.browser, "const b = desk.the_map().map.getBounds(); return [b.getEast() - b.getWest()]")
    assert box[0] > 0
    tee = kept(drawn).surfaces.set_index("surface_id").to_crs(4326).geometry["01-tee-1"].geoms[0].exterior.coords[0]
    centre = "desk.the_map().map.setView([arguments[1], arguments[0]], 19, {animate: false})"
    for number, corner in enumerate([off(tee, 0.4, 0.4), off(tee, -10, 30), off(tee, -30, 30), off(tee, -50, 0)], 1):
        ask(drawn.browser, centre, *corner)
        drawn.keys(Keys.ENTER)
        assert corners_drawn(drawn) == number
    drawn.keys(Keys.BACKSPACE)
    assert corners_drawn(drawn) == 3
    ask(drawn.browser, centre, *off(tee, -25, 28))
    drawn.keys("m")  # the nearest comes to the cross
    assert corners_drawn(drawn) == 3
    ActionChains(drawn.browser).key_down(Keys.CONTROL).send_keys("z").key_up(Keys.CONTROL).perform()
    drawn.tab_to("#draw-kind")
    drawn.keys("approach")
    drawn.tab_to("#draw-done")
    drawn.keys(Keys.ENTER)
    drawn.ran("ground")
    surfaces = kept(drawn).surfaces.set_index("surface_id").to_crs(4326)
    new = surfaces.geometry["01-approach-1"].geoms[0].exterior.coords
    assert len(new) == 4
    apart = min(np.hypot(lon - tee[0], lat - tee[1]) for lon, lat in new)
    assert apart < 1e-8  # a millimetre, though the page rounds to a centimetre
    assert min(np.hypot(lon - off(tee, -30, 30)[0], lat - off(tee, -30, 30)[1]) for lon, lat in new) < 5e-6


_OBSTACLE = """const on = desk.the_map();
const shapes = on.layers.obstacles.flatMap((group) => group.getLayers());
const own = shapes.find((shape) => shape.feature && shape.feature.properties.name === arguments[0]);
on.map.fitBounds(own.getBounds(), { animate: false });
const frame = document.querySelector('#map').getBoundingClientRect();
const spot = on.map.latLngToContainerPoint(own.getBounds().getCenter());
return [frame.left + spot.x, frame.top + spot.y];"""


def test_an_obstacle_is_clicked_to_be_another_kind_or_out(drawn: Job, clearing: tuple[float, float]) -> None:
    assert clearing
    before = kept(drawn).obstacles["kind"].tolist()
    assert sorted(before) == ["bunker", "water"]
    for kind, wanted in (("trees", ["bunker", "trees"]), ("ignore", ["bunker"])):
        name = "water" if kind == "trees" else "trees"
        drawn.wait("!desk.loading()")
        drawn.press(*ask(drawn.browser, _OBSTACLE, name))
        drawn.wait("!document.querySelector('#draw').hidden")
        assert ask(drawn.browser, "return document.querySelector('#draw-id').textContent") == name
        drawn.choose("#draw-kind", kind + Keys.ENTER)
        keep_drawing(drawn)
        assert sorted(kept(drawn).obstacles["kind"]) == wanted


def test_a_ground_changed_beside_a_visit_is_asked_about_and_shown(drawn: Job, clearing: tuple[float, float]) -> None:
    assert clearing
    plan = {"visit": "2026-05-04", "points": "12", "surfaces": "green", "seed": "7"}
    ask(drawn.browser, "desk.run('plan', false, arguments[0])", plan)
    drawn.ran("plan")
    drawn.wait("!desk.loading() && desk.the_map()")
    drawn.click_surface("01-tee-1")
    drawn.wait("!document.querySelector('#draw').hidden")
    drawn.choose("#draw-kind", "rough" + Keys.ENTER)
    drawn.click("#draw-done")
    drawn.wait("document.querySelector('#card-ground .problems').innerText.includes('Replace it all the same')", 30)
    assert "01-tee-1" in kept(drawn).surfaces["surface_id"].tolist()  # asked, and nothing stored
    drawn.click("#card-ground .force")
    drawn.ran("ground")
    drawn.wait("!desk.loading() && desk.the_map()")
    shown = "desk.the_map().layers.surfaces.flatMap(g => g.getLayers()).map(s => s.feature && s.feature.properties.id)"
    assert "01-tee-1" not in ask(drawn.browser, f"return {shown}")
    assert "newest ground" in ask(drawn.browser, "return document.querySelector('#spoken').innerText")
    drawn.open("sheets")
    drawn.wait(f"!desk.loading() && desk.the_map() && {shown}.includes('01-tee-1')")
