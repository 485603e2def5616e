"""The command ``treat``: from a density map to zones, their files and the plan on paper."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from geosample.cautions import TREATMENT
from geosample.cli.options import (
    AREA,
    DENSITY,
    LENGTH,
    json_option,
    out_folder_option,
    survey_argument,
    units_option,
    visit_option,
)
from geosample.report import say, show_table, talk
from geosample.units import percent, show_area, show_density, show_range
from geosample.words import ACTIONS

if TYPE_CHECKING:
    import pandas as pd

    from geosample.density import DensityMap
    from geosample.survey import Survey
    from geosample.treat import TreatSettings, Zones
    from geosample.units import Units


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
@click.option("--threshold", type=DENSITY, required=True, help="Density above which you would act, such as 30/ft2.")
@click.option(
    "--miss-cost",
    type=float,
    default=3.0,
    show_default=True,
    help="What a hot place missed costs, in needless treatments of it (common practice, no source).",
)
@click.option(
    "--swath", type=LENGTH, default="15ft", show_default=True, help="The sprayer's width (common practice, no source)."
)
@click.option(
    "--smallest",
    type=AREA,
    default="300ft2",
    show_default=True,
    help="Leave out zones smaller than this (common practice, no source).",
)
@click.option(
    "--keep-off",
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
@click.option("--border-only", type=LENGTH, help="Treat only within this of the outer edge.")
@click.option("--rate", help="The label's rate, such as 0.2floz/1000ft2, for amounts; none is known here.")
@click.option("--carrier", help="Water on the ground, such as 2gal/1000ft2.")
@click.option("--tank", help="What the sprayer holds, such as 100gal, for tank loads.")
@click.option("--checks", type=_Percent(), default=0.0, help="Leave this part of the zones as check strips, as 5%.")
@click.option("--paper", type=click.Choice(["letter", "a4"]), default="letter", show_default=True, help="Plan's paper.")
@out_folder_option("Folder for the zones' files and the plan.")
@visit_option
@units_option
@json_option
def command(survey: Path, threshold: float, out: Path, visit: str | None, as_json: bool, **asked: Any) -> None:
    """Mark out what to treat, and only that.

    Writes the zones into SURVEY, and into the folder --out: zones.geojson, zones.kml, zones.csv, zones.gpx,
    zones_shapefile.zip and treatment_plan.pdf. The product label and the local code set rates and distances; none is
    assumed.

    \b
    Example:
      geosample treat course.gpkg --threshold 30/ft2 --keep-off water=25ft --out plan
    """  # noqa: D301
    from geosample.density import load_density
    from geosample.errors import TreatError
    from geosample.ground import load_ground
    from geosample.saving import make_folder
    from geosample.survey import open_survey
    from geosample.treat import save_zones, suggest_zones, write_plan, write_zones

    settings = _read_settings(threshold, asked)
    file = open_survey(survey, must_exist=True)
    ground = load_ground(file)
    density_map = load_density(file, visit)
    own = _findings_of(file, density_map)
    density_map, said = _choose_densities(file, density_map, asked["by"])
    treatments = file.read("treatments")
    zones = suggest_zones(density_map, ground, settings=settings, findings=own, treatments=treatments, said=said)
    make_folder(out, TreatError)
    save_zones(file, zones)
    files = write_zones(zones, out)
    plan = out / "treatment_plan.pdf"
    files.append(write_plan(zones, ground, plan, paper=asked["paper"], units=settings.units, course=survey.stem))
    say(_tell(zones, settings.units), _summarise(zones, files), as_json=as_json)
    talk("wrote " + ", ".join(str(path) for path in files))


def _findings_of(file: Survey, density_map: DensityMap) -> pd.DataFrame:
    """Return what was found of the visit, and by estimates of the round it follows: a follow-up has none of its own."""
    found = file.read("findings")
    mine = found[found["pest"] == density_map.pest]
    return mine[mine["visit"].isin({density_map.visit, _estimated_visit(file, density_map.visit)})]


def _estimated_visit(file: Survey, visit: str) -> str:
    """Return the visit whose estimates speak for this one: the round it follows, or itself."""
    from geosample.design import load_visit

    return load_visit(file, visit).follows or visit


def _choose_densities(file: Survey, density_map: DensityMap, by: str) -> tuple[DensityMap, tuple[str, ...]]:
    """Return the map, or the map at its strata's averages with the sentence that says so."""
    from geosample.design import load_design
    from geosample.treat.averages import adds_nothing, tell_averages, use_averages

    if by == "map" or (by == "auto" and not adds_nothing(density_map)):
        return density_map, ()
    estimates = file.read("estimates")
    estimated = _estimated_visit(file, density_map.visit)
    mine = estimates[(estimates["visit"] == estimated) & (estimates["pest"] == density_map.pest)]
    averaged = use_averages(density_map, mine, load_design(file, density_map.visit).strata)
    return averaged, (tell_averages(density_map, asked=by == "averages"),)


