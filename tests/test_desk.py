"""The desk without a browser: who may speak to it, what it keeps apart, and that it does as the commands do."""

from __future__ import annotations

import contextlib
import io
import json
import os
import re
import shutil
import signal
import socket
import sqlite3
import stat
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from desk_case import Served, start_desk
from flask.testing import FlaskClient
from PIL import Image
from pyproj import Geod, Transformer
from survey_case import fill_rows
from treat_case import make_map, patch

from geosample.density import save_density
from geosample.desk import jobs
from geosample.desk.cards import CARDS, list_questions, show_line, write_words
from geosample.desk.guard import POLICY, Guard, find_open, note_open
from geosample.desk.server import make_app
from geosample.desk.work import Desk, TypedSheet, plain_name
from geosample.desk.worker import Failed, Worker
from geosample.errors import Problem, SurveyError
from geosample.ground import Ground, load_ground, read_ground, save_ground, write_ground
from geosample.report.desk import HINTS, PHRASES, TITLES
from geosample.survey import Survey, open_survey, reading, writing
from geosample.treat import suggest_zones

PORT = 4321
OWN = f"http://127.0.0.1:{PORT}"


@pytest.fixture
def guard() -> Guard:
    return Guard(PORT)


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    """A desk whose worker is never started: nothing here needs a stage."""
    return Desk(tmp_path, "course.gpkg")


@pytest.fixture
def client(desk: Desk, guard: Guard) -> FlaskClient:
    return make_app(desk, guard, lambda: None).test_client()


def enter(client: FlaskClient, guard: Guard) -> None:
    key = re.search(r'name="key" value="([^"]+)"', guard.write_door().read_text())
    assert key
    client.post("/enter", base_url=OWN, data={"key": key[1]}, headers={"Origin": "null"})


def write(client: FlaskClient, guard: Guard, path: str, body: Any, **headers: str) -> int:
    sent = {"Origin": OWN, "X-Desk-Token": guard.token, **headers}
    return client.post(path, base_url=OWN, json=body, headers=sent).status_code


def test_the_key_comes_by_a_file_of_its_owner_and_works_once(client: FlaskClient, guard: Guard) -> None:
    door = guard.write_door()
    assert stat.S_IMODE(door.stat().st_mode) == 0o600
    assert stat.S_IMODE(door.parent.stat().st_mode) == 0o700
    [key] = re.findall(r'name="key" value="([^"]+)"', door.read_text())
    assert client.post("/enter", base_url=OWN, data={"key": "wrong"}).status_code == 403
    first = client.post("/enter", base_url=OWN, data={"key": key}, headers={"Origin": "null"})
    assert first.status_code == 200
    assert {"HttpOnly", "SameSite=Strict", "Path=/"} <= set(first.headers["Set-Cookie"].split("; "))
    assert not door.parent.exists()
    other = client.application.test_client()
    assert other.post("/enter", base_url=OWN, data={"key": key}).status_code == 403
    assert other.get("/", base_url=OWN).status_code == 403
    assert client.get("/", base_url=OWN).status_code == 200


@pytest.mark.parametrize("path", ["/", "/state", "/map", "/own/desk.js", "/made/treatment_plan.pdf", "/bench", "/no"])
def test_who_has_no_key_sees_nothing(client: FlaskClient, path: str) -> None:
    assert client.get(path, base_url=OWN).status_code == 403


def test_a_second_start_is_told_of_the_first_and_its_owner_comes_in_again(
    tmp_path: Path, client: FlaskClient, guard: Guard, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The way back is known to who can read this user's file, and no page of a browser can take it."""
    note = note_open(tmp_path, guard)
    assert stat.S_IMODE(note.stat().st_mode) == 0o600
    assert stat.S_IMODE(note.parent.stat().st_mode) == 0o700
    assert find_open(tmp_path) is None  # nothing answers there: left by a desk that was killed
    for key, headers in [("wrong", {}), (guard.again, {"Origin": OWN}), (guard.again, {"Sec-Fetch-Site": "none"})]:
        assert client.post("/again", base_url=OWN, data={"key": key}, headers=headers).status_code == 403
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "others"))
    (tmp_path / "others").mkdir()
    (tmp_path / "others" / f"geosample-desks-{os.getuid()}").mkdir(mode=0o777)
    os.chmod(tmp_path / "others" / f"geosample-desks-{os.getuid()}", 0o777)
    assert find_open(tmp_path) is None
    with pytest.raises(OSError, match="not this user's alone"):
        note_open(tmp_path, guard)
    monkeypatch.undo()
    process, port, door = start_desk(tmp_path)
    try:
        first = Served(process, port, tmp_path, door)
        first.enter()
        words = [sys.executable, "-c", "from geosample.cli import main; main()", "desk", str(tmp_path), "--no-browser"]
        second = subprocess.run(words, capture_output=True, text=True, check=True, timeout=60)
        said = " ".join(second.stderr.split())
        assert f"The desk is already open in this folder at http://127.0.0.1:{port}/ for the browser" in said
        again = Served(process, port, tmp_path, re.findall(r"file://\S+", said)[0])
        status, told, _ = again.ask("GET", "/")
        assert (status, b"geosample desk FOLDER" in told) == (403, True)
        again.enter()
        assert again.ask("GET", "/state")[0] == first.ask("GET", "/state")[0] == 200
    finally:
        process.terminate()
        process.wait()
        process.stderr.close()  # type: ignore[union-attr]


@pytest.mark.parametrize("host", ["http://localhost:4321", "http://desk.invalid:4321", "http://127.0.0.1:80"])
def test_another_name_of_the_host_is_refused(client: FlaskClient, guard: Guard, host: str) -> None:
    enter(client, guard)
    assert client.get("/state", base_url=host).status_code == 403
    assert client.get("/state", base_url=OWN).status_code == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "https://other.invalid"},
        {"Origin": "null"},
        {"Origin": "http://127.0.0.1:80"},
        {"X-Desk-Token": "wrong"},
        {"X-Desk-Token": ""},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
@pytest.mark.parametrize(
    "path",
    ["/run", "/undo", "/drop", "/close", "/switch", "/bench", "/cancel", "/correct", "/draft", "/under", "/put-away"],
)
def test_no_other_page_writes(client: FlaskClient, guard: Guard, path: str, headers: dict[str, str]) -> None:
    enter(client, guard)
    assert write(client, guard, path, {"step": "ground"}, **headers) == 403


