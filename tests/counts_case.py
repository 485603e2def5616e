"""A small design and filled sheets for the tests of counts."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from geosample.counts import read_counts
from geosample.design import Design, Visit
from geosample.errors import CountsError
from geosample.ground import Ground
from geosample.pests import load_pest
from geosample.report.counts import word_note
from geosample.sheets.blanks import blank_rows

LETTERS = {"green": "G", "collar": "C", "fairway": "F"}
MAINS = {"green": 6, "collar": 4, "fairway": 10}
PEST = load_pest()
STAGE_KEYS = [stage.key for stage in PEST.stages]


def scatter_design(ground: Ground, *, reserve: int = 2, seed: int = 5) -> Design:
    """A stratum a surface, equal densities, main points and a few in reserve."""
    rng = np.random.default_rng(seed)
    rows = []
    for surface in ground.surfaces.itertuples():
        count = MAINS[surface.kind]
        for number, place in enumerate(places_inside(surface.geometry, count + reserve, rng), start=1):
            role = "main" if number <= count else "reserve"
            label = f"01{LETTERS[surface.kind]}-{number:02d}"
            rows.append((label, surface.surface_id, surface.kind, role, surface.area_m2 / count, place))
    names = ["point_id", "surface_id", "kind", "role", "weight_m2", "geometry"]
    points = gpd.GeoDataFrame(pd.DataFrame(rows, columns=names), geometry="geometry", crs=ground.crs)
    lonlat = points.geometry.to_crs(4326)
    points = points.assign(
        visit="2026-05-04", hole="1", stratum=points["kind"], part="whole", finding=None, edge_m=1.0,
        walk_order=range(1, len(points) + 1), extract_order=range(1, len(points) + 1),
        inclusion_per_m2=1 / points["weight_m2"], lon=lonlat.x, lat=lonlat.y,
    )  # fmt: skip
    visit = Visit("2026-05-04", "2026-05-04", PEST.name, "plug", 0.002565, 32.0, 3, "K7Q2", 7)
    strata = ground.surfaces.assign(visit=visit.visit, stratum=ground.surfaces["kind"], part="whole")
    return Design(visit, points, strata)


def places_inside(shape: shapely.Geometry, count: int, rng: np.random.Generator) -> list[shapely.Point]:
    west, south, east, north = shapely.bounds(shape)
    tries = rng.uniform((west, south), (east, north), (20_000, 2))
    inside = tries[shapely.contains_xy(shape, tries[:, 0], tries[:, 1])]
    return list(shapely.points(inside[:count]))


def filled_sheet(design: Design, *, seed: int = 3) -> pd.DataFrame:
    """The blank sheet as text, a few insects in every main point's row, the reserve's rows blank."""
    rng = np.random.default_rng(seed)
    sheet = blank_rows(design, PEST).astype(object)
    sheet = sheet.where(sheet.notna(), "").astype(str)
    main = sheet["role"] == "main"
    for stage in STAGE_KEYS:
        sheet.loc[main, stage] = rng.poisson(0.8, int(main.sum())).astype(str)
    return sheet


def write(sheet: pd.DataFrame, path: Path, **how: object) -> Path:
    sheet.to_csv(path, index=False, **how)
    return path


def edit(sheet: pd.DataFrame, point_id: str, **cells: str) -> pd.DataFrame:
    """The sheet with some cells of one point's row rewritten."""
    changed = sheet.copy()
    for name, text in cells.items():
        changed.loc[changed["point_id"] == point_id, name] = text
    return changed


def problems_of(path: Path | list[Path], design: Design, **asked: object) -> list[str]:
    with pytest.raises(CountsError) as caught:
        read_counts(path, design, **asked)
    return [str(problem) for problem in caught.value.problems]


def told(counts: object) -> str:
    return "\n".join(" | ".join((note.where, *word_note(note))) for note in counts.notes)
