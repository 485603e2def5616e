"""draw_design: from ground and request to a design, in one pass."""

from __future__ import annotations

import secrets
from dataclasses import asdict, replace
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import shapely

from geosample import __version__
from geosample.design.again import Kept, check_again, join_kept, keep_points, new_quota
from geosample.design.frame import Frame, cut_frame
from geosample.design.grids import ALL_METHODS
from geosample.design.labels import design_code, label_points
from geosample.design.methods import Drawn, Quota, chances_of
from geosample.design.model import Design, Visit
from geosample.design.ranks import rank_bags
from geosample.design.request import Request, Stream, find_problems
from geosample.design.rings import order_along
from geosample.design.shares import share_request
from geosample.design.split import split_plugs
from geosample.design.spread import balance_of
from geosample.design.target import mark_out, place_of, plain_hole
from geosample.design.walk import order_walk
from geosample.errors import DesignError, Problem
from geosample.ground import Ground, edge_lines, measure_edge
from geosample.ground.edges import GAP_M
from geosample.pests import load_pest
from geosample.survey import shape_frame
from geosample.units import plug_area_m2
from geosample.words import hole_key

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd
    from shapely import Geometry


def draw_design(ground: Ground, request: Request, *, last: Design | None = None) -> Design:
    """Return where to pull plugs, with the density each place had of being drawn.

    Parameters
    ----------
    ground : Ground
        The course.
    request : Request
        What is asked for; everything but the visit has a default.
    last : Design, optional
        The visit whose points are kept in part, where ``request.keep`` asks for it.

    Returns
    -------
    Design
        Points in walking order (reserve points after the main ones, by stratum in the order of their use), and the
        target area by stratum. ``visit.settings`` holds all that is needed to draw it again.

    Raises
    ------
    DesignError
        With everything that can't be: holes or kinds not on the course, a stratum with no room, numbers out of range.

    Notes
    -----
    Each stratum is cut into fine cells of exact area. A cell is drawn with a chance in proportion to its area and
    weight, and the point lies uniform inside the cell. The weight of a main point is one over its density.
    """
    problems = find_problems(request)
    if problems:
        raise DesignError(problems)
    request = replace(request, seed=secrets.randbelow(2**31) if request.seed is None else request.seed)
    rng = np.random.default_rng(request.seed)
    visit = _make_visit(request)
    target = mark_out(ground, request)
    quotas = share_request(target, request, visit.point_m2)
    kept = _keep(last, target, quotas, request)
    lines = edge_lines(ground.surfaces, every_edge=request.every_edge)
    tables, strata = [], []
    for stratum, quota in quotas.items():
        frame = _frame_of(target, stratum, quota, (lines, request.border_weight))
        anew = new_quota(quota, kept[stratum]) if stratum in kept else quota
        drawn = ALL_METHODS[request.method](frame, _with_order(ground, target, frame, anew, request), rng)
        if stratum in kept:
            drawn = join_kept(drawn, kept[stratum], target.geometry.to_numpy())
        tables.append(_tabulate(target, stratum, drawn, kept.get(stratum)))
        strata.append(_note_stratum(frame, quota, drawn))
    points = _finish_points(ground, request, tables, lines)
    return _bind(visit, request, points, target, strata)


def _keep(last: Design | None, target: gpd.GeoDataFrame, quotas: dict[str, Quota], request: Request) -> dict[str, Kept]:
    if request.keep == 0:
        return {}
    if last is None:
        problem = Problem(
            "--keep", f"{request.keep:g}, and no visit before", "a visit to keep points of", "leave it out"
        )
        raise DesignError(problem)
    check_again(last, target, request)
    return keep_points(last, target, quotas, request)


def _make_visit(request: Request) -> Visit:
    pest = load_pest(request.pest)
    diameter_m = request.plug_m or pest.unit_diameter_m
    own_unit = request.unit_m2 is not None
    return Visit(
        visit=request.visit,
        date=request.day,
        pest=pest.name,
        unit_shape="flush" if pest.unit == "flush" else "square" if own_unit else "plug",
        unit_m2=request.unit_m2 if request.unit_m2 is not None else plug_area_m2(diameter_m),
        unit_depth_mm=pest.unit_depth_mm,
        units_per_point=request.plugs or pest.plugs_per_point,
        design_code="",
        seed=request.seed or 0,
    )


def _frame_of(target: gpd.GeoDataFrame, stratum: str, quota: Quota, edge: tuple[Geometry, float]) -> Frame:
    lines, border_weight = edge
    return cut_frame(target[target["stratum"] == stratum], quota.all, lines=lines, border_weight=border_weight)


def _with_order(ground: Ground, target: gpd.GeoDataFrame, frame: Frame, quota: Quota, request: Request) -> Quota:
    """Give a collar's cells their order along the ring: on so thin a strip the ring is the only direction."""
    if frame.kind != "collar" or request.method == "random":
        return quota
    shapes = ground.surfaces.set_index("surface_id").geometry
    rings = {int(part): shapes[target["surface_id"][part]] for part in np.unique(frame.part)}
    return replace(quota, order=order_along(frame, rings))


