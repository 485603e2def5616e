"""Many courses: failures are named, the finished skipped, a real Dask cluster does the same, one file sums up."""

from __future__ import annotations

import importlib
import json
import multiprocessing
import os
import re
import shutil
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from multiprocessing.process import BaseProcess
from pathlib import Path

import distributed
import duckdb
import geopandas as gpd
import pytest
from click.testing import CliRunner, Result
from fill_blank import fill_blank

from geosample.batch import RECORD, BatchPlan, BatchStep, find_surveys, read_plan, run_batch
from geosample.cli import main
from geosample.design import load_design
from geosample.errors import GeosampleError
from geosample.ground import load_ground
from geosample.survey import open_survey

ROOT = Path(__file__).resolve().parents[1]
PLAN = """
[[stage]]
command = "counts"
files = ["{course}.csv"]

[[stage]]
command = "estimate"
threshold = "30/ft2"
csv = "{out}/estimates.csv"
"""


def run(*words: str) -> Result:
    return CliRunner().invoke(main, list(words))


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with two courses that are designed and whose counts are back."""
    folder = tmp_path_factory.mktemp("made")
    survey = folder / "north.gpkg"
    course = str(ROOT / "layers" / "course.geojson")
    assert run("ground", str(survey), course, "--collar", "30in").exit_code == 0
    design = ["--visit", "2026-05-04", "--points", "24", "--holes", "1-2", "--surfaces", "green,collar", "--seed", "7"]
    assert run("design", str(survey), *design).exit_code == 0
    assert run("sheets", str(survey), "--out", str(folder / "sheets")).exit_code == 0
    file = open_survey(survey)
    fill_blank(
        folder / "sheets" / "blank_counts.csv", load_design(file), load_ground(file), folder / "north.csv", seed=3
    )
    shutil.rmtree(folder / "sheets")
    for suffix in (".gpkg", ".csv"):
        shutil.copy(folder / f"north{suffix}", folder / f"süd{suffix}")
    (folder / "plan.toml").write_text(PLAN, encoding="utf-8")
    return folder


@pytest.fixture
def courses(made: Path, tmp_path: Path) -> Path:
    folder = tmp_path / "courses"
    shutil.copytree(made, folder)
    return folder


def batch(folder: Path, *more: str) -> tuple[Result, dict[str, dict[str, str]]]:
    result = run("batch", str(folder), "--plan", str(folder / "plan.toml"), "--json", *more)
    rows = json.loads(result.stdout)["courses"] if result.stdout.startswith("{") else []
    return result, {row["course"]: row for row in rows}


@pytest.mark.slow
def test_a_course_that_fails_is_named_and_does_not_stop_the_others(courses: Path) -> None:
    shutil.copy(courses / "north.gpkg", courses / "middle.gpkg")
    (courses / "middle.csv").write_text("point_id,adults\nP001,minus two\n", encoding="utf-8")
    (courses / "broken.gpkg").write_bytes(b"no survey file")
    result, rows = batch(courses)
    assert result.exit_code == 1
    assert {name: row["state"] for name, row in rows.items()} == {
        "broken": "failed",
        "middle": "failed",
        "north": "done",
        "süd": "done",
    }
    assert rows["middle"]["stage"] == "counts"
    assert "middle.csv" in rows["middle"]["said"]
    for name in ("north", "süd"):
        assert (courses / "batch" / name / "estimates.csv").stat().st_size > 0
        assert len(open_survey(courses / f"{name}.gpkg").read("estimates")) > 0


@pytest.mark.slow
def test_a_second_run_skips_the_finished_and_goes_on_with_the_mended(courses: Path) -> None:
    shutil.move(courses / "süd.csv", courses / "away.csv")
    assert batch(courses)[1]["süd"]["state"] == "failed"
    shutil.move(courses / "away.csv", courses / "süd.csv")
    result, rows = batch(courses)
    assert result.exit_code == 0, result.output
    assert {name: row["state"] for name, row in rows.items()} == {"north": "as before", "süd": "done"}
    os.utime(courses / "north.gpkg")
    assert batch(courses)[1]["north"]["state"] == "done"
    assert batch(courses, "--again")[1]["süd"]["state"] == "done"


@pytest.mark.slow
def test_a_batch_stopped_midway_goes_on_at_the_stage_it_had_reached(courses: Path) -> None:
    (courses / "süd.gpkg").unlink()
    first = read_plan(courses / "plan.toml")
    broken = BatchPlan((first.steps[0], BatchStep("estimate", {"threshold": "30 bananas"})))
    [outcome] = run_batch(courses, broken, out=courses / "batch")
    assert (outcome.state, outcome.stage) == ("failed", "estimate")
    (courses / "north.csv").unlink()  # the first stage could not run again, and must not need to
    record = courses / "batch" / "north" / RECORD
    said = json.loads(record.read_text(encoding="utf-8"))
    assert said["done"] == 1
    record.write_text(json.dumps(said | {"plan": first.code}), encoding="utf-8")
    [outcome] = run_batch(courses, first, out=courses / "batch")
    assert outcome.state == "done"


def test_a_plan_says_all_that_is_wrong_with_it_at_once(tmp_path: Path) -> None:
    file = tmp_path / "plan.toml"
    file.write_text('[[stage]]\ncommand = "demo"\n[[stage]]\ncommand = "counts"\nfiles = "a.csv"\n[more]\n')
    with pytest.raises(GeosampleError) as error:
        read_plan(file)
    assert [problem.where.removeprefix(str(file)) for problem in error.value.problems] == ["", ", stage 1", ", stage 2"]
    for text in ("", "stage = 3", "[[stage]\n"):
        file.write_text(text)
        with pytest.raises(GeosampleError):
            read_plan(file)


@pytest.mark.parametrize("option", ["help = true", 'treshold = "30/ft2"'])
def test_an_option_no_command_has_is_refused_before_a_course_is_run(courses: Path, option: str) -> None:
    (courses / "plan.toml").write_text(f'[[stage]]\ncommand = "estimate"\n{option}\n', encoding="utf-8")
    result, rows = batch(courses)
    assert result.exit_code == 1
    assert "stage 1, estimate: found an option" in result.stderr
    assert "threshold" in result.stderr
    assert not rows
    assert not (courses / "batch").exists()


@pytest.mark.slow
def test_a_region_leaves_out_the_course_that_failed_and_never_a_survey_s_place(courses: Path) -> None:
    (courses / "broken.gpkg").write_bytes(b"no survey file")
    result, _ = batch(courses, "--region", str(courses / "region.parquet"))
    assert result.exit_code == 1
    assert sorted(set(gpd.read_parquet(courses / "region.parquet")["course"])) == ["north", "süd"]
    before = (courses / "north.gpkg").read_bytes()
    refused, _ = batch(courses, "--region", str(courses / "north.gpkg"))
    assert "a file ending in .parquet" in refused.stderr
    assert (courses / "north.gpkg").read_bytes() == before


def test_a_folder_without_surveys_is_told_of(tmp_path: Path) -> None:
    with pytest.raises(GeosampleError, match="no survey files"):
        find_surveys(tmp_path)
    (tmp_path / "plan.toml").write_text('[[stage]]\ncommand = "estimate"\n', encoding="utf-8")
    refused, _ = batch(tmp_path)
    assert refused.exit_code == 1
    assert sorted(path.name for path in tmp_path.iterdir()) == ["plan.toml"]


def free_port() -> int:
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


@dataclass(frozen=True)
class Cluster:
    """A Dask scheduler and two workers, each a process of its own, as an adviser would start them on machines."""

    address: str
    scheduler: BaseProcess
    workers: list[BaseProcess]


FORKS = multiprocessing.get_context("forkserver")
FORKS.set_forkserver_preload(["distributed.cli.dask_scheduler", "distributed.cli.dask_worker", "geosample.cli"])
"""One process loads the libraries, for seconds of a core, and every process of a cluster is forked from it."""


def run_dask(name: str, words: list[str], log: Path) -> None:
    """Be one of Dask's own programs."""
    with log.open("ab") as file:
        for stream in (1, 2):
            os.dup2(file.fileno(), stream)
    importlib.import_module(f"distributed.cli.{name}").main(words)


