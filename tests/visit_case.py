"""A drawn design on the small invented ground, its main points, and its simulated counts, for every stage's tests."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from geosample.counts import Counts
from geosample.design import Design, draw_design
from geosample.distributions import Bags
from geosample.ground import Ground
from geosample.rehearsal.worlds import SimulationModel, count_bags, draw_truth
from geosample.survey import shape_frame


def design_visit(ground: Ground, *, points: int = 40, visit: str = "2026-05-04") -> Design:
    return draw_design(ground, visit=visit, points=points, border_m=4.572, seed=7)


def main_points(design: Design) -> gpd.GeoDataFrame:
    return design.points[design.points["role"] == "main"].reset_index(drop=True)


def make_bags(count: ArrayLike) -> Bags:
    """Return bags of one m² and one weight each."""
    counts = np.asarray(count, dtype=float)
    return Bags(counts, np.ones(counts.shape), np.ones(counts.shape))


def simulate_counts(
    design: Design, ground: Ground, rng: np.random.Generator, model: SimulationModel | None = None
) -> pd.DataFrame:
    """Return invented counts for a design, a row a point: a truth is drawn, then its bags, from one generator."""
    return count_bags(design, draw_truth(ground, rng, model or SimulationModel()), rng)


def count_visit(design: Design, ground: Ground, *, seed: int = 3, model: SimulationModel | None = None) -> Counts:
    """Return counts of every main point, simulated with a stated model."""
    points = design.points[design.points["role"] == "main"].reset_index(drop=True)
    table = simulate_counts(design, ground, np.random.default_rng(seed), model)
    names = {"visit": design.visit.visit, "sample_id": points["point_id"], "point_id": points["point_id"]}
    taken = {"method": "brine", "plugs": 3, "sampled_m2": design.visit.point_m2, "weight_m2": points["weight_m2"]}
    samples = gpd.GeoDataFrame(
        {**names, **taken, "status": "counted", "moved": False}, geometry=points.geometry, crs=points.crs
    )
    rows = table.rename(columns={"point_id": "sample_id"}).melt("sample_id", var_name="stage", value_name="count")
    rows = rows[rows["sample_id"].isin(samples["sample_id"])].reset_index(drop=True)
    return Counts(
        design.visit.visit,
        shape_frame("samples", samples),
        rows.assign(visit=design.visit.visit, pest=design.visit.pest),
    )
