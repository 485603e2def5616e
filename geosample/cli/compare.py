"""geosample compare: how the counts of two extraction methods stand to each other."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from geosample.cli.options import json_option, more_option, visit_option
from geosample.report import say


def _margin(ctx: click.Context, param: click.Parameter, value: str | None) -> float | None:
    """Return a margin as a ratio: 25% is 1.25."""
    if value is None:
        return None
    try:
        return 1 + float(value.rstrip("% ")) / 100 if value.endswith("%") else float(value)
    except ValueError as error:
        text = f"{value!r} is no margin; write for instance 25%"
        raise click.BadParameter(text, ctx, param) from error


@click.command()
@click.argument("survey", required=False, type=click.Path(path_type=Path))
@click.option("--example", is_flag=True, help="Use the invented trial that comes with the program.")
@click.option("--margin", callback=_margin, help="Up to what difference they count as the same, such as 25%.")
@click.option("--reference", help="The method the other is held against; the first found when not given.")
@click.option("--method", help="The other method.")
@click.option(
    "--site",
    type=click.Choice(["kind", "hole", "surface_id", "all"]),
    default="kind",
    show_default=True,
    help="What a site is, in a survey.",
)
@visit_option
@click.option("--pest", help="Another pest found with it; the visit's own when not given.")
@click.option("--level", type=float, default=0.95, show_default=True, help="Confidence of the intervals.")
@click.option("--seed", type=click.IntRange(0, 2**31 - 1), default=1, show_default=True, help="Seed of the shuffles.")
@more_option
@json_option
def command(survey: Path | None, as_json: bool, more: bool, **asked: Any) -> None:
    """Say how two extraction methods compare: a survey drawn with design --compare, or a table (CSV, XLSX).

    A table has a row a bag: block, method, count, and where known site, stage, plugs, minutes, cost; or a column of
    counts for each method. A difference that is not seen is never called sameness: that takes a margin of yours.

    \b
    Example:
      geosample compare --example --margin 25%
    """  # noqa: D301
    from geosample.compare import compare_methods, gather_trial, read_example, read_trial, save_comparison
    from geosample.counts import load_counts
    from geosample.design import load_design
    from geosample.files.tables import TABLES
    from geosample.report.compare import tell_comparison, tell_comparison_more
    from geosample.survey import open_survey

    if asked["example"] == (survey is not None):
        text = "name a survey or a table, or say --example"
        raise click.UsageError(text)
    question = {name: asked[name] for name in ("reference", "method", "margin", "level", "seed")}
    if survey is None or survey.suffix.lower() in TABLES:
        comparison = compare_methods(read_example() if survey is None else read_trial(survey), **question)
    else:
        file = open_survey(survey, must_exist=True)
        name = file.find_visit(asked["visit"])
        design = load_design(file, name)
        pest = asked["pest"] or design.visit.pest
        trial = gather_trial(load_counts(file, name), design, pest=pest, site=asked["site"])
        comparison = compare_methods(trial, **question)
        save_comparison(file, comparison, visit=name, pest=pest)
    rest = tell_comparison_more(comparison)
    say(tell_comparison(comparison), comparison.summary(), as_json=as_json, rest=rest, more=more)
