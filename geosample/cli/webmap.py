"""The command ``map``: everything in the survey on one page."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, cast

import click

from geosample import report
from geosample.cli.options import DENSITY, json_option, survey_argument, units_option, visit_option

if TYPE_CHECKING:
    from geosample.units import Units


@click.command("map")
@survey_argument
@click.option("--out", required=True, type=click.Path(path_type=Path, dir_okay=False), help="The page, FILE.html.")
@visit_option
@units_option
@click.option("--threshold", "thresholds", type=DENSITY, multiple=True, help="A threshold to step to; may be repeated.")
@json_option
def command(
    survey: Path, out: Path, visit: str | None, units: str, thresholds: tuple[float, ...], as_json: bool
) -> None:
    r"""Draw everything the survey holds on one page that opens with no network.

    A stage that has not run yet is named on the page.

    \b
    Example:
      geosample map course.gpkg --out map.html
    """
    from geosample.survey import open_survey
    from geosample.webmap import Look, draw_map, summarise

    opened = open_survey(survey, must_exist=True)
    shown = cast("Units", units)
    path = draw_map(opened, out, visit=visit, look=Look(units=shown, thresholds_per_m2=thresholds))
    lines, summary = summarise(opened, path, visit=visit, units=shown)
    report.say(lines, summary, as_json=as_json)
