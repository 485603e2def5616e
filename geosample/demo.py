"""The whole job on the invented course, by the same commands a user types; and a season of it, of five visits.

The counts come back as a crew would bring them: drawn from a stated model, a few bags lost on the way. All of
it is invented.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from dataclasses import asdict, dataclass, replace
from datetime import date, timedelta
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import shapely

from geosample.design import load_design, save_design
from geosample.errors import GeosampleError, Problem
from geosample.files.saving import make_folder, read_cell, save_file, write_csv
from geosample.ground import load_ground
from geosample.pests import load_pest
from geosample.rehearsal.worlds import SimulationModel, count_bags, draw_truth
from geosample.sheets.blanks import blank_rows
from geosample.survey import open_survey
from geosample.treat import load_zones
from geosample.units import FOOT2_M2

if TYPE_CHECKING:
    from geosample.design import Design
    from geosample.rehearsal.worlds import Truth
    from geosample.survey import Survey

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
            _mark_simulated(open_survey(survey_path), MODEL)
        if words[0] == "sheets":
            _fill_sheet(survey_path, folder)
    return list_opened(folder, survey_path)


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


def _mark_simulated(survey: Survey, model: SimulationModel, visit: str | None = None) -> Design:
    """Keep with the visit that its counts are invented, and from what."""
    design = load_design(survey, visit)
    facts = {"simulated": True, "simulation": {**asdict(model), "seed": SEED}}
    design = replace(design, visit=replace(design.visit, settings={**design.visit.settings, **facts}))
    save_design(survey, design)
    return design


def _fill_sheet(path: Path, folder: Path) -> None:
    survey = open_survey(path)
    rng = np.random.default_rng(SEED)
    ground, design = load_ground(survey), load_design(survey)
    truth = draw_truth(ground, rng, MODEL)
    fill_sheet(folder / "blank_counts.csv", folder / "counts_back.csv", design, truth, rng)


KILLED = 0.7
TREATED = date(2026, 5, 20)
_BASE = SimulationModel(
    mean_per_m2=14 / FOOT2_M2, border_ratio=3.0, field_sd=0.8, field_range_m=70.0, k=2.0, kind_factors={"green": 0.5}
)


@dataclass(frozen=True, slots=True)
class InventedVisit:
    """An invented visit: its day, density far from the edge (insects per ft²), and mix of stages."""

    day: str
    per_ft2: float
    stages: dict[str, float]
    note: str


ROUNDS = (
    InventedVisit("2026-05-04", 10, {"L1": 0.5, "L2": 0.35, "L3": 0.15}, "first larvae; rain the night before"),
    InventedVisit("2026-05-18", 20, {"L2": 0.15, "L3": 0.35, "L4": 0.35, "L5": 0.15}, "before treatment"),
    InventedVisit("2026-06-01", 18, {"L4": 0.25, "L5": 0.4, "pupa": 0.35}, "after treatment; check strips sampled"),
    InventedVisit("2026-06-29", 10, {"L1": 0.45, "L2": 0.3, "L3": 0.2, "adult": 0.05}, "second generation"),
    InventedVisit("2026-07-20", 24, {"L3": 0.2, "L4": 0.4, "L5": 0.3, "pupa": 0.1}, ""),
)
"""Every number is invented."""


def play_demo_season(folder: Path, run: Callable[[list[str]], None]) -> list[Opened]:
    """Run a season of five visits on the demo course and return what to open; arguments and errors as ``play_demo``."""
    survey = _clear(folder, "invented_season.gpkg", {one.day for one in ROUNDS})
    path, out = str(survey), str(folder)
    run(["ground", path, str(find_course()), "--collar", "30in", "--name", NAME])
    for number, visit in enumerate(ROUNDS):
        for words in _visit_words(path, visit, number, out):
            run(words)
            if words[0] == "design":
                _count(survey, folder, visit, number)
    lines = ["station,date,low (F),high (F)", *_temperatures()]
    heat = save_file(folder / "temperatures.csv", ("\n".join(lines) + "\n").encode())
    run(["season", path, "--temperatures", str(heat), "--out", out])
    return [
        Opened(folder / "season.html", "the season: what changed, what was done, when to look again"),
        Opened(folder / "season.pdf", "the same on two sheets, to print"),
        Opened(folder / "treatments.pdf", "the ledger of treatments, to print"),
        Opened(folder / "treatment_plan.pdf", "the plan of 2026-05-18, with its check strips"),
        Opened(survey, "the survey file: everything, for any GIS"),
    ]


def _visit_words(path: str, visit: InventedVisit, number: int, out: str) -> Iterator[list[str]]:
    on = ["--visit", visit.day]
    holes = ("--holes", "3,4,7", "--border", "15ft", "--seed", str(SEED + number))
    yield ["design", path, *on, "--points", "70", *holes]
    if visit.note:
        yield ["visits", path, "--note", f"{visit.day}={visit.note}"]
    yield ["counts", path, f"{out}/counts_{visit.day}.csv"]
    yield ["estimate", path, *on, "--by", "kind,hole,stratum"]
    yield ["density", path, *on, "--threshold", "30/ft2", "--cell", "3m", "--out", out]
    if number == 1:
        yield ["treat", path, *on, "--threshold", "30/ft2", "--checks", "5%", "--out", out]
        done = ("--set", "irac_group=28", "--set", "generation=1", "--set", "applicator=A. Name (invented)")
        yield ["record", path, *on, "--date", TREATED.isoformat(), *done]


def _count(path: Path, folder: Path, visit: InventedVisit, number: int) -> None:
    """Write a visit's counts as they came back; of insects in treated ground a share is gone at the next visit."""
    survey = open_survey(path)
    model = replace(_BASE, mean_per_m2=visit.per_ft2 / FOOT2_M2, stage_shares=visit.stages)
    design, ground = _mark_simulated(survey, model, visit.day), load_ground(survey)
    # one field a season: where it is dense it stays dense
    truth = draw_truth(ground, np.random.default_rng(SEED), model)
    rng = np.random.default_rng([SEED, number])
    profile = load_pest(design.visit.pest)
    filled = fill_rows(blank_rows(design, profile).fillna(""), design, truth, rng)
    if number == 2:  # noqa: PLR2004 - the visit after the treatment
        zones = load_zones(survey, ROUNDS[1].day).of("treat").union_all()
        hit = shapely.intersects(design.points.geometry.to_numpy(), zones)
        names = set(design.points["point_id"][hit])
        rows = filled["point_id"].isin(names)
        for stage in (stage.key for stage in profile.stages):
            counted = rows & (filled[stage] != "")
            left = rng.binomial(filled.loc[counted, stage].astype(int), 1 - KILLED)
            filled.loc[counted, stage] = pd.Series(left, index=filled.index[counted]).astype(str)
    save_file(folder / f"counts_{visit.day}.csv", write_csv(filled))


