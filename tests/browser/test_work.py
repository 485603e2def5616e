"""The desk in a real browser: the whole job by mouse and by keyboard, with the zones the commands give."""

from __future__ import annotations

import csv
import shlex
import shutil
from itertools import pairwise
from pathlib import Path
from types import ModuleType

import pandas as pd
import pytest
from page_tools import DESK, PHONE, Job, ask
from selenium.webdriver.common.keys import Keys

from geosample.cli import main
from geosample.ground import Ground, write_ground
from geosample.survey import open_survey

pytestmark = [pytest.mark.browser, pytest.mark.slow]
STEPS = ("ground", "plan", "sheets", "counts", "answer", "treat")


def fill_sheet(blank: Path, filled: Path) -> list[str]:
    """Count insects in each main bag of a blank sheet, more of them in the south; return them in its order."""
    with blank.open(encoding="utf-8-sig", newline="") as file:
        head, *rows = list(csv.reader(file))
    at, role, none = (head.index(name) for name in ("L3", "role", "none_found"))
    counts = [str((7 * place) % 5 + (6 if place > len(rows) / 2 else 0)) for place in range(len(rows))]
    typed = [count if row[role] == "main" else "" for row, count in zip(rows, counts, strict=True)]
    for row, count in zip(rows, typed, strict=True):
        row[none if count == "0" else at] = "yes" if count == "0" else count
    with filled.open("w", encoding="utf-8-sig", newline="") as file:
        csv.writer(file).writerows([head, *rows])
    return typed


def own_course(ground: Ground, folder: Path) -> Path:
    """Write a course of one hole in which one name is not known."""
    surfaces = ground.surfaces.assign(kind=ground.surfaces["kind"].replace("fairway", "short lawn"))
    write_ground(Ground(surfaces, ground.obstacles), folder / "own course.geojson")
    return folder / "own course.geojson"


def check_settled(job: Job, step: str) -> None:
    """Nothing of a draft is shown once its step is done, though its card stays open."""
    job.wait("desk.the_map() && desk.quiet()")
    told = "document.querySelector(`#card-${arguments[0]} .draft`).innerText"
    shown = "desk.find('#map').contentDocument.querySelectorAll('.point.draft').length"
    assert ask(job.browser, f"return [{told}, {shown}]", step) == ["", 0]


def do_job(job: Job, course: Path, kind: str, folder: Path) -> None:
    """Do the whole job by mouse on a course in which one name is not known, from the dropped file to the plan."""
    browser = job.browser
    job.drop("ground", course)
    job.click("#card-ground .go")
    job.wait("document.querySelector('#card-ground .labels select')", 30)
    job.wait("!document.querySelector('#card-ground .go').disabled")
    job.wait("document.querySelector('#picture').naturalWidth > 100")
    job.choose("#card-ground .labels select", kind + Keys.ENTER)
    job.wait(f"document.querySelector('#ground-kinds').value.endsWith('={kind}')")
    assert job.do("ground")["state"] == "done"
    job.wait("desk.the_map()")
    job.open("plan")
    job.click_surface("01-green-1")
    job.wait("document.querySelector('#plan-holes').value === '1'")
    job.click("#card-plan input[type=range]", along=0.03)
    job.choose("#plan-visit", "2026-05-04")
    if not ask(browser, "return document.querySelector('#card-plan .more').open"):
        job.click("#card-plan .more summary")
    job.choose("#plan-seed", "7")
    job.wait("document.querySelector('#card-plan .draft').innerText.includes('Visit 2026-05-04')")
    job.wait("desk.the_map() && desk.quiet()")
    drawn = "desk.find('#map').contentDocument.querySelectorAll('.point.draft').length"
    job.wait(f"{drawn} > 0")  # the map draws them when it has loaded, however busy the machine is
    drafted = ask(browser, f"return {drawn}")
    assert ask(browser, "return desk.state().steps.plan.state") == "ready"  # nothing is stored yet
    job.do("plan")
    check_settled(job, "plan")
    survey = job.folder / ask(browser, "return desk.state().survey")
    assert drafted == len(open_survey(survey).read("points")) >= 10
    job.open("sheets")
    assert "field_map.pdf" in job.do("sheets")["files"]
    fill_sheet(job.folder / f"{survey.stem}_files" / "2026-05-04" / "blank_counts.csv", folder / f"{survey.stem}.csv")
    job.open("counts")
    job.drop("counts", folder / f"{survey.stem}.csv")
    job.do("counts")
    job.open("answer")
    ask(job.browser, "document.querySelector('#answer-threshold').value = '18/ft2'")
    job.do("answer")
    heads = (
        "return [...document.querySelectorAll('#card-answer .said table [scope=col]')].map((one) => one.textContent)"
    )
    assert ask(job.browser, heads)[:2] == ["", "per ft²"]
    job.open("treat")
    assert ask(job.browser, "return document.querySelector('#treat-threshold').value") == "18/ft2"
    job.click("#card-treat input[type=range]", along=0.1)
    job.wait("document.querySelector('#card-treat .draft').innerText.includes('Treat ')", 20)
    told = job.do("treat")
    check_settled(job, "treat")
    assert {"treatment_plan.pdf", "zones.kml", "map.html"} <= set(told["files"])
    assert [entry["message"] for entry in browser.get_log("browser") if entry["level"] == "SEVERE"] == []


