"""How long 5,000 returned rows take to be read and joined, beside a bare pandas read of the same file.

Run: python tests/benchmarks/counts_speed.py [--rows N].
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from bench import CRS, ask, clock
from counts_case import PEST, STAGE_KEYS

from geosample.counts import read_counts
from geosample.design import Design, Visit
from geosample.sheets.blanks import blank_rows


def big_design(count: int) -> Design:
    """Points 4-6 m apart on a square of turf."""
    rng = np.random.default_rng(1)
    side = int(np.ceil(np.sqrt(count)))
    east, north = np.divmod(np.arange(count), side)
    places = shapely.points(5.0 * east + rng.uniform(-0.5, 0.5, count), 5.0 * north + rng.uniform(-0.5, 0.5, count))
    points = gpd.GeoDataFrame(geometry=places, crs=CRS)
    lonlat = points.geometry.to_crs(4326)
    points = points.assign(
        visit="2026-05-04", point_id=[f"01F-{i:04d}" for i in range(count)], surface_id="01-fairway-1", hole="1",
        kind="fairway", stratum="fairway", part="whole", role="main", finding=None, walk_order=range(count),
        extract_order=range(1, count + 1), inclusion_per_m2=0.04, weight_m2=25.0, edge_m=1.0,
        lon=lonlat.x, lat=lonlat.y,
    )  # fmt: skip
    strata = gpd.GeoDataFrame({"stratum": ["fairway"]}, geometry=[shapely.box(0, 0, 5 * side, 5 * side)], crs=CRS)
    return Design(Visit("2026-05-04", "2026-05-04", PEST.name, "plug", 0.002565, 32.0, 3, "K7Q2", 7), points, strata)


def fill(design: Design) -> pd.DataFrame:
    rng = np.random.default_rng(2)
    sheet = blank_rows(design, PEST).astype(object)
    counts = pd.DataFrame(rng.poisson(0.8, (len(sheet), len(STAGE_KEYS))), columns=STAGE_KEYS)
    return sheet.assign(**{name: counts[name] for name in STAGE_KEYS}, collected_at="2026-05-04")


def without_labels(sheet: pd.DataFrame, design: Design) -> pd.DataFrame:
    rng = np.random.default_rng(3)
    wander = rng.normal(0, 1.5, (len(sheet), 2)) / [111_057, 83_400]
    lat, lon = design.points["lat"] + wander[:, 0], design.points["lon"] + wander[:, 1]
    return sheet.assign(point_id=None, sample_id=None, lat=lat.round(7), lon=lon.round(7)).sample(
        frac=1, random_state=1
    )


def main() -> None:
    asked = ask(__doc__, rows=(5000, 50))
    design = big_design(asked.rows)
    sheet = fill(design)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        cases = {"labels.csv": sheet, "positions.csv": without_labels(sheet, design)}
        for file, frame in cases.items():
            frame.to_csv(folder / file, index=False)
        sheet.to_excel(folder / "labels.xlsx", index=False)
        lines = [f"{'file':16} {'rows':>6} {'bare pandas s':>14} {'read_counts s':>14}"]
        for file in [*cases, "labels.xlsx"]:
            path = folder / file
            bare = clock(lambda p=path: pd.read_excel(p) if p.suffix == ".xlsx" else pd.read_csv(p))
            ours = clock(lambda p=path: read_counts(p, design))
            lines.append(f"{file:16} {len(sheet):6d} {bare:14.2f} {ours:14.2f}")
    asked.publish("\n".join(lines))


if __name__ == "__main__":
    main()
