"""Commands of a treatment: ``treat``, ``record``, ``check``."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from geosample.cli.options import (
    AREA,
    DENSITY,
    LENGTH,
    SPEED,
    KeepOff,
    Told,
    out_folder_option,
    paper_option,
    says,
    split_words,
    survey_argument,
    units_option,
    visit_option,
)
from geosample.report import talk
from geosample.units import FOOT_M, Units
from geosample.words import TREATMENT, parse_holes

if TYPE_CHECKING:
    from geosample.density import Looks
    from geosample.ground import Ground
    from geosample.survey import Survey
    from geosample.treat import Zones
    from geosample.treat.suggest import Evidence

_STRIP_STEPS_M = {"us": 5 * FOOT_M, "metric": 1.0}
"""By how much the targeting curve's strips grow, so that they read evenly."""


class _Percent(click.ParamType[float]):
    """A share written as a percentage, such as ``5%``."""

    name = "percent"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        if isinstance(value, float):
            return value
        number, sign, rest = str(value).partition("%")
        try:
            if not sign or rest.strip():
                raise ValueError(value)
            return float(number) / 100
        except ValueError:
            self.fail(f"found {value!r}; expected a percentage; write 5%", param, ctx)


@click.command()
@survey_argument
@click.option(
    "--threshold",
    "threshold_per_m2",
    type=DENSITY,
    required=True,
    help="Density above which you would act, such as 30/ft2.",
)
@click.option(
    "--miss-cost",
    type=float,
    default=3.0,
    help="What a hot place missed costs, in needless treatments of it (common practice, no source).",
)
@click.option(
    "--swath", "swath_m", type=LENGTH, default="15ft", help="The sprayer's width (common practice, no source)."
)
@click.option(
    "--speed",
    "speed_m_per_s",
    type=SPEED,
    default="3mph",
    help="How fast you spray, such as 3mph or 5km/h, for the minutes (common practice, no source).",
)
@click.option(
    "--smallest",
    "smallest_m2",
    type=AREA,
    default="300ft2",
    help="Leave out zones smaller than this (common practice, no source).",
)
@click.option(
    "--keep-off",
    "keep_off_m",
    type=KeepOff(),
    multiple=True,
    help="Distance to keep from a kind of obstacle, such as water=25ft; may be repeated. None is assumed.",
)
@click.option(
    "--by",
    type=click.Choice(["auto", "map", "averages"]),
    default="auto",
    help="Decide by the map's cells or by averages of parts; auto takes averages where the map adds nothing to them.",
)
@click.option("--border-only", "border_only_m", type=LENGTH, help="Treat only within this of the outer edge.")
@click.option("--surfaces", "kinds", callback=split_words, help="Treat these kinds alone, such as fairway.")
@click.option("--holes", help="Treat these holes alone, such as 1-3,7.")
@click.option("--rate", help="The label's rate, such as 0.2floz/1000ft2, for amounts; none is known here.")
@click.option("--carrier", help="Water on the ground, such as 2gal/1000ft2.")
@click.option("--tank", help="What the sprayer holds, such as 100gal, for tank loads.")
@click.option("--sampled-only", is_flag=True, help="Treat no ground without a plug near; what that leaves is told.")
@click.option(
    "--plug-price",
    "price_m2",
    type=AREA,
    help="What one more plug may cost, as needless treatment, such as 500ft2: says whether to look again first.",
)
@click.option(
    "--checks", "check_share", type=_Percent(), default=0.0, help="Leave this part of the zones as check strips, as 5%."
)
@paper_option
@out_folder_option("Folder for the zones' files and the plan.")
@visit_option
@units_option
@says
def treat_command(survey: Path, out: Path, visit: str | None, **asked: Any) -> Told:
    """Mark out what to treat, and only that.

    Writes the zones into SURVEY, and into the folder --out: zones.geojson, zones.kml, zones.csv, zones.gpx,
    zones_shapefile.zip, the passes over them in the like files, and treatment_plan.pdf. The product label and the local
    code set rates and distances; none is assumed.

    \b
    Example:
      geosample treat course.gpkg --threshold 30/ft2 --keep-off water=25ft --out plan
    """  # noqa: D301
    from geosample.errors import TreatError
    from geosample.files.saving import make_folder
    from geosample.report.treat import tell_looks, tell_plan, tell_plan_more
    from geosample.survey import open_survey
    from geosample.treat import save_zones, write_plan, write_zones

    price_m2, units, paper = (asked.pop(name) for name in ("price_m2", "units", "paper"))
    file = open_survey(survey, must_exist=True)
    found, zones = suggest_asked(file, visit, asked, units)
    make_folder(out, TreatError)
    save_zones(file, zones)
    files = write_zones(zones, out, units=units)
    plan = out / "treatment_plan.pdf"
    files.append(write_plan(zones, found.ground, plan, paper=paper, units=units, course=file.course))
    cautions = [{"text": c.text, "grade": c.grade, "source": c.source} for c in TREATMENT]
    summary = {**zones.summary(), "cautions": cautions, "files": [str(path) for path in files]}
    looks = []
    if price_m2 is not None:
        weighed = _weigh_looks(file, zones, found.ground, price_m2)
        summary["looks"] = None if weighed is None else asdict(weighed)
        looks = tell_looks(weighed, units)
    lines = [*tell_plan(zones, units), *looks, f"Wrote {plan.name} and {len(files) - 1} files of zones into {out}."]
    rest = [*tell_plan_more(zones, units), *looks, *(f"wrote {path}" for path in files)]
    return lines, summary, rest


