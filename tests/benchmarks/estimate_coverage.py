"""Do the intervals keep their word? Coverage, border rule and decision rule on a real course's fairways and greens.

Run: python tests/benchmarks/estimate_coverage.py [--surveys N] [--write]
Ground: holes 1-4 of the shared course ``oak_bluff`` where it is there, else the invented demo course. Counts
are simulated by ``geosample.rehearsal.worlds``; the truth an interval has to hold is its stratum's mean density.
"""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from pathlib import Path

import geopandas as gpd
import joblib
import numpy as np
import pandas as pd
from bench import ROOT, as_markdown, ask, beside
from click.testing import CliRunner

from geosample.cli import main as program
from geosample.counts import Counts
from geosample.design import Design, draw_design
from geosample.estimate.bags import gather_bags
from geosample.estimate.intervals import border_ratio
from geosample.estimate.means import estimate_domains, estimate_mean, judge, own_prior
from geosample.ground import Ground, cut_cells, load_ground
from geosample.rehearsal.worlds import SimulationModel, count_bags, draw_truth, true_density
from geosample.survey import open_survey

SHARED = ROOT.parent / "shared" / "courses" / "oak_bluff.kml"
BORDER_M, SEED, DESIGNS = 4.572, 17, 8
KS, SIZES = (0.5, 1.0, 2.0), (8, 15, 30, 60)
WORLDS = {"even": (1.0, 0.0), "border": (2.5, 0.0), "patches": (1.0, 0.8), "both": (2.5, 0.8)}


@dataclass(frozen=True)
class Course:
    """The ground and its cells, with each cell's stratum."""

    ground: Ground
    cells: pd.DataFrame


def read_course(folder: Path, holes: Sequence[str]) -> Ground:
    """Return the greens and fairways of some holes."""
    path = folder / "course.gpkg"
    real = SHARED.is_file()
    words = [str(SHARED), "--kinds", "OB=ignore"] if real else [str(ROOT / "layers" / "course.geojson")]
    run = CliRunner().invoke(program, ["ground", str(path), *words])
    if run.exit_code:
        raise SystemExit(run.output)
    ground = load_ground(open_survey(path))
    kept = ground.surfaces["hole"].isin(holes) & ground.surfaces["kind"].isin(["green", "fairway"])
    return Ground(ground.surfaces[kept].reset_index(drop=True), ground.obstacles)


def cut_course(ground: Ground, design: Design) -> Course:
    """Return the course's 3 m cells by stratum."""
    cells = []
    for stratum, rows in design.strata.groupby("stratum"):
        cut = cut_cells(rows.assign(surface_id=rows["surface_id"] + rows["part"]), 3.0)
        cells.append(pd.DataFrame(cut.drop(columns="geometry")).assign(stratum=stratum))
    return Course(ground, pd.concat(cells, ignore_index=True))


def draw_designs(ground: Ground, size: int, designs: int) -> list[Design]:
    """Return balanced designs with so many points in each of the four strata."""
    asked = {"points": 4 * size, "minimum": size, "allocation": "equal", "reserve": 0.0, "border_m": BORDER_M}
    surfaces = ("green", "fairway")
    return [draw_design(ground, visit="2026-05-04", surfaces=surfaces, seed=seed, **asked) for seed in range(designs)]


def count(design: Design, found: pd.DataFrame) -> Counts:
    """Return the bags as counts."""
    points = design.points
    same = {"visit": "2026-05-04", "method": "brine", "plugs": 3, "sampled_m2": design.visit.point_m2}
    samples = gpd.GeoDataFrame(
        {"sample_id": points["point_id"], "point_id": points["point_id"], "status": "counted", "moved": False}
        | {"weight_m2": points["weight_m2"]},
        geometry=points.geometry,
        crs=points.crs,
    ).assign(**same)
    rows = found.rename(columns={"point_id": "sample_id"}).melt("sample_id", var_name="stage", value_name="count")
    return Counts("2026-05-04", samples, rows.assign(visit="2026-05-04", pest=design.visit.pest))


