"""Commands up to pulling plugs: ``ground``, ``design``, ``sheets``, ``followup``; and ``rehearse``."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from geosample.cli.options import (
    AREA,
    DENSITY,
    FILE,
    LENGTH,
    PATH,
    SPEED,
    KeepOff,
    PairOfPlaces,
    Told,
    aerial_options,
    name_options,
    out_folder_option,
    paper_option,
    read_margin,
    says,
    seed_option,
    split_words,
    sure_option,
    survey_argument,
    talk_of_aerial,
    units_option,
    visit_option,
)
from geosample.pests import DEFAULT_PEST, load_pest
from geosample.report import talk
from geosample.units import Units, percent
from geosample.words import ALLOCATIONS, DRAW_METHODS, METHODS, WALKS

if TYPE_CHECKING:
    from geosample.compare import TrialSize
    from geosample.design import Design
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


@click.command()
@survey_argument
@click.argument("files", nargs=-1, type=PATH, metavar="FILE...")
@click.option("--kinds", multiple=True, help='What labels mean: "teebox=tee,asphalt=path,OB=ignore".')
@click.option("--kind-from", multiple=True, metavar="FIELD", help="Field that alone tells the kind.")
@click.option("--hole-from", multiple=True, metavar="FIELD", help="Field that alone tells the hole.")
@click.option("--collar", "collar_m", type=HoleWidths(), help='Collar to derive round greens: 30in, or "30in,7=36in".')
@click.option("--approach", "approach_m", type=LENGTH, help="Fairway this near its green is approach: 30yd.")
@click.option(
    "--accuracy",
    "accuracy_m",
    type=LENGTH,
    help="The receiver's, for walked edges: 68 % of its fixes lie this near; 16ft when not told (from memory).",
)
@click.option("--crs", help="Working system in metres, EPSG:n; one centred on the course when not given.")
@click.option("--file-crs", help="What the files' coordinates are in, EPSG:n, over what they say.")
@click.option(
    "--pairs",
    multiple=True,
    type=PairOfPlaces(),
    help="A place of a drawing and where it lies, x,y=longitude,latitude; three times or more.",
)
@click.option("--name", default="", help="What the course is called on page and papers; the file's name if none.")
@click.option("--swap-lonlat", is_flag=True, help="The files have latitude before longitude.")
@click.option("--picture", type=FILE, help="Draw what was understood, a PNG.")
@click.option("--out", type=FILE, help="Write the clean ground for other programs: .geojson, .kml or .zip (Shapefile).")
@click.option("--force", is_flag=True, help="Visits stay on the ground they were drawn on; new ones are drawn on this.")
@units_option
@says
def ground_command(survey: Path, files: tuple[Path, ...], units: Units, **options: Any) -> Told:
    """Read the course's polygons into a survey file: kinds, holes, collars, overlaps settled.

    FILE is any of GeoJSON (.geojson, .json), KML, KMZ, GPX, OpenStreetMap extract (.osm, .osm.pbf), GeoPackage (.gpkg),
    Shapefile (.shp, or zipped), file geodatabase (.gdb, or zipped), FlatGeobuf (.fgb), GML, MapInfo (.tab, .mif),
    drawing (.dxf) and CSV with a column WKT; several at once are one course. What is not recognised is listed
    with the text for --kinds that settles it; it is left out only if you say so (LABEL=ignore). Overlaps go to the
    first of green, collar, tee, approach, fairway, rough; water, bunkers, paths and buildings are cut out of all.
    Points such as cups and pins are landmarks, not ground. A track recorded on a walk round an edge and named in plain
    words (green 7; 7 fairway left) becomes a surface; walk each twice. With --out and no FILE the survey's ground is
    written out.

    \b
    Example:
      geosample ground course.gpkg layers/course.geojson --collar 30in
    """  # noqa: D301 - click reads the control character, which a raw string would not hold
    from geosample.ground import load_ground, replace_ground, write_ground
    from geosample.report.ground import tell_ground, tell_ground_more, tell_replaced
    from geosample.survey import open_survey

    file = open_survey(survey)
    picture, force, out = options.pop("picture"), options.pop("force"), options.pop("out")
    if not files and (out or picture):
        ground = load_ground(file)
        _draw_picture(ground, picture)
    elif not files:
        message = "Missing argument 'FILE...'."
        raise click.UsageError(message)
    else:
        ground = _read_course(file, files, picture, options)
        for line in tell_replaced(replace_ground(file, ground, force=force), units):
            talk(line)
    if out:
        write_ground(ground, out)
        talk(f"the clean ground: {out}")
    facts = {"survey": str(survey), **ground.summary()}
    return tell_ground(ground, units), facts, tell_ground_more(ground, units)


def _read_course(survey: Survey, files: tuple[Path, ...], picture: Path | None, asked: dict[str, Any]) -> Ground:
    from geosample.ground import UnknownKindsError, check_not_survey, kept_crs, parse_kinds, read_ground

    check_not_survey(survey, files)
    given = {**asked, "kinds": parse_kinds(asked["kinds"]), "crs": asked["crs"] or kept_crs(survey)}
    try:
        ground = read_ground(files, **given)
    except UnknownKindsError as error:
        _draw_picture(error.seen, picture)
        raise
    _draw_picture(ground, picture)
    return ground


def _draw_picture(ground: Ground, picture: Path | None) -> None:
    from geosample.ground import draw_ground

    if picture is not None:
        draw_ground(ground, picture)
        talk(f"picture: {picture}")


class Minutes(click.ParamType[tuple[tuple[str, float], ...]]):
    """Minutes by the name of the work, such as ``pull=0.5,count=3``."""

    name = "work=minutes"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[tuple[str, float], ...]:
        """Return names with their minutes; bad usage for what is no number."""
        pairs = [part.partition("=") for part in str(value).split(",") if part.strip()]
        try:
            return tuple((name.strip().lower(), float(number)) for name, _, number in pairs)
        except ValueError:
            self.fail(f"found {value!r}; expected work and its minutes; write pull=0.5,count=3", param, ctx)


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


def _groups(ctx: click.Context, param: click.Parameter, value: str | None) -> tuple[str, ...]:  # noqa: ARG001
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
    "--threshold", "threshold_per_m2", type=DENSITY, help="As many points as tell the expected density from this one."
)
@click.option("--chance", "--power", "chance", type=float, default=0.8, help="Chance to tell it, 0.5 to 0.99.")
@click.option(
    "--hours", type=float, help="Hours at hand, walk to lens: as many points as they allow, --points at most."
)
@click.option("--people", type=int, default=1, help="People at work.")
@click.option("--containers", type=int, default=6, help="Bags extracted at once.")
@click.option(
    "--extraction", type=click.Choice(["brine", "heat"]), default="brine", help="How the bench gets them out."
)
@click.option(
    "--speed",
    "walk_m_per_s",
    type=SPEED,
    default=1.25,
    show_default="2.8mph",
    help="How fast people walk with their kit (from memory, unverified).",
)
@click.option(
    "--minutes",
    type=Minutes(),
    default="",
    show_default="pull=0.3,fill=0.2,label=0.5,batch=22.5,count=2",
    help="What the work takes: a plug, its hole, a bag's label, a batch, a bag under the lens; --more grades them.",
)
@click.option("--begin", default="7:00", help="When the day begins.")
@click.option(
    "--surfaces",
    callback=split_words,
    help="Kinds to sample; green,collar,fairway, as far as the course has them, when not given.",
)
@click.option("--holes", help="Holes to sample, such as 1-3,7; all when not given.")
@click.option("--without-holes", default="", show_default=False, help="Holes left out, such as closed ones.")
@click.option("--hole-groups", callback=_groups, help="Parts by groups of holes, such as '1-9;10-18'.")
@click.option("--areas", type=PATH, help="Polygons of your own that split the parts (any format).")
@click.option("--area-name", help="The field that names those polygons; name when not given.")
@click.option("--by", callback=split_words, help="Split the parts by hole or surface as well.")
@click.option("--border", "border_m", type=LENGTH, help="Set border and interior apart, the border this wide.")
@click.option("--border-weight", type=float, default=1.0, help="Density at the edge, 1 to 4 times.")
@click.option("--method", type=click.Choice(DRAW_METHODS), default="balanced", help="How points are drawn.")
@click.option(
    "--allocation",
    type=click.Choice(ALLOCATIONS),
    default="power",
    help="How the parts share the points; power is by the root of the area.",
)
@click.option("--most", multiple=True, callback=_pairs, help="Most points in a part or kind, such as green=20.")
@click.option("--k", type=float, help="k of one bag here; the last estimate's, or a cautious one, when not given.")
@click.option("--minimum", type=int, default=8, help="Fewest points in a part.")
@click.option("--reserve", type=float, default=0.2, help="Reserve points, as a share of the main.")
@click.option("--plug", "plug_m", type=LENGTH, help="Diameter of a plug; the pest's usual when not given.")
@click.option("--unit-area", "unit_m2", type=AREA, help="Area of one unit that is no round plug.")
@click.option("--plugs", type=int, help="Plugs pooled at a point; the pest's usual when not given.")
@click.option("--pest", default=DEFAULT_PEST, help="The pest's profile.")
@seed_option
@click.option("--setback", "setback_m", type=LENGTH, default=0.0, help="Strip along each surface's edge left out.")
@click.option(
    "--keep-off",
    multiple=True,
    type=KeepOff(),
    help="Leave out what is this near to a kind of obstacle or landmark, or to a place: water=10ft, cup=3ft, "
    "-73.91,41.52=15ft; 0ft: the thing itself.",
)
@click.option("--keep", type=float, default=0.0, help="Share of the last visit's points kept, moved by 0.5 to 1 m.")
@click.option(
    "--trial",
    "--compare",
    "compare",
    callback=split_words,
    help="A trial: every point is a block, its plugs dealt at random to methods: brine,heat.",
)
@click.option(
    "--margin",
    callback=read_margin,
    help="A trial's: as many blocks as tell a difference of this size, such as 50%; with --points, their power.",
)
@click.option(
    "--aim",
    type=click.Choice(["difference", "equivalence"]),
    default="difference",
    help="Whether a trial is to tell a difference of the margin, or that there is none beyond it.",
)
@click.option(
    "--sites",
    type=click.Choice(["kind", "hole", "surface_id", "all"]),
    help="What a trial's sites are: they share its blocks alike; kinds, sharing as parts do, when not given.",
)
@click.option("--stop-lines", callback=_densities, help="Low and high density for stop lines: 10/ft2,40/ft2.")
@click.option(
    "--start", callback=_degrees, help="Where the round starts, longitude,latitude; the first tee when not given."
)
@click.option("--end", callback=_degrees, help="Where it ends, longitude,latitude; where it started when not given.")
@click.option("--least-spacing", hidden=True, callback=_refuse_spacing)
@click.option("--every-edge", is_flag=True, help="Measure edge distance to each surface's own line.")
@click.option("--walk", type=click.Choice(WALKS), default="holes", help="Walking order.")
@sure_option
@units_option
@says
def design_command(survey: Path, units: Units, **asked: Any) -> Told:
    """Decide where to pull plugs, and in what order.

    Every point is drawn with a known density, so that its count stands for a known piece of ground. Points spread
    over the ground by themselves; border and interior can be parts of their own.

    \b
    Example:
      geosample design course.gpkg --visit 2026-05-04 --points 60 --holes 1-3 --border 15ft --seed 7
    """  # noqa: D301
    from geosample.design import check_day, check_open, save_design
    from geosample.report.compare import tell_size
    from geosample.report.design import tell_design, tell_design_more
    from geosample.survey import open_survey

    file = open_survey(survey, must_exist=True)
    check_open(file.read("samples"), asked["visit"])
    check_day(file, asked["visit"], asked["date"] or asked["visit"], sure=asked["sure"])
    design, size = draw_asked(file, asked)
    before = file.read("visits").query("visit == @name", local_dict={"name": asked["visit"]})["design_code"]
    save_design(file, design)
    rest = tell_design_more(design, units)
    replaced = next((code for code in before if code != design.visit.design_code), None)
    told, facts = tell_design(design, units, replaced=replaced), design.summary() | {"replaced_design": replaced}
    if size is not None:
        told, facts = (
            [told[0], *tell_size(size, design.visit.k_from_visit), *told[1:]],
            facts | {"trial": size.summary()},
        )
    return told, facts, rest


def size_asked(file: Survey, asked: Mapping[str, Any]) -> TrialSize | None:
    """Return the blocks that a trial's margin takes, or the power of those asked for; None without a margin."""
    from geosample.compare import size_trial
    from geosample.design import read_known
    from geosample.distributions import K_IF_UNKNOWN
    from geosample.units import plug_area_m2

    alone = [f"--{name}" for name in ("sites", "margin") if asked[name] is not None and not asked["compare"]]
    if alone or (asked["aim"] != "difference" and asked["margin"] is None):
        text = f"{' and '.join(alone)} needs --trial brine,heat" if alone else "--aim needs --margin"
        raise click.UsageError(text)
    if asked["margin"] is None:
        return None
    pest = load_pest(asked["pest"])
    known = read_known(file, pest.name)
    kinds = asked["surfaces"] or known.densities_per_m2
    found = [known.densities_per_m2[kind] for kind in kinds if kind in known.densities_per_m2]
    if asked["expected_per_m2"] is None and not found:
        text = "--margin needs --expected, since no visit was estimated yet"
        raise click.UsageError(text)
    density = asked["expected_per_m2"] or sum(found) / len(found)
    unit_m2 = asked["unit_m2"] or plug_area_m2(asked["plug_m"] or pest.unit_diameter_m)
    return size_trial(
        mean=density * unit_m2 * (asked["plugs"] or pest.plugs_per_point),
        k=asked["k"] or known.k or K_IF_UNKNOWN,
        margin=asked["margin"],
        power=asked["chance"],
        aim=asked["aim"],
        blocks=asked["points"],
    )


