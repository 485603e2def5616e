"""A drawn design on the small invented ground, and its main points, for the tests of every stage that needs one."""

from __future__ import annotations

import geopandas as gpd

from geosample.design import Design, draw_design
from geosample.ground import Ground


def design_visit(ground: Ground, *, points: int = 40, visit: str = "2026-05-04") -> Design:
    return draw_design(ground, visit=visit, points=points, border_m=4.572, seed=7)


def main_points(design: Design) -> gpd.GeoDataFrame:
    return design.points[design.points["role"] == "main"].reset_index(drop=True)