def survey(course: Course, design: Design, model: SimulationModel, rng: np.random.Generator) -> dict[str, float]:
    """Return what one survey got right and wrong."""
    truth = draw_truth(course.ground, rng, model, waves=400)
    cells = course.cells
    kinds = cells["stratum"].str.split().str[0]
    density = true_density(truth, cells["easting"], cells["northing"], kinds)
    means = (density * cells["area_m2"]).groupby(cells["stratum"]).sum() / cells.groupby("stratum")["area_m2"].sum()
    catch = gather_bags(count(design, count_bags(design, truth, rng)), design)
    rows = estimate_domains(catch, ("stratum",))
    rows = rows[rows["domain"] == "stratum"].set_index("label")
    below = rows["high_per_m2"] < means[rows.index]
    above = rows["low_per_m2"] > means[rows.index]
    border = border_ratio(catch.bags)
    prior, verdicts = own_prior(catch), []
    for label, areas in catch.areas.groupby("stratum"):
        interval = estimate_mean(catch.bags[catch.bags["stratum"] == label], areas, level=0.90, prior=prior).interval
        verdicts.append([judge(interval, float(means[label]) * times) for times in (0.5, 1.0, 2.0)])
    half, same, twice = zip(*verdicts, strict=True)
    real = [means[f"{kind} border"] / means[f"{kind} interior"] for kind in ("green", "fairway")]
    ratio = float(np.exp(np.log(real).mean()))
    return {
        "ratio covers": np.nan if border is None else float(border.low <= ratio <= border.high),
        "too low": below.mean(),
        "too high": above.mean(),
        "border more": float(border is not None and border.low > 1),
        "border more, and it is not": float(border is not None and border.low > 1 and max(real) <= 1),
        "above its own mean": np.mean([v == "above" for v in same]),
        "below its own mean": np.mean([v == "below" for v in same]),
        "above half": np.mean([v == "above" for v in half]),
        "below twice": np.mean([v == "below" for v in twice]),
    }


def run_cell(course: Course, designs: list[Design], k: float, world: str, surveys: int) -> dict[str, object]:
    """Return one row: shares in per cent."""
    ratio, field_sd = WORLDS[world]
    model = SimulationModel(border_ratio=ratio, field_sd=field_sd, k=k, mean_per_m2=215.0)
    size = len(designs[0].points) // 4
    rng = np.random.default_rng([SEED, size, int(10 * k), list(WORLDS).index(world)])
    rows = pd.DataFrame([survey(course, designs[n % len(designs)], model, rng) for n in range(surveys)])
    shares = (100 * rows.mean()).round(1)
    cover = round(100 - shares["too low"] - shares["too high"], 1)
    return {"world": world, "k": k, "n": size, "covers": cover, **shares.to_dict()}


def sum_up(table: pd.DataFrame, surveys: int) -> str:
    """Return what the table says in a few lines."""
    even = table[table["world"] == "even"]
    mean = table.mean(numeric_only=True)
    error, rule = 100 * np.sqrt(0.95 * 0.05 / (4 * surveys)), 100 * np.sqrt(0.025 * 0.975 / (len(even) * surveys))
    many, few = table.loc[table["n"] >= 15, "covers"].min(), table.loc[table["n"] < 15, "covers"].min()
    return f"""# Coverage of the estimates

Made by `estimate_coverage.py`: {surveys} surveys a row, four strata each (border and interior of fairways and greens),
n bags a stratum, 20 per ft² in the interior; per cent. Monte Carlo error about {error:.1f} near 95 a row.

- 95 % intervals cover {mean["covers"]:.1f} % on average; least with n of 15 or more {many:.1f} %, below
  that {few:.1f} %.
- Misses: truth above the interval {mean["too low"]:.1f} %, below it {mean["too high"]:.1f} %.
- With neither border effect nor patches, "the border holds more" was said in {even["border more"].mean():.1f} % of
  {len(even) * surveys} surveys (Monte Carlo error {rule:.1f}).
- The 95 % interval of the border's ratio, common to both kinds, holds the mean of their true ratios in
  {mean["ratio covers"]:.1f} % ({table["ratio covers"].min():.0f} to {table["ratio covers"].max():.0f} % a row).
- The decision rule (90 %): with the threshold at the very mean it says "above" in {mean["above its own mean"]:.1f} %
  and "below" in {mean["below its own mean"]:.1f} %; at half the mean "above" in {mean["above half"]:.0f} %; at twice
  the mean "below" in {mean["below twice"]:.0f} %.
"""


def main() -> None:
    asked = ask(__doc__, beside(__file__), surveys=(100, 2), designs=(DESIGNS, 1))
    surveys = asked.surveys
    sizes, ks = ((8, 15), (1.0,)) if asked.smallest else (SIZES, KS)
    holes = ("1",) if asked.smallest else ("1", "2", "3", "4")
    with tempfile.TemporaryDirectory() as folder:
        ground = read_course(Path(folder), holes)
    draw = (joblib.delayed(draw_designs)(ground, size, asked.designs) for size in sizes)
    drawn = dict(zip(sizes, joblib.Parallel(n_jobs=asked.jobs)(draw), strict=True))
    course = cut_course(ground, drawn[sizes[0]][0])
    cells = list(product(sizes, ks, WORLDS))
    work = (joblib.delayed(run_cell)(course, drawn[size], k, world, surveys) for size, k, world in cells)
    table = pd.DataFrame(joblib.Parallel(n_jobs=asked.jobs)(work))
    text = f"{sum_up(table, surveys)}\n{as_markdown(table)}\n"
    asked.publish(text)


if __name__ == "__main__":
    main()
