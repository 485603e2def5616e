"""The command ``geosample batch``: the same stages over many survey files."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from geosample.cli.options import json_option
from geosample.report import say, show_table, talk

if TYPE_CHECKING:
    from geosample.batch import Outcome

PATH = click.Path(path_type=Path)


@click.command()
@click.argument("folder", type=PATH)
@click.option("--plan", "plan_file", required=True, type=PATH, help="The commands to run, a TOML file.")
@click.option("--out", type=PATH, help="Where each course gets a folder; FOLDER/batch when not given.")
@click.option("--jobs", type=click.IntRange(min=1), help="Processes at once; one a core when not given.")
@click.option("--scheduler", help="Address of a Dask scheduler whose workers see the same folders.")
@click.option("--again", is_flag=True, help="Run every stage again, also what is finished.")
@click.option("--region", type=PATH, help="Write all courses' estimates as one GeoParquet, such as region.parquet.")
@json_option
@click.pass_context
def command(ctx: click.Context, /, folder: Path, plan_file: Path, as_json: bool, **asked: Any) -> None:
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

    plan = read_plan(plan_file)
    region, out = asked.pop("region"), asked.pop("out") or folder / "batch"
    check_region(region)
    find_surveys(folder)  # nothing is made where there is nothing to run
    make_folder(out)
    workers = Workers(asked.pop("jobs") or -1, asked.pop("scheduler"))
    outcomes = run_batch(folder, plan, out=out, workers=workers, tell=_tell, **asked)
    summary: dict[str, Any] = {"courses": [asdict(outcome) for outcome in outcomes]}
    rows = [[o.course, o.state, "" if o.seconds is None else f"{o.seconds:.1f}"] for o in outcomes]
    lines = show_table(["course", "state", "seconds"], rows)
    failed = [outcome for outcome in outcomes if outcome.state == "failed"]
    left = [outcome for outcome in outcomes if outcome.state == "unfinished"]
    if region is not None and not left:
        lost = {outcome.course for outcome in failed}
        summary["region"] = str(write_region([path for path in find_surveys(folder) if path.stem not in lost], region))
        lines.append(f"wrote {region}{f', without the {len(lost)} that failed' if lost else ''}")
    lines.append(f"{len(outcomes)} courses, {len(failed)} failed" + (f", {len(left)} not finished" if left else ""))
    lines += [_name_failure(outcome) for outcome in failed]
    lines += _name_unfinished(outcomes, left, region)
    say(lines, summary, as_json=as_json)
    if failed or left:
        ctx.exit(1)


def _tell(outcome: Outcome, number: int, total: int) -> None:
    took = "" if outcome.seconds is None else f" ({outcome.seconds:.1f} s)"
    talk(f"{number}/{total} {outcome.course}: {outcome.state}{took}")


def _name_failure(outcome: Outcome) -> str:
    stage = f" in {outcome.stage}" if outcome.stage else ""
    return f"{outcome.course}: failed{stage}: {outcome.said}"


def _name_unfinished(outcomes: list[Outcome], left: list[Outcome], region: Path | None) -> list[str]:
    """Return which courses are done and which not, and that the same command goes on, when the batch was stopped."""
    if not left:
        return []
    done = ", ".join(outcome.course for outcome in outcomes if outcome.state in {"done", "as before"})
    return [
        f"stopped early: {left[0].said}",
        f"done: {done or 'none'}",
        f"not finished: {', '.join(outcome.course for outcome in left)}",
        *([f"{region} is not written, as it would lack them"] if region else []),
        "run the same command again, without --again: it goes on with those that are not done, at the stage they had "
        "reached; no survey file is half-written",
    ]
