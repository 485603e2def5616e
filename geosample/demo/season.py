"""A season on the invented course: five visits, a treatment with check strips, temperatures; all of it invented."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import shapely

from geosample.demo.simulate import fill_rows
from geosample.design import load_design, save_design
from geosample.files.saving import save_file, write_csv
from geosample.ground import load_ground
from geosample.pests import load_pest
from geosample.rehearsal.worlds import SimulationModel, draw_truth
from geosample.sheets.blanks import blank_rows
from geosample.survey import open_survey
from geosample.treat import load_zones
from geosample.units import FOOT2_M2

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

SEED, KILLED = 7, 0.7
TREATED = date(2026, 5, 20)
_BASE = SimulationModel(
    mean_per_m2=14 / FOOT2_M2, border_ratio=3.0, field_sd=0.8, field_range_m=70.0, k=2.0, kind_factors={"green": 0.5}
)


@dataclass(frozen=True, slots=True)
class Round:
    """An invented visit: its day, density far from the edge (insects per ft²), and mix of stages."""

    day: str
    per_ft2: float
    stages: dict[str, float]
    note: str


ROUNDS = (
    Round("2026-05-04", 10, {"L1": 0.5, "L2": 0.35, "L3": 0.15}, "first larvae; rain the night before"),
    Round("2026-05-18", 20, {"L2": 0.15, "L3": 0.35, "L4": 0.35, "L5": 0.15}, "before treatment"),
    Round("2026-06-01", 18, {"L4": 0.25, "L5": 0.4, "pupa": 0.35}, "after treatment; check strips sampled"),
    Round("2026-06-29", 10, {"L1": 0.45, "L2": 0.3, "L3": 0.2, "adult": 0.05}, "second generation"),
    Round("2026-07-20", 24, {"L3": 0.2, "L4": 0.4, "L5": 0.3, "pupa": 0.1}, ""),
)
"""Every number is invented."""


def play_season(folder: Path, survey: Path, course: Path, run: Callable[[list[str]], None]) -> list[tuple[Path, str]]:
    """Run a season's commands on the demo course and return what to open, each with what it is for.

    Parameters
    ----------
    folder, survey, course : Path
        Where everything goes, the survey file in it, and the course's polygons.
    run : callable
        Takes a command's words and runs it.
    """
    path, out = str(survey), str(folder)
    run(["ground", path, str(course), "--collar", "30in", "--name", "Invented nine"])
    for number, visit in enumerate(ROUNDS):
        for words in _visit_words(path, visit, number, out):
            run(words)
            if words[0] == "design":
                _count(survey, folder, visit, number)
    lines = ["station,date,low (F),high (F)", *_temperatures()]
    heat = save_file(folder / "temperatures.csv", ("\n".join(lines) + "\n").encode())
    run(["season", path, "--temperatures", str(heat), "--out", out])
    return [
        (folder / "season.html", "the season: what changed, what was done, when to look again"),
        (folder / "season.pdf", "the same on two sheets, to print"),
        (folder / "treatments.pdf", "the ledger of treatments, to print"),
        (folder / "treatment_plan.pdf", "the plan of 2026-05-18, with its check strips"),
        (survey, "the survey file: everything, for any GIS"),
    ]


def _visit_words(path: str, visit: Round, number: int, out: str) -> Iterator[list[str]]:
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


def _count(path: Path, folder: Path, visit: Round, number: int) -> None:
    """Write a visit's counts as they came back; of insects in treated ground a share is gone at the next visit."""
    survey = open_survey(path)
    design, ground = load_design(survey, visit.day), load_ground(survey)
    model = replace(_BASE, mean_per_m2=visit.per_ft2 / FOOT2_M2, stage_shares=visit.stages)
    facts = {"simulated": True, "simulation": {**asdict(model), "seed": SEED}}
    design = replace(design, visit=replace(design.visit, settings={**design.visit.settings, **facts}))
    save_design(survey, design)
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
