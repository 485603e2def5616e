"""The command ``record``: what was applied, for the rules and for the next plan."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Any

import click

from geosample.cli.options import json_option, more_option, survey_argument, units_option, visit_option
from geosample.report import say
from geosample.report.treat import tell_record, tell_record_more


def _split_fields(ctx: click.Context, param: click.Parameter, value: tuple[str, ...]) -> dict[str, str]:
    wrong = [pair for pair in value if "=" not in pair]
    if wrong:
        message = f"found {wrong[0]!r}; expected a field and what it says; write applicator='A. Name'"
        raise click.BadParameter(message, ctx, param)
    pairs = [[part.strip() for part in pair.split("=", 1)] for pair in value]
    twice = {key for key, _ in pairs if [name for name, _ in pairs].count(key) > 1}
    if twice:
        message = f"found {', '.join(sorted(twice))} more than once; expected each field once; leave out the other"
        raise click.BadParameter(message, ctx, param)
    return dict(pairs)


def _split_names(ctx: click.Context, param: click.Parameter, value: str | None) -> list[str]:
    names = [name.strip() for name in (value or "").split(",") if name.strip()]
    if value is not None and not names:
        message = "found nothing; expected zones such as Z07F-1; leave the option out for all of the plan"
        raise click.BadParameter(message, ctx, param)
    return names


@click.command()
@survey_argument
@click.option("--date", "day", required=True, help="Day of the treatment, YYYY-MM-DD.")
@click.option("--zones", "zone_ids", callback=_split_names, help="Zones treated, with commas; all when not given.")
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
@more_option
@json_option
def command(survey: Path, day: str, visit: str | None, rules: str, as_json: bool, more: bool, **asked: Any) -> None:
    """Store what was done in the zones of a plan.

    The fields of the record rules are asked for, and any others may be added; irac_group is read by the next plan.

    \b
    Example:
      geosample record course.gpkg --date 2026-05-08 --set irac_group=28 --set applicator='A. Name' --set method=boom
    """  # noqa: D301
    from geosample.survey import open_survey
    from geosample.treat import load_zones
    from geosample.treat.records import RULES, fill_record, keep_fields, missing_fields, save_record

    file = open_survey(survey, must_exist=True)
    zones = load_zones(file, visit)
    record = fill_record(zones, asked["zone_ids"], asked["fields"], day=day, units=asked["units"])
    record = keep_fields(file, zones.visit, record, asked["fields"])
    save_record(file, zones.visit, record)
    chosen = RULES[rules]
    missing = missing_fields(record, chosen)
    to_come = datetime.date.fromisoformat(day) > datetime.datetime.now().astimezone().date()
    lines = tell_record(zones.visit, record, missing, chosen, to_come=to_come)
    facts = {"visit": zones.visit, "record": record, "missing": missing, "rules": rules, "to_come": to_come}
    say(lines, facts, as_json=as_json, rest=tell_record_more(record, missing, chosen), more=more)
