"""The demo: the whole job by its commands, its files listed, and every page honest about invented counts."""

from __future__ import annotations

import json
import os
import re
import resource
import shutil
import subprocess
import sys
from functools import partial
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pymupdf
import pytest
import rasterio
from click.testing import CliRunner

from geosample.cli import main
from geosample.demo import VISIT, find_course, plan_commands
from geosample.design import load_design
from geosample.survey import open_survey
from geosample.treat import load_zones
from geosample.words import SIMULATED

SAMPLES = Path(__file__).resolve().parents[1] / "sample_maps"
SMALL_BYTES = 104_000


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo") / "out"
    run = CliRunner().invoke(main, ["demo", "--out", str(folder), "--json"])
    assert run.exit_code == 0, run.output
    listed = json.loads(run.stdout)["files"]
    assert all(Path(row["path"]).stat().st_size > 0 for row in listed)
    assert {Path(row["path"]).suffix for row in listed} == {".gpkg", ".pdf", ".gpx", ".csv", ".tif", ".html"}
    # A line a stage, with its seconds and what it found, on stderr.
    assert [line.split(" (")[0] for line in run.stderr.splitlines() if not line.startswith("  ")] == [
        "ground", "design", "sheets", "counts", "estimate", "density", "treat", "map",
    ]  # fmt: skip
    assert len(run.stderr.splitlines()) <= 20
    assert not re.search(r"\S  +\S", run.stderr), "a table's line in a sentence"
    return folder


def pdf_pages(path: Path) -> list[str]:
    with pymupdf.open(path) as pdf:
        return [" ".join(page.get_text().split()) for page in pdf]


def test_the_page_and_the_plan_say_first_of_all_that_the_counts_are_simulated(demo: Path) -> None:
    page = (demo / "map.html").read_text(encoding="utf-8")
    assert "Invented course, simulated counts" in page
    pages = pdf_pages(demo / "treatment_plan.pdf")
    assert SIMULATED in pages[0]
    assert all("Simulated counts." in page for page in pages)


def test_the_tables_and_the_raster_say_so_too(demo: Path) -> None:
    survey = open_survey(demo / "invented_course.gpkg")
    assert survey.need("estimates")["method"].str.endswith("; simulated counts").all()
    assert "simulated counts" in (demo / "estimates.csv").read_text(encoding="utf-8")
    assert load_zones(survey).simulated is True
    for name in ("zones.csv", "zones.geojson"):
        assert gpd.read_file(demo / name)["simulated"].astype(str).eq("True").all()
    for name in ("zones.kml", "zones.gpx"):
        assert "Simulated counts." in (demo / name).read_text(encoding="utf-8")
    with rasterio.open(demo / "density.tif") as raster:
        assert "simulated" in raster.tags()["data"]
    assert load_design(survey).visit.simulated is True


def test_cautions_stand_where_treatment_is_suggested(demo: Path) -> None:
    assert "The product label is the law" in pdf_pages(demo / "treatment_plan.pdf")[0]
    assert "The product label is the law" in (demo / "map.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("table", "keys"), [("estimates.csv", ["domain", "label", "stage"]), ("zones.csv", ["zone_id"])]
)
def test_the_sample_maps_are_what_the_demo_makes(demo: Path, table: str, keys: list[str]) -> None:
    made, kept = (pd.read_csv(folder / table).set_index(keys) for folder in (demo, SAMPLES))
    assert list(made.columns) == list(kept.columns)
    assert set(made.index) == set(kept.index)
    numbers = [name for name in kept.columns if pd.api.types.is_float_dtype(kept[name])]
    # Another version of an optimiser may move a fitted digit, not the picture.
    pd.testing.assert_frame_equal(made.loc[kept.index, numbers], kept[numbers], rtol=0.02, atol=1e-6)


def test_the_demo_can_be_played_again_but_never_over_someones_survey(demo: Path, tmp_path: Path) -> None:
    folder = Path(shutil.copytree(demo, tmp_path / "mine"))
    survey = folder / "invented_course.gpkg"
    words = next(words for words in plan_commands(survey, folder) if words[0] == "design")
    words[words.index(VISIT)] = "2026-06-08"
    assert CliRunner().invoke(main, words).exit_code == 0
    run = CliRunner().invoke(main, ["demo", "--out", str(folder)])
    assert run.exit_code == 1
    assert "visits of your own" in run.output
    assert len(open_survey(survey).need("visits")) == 2


def test_a_folder_that_is_a_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("mine")
    run = CliRunner().invoke(main, ["demo", "--out", str(tmp_path / "taken" / "out")])
    assert run.exit_code in {1, 2}
    assert "Traceback" not in run.output
    assert (tmp_path / "taken").read_text() == "mine"


def test_the_course_is_marked_as_invented() -> None:
    course = json.loads(find_course().read_text(encoding="utf-8"))
    assert "invented" in course["name"]
    assert {feature["properties"]["source"] for feature in course["features"]} == {"invented for the demo"}


