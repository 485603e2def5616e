"""Commands that say what the counts tell: ``counts``, ``estimate``, ``density``, ``compare``, ``map``, ``season``."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from geosample.cli.options import (
    DENSITY,
    FILE,
    LENGTH,
    PATH,
    Told,
    aerial_options,
    out_folder_option,
    paper_option,
    read_margin,
    says,
    split_words,
    survey_argument,
    talk_of_aerial,
    units_option,
    visit_option,
)
from geosample.report import talk
from geosample.units import Units
from geosample.words import METHODS, TREATMENT

if TYPE_CHECKING:
    from geosample.counts import Counts
    from geosample.design import Design
    from geosample.survey import Survey


class Meanings(click.ParamType[dict[str, str]]):
    """What headings hold, such as ``larvae=L3,crew chief=collector``."""

    name = "heading=meaning"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> dict[str, str]:
        """Return heading -> stage or field; bad usage for a part without ``=``.

        Examples
        --------
        >>> Meanings().convert("larvae=L3, crew chief=collector", None, None)
        {'larvae': 'L3', 'crew chief': 'collector'}
        """
        if isinstance(value, dict):
            return value
        pairs = [part.partition("=") for part in str(value).split(",") if part.strip()]
        meanings = {heading.strip(): meaning.strip() for heading, _, meaning in pairs}
        for heading, meaning in meanings.items():
            if not heading or not meaning:
                self.fail(f"'{heading}={meaning}' is no heading=meaning; write such as 'larvae=L3'", param, ctx)
        return meanings


@click.command()
@survey_argument
@click.argument("files", nargs=-1, required=True, type=PATH, metavar="FILE...")
@click.option(
    "--gps-within",
    "gps_within_m",
    type=LENGTH,
    default="10m",
    help="How far a position may lie from its point; the receiver's accuracy is added.",
)
@click.option("--columns", type=Meanings(), help='What unknown headings hold: "larvae=L3,crew chief=collector".')
@click.option(
    "--extraction",
    "method",
    type=click.Choice(METHODS),
    help="For rows that don't say how the insects were got out; the design's own when not given.",
)
@click.option(
    "--blank", type=click.Choice(["zero", "missing"]), help="What a blank beside counts is, in rows marked counted."
)
@click.option("--sums", is_flag=True, help="Read 3+4 as 7.")
@click.option(
    "--most",
    "most_per_m2",
    type=DENSITY,
    help="Ask about counts above this density; 2000/ft2 if not given (common sense, no source).",
)
@click.option(
    "--replace", "replace_others", is_flag=True, help="Let these rows take the place of another person's other counts."
)
@click.option("--set-aside", is_flag=True, help="Take the good rows and list the bad ones, instead of taking none.")
@visit_option
@says
def counts_command(
    survey: Path, files: tuple[Path, ...], visit: str | None, *, replace_others: bool, **asked: Any
) -> Told:
    """Take the counts back in, joined to the plan by label, else by position.

    FILE is what came back: filled blank sheets (CSV, XLSX), waypoints with the count in their comment (GPX, KML,
    GeoJSON), or a form's export. Zero is a count, blank is not: a row without counts and status makes no sample.
    In status write not_extracted, lost, unreachable or off_turf where a bag has no counts (counted needs no word); in
    moved write yes where the plugs were taken elsewhere, and where in note, or as a position. A second person's
    counts go in blank_recounts.csv.
    With any row that can't be read without guessing nothing is taken, and every problem is listed. A file taken
    twice adds nothing; a corrected one replaces its rows and shows the differences. A bag that two people counted
    differently is asked about.

    \b
    Example:
      geosample counts course.gpkg filled.csv --gps-within 10m
    """  # noqa: D301
    from geosample.counts import add_counts, read_counts
    from geosample.design import load_design
    from geosample.report.counts import tell_counts, tell_counts_more
    from geosample.survey import open_survey

    file = open_survey(survey, must_exist=True)
    design = load_design(file, visit)
    visits = file.read("visits")
    others = visits[(visits["visit"] != design.visit.visit) & visits["design_code"].astype(bool)]
    codes = dict(zip(others["design_code"].astype(str), others["visit"].astype(str), strict=True))
    given = {name: value for name, value in asked.items() if value is not None}
    fresh = read_counts(files, design, **given, other_codes=codes)
    added = add_counts(file, fresh, design, replace_others=replace_others)
    return tell_counts(added), added.summary(), tell_counts_more(added)


@click.command()
@survey_argument
@click.option(
    "--by",
    callback=split_words,
    default="kind,hole,stratum",
    help="Groups to estimate: some of kind, hole, surface, stratum (a part of the plan), part, with commas between.",
)
@visit_option
@click.option("--pest", help="Another pest found with it; the visit's own when not given.")
@click.option("--level", type=float, default=0.95, help="Confidence of the intervals.")
@click.option("--threshold", "threshold_per_m2", type=DENSITY, help="Hold each kind against it, such as 30/ft2.")
@click.option(
    "--recovery",
    multiple=True,
    help="Share of the reference a method finds: heat=1.6, brine:L1=0.8, or heat=1.6,1.2,2.1 with its 95 % limits.",
)
@click.option("--csv", "csv_file", type=FILE, help="Write the table here as well.")
@click.option("--picture", type=FILE, help="Draw the answer on one page, a PDF.")
@click.option("--border", "border_m", type=LENGTH, help="Split the parts by border and interior after the draw.")
@units_option
@says
def estimate_command(survey: Path, visit: str | None, units: Units, **asked: Any) -> Told:
    """Say how many insects there are, which stages, whether the border holds more, and how sure all that is.

    The answer comes first, then a table. All of it is kept in the survey file.

    \b
    Example:
      geosample estimate course.gpkg --by kind,hole,stratum --threshold 30/ft2
    """  # noqa: D301
    from geosample.counts import load_counts
    from geosample.design import load_design
    from geosample.estimate import (
        estimate_means,
        load_mix_before,
        parse_recovery,
        post_stratify,
        save_estimates,
        write_estimates_csv,
    )
    from geosample.estimate.picture import draw_estimates, write_picture
    from geosample.ground import load_ground
    from geosample.report.estimate import tell_estimates, tell_estimates_more
    from geosample.survey import open_survey

    file = open_survey(survey, must_exist=True)
    name = file.find_visit(visit)
    border_m, csv_file, picture = (asked.pop(name) for name in ("border_m", "csv_file", "picture"))
    asked["recovery"] = tuple(parse_recovery(text) for text in asked["recovery"])
    design = load_design(file, name)
    if border_m is not None:
        design = post_stratify(design, load_ground(file, name), border_m)
    before = load_mix_before(file, name, asked["pest"] or design.visit.pest)
    estimates = estimate_means(load_counts(file, name), design, **asked, before=before)
    save_estimates(file, estimates)
    if csv_file is not None:
        write_estimates_csv(csv_file, estimates)
    if picture is not None:
        page = draw_estimates(estimates, threshold_per_m2=asked["threshold_per_m2"], units=units)
        write_picture(picture, page)
    wrote = [str(path) for path in (csv_file, picture) if path is not None]
    if wrote:
        talk(f"Wrote {' and '.join(wrote)}.")
    rest = tell_estimates_more(estimates, units)
    return tell_estimates(estimates, units), estimates.summary(), rest


def _split_covariates(_ctx: click.Context, _param: click.Parameter, words: str) -> tuple[str, ...]:
    """Return the covariates named, parted by commas; none when the word none stands alone."""
    named = tuple(word.strip().lower() for word in words.split(","))
    return () if named == ("none",) else named


@click.command()
@survey_argument
@click.option("--cell", "cell_m", type=LENGTH, default="1m", help="Side of a cell.")
@click.option(
    "--threshold",
    "threshold_per_m2",
    type=DENSITY,
    help="Density whose chance of being passed is mapped: 30/ft2; one published for the pest if not given.",
)
@click.option(
    "--covariates",
    default="edge,kind",
    callback=_split_covariates,
    help="What may shift the density: any of edge, kind, trees, or none.",
)
@click.option(
    "--alone",
    is_flag=True,
    help="Leave out the bags of the visit before, which are taken in as far as both visits show one pattern.",
)
@click.option(
    "--known",
    "known_ratio",
    type=float,
    default=0.5,
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
    type=PATH,
    help="Points or areas of your own (any format): their density or mean density goes to density_at.csv.",
)
@out_folder_option("Folder for density.tif.")
@visit_option
@units_option
@says
def density_command(
    survey: Path,
    out: Path,
    visit: str | None,
    units: Units,
    at: Path | None,
    threshold_per_m2: float | None,
    **asked: Any,
) -> Told:
    """Map the density from a visit's counts, with its interval and what is not known.

    Makes density.tif (expected, low, high, exceedance: the chance to pass the threshold, known) and keeps the map in
    the survey. It says how much the map adds to plain averages; where it adds nothing, decide by averages.

    \b
    Example:
      geosample density course.gpkg --cell 2m --threshold 30/ft2 --out maps
    """  # noqa: D301
    from geosample.density import (
        compare_bags,
        earlier_counts,
        estimate_places,
        find_own_bags,
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
    from geosample.report.density import tell_map, tell_map_more, tell_own_bags, tell_places, tell_start
    from geosample.survey import open_survey

    file = open_survey(survey, must_exist=True)
    design = load_design(file, visit)
    ground = load_ground(file, design.visit.visit)
    own = None if at is None else read_own_shapes(at, ground.crs, option="--at")
    make_folder(out, DensityError)
    if threshold_per_m2 is None:
        start = starting_threshold(design.visit.pest)
        threshold_per_m2 = start.low_per_m2
        talk(tell_start(start, units))
    asked |= read_recoveries(asked.pop("recoveries"))
    counts = _counts_of(file, design)
    talk("Fitting the map ...")
    earlier = None if asked.pop("alone") else earlier_counts(file, design)
    density_map = map_density(
        counts, ground, design=design, threshold_per_m2=threshold_per_m2, earlier=earlier, **asked
    )
    lines, summary = tell_map(density_map, units), density_map.summary()
    compared = compare_bags(density_map, ground, find_own_bags(density_map, ground, counts.samples))
    summary["own_bags"] = compared.to_dict("records")
    beside, table = tell_own_bags(compared, threshold_per_m2, units)
    lines += beside
    if own is not None:
        found = estimate_places(density_map, ground, own, threshold_per_m2)
        lines += ["", *tell_places(found, units), f"Wrote {write_places(out / 'density_at.csv', found)}."]
        summary["at"] = found.to_dict("records")
    save_density(file, density_map)
    path = out / "density.tif"
    write_density_tif(path, density_map, threshold_per_m2=threshold_per_m2, units=units)
    rest = [*tell_map_more(density_map, units), *table]
    return [*lines, f"Wrote {path}."], {**summary, "file": str(path)}, rest


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
    from geosample.density import check_untreated, join_followup

    counts = load_counts(file, design.visit.visit)
    follows = design.visit.follows
    if not follows:
        return counts
    check_untreated(file.read("treatments"), follows, design.visit.date)
    talk(f"A second round: the counts of {follows} are mapped with it.")
    return join_followup(load_counts(file, follows), counts)


@click.command()
@click.argument("survey", required=False, type=PATH)
@click.option("--example", is_flag=True, help="Use the invented trial that comes with the program.")
@click.option(
    "--counters",
    callback=split_words,
    help="Two counters instead of methods: two columns, quick,full; a survey's counts and second counts, so called.",
)
@click.option("--margin", callback=read_margin, help="Up to what difference they count as the same, such as 25%.")
@click.option("--reference", help="The method the other is held against; the first found when not given.")
@click.option("--method", help="The other method.")
@click.option(
    "--site",
    type=click.Choice(["kind", "hole", "surface_id", "all"]),
    help="What a site is, in a survey; as it was designed when not given.",
)
@visit_option
@click.option("--pest", help="Another pest found with it; the visit's own when not given.")
@click.option("--level", type=float, default=0.95, help="Confidence of the intervals.")
@click.option("--seed", type=click.IntRange(0, 2**31 - 1), default=1, help="Seed of the shuffles.")
@says
def compare_command(survey: Path | None, **asked: Any) -> Told:
    """Say how two extraction methods, or two counters, compare: a survey (design --trial), or a table (CSV, XLSX).

    A table has a row a bag: block, method, count, and where known site, stage, plugs, minutes, cost; or a column of
    counts for each method or stage, as the filled sheets of a trial have. A difference that is not seen is never called
    sameness: that takes a margin of yours.

    \b
    Example:
      geosample compare --example --margin 25%
    """  # noqa: D301
    from geosample.compare import compare_methods, gather_trial, read_example, read_trial, save_comparison
    from geosample.counts import load_counts
    from geosample.design import load_design
    from geosample.files.reading import TABLES
    from geosample.report.compare import tell_comparison, tell_comparison_more
    from geosample.survey import open_survey

    if asked["example"] == (survey is not None):
        text = "name a survey or a table, or say --example"
        raise click.UsageError(text)
    if asked["counters"]:
        return _compare_counters(survey, asked)
    question = {name: asked[name] for name in ("reference", "method", "margin", "level", "seed")}
    if survey is None or survey.suffix.lower() in TABLES:
        comparison = compare_methods(
            read_example() if survey is None else read_trial(survey, pest=asked["pest"]), **question
        )
    else:
        file = open_survey(survey, must_exist=True)
        name = file.find_visit(asked["visit"])
        design = load_design(file, name)
        pest = asked["pest"] or design.visit.pest
        trial = gather_trial(load_counts(file, name), design, pest=pest, site=asked["site"])
        comparison = compare_methods(trial, **question)
        save_comparison(file, comparison, visit=name, pest=pest)
    rest = tell_comparison_more(comparison)
    return tell_comparison(comparison), comparison.summary(), rest


def _compare_counters(survey: Path | None, asked: Mapping[str, Any]) -> Told:
    """Return how two counters agree, of a survey or a table."""
    from geosample.compare import compare_counters, gather_recounts, read_recounts
    from geosample.counts import load_counts
    from geosample.files.reading import TABLES
    from geosample.report.compare import tell_counters, tell_counters_more
    from geosample.survey import open_survey

    names, others = asked["counters"], [f"--{name}" for name in ("reference", "method", "site") if asked[name]]
    if survey is None or len(names) != 2 or others:  # noqa: PLR2004
        text = "--counters takes two names, quick,full, and a survey or a table"
        raise click.UsageError(f"{text}; {' and '.join(others)} asks about methods" if others else text)
    if survey.suffix.lower() in TABLES:
        recounts = read_recounts(survey, names)
    else:
        file = open_survey(survey, must_exist=True)
        counts = load_counts(file, file.find_visit(asked["visit"]))
        recounts = gather_recounts(counts, names)
    compared = compare_counters(recounts, margin=asked["margin"], level=asked["level"])
    return tell_counters(compared), compared.summary(), tell_counters_more(compared)


@click.command("map")
@survey_argument
@click.option("--out", required=True, type=FILE, help="The page, FILE.html.")
@visit_option
@units_option
@click.option(
    "--others",
    type=click.IntRange(0),
    default=3,
    help="Other visits to switch to and to see beside it, at most, the newest first (own choice).",
)
@click.option(
    "--threshold", "thresholds_per_m2", type=DENSITY, multiple=True, help="A threshold to step to; may be repeated."
)
@aerial_options
@click.option("--base-map", help="Address of online map tiles with {z}, {x}, {y}; off until the reader wants it.")
@click.option("--base-credit", default="", show_default=False, help="Whom the tiles' owner wants named.")
@says
def map_command(survey: Path, out: Path, visit: str | None, units: Units, **asked: Any) -> Told:
    """Draw everything the survey holds on one page that opens with no network.

    A stage that has not run yet is named on the page.

    \b
    Example:
      geosample map course.gpkg --out map.html
    """  # noqa: D301
    from geosample.report.webmap import tell_drawn, tell_drawn_more
    from geosample.survey import open_survey
    from geosample.webmap import draw_map, gather_stories

    stories = gather_stories(open_survey(survey, must_exist=True), visit, others=asked.pop("others"))
    talk_of_aerial({**asked, "units": units})
    size = draw_map(stories, out, units=units, **asked).stat().st_size
    story, *beside = stories
    cautions = [asdict(caution) for caution in TREATMENT] if any(len(one.zones) for one in stories) else []
    others = [one.visit.visit for one in beside if one.visit]
    facts = {"page": str(out), "size_bytes": size, **story.summary(), "others": others, "cautions": cautions}
    told, rest = tell_drawn(stories, out, size, units), tell_drawn_more(stories)
    return told, facts, rest


@click.command()
@survey_argument
@paper_option
@out_folder_option("Folder for the page, the sheets and the tables.")
@click.option("--temperatures", "file", type=FILE, help="Your daily lows and highs: a CSV as weather services give it.")
@click.option("--scale", type=click.Choice(["F", "C"]), help="°F or °C, where the file's headings do not say.")
@click.option(
    "--degree-days",
    "method",
    type=click.Choice(["average", "sine"]),
    default="average",
    help="Simple average or single sine: events' sources rarely say theirs (own choice).",
)
@click.option("--from", "start", default="01-01", help="Month and day the sum starts on, MM-DD (own choice).")
@click.option("--year", type=click.IntRange(1900, 2200), help="The season; the newest visit's when not given.")
@click.option("--pest", help="A pest's profile; the newest visit's when not given.")
@units_option
@says
def season_command(survey: Path, out: Path, file: Path | None, units: Units, **asked: Any) -> Told:
    """Say what changed between the visits of a year, what was used, and when to look again.

    Writes season.html (a page that opens with no network), season.pdf (two sheets), treatments.pdf (the ledger, to
    print), changes.csv and treatments.csv into the folder --out.

    \b
    Example:
      geosample season course.gpkg --out season
    """  # noqa: D301
    from geosample.errors import SeasonError
    from geosample.files.saving import make_folder
    from geosample.ground import load_ground
    from geosample.report.season import tell_season_answer, tell_season_more
    from geosample.season import read_temperatures, tell_season, write_changes, write_ledger, write_season
    from geosample.survey import open_survey

    scale, paper = asked.pop("scale"), asked.pop("paper")
    temperatures = None if file is None else read_temperatures(file, scale=scale)
    opened = open_survey(survey, must_exist=True)
    season = tell_season(opened, temperatures=temperatures, **asked)
    make_folder(out, SeasonError)
    files = write_season(season, load_ground(opened), out, paper=paper, units=units, course=opened.course)
    files += [write_changes(out / "changes.csv", season), write_ledger(out / "treatments.csv", season.ledger)]
    lines, rest = tell_season_answer(season, units), tell_season_more(season, units)
    facts = {**season.summary(), "files": [str(path) for path in files]}
    return [*lines, f"Wrote season.html, season.pdf and {len(files) - 2} more into {out}."], facts, rest
