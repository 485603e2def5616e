"""Time and spread of a design on eighteen holes, beside geopandas' own point sampling on the same polygons.

Run: python tests/benchmarks/design_speed.py
"""

from __future__ import annotations

import time
from collections.abc import Sequence

import numpy as np
import pandas as pd
import shapely
from bench import ask, make_ground

from geosample.design import Request, draw_design
from geosample.design.frame import cut_frame, mark_out
from geosample.design.methods import balance_of, chances_of
from geosample.ground import Ground, edge_lines


def time_designs(ground: Ground, sizes: Sequence[tuple[int, float]]) -> pd.DataFrame:
    """Return seconds for designs of several sizes, plain and edge-weighted."""
    rows = []
    for points, weight in sizes:
        start = time.process_time()
        design = draw_design(ground, visit="2026-05-04", points=points, border_m=4.572, border_weight=weight, seed=1)
        cells = sum(row["cells"] for row in design.visit.settings["strata"])
        rows.append({"points": points, "border_weight": weight, "cells": cells, "cpu_s": time.process_time() - start})
    return pd.DataFrame(rows)


def compare_spread(ground: Ground, seeds: int) -> pd.DataFrame:
    """Return balance and time on one fairway: ours, and geopandas' uniform sampling."""
    target = mark_out(ground, Request(visit="2026-05-04", surfaces=("fairway",), holes=("1",)))
    frame = cut_frame(target, 50, lines=edge_lines(ground.surfaces))
    asked = {"visit": "2026-05-04", "surfaces": ("fairway",), "holes": ("1",), "points": 50, "reserve": 0.0}
    rows = []
    for seed in range(seeds):
        start = time.process_time()
        ours = draw_design(ground, **asked, seed=seed).points
        middle = time.process_time()
        theirs = target.geometry.sample_points(50, rng=np.random.default_rng(seed)).explode()
        seconds = (middle - start, time.process_time() - middle)
        for name, points, spent in zip(("ours", "geopandas"), (ours.geometry, theirs), seconds, strict=True):
            places = shapely.get_coordinates(points.to_numpy())
            rows.append(
                {"draw": name, "balance": balance_of(places, frame.places, chances_of(frame, 50)), "cpu_s": spent}
            )
    return pd.DataFrame(rows).groupby("draw").mean()


def main() -> None:
    asked = ask(__doc__, holes=(18, 1), seeds=(10, 1))
    course = make_ground(asked.holes)
    sizes = ((90, 1.0), (90, 2.5), (1000, 1.0), (5000, 1.0))
    times = time_designs(course, sizes[:2] if asked.smallest else sizes)
    spread = compare_spread(course, asked.seeds)
    asked.publish(f"{times.round(2).to_string(index=False)}\n{spread.round(3).to_string()}")


if __name__ == "__main__":
    main()