@contextmanager
def start_cluster(folder: Path) -> Iterator[Cluster]:
    """Start a cluster, and end every process of it whatever happens meanwhile."""
    address = f"tcp://127.0.0.1:{free_port()}"
    port = address.rsplit(":", 1)[1]
    with ExitStack() as stack:

        def start(name: str, *words: str) -> BaseProcess:
            process = FORKS.Process(target=run_dask, args=(name, [*words, "--no-dashboard"], folder / "dask.log"))
            process.start()
            stack.callback(process.join, timeout=30)
            stack.callback(process.kill)
            return process

        scheduler = start("dask_scheduler", "--host", "127.0.0.1", "--port", port)
        # Without a nanny a worker is one process, and stays dead when it is killed.
        workers = [start("dask_worker", address, "--no-nanny", "--nthreads", "1") for _ in range(2)]
        yield Cluster(address, scheduler, workers)


@pytest.fixture
def cluster(tmp_path: Path) -> Iterator[Cluster]:
    with start_cluster(tmp_path) as running:
        with distributed.Client(running.address, timeout="120s", set_as_default=False) as client:
            client.wait_for_workers(2, timeout=120)
        yield running


def test_every_process_of_a_cluster_ends_also_when_a_test_fails(tmp_path: Path) -> None:
    with pytest.raises(ZeroDivisionError), start_cluster(tmp_path) as running:
        assert [one.exitcode for one in (running.scheduler, *running.workers)] == [None] * 3
        raise ZeroDivisionError
    assert None not in [one.exitcode for one in (running.scheduler, *running.workers)]