def run_stage(survey: Path, *words: str) -> subprocess.Popen[str]:
    program = [sys.executable, "-c", "from geosample.cli import main; main()", words[0], str(survey), *words[1:]]
    return subprocess.Popen(program, cwd=survey.parent, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def test_two_people_at_once_lose_nothing_of_each_other(demo: Path, tmp_path: Path) -> None:
    survey = tmp_path / "shared course.gpkg"
    shutil.copy(demo / "invented_course.gpkg", survey)
    asked = [
        ("design", "--visit", "2026-07-01", "--points", "12", "--holes", "1"),
        ("design", "--visit", "2026-07-02", "--points", "12", "--holes", "2"),
        ("estimate", "--visit", VISIT),
        ("treat", "--visit", VISIT, "--threshold", "40/ft2", "--out", "plan"),
    ]
    at_once = [run_stage(survey, *words) for words in asked]
    said = [one.communicate(timeout=120) for one in at_once]
    assert [one.returncode for one in at_once] == [0, 0, 0, 0], said
    file = open_survey(survey)
    assert set(file.need("visits")["visit"]) == {VISIT, "2026-07-01", "2026-07-02"}
    assert len(file.need("points", visit="2026-07-01")) >= 12
    assert len(file.need("points", visit="2026-07-02")) >= 12
    assert len(file.need("estimates", visit=VISIT)) > 0
    assert set(file.need("zones")["threshold_per_m2"].round(3)) == {round(40 / 0.09290304, 3)}


def test_names_in_any_script_work_through_the_chain(demo: Path, tmp_path: Path) -> None:
    folder = tmp_path / "Поле 漢字 🌱 'ü'"
    folder.mkdir()
    survey, out = folder / "كورس 골프.gpkg", folder / "выход λ"
    shutil.copy(demo / "invented_course.gpkg", survey)
    stages = {"ground", "sheets", "density", "treat", "map"}
    commands = [[*words] for words in plan_commands(survey, out) if words[0] in stages]
    commands[0][commands[0].index("--name") + 1] = survey.stem
    for words in commands:
        # Coarser cells than the demo's 1 m: the names are what is tried.
        done = CliRunner().invoke(main, ["4m" if word == "1m" else word for word in words])
        assert done.exit_code == 0, done.output
    made = {path.name for path in out.iterdir()}
    assert {
        "field_map.pdf",
        "density.tif",
        "zones.kml",
        "zones_shapefile.zip",
        "treatment_plan.pdf",
        "map.html",
    } <= made
    assert "كورس 골프" in (out / "map.html").read_text(encoding="utf-8")


STAGES = {
    "ground": ["new.gpkg", str(find_course())],
    "design": ["course.gpkg", "--points", "20", "--visit", "2026-06-30"],
    "sheets": ["course.gpkg", "--out", "out"],
    "estimate": ["course.gpkg", "--csv", "out/estimates.csv"],
    "density": ["course.gpkg", "--cell", "4m", "--out", "out"],
    "treat": ["course.gpkg", "--threshold", "30/ft2", "--out", "out"],
    "map": ["course.gpkg", "--out", "out/map.html"],
}
RUN_EACH = """
import json, os, sys
from click.testing import CliRunner
from geosample.cli import main
for stage, words in json.loads(sys.argv[1]).items():
    os.chdir(stage)
    run = CliRunner().invoke(main, [stage, *words])
    os.chdir("..")
    print(json.dumps([stage, run.exit_code, run.stderr, run.output, repr(run.exception)]))
"""


@pytest.fixture(scope="module", params=[4_000, SMALL_BYTES])
def full_disk(
    request: pytest.FixtureRequest, demo: Path, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Path, dict[str, list[str]]]:
    """Every stage run in a folder of its own, where no file may grow beyond some kilobytes: so a full disk looks.

    One program runs them all, as only a program can be held so; return the folders' folder, and what each stage said.
    """
    folder = tmp_path_factory.mktemp("full")
    for stage in STAGES:
        (folder / stage).mkdir()
        shutil.copy(demo / "invented_course.gpkg", folder / stage / "course.gpkg")
    done = subprocess.run(
        [sys.executable, "-c", RUN_EACH, json.dumps(STAGES)],
        cwd=folder,
        preexec_fn=partial(resource.setrlimit, resource.RLIMIT_FSIZE, (request.param, request.param)),
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1"},
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return folder, {stage: said for stage, *said in map(json.loads, done.stdout.splitlines())}


@pytest.mark.parametrize("stage", STAGES)
def test_a_full_disk_is_said_in_words_and_leaves_all_whole(
    full_disk: tuple[Path, dict[str, list[str]]], demo: Path, stage: str
) -> None:
    folder = full_disk[0] / stage
    code, talk, said, ended = full_disk[1][stage]
    assert (code, ended) == (1, "SystemExit(1)"), said
    assert "expected room and permission to" in talk, said
    survey = folder / "course.gpkg"
    assert survey.read_bytes() == (demo / "invented_course.gpkg").read_bytes()
    left = [path for path in folder.rglob("*") if path.is_file() and path != survey]
    assert not [path for path in left if path.name.startswith(".")], left
    assert all(path.stat().st_size < SMALL_BYTES for path in left)
