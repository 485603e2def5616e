"""The command ``map``: everything in the survey on one page."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from geosample import report
from geosample.cautions import TREATMENT
from geosample.cli.options import DENSITY, json_option, more_option, survey_argument, units_option, visit_option
from geosample.units import Units


@click.command("map")
@survey_argument
@click.option("--out", required=True, type=click.Path(path_type=Path, dir_okay=False), help="The page, FILE.html.")
@visit_option
@units_option
@click.option(
    "--threshold", "thresholds_per_m2", type=DENSITY, multiple=True, help="A threshold to step to; may be repeated."
)
@click.option("--aerial", type=click.Path(path_type=Path, dir_okay=False), help="A GeoTIFF to lay underneath.")
@click.option("--base-map", help="Address of online map tiles with {z}, {x}, {y}; off until the reader wants it.")
@click.option("--base-credit", default="", help="Whom the tiles' owner wants named.")
@more_option
@json_option
def command(survey: Path, out: Path, visit: str | None, units: Units, as_json: bool, more: bool, **asked: Any) -> None:
    """Draw everything the survey holds on one page that opens with no network.

    A stage that has not run yet is named on the page.

    \b
    Example:
      geosample map course.gpkg --out map.html
    """  # noqa: D301
    from geosample.report.webmap import tell_drawn, tell_drawn_more
    from geosample.survey import open_survey
    from geosample.webmap import draw_map, gather_story

    story = gather_story(open_survey(survey, must_exist=True), visit)
    size = draw_map(story, out, units=units, **asked).stat().st_size
    cautions = [str(caution) for caution in TREATMENT] if len(story.zones) else []
    facts = {"page": str(out), "size_bytes": size, **story.summary(), "cautions": cautions}
    told, rest = tell_drawn(story, out, size, units), tell_drawn_more(story)
    report.say(told, facts, as_json=as_json, rest=rest, more=more)
