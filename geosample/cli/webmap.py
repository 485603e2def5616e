"""The command ``map``: everything in the survey on one page."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from geosample import report
from geosample.cli.options import DENSITY, json_option, survey_argument, units_option, visit_option


@click.command("map")
@survey_argument
@click.option("--out", required=True, type=click.Path(path_type=Path, dir_okay=False), help="The page, FILE.html.")
@visit_option
@units_option
@click.option("--threshold", "thresholds", type=DENSITY, multiple=True, help="A threshold to step to; may be repeated.")
@click.option("--aerial", type=click.Path(path_type=Path, dir_okay=False), help="A GeoTIFF to lay underneath.")
@click.option("--base-map", help="Address of online map tiles with {z}, {x}, {y}; off until the reader wants it.")
@click.option("--base-credit", default="", help="Whom the tiles' owner wants named.")
@json_option
def command(survey: Path, out: Path, visit: str | None, as_json: bool, **looks: Any) -> None:
    """Draw everything the survey holds on one page that opens with no network.

    A stage that has not run yet is named on the page.

    \b
    Example:
      geosample map course.gpkg --out map.html
    """  # noqa: D301
    from geosample.survey import open_survey
    from geosample.webmap import Look, draw_story, gather_story, summarise

    opened = open_survey(survey, must_exist=True)
    look = Look(thresholds_per_m2=looks.pop("thresholds"), **looks)
    story = gather_story(opened, visit)
    lines, summary = summarise(story, draw_story(story, out, look), units=look.units)
    report.say(lines, summary, as_json=as_json)
