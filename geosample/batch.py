"""Many courses: a plan, a TOML file of commands, run on every survey file, one process a core or on a Dask cluster.

Each course keeps a record of the stages that are done, so a batch that was stopped, whatever stopped it, goes on there.
All courses' estimates become one GeoParquet, each with the ground it speaks of.
"""

from __future__ import annotations

import contextlib
import gc
import hashlib
import io
import json
import logging
import threading
import time
import tomllib
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, cast

import click
import joblib
from joblib.externals.loky.process_executor import TerminatedWorkerError

from geosample.cli import COMMANDS, load_command
from geosample.errors import GeosampleError, Problem
from geosample.files.saving import save_file
from geosample.survey import Survey, open_survey

if TYPE_CHECKING:
    import geopandas as gpd
    from distributed import Client


RECORD = "batch_done.json"
NOT_IN_A_BATCH = ("demo", "batch", "desk")
ALLOWED = tuple(name for name in COMMANDS if name not in NOT_IN_A_BATCH)
FOLDER_COMMANDS = ("sheets", "density", "treat")
"""Commands whose ``--out`` is a folder; each course gets its own."""
STOPPED = "a process was stopped from outside (short of memory? then with --jobs 1)"
KILLED = "each worker that took this course was stopped from outside (short of memory?)"
DASK_LOGGERS = ("distributed", "distributed.client", "tornado", "tornado.application", "asyncio")
_TURN = threading.Lock()
"""Capturing what a command prints is one for a process; a Dask worker with several threads takes courses in turn."""

Value = str | int | float | bool
State = Literal["done", "failed", "as before", "unfinished"]


@dataclass(frozen=True, slots=True)
class BatchStep:
    """One command of the plan.

    Parameters
    ----------
    command : str
        One of ``ALLOWED``.
    options : dict
        Option names without their dashes -> text, number, true for a flag, or a list for several.
    files : tuple of str
        Arguments after the survey file; a path that is not absolute starts at the survey file's folder.

    Notes
    -----
    In options and files ``{course}`` stands for the survey file's name without its ending, ``{folder}`` for its folder
    and ``{out}`` for where this course's files go, so that a plan means the same on every machine.
    """

    command: str
    options: dict[str, Value | list[Value]]
    files: tuple[str, ...] = ()

    def words(self, survey: Path, out: Path) -> list[str]:
        """Return the command line for one survey; what it makes goes to ``out`` unless the plan says otherwise.

        Examples
        --------
        >>> BatchStep("estimate", {"by": "kind,hole"}).words(Path("a.gpkg"), Path("out"))
        ['estimate', 'a.gpkg', '--by', 'kind,hole']
        """
        options = dict(self.options)
        if self.command in FOLDER_COMMANDS:
            options.setdefault("out", "{out}")
        if self.command == "map":
            options.setdefault("out", "{out}/map.html")
        stands_for = {"{course}": survey.stem, "{folder}": str(survey.parent), "{out}": str(out)}
        files = [str(survey.parent / _fill(name, stands_for)) for name in self.files]
        words = [_fill(word, stands_for) for word in _option_words(options)]
        return [self.command, str(survey), *files, *words]


@dataclass(frozen=True, slots=True)
class BatchPlan:
    """The commands to run on each survey, in order."""

    steps: tuple[BatchStep, ...]

    @property
    def code(self) -> str:
        """A short code of what the plan says, by which finished courses are recognised."""
        said = json.dumps([[s.command, s.options, s.files] for s in self.steps], sort_keys=True)
        return hashlib.sha256(said.encode()).hexdigest()[:12]


def read_plan(path: str | Path) -> BatchPlan:
    r"""Return a plan from its TOML file: a table ``[[stage]]`` a command.

    Raises
    ------
    GeosampleError
        With everything wrong with it: no file, no TOML, no stage, commands there are not, values that are none.

    Examples
    --------
    >>> import tempfile
    >>> file = Path(tempfile.mkdtemp()) / "plan.toml"
    >>> _ = file.write_text('[[stage]]\ncommand = "estimate"\nthreshold = "30/ft2"\n')
    >>> read_plan(file).steps[0]
    BatchStep(command='estimate', options={'threshold': '30/ft2'}, files=())
    """
    data = _load(Path(path))
    tables = data.get("stage", [])
    problems = list(_find_problems(str(path), data, tables))
    if problems:
        raise GeosampleError(problems)
    return BatchPlan(tuple(_step(table) for table in tables))


