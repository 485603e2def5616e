"""write_sheets: a design in; a folder of paper, waypoints, blanks and a form out."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from geosample.design import day_facts
from geosample.drawing import close_book, next_page, open_book
from geosample.errors import Problem, SheetsError
from geosample.files.saving import make_folder, save_file
from geosample.ground import Aerial, cut_aerial
from geosample.pests import load_pest
from geosample.report.design import tell_day, tell_day_grades
from geosample.report.sheets import tell_method_sources, tell_round
from geosample.sheets.bench import (
    StopTable,
    draw_bag_labels,
    draw_bench_sheets,
    draw_stop_table,
    recount_rows,
    stop_tables,
)
from geosample.sheets.blanks import blank_rows, check_not_filled, make_csv, make_forms, make_workbook
from geosample.sheets.finding import NO_WORDS, PACE_M, add_finding, named_landmarks, read_landmarks
from geosample.sheets.mapbook import (
    LARGE,
    USUAL,
    draw_overview,
    draw_sheet,
    open_mapbook,
    plan_sheets,
    untold_reserve,
)
from geosample.sheets.phone import gather_page, write_phone_page
from geosample.sheets.rounds import join_rounds, make_gpx, make_kml, split_rounds
from geosample.units import Units
from geosample.words import METHODS, ROLES

if TYPE_CHECKING:
    from geosample.design import Design
    from geosample.ground import Ground, Pairs
    from geosample.survey import Survey

BLANKS = ("blank_counts.csv", "blank_counts.xlsx", "blank_recounts.csv")
"""The files people write in."""


@dataclass(frozen=True, slots=True)
class Sheets:
    """What was written.

    Parameters
    ----------
    paths : tuple of Path
        The files.
    design : Design
        With its finding words as printed.
    unlabelled : tuple of str
        Points whose labels found no room on the map.
    wordless : tuple of str
        Points that no words lead to, only the waypoint.
    rounds : tuple of dict
        Who pulls what: each round's number, points, holes, walk_m and minutes.
    """

    paths: tuple[Path, ...]
    design: Design
    unlabelled: tuple[str, ...] = ()
    wordless: tuple[str, ...] = ()
    rounds: tuple[dict[str, Any], ...] = ()

    def summary(self) -> dict[str, Any]:
        """Return it in plain JSON types."""
        return {
            "files": [str(path) for path in self.paths],
            "design_code": self.design.visit.design_code,
            "points": {role: int((self.design.points["role"] == role).sum()) for role in ROLES},
            "unlabelled": list(self.unlabelled),
            "wordless": list(self.wordless),
            "rounds": [dict(one) for one in self.rounds],
        }


def write_sheets(  # noqa: PLR0913 - what a user may say in plain words
    design: Design,
    ground: Ground,
    out: str | Path,
    *,
    paper: str = "letter",
    units: Units = "us",
    method: str | None = None,
    batch: int | None = None,
    pace_m: float = PACE_M,
    landmarks: str | Path | None = None,
    stop_lines: tuple[StopTable, ...] = (),
    large: bool = False,
    people: int | None = None,
    aerial: str | Path | None = None,
    aerial_pairs: Pairs = (),
    aerial_crs: str | None = None,
    force: bool = False,
) -> Sheets:
    """Write the sampling map, the waypoints, the blank sheets and the form of a visit into a folder.

    Parameters
    ----------
    design : Design
        The visit and its points.
    ground : Ground
        The course the points lie on, in the same CRS.
    out : path
        The folder; made where it is not there.
    paper : {'letter', 'a4'}
        To print on at 100 %.
    units : {'us', 'metric'}
        For scale bars and distances.
    method : str, optional
        How the insects will be extracted, one of ``words.METHODS``; as the design has it when None.
    batch : int, optional
        Bags extracted at once; as the design has it when None.
    pace_m : float
        Length of a pace, m.
    landmarks : path, optional
        File of named places (sprinkler heads, markers) to find points from; the ground's own when None.
    stop_lines : tuple of StopTable
        More stop lines to print after the bench sheet, besides the design's own.
    large : bool
        In large letters, for poor sight; it takes more pages.
    people : int, optional
        How many share the points: as many rounds of equal time, each with its own pages, labels and waypoints; as many
        as the design was reckoned for when None.
    aerial : str or Path, optional
        A picture of the user's to lay under the holes' maps, grey and light: GeoTIFF, PNG or JPEG.
    aerial_pairs : Pairs
        Three or more places in it, columns and rows from its upper left corner, and where they lie, degrees.
    aerial_crs : str, optional
        What the coordinates of its world file are in, where they are no degrees.
    force : bool
        Write over blank sheets that somebody has filled in.

    Returns
    -------
    Sheets
        The files, the design with its finding words, and who pulls what.

    Raises
    ------
    SheetsError
        Without points, with an unknown method, where a blank sheet is filled in already and ``force`` was not given,
        or where the folder can't be written to. Nothing is written then.
    PaperError
        With an unknown paper.
    GroundError
        With a picture that can't be read or placed, or is of other ground.
    """
    folder = Path(out)
    _check_points(design, ground)
    most = int((design.points["role"] == "main").sum())
    visit, bench = design.visit, design.visit.bench
    people = min(bench.people, most) if people is None else people
    method, batch = method or visit.method or bench.extraction, batch or bench.containers
    if not 1 <= people <= most:
        raise SheetsError(
            Problem("people", str(people), f"1 to {most}, a point for each", "give how many share the points")
        )
    if method not in METHODS:
        raise SheetsError(Problem("--extraction", repr(method), f"one of: {', '.join(METHODS)}", "name one of them"))
    if not force:
        check_not_filled([folder / name for name in BLANKS])
    under = Aerial(Path(aerial), tuple(aerial_pairs), aerial_crs) if aerial else None
    if under is not None:
        west, south, east, north = ground.surfaces.total_bounds  # refused before anything is drawn
        cut_aerial(under, np.array([(west, north), (east, north), (west, south)]), ground.crs, 1)
    design = find_points(design, ground, units=units, pace_m=pace_m, landmarks=landmarks)
    profile = load_pest(visit.pest)
    course = f"{ground.name}: " if ground.name else ""
    book = open_book(paper=paper, title=f"{course}Sampling map, visit {visit.visit}, design {visit.design_code}")
    setting = LARGE if large else USUAL
    rounds = split_rounds(design, ground, people)
    design = join_rounds(design, rounds)
    longest = max(rounds, key=lambda one: one.minutes)
    day = day_facts(visit, most, longest.length_m, len(longest.legs), people)
    unlabelled: list[str] = []
    labels = open_book(paper=paper, title=f"Bag labels, visit {visit.visit}, design {visit.design_code}")
    for one in rounds:
        if one.number > 1:
            next_page(book)
            next_page(labels)
        made = open_mapbook(book, one, ground, units=units, setting=setting, pace_m=pace_m, aerial=under)
        sheets = plan_sheets(made)
        about = [tell_round(one.facts(), units), tell_day(day, units)]
        sources = [tell_day_grades(day, units), *tell_method_sources(method)]
        draw_overview(made, untold_reserve(made, sheets), about, pace_m=pace_m, sources=sources)
        unlabelled += [label for sheet in sheets for label in draw_sheet(made, sheet)]
        draw_bag_labels(labels, one.design, method=method, name=one.name)
    last = replace(made, design=design, name="")
    draw_bench_sheets(last, profile, method=method, batch=batch)
    for table in (*stop_tables(design), *stop_lines):
        draw_stop_table(last, table)
    rows = blank_rows(design, profile, method=method, batch=batch)
    page = gather_page(design, ground, units=units, method=method, batch=batch, pace_m=pace_m, rounds=rounds)
    contents = {  # all of them made before any is written
        "field_map.pdf": close_book(book),
        "bag_labels.pdf": close_book(labels),
        "points.gpx": make_gpx(design).encode(),
        "points.kml": make_kml(design).encode(),
        "blank_counts.csv": make_csv(rows),
        "blank_counts.xlsx": make_workbook(rows, profile),
        "blank_recounts.csv": make_csv(recount_rows(rows, seed=visit.seed)),
        **make_forms(design, profile, method=method, batch=batch),
        "field_page.html": write_phone_page(page).encode(),
        **{f"points_round_{one.number}.gpx": make_gpx(one.design).encode() for one in rounds if one.of > 1},
    }
    make_folder(folder, SheetsError)
    paths = tuple(save_file(folder / name, data, SheetsError) for name, data in contents.items())
    wordless = tuple(design.points["point_id"][design.points["finding"] == NO_WORDS])
    return Sheets(paths, design, tuple(unlabelled), wordless, tuple(one.facts() for one in rounds))


def find_points(
    design: Design,
    ground: Ground,
    *,
    units: Units = "us",
    pace_m: float = PACE_M,
    landmarks: str | Path | None = None,
) -> Design:
    """Return the design with the words that lead to each point, as they stand on the sheets.

    Parameters
    ----------
    design : Design
        A visit's points.
    ground : Ground
        What the words tell of.
    units : {"us", "metric"}
        Of the distances that are not paces.
    pace_m : float
        Length of a pace, m.
    landmarks : path, optional
        File of named places to find points from; the ground's own when None.

    Raises
    ------
    SheetsError
        When the file of landmarks can't be used.
    """
    marks = read_landmarks(landmarks, ground.crs) if landmarks else named_landmarks(ground)
    return add_finding(design, ground, pace_m=pace_m, units=units, landmarks=marks)


def save_finding(survey: Survey, design: Design) -> None:
    """Put the design's finding words into the survey's points, and leave all else there as it is."""
    visit = design.visit.visit
    words = dict(zip(design.points["point_id"], design.points["finding"], strict=True))
    with survey.change() as change:
        points = change.read("points")
        own = points[points["visit"] == visit]
        change.put("points", own.assign(finding=own["point_id"].map(words)), where={"visit": visit})


def _check_points(design: Design, ground: Ground) -> None:
    problems = []
    where = f"visit {design.visit.visit}"
    if design.points.empty:
        problems.append(Problem(where, "no points", "at least one", "run 'geosample design' again"))
    elif design.points.crs != ground.crs:
        found = f"points in {design.points.crs}, ground in {ground.crs}"
        problems.append(Problem(where, found, "one coordinate system", "run 'geosample design' on this ground"))
    lost = sorted(set(design.points["surface_id"]) - set(ground.surfaces["surface_id"]))
    if lost:
        found = f"points on surfaces that are not there: {', '.join(lost)}"
        remedy = "run 'geosample design' again: the ground has changed since"
        problems.append(Problem(where, found, "points on this ground's surfaces", remedy))
    if problems:
        raise SheetsError(problems)