def compare_zones(job: Job, survey: str, folder: Path) -> None:
    """Run the lines that stood under the cards, and compare their zones with the desk's."""
    shutil.copytree(job.folder / "dropped", folder / "dropped")
    assert all(survey in job.lines[step] for step in STEPS), job.lines
    for line in "\n".join(job.lines[step] for step in STEPS).splitlines():
        assert not main(shlex.split(line)[1:], standalone_mode=False), line
    ours, theirs = (open_survey(place / survey).read("zones") for place in (job.folder, folder))
    assert len(ours) > 0
    pd.testing.assert_frame_equal(ours, theirs)


def test_the_job_by_mouse_ends_in_the_zones_of_the_commands_under_its_cards(
    job: Job, small_ground: Ground, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    do_job(job, own_course(small_ground, tmp_path), "fairway", tmp_path)
    monkeypatch.chdir(tmp_path)
    compare_zones(job, "course.gpkg", tmp_path)


def check_refusals(job: Job) -> None:
    """Type into the first bag's cell what is no count: it is told, and nothing of it is saved."""
    cell, said = "document.activeElement", "document.querySelector('#spoken').innerText"
    label = ask(job.browser, f"return {cell}.getAttribute('aria-label')")
    for wrong in ("1.5", "x"):
        job.keys(wrong, Keys.ENTER)
        shown = ask(job.browser, f"return [{cell}.getAttribute('aria-label'), {cell}.value, {said}]")
        assert shown == [label, "", f"Whole numbers only: '{wrong}' was not taken."]
    job.keys("2", Keys.ENTER, Keys.ARROW_UP, "n")
    exclude = "None found and a count exclude each other: clear one first."
    assert ask(job.browser, f"return [{cell}.getAttribute('aria-label'), {cell}.value, {said}]") == [
        label,
        "2",
        exclude,
    ]
    job.keys(Keys.DELETE, "n", Keys.ARROW_UP, "3", Keys.ENTER)
    job.wait(f"{said} === '{exclude}' && {cell}.getAttribute('aria-label') === '{label}' && {cell}.value === ''")
    job.keys("n", Keys.ARROW_UP)
    job.wait("!document.querySelector('#bench [type=checkbox]:checked')")


def begin_plan(job: Job, survey: str) -> None:
    """Read the dropped course into a survey of its own, and name the visit to plan, by keys alone."""
    job.begin(survey)
    job.step_into("ground")
    job.tab_to("#card-ground .dropped input[value='own course.geojson']")
    job.keys(Keys.SPACE)
    job.write("#ground-kinds", "short lawn=fairway")
    job.press_go("ground")
    job.step_into("plan")
    job.write("#plan-visit", "2026-05-04")


def open_bench(job: Job) -> None:
    job.step_into("counts")
    job.tab_to("#open-bench")
    job.keys(Keys.ENTER)
    job.wait("document.activeElement.closest('#bench tbody')")


def test_the_job_by_keyboard_alone_ends_in_the_same_zones(job: Job, tmp_path: Path) -> None:
    typed = fill_sheet(job.folder / "course_files" / "2026-05-04" / "blank_counts.csv", tmp_path / "filled.csv")
    said = {word: value for step in ("plan", "treat") for word, value in pairwise(shlex.split(job.lines[step]))}
    begin_plan(job, "keys.gpkg")
    job.write("#plan-points", said["--points"])
    job.write("#plan-holes", "1")
    job.tab_to("#card-plan .more summary")
    if not ask(job.browser, "return document.querySelector('#card-plan .more').open"):
        job.keys(Keys.ENTER)
    job.write("#plan-seed", "7")
    job.press_go("plan")
    open_bench(job)
    heads = ask(job.browser, "return [...document.querySelectorAll('#bench thead th')].map(h => h.textContent)")
    job.keys(*[Keys.ARROW_RIGHT] * heads[4:].index("L3"))
    check_refusals(job)
    for count in typed:  # as fast as the keys come; the column stays
        job.keys(*(["n"] if count == "0" else [count, Keys.ENTER]))
    job.wait("document.querySelector('#card-counts .dropped input:checked')")
    job.keys(Keys.ESCAPE)
    job.wait("document.activeElement.matches('#card-counts .go')")
    job.keys(Keys.ENTER)
    job.ran("counts")
    job.step_into("answer")
    job.press_go("answer")
    job.step_into("treat")
    job.write("#treat-threshold", said["--threshold"])
    job.press_go("treat")
    for layer in ("points", "counts", "zones"):
        mouse, keys = (open_survey(job.folder / name).read(layer) for name in ("course.gpkg", "keys.gpkg"))
        pd.testing.assert_frame_equal(*(one.drop(columns="finding", errors="ignore") for one in (mouse, keys)))


def test_a_bag_without_a_total_is_told_as_it_is_typed_and_one_key_fills_the_rest(job: Job, tmp_path: Path) -> None:
    """A stage left blank beside counts is no zero; N and R go on to the next bag, where an Enter out of habit stays."""
    assert ask(job.browser, "return desk.state().survey") == "keys.gpkg"
    begin_plan(job, "total.gpkg")
    job.write("#plan-points", "12")
    job.press_go("plan")
    open_bench(job)
    bags = ask(job.browser, "return [...document.querySelectorAll('#bench tbody th')].map(h => h.textContent)")
    totals = "[...document.querySelectorAll('#bench td.total')].slice(0, 4).map((one) => one.textContent).join()"
    at, said = "document.activeElement.getAttribute('aria-label')", "document.querySelector('#spoken').innerText"
    job.keys("5", "r")
    job.wait(f"{totals} === '5,,,' && {at} === '{bags[1]} egg'")
    job.keys(Keys.ENTER)  # out of habit: no bag is passed over
    job.wait(f"{said} === 'The next bag already: {bags[1]}.'")
    assert ask(job.browser, f"return {at}") == f"{bags[1]} egg"
    job.keys("n", Keys.ENTER)
    job.wait(f"{totals} === '5,0,,' && {at} === '{bags[2]} egg'")
    job.keys("7", Keys.ENTER)
    job.wait(f"{totals} === '5,0,no total,'")
    job.wait(
        f"{said}.startsWith('{bags[2]} has no total: L1, L2, ') && {said}.endsWith('R in its row: the rest are 0.')"
    )
    job.keys(Keys.ARROW_UP, "r")
    job.wait(f"{totals} === '5,0,7,'")
    line = "document.activeElement.closest('tr')"
    ask(job.browser, f"{line}.querySelector('.others').focus()")
    job.keys("ants, grubs near roots", Keys.ENTER)  # letters are words here
    job.wait(f"{said}.endsWith('Others found ants, grubs near roots: saved')")
    assert not ask(job.browser, "return document.querySelector('#bench tbody tr:nth-child(4) [type=checkbox]').checked")
    job.keys(Keys.ESCAPE)


def test_a_correction_is_undone_by_mouse_and_the_card_says_what_stands_again(job: Job) -> None:
    """The file that was corrected is ticked again, the line under the card reads it, and no file is lost."""
    job.begin("undone.gpkg")
    job.open("ground")
    job.click("#card-ground .dropped input[value='own course.geojson']")
    job.choose("#ground-kinds", "short lawn=fairway")
    job.do("ground")
    ticked = "[...document.querySelectorAll('#card-ground .dropped input:checked')].map((one) => one.value).join()"
    line = "document.querySelector('#card-ground .line code').textContent"
    job.wait("desk.the_map() && desk.quiet()")
    stands = ask(job.browser, f"return [{ticked}, {line}, desk.state().steps.ground.when]")
    assert stands[0] == "own course.geojson"
    job.click_surface("01-green-1")
    job.wait("!document.querySelector('#draw').hidden")
    job.choose("#draw-kind", "tee" + Keys.ENTER)
    job.click("#draw-done")
    told = job.ran("ground")
    assert told["names"] == ["own course.geojson", "undone_corrected.geojson"]
    job.wait("desk.the_map() && desk.quiet()")
    assert ask(job.browser, f"return {ticked}") == "undone_corrected.geojson"
    assert "dropped/undone_corrected.geojson" in ask(job.browser, f"return {line}")
    kinds = open_survey(job.folder / "undone.gpkg").read("surfaces")["kind"]
    assert "green" not in set(kinds)
    job.click("#card-ground .undo")
    job.wait("document.querySelector('#spoken').innerText.startsWith('Undone')")
    job.wait("desk.the_map() && desk.quiet()")
    assert ask(job.browser, f"return [{ticked}, {line}, desk.state().steps.ground.when]") == stands
    assert "green" in set(open_survey(job.folder / "undone.gpkg").read("surfaces")["kind"])
    listed = ask(job.browser, "return [...document.querySelectorAll('#unused li')].map((one) => one.textContent)")
    assert "dropped/own course.geojson" not in listed
    assert "dropped/undone_corrected.geojson" in listed


_UNREADABLE = """
const bend = (v) => (v / 255 <= 0.03928 ? v / 255 / 12.92 : ((v / 255 + 0.055) / 1.055) ** 2.4);
const light = ([r, g, b]) => 0.2126 * bend(r) + 0.7152 * bend(g) + 0.0722 * bend(b);
const numbers = (colour) => colour.match(/[\\d.]+/g).map(Number);
const below = (node) => {
  if (!node) { return [255, 255, 255]; }
  const colour = numbers(getComputedStyle(node).backgroundColor);
  return colour.length < 4 || colour[3] > 0 ? colour.slice(0, 3) : below(node.parentElement);
};
const has_words = (node) => [...node.childNodes].some((one) => one.nodeType === 3 && one.textContent.trim());
const seen = [...document.querySelectorAll('body *')]
  .filter((node) => node.checkVisibility({ visibilityProperty: true }))
  .filter((node) => node.matches('input, select, button') || has_words(node))
  .map((node) => {
    const look = getComputedStyle(node);
    const [a, b] = [light(numbers(look.color)), light(below(node))];
    const contrast = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    return [contrast, parseFloat(look.fontSize), node.textContent.trim().slice(0, 40)];
  });
const wide = document.documentElement.scrollWidth - innerWidth;
return [seen.length, seen.filter(([contrast, size]) => contrast < arguments[0] || size < arguments[1]), wide];
"""
"""How many words are shown; those with less contrast (WCAG 2.2, relative luminance) or smaller than asked; overflow."""


@pytest.mark.parametrize("size", [PHONE, DESK, (3840, 2160)], ids=["phone", "desk", "4K"])
def test_words_are_large_and_stand_out_on_every_card(job: Job, size: tuple[int, int]) -> None:
    metrics = {"width": size[0], "height": size[1], "deviceScaleFactor": 1, "mobile": size == PHONE}
    job.browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    ask(job.browser, "document.querySelectorAll('details').forEach((one) => { one.open = true; })")
    for step in (*STEPS, "record"):
        ask(job.browser, "document.querySelector(`#card-${arguments[0]} .head`).click()", step)
        shown, bad, wide = ask(job.browser, _UNREADABLE, 7, 16)
        assert (bad, wide) == ([], 0), step
        assert shown > 20
    assert ask(job.browser, _UNREADABLE, 22, 16)[1]  # no ink has that contrast: the measure sees what is too low
    ask(job.browser, "document.querySelectorAll('.got-it').forEach((one) => one.click())")
    assert ask(job.browser, "return [...document.querySelectorAll('.hint')].every((hint) => hint.hidden)")
    job.browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride", {**metrics, "width": 1280, "height": 900, "mobile": False}
    )


