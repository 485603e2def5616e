"""Time and spread of a design on eighteen holes, beside geopandas' own point sampling on the same polygons.

Run: python tests/benchmarks/design_speed.py
"""

from __future__ import annotations

import time

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely import affinity

from geosample.design import Request, draw_design
from geosample.design.frame import cut_frame
from geosample.design.methods import chances_of
from geosample.design.spread import balance_of
from geosample.design.target import mark_out
from geosample.ground import Ground, edge_lines

HOLES = 18


def make_course() -> Ground:
    """Return eighteen bent fairways with a green and its collar each, about 150,000 m²."""
    green = shapely.buffer(shapely.Point(0, 0), 13)
    collar = shapely.difference(shapely.buffer(green, 0.762), green)
    bent = shapely.buffer(shapely.LineString([(-20, -40), (-60, -120), (-20, -240)]), 16)
    fairway = shapely.difference(bent, shapely.buffer(green, 0.762))
    rows = [
        {"surface_id": f"{hole:02d}-{kind}-1", "hole": str(hole), "kind": kind, "name": None, "source": "invented",
         "geometry": shapely.multipolygons([affinity.translate(shape, 150 * (hole % 6), 400 * (hole // 6))])}
        for hole in range(1, HOLES + 1)
        for kind, shape in (("green", green), ("collar", collar), ("fairway", fairway))
    ]  # fmt: skip
    surfaces = gpd.GeoDataFrame(rows, crs="+proj=laea +lat_0=41.5 +lon_0=-73.9 +datum=WGS84 +units=m")
    nothing = gpd.GeoDataFrame({"kind": [], "hole": [], "name": [], "source": []}, geometry=[], crs=surfaces.crs)
    return Ground(surfaces.assign(area_m2=surfaces.area), nothing)


def time_designs(ground: Ground) -> pd.DataFrame:
    """Return seconds for designs of several sizes, plain and edge-weighted."""
    rows = []
    for points, weight in ((90, 1.0), (90, 2.5), (1000, 1.0), (5000, 1.0)):
        asked = Request(visit="2026-05-04", points=points, border_m=4.572, border_weight=weight, seed=1)
        start = time.process_time()
        design = draw_design(ground, asked)
        cells = sum(row["cells"] for row in design.visit.settings["strata"])
        rows.append({"points": points, "border_weight": weight, "cells": cells, "cpu_s": time.process_time() - start})
    return pd.DataFrame(rows)


def compare_spread(ground: Ground) -> pd.DataFrame:
    """Return balance and time on one fairway: ours, and geopandas' uniform sampling."""
    target = mark_out(ground, Request(visit="2026-05-04", surfaces=("fairway",), holes=("1",)))
    frame = cut_frame(target, 50, lines=edge_lines(ground.surfaces))
    asked = Request(visit="2026-05-04", surfaces=("fairway",), holes=("1",), points=50, reserve=0.0)
    rows = []
    for seed in range(10):
        start = time.process_time()
        ours = draw_design(ground, Request(**{f: getattr(asked, f) for f in asked.__slots__} | {"seed": seed})).points
        middle = time.process_time()
        theirs = target.geometry.sample_points(50, rng=np.random.default_rng(seed)).explode()
        seconds = (middle - start, time.process_time() - middle)
        for name, points, spent in zip(("ours", "geopandas"), (ours.geometry, theirs), seconds, strict=True):
            places = shapely.get_coordinates(points.to_numpy())
            rows.append(
                {"draw": name, "balance": balance_of(places, frame.places, chances_of(frame, 50)), "cpu_s": spent}
            )
    return pd.DataFrame(rows).groupby("draw").mean()


if __name__ == "__main__":
    course = make_course()
    print(time_designs(course).round(2).to_string(index=False))
    print(compare_spread(course).round(3).to_string())
