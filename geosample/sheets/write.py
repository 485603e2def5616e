"""write_sheets: a design in; a folder of paper, waypoints, blanks and a form out."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geosample.design import CONTAINERS
from geosample.errors import Problem, SheetsError
from geosample.paper import close_book, open_book
from geosample.pests import load_pest
from geosample.saving import make_folder, save_file
from geosample.sheets.bags import draw_bag_labels
from geosample.sheets.bench import StopTable, recount_rows, stop_tables
from geosample.sheets.blanks import check_not_filled, make_csv, make_workbook
from geosample.sheets.columns import blank_rows
from geosample.sheets.crew import draw_bench_sheet, draw_field_sheet, draw_stop_table
from geosample.sheets.finding import NO_WORDS, add_finding, named_landmarks, read_landmarks
from geosample.sheets.form import make_form
from geosample.sheets.mapbook import draw_hole_pages, draw_overview, map_frame
from geosample.sheets.waypoints import make_gpx, make_kml
from geosample.units import INCH_M, Units
from geosample.words import ROLES

if TYPE_CHECKING:
    from geosample.design import Design
    from geosample.ground import Ground
    from geosample.survey import Survey

PACE_M = 30 * INCH_M
"""A pace, m (common practice, no source): the user's to set."""


BLANKS = ("blank_counts.csv", "blank_counts.xlsx", "blank_recounts.csv")
"""The files people write in."""


@dataclass(frozen=True, slots=True)
class SheetOptions:
    """How the sheets are made.

    Parameters
    ----------
    method : str
        How the insects will be extracted, one of ``words.METHODS``.
    pace_m : float
        Length of a pace, m.
    landmarks : path, optional
        File of named places (sprinkler heads, markers) to find points from.
    force : bool
        Write over blank sheets that somebody has filled in.
    stop_tables : tuple of StopTable
        More stop lines to print after the bench sheet, besides the design's own.
    batch : int
        Bags extracted at once.
    """

    method: str = "brine"
    pace_m: float = PACE_M
    landmarks: str | Path | None = None
    force: bool = False
    stop_tables: tuple[StopTable, ...] = ()
    batch: int = CONTAINERS


@dataclass(frozen=True, slots=True)
class Sheets:
    """The files that were written, the design with its finding words as printed, and what to know about them."""

    paths: tuple[Path, ...]
    design: Design
    notes: tuple[str, ...] = field(default=())

    def summary(self) -> dict[str, Any]:
        """Return it in plain JSON types."""
        return {
            "files": [str(path) for path in self.paths],
            "design_code": self.design.visit.design_code,
            "points": {role: int((self.design.points["role"] == role).sum()) for role in ROLES},
            "notes": list(self.notes),
        }


def write_sheets(
    design: Design,
    ground: Ground,
    *,
    folder: str | Path,
    paper: str = "letter",
    units: Units = "us",
    options: SheetOptions | None = None,
) -> Sheets:
    """Write the sampling map, the waypoints, the blank sheets and the form of a visit into a folder.

    Parameters
    ----------
    design : Design
        The visit and its points.
    ground : Ground
        The course the points lie on, in the same CRS.
    folder : path
        Made where it is not there.
    paper : str
        ``letter`` or ``a4``.
    units : str
        ``us`` or ``metric``, for scale bars and distances.
    options : SheetOptions, optional
        Method, pace and the rest.

    Raises
    ------
    SheetsError
        Without points, with an unknown paper or method, where a blank sheet is filled in already and ``force``
        was not given, or where the folder can't be written to. Nothing is written then.
    """
    options = options or SheetOptions()
    folder = Path(folder)
    _check_points(design, ground)
    if not options.force:
        check_not_filled([folder / name for name in BLANKS])
    design = find_points(design, ground, units=units, options=options)
    contents, notes = _make_files(design, ground, paper=paper, units=units, options=options)
    make_folder(folder, SheetsError)
    files = tuple(save_file(folder / name, data, SheetsError) for name, data in contents.items())
    return Sheets(files, design, tuple(notes))


def save_finding(survey: Survey, design: Design) -> None:
    """Put the design's finding words into the survey's points, and leave all else there as it is."""
    visit = design.visit.visit
    words = dict(zip(design.points["point_id"], design.points["finding"], strict=True))
    with survey.change() as change:
        points = change.read("points")
        own = points[points["visit"] == visit]
        change.put("points", own.assign(finding=own["point_id"].map(words)), where={"visit": visit})


def find_points(design: Design, ground: Ground, *, units: Units = "us", options: SheetOptions | None = None) -> Design:
    """Return the design with the words that lead to each point, as they stand on the sheets.

    Parameters
    ----------
    design : Design
        A visit's points.
    ground : Ground
        What the words tell of.
    units : {"us", "metric"}
        Of the distances that are not paces.
    options : SheetOptions, optional
        The pace's length and a file of landmarks; the defaults when None.

    Raises
    ------
    SheetsError
        When the file of landmarks can't be used.
    """
    options = options or SheetOptions()
    landmarks = read_landmarks(options.landmarks, ground.crs) if options.landmarks else named_landmarks(ground)
    return add_finding(design, ground, pace_m=options.pace_m, units=units, landmarks=landmarks)


def _make_files(
    design: Design, ground: Ground, *, paper: str, units: Units, options: SheetOptions
) -> tuple[dict[str, bytes], list[str]]:
    """Return each file's bytes, all of them made before any is written, and what to tell the user."""
    profile = load_pest(design.visit.pest)
    rows = blank_rows(design, profile, method=options.method)
    book = open_book(paper=paper, title=f"Sampling map, visit {design.visit.visit}, design {design.visit.design_code}")
    frame = map_frame(book)
    draw_overview(book, design, ground, units=units)
    # Behind the overview, since the crew turns to it at every point; the hole pages are for when words fail.
    draw_field_sheet(book, design, pace_m=options.pace_m, units=units)
    missing = draw_hole_pages(book, design, ground, frame=frame, units=units)
    draw_bench_sheet(book, design, profile, method=options.method, batch=options.batch)
    for table in (*stop_tables(design, units), *options.stop_tables):
        draw_stop_table(book, design, table)
    notes = _notes(design, missing)
    labels = open_book(paper=paper, title=f"Bag labels, visit {design.visit.visit}, design {design.visit.design_code}")
    draw_bag_labels(labels, design, method=options.method)
    return {
        "field_map.pdf": close_book(book),
        "bag_labels.pdf": close_book(labels),
        "points.gpx": make_gpx(design).encode(),
        "points.kml": make_kml(design).encode(),
        "blank_counts.csv": make_csv(rows),
        "blank_counts.xlsx": make_workbook(rows, profile),
        "blank_recounts.csv": make_csv(recount_rows(rows, seed=design.visit.seed)),
        "form.xlsx": make_form(design, profile, method=options.method),
    }, notes


def _notes(design: Design, missing: list[str]) -> list[str]:
    """Return what the user should know: labels without room, points without words."""
    wordless = design.points["point_id"][design.points["finding"] == NO_WORDS]
    notes = [f"no room on the map for the labels of: {', '.join(missing)}"] if missing else []
    return [*notes, f"no words to find, only the waypoint: {', '.join(wordless)}"] if len(wordless) else notes


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