def test_lengths_are_shown_in_the_units_of_the_page_and_stay_the_commands_own(job: Job) -> None:
    line = "document.querySelector('#card-counts .line code').textContent"
    job.open("counts")
    for units, shown in (("us", "33 ft"), ("metric", "10m"), ("us", "33 ft")):
        ask(job.browser, "return desk.ask('/switch', {...desk.seen(), units: arguments[0]}).then(desk.look)", units)
        job.wait(f"document.querySelector('#counts-gps-within').value === '{shown}'")
        job.wait(f"{line}.startsWith('geosample counts')")
        assert not ask(job.browser, f"return {line}.includes('--gps-within')")


def test_the_record_asks_for_its_fields_by_their_plain_names(job: Job) -> None:
    job.open("record")
    line = "document.querySelector('#card-record .line code').textContent"
    assert ask(job.browser, "return document.querySelector('#record-set').closest('.more') !== null")
    assert ask(job.browser, "return document.querySelector('#record-date').type") == "date"  # as this machine writes it
    ask(job.browser, "document.querySelector('#record-date').value = ''")
    job.click("#record-date", along=0.05)
    job.keys("05", "08", "2026")
    job.wait(f"{line}.includes('--date 2026-05-08')")
    job.choose("#record-field-applicator", "A. Name; B. Name")
    job.choose("#record-field-irac_group", "28")
    job.wait(f"{line}.includes(\"--set 'applicator=A. Name, B. Name' --set irac_group=28\")")
    shown = "return document.querySelector('#record-field-method').checkVisibility()"
    assert not ask(job.browser, shown)
    job.choose("#record-rules", "ny" + Keys.ENTER)
    assert ask(job.browser, shown)
    labels = "return [...document.querySelectorAll('#card-record .questions label')].map((one) => one.textContent)"
    told = ask(job.browser, labels)
    assert {"Method of application", "EPA registration number"} <= set(told)
    assert not [name for name in told if "_" in name or "--" in name]
    job.choose("#record-field-applicator", "x" + Keys.BACKSPACE)
    job.wait(f"!{line}.includes('applicator')")