def draw_asked(file: Survey, asked: dict[str, Any]) -> tuple[Design, TrialSize | None]:
    """Return the design that the command's options ask for, which is not stored, and the size of a trial."""
    from geosample.design import draw_design, load_last_design, read_known
    from geosample.ground import load_ground
    from geosample.treat.records import find_strips

    _check_wish(asked)
    size = size_asked(file, asked)
    ground = load_ground(file)
    known = read_known(file, load_pest(asked["pest"]).name)
    asked = asked | ({} if size is None else {"points": size.blocks})
    asked = {name: value for name, value in asked.items() if name not in {"least_spacing", "sure", "margin", "aim"}}
    if asked["sites"] in {"hole", "surface_id"}:
        asked["by"] = tuple(dict.fromkeys([*asked["by"], asked["sites"].removesuffix("_id")]))
    if asked["sites"] not in {None, "all"} and asked["allocation"] == "power":  # said by nobody
        asked["allocation"] = "equal"
    asked["sites"] = asked["sites"] or "kind"
    if asked["k"] is None:
        asked |= {"k": known.k, "k_from_visit": known.k_from_visit}
    if asked["allocation"] == "optimal":
        asked["expected"] = known.densities_per_m2
    for name in ("surfaces", "holes"):
        asked[name] = asked[name] or None
    asked["stop_low_per_m2"], asked["stop_high_per_m2"] = asked.pop("stop_lines") or (None, None)
    last = load_last_design(file, asked["visit"]) if asked["keep"] else None
    left = find_strips(file, asked["visit"], asked["date"] or asked["visit"], load_pest(asked["pest"]).name)
    if left is not None and last is None:
        asked |= {"strips_from_visit": left[0], "strips": left[1]}
    elif left is not None:
        talk(f"The check strips of {left[0]} get no points of their own, for --keep keeps to the parts of that visit.")
    return draw_design(ground, **asked, last=last), size


