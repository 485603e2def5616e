"""The phone's page as a file, in a real browser with a touch screen and no network."""

from __future__ import annotations

import datetime
import io
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import shapely
from page_tools import Browser, fetched
from phone_tools import PLACE, Phone
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
    if one.ask("return document.querySelector('#person') !== null"):
        one.enter_name("Ann")
    return one


def saved(phone: Phone, folder: Path) -> Path:
    """Save the file as a user does, and return it."""
    folder.mkdir(exist_ok=True)
    phone.cdp("Page.setDownloadBehavior", behavior="allow", downloadPath=str(folder))
    phone.tap("#state")
    phone.tap("[data-save]")
    return phone.wait(lambda: next(iter(folder.glob("*.csv")), None), "the saved file")


def rename(phone: Phone, name: str) -> None:
    phone.tap("#state")
    phone.ask("document.querySelector('#person').value = ''")
    phone.enter_name(name)


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
    rename(phone, name)
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
    again = phone.ask("return JSON.parse(document.querySelector('#given').textContent).recounts[0].sample_id")
    first = again.removesuffix("-R")
    phone.button("Bench")
    phone.button("Bags")
    assert phone.ask("return document.querySelector('[data-bag$=\"-R\"]')") is None  # nobody counted any of them first
    phone.write("#typed", again)
    phone.tap(f"[data-bag='{again}']")
    assert f"no first count of {first}" in phone.text()
    assert phone.faults() == []
    phone.button("Count it first")
    assert phone.heading() == first
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
window.fetch = async (path) => {
  const answer = (told) => ({ ok: true, json: async () => told });
  if (path === "label") { return new Promise((done) => { window.answer = (told) => done(answer(told)); }); }
  if (path === "here") { return answer({ token: "-" }); }
  return answer({ got: [], refused: {}, clocks_got: [], desk: structuredClone(window.news) });
};
"""
TELL = "Object.assign(window.news, arguments[0]); document.dispatchEvent(new Event('visibilitychange'));"
KEYS = """
const all = [...document.querySelectorAll("[data-stage], [data-key], [data-next]")];
return all.map((one) => one.getBoundingClientRect().y);
"""


@pytest.fixture
def joined(chromium: webdriver.Chrome, page: Path, tmp_path: Path, today: Design) -> Iterator[Phone]:
    """A phone at a desk that says what the test has it say."""
    file = tmp_path / "joined.html"
    given = page.read_text(encoding="utf-8").replace('"desk":false', '"desk":true')
    # a visit's name is also that of what a phone keeps
    file.write_text(given.replace(today.visit.visit, tmp_path.name), encoding="utf-8")
    phone = Phone(chromium)
    script = phone.cdp("Page.addScriptToEvaluateOnNewDocument", source=NEWS)["identifier"]
    phone.open(file.as_uri())
    phone.enter_name("Ann")
    yield phone
    phone.cdp("Page.removeScriptToEvaluateOnNewDocument", identifier=script)


@pytest.mark.slow
def test_what_others_say_moves_nothing_under_a_finger(joined: Phone) -> None:
    joined.button("Bench")
    bag, keys = joined.heading(), joined.ask(KEYS)
    joined.ask(TELL, {"bags": {bag: {"by": "Bo"}}})
    joined.wait(lambda: "Counted by Bo" in joined.text(), "what Bo said")
    # also with nothing typed yet: its insects may lie on the table
    assert (joined.heading(), joined.ask(KEYS)) == (bag, keys)
    assert joined.faults() == []
    joined.type_counts({"L3": 7})
    joined.next(bag)
    assert joined.said() == f"{bag}: 7 found. Kept."
    other = joined.heading()
    joined.ask(TELL, {"bags": {bag: {"by": "Bo"}, other: {"by": "Bo"}}})
    joined.wait(lambda: "Counted by Bo" in joined.text(), "what Bo said")
    assert " plugs" in joined.text()  # the stop line too, and still every stage is there without scrolling
    assert joined.ask("const s = document.querySelector('.stages'); return s.scrollHeight <= s.clientHeight")
    joined.tap("[data-next]")
    joined.wait(lambda: joined.heading() not in {other, bag}, "the next bag")
    assert [one["sample_id"] for one in joined.kept()] == [bag]
    joined.button("Field")
    point = joined.heading()
    joined.ask(TELL, {"points": {point: {"by": "Bo", "moved": "no", "hole_filled": "yes", "status": "", "plugs": "3"}}})
    joined.wait(lambda: "pulled, Bo" in joined.text(), "what Bo said")
    assert joined.heading() == point
    joined.button("List")
    joined.button("Back")
    assert joined.heading() != point


@pytest.mark.slow
def test_what_others_say_takes_nothing_away_that_is_being_entered(joined: Phone, today: Design) -> None:
    first, second = main_points(today).sort_values("walk_order")["point_id"][:2]
    joined.button("Field")
    joined.button("Moved")
    joined.button("−")
    joined.write("#where", "4 paces toward the tee")
    joined.ask("document.activeElement.blur()")  # the keyboard is closed
    told = {"by": "Bo", "moved": "no", "hole_filled": "yes", "status": "", "plugs": "3"}
    joined.ask(TELL, {"points": {second: told}})
    time.sleep(1)
    joined.button("Pulled, hole open")
    joined.wait(lambda: "Kept." in joined.said(), "the point")
    [entry] = joined.kept()
    shown = ["point_id", "plugs", "moved", "moved_to", "hole_filled"]
    assert [entry[name] for name in shown] == [first, "2", "yes", "4 paces toward the tee", "no"]
    joined.tap("#state")
    joined.ask("document.querySelector('#person').value = 'Bo'; document.activeElement.blur();")
    joined.ask(TELL, {"people": ["Cy"], "points": {}})
    time.sleep(1)
    joined.tap("[data-ok]")
    joined.wait(lambda: "Hello Bo" in joined.said(), "the new name")


@pytest.mark.slow
def test_a_hole_that_is_filled_later_is_still_where_it_was_moved_to(phone: Phone) -> None:
    phone.button("Field")
    point = phone.heading()
    phone.button("Moved")
    phone.button("+")
    phone.write("#where", "left of the drain")
    phone.button("Pulled, hole open")
    phone.wait(lambda: phone.heading() != point, "the next point")
    phone.button("List")
    phone.tap(f"[data-point='{point}']")
    phone.button("Pulled, hole filled")
    phone.wait(lambda: "hole filled" in phone.said(), "the point again")
    open_, filled = [one for one in phone.kept() if one["point_id"] == point][-2:]
    same = ["plugs", "moved", "moved_to", "collector", "collected_at"]
    assert [filled[name] for name in same] == [open_[name] for name in same]
    assert (filled["replaces"], filled["hole_filled"]) == (open_["entry_id"], "yes")
    phone.button("List")
    phone.tap(f"[data-point='{point}']")
    phone.button("Moved")  # what was said of it stands there, to be changed
    assert phone.ask("return document.querySelector('#where').value") == "left of the drain"


@pytest.mark.slow
def test_a_finger_that_bounces_says_nothing_of_the_next_bag_or_point(phone: Phone) -> None:
    before = len(phone.kept())
    for screen, text in (("Field", "Pulled, hole filled"), ("Bench", "None found")):
        phone.button(screen)
        here = phone.heading()
        place = phone.ask(PLACE, "button", text)
        phone.touch(place, place)
        phone.wait(lambda here=here: phone.heading() != here, "the next")
        phone.touch(place)
        time.sleep(0.5)
    entries = phone.kept()[before:]
    assert [bool(one["sample_id"]) if "sample_id" in one else False for one in entries] == [False, True]


@pytest.mark.slow
def test_a_quick_finger_s_number_goes_where_it_was_tapped(phone: Phone) -> None:
    phone.button("Bench")
    marks = [phone.ask(PLACE, f"[data-stage={stage}]", "") for stage in ("L1", "L2", "L4", "L5")]
    key = phone.ask(PLACE, "[data-key='2']", "")
    shown = "const one = document.querySelector(arguments[0]); return one ? one.textContent : ''"
    for stage, place in zip(("L1", "L2", "L4", "L5"), marks, strict=True):
        phone.button("Bags")
        phone.wait(lambda: phone.ask("return document.querySelector('.bags')"), "the bags")
        phone.touch(place, place, key)  # a bag in the list stands where a stage is next
        phone.wait(lambda stage=stage: phone.ask(shown, f"[data-stage={stage}] b").endswith("2"), f"2 {stage}")


@pytest.mark.slow
def test_two_fingers_at_once_are_told_to_be_no_tap(phone: Phone) -> None:
    phone.button("Bench")
    one, two = ({"x": x, "y": y} for x, y in (phone.ask(PLACE, f"[data-key='{key}']", "") for key in "12"))
    for kind, fingers in (("touchStart", [one]), ("touchStart", [one, two]), ("touchEnd", [two]), ("touchEnd", [])):
        phone.cdp("Input.dispatchTouchEvent", type=kind, touchPoints=fingers)
    phone.wait(lambda: "Two fingers" in phone.said(), "the word")
    assert phone.ask("return [...document.querySelectorAll('[data-stage] b')].map((b) => b.textContent).join('')") in {
        "–" * 9,
        "–" * 8,
    }


@pytest.mark.slow
def test_two_windows_of_one_browser_are_one_phone(phone: Phone, tmp_path: Path) -> None:
    browser, address = phone.browser, phone.browser.current_url
    first = browser.current_window_handle
    browser.switch_to.new_window("tab")
    other = Phone(browser)
    other.open(address)
    other.button("Bench")
    bag = other.heading()
    other.type_counts({"L3": 5})
    other.next(bag)
    browser.switch_to.window(first)
    phone.ask("document.dispatchEvent(new Event('visibilitychange'))")
    phone.button("Bench")
    phone.wait(lambda: phone.heading() not in {"", bag}, "a bag that the other window has not counted")
    phone.open_bag(bag)
    phone.button("5")
    phone.next(bag)
    entries = [one for one in phone.kept() if one.get("sample_id") == bag]
    assert entries[-1]["replaces"] == entries[-2]["entry_id"]
    assert len({one["entry_id"].split("-")[0] for one in phone.kept()}) == 1
    text = saved(phone, tmp_path / "two").read_text(encoding="utf-8-sig")
    assert all(one["entry_id"] in text for one in entries)
    browser.switch_to.new_window("tab")
    browser.close()
    for handle in browser.window_handles[1:]:
        browser.switch_to.window(handle)
        browser.close()
    browser.switch_to.window(browser.window_handles[0])


@pytest.mark.slow
def test_a_phone_that_slept_and_lost_its_store_opens_it_anew(phone: Phone) -> None:
    phone.ask(
        "const was = IDBDatabase.prototype.transaction; let times = 2;"
        "IDBDatabase.prototype.transaction = function (...given) {"
        " if (given[1] === 'readwrite' && times-- > 0) { throw new DOMException('lost', 'InvalidStateError'); }"
        " return was.apply(this, given); };"
    )
    phone.button("Bench")
    bag = phone.heading()
    phone.type_counts({"L3": 8})
    phone.tap("[data-next]")
    phone.wait(lambda: phone.ask("return document.querySelector('[data-blank]') !== null") or "ept" in phone.said(), "")
    if phone.ask("return document.querySelector('[data-blank]') !== null"):
        phone.tap("[data-blank=zero]")
    phone.wait(lambda: "NOT kept" in phone.said(), "twice lost is told")
    second = phone.heading()
    phone.type_counts({"L3": 9})
    phone.next(second)  # and the first with it
    assert [(one["sample_id"], one["L3"]) for one in phone.kept()[-2:]] == [(bag, "8"), (second, "9")]


@pytest.mark.slow
def test_a_browser_that_keeps_nothing_is_told_of_before_the_first_entry(
    phone: Phone, tmp_path: Path, today: Design
) -> None:
    none = "".join(
        f"Object.defineProperty(window, '{name}', {{ get() {{ throw new DOMException('none', 'SecurityError'); }} }});"
        for name in ("indexedDB", "localStorage")
    )
    script = phone.cdp("Page.addScriptToEvaluateOnNewDocument", source=none)["identifier"]
    phone.open(phone.browser.current_url)
    assert "keeps nothing" in phone.text()
    assert phone.faults() == []
    phone.enter_name("Ann")
    phone.button("Bench")
    bag = phone.heading()
    phone.button("None found")
    phone.wait(lambda: "NOT kept" in phone.said(), "that it is not kept")
    counts = read_counts(saved(phone, tmp_path / "saved"), today)  # the file has it all the same
    assert counts.samples["sample_id"].to_list() == [bag]
    phone.cdp("Page.removeScriptToEvaluateOnNewDocument", identifier=script)


@pytest.mark.slow
def test_an_answer_that_comes_late_changes_nothing_under_the_hand(joined: Phone) -> None:
    joined.button("Bench")
    late, bag = joined.heading(), None
    joined.ask(
        "const file = new File(['x'], 'a.png', { type: 'image/png' }), box = new DataTransfer(); box.items.add(file);"
        "const pick = document.querySelector('#photo'); pick.files = box.files;"
        "pick.dispatchEvent(new Event('change'));"
    )
    joined.wait(lambda: joined.ask("return Boolean(window.answer)"), "the photo at the desk")
    joined.button("Bags")
    joined.tap(".bags button:nth-child(9)")
    bag = joined.heading()
    joined.type_counts({"L3": 6})
    joined.ask("window.answer(arguments[0])", {"sample_id": late, "words": f"{late}."})
    joined.wait(lambda: f"The photo shows {late}" in joined.said(), "the late answer")
    assert joined.heading() == bag
    joined.next(bag)
    assert [(one["sample_id"], one["L3"]) for one in joined.kept()] == [(bag, "6")]


@pytest.mark.slow
def test_a_position_that_comes_late_is_not_another_point_s(phone: Phone) -> None:
    phone.ask("navigator.geolocation.getCurrentPosition = (got) => { window.fix = got; };")
    phone.button("Field")
    phone.button("Moved")
    phone.button("Add this phone")
    phone.button("Back")
    phone.button("List")
    phone.tap(".list button:nth-of-type(6)")
    point = phone.heading()
    phone.button("Moved")
    phone.ask("window.fix({ coords: { latitude: 40.1, longitude: -74.1, accuracy: 5 } })")
    phone.button("+")
    phone.button("Pulled, hole filled")
    phone.wait(lambda: phone.said().startswith(point), "the point")
    entry = phone.kept()[-1]
    assert [entry.get("lat", ""), entry["moved"], entry["plugs"]] == ["", "no", "4"]


@pytest.mark.slow
def test_each_person_says_what_their_blanks_mean(phone: Phone) -> None:
    for name in ("Ann", "Bo"):
        rename(phone, name)
        phone.button("Bench")
        assert f"{name} counts" in phone.text()  # who signs is on the screen
        phone.type_counts({"L3": 4})
        phone.tap("[data-next]")
        phone.wait(lambda: phone.ask("return document.querySelector('[data-blank]') !== null"), "the question")
        phone.tap("[data-blank=zero]")
        phone.wait(lambda: "Kept." in phone.said(), "the bag")
        time.sleep(0.4)


@pytest.mark.slow
def test_a_trial_asks_what_each_bag_takes(phone: Phone, small_ground: Ground, tmp_path: Path) -> None:
    day = datetime.date.today().isoformat()
    trial = draw_design(small_ground, visit=day, points=6, seed=7, compare=("brine", "heat"))
    write_sheets(trial, small_ground, tmp_path)
    phone.open((tmp_path / "field_page.html").as_uri())
    phone.enter_name("Ann")
    phone.button("Bench")
    phone.button("Clock")
    assert phone.faults() == []
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
    phone.button("Bench")
    due = phone.ask(KEYS)
    phone.ask("document.querySelector('#due').hidden = true")
    assert due == phone.ask(KEYS)  # what falls due moves no key
    phone.ask("document.querySelector('#due').hidden = false")
    assert phone.faults() == []
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
