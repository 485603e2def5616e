"""The command ``geosample design``."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from geosample.cli.options import (
    AREA,
    DENSITY,
    LENGTH,
    json_option,
    more_option,
    name_options,
    seed_option,
    split_words,
    survey_argument,
    units_option,
)
from geosample.pests import DEFAULT_PEST, load_pest
from geosample.report import say
from geosample.units import Units
from geosample.words import ALLOCATIONS, DRAW_METHODS, WALKS


def _distances(ctx: click.Context, param: click.Parameter, values: tuple[str, ...]) -> tuple[tuple[str, float], ...]:
    pairs = [value.partition("=") for value in values]
    for value, (_, sign, _) in zip(values, pairs, strict=True):
        if not sign:
            message = f"{value!r} is not KIND=DISTANCE, such as water=10ft"
            raise click.BadParameter(message)
    return tuple((kind.strip().lower(), LENGTH.convert(text, param, ctx)) for kind, _, text in pairs)


def _pairs(ctx: click.Context, param: click.Parameter, values: tuple[str, ...]) -> tuple[tuple[str, int], ...]:  # noqa: ARG001
    pairs = [value.rpartition("=") for value in values]
    for value, (name, _, number) in zip(values, pairs, strict=True):
        if not name or not number.strip().isdecimal():
            message = f"{value!r} is not NAME=NUMBER, such as green=20"
            raise click.BadParameter(message)
    return tuple((name.strip().lower(), int(number)) for name, _, number in pairs)


def _densities(ctx: click.Context, param: click.Parameter, value: str | None) -> tuple[float, float] | None:
    if value is None:
        return None
    parts = [DENSITY.convert(part.strip(), param, ctx) for part in value.split(",")]
    if len(parts) != 2 or not 0 < parts[0] < parts[1]:  # noqa: PLR2004 - a low and a high one
        message = f"{value!r} is not a low and a high density, such as 10/ft2,40/ft2"
        raise click.BadParameter(message)
    return parts[0], parts[1]


def _degrees(ctx: click.Context, param: click.Parameter, value: str | None) -> tuple[float, float] | None:  # noqa: ARG001
    if value is None:
        return None
    try:
        lon, lat = (float(part) for part in value.split(","))
    except ValueError as error:
        message = f"{value!r} is not longitude,latitude in degrees, such as -73.91,41.52"
        raise click.BadParameter(message) from error
    return lon, lat


def _groups(ctx: click.Context, param: click.Parameter, value: str) -> tuple[str, ...]:  # noqa: ARG001
    return tuple(value.split(";")) if value else ()


def _refuse_spacing(ctx: click.Context, param: click.Parameter, value: str | None) -> None:  # noqa: ARG001
    if value is not None:
        message = (
            "points are not thrown away for lying near each other: what is left would have densities nobody knows. "
            "A balanced draw spreads by itself; see the unevenness that --more tells."
        )
        raise click.BadParameter(message)


@click.command()
@survey_argument
@click.option("--visit", required=True, help="The visit's date, or a name (then give --date too).")
@click.option("--date", help="The day of sampling, YYYY-MM-DD, where the visit's name is no date.")
@click.option("--points", type=int, help="Main points in all; 90 when neither this nor --precision is given.")
@click.option("--precision", type=float, help="Standard error over mean wanted, for all together: 0.02 to 1.")
@click.option(
    "--expected",
    "expected_per_m2",
    type=DENSITY,
    help="Density expected, such as 20/ft2, for --precision or --threshold.",
)
@click.option(
    "--threshold",
    "threshold_per_m2",
    type=DENSITY,
    help="As many points as tell the expected density from this one.",
)
@click.option("--chance", type=float, default=0.8, show_default=True, help="Chance to tell it, 0.5 to 0.99.")
@click.option("--hours", type=float, help="Hours at hand; without --points, as many points as they allow.")
@click.option("--people", type=int, default=1, show_default=True, help="People at work.")
@click.option("--containers", type=int, default=6, show_default=True, help="Bags extracted at once.")
@click.option(
    "--extraction",
    type=click.Choice(["brine", "heat"]),
    default="brine",
    show_default=True,
    help="How the bench gets them out.",
)
@click.option(
    "--surfaces",
    callback=split_words,
    default="",
    help="Kinds to sample; green,collar,fairway, as far as the course has them, when not given.",
)
@click.option("--holes", help="Holes to sample, such as 1-3,7; all when not given.")
@click.option("--without-holes", default="", help="Holes left out, such as closed ones.")
@click.option("--hole-groups", callback=_groups, default="", help="Strata by groups of holes, such as '1-9;10-18'.")
@click.option(
    "--areas", type=click.Path(path_type=Path), help="Polygons of your own that split the strata (any format)."
)
@click.option("--area-name", help="The field that names those polygons; name when not given.")
@click.option("--by", callback=split_words, default="", help="Split the strata by hole or surface as well.")
@click.option("--border", "border_m", type=LENGTH, help="Make border and interior strata, the border this wide.")
@click.option("--border-weight", type=float, default=1.0, show_default=True, help="Density at the edge, 1 to 4 times.")
@click.option(
    "--method",
    type=click.Choice(DRAW_METHODS),
    default="balanced",
    show_default=True,
    help="How points are drawn.",
)
@click.option(
    "--allocation",
    type=click.Choice(ALLOCATIONS),
    default="power",
    show_default=True,
    help="How strata share the points; power is by the root of the area.",
)
@click.option("--most", multiple=True, callback=_pairs, help="Most points in a stratum or kind, such as green=20.")
@click.option("--k", type=float, help="k of one bag here; the last estimate's, or a cautious one, when not given.")
@click.option("--minimum", type=int, default=8, show_default=True, help="Fewest points in a stratum.")
@click.option("--reserve", type=float, default=0.2, show_default=True, help="Reserve points, as a share of the main.")
@click.option("--plug", "plug_m", type=LENGTH, help="Diameter of a plug; the pest's usual when not given.")
@click.option("--unit-area", "unit_m2", type=AREA, help="Area of one unit that is no round plug.")
@click.option("--plugs", type=int, help="Plugs pooled at a point; the pest's usual when not given.")
@click.option("--pest", default=DEFAULT_PEST, show_default=True, help="The pest's profile.")
@seed_option
@click.option("--setback", "setback_m", type=LENGTH, default=0.0, help="Strip along each surface's edge left out.")
@click.option(
    "--keep-off",
    multiple=True,
    callback=_distances,
    help="Leave out what is this near to a kind of obstacle or landmark: water=10ft, cup=3ft; 0ft: the thing itself.",
)
@click.option("--keep", type=float, default=0.0, help="Share of the last visit's points kept, moved by 0.5 to 1 m.")
@click.option(
    "--compare", callback=split_words, default="", help="Split each point's plugs between methods: brine,heat."
)
@click.option("--stop-lines", callback=_densities, help="Low and high density for stop lines: 10/ft2,40/ft2.")
@click.option(
    "--start", callback=_degrees, help="Where the round starts, longitude,latitude; the first tee when not given."
)
@click.option("--least-spacing", hidden=True, callback=_refuse_spacing)
@click.option("--every-edge", is_flag=True, help="Measure edge distance to each surface's own line.")
@click.option("--walk", type=click.Choice(WALKS), default="holes", show_default=True, help="Walking order.")
@units_option
@more_option
@json_option
def command(survey: Path, units: Units, as_json: bool, more: bool, **asked: Any) -> None:
    """Decide where to pull plugs, and in what order.

    Every point is drawn with a known density, so that its count stands for a known piece of ground. Points spread
    over the ground by themselves; border and interior can be strata of their own.

    \b
    Example:
      geosample design course.gpkg --visit 2026-05-04 --points 60 --holes 1-3 --border 15ft --seed 7
    """  # noqa: D301
    from geosample.design import check_open, draw_design, load_last_design, read_known, save_design
    from geosample.ground import load_ground
    from geosample.report.design import tell_design, tell_design_more
    from geosample.survey import open_survey

    _check_wish(asked)
    file = open_survey(survey, must_exist=True)
    check_open(file.read("samples"), asked["visit"])
    ground = load_ground(file)
    known = read_known(file, load_pest(asked["pest"]).name)
    asked.pop("least_spacing")
    if asked["k"] is None:
        asked |= {"k": known.k, "k_from_visit": known.k_from_visit}
    if asked["allocation"] == "optimal":
        asked["expected"] = known.densities_per_m2
    for name in ("surfaces", "holes"):
        asked[name] = asked[name] or None
    asked["stop_low_per_m2"], asked["stop_high_per_m2"] = asked.pop("stop_lines") or (None, None)
    last = load_last_design(file, asked["visit"]) if asked["keep"] else None
    design = draw_design(ground, **asked, last=last)
    save_design(file, design)
    rest = tell_design_more(design, units)
    say(tell_design(design, units), design.summary(), as_json=as_json, rest=rest, more=more)


def _check_wish(asked: Mapping[str, Any]) -> None:
    """Refuse options that do not go together as bad usage."""
    from geosample.design import find_wish_problems

    wish = [asked[name] for name in ("precision", "threshold_per_m2", "expected_per_m2")]
    for problem in find_wish_problems(*wish, points_asked=asked["points"] is not None):
        raise click.UsageError(str(name_options(problem, command)))