def test_every_answer_is_bound_to_the_page(client: FlaskClient, guard: Guard) -> None:
    enter(client, guard)
    for path in ("/", "/state", "/own/desk.css", "/no-such"):
        headers = client.get(path, base_url=OWN).headers
        assert headers["Content-Security-Policy"] == POLICY
        assert headers["X-Content-Type-Options"] == "nosniff"
        assert headers["Cache-Control"] == "no-store"
    assert "frame-ancestors 'self'" in client.get("/map", base_url=OWN).headers["Content-Security-Policy"]


OUTSIDE = [
    "../secret.txt",
    "..%2Fsecret.txt",
    "%2e%2e/secret.txt",
    "/etc/passwd",
    "..\\secret.txt",
    ".hidden",
    "link.txt",
]


@pytest.mark.parametrize("name", OUTSIDE)
def test_no_path_leads_out_of_the_folder(client: FlaskClient, guard: Guard, desk: Desk, name: str) -> None:
    enter(client, guard)
    made = desk.folder / desk.out
    made.mkdir()
    (desk.folder / "secret.txt").write_text("secret")
    (made / ".hidden").write_text("secret")
    (made / "link.txt").symlink_to(desk.folder / "secret.txt")
    (made / "zones.csv").write_text("fine")
    assert client.get(f"/made/{name}", base_url=OWN).status_code in {403, 404, 308}
    with client.get("/made/zones.csv", base_url=OWN) as told:
        assert told.data == b"fine"
    answers = {"files": [name]}
    assert write(client, guard, "/line", {"step": "ground", "answers": answers}) == 400
    assert write(client, guard, "/line", {"step": "sheets", "answers": {"landmarks": name}}) == 400
    assert write(client, guard, "/switch", {"survey": name, "units": "us"}) == 400


def test_a_dropped_file_lands_in_the_folder_under_a_plain_name(client: FlaskClient, guard: Guard, desk: Desk) -> None:
    enter(client, guard)
    headers = {"Origin": OWN, "X-Desk-Token": guard.token}
    for name in ("../../a.kml", "C:\\x\\<img src=x onerror=alert(1)>.kml", "$(touch b);.csv"):
        sent = {"file": (io.BytesIO(b"x"), name)}
        told = client.post("/drop", base_url=OWN, data=sent, headers=headers)
        assert (desk.folder / "dropped" / told.get_json()["name"]).read_bytes() == b"x"
    assert {path.name for path in desk.folder.iterdir()} == {"dropped"}
    assert (
        client.post("/drop", base_url=OWN, data={"file": (io.BytesIO(b"x"), "..")}, headers=headers).status_code == 400
    )


def test_what_is_too_large_is_refused(client: FlaskClient, guard: Guard) -> None:
    client.application.config["MAX_CONTENT_LENGTH"] = 1000
    enter(client, guard)
    headers = {"Origin": OWN, "X-Desk-Token": guard.token}
    sent = {"file": (io.BytesIO(b"x" * 2000), "a.kml")}
    assert client.post("/drop", base_url=OWN, data=sent, headers=headers).status_code == 413


def test_names_that_are_scripts_stay_names(client: FlaskClient, guard: Guard, desk: Desk) -> None:
    enter(client, guard)
    name = "$(touch hurt).kml"
    (desk.folder / "dropped").mkdir()
    (desk.folder / "dropped" / name).write_text("x")
    headers = {"Origin": OWN, "X-Desk-Token": guard.token}
    answers = {"files": [name], "name": "</script><script>hurt()</script>; rm -rf ~"}
    [line] = client.post("/line", base_url=OWN, json={"step": "ground", "answers": answers}, headers=headers).get_json()
    assert line == (
        "geosample ground course.gpkg 'dropped/$(touch hurt).kml' --name '</script><script>hurt()</script>; rm -rf ~'"
    )


def test_an_answer_never_becomes_an_option() -> None:
    [words] = write_words(CARDS["plan"], {"visit": "--out", "holes": "--seed 3"}, "a.gpkg", {"out": "o"})
    assert words == ["design", "a.gpkg", "--visit", "--out", "--holes", "--seed 3"]
    assert write_words(CARDS["sheets"], {"out": "/tmp", "survey": "b"}, "a.gpkg", {"out": "o"}) == [
        ["sheets", "a.gpkg", "--out", "o"]
    ]


def test_a_plain_name_has_no_folder_in_it() -> None:
    assert plain_name("a/b\\c/ .. ") == ""


@pytest.mark.parametrize("step", CARDS)
def test_a_card_asks_what_its_commands_take_with_their_words_and_defaults(step: str) -> None:
    card = CARDS[step]
    asked = list_questions(card)
    assert step in TITLES
    assert step in HINTS
    first = [one["name"] for one in asked if one["first"]]
    assert first == list(card.asks)
    assert 2 <= len(first) <= 5
    assert all(one["help"] for one in asked)
    shown = {one["name"]: (one["default"], one["shown"]) for one in asked if one["shown"]}
    if step == "counts":
        assert shown == {"gps-within": ("10m", {"us": "33 ft"})}
    assert all(set(other) == {"us"} for default, other in shown.values() if default.endswith("m"))


def test_the_line_of_a_step_is_what_it_runs() -> None:
    answers = {"threshold": "30/ft2", "keep-off": "water=25ft; path=3ft", "sampled-only": "on", "miss-cost": "3.0"}
    treat, draw = write_words(CARDS["treat"], answers, "a.gpkg", {"out": "a_files", "units": "metric"})
    assert show_line(treat) == (
        "geosample treat a.gpkg --threshold 30/ft2 --keep-off water=25ft --keep-off path=3ft --sampled-only "
        "--out a_files --units metric"
    )
    assert show_line(draw) == "geosample map a.gpkg --out a_files/map.html --units metric --threshold 30/ft2"


class Near(Worker):
    """A worker that does its jobs in this process."""

    def do(self, job: str, *, wait_s: float = -1, **given: Any) -> Any:  # noqa: ARG002
        jobs.WROTE.clear()
        try:
            return getattr(jobs, job)(**given)
        except Exception as error:  # whatever a job raises, as in the worker's own process
            raise Failed(str(error)) from error


@pytest.fixture
def near(desk: Desk, drawn_survey: Path, monkeypatch: pytest.MonkeyPatch) -> Desk:
    """A desk on a survey with a ground and a plan, its worker in this process."""
    monkeypatch.chdir(desk.folder)
    shutil.copy(drawn_survey, desk.path)
    desk.worker = Near(desk.folder)
    return desk


