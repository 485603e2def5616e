"""geosample followup: where a second round of plugs would most improve the decision."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from geosample.cli.options import DENSITY, json_option, more_option, survey_argument
from geosample.report import say


@click.command(short_help="Choose where a second round would most improve the decision.")
@survey_argument
@click.option("--visit", required=True, help="The new round's date, such as 2026-05-18.")
@click.option("--points", type=int, default=12, show_default=True, help="How many.")
@click.option(
    "--threshold", "threshold_per_m2", type=DENSITY, help="What is decided about; the map's own if not given."
)
@click.option("--miss-cost", type=float, default=3.0, show_default=True, help="Cost of a miss; a needless one costs 1.")
@more_option
@json_option
def command(survey: Path, visit: str, as_json: bool, more: bool, **asked: Any) -> None:
    """Choose a few more points where their counts are likeliest to turn a decision, in walking order.

    The newest density map says where. The points are a visit of their own: print their sheets, take the counts in,
    and run density again; it maps both rounds together.

    \b
    Example:
      geosample followup course.gpkg --points 12 --visit 2026-05-18
    """  # noqa: D301
    from geosample.density import draw_followup, load_last_density, load_newest_density
    from geosample.design import load_design, save_design
    from geosample.ground import load_ground
    from geosample.report.density import tell_followup
    from geosample.survey import open_survey

    file = open_survey(survey, must_exist=True)
    density_map = load_newest_density(file)
    first = load_design(file, density_map.visit)
    last = load_last_density(file, density_map.visit) if "last" in density_map.settings.covariates else None
    design, saved = draw_followup(density_map, load_ground(file), first, visit=visit, last=last, **asked)
    save_design(file, design)
    points = design.points["point_id"].tolist()
    facts = {"visit": visit, "follows": density_map.visit, "points": points, "cost_saved": saved}
    say(tell_followup(facts), facts, as_json=as_json, rest=[f"points: {', '.join(points)}"], more=more)
