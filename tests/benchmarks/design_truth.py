"""Whether the densities claimed are the densities drawn: 2,000 draws of each method on four shapes.

Run: python tests/benchmarks/design_truth.py [--draws N] [--write].
For each block of cells (60 a shape) and each band of edge distance (5), the mean number of main points is held against
the number claimed, in Monte Carlo standard errors of that method's own draws. The worst of 60 is about 2.7 for true
densities; the mean of their squares 1. Horvitz-Thompson: the total of a known field (hills of 20 m on a slope).
"""

from __future__ import annotations

import time

import geopandas as gpd
import joblib
import numpy as np
import pandas as pd
import shapely
from bench import as_markdown, ask, beside
from conftest import CRS, bent_fairway, kidney

from geosample.design import Request
from geosample.design.frame import SamplingFrame, cut_frame, mark_out
from geosample.design.howmany import Quota
from geosample.design.methods import DRAWS, balance_of, chances_of, order_along
from geosample.ground import Ground, edge_lines, measure_edge

POINTS, RESERVE, BLOCKS, BANDS, SEED = 24, 5, 60, 5, 31


def make_ground() -> Ground:
    """Return a kidney green with its collar, a bent fairway, and a fairway with two islands cut out of it."""
    green = kidney(0, 0)
    collar = shapely.difference(shapely.buffer(green, 0.762), green)
    holes = shapely.union_all([shapely.buffer(shapely.Point(x, -300), r) for x, r in ((20, 6), (60, 9))])
    shapes = [green, collar, bent_fairway(), shapely.difference(shapely.box(0, -320, 90, -280), holes)]
    names = ["green", "collar", "bent fairway", "fairway with islands"]
    kinds = ["green", "collar", "fairway", "fairway"]
    surfaces = gpd.GeoDataFrame(
        {"surface_id": names, "hole": "1", "kind": kinds, "name": None, "source": "invented"},
        geometry=[shapely.multipolygons([shape]) for shape in shapes],
        crs=CRS,
    )
    nothing = gpd.GeoDataFrame({"kind": [], "hole": [], "name": [], "source": []}, geometry=[], crs=CRS)
    return Ground(surfaces.assign(area_m2=surfaces.area), nothing)


def make_case(ground: Ground, surface: str, border_weight: float) -> tuple[SamplingFrame, Quota]:
    """Return a surface's frame and quota, a collar's with its order along the ring."""
    target = mark_out(ground, Request(visit="2026-05-04"))
    lines = edge_lines(ground.surfaces)
    frame = cut_frame(
        target[target["surface_id"] == surface], POINTS + RESERVE, lines=lines, border_weight=border_weight
    )
    shapes = ground.surfaces.set_index("surface_id").geometry
    rings = {int(part): shapes[target["surface_id"][part]] for part in np.unique(frame.part)}
    return frame, Quota(POINTS, RESERVE, order_along(frame, rings) if frame.kind == "collar" else None)


def field_at(places: np.ndarray) -> np.ndarray:
    """Return the known field."""
    return 3 + 0.02 * places[:, 0] + np.sin(places[:, 0] / 20 * 2 * np.pi) * np.cos(places[:, 1] / 20 * 2 * np.pi)


def study(surface: str, method: str, border_weight: float, draws: int) -> dict[str, object]:
    """Return one row of the table."""
    ground = make_ground()
    frame, quota = make_case(ground, surface, border_weight)
    started = time.perf_counter()
    edge = measure_edge(edge_lines(ground.surfaces), *frame.places.T)
    across = np.argsort(np.argsort(frame.places @ [0.6, 0.8])) * (BLOCKS // 3) // len(frame.places)
    along = np.argsort(np.argsort(frame.places @ [-0.8, 0.6])) * 3 // len(frame.places)
    groups = {"blocks": across * 3 + along, "bands": np.argsort(np.argsort(edge)) * BANDS // len(edge)}
    tree = shapely.STRtree(frame.shapes)
    rng = np.random.default_rng([SEED, sum(map(ord, surface + method))])
    hits = {name: np.zeros((draws, group.max() + 1)) for name, group in groups.items()}
    totals, balance = np.zeros(draws), np.zeros(draws)
    for draw in range(draws):
        drawn = DRAWS[method](frame, quota, rng)
        places = drawn.places[drawn.main]
        at, cell = tree.query(shapely.points(places), predicate="intersects")
        cell = cell[np.unique(at, return_index=True)[1]]
        for name, group in groups.items():
            hits[name][draw] = np.bincount(group[cell], minlength=hits[name].shape[1])
        totals[draw] = np.sum(field_at(places) / drawn.density[drawn.main])
        balance[draw] = balance_of(places, frame.places, chances_of(frame, POINTS)) if draw < 100 else np.nan
    claimed = frame.density(POINTS) * frame.area_m2
    z = {}
    for name, group in groups.items():
        expected = np.bincount(group, weights=claimed, minlength=hits[name].shape[1])
        error = np.maximum(hits[name].std(axis=0, ddof=1), 0.02) / np.sqrt(draws)
        z[name] = (hits[name].mean(axis=0) - expected) / error
    exact = float(field_at(frame.places) @ frame.area_m2)
    error = totals.std(ddof=1) / np.sqrt(draws)
    return {
        "shape": surface,
        "method": method,
        "edge weight": border_weight,
        "worst block, s.e.": round(float(np.abs(z["blocks"]).max()), 1),
        "mean z²": round(float((z["blocks"] ** 2).mean()), 2),
        "worst band, s.e.": round(float(np.abs(z["bands"]).max()), 1),
        "HT bias, % (s.e.)": f"{100 * (totals.mean() / exact - 1):.2f} ({100 * error / exact:.2f})",
        "HT sd, %": round(100 * totals.std(ddof=1) / exact, 1),
        "balance": round(float(np.nanmean(balance)), 3),
        "s": round(time.perf_counter() - started),
    }


def main() -> None:
    asked = ask(__doc__, beside(__file__), draws=(2000, 2))
    draws = asked.draws
    surfaces = ("green", "collar", "bent fairway", "fairway with islands")
    cases = [(s, m, w) for s in surfaces for m in DRAWS for w in (1.0, 2.5)]
    cases = cases[: 2 * len(DRAWS) : 2] if asked.smallest else cases  # each method once
    rows = joblib.Parallel(n_jobs=asked.jobs)(joblib.delayed(study)(*case, draws) for case in cases)
    text = (
        f"# Densities claimed and drawn\n\nMade by `design_truth.py`: {draws} draws a row of {POINTS} main points and "
        f"{RESERVE} in reserve. Collars are drawn along their ring by every method but `random`.\n\n"
        f"{as_markdown(pd.DataFrame(rows))}\n"
    )
    asked.publish(text)


if __name__ == "__main__":
    main()
