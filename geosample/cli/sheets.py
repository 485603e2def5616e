"""The ``sheets`` command: paper, waypoints and blank sheets for the crew."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from geosample import report
from geosample.cli import options
from geosample.words import METHODS


@click.command("sheets")
@options.survey_argument
@options.out_folder_option("Folder for the files; made where it is not there.")
@click.option("--paper", type=click.Choice(["letter", "a4"]), default="letter", show_default=True, help="Paper size.")
@options.visit_option
@click.option(
    "--extraction",
    "method",
    type=click.Choice(METHODS),
    default="brine",
    show_default=True,
    help="How insects are extracted.",
)
@click.option(
    "--containers", "batch", type=click.IntRange(1, 1000), default=6, show_default=True, help="Bags extracted at once."
)
@click.option("--pace", "pace_m", type=options.LENGTH, default="30in", show_default=True, help="Length of your pace.")
@click.option(
    "--landmarks",
    type=click.Path(path_type=Path, dir_okay=False),
    help="File of named places (sprinkler heads, markers) to find points from.",
)
@click.option("--force", is_flag=True, help="Write over a blank sheet that is filled in.")
@options.units_option
@options.more_option
@options.json_option
def command(survey: Path, out: Path, visit: str | None, as_json: bool, more: bool, **asked: Any) -> None:
    """Write the sampling map, the waypoints and the blank sheets of a visit.

    Makes field_map.pdf, bag_labels.pdf, points.gpx, points.kml, blank_counts.csv, blank_counts.xlsx, form.xlsx (an
    XLSForm) and blank_recounts.csv, for the tenth of the bags that a second person counts.
    Each point gets words to find it by: clock and paces on greens, paces along and in on fairways. They are kept in
    the survey's points too. The default pace and method are common practice, not from a source: set your own.

    \b
    Example:
      geosample sheets course.gpkg --out sheets --paper letter
    """  # noqa: D301
    from geosample.design import load_design
    from geosample.ground import load_ground
    from geosample.report.sheets import tell_sheets, tell_sheets_more
    from geosample.sheets import save_finding, write_sheets
    from geosample.survey import open_survey

    file = open_survey(survey, must_exist=True)
    made = write_sheets(load_design(file, visit), load_ground(file), out, **asked)
    save_finding(file, made.design)
    report.say(tell_sheets(made), made.summary(), as_json=as_json, rest=tell_sheets_more(made), more=more)