def _check_wish(asked: Mapping[str, Any]) -> None:
    """Refuse options that do not go together as bad usage."""
    from geosample.design import find_wish_problems

    wish = [asked[name] for name in ("precision", "threshold_per_m2", "expected_per_m2")]
    for problem in find_wish_problems(*wish, points_asked=asked["points"] is not None):
        raise click.UsageError(str(name_options(problem, design_command)))


@click.command("sheets")
@survey_argument
@out_folder_option("Folder for the files; made where it is not there.")
@paper_option
@visit_option
@click.option(
    "--extraction", "method", type=click.Choice(METHODS), help="How insects are extracted; the design's when not given."
)
@click.option("--containers", "batch", type=click.IntRange(1, 1000), help="Bags at once; the design's when not given.")
@click.option("--pace", "pace_m", type=LENGTH, default="30in", help="Length of your pace.")
@click.option("--landmarks", type=FILE, help="File of named places (sprinkler heads, markers) to find points from.")
@click.option("--people", type=int, help="Who share the points, a round each; as the design has it when not given.")
@click.option("--large", is_flag=True, help="Large letters, for poor sight; more pages.")
@aerial_options
@click.option("--force", is_flag=True, help="Write over a blank sheet that is filled in.")
@units_option
@says
def sheets_command(survey: Path, out: Path, visit: str | None, **asked: Any) -> Told:
    """Write the sampling map, the waypoints and the blank sheets of a visit.

    Makes field_map.pdf, bag_labels.pdf, points.gpx, points.kml, blank_counts.csv, blank_counts.xlsx, form_pull.xlsx
    and form_bench.xlsx (XLSForms), and blank_recounts.csv, for the tenth of the bags that a second person counts.
    Each point gets words to find it by: clock and paces on greens, paces along and in on fairways. They are kept in
    the survey's points too. The default pace and method are common practice, not from a source: set your own.

    \b
    Example:
      geosample sheets course.gpkg --out sheets --paper letter
    """  # noqa: D301
    from geosample.design import load_design
    from geosample.ground import load_ground
    from geosample.report.sheets import tell_sheets, tell_sheets_more
    from geosample.sheets import save_finding, write_sheets
    from geosample.survey import open_survey

    file = open_survey(survey, must_exist=True)
    design = load_design(file, visit)
    talk_of_aerial(asked)
    made = write_sheets(design, load_ground(file, design.visit.visit), out, **asked)
    save_finding(file, made.design)
    return tell_sheets(made, asked["units"]), made.summary(), tell_sheets_more(made)


