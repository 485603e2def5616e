"""The phone's page as a file, in a real browser with a touch screen and no network."""

from __future__ import annotations

import datetime
import io
from pathlib import Path

import numpy as np
import pytest
import shapely
from page_tools import Browser, fetched
from phone_tools import Phone
from PIL import Image
from selenium import webdriver
from visit_case import main_points

from geosample.counts import read_counts
from geosample.counts.rows import effort_in
from geosample.design import Design, draw_design
from geosample.drawing import Box, Look, MapLayer, MapView, Png, Svg, draw_view
from geosample.ground import Ground
from geosample.sheets import write_sheets

pytestmark = pytest.mark.browser
RINGS = """
const rings = [...document.querySelectorAll(".map circle")].slice(-2);
return rings.map((one) => ["cx", "cy", "r"].map((name) => Number(one.getAttribute(name))));
"""
SHOW = """
document.body.innerHTML = arguments[0];
document.body.style.display = "block";
for (const side of ["width", "height"]) { document.querySelector("svg").setAttribute(side, 400); }
"""
LOW, HIGH = 10 / 0.09290304, 40 / 0.09290304


@pytest.fixture(scope="module")
def today(small_ground: Ground) -> Design:
    """A visit of today, since a phone takes the time itself, with stop lines."""
    day = datetime.date.today().isoformat()
    return draw_design(small_ground, visit=day, points=30, seed=7, stop_low_per_m2=LOW, stop_high_per_m2=HIGH)