def suggest_asked(
    file: Survey, visit: str | None, asked: Mapping[str, Any], units: Units, *, found: Evidence | None = None
) -> tuple[Evidence, Zones]:
    """Return the zones that the command's options ask for, which are not stored, and what they rest on.

    ``found`` is what they rest on where it was gathered before.
    """
    from geosample.treat import Sprayer, gather_evidence, suggest_zones
    from geosample.treat.amounts import parse_rate, parse_tank

    asked = {**asked, "holes": parse_holes(asked.get("holes") or "")}
    by, rate, carrier, tank = (asked.pop(name) for name in ("by", "rate", "carrier", "tank"))
    _refuse_pairs([kind for kind, _ in asked["keep_off_m"]], tank, carrier)
    sprayer = Sprayer(
        rate=None if rate is None else parse_rate(rate),
        carrier=None if carrier is None else parse_rate(carrier, where="--carrier", dimension="volume"),
        tank=None if tank is None else parse_tank(tank),
    )
    found = found or gather_evidence(file, visit, by=by)
    if found.estimated_now:
        talk("There were no estimates yet: made them first, as 'geosample estimate' does.")
    zones = suggest_zones(
        found.density_map,
        found.ground,
        **asked | {"keep_off_m": dict(asked["keep_off_m"])},
        strip_step_m=_STRIP_STEPS_M[units],
        sprayer=sprayer,
        findings=found.findings,
        treatments=found.treatments,
        samples=found.samples,
    )
    return found, zones


def _weigh_looks(file: Survey, zones: Zones, ground: Ground, price_m2: float) -> Looks | None:
    """Return whether more plugs are worth their price; none where the plan does not go by a map."""
    from geosample.density import load_density, weigh_looks
    from geosample.design import load_design
    from geosample.treat.model import Basis

    density_map = load_density(file, zones.visit)
    if density_map.fitted.get("no_map") or zones.figures.basis is not Basis.MAP:
        return None
    return weigh_looks(
        density_map,
        ground,
        load_design(file, zones.visit),
        threshold_per_m2=zones.settings.threshold_per_m2,
        price_m2=price_m2,
        miss_cost=zones.settings.miss_cost,
    )


def _refuse_pairs(kinds: list[str], tank: str | None, carrier: str | None) -> None:
    """Refuse one kind kept off twice, and a tank without what goes into it."""
    from geosample.errors import Problem, TreatError

    problems = []
    twice = sorted({kind for kind in kinds if kinds.count(kind) > 1})
    if twice:
        found = f"{', '.join(twice)} more than once"
        problems.append(Problem("--keep-off", found, "one distance a kind", "leave out the other"))
    if tank is not None and carrier is None:
        found = f"a tank of {tank}, and no carrier volume"
        problems.append(Problem("--tank", found, "both, to tell tank loads", "add --carrier, such as 2gal/1000ft2"))
    if problems:
        raise TreatError(problems)


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
    help="Whose fields to ask for: US restricted-use products, New York golf courses, or none.",
)
@visit_option
@units_option
@says
def record_command(survey: Path, day: str, visit: str | None, rules: str, **asked: Any) -> Told:
    """Store what was done in the zones of a plan.

    The fields of the record rules are asked for, and any others may be added; irac_group is read by the next plan.

    \b
    Example:
      geosample record course.gpkg --date 2026-05-08 --set irac_group=28 --set applicator='A. Name' --set method=boom
    """  # noqa: D301
    from geosample.report.treat import tell_record, tell_record_more
    from geosample.survey import open_survey
    from geosample.treat import load_zones
    from geosample.treat.records import fill_record, keep_fields, missing_fields, save_record
    from geosample.words import RULES

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
    return lines, facts, tell_record_more(record, missing, chosen)


@click.command()
@survey_argument
@click.option("--before", required=True, help="The visit whose plan was carried out.")
@click.option("--after", required=True, help="A later visit, at fresh points.")
@click.option("--before-stages", help="Stages to count before, with commas; all that were looked for when not given.")
@click.option("--after-stages", help="The same cohort's stages at the later visit.")
@click.option("--seed", type=click.IntRange(0, 2**31 - 1), default=7, help="Seed of the intervals.")
@units_option
@says
def check_command(survey: Path, before: str, after: str, seed: int, **asked: Any) -> Told:
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
    from geosample.report.treat import tell_efficacy, tell_efficacy_more, tell_same_places, tell_treated
    from geosample.survey import open_survey
    from geosample.treat import load_zones
    from geosample.treat.records import check_treatment, check_visits, treated_zones

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
    return [tell_treated(treated), *tell_same_places(found), tell_efficacy(found)], facts, rest


def _split(text: str | None) -> list[str] | None:
    return [name.strip() for name in text.split(",") if name.strip()] if text else None
