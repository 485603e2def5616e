"""The command ``record``: what was applied, for the rules and for the next plan."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from geosample.cli.options import json_option, survey_argument, units_option, visit_option
from geosample.report import say, talk


def _split_fields(ctx: click.Context, param: click.Parameter, value: tuple[str, ...]) -> dict[str, str]:
    wrong = [pair for pair in value if "=" not in pair]
    if wrong:
        message = f"found {wrong[0]!r}; expected a field and what it says; write applicator='A. Name'"
        raise click.BadParameter(message, ctx, param)
    return dict(pair.split("=", 1) for pair in value)


@click.command()
@survey_argument
@click.option("--date", "day", required=True, help="Day of the treatment, YYYY-MM-DD.")
@click.option("--zones", "names", default="", help="Zones treated, with commas; all of the plan when not given.")
@click.option("--set", "fields", multiple=True, callback=_split_fields, help="A field, such as method='boom sprayer'.")
@click.option(
    "--rules",
    type=click.Choice(["us", "ny", "none"]),
    default="us",
    show_default=True,
    help="Whose fields to ask for: US restricted-use products, New York golf courses, or none.",
)
@visit_option
@units_option
@json_option
def command(survey: Path, day: str, visit: str | None, rules: str, as_json: bool, **asked: Any) -> None:
    """Store what was done in the zones of a plan.

    The fields of the record rules are asked for, and any others may be added; irac_group is read by the next plan.

    \b
    Example:
      geosample record course.gpkg --date 2026-05-08 --set irac_group=28 --set applicator='A. Name' --set method=boom
    """  # noqa: D301
    from geosample.survey import open_survey
    from geosample.treat import load_zones
    from geosample.treat.records import RULES, fill_record, missing_fields, save_record

    file = open_survey(survey, must_exist=True)
    zones = load_zones(file, visit)
    names = [name.strip() for name in asked["names"].split(",") if name.strip()]
    record = fill_record(zones, names, asked["fields"], day=day, units=asked["units"])
    save_record(file, zones.visit, record)
    chosen = RULES[rules]
    missing = missing_fields(record, chosen)
    lines = [f"Recorded for {zones.visit}, {day}:", *(f"- {key}: {value}" for key, value in record.items())]
    if missing:
        lines += [f"Still to be filled in ({chosen.source}; {chosen.keep}):"]
        lines += [f"- {key}: {chosen.fields[key]}" for key in missing]
    say(lines, {"visit": zones.visit, "record": record, "missing": missing, "rules": rules}, as_json=as_json)
    talk("Other places ask for other fields: add them with --set NAME=VALUE.")
