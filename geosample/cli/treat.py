"""The command ``treat``: from a density map to zones, their files and the plan on paper."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from geosample.cautions import TREATMENT
from geosample.cli.options import (
    AREA,
    DENSITY,
    LENGTH,
    json_option,
    more_option,
    out_folder_option,
    survey_argument,
    units_option,
    visit_option,
)
from geosample.report import say
from geosample.report.treat import tell_plan, tell_plan_more
from geosample.units import FOOT_M

_STRIP_STEPS_M = {"us": 5 * FOOT_M, "metric": 1.0}
"""By how much the targeting curve's strips grow, so that they read evenly."""


class _KeepOff(click.ParamType[tuple[str, float]]):
    """An obstacle's kind and a distance, such as ``water=25ft``."""

    name = "kind=length"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[str, float]:
        if isinstance(value, tuple):
            return value
        kind, equals, distance = str(value).partition("=")
        if not equals:
            self.fail(f"found {value!r}; expected a kind and a distance; write water=25ft", param, ctx)
        return kind.strip().lower(), LENGTH.convert(distance, param, ctx)


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
    show_default=True,
    help="What a hot place missed costs, in needless treatments of it (common practice, no source).",
)
@click.option(
    "--swath",
    "swath_m",
    type=LENGTH,
    default="15ft",
    show_default=True,
    help="The sprayer's width (common practice, no source).",
)
@click.option(
    "--smallest",
    "smallest_m2",
    type=AREA,
    default="300ft2",
    show_default=True,
    help="Leave out zones smaller than this (common practice, no source).",
)
@click.option(
    "--keep-off",
    "keep_off_m",
    type=_KeepOff(),
    multiple=True,
    help="Distance to keep from a kind of obstacle, such as water=25ft; may be repeated. None is assumed.",
)
@click.option(
    "--by",
    type=click.Choice(["auto", "map", "averages"]),
    default="auto",
    show_default=True,
    help="Decide by the map's cells or by stratum averages; auto takes averages where the map adds nothing to them.",
)
@click.option("--border-only", "border_only_m", type=LENGTH, help="Treat only within this of the outer edge.")
@click.option("--rate", help="The label's rate, such as 0.2floz/1000ft2, for amounts; none is known here.")
@click.option("--carrier", help="Water on the ground, such as 2gal/1000ft2.")
@click.option("--tank", help="What the sprayer holds, such as 100gal, for tank loads.")
@click.option("--sampled-only", is_flag=True, help="Treat no ground that no plug speaks for; what that leaves is told.")
@click.option(
    "--checks", "check_share", type=_Percent(), default=0.0, help="Leave this part of the zones as check strips, as 5%."
)
@click.option("--paper", type=click.Choice(["letter", "a4"]), default="letter", show_default=True, help="Plan's paper.")
@out_folder_option("Folder for the zones' files and the plan.")
@visit_option
@units_option
@more_option
@json_option
def command(survey: Path, out: Path, visit: str | None, as_json: bool, more: bool, **asked: Any) -> None:
    """Mark out what to treat, and only that.

    Writes the zones into SURVEY, and into the folder --out: zones.geojson, zones.kml, zones.csv, zones.gpx,
    zones_shapefile.zip and treatment_plan.pdf. The product label and the local code set rates and distances; none is
    assumed.

    \b
    Example:
      geosample treat course.gpkg --threshold 30/ft2 --keep-off water=25ft --out plan
    """  # noqa: D301
    from geosample.errors import TreatError
    from geosample.files.saving import make_folder
    from geosample.survey import open_survey
    from geosample.treat import Sprayer, gather_evidence, save_zones, suggest_zones, write_plan, write_zones
    from geosample.treat.amounts import parse_rate, parse_tank

    units, rate, carrier, tank = (asked[name] for name in ("units", "rate", "carrier", "tank"))
    _refuse_pairs([kind for kind, _ in asked["keep_off_m"]], tank, carrier)
    sprayer = Sprayer(
        rate=None if rate is None else parse_rate(rate),
        carrier=None if carrier is None else parse_rate(carrier, where="--carrier", dimension="volume"),
        tank=None if tank is None else parse_tank(tank),
    )
    file = open_survey(survey, must_exist=True)
    found = gather_evidence(file, visit, by=asked["by"])
    zones = suggest_zones(
        found.density_map,
        found.ground,
        threshold_per_m2=asked["threshold_per_m2"],
        miss_cost=asked["miss_cost"],
        swath_m=asked["swath_m"],
        smallest_m2=asked["smallest_m2"],
        keep_off_m=dict(asked["keep_off_m"]),
        border_only_m=asked["border_only_m"],
        check_share=asked["check_share"],
        sampled_only=asked["sampled_only"],
        strip_step_m=_STRIP_STEPS_M[units],
        sprayer=sprayer,
        findings=found.findings,
        treatments=found.treatments,
        samples=found.samples,
    )
    make_folder(out, TreatError)
    save_zones(file, zones)
    files = write_zones(zones, out, units=units)
    plan = out / "treatment_plan.pdf"
    files.append(write_plan(zones, found.ground, plan, paper=asked["paper"], units=units, course=survey.stem))
    cautions = [{"text": c.text, "grade": c.grade, "source": c.source} for c in TREATMENT]
    summary = {**zones.summary(), "cautions": cautions, "files": [str(path) for path in files]}
    lines = [*tell_plan(zones, units), f"Wrote {plan.name} and {len(files) - 1} files of zones into {out}."]
    rest = [*tell_plan_more(zones, units), *(f"wrote {path}" for path in files)]
    say(lines, summary, as_json=as_json, rest=rest, more=more)


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
