"""Commands that run others: ``demo``, ``batch``, ``desk``."""

from __future__ import annotations

import contextlib
import io
import itertools
import re
import sys
import time
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from geosample.cli.options import PATH, json_option, more_option
from geosample.report import say, talk
from geosample.words import SIMULATED

if TYPE_CHECKING:
    from geosample.batch import Outcome


@click.command()
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("geosample_demo"),
    help="Folder for everything the demo makes.",
)
@click.option("--season", is_flag=True, help="A season of five visits in place of one (about two minutes).")
@more_option
@json_option
@click.pass_context
def demo_command(ctx: click.Context, out: Path, season: bool, as_json: bool, more: bool) -> None:
    """Play the whole job on an invented course, start to finish, and list what to open.

    The counts are simulated, and every page that shows them says so.

    \b
    Example:
      geosample demo --out geosample_demo
    """  # noqa: D301
    from geosample.demo import SIMULATION, play_demo, play_demo_season
    from geosample.report.design import tell_simulation
    from geosample.report.desk import tell_desk

    play = play_demo_season if season else play_demo
    opened = play(out, lambda words: _run(ctx, words, more=more))
    rows = [[str(file.path), file.what] for file in opened]
    facts = {"files": [{"path": path, "what": what} for path, what in rows], "simulation": SIMULATION}
    lines = [SIMULATED, "What to open:", *(f"{path}  {what}" for path, what in rows), tell_desk(out)]
    say(lines, facts, as_json=as_json, rest=[tell_simulation(SIMULATION)], more=more)


def _run(ctx: click.Context, words: list[str], *, more: bool) -> None:
    """Run one command as a user would, and tell on stderr its seconds and what it found; all it says with --more."""
    said, beside = io.StringIO(), io.StringIO()
    if more:
        talk(f"\n$ geosample {' '.join(words)}")
    started = time.perf_counter()
    with (
        contextlib.redirect_stdout(sys.stderr if more else said),
        contextlib.redirect_stderr(sys.stderr if more else beside),
    ):
        group, asked = ctx.find_root().command, [*words, *(["--more"] if more else [])]
        code = group.main(asked, standalone_mode=False, prog_name="geosample")
    took = f"({time.perf_counter() - started:.1f} s)"
    if code:
        click.echo(beside.getvalue(), err=True, nl=False)
        ctx.exit(code)
    talk(f"  {took}" if more else f"{words[0]} {took}: {_first_sentence(said.getvalue())}")


_FOLDED = re.compile(r"  \S")  # a table's lines stand further in


def _first_sentence(said: str) -> str:
    """Return the first thing that was said, without its folds; that it is simulated is the demo's own last line."""
    first, *others = [line for line in said.splitlines() if line != SIMULATED]
    whole = " ".join([first, *(line.strip() for line in itertools.takewhile(_FOLDED.match, others))])
    return f"{whole[:-1]}." if whole.endswith(":") else whole


@click.command()
@click.argument("folder", type=PATH)
@click.option("--plan", "plan_file", required=True, type=PATH, help="The commands to run, a TOML file.")
@click.option("--out", type=PATH, help="Where each course gets a folder; FOLDER/batch when not given.")
@click.option("--jobs", type=click.IntRange(min=1), help="Processes at once; one a core when not given.")
@click.option("--scheduler", help="Address of a Dask scheduler whose workers see the same folders.")
@click.option("--again", is_flag=True, help="Run every stage again, also what is finished.")
@click.option("--region", type=PATH, help="Write all courses' estimates as one GeoParquet, such as region.parquet.")
@more_option
@json_option
@click.pass_context
def batch_command(
    ctx: click.Context, /, folder: Path, plan_file: Path, as_json: bool, more: bool, **asked: Any
) -> None:
    """Run the same stages on every survey file of a folder, and sum up.

    The plan is a TOML file with a table [[stage]] a command. In its values {course} stands for the survey's name,
    {folder} for its folder, {out} for where its files go. A course that fails is named and does not stop the others
    (exit 1 at the end). When the batch runs again, a course that is finished and unchanged is skipped, and one that
    stopped goes on at the stage where it stopped.

    \b
    Example:
      geosample batch courses --plan plan.toml
    """  # noqa: D301
    from geosample.batch import Workers, check_region, find_surveys, read_plan, run_batch, write_region
    from geosample.files.saving import make_folder
    from geosample.report.batch import tell_batch, tell_batch_more, tell_course

    def tell(outcome: Outcome, number: int, total: int) -> None:
        for line in tell_course(outcome, number, total):
            talk(line)

    plan = read_plan(plan_file)
    region, out = asked.pop("region"), asked.pop("out") or folder / "batch"
    check_region(region)
    find_surveys(folder)  # nothing is made where there is nothing to run
    make_folder(out)
    workers = Workers(asked.pop("jobs") or -1, asked.pop("scheduler"))
    outcomes = run_batch(folder, plan, out=out, workers=workers, tell=tell, **asked)
    summary: dict[str, Any] = {"courses": [asdict(outcome) for outcome in outcomes]}
    states = {outcome.state for outcome in outcomes}
    if region is not None and "unfinished" not in states:
        lost = {outcome.course for outcome in outcomes if outcome.state == "failed"}
        summary["region"] = str(write_region([path for path in find_surveys(folder) if path.stem not in lost], region))
    say(tell_batch(outcomes, region), summary, as_json=as_json, rest=tell_batch_more(outcomes), more=more)
    if states & {"failed", "unfinished"}:
        ctx.exit(1)


@click.command()
@click.argument("place", required=False, default=".", type=PATH, metavar="[FOLDER|SURVEY]")
@click.option("--no-browser", is_flag=True, help="Only say which file opens the desk.")
@click.option("--phones", is_flag=True, help="Let phones on the local network in, by the code on the desk's screen.")
@click.option(
    "--phones-at", metavar="ADDRESS", help="This machine's address in the phones' network; found when not given."
)
def desk_command(place: Path, no_browser: bool, phones: bool, phones_at: str | None) -> None:
    """Do the whole job in the browser, on this machine alone, in a folder (this one when not given).

    It listens on this machine only and asks nothing of any network. With --phones it listens on the local network too,
    for field notes and counts alone; that network carries them unencrypted. Close it on its page, or with Ctrl-C here.

    \b
    Example:
      geosample desk course.gpkg
    """  # noqa: D301
    import webbrowser

    from geosample.desk.guard import find_open
    from geosample.desk.server import open_desk
    from geosample.errors import GeosampleError, Problem
    from geosample.report.desk import tell_open

    is_survey = place.suffix.lower() == ".gpkg"
    folder = place.absolute().parent if is_survey else place
    if not folder.is_dir():
        raise GeosampleError(Problem(str(folder), "no such folder", "a folder to work in", "make it, or name another"))
    others = sorted(path.name for path in folder.glob("*.gpkg") if not path.name.startswith("."))
    survey = place.name if is_survey else next(iter(others), "course.gpkg")

    def tell(address: str, door: Path, phones_address: str, *, already: bool = False) -> None:
        if phones_address:
            talk(f"Phones may come in at {phones_address}, by the code under 'Phones' on the desk's page.")
        talk(tell_open(address, door.as_uri(), already=already))
        if not no_browser:
            webbrowser.open(door.as_uri())

    if found := find_open(folder):
        tell(f"http://{found[0]}/", found[1], "", already=True)
        return
    with contextlib.suppress(KeyboardInterrupt):
        open_desk(folder, survey, tell=tell, phones_at=(phones_at or "") if phones or phones_at else None)
