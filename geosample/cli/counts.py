"""geosample counts: what came back from the field and the bench, into the survey."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from geosample.cli.options import DENSITY, LENGTH, json_option, more_option, survey_argument, visit_option
from geosample.report import say
from geosample.words import METHODS


class Meanings(click.ParamType[dict[str, str]]):
    """What headings hold, such as ``larvae=L3,crew chief=collector``."""

    name = "heading=meaning"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> dict[str, str]:
        """Return heading -> stage or field; bad usage for a part without ``=``.

        Examples
        --------
        >>> Meanings().convert("larvae=L3, crew chief=collector", None, None)
        {'larvae': 'L3', 'crew chief': 'collector'}
        """
        if isinstance(value, dict):
            return value
        pairs = [part.partition("=") for part in str(value).split(",") if part.strip()]
        meanings = {heading.strip(): meaning.strip() for heading, _, meaning in pairs}
        for heading, meaning in meanings.items():
            if not heading or not meaning:
                self.fail(f"'{heading}={meaning}' is no heading=meaning; write such as 'larvae=L3'", param, ctx)
        return meanings


@click.command(short_help="Take the counts back in, by label.")
@survey_argument
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="FILE...")
@click.option(
    "--gps-within",
    "gps_within_m",
    type=LENGTH,
    default="10m",
    show_default=True,
    help="How far a position may lie from its point; the receiver's accuracy is added.",
)
@click.option("--columns", type=Meanings(), help='What unknown headings hold: "larvae=L3,crew chief=collector".')
@click.option(
    "--extraction", "method", type=click.Choice(METHODS), help="How the insects were got out, for rows that don't say."
)
@click.option("--sums", is_flag=True, help="Read 3+4 as 7.")
@click.option(
    "--most",
    "most_per_m2",
    type=DENSITY,
    help="Ask about counts above this density; 2000/ft2 if not given (common sense, no source).",
)
@click.option("--set-aside", is_flag=True, help="Take the good rows and list the bad ones, instead of taking none.")
@visit_option
@more_option
@json_option
def command(survey: Path, files: tuple[Path, ...], visit: str | None, as_json: bool, more: bool, **asked: Any) -> None:
    """Take the counts back in, joined to the plan by label, else by position.

    FILE is what came back: filled blank sheets (CSV, XLSX), waypoints with the count in their comment (GPX, KML,
    GeoJSON), or a form's export. Zero is a count, blank is not: a row without counts and status makes no sample.
    In status write not_extracted, lost, unreachable or off_turf where a bag has no counts (counted needs no word); in
    moved write yes where the plugs were taken elsewhere, and where in note, or as a position. A second person's
    counts go in blank_recounts.csv.
    With any row that can't be read without guessing nothing is taken, and every problem is listed. A file taken
    twice adds nothing; a corrected one replaces its rows and shows the differences.

    \b
    Example:
      geosample counts course.gpkg filled.csv --gps-within 10m
    """  # noqa: D301
    from geosample.counts import add_counts, read_counts
    from geosample.design import load_design
    from geosample.report.counts import tell_counts, tell_counts_more
    from geosample.survey import open_survey

    file = open_survey(survey, must_exist=True)
    design = load_design(file, visit)
    visits = file.read("visits")
    others = visits[(visits["visit"] != design.visit.visit) & visits["design_code"].astype(bool)]
    codes = dict(zip(others["design_code"].astype(str), others["visit"].astype(str), strict=True))
    given = {name: value for name, value in asked.items() if value is not None}
    added = add_counts(file, read_counts(files, design, **given, other_codes=codes), design)
    say(tell_counts(added), added.summary(), as_json=as_json, rest=tell_counts_more(added), more=more)
