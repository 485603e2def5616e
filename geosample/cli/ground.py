"""geosample ground: the course's polygons in, a survey file out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from geosample.cli.options import LENGTH, json_option, more_option, survey_argument, units_option
from geosample.report import say, talk
from geosample.units import Units

if TYPE_CHECKING:
    from geosample.ground import Ground
    from geosample.survey import Survey

WIDEST_COLLAR_M = 5.0  # 18-60 in are usual (common practice, no source); wider is most likely ft written for in


class HoleWidths(click.ParamType[dict[str, float]]):
    """Lengths by hole, such as ``30in`` or ``30in,7=36in``, turned into metres; ``*`` for the other holes."""

    name = "length"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> dict[str, float]:
        """Return the widths by hole; bad usage for one without a unit."""
        if isinstance(value, dict):
            return value
        from geosample.ground.cutting import ALL_HOLES

        pairs = [part.rpartition("=") for part in str(value).split(",")]
        widths = {hole.strip() or ALL_HOLES: LENGTH.convert(width.strip(), param, ctx) for hole, _, width in pairs}
        if max(widths.values()) > WIDEST_COLLAR_M:
            self.fail(f"found {value}; expected collars of up to 5 m (usual: 18in to 60in); check the unit", param, ctx)
        return widths


@click.command(short_help="Read the course's polygons into a survey file.")
@survey_argument
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="FILE...")
@click.option("--kinds", multiple=True, help='What labels mean: "teebox=tee,asphalt=path,OB=ignore".')
@click.option("--kind-from", multiple=True, metavar="FIELD", help="Field that alone tells the kind.")
@click.option("--hole-from", multiple=True, metavar="FIELD", help="Field that alone tells the hole.")
@click.option("--collar", "collar_m", type=HoleWidths(), help='Collar to derive round greens: 30in, or "30in,7=36in".')
@click.option("--approach", "approach_m", type=LENGTH, help="Fairway this near its green is approach: 30yd.")
@click.option("--crs", help="Working system in metres, EPSG:n; one centred on the course when not given.")
@click.option("--file-crs", help="What the files' coordinates are in, EPSG:n, over what they say.")
@click.option("--swap-lonlat", is_flag=True, help="The files have latitude before longitude.")
@click.option("--picture", type=click.Path(path_type=Path, dir_okay=False), help="Draw what was understood, a PNG.")
@click.option("--force", is_flag=True, help="Replace a ground that visits rest on.")
@units_option
@more_option
@json_option
def command(survey: Path, files: tuple[Path, ...], units: Units, as_json: bool, more: bool, **options: Any) -> None:
    """Read the course's polygons into a survey file: kinds, holes, collars, overlaps settled.

    FILE is any of GeoJSON (.geojson, .json), KML, KMZ, GeoPackage (.gpkg), Shapefile (.shp, or zipped),
    FlatGeobuf (.fgb) and CSV with a column WKT; several at once are one course. What is not recognised is listed
    with the text for --kinds that settles it; it is left out only if you say so (LABEL=ignore). Overlaps go to the
    first of green, collar, tee, approach, fairway, rough; water, bunkers, paths and buildings are cut out of all.
    Points such as cups and pins are landmarks, not ground.

    \b
    Example:
      geosample ground course.gpkg layers/course.geojson --collar 30in
    """  # noqa: D301 - click reads the control character, which a raw string would not hold
    from geosample.ground import replace_ground
    from geosample.report.ground import tell_ground, tell_ground_more, tell_replaced
    from geosample.survey import open_survey

    file = open_survey(survey)
    picture, force = options.pop("picture"), options.pop("force")
    ground = _read(file, files, picture, options)
    for line in tell_replaced(replace_ground(file, ground, force=force)):
        talk(line)
    facts = {"survey": str(survey), **ground.summary()}
    say(tell_ground(ground, units), facts, as_json=as_json, rest=tell_ground_more(ground, units), more=more)


def _read(survey: Survey, files: tuple[Path, ...], picture: Path | None, asked: dict[str, Any]) -> Ground:
    from geosample.ground import UnknownKindsError, check_not_survey, kept_crs, parse_kinds, read_ground

    check_not_survey(survey, files)
    given = {**asked, "kinds": parse_kinds(asked["kinds"]), "crs": asked["crs"] or kept_crs(survey)}
    try:
        ground = read_ground(files, **given)
    except UnknownKindsError as error:
        _draw(error.seen, picture)
        raise
    _draw(ground, picture)
    return ground


def _draw(ground: Ground, picture: Path | None) -> None:
    from geosample.ground import draw_ground

    if picture is not None:
        draw_ground(ground, picture)
        talk(f"picture: {picture}")