def test_the_job_on_a_real_course_of_eighteen_holes(
    job: Job, shared: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    job.begin("oak.gpkg")
    job.open("ground")
    do_job(job, shared / "courses" / "oak_bluff.kml", "ignore", tmp_path)
    monkeypatch.chdir(tmp_path)
    compare_zones(job, "oak.gpkg", tmp_path)


def test_two_visits_stand_side_by_side_on_the_same_ground(job: Job, surveys: ModuleType, small_ground: Ground) -> None:
    surveys.two_visits(job.folder / "two.gpkg", small_ground)
    ask(job.browser, "desk.ask('/switch', {survey: 'two.gpkg', visit: '', units: 'us'}).then(desk.look)")
    job.wait("desk.state().survey === 'two.gpkg' && desk.the_map()")
    job.wait("document.querySelector('#beside-visit').options.length === 2")
    job.open("plan")
    newest, older = ask(
        job.browser, "return [desk.state().visit, document.querySelector('#beside-visit').options[1].value]"
    )
    for visit in (older, newest):  # the card follows the menu, and what is kept is not drawn again
        ask(
            job.browser,
            "const s = desk.find('#visit'); s.value = arguments[0]; s.dispatchEvent(new Event('change'))",
            visit,
        )
        job.wait(f"desk.state().visit === '{visit}' && document.querySelector('#plan-visit').value === '{visit}'")
        check_settled(job, "plan")
    before = open_survey(job.folder / "two.gpkg").read("points")
    job.click("#card-plan .go")
    job.wait("document.activeElement.matches('#card-plan .problems')")
    said = "document.querySelector('#card-plan .problems').innerText"
    assert "samples that have come back for it" in ask(job.browser, f"return {said}")  # what can't be is not offered
    force = "const b = desk.find('#card-plan .force'); return [b.hidden, b.innerText]"
    assert ask(job.browser, force)[0]
    job.choose("#plan-visit", "2031-01-01")
    job.wait(f"{said} === ''")  # mended
    assert ask(job.browser, force)[0]
    assert open_survey(job.folder / "two.gpkg").read("points").equals(before)
    job.click("#course")  # the keys go on from there
    job.tab_to("#beside-visit")
    job.keys(Keys.ARROW_DOWN)
    other = "document.querySelector('#beside').contentWindow.geosample?.current()"
    job.wait(other)
    for move in ("setZoom(17)", "panBy([60, 40], {animate: false})"):
        ask(job.browser, f"desk.the_map().map.{move}")
        apart = f"desk.the_map().map.getCenter().distanceTo({other}.map.getCenter())"
        job.wait(f"{apart} < 0.01 && desk.the_map().map.getZoom() === {other}.map.getZoom()")
    ask(job.browser, f"{other}.map.setZoom(18, {{animate: false}})")
    job.wait("desk.the_map().map.getZoom() === 18")