@pytest.fixture(scope="module")
def page(today: Design, small_ground: Ground, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("phone")
    write_sheets(today, small_ground, folder)
    return folder / "field_page.html"


@pytest.fixture
def phone(chromium: webdriver.Chrome, page: Path) -> Phone:
    one = Phone(chromium)
    chromium.get_log("browser")
    chromium.get_log("performance")
    one.open(page.as_uri())
    return one


def saved(phone: Phone, folder: Path) -> Path:
    """Save the file as a user does, and return it."""
    folder.mkdir(exist_ok=True)
    phone.cdp("Page.setDownloadBehavior", behavior="allow", downloadPath=str(folder))
    phone.tap("#state")
    phone.tap("[data-save]")
    return phone.wait(lambda: next(iter(folder.glob("*.csv")), None), "the saved file")


def walk(phone: Phone, today: Design) -> str:
    """Pull, move, fail at and take back points of the round; return the one moved, of two plugs."""
    first, second, third, fourth = main_points(today).sort_values("walk_order")["point_id"][:4]
    phone.button("Field")
    assert phone.heading() == first
    assert phone.beyond("Pulled, hole filled", "Pulled, hole open", "Moved, or other plugs", "Could not", "List") == []
    assert phone.faults() == []
    phone.button("Pulled, hole filled")
    phone.wait(lambda: phone.heading() == second, "the next point")
    phone.button("Moved")
    phone.button("−")
    phone.write("#where", "4 paces toward the tee")
    assert phone.faults() == []
    phone.button("Pulled, hole open")
    phone.wait(lambda: phone.heading() == third, "the next point")
    phone.button("Could not")
    assert phone.faults() == []
    phone.button("Play")
    phone.wait(lambda: "(reserve)" in phone.text(), "its reserve point")
    stratum = today.points.set_index("point_id")["stratum"]
    assert stratum[phone.heading()] == stratum[third]
    phone.tap("#undo")
    phone.wait(lambda: phone.heading() == third, "the point again")
    phone.button("Pulled, hole filled")
    phone.wait(lambda: phone.heading() == fourth, "the next point")
    phone.button("List")
    assert phone.faults() == []
    return str(second)


def sit(phone: Phone, today: Design, moved: str) -> list[str]:
    """Count bags in every way the bench has, and return their labels; ``moved`` is the point of two plugs."""
    phone.button("Bench")
    bag = phone.heading()
    assert phone.beyond("None found", "Total only", "More", "Next", "1", "0", "+1", "Undo") == []
    assert phone.faults() == []
    assert phone.ask("return document.querySelector('#stop')") is None
    phone.type_counts({"L3": 4, "L4": 12})
    phone.next(bag)
    assert phone.said().endswith("16 found. Kept.")
    none = phone.heading()
    phone.button("None found")
    phone.wait(lambda: phone.said().startswith(f"{none}: 0"), "none found")
    wrong = phone.heading()
    phone.type_counts({"L3": 9})
    phone.next(wrong)
    phone.tap("#undo")
    phone.wait(lambda: phone.heading() == wrong and "taken back" in phone.said(), "the bag again")
    phone.type_counts({"egg": 7, "L3": 2})
    phone.next(wrong)
    total = phone.heading()
    phone.button("Total only")
    phone.type_counts({"total": 30})
    phone.next(total)
    lost = phone.heading()
    strata = today.points.set_index("point_id")["stratum"]
    so_far = {bag: 16, none: 0, wrong: 9, total: 30}
    here = [one for one in so_far if strata[one[:-2]] == strata[lost[:-2]]]
    plugs = sum(2 if one[:-2] == moved else 3 for one in here)
    said = phone.ask("const s = document.querySelector('#stop'); return s ? s.textContent : ''")
    assert f"{sum(so_far[one] for one in here)} in {plugs} plugs" in said if here else not said
    phone.button("More")
    assert phone.faults() == []
    phone.tap("[data-fate='lost']")
    phone.wait(lambda: phone.said().startswith(f"{lost}: no count"), "no count")
    return [bag, none, wrong, total, lost]


@pytest.mark.slow
def test_a_round_and_a_bench_on_a_phone_come_in_through_counts(
    phone: Phone, today: Design, tmp_path: Path, chromium: Browser
) -> None:
    name = '=Ann, "A"'
    phone.enter_name(name)
    moved = walk(phone, today)
    bags = bag, none, wrong, total, lost = sit(phone, today, moved)
    phone.open(phone.browser.current_url)  # closed and opened again: all is there, the next bag too
    phone.button("Bench")
    assert phone.heading() not in {*bags, ""}
    counts = read_counts(saved(phone, tmp_path / "saved"), today)
    found = counts.counts.groupby("sample_id")["count"].sum()
    assert found[[bag, none, wrong, total]].to_list() == [16, 0, 9, 30]
    by_stage = counts.counts.set_index(["sample_id", "stage"])["count"]
    assert by_stage[wrong].to_dict() | {"egg": 7, "L3": 2} == by_stage[wrong].to_dict()
    samples = counts.samples.set_index("sample_id")
    assert samples.loc[lost, "status"] == "lost"
    assert set(samples["counted_by"]) == {name}
    assert fetched(chromium) == []
    assert [entry for entry in chromium.get_log("browser") if entry["level"] == "SEVERE"] == []


@pytest.mark.slow
def test_a_second_count_is_another_person_s_and_shows_nothing_of_the_first(phone: Phone) -> None:
    phone.button("Bench")
    phone.button("Bags")
    again = phone.ask("return [...document.querySelectorAll('[data-bag$=\"-R\"]')].map((n) => n.dataset.bag)")[0]
    first = again.removesuffix("-R")
    phone.tap(f"[data-bag='{first}']")
    phone.type_counts({"L3": 33})
    phone.next(first)
    phone.open_bag(again)
    assert "another person" in phone.text()
    phone.tap("button", "Another person")
    phone.ask("document.querySelector('#person').value = ''")
    phone.enter_name("Bo")
    phone.button("Bench")
    phone.open_bag(again)
    assert "33" not in phone.ask("return document.querySelector('main').innerText")
    phone.type_counts({"L3": 31})
    phone.next(again)


@pytest.mark.slow
def test_whoever_takes_up_another_container_goes_on_in_it_and_what_is_typed_outlasts_a_look_elsewhere(
    phone: Phone,
) -> None:
    order = phone.ask(
        "return JSON.parse(document.querySelector('#given').textContent).bags.map((bag) => bag.sample_id)"
    )
    phone.button("Bench")
    phone.open_bag(order[5])
    phone.type_counts({"L3": 12})
    phone.button("Clock")
    phone.button("Bench")
    assert phone.heading() == order[5]
    phone.next(order[5])
    assert phone.said() == f"{order[5]}: 12 found. Kept."
    assert phone.heading() == order[6]


NEWS = """
window.news = { points: {}, bags: {}, busy: {}, totals: {}, people: [], clocks: [] };
window.fetch = async (path) => ({ ok: true, json: async () => path === "here" ? { token: "-" }
  : { got: [], refused: {}, clocks_got: [], desk: structuredClone(window.news) } });
"""
TELL = "Object.assign(window.news, arguments[0]); document.dispatchEvent(new Event('visibilitychange'));"
KEYS = """
const all = [...document.querySelectorAll("[data-stage], [data-key], [data-next]")];
return all.map((one) => one.getBoundingClientRect().y);
"""


@pytest.mark.slow
def test_what_others_say_moves_nothing_under_a_finger(
    chromium: webdriver.Chrome, page: Path, tmp_path: Path, today: Design
) -> None:
    joined = tmp_path / "joined.html"
    given = page.read_text(encoding="utf-8").replace('"desk":false', '"desk":true').replace(today.visit.visit, "other")
    joined.write_text(given, encoding="utf-8")  # a visit's name is also that of what a phone keeps
    phone = Phone(chromium)
    script = phone.cdp("Page.addScriptToEvaluateOnNewDocument", source=NEWS)["identifier"]
    phone.open(joined.as_uri())
    phone.enter_name("Ann")
    phone.button("Bench")
    bag, keys = phone.heading(), phone.ask(KEYS)
    phone.type_counts({"L3": 7})
    phone.ask(TELL, {"bags": {bag: {"by": "Bo"}}})
    phone.wait(lambda: "Counted by Bo" in phone.text(), "what Bo said")
    assert (phone.heading(), phone.ask(KEYS)) == (bag, keys)
    assert phone.faults() == []
    phone.next(bag)
    assert phone.said() == f"{bag}: 7 found. Kept."
    phone.button("Field")
    point = phone.heading()
    phone.ask(TELL, {"points": {point: {"by": "Bo", "moved": "no", "hole_filled": "yes", "status": "", "plugs": "3"}}})
    phone.wait(lambda: "pulled, Bo" in phone.text(), "what Bo said")
    assert phone.heading() == point
    phone.button("List")
    phone.button("Back")
    assert phone.heading() != point
    phone.cdp("Page.removeScriptToEvaluateOnNewDocument", identifier=script)


@pytest.mark.slow
def test_a_trial_asks_what_each_bag_takes(phone: Phone, small_ground: Ground, tmp_path: Path) -> None:
    day = datetime.date.today().isoformat()
    trial = draw_design(small_ground, visit=day, points=6, seed=7, compare=("brine", "heat"))
    write_sheets(trial, small_ground, tmp_path)
    phone.open((tmp_path / "field_page.html").as_uri())
    phone.enter_name("Ann")
    phone.button("Bench")
    bag = phone.heading()
    assert phone.faults() == []
    phone.type_counts({"L3": 4, "minutes": 12, "wait_hours": 1})
    phone.next(bag)
    none = phone.heading()
    phone.type_counts({"minutes": 9})
    phone.button("None found")
    phone.wait(lambda: phone.said().startswith(f"{none}: 0 found"), "none found")
    found = read_counts(saved(phone, tmp_path / "saved"), trial)
    notes = found.samples.set_index("sample_id")["note"]
    assert [effort_in(notes[name], "minutes") for name in (bag, none)] == [12, 9]
    assert effort_in(notes[bag], "wait_hours") == 1
    assert found.counts.groupby("sample_id")["count"].sum()[[bag, none]].to_list() == [4, 0]


@pytest.mark.slow
def test_clocks_run_while_the_page_is_closed_and_say_what_is_due(phone: Phone) -> None:
    phone.button("Clock")
    assert phone.faults() == []
    phone.button("Shake")
    phone.wait(lambda: phone.ask("return document.querySelectorAll('.clock').length"), "the clock")
    text = phone.ask("return document.querySelector('.clock').textContent")
    assert "stop shaking, let it stand: in 5 min" in text
    later = "const was = Date.now; Date.now = () => was() + 6 * 60000;"
    script = phone.cdp("Page.addScriptToEvaluateOnNewDocument", source=later)["identifier"]
    phone.open(phone.browser.current_url)
    assert "stop shaking" in phone.ask("return document.querySelector('#due').textContent")
    phone.button("Clock")
    assert "due since" in phone.ask("return document.querySelector('.clock').textContent")
    phone.button("Done")
    phone.wait(lambda: not phone.ask("return document.querySelector('.clock')"), "no clock")
    assert phone.ask("return document.querySelector('#due').hidden")
    phone.cdp("Page.removeScriptToEvaluateOnNewDocument", identifier=script)


@pytest.mark.slow
def test_where_a_position_may_be_had_its_circle_is_drawn_and_words_come_first_on_a_collar(
    phone: Phone, today: Design
) -> None:
    collar = today.points[today.points["kind"] == "collar"].iloc[0]
    phone.cdp("Browser.grantPermissions", permissions=["geolocation"])
    fix = {"latitude": collar["lat"] + 5 / 111_200, "longitude": collar["lon"], "accuracy": 7.5}
    phone.cdp("Emulation.setGeolocationOverride", **fix)
    phone.button("Field")
    phone.button("List")
    phone.tap(f"[data-point='{collar['point_id']}']")
    phone.button("Moved")
    phone.button("Add this phone")
    said = phone.wait(lambda: (text := phone.text()) and "circle" in text and text, "a fix")
    assert "25 ft" in said
    assert "the words are better than the fix" in said
    # At 1:400 a metre is 2.5 mm: the circle is 7.5 m about the fix, which lies 5 m from the point.
    rings = phone.ask(RINGS)
    (x, y, _), (fix_x, fix_y, radius) = rings
    assert radius == pytest.approx(7.5 * 2.5)
    assert np.hypot(fix_x - x, fix_y - y) == pytest.approx(5 * 2.5, abs=0.1)


@pytest.mark.slow
def test_a_picture_in_lines_shows_what_one_in_pixels_shows(phone: Phone) -> None:
    ring = shapely.difference(shapely.box(-20, -30, 20, 30), shapely.box(-5, -5, 5, 5))
    layers = [
        MapLayer([ring], Look("#808080", line_mm=0)),
        MapLayer([shapely.LineString([(30, -30), (30, 80)])], Look(line_mm=2.0)),
    ]
    view = MapView(Box(10, 10, 60, 60), 1000, 0.0, 0.0, 30.0)
    png, svg = Png(80, 80), Svg(80, 80)
    for paper in (png, svg):
        draw_view(paper, view, [], layers)
    phone.cdp("Emulation.setDeviceMetricsOverride", width=400, height=400, deviceScaleFactor=1, mobile=False)
    phone.ask(SHOW, svg.to_text())
    lines = np.asarray(Image.open(io.BytesIO(phone.browser.get_screenshot_as_png())).convert("L")).astype(int)
    pixels = np.asarray(Image.open(io.BytesIO(png.to_bytes())).convert("L").resize((400, 400))).astype(int)
    assert (abs(lines - pixels) > 60).mean() < 0.02  # letters and edges alone
    assert (pixels < 200).mean() > 0.2
