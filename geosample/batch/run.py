"""Running a plan over many survey files with joblib: here, one process a core, or on a Dask cluster."""

from __future__ import annotations

import contextlib
import gc
import io
import json
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click
import joblib
from joblib.externals.loky.process_executor import TerminatedWorkerError

from geosample.batch.plan import Plan
from geosample.errors import GeosampleError, Problem
from geosample.saving import save_file

RECORD = "batch_done.json"
STOPPED = "a process was stopped from outside (short of memory?); run the batch again, perhaps with --jobs 1"
_TURN = threading.Lock()
"""Capturing what a command prints is one for a process; a Dask worker with several threads takes courses in turn."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one course.

    Parameters
    ----------
    course : str
        The survey file's name without its ending.
    state : str
        ``done``, ``failed``, or ``as before`` when a finished run of the same plan was found.
    stage : str
        The command that failed; empty otherwise.
    said : str
        What that command said; empty otherwise.
    seconds : float
        How long it took.
    """

    course: str
    state: str
    stage: str
    said: str
    seconds: float


@dataclass(frozen=True, slots=True)
class Workers:
    """Who does the work: so many processes here (-1 is one a core), or the workers of a Dask scheduler's address."""

    jobs: int = -1
    scheduler: str | None = None


def find_surveys(folder: Path) -> list[Path]:
    """Return the survey files of a folder, by name.

    Raises
    ------
    GeosampleError
        When it is no folder or holds none.
    """
    found = sorted(path for path in folder.glob("*.gpkg") if not path.name.startswith("."))
    if not found:
        problem = Problem(str(folder), "no survey files", "files ending in .gpkg", "name the folder they are in")
        raise GeosampleError(problem)
    return found


def run_batch(
    folder: Path,
    plan: Plan,
    *,
    out: Path,
    workers: Workers | None = None,
    again: bool = False,
    tell: Callable[[Outcome, int, int], None] = lambda *_: None,
) -> list[Outcome]:
    """Run the plan on every survey file of a folder and return what became of each, by name.

    Parameters
    ----------
    folder : Path
        Where the survey files are.
    plan : Plan
        The commands to run on each.
    out : Path
        Where each course gets a folder for what is made, and for the record by which a later run skips it.
    workers : Workers, optional
        One process a core here when not given. Dask's workers must see the same folders.
    again : bool
        Run every stage again, also of courses that are finished.
    tell : callable
        Called with each outcome as it comes, how many are in, and how many there are.

    Raises
    ------
    GeosampleError
        When the folder holds no survey, or the scheduler can't be had. A course that fails is an outcome, not an error.
    """
    surveys = find_surveys(folder)
    run = joblib.delayed(run_course)
    tasks = [run(path.resolve(), plan, (out / path.stem).resolve(), again) for path in surveys]
    outcomes: list[Outcome] = []
    with _open_workers(workers or Workers()) as parallel, contextlib.suppress(TerminatedWorkerError):
        for outcome in parallel(tasks):
            outcomes.append(outcome)
            tell(outcome, len(outcomes), len(surveys))
    back = {outcome.course for outcome in outcomes}
    outcomes += [Outcome(path.stem, "failed", "", STOPPED, 0.0) for path in surveys if path.stem not in back]
    return sorted(outcomes, key=lambda outcome: outcome.course)


@contextmanager
def _open_workers(workers: Workers) -> Iterator[joblib.Parallel]:
    if workers.scheduler is None:
        # One thread each: the courses share the cores, the algebra inside them need not.
        with joblib.parallel_config("loky", inner_max_num_threads=1):
            yield joblib.Parallel(n_jobs=workers.jobs, return_as="generator_unordered")
        return
    try:
        from distributed import Client
    except ImportError as error:
        problem = Problem("--scheduler", "no Dask here", "the extra 'cluster'", "pip install 'geosample[cluster]'")
        raise GeosampleError(problem) from error
    try:
        client = Client(  # type: ignore[no-untyped-call]
            workers.scheduler, timeout="10s", set_as_default=True
        )
    except (OSError, ValueError) as error:
        problem = Problem(
            "--scheduler", f"no scheduler at {workers.scheduler} ({error})", "its address", "such as tcp://host:8786"
        )
        raise GeosampleError(problem) from error
    with client, joblib.parallel_config("dask", wait_for_workers_timeout=30):
        # Dask's backend hands results back all at once.
        yield joblib.Parallel(n_jobs=-1)


def run_course(survey: Path, plan: Plan, out: Path, again: bool = False) -> Outcome:
    """Run what is left of the plan on one survey file.

    A course that stopped goes on at the stage where it stopped; one that is finished is left alone unless its file
    has changed since.
    """
    with _TURN:
        started = time.perf_counter()
        first = 0 if again else _count_done(survey, plan, out)
        if first == len(plan.steps):
            return Outcome(survey.stem, "as before", "", "", 0.0)
        stage, said = _run_steps(survey, plan, out, first)
    return Outcome(survey.stem, "failed" if said else "done", stage, said, time.perf_counter() - started)


def _run_steps(survey: Path, plan: Plan, out: Path, first: int) -> tuple[str, str]:
    """Run the plan from a stage on; return the stage that failed and what it said, or twice nothing."""
    for number, step in enumerate(plan.steps[first:], first + 1):
        said = run_command(step.words(survey, out)) or _note_done(survey, plan, out, number)
        if said:
            return step.command, said
    return "", ""


def run_command(words: Sequence[str]) -> str | None:
    """Run one command in this process; return None when it went well, or what it said when it did not."""
    from geosample.cli import main

    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        gc.collect()  # commands run without the collector, and this process runs many
        try:
            code = main.main(list(words), standalone_mode=False, prog_name="geosample")
        except click.ClickException as error:
            return error.format_message()
        except Exception as error:  # one course's fault, whatever it is, must not stop the others
            return f"{type(error).__name__}: {error}"
    return None if not code else err.getvalue().strip().removeprefix("geosample: ") or f"exit {code}"


def _stamp(survey: Path) -> list[int]:
    state = survey.stat()
    return [state.st_size, state.st_mtime_ns]


def _count_done(survey: Path, plan: Plan, out: Path) -> int:
    """Return how many stages of this plan are done; none when the file was changed after all were."""
    try:
        record: dict[str, Any] = json.loads((out / RECORD).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return 0
    if record.get("plan") != plan.code:
        return 0
    done = int(record.get("done", 0))
    return 0 if done == len(plan.steps) and record.get("survey") != _stamp(survey) else done


def _note_done(survey: Path, plan: Plan, out: Path, done: int) -> str | None:
    record = {"plan": plan.code, "done": done, "survey": _stamp(survey)}
    try:
        save_file(out / RECORD, json.dumps(record).encode("utf-8"))
    except GeosampleError as error:
        return str(error)
    return None
