"""geosample estimate: how many insects there are, and how sure that is."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from geosample.cli.options import (
    DENSITY,
    LENGTH,
    json_option,
    more_option,
    split_words,
    survey_argument,
    units_option,
    visit_option,
)
from geosample.report import say, talk
from geosample.units import Units


@click.command(short_help="Say how many insects there are, and how sure that is.")
@survey_argument
@click.option(
    "--by",
    callback=split_words,
    default="kind,hole,stratum",
    show_default=True,
    help="Groups to estimate: some of kind, hole, surface, stratum, part, with commas between.",
)
@visit_option
@click.option("--pest", help="Another pest found with it; the visit's own when not given.")
@click.option("--level", type=float, default=0.95, show_default=True, help="Confidence of the intervals.")
@click.option("--threshold", "threshold_per_m2", type=DENSITY, help="Hold each kind against it, such as 30/ft2.")
@click.option(
    "--recovery",
    multiple=True,
    help="Share of the reference a method finds: heat=1.6, brine:L1=0.8, or heat=1.6,1.2,2.1 with its 95 % limits.",
)
@click.option(
    "--csv", "csv_file", type=click.Path(path_type=Path, dir_okay=False), help="Write the table here as well."
)
@click.option("--picture", type=click.Path(path_type=Path, dir_okay=False), help="Draw the answer on one page, a PDF.")
@click.option("--border", "border_m", type=LENGTH, help="Split the strata by border and interior after the draw.")
@units_option
@more_option
@json_option
def command(survey: Path, visit: str | None, units: Units, as_json: bool, more: bool, **asked: Any) -> None:
    """Say how many insects there are, which stages, whether the border holds more, and how sure all that is.

    The answer comes first, then a table. All of it is kept in the survey file.

    \b
    Example:
      geosample estimate course.gpkg --by kind,hole,stratum --threshold 30/ft2
    """  # noqa: D301
    from geosample.counts import load_counts
    from geosample.design import load_design
    from geosample.estimate import (
        estimate_means,
        load_mix_before,
        parse_recovery,
        post_stratify,
        save_estimates,
        write_estimates_csv,
    )
    from geosample.estimate.picture import draw_estimates, write_picture
    from geosample.ground import load_ground
    from geosample.report.estimate import tell_estimates, tell_estimates_more
    from geosample.survey import open_survey

    file = open_survey(survey, must_exist=True)
    name = file.find_visit(visit)
    recovery = tuple(parse_recovery(text) for text in asked["recovery"])
    design = load_design(file, name)
    if asked["border_m"] is not None:
        design = post_stratify(design, load_ground(file), asked["border_m"])
    estimates = estimate_means(
        load_counts(file, name),
        design,
        by=asked["by"],
        level=asked["level"],
        threshold_per_m2=asked["threshold_per_m2"],
        pest=asked["pest"],
        recovery=recovery,
        before=load_mix_before(file, name, asked["pest"] or design.visit.pest),
    )
    save_estimates(file, estimates)
    wrote: list[Path] = []
    if asked["csv_file"] is not None:
        write_estimates_csv(asked["csv_file"], estimates)
        wrote.append(asked["csv_file"])
    if asked["picture"] is not None:
        page = draw_estimates(estimates, threshold_per_m2=asked["threshold_per_m2"], units=units)
        write_picture(asked["picture"], page)
        wrote.append(asked["picture"])
    if wrote:
        talk(f"Wrote {' and '.join(map(str, wrote))}.")
    rest = tell_estimates_more(estimates, units)
    say(tell_estimates(estimates, units), estimates.summary(), as_json=as_json, rest=rest, more=more)
