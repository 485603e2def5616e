"""Post-stratification: border and interior made strata after the draw, with their exact areas.

References
----------
Holt & Smith 1979, Post stratification, Journal of the Royal Statistical Society A 142:33-46 (from memory, unverified).
"""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geosample.design import Design
from geosample.errors import EstimateError, Problem
from geosample.ground import Ground, only_polygons, split_border
from geosample.words import SHORT_TURF


def post_stratify(design: Design, ground: Ground, border_m: float) -> Design:
    """Return the design with each whole stratum split into border and interior, and its points by where they lie.

    Parameters
    ----------
    design : Design
        A visit whose strata are not split by a border yet; strata that are stay as they are.
    ground : Ground
        The course it was drawn on.
    border_m : float
        Width of the border, m.

    Raises
    ------
    EstimateError
        When every stratum is split already, or the width is not above 0.

    Notes
    -----
    Points keep their inclusion densities; within a post-stratum the Hájek mean is weighed by the exact area.
    """
    whole = design.strata["part"] == "whole"
    if not whole.any() or not border_m > 0:
        found = "a visit whose strata are border and interior already" if border_m > 0 else f"{border_m:g} m"
        remedy = "leave --border out: the design has done it" if border_m > 0 else "give a width such as 15ft"
        raise EstimateError(Problem("--border", found, "strata to split, and a width above 0", remedy))
    short = ground.surfaces[ground.surfaces["kind"].isin({*SHORT_TURF, *design.strata["kind"]})]
    halves = split_border(short, border_m)
    pieces = [_cut(design.strata[whole], halves[halves["part"] == part], part) for part in ("border", "interior")]
    strata = pd.concat([design.strata[~whole], *pieces], ignore_index=True)
    near = np.where(design.points["edge_m"] < border_m, "border", "interior")
    part = design.points["part"].where(design.points["part"] != "whole", near)
    stratum = design.points["stratum"].where(
        design.points["part"] != "whole", design.points["stratum"].astype(str) + " " + part.astype(str)
    )
    shaped = gpd.GeoDataFrame(strata, geometry="geometry", crs=design.strata.crs)
    return replace(design, strata=shaped, points=design.points.assign(part=part, stratum=stratum))


def _cut(strata: gpd.GeoDataFrame, half: gpd.GeoDataFrame, part: str) -> gpd.GeoDataFrame:
    """Return the strata's ground within one half of each surface."""
    shapes = half.dissolve("surface_id").geometry.reindex(strata["surface_id"])
    inside = only_polygons(shapely.intersection(strata.geometry.to_numpy(), shapes.to_numpy()))
    cut = strata.assign(geometry=inside, part=part, stratum=strata["stratum"].astype(str) + f" {part}")
    cut = cut.assign(area_m2=cut.geometry.area)
    return cut[cut["area_m2"] > 0]