def _tabulate(target: gpd.GeoDataFrame, stratum: str, drawn: Drawn, kept: Kept | None) -> pd.DataFrame:
    import pandas as pd

    where = pd.DataFrame(target[["surface_id", "hole", "kind", "part"]]).loc[drawn.part].reset_index(drop=True)
    return where.assign(
        stratum=stratum,
        role=np.where(drawn.main, "main", "reserve"),
        inclusion_per_m2=drawn.density,
        weight_m2=1 / drawn.density,
        line=drawn.line,
        kept_from=_pad(kept.names if kept else [], len(drawn.main)),
        easting=drawn.places[:, 0],
        northing=drawn.places[:, 1],
    )


def _pad(names: list[str], length: int) -> np.ndarray:
    return np.array([*names, *([None] * (length - len(names)))], dtype=object)


def _note_stratum(frame: Frame, quota: Quota, drawn: Drawn) -> dict[str, Any]:
    """Return what is known of a stratum after the draw, in plain types."""
    return {
        "stratum": frame.stratum,
        "main": int(drawn.main.sum()),
        "reserve": int((~drawn.main).sum()),
        "planned": quota.main,
        "area_m2": float(frame.area_m2.sum()),
        "cell_m": frame.cell_m,
        "cells": len(frame.area_m2),
        "balance": balance_of(drawn.places[drawn.main], frame.places, chances_of(frame, quota.main)),
    }


def _finish_points(ground: Ground, request: Request, tables: list[pd.DataFrame], lines: Geometry) -> gpd.GeoDataFrame:
    import geopandas as gpd
    import pandas as pd

    table = pd.concat(tables, ignore_index=True)
    ordered = _put_in_order(table, _start_of(ground, request, table), request)
    geometry = gpd.GeoSeries.from_xy(ordered["easting"], ordered["northing"], crs=ground.crs)
    degrees = geometry.to_crs(4326)
    points = ordered.drop(columns=["easting", "northing"]).assign(
        visit=request.visit,
        point_id=label_points(ordered["hole"].tolist(), ordered["kind"].tolist()),
        walk_order=np.arange(1, len(ordered) + 1),
        edge_m=measure_edge(lines, ordered["easting"].to_numpy(), ordered["northing"].to_numpy()),
        lon=degrees.x,
        lat=degrees.y,
        finding=None,
        **_bench_columns(ordered, request),
    )
    return gpd.GeoDataFrame(points, geometry=geometry, crs=ground.crs)


def _bench_columns(ordered: pd.DataFrame, request: Request) -> dict[str, Any]:
    """Return the order of extraction (0 for reserve points) and the split, each from a stream of its own."""
    main = (ordered["role"] == "main").to_numpy()
    places = ordered[["easting", "northing"]].to_numpy()
    rank = np.zeros(len(ordered), dtype=np.int64)
    strata = ordered["stratum"].to_numpy()[main]
    rank[main] = rank_bags(strata, places[main], request.stream(Stream.EXTRACTION))
    if not request.compare:
        return {"extract_order": rank, "split": None}
    plugs = request.plugs or load_pest(request.pest).plugs_per_point
    split = split_plugs(len(ordered), request.compare, plugs, request.stream(Stream.SPLITTING))
    return {"extract_order": rank, "split": split}


def _put_in_order(table: pd.DataFrame, start: np.ndarray, request: Request) -> pd.DataFrame:
    """Return main points along the walk, then reserve points by stratum in the order of their use."""
    import pandas as pd

    main = table[table["role"] == "main"].reset_index(drop=True)
    holes = sorted(main["hole"].unique(), key=hole_key)
    rank = {hole: number for number, hole in enumerate(holes)} if request.walk == "holes" else {}
    groups = [rank.get(hole, 0) for hole in main["hole"]]
    walk = order_walk(main[["easting", "northing"]].to_numpy(), groups, start)
    return pd.concat([main.iloc[walk], table[table["role"] != "main"]], ignore_index=True)


def _start_of(ground: Ground, request: Request, table: pd.DataFrame) -> np.ndarray:
    """Return the start asked for, the first tee of the first hole sampled, or that hole's first surface."""
    if request.start is not None:
        return np.array(request.start)
    first = min(table["hole"].unique(), key=hole_key)
    surfaces = ground.surfaces[ground.surfaces["hole"].map(plain_hole) == plain_hole(first)]
    tees = surfaces[surfaces["kind"] == "tee"]
    return np.array(place_of((tees if len(tees) else surfaces).geometry.iloc[0]))


def _bind(
    visit: Visit, request: Request, points: gpd.GeoDataFrame, target: gpd.GeoDataFrame, strata: list[dict[str, Any]]
) -> Design:
    settings = {
        **{key: value for key, value in asdict(request).items() if key not in {"visit", "date"}},
        "gap_m": GAP_M,
        "strata": strata,
        "versions": _versions(),
    }
    places = shapely.get_coordinates(points.geometry.to_numpy())
    named = replace(visit, settings=settings, design_code=design_code(settings, places))
    strata_rows = target.assign(visit=visit.visit)
    return Design(named, _as_layer("points", points), _as_layer("strata", strata_rows))


def _as_layer(layer: str, frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Give the frame the layer's columns and types, so that it is the same before the survey file and after."""
    return cast("gpd.GeoDataFrame", shape_frame(layer, frame))


def _versions() -> dict[str, str]:
    import scipy

    return {
        "geosample": __version__,
        "numpy": np.__version__,
        "scipy": scipy.__version__,
        "shapely": shapely.__version__,
        "geos": shapely.geos_version_string,
    }