def _load(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        problem = Problem(str(path), f"'{error.strerror}'", "a plan, a TOML file", "name one with --plan")
        raise GeosampleError(problem) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        problem = Problem(str(path), f"what is no TOML ({error})", "a plan, a TOML file", "mend it there")
        raise GeosampleError(problem) from error


def _find_problems(where: str, data: dict[str, Any], tables: Any) -> Iterator[Problem]:
    others = [name for name in data if name != "stage"]
    if others:
        yield Problem(where, f"tables {', '.join(others)}", "tables [[stage]] only", "rename or remove them")
    if not isinstance(tables, list) or not tables or not all(isinstance(table, dict) for table in tables):
        yield Problem(
            where, "no stage", "a table [[stage]] for each command", 'write [[stage]] and command = "estimate"'
        )
        return
    for number, table in enumerate(tables, 1):
        yield from _table_problems(f"{where}, stage {number}", table)


def _table_problems(where: str, table: dict[str, Any]) -> Iterator[Problem]:
    command = table.get("command")
    if command not in ALLOWED:
        yield Problem(where, f"command {command!r}", f"one of: {', '.join(ALLOWED)}", "name one of them")
    else:
        yield from _option_problems(where, str(command), table)
    files = table.get("files", [])
    if not isinstance(files, list) or not all(isinstance(name, str) for name in files):
        yield Problem(where, f"files = {files!r}", "a list of file names", 'write files = ["{course}.csv"]')
    for name, value in table.items():
        parts = value if isinstance(value, list) else [value]
        if not all(isinstance(part, (str, int, float)) for part in parts):
            yield Problem(f"{where}, {name}", repr(value), "text, a number, true, or a list of them", "mend it")


def _option_problems(where: str, command: str, table: dict[str, Any]) -> Iterator[Problem]:
    params = load_command(command).params
    known = {name for param in params for name in param.opts if name.startswith("--")}
    for name in table.keys() - {"command", "files"}:
        if f"--{name.replace('_', '-')}" not in known:
            allowed = ", ".join(sorted(one.removeprefix("--") for one in known))
            yield Problem(f"{where}, {command}", f"an option {name!r}", f"one of: {allowed}", "mend its name")


def _step(table: dict[str, Any]) -> BatchStep:
    options = {name: value for name, value in table.items() if name not in {"command", "files"}}
    return BatchStep(table["command"], options, tuple(table.get("files", ())))


def _option_words(options: dict[str, Value | list[Value]]) -> list[str]:
    words: list[str] = []
    for name, value in options.items():
        flag = f"--{name.replace('_', '-')}"
        if value is True:
            words.append(flag)
        elif value is not False:
            for part in value if isinstance(value, list) else [value]:
                words += [flag, str(part)]
    return words


def _fill(text: str, stands_for: dict[str, str]) -> str:
    for name, value in stands_for.items():
        text = text.replace(name, value)
    return text


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one course.

    Parameters
    ----------
    course : str
        The survey file's name without its ending.
    state : str
        ``done``, ``failed``, ``as before`` when a finished run of the same plan was found, or ``unfinished`` when
        the batch was stopped before it came to the course's end.
    stage : str
        The command that failed; empty otherwise.
    said : str
        What that command said, or what stopped the batch; empty otherwise.
    seconds : float or None
        How long it took; None when whoever timed it is gone.
    """

    course: str
    state: State
    stage: str
    said: str
    seconds: float | None


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
    plan: BatchPlan,
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
        When the folder holds no survey, or no scheduler or worker can be had at the start. A course that fails is an
        outcome, not an error, and so is one that a lost process or scheduler left unfinished.
    """
    surveys = find_surveys(folder)
    outs = {path: (out / path.stem).resolve() for path in surveys}
    if again:  # at once for all: were the batch stopped, a record of last time would pass for this one's
        for place in outs.values():
            (place / RECORD).unlink(missing_ok=True)
    outcomes: dict[str, Outcome] = {}
    tasks = [(path.resolve(), plan, place) for path, place in outs.items()]
    workers = workers or Workers()
    work = _run_on_dask(tasks, workers.scheduler) if workers.scheduler else _run_here(tasks, workers.jobs)
    stopped = STOPPED if workers.scheduler is None else f"the Dask scheduler at {workers.scheduler} was lost"
    for outcome in work:
        outcomes[outcome.course] = outcome
        tell(outcome, len(outcomes), len(surveys))
    for path, place in outs.items():
        if path.stem not in outcomes:
            outcomes[path.stem] = _look_up(path, plan, place, stopped)
    return [outcomes[path.stem] for path in surveys]


Task = tuple[Path, BatchPlan, Path]


def _run_here(tasks: Sequence[Task], jobs: int) -> Iterator[Outcome]:
    """Yield outcomes as they come; fewer than tasks when a process was killed, which ends them all."""
    # One thread each: the courses share the cores, the algebra inside them need not.
    with joblib.parallel_config("loky", inner_max_num_threads=1), contextlib.suppress(TerminatedWorkerError):
        parallel = joblib.Parallel(n_jobs=jobs, return_as="generator_unordered")
        yield from parallel(joblib.delayed(run_course)(*task) for task in tasks)


def _run_on_dask(tasks: Sequence[Task], scheduler: str) -> Iterator[Outcome]:
    """Yield outcomes as they come; fewer than tasks when the scheduler was lost, which cancels what is not back."""
    with _quiet_loggers(), _open_client(scheduler) as client:
        from distributed import CancelledError, KilledWorker, as_completed
        from distributed.comm.core import CommClosedError

        paths = {client.submit(run_course, *task, pure=False): task[0] for task in tasks}
        for future in as_completed(paths):  # type: ignore[no-untyped-call]
            try:
                outcome: Outcome = future.result()
            except (CancelledError, CommClosedError, TimeoutError):  # lost with the scheduler, maybe on its way here
                continue
            except KilledWorker:
                outcome = Outcome(paths[future].stem, "failed", "", KILLED, None)
            except Exception as error:  # such as a worker without this program: one course's fault, in its words
                outcome = Outcome(paths[future].stem, "failed", "", f"{type(error).__name__}: {error}", None)
            yield outcome


def _open_client(scheduler: str) -> Client:
    try:
        from distributed import Client
    except ImportError as error:
        problem = Problem("--scheduler", "no Dask here", "the extra 'cluster'", "pip install 'geosample[cluster]'")
        raise GeosampleError(problem) from error
    try:
        client = Client(scheduler, timeout="10s", set_as_default=True)  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as error:
        problem = Problem(
            "--scheduler", f"no scheduler at {scheduler} ({error})", "its address", "such as tcp://host:8786"
        )
        raise GeosampleError(problem) from error
    try:
        client.wait_for_workers(1, timeout=30)
    except OSError as error:
        client.close()  # type: ignore[no-untyped-call]
        problem = Problem("--scheduler", f"no worker at {scheduler} within 30 s", "at least one", "start workers there")
        raise GeosampleError(problem) from error
    return client


@contextmanager
def _quiet_loggers() -> Iterator[None]:
    """Keep Dask's tracebacks of a lost connection off the screen: what they mean is said in our words."""
    with contextlib.suppress(ImportError):
        import distributed  # noqa: F401 - it sets its loggers' levels when it is first imported
    loggers = [logging.getLogger(name) for name in DASK_LOGGERS]
    levels = [logger.level for logger in loggers]
    for logger in loggers:
        logger.setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        for logger, level in zip(loggers, levels, strict=True):
            logger.setLevel(level)


def _look_up(survey: Path, plan: BatchPlan, out: Path, stopped: str) -> Outcome:
    """Return what the record on disk says of a course whose outcome never came back."""
    if _count_done(survey, plan, out) == len(plan.steps):
        return Outcome(survey.stem, "done", "", "", None)
    return Outcome(survey.stem, "unfinished", "", stopped, None)


def run_course(survey: Path, plan: BatchPlan, out: Path) -> Outcome:
    """Run what is left of the plan on one survey file.

    A course that stopped goes on at the stage where it stopped; one that is finished is left alone unless its file
    has changed since.

    Parameters
    ----------
    survey : Path
        The course's file.
    plan : BatchPlan
        What to run.
    out : Path
        Where each course has a folder of its own.
    """
    with _TURN:
        started = time.perf_counter()
        first = _count_done(survey, plan, out)
        if first == len(plan.steps):
            return Outcome(survey.stem, "as before", "", "", 0.0)
        stage, said = _run_steps(survey, plan, out, first)
    return Outcome(survey.stem, "failed" if said else "done", stage, said, time.perf_counter() - started)


def _run_steps(survey: Path, plan: BatchPlan, out: Path, first: int) -> tuple[str, str]:
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


def _count_done(survey: Path, plan: BatchPlan, out: Path) -> int:
    """Return how many stages of this plan are done; none when the file was changed after all were."""
    try:
        record: dict[str, Any] = json.loads((out / RECORD).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return 0
    if record.get("plan") != plan.code:
        return 0
    done = int(record.get("done", 0))
    return 0 if done == len(plan.steps) and record.get("survey") != _stamp(survey) else done


def _note_done(survey: Path, plan: BatchPlan, out: Path, done: int) -> str | None:
    record = {"plan": plan.code, "done": done, "survey": _stamp(survey)}
    try:
        save_file(out / RECORD, json.dumps(record).encode("utf-8"))
    except GeosampleError as error:
        return str(error)
    return None


LONLAT = "EPSG:4326"
DOMAIN_COLUMNS = {"kind": "kind", "hole": "hole", "surface": "surface_id", "stratum": "stratum", "part": "part"}


def gather_region(surveys: Sequence[Path]) -> gpd.GeoDataFrame:
    """Return the estimates of all courses, each with its target ground.

    Parameters
    ----------
    surveys : sequence of Path
        Survey files; those without estimates add no row.

    Returns
    -------
    GeoDataFrame
        Columns of the layer ``estimates`` after ``course`` and ``date``; MultiPolygons in longitude and latitude
        (WGS 84).

    Raises
    ------
    GeosampleError
        When none has estimates.
    """
    import geopandas as gpd
    import pandas as pd

    frames = [frame for frame in (_of_course(open_survey(path, must_exist=True)) for path in surveys) if len(frame)]
    if not frames:
        problem = Problem(
            ", ".join(map(str, surveys)) or "no survey",
            "no estimates",
            "at least one course with estimates",
            "put the stage 'estimate' into the plan",
        )
        raise GeosampleError(problem)
    return gpd.GeoDataFrame(pd.concat(frames, ignore_index=True), geometry="geometry", crs=LONLAT)


def check_region(path: Path | None) -> None:
    """Let only a Parquet file be written as a region, asked before the courses are run; None is no region.

    Raises
    ------
    GeosampleError
        When the name ends otherwise.
    """
    if path is not None and path.suffix.lower() != ".parquet":
        raise GeosampleError(Problem("--region", str(path), "a file ending in .parquet", "name it region.parquet"))


def write_region(surveys: Sequence[Path], path: Path) -> Path:
    """Write the region as GeoParquet 1.1 with a bounding box a row, so that readers can skip what is far away.

    Raises
    ------
    GeosampleError
        When no course has estimates, or the file can't be written.
    """
    region = gather_region(surveys)
    packed = io.BytesIO()
    region.to_parquet(packed, write_covering_bbox=True)
    return save_file(path, packed.getvalue())


def _of_course(survey: Survey) -> gpd.GeoDataFrame:
    import geopandas as gpd

    estimates = survey.read("estimates")
    strata = cast("gpd.GeoDataFrame", survey.read("strata"))
    if estimates.empty or strata.empty:
        return gpd.GeoDataFrame(estimates.iloc[:0], geometry=[])
    dates = survey.read("visits").set_index("visit")["date"]
    grounds = _grounds(strata.to_crs(LONLAT))
    shapes = [grounds.get((str(row.visit), str(row.domain), str(row.label))) for row in estimates.itertuples()]
    named = estimates.assign(course=survey.path.stem, date=estimates["visit"].map(dates))
    front = ["course", "date"]
    ordered = named[[*front, *(name for name in named.columns if name not in front)]]
    return gpd.GeoDataFrame(ordered, geometry=gpd.GeoSeries(shapes, crs=LONLAT, index=ordered.index))


def _grounds(strata: gpd.GeoDataFrame) -> dict[tuple[str, str, str], object]:
    """Return the ground of every domain: (visit, domain, label) -> MultiPolygon."""
    grounds: dict[tuple[str, str, str], object] = {}
    for visit, part in strata.groupby("visit"):
        grounds[(str(visit), "all", "all")] = _join(part)
        for domain, column in DOMAIN_COLUMNS.items():
            for label, rows in part.groupby(column):
                grounds[(str(visit), domain, str(label))] = _join(rows)
    return grounds


def _join(rows: gpd.GeoDataFrame) -> object:
    """Return all polygons as one MultiPolygon; they are disjoint, so nothing needs dissolving."""
    import shapely

    return shapely.multipolygons(shapely.get_parts(rows.geometry.to_numpy()))
