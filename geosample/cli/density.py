"""geosample density: where the insects are, and where that is not known."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from geosample.cli.options import (
    DENSITY,
    LENGTH,
    json_option,
    out_folder_option,
    survey_argument,
    units_option,
    visit_option,
)
from geosample.report import say, talk
from geosample.units import Units, show_density

if TYPE_CHECKING:
    from geosample.counts import Counts
    from geosample.design import Design
    from geosample.survey import Survey


@click.command(short_help="Map where they are, and where that is not known.")
@survey_argument
@click.option("--cell", "cell_m", type=LENGTH, default="1m", show_default=True, help="Side of a cell.")
@click.option(
    "--threshold",
    "threshold_per_m2",
    type=DENSITY,
    help="Density of the exceedance band, such as 30/ft2; a starting point from the pest's profile if not given.",
)
@click.option(
    "--covariates",
    default="edge,kind",
    show_default=True,
    help="What may shift the density: any of edge, kind, trees, last (the last visit's map), or none.",
)
@click.option("--known", "known_ratio", type=float, help="Posterior over prior variance at which a cell is known: 0.5.")
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
@json_option
def command(
    survey: Path, out: Path, visit: str | None, units: Units, as_json: bool, at: Path | None, **asked: Any
) -> None:
    """Map the density from a visit's counts, with its interval and what is not known.

    Makes density.tif (expected, low, high, exceedance, known) and keeps the map in the survey. It says how much
    the map adds to plain averages; where it adds nothing, decide by averages.

    \b
    Example:
      geosample density course.gpkg --cell 2m --threshold 30/ft2 --out maps
    """  # noqa: D301
    from geosample.density import (
        load_last_density,
        map_density,
        read_settings,
        save_density,
        show_places,
        summarise_map,
        tell_places,
        write_density_tif,
        write_places,
    )
    from geosample.design import load_design
    from geosample.errors import DensityError
    from geosample.ground import load_ground, read_own_shapes
    from geosample.saving import make_folder
    from geosample.survey import open_survey

    file = open_survey(survey, must_exist=True)
    ground, design = load_ground(file), load_design(file, visit)
    own = None if at is None else read_own_shapes(at, ground.crs, option="--at")
    make_folder(out, DensityError)
    cell_m, threshold_per_m2 = asked.pop("cell_m"), _start_from(asked.pop("threshold_per_m2"), design, units)
    settings = read_settings(threshold_per_m2=threshold_per_m2, **asked)
    last = load_last_density(file, design.visit.visit) if "last" in settings.covariates else None
    counts = _counts_of(file, design)
    talk("Fitting the map ...")
    density_map = map_density(counts, ground, design=design, cell_m=cell_m, settings=settings, last=last)
    lines, summary = summarise_map(density_map, threshold_per_m2, units)
    if own is not None:
        table = tell_places(density_map, ground, own, threshold_per_m2, last=last)
        lines += ["", *show_places(table, units), f"Wrote {write_places(out / 'density_at.csv', table)}."]
        summary["at"] = table.to_dict("records")
    save_density(file, density_map)
    path = out / "density.tif"
    write_density_tif(path, density_map, ground.crs, threshold_per_m2=threshold_per_m2, units=units)
    say([*lines, f"Wrote {path}."], {**summary, "file": str(path)}, as_json=as_json)


def _start_from(asked_per_m2: float | None, design: Design, units: Units) -> float:
    """Return the threshold asked for, or one to start from, and say where that comes from."""
    from geosample.density.summary import starting_threshold

    if asked_per_m2 is not None:
        return asked_per_m2
    threshold_per_m2, source = starting_threshold(design.visit.pest)
    talk(f"No threshold given: {show_density(threshold_per_m2, units)} taken to start with ({source}).")
    return threshold_per_m2


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
