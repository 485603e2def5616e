"""geosample density: where the insects are, and where that is not known."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from geosample.cli.options import (
    DENSITY,
    LENGTH,
    json_option,
    more_option,
    out_folder_option,
    survey_argument,
    units_option,
    visit_option,
)
from geosample.report import say, talk
from geosample.units import Units

if TYPE_CHECKING:
    from geosample.counts import Counts
    from geosample.design import Design
    from geosample.survey import Survey


def _split_covariates(_ctx: click.Context, _param: click.Parameter, words: str) -> tuple[str, ...]:
    """Return the covariates named, parted by commas; none when the word none stands alone."""
    named = tuple(word.strip().lower() for word in words.split(","))
    return () if named == ("none",) else named


@click.command(short_help="Map where they are, and where that is not known.")
@survey_argument
@click.option("--cell", "cell_m", type=LENGTH, default="1m", show_default=True, help="Side of a cell.")
@click.option(
    "--threshold",
    "threshold_per_m2",
    type=DENSITY,
    help="Density whose chance of being passed is mapped: 30/ft2; one published for the pest if not given.",
)
@click.option(
    "--covariates",
    default="edge,kind",
    show_default=True,
    callback=_split_covariates,
    help="What may shift the density: any of edge, kind, trees, last (the last visit's map), or none.",
)
@click.option(
    "--known",
    "known_ratio",
    type=float,
    default=0.5,
    show_default=True,
    help="A cell is known where the counts leave at most this part of the doubt there was without them.",
)
@click.option(
    "--recovery",
    "recoveries",
    multiple=True,
    help="Share a method finds, such as heat=1.6 or heat=1.6,1.2,2.1 with its limits; 1.0 where none is given.",
)
@click.option(
    "--at",
    type=click.Path(path_type=Path),
    help="Points or areas of your own (any format): their density or mean density goes to density_at.csv.",
)
@out_folder_option("Folder for density.tif.")
@visit_option
@units_option
@more_option
@json_option
def command(  # noqa: PLR0913, PLR0917 - a command's options
    survey: Path,
    out: Path,
    visit: str | None,
    units: Units,
    as_json: bool,
    more: bool,
    at: Path | None,
    threshold_per_m2: float | None,
    **asked: Any,
) -> None:
    """Map the density from a visit's counts, with its interval and what is not known.

    Makes density.tif (expected, low, high, exceedance: the chance to pass the threshold, known) and keeps the map in
    the survey. It says how much the map adds to plain averages; where it adds nothing, decide by averages.

    \b
    Example:
      geosample density course.gpkg --cell 2m --threshold 30/ft2 --out maps
    """  # noqa: D301
    from geosample.density import (
        estimate_places,
        load_last_density,
        map_density,
        save_density,
        starting_threshold,
        write_density_tif,
        write_places,
    )
    from geosample.design import load_design
    from geosample.errors import DensityError
    from geosample.files.saving import make_folder
    from geosample.ground import load_ground, read_own_shapes
    from geosample.report.density import tell_map, tell_map_more, tell_places, tell_start
    from geosample.survey import open_survey

    file = open_survey(survey, must_exist=True)
    ground, design = load_ground(file), load_design(file, visit)
    own = None if at is None else read_own_shapes(at, ground.crs, option="--at")
    make_folder(out, DensityError)
    if threshold_per_m2 is None:
        start = starting_threshold(design.visit.pest)
        threshold_per_m2 = start.low_per_m2
        talk(tell_start(start, units))
    last = load_last_density(file, design.visit.visit) if "last" in asked["covariates"] else None
    asked |= read_recoveries(asked.pop("recoveries"))
    counts = _counts_of(file, design)
    talk("Fitting the map ...")
    density_map = map_density(counts, ground, design=design, threshold_per_m2=threshold_per_m2, last=last, **asked)
    lines, summary = tell_map(density_map, units), density_map.summary()
    if own is not None:
        table = estimate_places(density_map, ground, own, threshold_per_m2, last=last)
        lines += ["", *tell_places(table, units), f"Wrote {write_places(out / 'density_at.csv', table)}."]
        summary["at"] = table.to_dict("records")
    save_density(file, density_map)
    path = out / "density.tif"
    write_density_tif(path, density_map, threshold_per_m2=threshold_per_m2, units=units)
    rest = tell_map_more(density_map, units)
    say([*lines, f"Wrote {path}."], {**summary, "file": str(path)}, as_json=as_json, rest=rest, more=more)


def read_recoveries(texts: Sequence[str]) -> dict[str, Any]:
    """Return shares by method, and how unsure the least sure of them is, from words such as heat=1.6,1.2,2.1."""
    from geosample.errors import DensityError, Problem
    from geosample.estimate import parse_recovery

    found = [parse_recovery(text) for text in texts]
    problems = [
        Problem("--recovery", repr(text), "a method and its share", "write heat=1.6; the map adds the stages up")
        for text, one in zip(texts, found, strict=True)
        if one.stage or not one.method
    ]
    if problems:
        raise DensityError(problems)
    shares = {one.method: one.value for one in found}
    return {"recovery": shares, "recovery_sd": max((one.log_sd for one in found), default=0.0)}


def _counts_of(file: Survey, design: Design) -> Counts:
    """Return the visit's counts, with those of the round it follows unless a treatment lies between the two."""
    from geosample.counts import load_counts
    from geosample.density import check_untreated, join_rounds

    counts = load_counts(file, design.visit.visit)
    follows = design.visit.follows
    if not follows:
        return counts
    check_untreated(file.read("treatments"), follows, design.visit.date)
    talk(f"A second round: the counts of {follows} are mapped with it.")
    return join_rounds(load_counts(file, follows), counts)
