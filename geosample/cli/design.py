"""The command ``geosample design``."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from geosample.cli.options import AREA, DENSITY, LENGTH, json_option, seed_option, survey_argument, units_option
from geosample.pests import DEFAULT_PEST
from geosample.report import say
from geosample.units import Units


def _words(ctx: click.Context, param: click.Parameter, value: str | None) -> tuple[str, ...] | None:  # noqa: ARG001
    return None if value is None else tuple(word.strip().lower() for word in value.split(",") if word.strip())


def _distances(ctx: click.Context, param: click.Parameter, values: tuple[str, ...]) -> tuple[tuple[str, float], ...]:
    pairs = [value.partition("=") for value in values]
    for value, (_, sign, _) in zip(values, pairs, strict=True):
        if not sign:
            message = f"{value!r} is not KIND=DISTANCE, such as water=10ft"
            raise click.BadParameter(message)
    return tuple((kind.strip().lower(), LENGTH.convert(text, param, ctx)) for kind, _, text in pairs)


@click.command()
@survey_argument
@click.option("--visit", required=True, help="The visit's date, or a name (then give --date too).")
@click.option("--date", help="The day of sampling, YYYY-MM-DD, where the visit's name is no date.")
@click.option("--points", type=int, help="Main points in all; 90 when neither this nor --precision is given.")
@click.option("--precision", type=click.FloatRange(0.02, 1), help="Standard error over mean wanted, for all together.")
@click.option("--expected", type=DENSITY, help="Density expected, such as 20/ft2, for --precision.")
@click.option("--surfaces", callback=_words, default="green,collar,fairway", show_default=True, help="Kinds to sample.")
@click.option("--holes", help="Holes to sample, such as 1-3,7; all when not given.")
@click.option("--by", callback=_words, default="", help="Split the strata by hole or surface as well.")
@click.option("--border", "border_m", type=LENGTH, help="Make border and interior strata, the border this wide.")
@click.option("--border-weight", type=float, default=1.0, show_default=True, help="Density at the edge, 1 to 4 times.")
@click.option(
    "--method",
    type=click.Choice(["balanced", "grid", "triangle", "random", "lines"]),
    default="balanced",
    show_default=True,
    help="How points are drawn.",
)
@click.option(
    "--allocation",
    type=click.Choice(["power", "proportional", "equal", "optimal"]),
    default="power",
    show_default=True,
    help="How strata share the points; power is by the root of the area.",
)
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
    help="Leave out what is this near to a kind of obstacle, such as water=10ft; 0ft leaves out the thing itself.",
)
@click.option("--every-edge", is_flag=True, help="Measure edge distance to each surface's own line.")
@click.option(
    "--walk", type=click.Choice(["holes", "round"]), default="holes", show_default=True, help="Walking order."
)
@units_option
@json_option
def command(survey: Path, units: Units, as_json: bool, **asked: Any) -> None:
    """Decide where to pull plugs, and in what order.

    Every point is drawn with a known density, so that its count stands for a known piece of ground. Points spread
    over the ground by themselves; border and interior can be strata of their own.

    \b
    Example:
      geosample design course.gpkg --visit 2026-05-04 --points 60 --holes 1-3 --border 15ft --seed 7
    """  # noqa: D301
    from geosample.design import Request, check_open, describe_design, draw_design, save_design, summarise_design
    from geosample.design.howmany import settle_points
    from geosample.design.request import parse_holes
    from geosample.ground import load_ground
    from geosample.survey import open_survey

    file = open_survey(survey, must_exist=True)
    check_open(file.read("samples"), asked["visit"])
    precision, expected = asked.pop("precision"), asked.pop("expected")
    if precision is not None and (expected is None or asked["points"] is not None):
        message = "--precision needs --expected, and stands in place of --points"
        raise click.UsageError(message)
    asked["holes"] = parse_holes(asked["holes"]) if asked["holes"] else None
    asked["points"] = 90 if asked["points"] is None else asked["points"]
    request = settle_points(Request(**asked), precision, expected)
    design = draw_design(load_ground(file), request)
    save_design(file, design)
    say(describe_design(design, units), summarise_design(design), as_json=as_json)