def run_until_first(courses: Path, cluster: Cluster, victim: BaseProcess) -> tuple[int, str, str]:
    """Run a batch on the cluster as a user does, kill a process when the first course is in; return what was said."""
    words = ["batch", str(courses), "--plan", str(courses / "plan.toml"), "--scheduler", cluster.address]
    line = [sys.executable, "-c", "from geosample.cli import main; main()", *words]
    with subprocess.Popen(line, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, encoding="utf-8") as batch:
        try:
            assert batch.stderr is not None
            first = batch.stderr.readline()
            assert first.startswith("1/5 "), first
            victim.kill()
            said, talk = batch.communicate(timeout=600)
        finally:
            batch.kill()
    return batch.returncode, said, first + talk


@pytest.fixture
def many(courses: Path) -> Path:
    for number in range(3):
        for suffix in (".gpkg", ".csv"):
            shutil.copy(courses / f"north{suffix}", courses / f"more{number}{suffix}")
    return courses


@pytest.mark.slow
def test_a_killed_scheduler_leaves_words_and_whole_surveys_and_the_next_run_goes_on(
    many: Path, cluster: Cluster
) -> None:
    code, said, talk = run_until_first(many, cluster, cluster.scheduler)
    assert code == 1, talk
    assert "Traceback" not in said + talk
    assert len(talk.splitlines()) < 9  # a line a course that came back, none of the library's
    assert f"stopped early: the Dask scheduler at {cluster.address} was lost" in said
    assert "run the same command again" in said
    told = {line.split(": ")[0]: line.split(": ")[1].split(", ") for line in said.splitlines() if ": " in line}
    names = [path.stem for path in find_surveys(many)]
    assert sorted(told["done"] + told["not finished"]) == names, said + talk
    assert len(told["done"]) >= 1
    assert len(told["not finished"]) >= 1
    for worker in cluster.workers:  # what a worker had in hand when the scheduler went, it may still finish
        worker.kill()
        worker.join(timeout=30)
    result, rows = batch(many)
    assert result.exit_code == 0, result.output
    assert {rows[name]["state"] for name in told["done"]} == {"as before"}
    assert {row["state"] for row in rows.values()} == {"as before", "done"}
    assert all(len(open_survey(path).read("estimates")) for path in find_surveys(many))


