"""How long the sheets of 18 holes and 120 points take (at most 15 s is asked of 2 cores).

Run as ``python tests/benchmarks/sheets_speed.py`` from the project's folder; no test times anything.
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

import geopandas as gpd
import pandas as pd
import shapely
from shapely import affinity

from geosample.design import Request, draw_design
from geosample.ground import Ground
from geosample.sheets import write_sheets

CRS = "+proj=laea +lat_0=41.5 +lon_0=-73.9 +datum=WGS84 +units=m"
HOLES, POINTS = 18, 120


def make_hole(number: int) -> gpd.GeoDataFrame:
    green = affinity.scale(shapely.Point(0, 0).buffer(13), 1.2, 0.9)
    collar = shapely.difference(green.buffer(0.762), green)
    fairway = shapely.difference(
        shapely.LineString([(0, -40), (-35, -150), (10, -310)]).buffer(16), green.buffer(0.762)
    )
    east_m, north_m = (number % 6) * 180.0, (number // 6) * 480.0
    kinds = {"green": green, "collar": collar, "fairway": fairway}
    shapes = [affinity.translate(shape, east_m, north_m) for shape in kinds.values()]
    return gpd.GeoDataFrame(
        {
            "surface_id": [f"{number + 1:02d}-{kind}-1" for kind in kinds],
            "hole": str(number + 1),
            "kind": list(kinds),
            "name": None,
            "source": "invented",
        },
        geometry=[shapely.multipolygons([shape]) for shape in shapes],
        crs=CRS,
    )


def run() -> None:
    surfaces = gpd.GeoDataFrame(pd.concat([make_hole(number) for number in range(HOLES)], ignore_index=True), crs=CRS)
    bunkers = gpd.GeoDataFrame(
        {"kind": "bunker", "hole": [str(n + 1) for n in range(HOLES)], "name": None, "source": "invented"},
        geometry=[shapely.Point((n % 6) * 180 + 25, (n // 6) * 480).buffer(6) for n in range(HOLES)],
        crs=CRS,
    )
    ground = Ground(surfaces.assign(area_m2=surfaces.area), bunkers)
    design = draw_design(ground, Request(visit="2026-05-04", points=POINTS, border_m=4.572, seed=1))
    with tempfile.TemporaryDirectory() as folder:
        start = time.perf_counter()
        made = write_sheets(design, ground, folder=Path(folder))
        print(f"{time.perf_counter() - start:.1f} s, {sum(path.stat().st_size for path in made.paths) / 1e6:.1f} MB")


if __name__ == "__main__":
    run()