def _temperatures() -> Iterator[str]:
    """Yield invented days of three years, °F."""
    rng = np.random.default_rng(SEED)
    for year, warmer in ((2024, 1.0), (2025, -1.5), (2026, 0.0)):
        last = date(2026, 7, 20) if year == 2026 else date(year, 12, 31)  # noqa: PLR2004
        day = date(year, 1, 1)
        while day <= last:
            turn = 2 * np.pi * (day.timetuple().tm_yday - 20) / 365
            mean = 53 + warmer - 21 * np.cos(turn) + rng.normal(0, 4)
            yield f"invented,{day},{mean - 9:.0f},{mean + 10:.0f}"
            day += timedelta(1)


@dataclass(frozen=True, slots=True)
class Fates:
    """What share of the main points comes to grief; each unreachable one has a reserve point pulled for it."""

    lost: float = 0.02
    unreachable: float = 0.03
    not_extracted: float = 0.0
    off_turf: float = 0.0


def fill_sheet(
    blank_csv: Path,
    out_csv: Path,
    design: Design,
    truth: Truth,
    rng: np.random.Generator,
    fates: Fates | None = None,
) -> pd.DataFrame:
    """Write a filled copy of a blank sheet and return it, all cells as text; what nobody filled stays blank.

    Parameters
    ----------
    blank_csv, out_csv : Path
        What ``write_sheets`` made, and where the filled copy goes.
    design : Design
        The visit the sheet was printed for.
    truth : Truth
        Where the invented insects are.
    rng : Generator
        Draws the fates, then the counts.
    fates : Fates, optional
        Shares lost and so on; a few when None.
    """
    blank = pd.read_csv(blank_csv, dtype=str, keep_default_na=False, encoding="utf-8-sig").map(read_cell)
    filled = fill_rows(blank, design, truth, rng, fates)
    save_file(out_csv, write_csv(filled))
    return filled


def fill_rows(
    blank: pd.DataFrame, design: Design, truth: Truth, rng: np.random.Generator, fates: Fates | None = None
) -> pd.DataFrame:
    """Return a blank sheet's rows filled in; see ``fill_sheet``."""
    state = choose_fates(design, rng, fates or Fates())
    stages = [stage.key for stage in load_pest(design.visit.pest).stages]
    found = count_bags(design, truth, rng).set_index("point_id")[stages].astype(str)
    rows = []
    for row in blank.to_dict("records"):
        fate = state.get(row["point_id"], "")
        counts = found.loc[row["point_id"]].to_dict() if fate == "counted" else {}
        rows.append({**row, **counts, **_sign(design, fate)})
    return pd.DataFrame(rows, columns=list(blank.columns))


def choose_fates(design: Design, rng: np.random.Generator, fates: Fates) -> dict[str, str]:
    """Return point -> status; a reserve point that nobody needed is left out."""
    points = design.points.sort_values(["walk_order", "point_id"], kind="stable")
    main, spare = points[points["role"] == "main"], points[points["role"] == "reserve"]
    names = ["lost", "unreachable", "not_extracted", "off_turf"]
    shares = [fates.lost, fates.unreachable, fates.not_extracted, fates.off_turf]
    drawn = rng.choice([*names, "counted"], size=len(main), p=[*shares, 1 - sum(shares)])
    state = {str(point): str(fate) for point, fate in zip(main["point_id"], drawn, strict=True)}
    for stratum, needed in main[drawn == "unreachable"].groupby("stratum").size().items():
        pulled = spare.loc[spare["stratum"] == stratum, "point_id"].iloc[:needed]
        state.update(dict.fromkeys(pulled, "counted"))
    return state


def _sign(design: Design, fate: str) -> dict[str, str]:
    if not fate:
        return {}
    signed = {"collector": "crew A", "counted_by": "bench B", "collected_at": design.visit.date, "note": "simulated"}
    return signed if fate == "counted" else {**signed, "status": fate}