@pytest.mark.slow
def test_a_killed_worker_is_survived(many: Path, cluster: Cluster) -> None:
    code, said, talk = run_until_first(many, cluster, cluster.workers[0])
    assert code == 0, said + talk
    assert "5 courses, 0 failed" in said
    assert "Traceback" not in said + talk


# Dask's own client warns of what it meets when a loop closes; that is not ours to mend.
@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")
def test_a_dask_cluster_does_the_same_work(courses: Path, cluster: Cluster) -> None:
    (courses / "broken.gpkg").write_bytes(b"no survey file")
    result, rows = batch(courses, "--scheduler", cluster.address)
    assert {name: row["state"] for name, row in rows.items()} == {"broken": "failed", "north": "done", "süd": "done"}
    assert result.exit_code == 1
    here = courses.parent / "here"
    shutil.copytree(courses, here)
    shutil.rmtree(here / "batch")
    assert batch(here, "--again")[1]["north"]["state"] == "done"
    same = ["domain", "label", "stage", "n", "mean_per_m2", "low_per_m2", "high_per_m2"]
    frames = [open_survey(folder / "north.gpkg").read("estimates")[same] for folder in (courses, here)]
    assert frames[0].equals(frames[1])


@pytest.mark.filterwarnings("ignore")
def test_no_scheduler_at_that_address_is_said_after_one_look_of_ten_seconds(
    courses: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    looks: list[str] = []
    look = distributed.Client

    def look_briefly(*words: object, timeout: str, **more: object) -> object:
        looks.append(timeout)
        return look(*words, timeout="0.3s", **more)

    monkeypatch.setattr(distributed, "Client", look_briefly)
    result, _ = batch(courses, "--scheduler", f"tcp://127.0.0.1:{free_port()}")
    assert result.exit_code == 1
    assert "--scheduler" in result.output
    assert looks == ["10s"]


def readme_query() -> str:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    [query] = re.findall(r"```sql\n(.*?)```", text, flags=re.DOTALL)
    return str(query)


@pytest.mark.slow
def test_duckdb_reads_a_regions_estimates_as_the_readme_shows(courses: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    result, _ = batch(courses, "--region", str(courses / "region.parquet"))
    assert result.exit_code == 0, result.output
    monkeypatch.chdir(courses)
    found = duckdb.sql(readme_query()).fetchall()
    region = gpd.read_parquet(courses / "region.parquet")
    assert region.crs == "EPSG:4326"
    means = open_survey(courses / "north.gpkg").read("estimates")
    [mean] = means.loc[
        (means["domain"] == "kind") & (means["label"] == "green") & (means["stage"] == "all"), "mean_per_m2"
    ]
    assert {(row[0], round(row[2] / mean, 9)) for row in found} == {("north", 1.0), ("süd", 1.0)}
    west, south, east, north = region.total_bounds
    far = readme_query().replace("-180", str(east + 1))
    assert duckdb.sql(far).fetchall() == []
    assert west < east
    assert south < north


@pytest.mark.slow
def test_a_region_without_estimates_says_what_is_missing(courses: Path) -> None:
    (courses / "plan.toml").write_text('[[stage]]\ncommand = "counts"\nfiles = ["{course}.csv"]\n')
    result, _ = batch(courses, "--region", str(courses / "region.parquet"))
    assert result.exit_code == 1
    assert "no estimates" in result.output
    assert not (courses / "region.parquet").exists()
