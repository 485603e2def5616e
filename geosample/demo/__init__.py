"""The whole job on the invented course, by the same commands a user types."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from dataclasses import asdict, dataclass, replace
from importlib import resources
from pathlib import Path

import numpy as np

from geosample.demo.simulate import fill_sheet
from geosample.design import load_design, save_design
from geosample.errors import GeosampleError, Problem
from geosample.files.saving import make_folder
from geosample.ground import load_ground
from geosample.rehearsal.worlds import SimulationModel, draw_truth
from geosample.survey import open_survey
from geosample.units import FOOT2_M2

NAME = "Invented nine"
VISIT = "2026-05-18"
SEED = 7
"""Of seeds 1 to 12, one whose map has both known ground and ground that is not."""
MODEL = SimulationModel(
    mean_per_m2=14 / FOOT2_M2, border_ratio=3.5, field_sd=0.9, field_range_m=70.0, k=2.0, kind_factors={"green": 0.5}
)
"""What the demo's insects are drawn from; every number is invented."""
SIMULATION = {**asdict(MODEL), "seed": SEED}
"""The same as the facts that are kept with the visit."""


@dataclass(frozen=True, slots=True)
class Opened:
    """A file the demo made and what it is for."""

    path: Path
    what: str


def find_course() -> Path:
    """Return the demo course: inside an installed package, or beside it in a clone.

    Raises
    ------
    GeosampleError
        When it is in neither place.
    """
    package = Path(str(resources.files("geosample")))
    places = [package / "_layers" / "course.geojson", package.parent / "layers" / "course.geojson"]
    for place in places:
        if place.is_file():
            return place
    remedy = "install the program again from a full clone"
    raise GeosampleError(Problem("demo", "no demo course", f"it at {places[-1]}", remedy))


def play_demo(folder: Path, run: Callable[[list[str]], None]) -> list[Opened]:
    """Run every stage on the demo course and return what to open.

    Parameters
    ----------
    folder : Path
        Where everything goes; made if it is not there. What an earlier demo left in it is replaced.
    run : callable
        Takes a command's words, such as ``["ground", "course.gpkg", ...]``, and runs it.

    Raises
    ------
    GeosampleError
        When the folder holds a survey that is not a demo's, or can't be written.
    """
    survey_path = _clear(folder)
    for words in plan_commands(survey_path, folder):
        run(words)
        if words[0] == "design":
            _mark_simulated(survey_path)
        if words[0] == "sheets":
            _fill_sheet(survey_path, folder)
    return list_opened(folder, survey_path)


def play_demo_season(folder: Path, run: Callable[[list[str]], None]) -> list[Opened]:
    """Run a season of five visits on the demo course and return what to open; arguments and errors as ``play_demo``."""
    from geosample.demo.season import ROUNDS, play_season

    survey = _clear(folder, "invented_season.gpkg", {one.day for one in ROUNDS})
    return [Opened(path, what) for path, what in play_season(folder, survey, find_course(), run)]


def plan_commands(survey: Path, folder: Path) -> Iterator[list[str]]:
    """Yield the commands of the whole job, in order, as a user would type them."""
    path, out = str(survey), str(folder)
    yield ["ground", path, str(find_course()), "--collar", "30in", "--name", NAME]
    yield [
        *("design", path, "--visit", VISIT, "--points", "90", "--surfaces", "green,collar,fairway"),
        *("--holes", "3,4,7", "--border", "15ft", "--seed", str(SEED)),
    ]
    yield ["sheets", path, "--out", out]
    yield ["counts", path, str(folder / "counts_back.csv")]
    yield [
        *("estimate", path, "--by", "kind,hole,stratum", "--threshold", "30/ft2"),
        *("--csv", str(folder / "estimates.csv")),
    ]
    yield ["density", path, "--threshold", "30/ft2", "--cell", "1m", "--out", out]
    yield ["treat", path, "--threshold", "30/ft2", "--keep-off", "water=25ft", "--out", out]
    yield ["map", path, "--out", str(folder / "map.html")]


def list_opened(folder: Path, survey: Path) -> list[Opened]:
    """Return the files to open: the answer first, then the papers of the work in its order."""
    return [
        Opened(folder / "map.html", "the interactive map"),
        Opened(folder / "treatment_plan.pdf", "the treatment plan, to print and sign"),
        Opened(folder / "field_map.pdf", "the sampling map and the sheets, to print"),
        Opened(folder / "points.gpx", "the waypoints and the round"),
        Opened(folder / "counts_back.csv", "the counts as they came back (simulated)"),
        Opened(folder / "estimates.csv", "the estimates"),
        Opened(folder / "density.tif", "the density map, as a raster"),
        Opened(survey, "the survey file: everything, for any GIS"),
    ]


def _clear(folder: Path, name: str = "invented_course.gpkg", ours: Collection[str] = (VISIT,)) -> Path:
    """Make the folder, and take away an earlier demo's survey; anyone else's stays."""
    survey = folder / name
    make_folder(folder)
    if survey.exists():
        _check_ours(survey, ours)
        survey.unlink()
    return survey


def _check_ours(survey: Path, ours: Collection[str]) -> None:
    visits = open_survey(survey).read("visits")
    if not visits.empty and not set(visits["visit"]) <= set(ours):
        problem = Problem(str(survey), "visits of your own in it", "an earlier demo", "give another folder with --out")
        raise GeosampleError(problem)


def _mark_simulated(path: Path) -> None:
    survey = open_survey(path)
    design = load_design(survey)
    facts = {"simulated": True, "simulation": SIMULATION}
    visit = replace(design.visit, settings={**design.visit.settings, **facts})
    save_design(survey, replace(design, visit=visit))


def _fill_sheet(path: Path, folder: Path) -> None:
    survey = open_survey(path)
    rng = np.random.default_rng(SEED)
    ground, design = load_ground(survey), load_design(survey)
    truth = draw_truth(ground, rng, MODEL)
    fill_sheet(folder / "blank_counts.csv", folder / "counts_back.csv", design, truth, rng)