@click.command()
@survey_argument
@click.option("--visit", required=True, help="The new round's date, such as 2026-05-18.")
@click.option("--points", type=int, default=12, help="How many.")
@click.option(
    "--threshold", "threshold_per_m2", type=DENSITY, help="What is decided about; the map's own if not given."
)
@click.option("--miss-cost", type=float, default=3.0, help="Cost of a miss; a needless one costs 1.")
@sure_option
@says
def followup_command(survey: Path, visit: str, *, sure: bool, **asked: Any) -> Told:
    """Choose a few more points where their counts are likeliest to turn a decision, in walking order.

    The newest density map says where. The points are a visit of their own: print their sheets, take the counts in,
    and run density again; it maps both rounds together.

    \b
    Example:
      geosample followup course.gpkg --points 12 --visit 2026-05-18
    """  # noqa: D301
    from geosample.density import draw_followup, load_newest_density
    from geosample.design import check_day, load_design, save_design
    from geosample.ground import load_ground
    from geosample.report.density import tell_followup
    from geosample.survey import open_survey

    file = open_survey(survey, must_exist=True)
    check_day(file, visit, visit, sure=sure)
    density_map = load_newest_density(file)
    first = load_design(file, density_map.visit)
    design, saved = draw_followup(density_map, load_ground(file, density_map.visit), first, visit=visit, **asked)
    save_design(file, design)
    points = design.points["point_id"].tolist()
    facts = {"visit": visit, "follows": density_map.visit, "points": points, "cost_saved": saved}
    return tell_followup(facts), facts, [f"points: {', '.join(points)}"]


