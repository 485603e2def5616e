"""The command ``check``: how well a treatment worked, from two visits."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

import click

from geosample.cli.options import json_option, more_option, survey_argument, units_option
from geosample.report import say
from geosample.report.treat import tell_efficacy, tell_efficacy_more, tell_treated


@click.command()
@survey_argument
@click.option("--before", required=True, help="The visit whose plan was carried out.")
@click.option("--after", required=True, help="A later visit, at fresh points.")
@click.option("--before-stages", help="Stages to count before, with commas; all that were looked for when not given.")
@click.option("--after-stages", help="The same cohort's stages at the later visit.")
@click.option("--seed", type=click.IntRange(0, 2**31 - 1), default=7, show_default=True, help="Seed of the intervals.")
@units_option
@more_option
@json_option
def command(survey: Path, before: str, after: str, seed: int, as_json: bool, more: bool, **asked: Any) -> None:
    """Estimate how well a treatment worked, in treated and untreated ground.

    Insects grow between visits: name the stages the same cohort was in, such as --before-stages L1,L2,L3
    --after-stages L4,L5,pupa.

    \b
    Example:
      geosample check course.gpkg --before 2026-05-04 --after 2026-05-18
    """  # noqa: D301
    import numpy as np

    from geosample.counts import load_counts, tally
    from geosample.design import load_visit
    from geosample.survey import open_survey
    from geosample.treat import load_zones
    from geosample.treat.efficacy import check_treatment, check_visits, treated_zones

    file = open_survey(survey, must_exist=True)
    check_visits(load_visit(file, before), load_visit(file, after))
    zones, treated = treated_zones(load_zones(file, before), file.read("treatments"))
    stages = {when: _split(asked[f"{when}_stages"]) for when in ("before", "after")}
    first, second = (
        tally(load_counts(file, visit), zones.pest, stages=names)
        for visit, names in zip((before, after), stages.values(), strict=True)
    )
    found = check_treatment(first, second, zones, rng=np.random.default_rng(seed))
    facts = {"before": before, "after": after, "stages": stages, **found.summary(), "treated": asdict(treated)}
    rest = tell_efficacy_more(found, asked["units"])
    say([*tell_efficacy(found), tell_treated(treated)], facts, as_json=as_json, rest=rest, more=more)


def _split(text: str | None) -> list[str] | None:
    return [name.strip() for name in text.split(",") if name.strip()] if text else None