def finish(desk: Desk) -> None:
    while desk.running:
        time.sleep(0.02)


@contextlib.contextmanager
def held(path: Path) -> Iterator[None]:
    """Hold a survey for a write, as another program does."""
    program = (
        f"import sqlite3; c = sqlite3.connect({str(path)!r}, isolation_level=None); "
        "c.execute('BEGIN EXCLUSIVE'); print('held', flush=True); input()"
    )
    words = [sys.executable, "-c", program]
    with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as other:
        assert other.stdout
        assert other.stdout.readline() == "held\n"
        yield
        other.communicate("\n")


def test_a_survey_that_another_program_holds_is_told_and_what_was_seen_stays(
    near: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    for module, name in ((reading, "LOCK_WAIT_S"), (writing, "READER_WAIT_S"), (writing, "WRITER_WAIT_S")):
        monkeypatch.setattr(module, name, 0.1)
    before = near.tell()
    assert before["steps"]["plan"]["state"] == "done"
    os.utime(near.path)  # so that the desk looks again
    with held(near.path):
        now = near.tell()
        assert "another program is writing to it" in now["wrong"]
        assert near.start_run(CARDS["sheets"], {}, force=False)
        finish(near)
        [problem] = near.said[f"sheets {near.visit}"]["problems"]
        assert "another program is writing to it" in problem
    assert {**now, "wrong": ""} == before
    after = near.tell()
    assert {**after, "steps": ""} == {**before, "steps": ""}


@pytest.mark.slow
def test_a_page_that_shows_what_is_no_longer_there_is_asked_to_look_again(
    near: Desk, guard: Guard, counts_survey: Survey
) -> None:
    client = make_app(near, guard, lambda: None).test_client()
    enter(client, guard)
    state = client.get("/state", base_url=OWN).get_json()
    seen = {name: state[name] for name in ("survey", "visit", "drawn")}
    surfaces = counts_survey.read("surfaces")
    with open_survey(near.path).change() as change:  # a command in a terminal
        change.put("surfaces", surfaces[surfaces["kind"] != "collar"])
    headers = {"Origin": OWN, "X-Desk-Token": guard.token}
    body = {"step": "plan", "answers": {"visit": "2026-06-01"}, "seen": seen}
    told = client.post("/run", base_url=OWN, json=body, headers=headers)
    assert told.status_code == 409
    assert "just changed: Ground." in told.get_json()["words"]
    assert not near.said
    now = client.get("/state", base_url=OWN).get_json()
    assert now["drawn"]["ground"] != seen["drawn"]["ground"]
    body["seen"] = {name: now[name] for name in ("survey", "visit", "drawn")}
    assert write(client, guard, "/run", {**body, "seen": {**body["seen"], "visit": "2026-01-01"}}) == 409
    assert write(client, guard, "/run", body) == 200
    finish(near)


@pytest.mark.parametrize("when", ["before the step wrote", "after it wrote"])
def test_a_step_that_fails_takes_back_its_own_work_and_nobody_elses(
    near: Desk, monkeypatch: pytest.MonkeyPatch, when: str
) -> None:
    """Another command writes between two commands of one card, the second of which fails."""
    file = open_survey(near.path)
    before = near.folder / "before.gpkg"
    jobs.keep_before(str(near.path), str(before))
    old = {layer: file.read(layer) for layer in ("visits", "surfaces", "obstacles")}
    lines = iter(["ours", "fails"])

    def write_other() -> None:
        with file.change() as change:
            change.put("obstacles", old["obstacles"].iloc[:1])
            if when == "after it wrote":
                change.put("visits", fill_rows("visits", visit=["theirs"], date=["2026-07-01"]))

    def hear(*_: Any) -> Any:
        if next(lines) == "fails":
            write_other()
            raise SurveyError(Problem("it", "found", "expected", "do"))
        monkeypatch.setattr(reading, "WATCHERS", [jobs.note_writes])
        monkeypatch.setattr(writing, "WATCHERS", [jobs.note_writes])
        with file.change() as change:
            change.put("visits", fill_rows("visits", visit=["ours"], date=["2026-06-01"]))
            change.put("surfaces", old["surfaces"].iloc[:2])
        monkeypatch.setattr(writing, "WATCHERS", [])
        return [], {}, []

    monkeypatch.setattr(jobs, "hear", hear)
    jobs.WROTE.clear()
    told = jobs.run(str(near.path), [["design"], ["design"]], str(before), "out")
    assert told["problems"]
    assert file.read("surfaces").equals(old["surfaces"])
    assert len(file.read("obstacles")) == 1
    mixed = when == "after it wrote"
    assert told["kept"] == (["visits"] if mixed else [])
    assert list(file.read("visits")["visit"]) == (["theirs"] if mixed else list(old["visits"]["visit"]))


@pytest.mark.slow
@pytest.mark.parametrize("more", [{}, {"seed": "9"}, {"trial": "brine,heat", "margin": "2.5", "expected": "300/ft2"}])
def test_the_plan_that_is_kept_is_the_draft_that_was_shown(near: Desk, guard: Guard, more: dict[str, str]) -> None:
    client = make_app(near, guard, lambda: None).test_client()
    enter(client, guard)
    headers = {"Origin": OWN, "X-Desk-Token": guard.token}
    body = {
        "step": "plan",
        "answers": {"visit": "2026-06-01", **({"points": "12"} if not more.get("trial") else {}), **more},
    }
    draft, line, again = (
        client.post(path, base_url=OWN, json=body, headers=headers).get_json() for path in ("/draft", "/line", "/draft")
    )
    assert draft == again
    assert write(client, guard, "/run", body) == 200
    finish(near)
    assert near.tell()["visit"] == "2026-06-01", near.said
    points = open_survey(near.path).read("points").query("visit == '2026-06-01'")
    assert points[["lon", "lat", "role", "point_id"]].to_dict("records") == draft["points"]
    seed = int(open_survey(near.path).read("visits").set_index("visit")["seed"]["2026-06-01"])
    assert f"--seed {seed}" in line[0]
    other = {**body, "answers": {**body["answers"], "visit": "2026-06-08"}}
    draft_of_other = client.post("/draft", base_url=OWN, json=other, headers=headers).get_json()
    assert (draft_of_other["points"] == draft["points"]) == ("seed" in more)


def test_a_plan_that_has_sheets_is_replaced_only_when_that_was_asked_in_words(near: Desk) -> None:
    visit = near.tell()["visit"]
    before = open_survey(near.path).read("points")
    answers = {"visit": visit, "points": "12", "seed": "3"}
    assert near.start_run(CARDS["plan"], answers, force=False)
    assert not near.running
    step = near.tell()["steps"]["plan"]
    [problem] = step["problems"]
    assert problem.startswith(f"Visit {visit} has a plan.")
    assert step["force"] == f"Replace the plan of {visit}"
    assert (step["state"], near.tell()["steps"]["sheets"]["force"]) == ("done", "")
    assert open_survey(near.path).read("points").equals(before)
    assert near.start_run(CARDS["plan"], answers, force=True)
    finish(near)
    step = near.tell()["steps"]["plan"]
    assert (step["problems"], step["force"], step["undo"]) == ([], "", True)
    drawn = open_survey(near.path).read("points")
    assert not drawn.equals(before)
    rows = fill_rows("samples", visit=[visit], status=["counted"], sample_id=["1"])
    one = gpd.GeoDataFrame(rows.drop(columns="geometry", errors="ignore"), geometry=[drawn.geometry[0]], crs=drawn.crs)
    with open_survey(near.path).change() as change:
        change.put("samples", one)
    assert near.start_run(CARDS["plan"], answers, force=False)
    finish(near)
    step = near.tell()["steps"]["plan"]
    [problem] = step["problems"]
    assert "that have come back for it" in problem
    assert step["force"] == ""  # no button for what the command refuses
    assert open_survey(near.path).read("points").equals(drawn)


@pytest.mark.parametrize(
    ("step", "answers", "told"),
    [
        ("counts", {}, "No file is chosen."),
        ("ground", {"collar": "30in"}, "No file is chosen."),
        ("plan", {"points": "30"}, "Fill in: Visit."),
        ("treat", {}, "Fill in: Threshold."),
    ],
)
def test_what_is_missing_is_said_as_the_card_names_it(near: Desk, step: str, answers: Any, told: str) -> None:
    near.tell()
    assert near.start_run(CARDS[step], answers, force=False)
    [problem] = near.tell()["steps"][step]["problems"]
    assert problem.startswith(told)
    assert "--" not in problem


@pytest.mark.slow
def test_each_visit_keeps_its_own_files_answers_and_times(near: Desk) -> None:
    first = near.tell()["visit"]
    assert near.start_run(CARDS["sheets"], {"paper": "a4"}, force=False)
    finish(near)
    assert near.start_run(CARDS["plan"], {"visit": "2026-06-01", "points": "12"}, force=False)
    finish(near)
    now = near.tell()
    assert (now["visit"], now["steps"]["sheets"]["answers"], now["steps"]["sheets"]["files"]) == ("2026-06-01", {}, [])
    place = near.folder / "course_files"
    sheets = {path.name: path.read_bytes() for path in (place / first).iterdir()}
    assert "blank_counts.csv" in sheets
    assert near.start_run(CARDS["sheets"], {"paper": "letter"}, force=False)
    assert "--out course_files/2026-06-01" in show_line(near.words_of(CARDS["sheets"], {})[0])
    finish(near)
    assert near.tell()["steps"]["sheets"]["state"] == "done"
    assert {path.name for path in (place / "2026-06-01").iterdir()} == set(sheets)
    assert {path.name: path.read_bytes() for path in (place / first).iterdir()} == sheets
    assert near.tell()["unused"] == []
    near.switch(near.survey, first, "us")
    back = near.tell()["steps"]
    assert (back["sheets"]["answers"], back["plan"]["when"], back["sheets"]["undo"]) == ({"paper": "a4"}, "", False)


def test_a_survey_made_at_the_desk_is_not_taken_away_with_what_came_later(near: Desk) -> None:
    marks = reading.list_changes(near.path)
    ground = {layer: marks[layer] for layer in ("surfaces", "obstacles", "layout")}
    assert not jobs.restore(str(near.path), "", ground)
    assert jobs.roll_back(str(near.path), "", dict.fromkeys(ground, "")) == []
    assert near.path.exists()
    assert jobs.restore(str(near.path), "", marks)
    assert not near.path.exists()


def test_only_what_nothing_rests_on_is_put_away_and_nothing_is_deleted(near: Desk, guard: Guard) -> None:
    for name in ("course.kml", "old.kml", "other.kml", "own.tif", "marks.gpx", "typed_May ABC.csv", "fresh.csv"):
        (near.folder / "dropped").mkdir(exist_ok=True)
        (near.folder / "dropped" / name).write_text(name)
    near.tell()
    made = near.folder / near.out
    made.mkdir(parents=True)
    for name in ("now.pdf", "was.pdf", "mine.pdf", "edited.pdf"):
        (made / name).write_text(name)
    near.said = {
        "ground": {"names": ["course.kml"], "answers": {"files": ["course.kml"]}},
        f"sheets {near.visit}": {"out": near.out, "files": ["now.pdf"], "answers": {"landmarks": "marks.gpx"}},
        "under": {"aerial": "own.tif"},
        "made": {
            f"{near.out}/{name}": near._mark(f"{near.out}/{name}") for name in ("now.pdf", "was.pdf", "edited.pdf")
        },
    }
    near._save()
    (made / "edited.pdf").write_text("by a person")
    beside = near.folder / ".other_desk"
    beside.mkdir()
    (beside / "journal.json").write_text(json.dumps({"ground": {"names": ["other.kml"]}}))
    unused = ["dropped/fresh.csv", "dropped/old.kml", f"{near.out}/was.pdf"]
    assert near.tell()["unused"] == unused
    client = make_app(near, guard, lambda: None).test_client()
    enter(client, guard)
    asked = ["dropped/old.kml", f"{near.out}/was.pdf", "dropped/course.kml", "../x", "dropped/typed_May ABC.csv"]
    assert write(client, guard, "/put-away", {"names": asked}) == 200
    assert near.tell()["unused"] == ["dropped/fresh.csv"]
    away = {path.name: path.read_text() for path in (near.kept / "put_away").rglob("*.*") if path.is_file()}
    assert away == {"old.kml": "old.kml", "was.pdf": "was.pdf"}


def test_what_stood_before_a_correction_stands_again_when_it_is_undone(
    near: Desk, guard: Guard, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The own file is named as the source, before, while and after it is corrected, and is never listed as unused."""
    for room in (reading, writing):
        monkeypatch.setattr(room, "WATCHERS", [jobs.note_writes])
    ground = load_ground(open_survey(near.path))
    (near.folder / "dropped").mkdir()
    write_ground(ground, near.folder / "dropped" / "own.geojson")
    near.survey = "drawn.gpkg"
    client = make_app(near, guard, lambda: None).test_client()
    enter(client, guard)
    near.start_run(CARDS["ground"], {"files": ["own.geojson"], "name": "Invented"}, force=False)
    finish(near)
    first = near.tell()["steps"]["ground"]
    assert (first["state"], first["names"]) == ("done", ["own.geojson"])
    corrected = []
    for kind in ("tee", "approach"):
        sent = {"Origin": OWN, "X-Desk-Token": guard.token}
        body = {"surface_id": ground.surfaces["surface_id"].iloc[0], "kind": kind, "hole": "1"}
        told = client.post("/correct", base_url=OWN, json=body, headers=sent)
        assert told.status_code == 200
        near.start_run(CARDS["ground"], told.json["answers"], force=False)
        finish(near)
        corrected.append(near.tell()["steps"]["ground"])
        ground = load_ground(open_survey(near.path))
    names = ["drawn_corrected.geojson", "drawn_corrected_2.geojson"]  # in turn, so that the one before stands
    assert [one["names"] for one in corrected] == [["own.geojson", name] for name in names]
    assert near.tell()["unused"] == []
    assert near.undo("ground") == PHRASES["undone"]
    again = near.tell()["steps"]["ground"]
    assert {**corrected[0], "undo": False} == again
    assert near.tell()["unused"] == ["dropped/drawn_corrected_2.geojson"]
    assert near.undo("ground") == PHRASES["not_undone"]  # once


def test_two_windows_type_on_one_sheet_and_neither_loses_a_value(near: Desk) -> None:
    bench = TypedSheet(near)
    first, second = (row["sample_id"] for row in bench.tell()["rows"][:2])
    assert bench.put(first, "L3", "4", was="")["kept"]
    told = bench.put(first, "L3", "9", was="")
    assert (told["kept"], told["value"]) == (False, "4")
    assert f"{first} L3: another window wrote 4 there" in told["words"]
    other = bench.path.read_text("utf-8-sig").splitlines()  # a spreadsheet writes beside
    at = next(i for i, line in enumerate(other) if second in line)
    column = other[0].split(",").index("L3")
    cells = other[at].split(",")
    cells[column] = "7"
    other[at] = ",".join(cells)
    bench.path.write_text("\n".join(other) + "\n", "utf-8-sig")
    assert bench.put(first, "L3", "5", was="4")["kept"]
    assert [row["L3"] for row in bench.tell()["rows"][:2]] == ["5", "7"]


class Dead(Worker):
    """A worker whose process ends before it answers, as with a broken library."""

    def _ensure(self) -> Any:
        line = super()._ensure()
        assert self._process
        self._process.kill()
        self._process.join()
        return line


def test_a_process_that_ends_at_its_start_is_told_at_once_and_names_no_file_that_is_not_there(desk: Desk) -> None:
    desk.worker = Dead(desk.folder)
    assert desk.tell()["wrong"] == ""
    desk.worker.start()
    assert desk.tell()["wrong"].startswith("Nothing can run:")
    [told] = desk._do_lines(CARDS["ground"], [["ground"]])["problems"]
    assert told.startswith("The work stopped by a fault")
    problems: list[str] = []
    desk.path.write_bytes(b"begun")
    assert desk._roll_back("", {}, problems) == []
    assert problems == ["The step had begun the survey course.gpkg: delete that file, then do the step again."]


def test_what_a_stage_says_while_it_works_is_shown_as_a_whole_sentence(near: Desk) -> None:
    near.worker.talk = ["Reading ...", "A sentence that is", "  folded over two", "  lines."]
    near.running = "plan"
    assert near.tell()["talk"] == ["A sentence that is folded over two lines."]


def test_a_cell_keeps_what_was_there_when_the_new_value_cannot_be(near: Desk) -> None:
    bench = TypedSheet(near)
    sheet = bench.tell()
    first, second = (row["sample_id"] for row in sheet["rows"][:2])
    assert (sheet["heads"][-1], sheet["fates"]["not_extracted"]) == ("not staged", "not done")
    assert bench.put(first, "L3", "4")["kept"]
    for column, value in (
        ("L3", "1.5"),
        ("L3", "x"),
        ("L3", "123456"),
        ("others_found", "=1+1"),
        ("none_found", "yes"),
    ):
        told = bench.put(first, column, value)
        assert not told["kept"], (column, value)
    assert told["words"].startswith("None found and a count exclude each other")
    assert bench.put(second, "none_found", "yes")["kept"]
    assert bench.put(second, "L3", "0")["kept"]
    assert not bench.put(second, "L3", "3")["kept"]
    assert bench.put(second, "others_found", "2 crane flies")["kept"]
    rows = TypedSheet(near).tell()["rows"]
    assert [(row["L3"], row["none_found"], row["others_found"]) for row in rows[:2]] == [
        ("4", "", ""),
        ("0", "yes", "2 crane flies"),
    ]


def test_a_surface_is_corrected_through_a_file_that_the_command_reads(counts_survey: Survey, tmp_path: Path) -> None:
    before = load_ground(counts_survey).surfaces.set_index("surface_id")
    jobs.correct(
        str(counts_survey.path), str(tmp_path / "own.geojson"), surface_id="01-collar-1", kind="approach", hole="2"
    )
    after = read_ground(tmp_path / "own.geojson").surfaces.set_index("surface_id")
    assert list(after.loc["02-approach-1", ["kind", "hole"]]) == ["approach", "2"]
    areas = after.rename(index={"02-approach-1": "01-collar-1"}).loc[before.index, "area_m2"]
    assert areas.to_numpy() == pytest.approx(before["area_m2"].to_numpy(), rel=1e-6)


def test_a_corner_that_was_moved_and_a_surface_that_was_drawn_are_read_by_the_command(near: Desk) -> None:
    old = load_ground(open_survey(near.path)).surfaces.set_index("surface_id")
    outline = old.to_crs(4326).geometry["01-green-1"].geoms[0]
    corners = [[round(lon, 7), round(lat, 7)] for lon, lat in outline.exterior.coords[:-1]]  # as the page has them
    corners[0] = [corners[0][0] + 3e-5, corners[0][1]]
    asked: dict[str, Any] = {"file": "own.geojson", "kind": "green", "hole": "1"}
    course = jobs.correct(near.survey, surface_id="01-green-1", rings=[corners], **asked)
    assert course == open_survey(near.path).course
    new = read_ground("own.geojson").surfaces.set_index("surface_id")
    assert set(new.index) == set(old.index)
    kept = [
        shape.exterior.coords[1:-1]
        for shape in (new.to_crs(old.crs).geometry["01-green-1"].geoms[0], old.geometry["01-green-1"].geoms[0])
    ]
    # metres: corners that were not moved stay where they were, though the page rounds to 1 cm; PROJ's way back from an
    # equal-area system is good to 1 mm or so
    assert shapely.MultiPoint(kept[0]).hausdorff_distance(shapely.MultiPoint(kept[1])) < 0.002
    assert new.area["01-green-1"] - old.area["01-green-1"] > 1
    west, south = outline.centroid.x - 0.002, outline.centroid.y
    square = [[west, south], [west + 2e-4, south], [west + 2e-4, south + 2e-4], [west, south + 2e-4]]
    jobs.correct(near.survey, surface_id="", rings=[square], **asked | {"kind": "tee", "hole": "2"})
    assert read_ground("own.geojson").surfaces["surface_id"].tolist()[-1] == "02-tee-1"
    jobs.correct("none_yet.gpkg", surface_id="", rings=[square], **asked)
    [first] = read_ground("own.geojson").surfaces.to_dict("records")
    assert (first["surface_id"], round(first["area_m2"])) == (
        "01-green-1",
        round(Geod(ellps="WGS84").geometry_area_perimeter(shapely.Polygon(square))[0]),
    )


@pytest.mark.parametrize(
    "rings",
    [
        "x",
        [["x"]],
        [[[1, 2], [3, 4]]],
        [[[1, 2], [3, 4], [200, 0]]],
        [[[1, 2], [3, 4], [5, "6"]]],
        [[[0, 0]] * 20_001],
        [],
    ],
)
def test_what_is_no_outline_is_refused(client: FlaskClient, guard: Guard, rings: Any) -> None:
    enter(client, guard)
    assert write(client, guard, "/correct", {"kind": "tee", "hole": "1", "rings": rings}) == 400
    assert write(client, guard, "/correct", {"kind": "<b>", "hole": "1", "rings": [[[1, 2], [3, 4], [5, 6]]]}) == 400


@pytest.mark.slow
def test_the_map_lies_over_what_the_user_named_and_may_ask_that_host_alone(
    near: Desk, guard: Guard, tmp_path: Path
) -> None:
    client = make_app(near, guard, lambda: None).test_client()
    enter(client, guard)
    assert write(client, guard, "/under", {"aerial": "../own.tif"}) == 400
    assert client.get("/map?visit=2030-01-01", base_url=OWN).status_code == 404
    tiles = {"base-map": "https://tiles.invalid/{z}/{x}/{y}.png", "base-credit": "Their <owner>"}
    assert write(client, guard, "/under", tiles) == 200
    page = client.get("/map", base_url=OWN).text
    assert "img-src data: https://tiles.invalid;" in page
    assert "connect-src" not in page
    for asked, said in (({"base-map": "nonsense"}, "https://"), ({**tiles, "base-credit": ""}, "named")):
        assert write(client, guard, "/under", asked) == 200
        assert said in client.get("/map", base_url=OWN).text
    assert write(client, guard, "/under", {}) == 200
    assert "img-src data:;" in client.get("/map", base_url=OWN).text
    near.switch("other.gpkg", "", "us")  # no ground yet: over a place, or a picture
    assert write(client, guard, "/under", {**tiles, "place": "here"}) == 200
    assert "longitude,latitude in degrees" in client.get("/map", base_url=OWN).text
    assert write(client, guard, "/under", {**tiles, "place": "-73.9,41.5"}) == 200
    assert shown_bounds(client.get("/map", base_url=OWN).text) == pytest.approx([41.4955, -73.9045, 41.5045, -73.8955])
    (tmp_path / "dropped").mkdir()
    draw_aerial(tmp_path / "dropped" / "own.tif", (-73.91, 41.49, -73.89, 41.51))
    assert write(client, guard, "/under", {"aerial": "own.tif"}) == 200
    page = client.get("/map", base_url=OWN).text
    assert "data:image/jpeg" in page
    assert shown_bounds(page) == pytest.approx([41.49, -73.91, 41.51, -73.89])


def test_a_plain_picture_lies_under_desk_and_sheets_by_three_pairs_and_their_misses_are_told(
    near: Desk, guard: Guard, tmp_path: Path
) -> None:
    client = make_app(near, guard, lambda: None).test_client()
    enter(client, guard)
    (near.folder / "dropped").mkdir()
    (near.folder / ".other_desk").mkdir()
    (near.folder / ".other_desk" / "journal.json").write_text(json.dumps({"under": {"aerial": "other.png"}}))
    for name in ("own.png", "other.png", "own.pgw"):
        Image.new("RGB", (400, 300), "white").save(near.folder / "dropped" / name, format="PNG")
    (near.folder / "dropped" / "own.pgw").write_text("no world file")
    ground = load_ground(open_survey(near.path))
    west, _, _, north = ground.surfaces.total_bounds
    to_degrees = Transformer.from_crs(ground.crs, 4326, always_xy=True).transform
    places = [(c, r, *to_degrees(west + c, north - r)) for c, r in ((0, 0), (400, 0), (400, 300))]
    pairs = ["{},{}={},{}".format(*place) for place in places]
    for few in ("", "; ".join(pairs[:2]), "0,0"):
        body = {"aerial": "own.png", "aerial-pairs": few}
        answer = client.post("/under", json=body, base_url=OWN, headers={"Origin": OWN, "X-Desk-Token": guard.token})
        assert answer.status_code == 409, few
        assert near.under == {}
    assert answer.json["words"].startswith("--aerial-pairs: found '0,0'; expected x,y=longitude,latitude; ")
    body = {"aerial": "own.png", "aerial-pairs": "; ".join(pairs)}
    answer = client.post("/under", json=body, base_url=OWN, headers={"Origin": OWN, "X-Desk-Token": guard.token})
    assert "placed by 3 pairs of places: they miss by" in answer.json["words"]
    assert "data:image/jpeg" in client.get("/map", base_url=OWN).text
    [line] = near.words_of(CARDS["sheets"], {})
    assert line.count("--aerial-pairs") == 3
    assert line[line.index("--aerial") + 1] == "dropped/own.png"
    assert write(client, guard, "/under", {**body, "on-sheets": "no"}) == 200
    [line] = near.words_of(CARDS["sheets"], {})
    assert not [word for word in line if word.startswith("--aerial")]
    assert near.tell()["unused"] == []  # the other survey's picture and what lies beside this one too


@pytest.mark.slow
def test_a_new_ground_beside_a_visit_is_asked_about_shown_and_drawn_on_while_the_visit_keeps_its_own(
    near: Desk, guard: Guard
) -> None:
    client = make_app(near, guard, lambda: None).test_client()
    enter(client, guard)
    visit = near.tell()["visit"]
    assert not near.tell()["newer_ground"]
    old = load_ground(open_survey(near.path))
    west, south, _, _ = old.surfaces.to_crs(4326).total_bounds
    ring = [[west - 4e-4, south], [west - 2e-4, south], [west - 2e-4, south + 2e-4], [west - 4e-4, south + 2e-4]]
    (near.folder / "dropped").mkdir(exist_ok=True)
    for kind in ("tee", "green"):  # the second on the ground that has the first, which no visit rests on
        asked: dict[str, Any] = {"kind": kind, "hole": "1", "rings": [ring], "surface_id": ""}
        jobs.correct(near.survey, "dropped/new.geojson", **asked)
        if kind == "tee":
            assert near.start_run(CARDS["ground"], {"files": ["new.geojson"]}, force=False)
            finish(near)
            told = near.tell()["steps"]["ground"]
            assert "01-tee-1 new" in told["problems"][0]
            assert "--force" in told["problems"][0]
        assert near.start_run(CARDS["ground"], {"files": ["new.geojson"]}, force=True)
        finish(near)
        assert not near.tell()["steps"]["ground"]["problems"]
        ring = [[lon - 6e-4, lat] for lon, lat in ring]
    assert {"01-tee-1", "01-green-2"} <= set(load_ground(open_survey(near.path)).surfaces["surface_id"])
    assert near.tell()["newer_ground"]
    newest, own = (client.get(path, base_url=OWN).text for path in ("/map?newest", "/map"))
    assert ("01-tee-1" in newest, "01-green-2" in newest, visit in newest) == (True, True, False)
    assert ("01-tee-1" in own, visit in own) == (False, True)
    now = load_ground(open_survey(near.path), visit).surfaces
    pd.testing.assert_series_equal(now["area_m2"], old.surfaces["area_m2"])
    answers = {"visit": "2026-09-01", "points": "12", "surfaces": "tee", "seed": "7"}
    assert near.start_run(CARDS["plan"], answers, force=False)
    finish(near)
    assert not near.tell()["steps"]["plan"]["problems"]
    assert (near.tell()["visit"], near.tell()["newer_ground"]) == ("2026-09-01", False)
    assert "01-tee-1" in client.get("/map", base_url=OWN).text


def shown_bounds(page: str) -> list[float]:
    """Return what a map's page shows at first: south, west, north, east in degrees."""
    found = re.search(r'"first_bounds":\s*(\[\[.*?\]\])', page)
    assert found
    return [edge for corner in json.loads(found[1]) for edge in corner]


def draw_aerial(path: Path, bounds: tuple[float, float, float, float]) -> None:
    """Write an invented picture of the ground."""
    west, south, east, north = bounds
    place = rasterio.Affine((east - west) / 40, 0, west, 0, (south - north) / 40, north)
    kind = {"driver": "GTiff", "width": 40, "height": 40, "count": 3, "dtype": "uint8", "crs": "EPSG:4326"}
    with rasterio.open(path, "w", transform=place, **kind) as picture:
        picture.write(np.arange(4800, dtype="uint8").reshape(3, 40, 40))


def test_the_bench_has_the_extraction_and_containers_of_the_sheets_or_of_the_design(counts_survey: Survey) -> None:
    path = str(counts_survey.path)
    told = [jobs.list_bench(path, "", *asked) for asked in (("", ""), ("heat", "3"))]
    plain, heat = (pd.DataFrame(one["rows"], columns=one["columns"]) for one in told)
    assert (set(plain["method"]), set(heat["method"])) == ({"brine"}, {"heat"})
    assert heat["batch"].value_counts().max() == 3 < plain["batch"].value_counts().max()
    assert told[0]["name"].endswith(plain["design_code"].iloc[0])


@pytest.mark.slow
def test_a_change_by_a_program_that_marks_no_layer_is_seen_too(counts_survey: Survey) -> None:
    path = str(counts_survey.path)
    before = jobs.describe(path, "")["codes"]
    assert jobs.describe(path, "")["codes"] == before
    with contextlib.closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE visits SET seed = seed + 1")
    after = jobs.describe(path, "")["codes"]
    assert {step for step, code in before.items() if code != after[step]} == {"plan"}


@pytest.mark.slow
def test_a_draft_of_zones_reads_the_survey_again_only_where_it_changed(small_ground: Ground, tmp_path: Path) -> None:
    file = open_survey(tmp_path / "course.gpkg")
    save_ground(file, small_ground)
    with file.change() as change:
        change.put("visits", fill_rows("visits", visit=["May"], date=["2026-05-04"]))
    for size in (30, 12):
        save_density(file, make_map(small_ground, patch(-50, -130, size)))
        words = ["treat", str(file.path), "--threshold", "30/ft2", "--out", "x"]
        first, again = (jobs.try_zones(words) for _ in range(2))
        assert first == again
        own = suggest_zones(
            make_map(small_ground, patch(-50, -130, size)), small_ground, threshold_per_m2=30 / 0.09290304
        )
        assert [zone["properties"]["zone_id"] for zone in first["zones"]["features"]] == list(own.zones["zone_id"])
        assert first["said"][0].startswith("Treat ")
        assert len(jobs._EVIDENCE) == 1


def children_of(process: int) -> list[int]:
    """Return the processes that a process started, and theirs."""
    found = []
    for place in Path("/proc").glob("[0-9]*/stat"):
        try:
            own, _, rest = place.read_text().rpartition(")")
        except OSError:
            continue
        if int(rest.split()[1]) == process:
            found += [int(own.split()[0]), *children_of(int(own.split()[0]))]
    return found


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    folder = tmp_path_factory.mktemp("desk")
    (folder / "dropped").mkdir()
    shutil.copy(Path(__file__).resolve().parents[1] / "layers" / "course.geojson", folder / "dropped")
    process, port, door = start_desk(folder)
    assert process.stderr
    one = Served(process, port, folder, door)
    one.enter()
    yield one
    process.kill()
    process.wait()
    process.stderr.close()


@pytest.mark.slow
def test_the_job_at_the_desk_gives_what_the_commands_give(served: Served) -> None:
    from geosample.cli import main
    from geosample.survey import open_survey

    ground = served.run("ground", files=["course.geojson"], collar="30in")
    assert ground["state"] == "done", ground
    assert ground["said"][0].startswith("9 holes, 52 surfaces")
    plan = {"visit": "2026-05-04", "points": "30", "holes": "3", "seed": "7"}
    draft = json.loads(served.ask("POST", "/draft", {"step": "plan", "answers": plan})[1])
    assert served.state()["steps"]["plan"]["state"] == "ready"
    planned = served.run("plan", **plan)
    assert planned["state"] == "done", json.dumps(planned)
    kept = open_survey(served.folder / "course.gpkg").read("points")
    assert [point["point_id"] for point in draft["points"]] == list(kept["point_id"])
    other = served.folder.with_name("typed") / "course.gpkg"
    other.parent.mkdir()
    layers = str(served.folder / "dropped" / "course.geojson")
    for words in (
        ["ground", str(other), layers, "--collar", "30in"],
        ["design", str(other), "--visit", "2026-05-04", "--points", "30", "--holes", "3", "--seed", "7"],
    ):
        main(words, standalone_mode=False)
    for layer in ("surfaces", "points", "visits"):
        assert open_survey(other).read(layer).equals(open_survey(served.folder / "course.gpkg").read(layer)), layer


@pytest.mark.slow
def test_counts_typed_at_the_desk_are_on_disk_value_by_value(served: Served) -> None:
    sheet = json.loads(served.ask("GET", "/bench")[1])
    first, second, third, *_ = sheet["rows"]
    for row, column, value in ((first, "L3", "4"), (second, "none_found", "yes"), (third, "status", "lost")):
        asked = {"sample_id": row["sample_id"], "column": column, "value": value}
        assert json.loads(served.ask("POST", "/bench", asked)[1])["kept"]
        assert value in (served.folder / "dropped" / sheet["file"]).read_text("utf-8-sig")
    for column, value in (("L3", "-1"), ("L3", "=1+1"), ("status", "gone"), ("note", "x"), ("visit", "1")):
        asked = {"sample_id": first["sample_id"], "column": column, "value": value}
        assert not json.loads(served.ask("POST", "/bench", asked)[1])["kept"]
    taken = served.run("counts", files=[sheet["file"]])
    assert taken["said"][0] == "Visit 2026-05-04: 4 insects in 1 of 2 counted bags; 1 lost.", taken


@pytest.mark.slow
def test_a_step_that_replaced_something_is_undone_once_and_what_rests_on_it_is_told(served: Served) -> None:
    before = served.state()["steps"]["ground"]["said"]
    again = served.run("ground", files=["course.geojson"], collar="36in")
    assert any("--force" in line for line in again["problems"]), again
    served.ask(
        "POST", "/run", {"step": "ground", "answers": {"files": ["course.geojson"], "collar": "36in"}, "force": True}
    )
    state = served.wait()
    assert state["steps"]["ground"]["said"] != before
    assert state["steps"]["plan"]["state"] == "stale"
    assert json.loads(served.ask("POST", "/undo", {"step": "ground"})[1])["words"].startswith("Undone")
    assert not served.state()["steps"]["ground"]["undo"]
    assert served.state()["steps"]["plan"]["state"] != "stale"


@pytest.mark.slow
def test_what_a_job_refuses_is_told_by_the_names_of_its_command(served: Served) -> None:
    (served.folder / "dropped").mkdir(exist_ok=True)
    Image.new("RGB", (40, 30), "white").save(served.folder / "dropped" / "plain.png")
    body = {"aerial": "plain.png", "aerial-pairs": "1,1=-73.9,41.5"}
    status, told, _ = served.ask("POST", "/under", body)
    assert status == 409
    words = json.loads(told)["words"]
    assert words.startswith("--aerial-pairs: found 1 pair")
    assert "aerial_pairs" not in words


@pytest.mark.slow
def test_a_killed_stage_is_told_and_leaves_the_survey_as_it_was(served: Served) -> None:
    from geosample.survey import open_survey

    before = open_survey(served.folder / "course.gpkg").read("visits")
    answers = {"visit": "2026-06-01", "points": "240"}
    served.ask("POST", "/run", {"step": "plan", "answers": answers})
    served.ask("POST", "/cancel", {})
    state = served.wait()
    assert state["steps"]["plan"]["problems"][0].startswith("Cancelled")
    assert open_survey(served.folder / "course.gpkg").read("visits").equals(before)
    served.ask("POST", "/run", {"step": "plan", "answers": answers})
    while len(started := children_of(served.process.pid)) < 2:  # the worker, and what watches over its memory
        time.sleep(0.02)
    for child in started:
        os.kill(child, signal.SIGKILL)
    assert any("nothing is lost" in line for line in served.wait()["steps"]["plan"]["problems"])
    assert open_survey(served.folder / "course.gpkg").read("visits").equals(before)


@pytest.mark.slow
def test_a_hundred_requests_at_once_are_answered_and_closing_leaves_no_process(served: Served) -> None:
    with ThreadPoolExecutor(100) as pool:
        states = list(pool.map(lambda _: served.ask("GET", "/state")[0], range(100)))
    assert states == [200] * 100
    children = children_of(served.process.pid)
    assert children
    with contextlib.closing(socket.create_connection(("127.0.0.1", served.port))) as line:  # a browser keeps its own
        line.sendall(f"GET /own/desk.css HTTP/1.1\r\nHost: 127.0.0.1:{served.port}\r\n\r\n".encode())
        assert line.recv(12).startswith(b"HTTP/1.1 ")
        assert served.ask("POST", "/close", {})[0] == 200
        served.process.wait(timeout=2)
    assert not [child for child in children if Path(f"/proc/{child}").exists() and "Z" not in _state_of(child)]
    assert served.process.returncode == 0


def _state_of(process: int) -> str:
    return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0]