def _numbers(ctx: click.Context, param: click.Parameter, value: str) -> tuple[float, ...]:
    try:
        return tuple(float(part) for part in value.split(","))
    except ValueError as error:
        message = f"{value!r} is no list of numbers, such as {param.default}"
        raise click.BadParameter(message, ctx, param) from error


@click.command()
@survey_argument
@click.option("--points", callback=_numbers, default="30,60,120", help="One to five numbers of points to play.")
@click.option("--border-weight", "border_weights", callback=_numbers, default="1", help="Density at the edge: 1,2.5.")
@click.option("--threshold", "threshold_per_m2", type=DENSITY, help="What is decided about; one published if none.")
@click.option("--surfaces", callback=split_words, help="Kinds to sample, as for design.")
@click.option("--holes", help="Holes to sample, such as 1-3,7; all when not given.")
@click.option("--border", "border_m", type=LENGTH, help="Set border and interior apart, the border this wide.")
@click.option("--plugs", type=int, help="Plugs pooled at a point; the pest's usual when not given.")
@click.option("--pest", default=DEFAULT_PEST, help="The pest's profile.")
@click.option("--expected", "mean_per_m2", type=DENSITY, help="Mean density to play, such as 20/ft2.")
@click.option("--k", type=float, help="k of one bag to play.")
@click.option("--patches", "field_range_m", type=LENGTH, help="How far patches reach: 100ft.")
@click.option("--spread", "field_sd", type=float, help="Spread of the log density from place to place; 0 is even.")
@click.option("--miss-cost", type=float, default=3.0, help="Cost of a miss; a needless treatment costs 1.")
@click.option("--people", type=int, default=1, help="People at work, of the hours.")
@click.option("--extraction", type=click.Choice(["brine", "heat"]), default="brine", help="Of the hours.")
@click.option("--rounds", type=int, default=200, help="Surveys played for each number.")
@click.option("--cell", "cell_m", type=LENGTH, help="Side of the map's cells; about 2,500 of them when not given.")
@click.option("--seed", type=click.IntRange(0, 2**31 - 1), default=1, help="Seed of the rounds.")
@click.option("--picture", type=FILE, help="Draw the answer, a PNG or PDF.")
@units_option
@says
def rehearse_command(survey: Path, units: Units, picture: Path | None, **asked: Any) -> Told:
    """Play the survey before it is walked: what so many points would tell, on your own ground.

    Insects are simulated as the last mapped visit found them, else by three contrasting guesses; each round is drawn,
    counted, estimated and mapped by the stages themselves, and held against its truth. What you state (--expected,
    --k, --patches, --spread) stands in place of what was found or guessed.

    \b
    Example:
      geosample rehearse course.gpkg --points 30,60 --holes 3 --rounds 10
    """  # noqa: D301
    from geosample.density import starting_threshold
    from geosample.ground import load_ground
    from geosample.rehearsal import guess_worlds, read_world, rehearse, state_worlds
    from geosample.rehearsal.picture import draw_rehearsal
    from geosample.report.density import tell_start
    from geosample.report.rehearse import tell_rehearsal, tell_rehearsal_more
    from geosample.survey import open_survey

    file = open_survey(survey, must_exist=True)
    ground = load_ground(file)
    pest = load_pest(asked["pest"]).name
    if asked["threshold_per_m2"] is None:
        start = starting_threshold(pest)
        asked["threshold_per_m2"] = start.low_per_m2
        talk(tell_start(start, units))
    stated = {name: asked.pop(name) for name in ("mean_per_m2", "k", "field_range_m", "field_sd")}
    found = read_world(file, pest)
    worlds = guess_worlds(asked["threshold_per_m2"]) if found is None else (found,)
    asked |= {"points": [int(number) for number in asked["points"]], "surfaces": asked["surfaces"] or None}
    played = rehearse(ground, **asked, worlds=state_worlds(worlds, **stated), progress=_show_part)
    if picture is not None:
        draw_rehearsal(played, picture, units=units)
        talk(f"picture: {picture}")
    return tell_rehearsal(played, units), played.summary(), tell_rehearsal_more(played, units)