def _read_settings(threshold: float, asked: dict[str, Any]) -> TreatSettings:
    from geosample.errors import Problem, TreatError
    from geosample.treat import TreatSettings
    from geosample.treat.amounts import Sprayer, parse_rate, parse_tank

    kinds = [kind for kind, _ in asked["keep_off"]]
    twice = sorted({kind for kind in kinds if kinds.count(kind) > 1})
    if twice:
        found = f"{', '.join(twice)} more than once"
        raise TreatError(Problem("--keep-off", found, "one distance a kind", "leave out the other"))
    rate, carrier, tank = (asked[name] for name in ("rate", "carrier", "tank"))
    if tank is not None and carrier is None:
        found = f"a tank of {tank}, and no carrier volume"
        raise TreatError(Problem("--tank", found, "both, to tell tank loads", "add --carrier, such as 2gal/1000ft2"))
    sprayer = Sprayer(
        rate=None if rate is None else parse_rate(rate),
        carrier=None if carrier is None else parse_rate(carrier, where="--carrier", dimension="volume"),
        tank=None if tank is None else parse_tank(tank),
    )
    return TreatSettings(
        threshold,
        miss_cost=asked["miss_cost"],
        swath_m=asked["swath"],
        smallest_m2=asked["smallest"],
        keep_off_m=dict(asked["keep_off"]),
        border_only_m=asked["border_only"],
        units=asked["units"],
        check_share=asked["checks"],
        sprayer=sprayer,
    )


def _tell(zones: Zones, units: Units) -> list[str]:
    """Return the answer, the zones and the cautions as lines."""
    heads = ("zone", "do", "area", "about", "between", "chance above")
    rows = [
        (
            zone.zone_id,
            ACTIONS[zone.action].name,
            show_area(zone.area_m2, units),
            show_density(zone.mean_per_m2, units),
            show_range(zone.low_per_m2, zone.high_per_m2, units),
            percent(zone.probability),
        )
        for zone in zones.zones.itertuples()
    ]
    table = ["", *show_table(heads, rows), ""] if rows else [""]
    cautions = ["Before anything is applied:", *(f"- {caution}" for caution in TREATMENT)]
    return [*zones.answer, *table, *zones.reasons, "", *cautions]


def _summarise(zones: Zones, files: list[Path]) -> dict[str, Any]:
    columns = ["zone_id", "action", "surface_id", "hole", "kind", "area_m2", "mean_per_m2", "probability", "note"]
    plan = zones.findings[zones.findings["what"] != "plan settings"]
    return {
        "visit": zones.visit,
        "pest": zones.pest,
        "settings": zones.settings,
        "sentences": list(zones.sentences),
        "zones": zones.zones[columns].to_dict("records"),
        "findings": plan[["what", "domain", "value", "low", "high"]].to_dict("records"),
        "cautions": [{"text": c.text, "grade": c.grade, "source": c.source} for c in TREATMENT],
        "files": [str(path) for path in files],
    }