def _show_part(done: int, parts: int) -> None:
    """Show how much of a rehearsal is done: one line on a terminal, a line every tenth elsewhere."""
    last = done == parts
    if sys.stderr.isatty():
        click.echo(f"\rplayed {percent(done / parts)}", err=True, nl=last)
    elif last or done % max(parts // 10, 1) == 0:
        click.echo(f"played {percent(done / parts)}", err=True)


def _old_and_new(ctx: click.Context, param: click.Parameter, value: str | None) -> tuple[str, str] | None:  # noqa: ARG001
    if value is None:
        return None
    old, equals, new = value.partition("=")
    noting = param.name == "note"
    if not equals or not old.strip() or not (new.strip() or noting):
        form = "VISIT=WORDS, such as '2026-05-04=after rain'" if noting else "OLD=NEW, such as 2062-05-04=2026-05-04"
        message = f"{value!r} is not {form}"
        raise click.BadParameter(message)
    return old.strip(), new.strip()


@click.command()
@survey_argument
@click.option(
    "--rename", callback=_old_and_new, metavar="OLD=NEW", help="Another name; a date's own date goes with it."
)
@click.option("--note", callback=_old_and_new, metavar="VISIT=WORDS", help="Your own words beside it; none to clear.")
@click.option("--remove", metavar="VISIT", help="Take a visit away, once it is kept in a file that puts it back.")
@click.option("--yes", is_flag=True, help="Do take it away.")
@click.option("--put-back", type=FILE, help="Put back what --remove took away: the file it wrote.")
@says
def visits_command(
    survey: Path,
    *,
    rename: tuple[str, str] | None,
    note: tuple[str, str] | None,
    remove: str | None,
    yes: bool,
    put_back: Path | None,
) -> Told:
    """Say which visits a survey holds and what of each; rename one, note words beside it, remove one, put one back.

    Nothing is removed without --yes, and first all of it is written to a survey file beside this one, which
    --put-back takes. Treatments recorded for the visit stay where they are.

    \b
    Example:
      geosample visits course.gpkg
    """  # noqa: D301
    from geosample.report.design import tell_visits
    from geosample.survey import open_survey
    from geosample.survey.visits import list_visits, note_visit, remove_visit, rename_visit
    from geosample.survey.visits import put_back as put_visits_back

    if sum(one is not None for one in (rename, note, remove, put_back)) > 1:
        message = "--rename, --note, --remove and --put-back go one at a time"
        raise click.UsageError(message)
    file = open_survey(survey, must_exist=True)
    done: dict[str, Any] = {}
    if rename:
        rename_visit(file, *rename)
        done["renamed"] = rename
    if note:
        note_visit(file, *note)
        done["noted"] = note[0]
    if remove:
        done |= {"removed": remove, "kept_in": str(remove_visit(file, remove, sure=yes))}
    if put_back:
        done["put_back"] = put_visits_back(file, open_survey(put_back, must_exist=True))
    facts = {**done, "visits": list_visits(file)}
    return tell_visits(facts, survey), facts, []
