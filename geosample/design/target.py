"""The target area: what of the ground is sampled, cut into strata, after setbacks and keep-outs."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np
import shapely

from geosample.design.request import Request
from geosample.errors import DesignError, Problem
from geosample.ground import Ground, only_polygons, split_border
from geosample.words import NO_HOLE, SHORT_TURF, hole_key

if TYPE_CHECKING:
    import geopandas as gpd
    from shapely import Geometry

SLIVER_M2 = 1.0
"""Own choice: a plug's round is about 1 m across."""
_COLUMNS = ["stratum", "surface_id", "hole", "kind", "part", "area_m2", "geometry"]


def mark_out(ground: Ground, request: Request) -> gpd.GeoDataFrame:
    """Return the target area in parts of surfaces, each with the stratum it belongs to.

    Parameters
    ----------
    ground : Ground
        The course.
    request : Request
        Which kinds and holes, border width, setback, keep-outs.

    Returns
    -------
    GeoDataFrame
        Columns of the layer ``strata`` but the visit, in the order of the strata; areas in m² after all cuts.

    Raises
    ------
    DesignError
        When a hole or kind is not on the course, or nothing is left to sample.
    """
    chosen = choose_surfaces(ground, request)
    parts = _split(ground, request)
    parts = parts[parts["surface_id"].isin(chosen["surface_id"])]
    shapes = _keep_off(_cut_back(parts, chosen, request), ground, request)
    cut = split_by_areas(parts.assign(geometry=only_polygons(shapes)), request.areas)
    cut = cut.assign(area_m2=cut.geometry.area)
    kept = cut[cut["area_m2"] > 0]
    _check_room(chosen, kept)
    named = kept.assign(stratum=_name_strata(kept, request))
    return named.sort_values(["surface_id", "part"])[_COLUMNS].reset_index(drop=True)


def choose_surfaces(ground: Ground, request: Request) -> gpd.GeoDataFrame:
    """Return the surfaces asked for by kind and hole.

    Raises
    ------
    DesignError
        When a hole or a kind is not on the course.
    """
    surfaces = ground.surfaces
    problems = [
        *_missing_holes(surfaces, request),
        *_missing_kinds(surfaces, request),
        *_missing_obstacles(ground, request),
    ]
    if problems:
        raise DesignError(problems)
    wanted = surfaces["kind"].isin(request.surfaces)
    if request.holes is not None:
        wanted &= surfaces["hole"].map(plain_hole).isin([plain_hole(hole) for hole in request.holes])
    wanted &= ~surfaces["hole"].map(plain_hole).isin([plain_hole(hole) for hole in request.without_holes])
    if not wanted.any():
        found = f"no {' or '.join(request.surfaces)} on hole {', '.join(request.holes or ())}"
        raise DesignError(Problem("--surfaces", found, "at least one surface", "ask for other kinds or holes"))
    return surfaces[wanted].reset_index(drop=True)


def plain_hole(hole: str | None) -> str:
    """Return a hole's name in one form, so that 07 is 7 and Red 3 is red 3.

    Examples
    --------
    >>> plain_hole("07"), plain_hole("Red 3"), plain_hole(None)
    ('7', 'red 3', '')
    """
    text = hole.strip().lower() if isinstance(hole, str) else ""
    return str(int(text)) if text.isdigit() else text


def _missing_holes(surfaces: gpd.GeoDataFrame, request: Request) -> Iterator[Problem]:
    there = sorted(surfaces["hole"].dropna().unique(), key=hole_key)
    known = {plain_hole(hole) for hole in there}
    named = {
        "--holes": request.holes or (),
        "--without-holes": request.without_holes,
        "--hole-groups": tuple(hole for group in request.hole_groups for hole in group),
    }
    for option, holes in named.items():
        missing = [hole for hole in holes if plain_hole(hole) not in known]
        if missing:
            expected = f"of: {', '.join(there)}" if there else "none, for this course's surfaces name no hole"
            yield Problem(option, ", ".join(missing), expected, "name holes of this course, or leave the option out")


def _missing_kinds(surfaces: gpd.GeoDataFrame, request: Request) -> Iterator[Problem]:
    there = set(surfaces["kind"])
    missing = [kind for kind in request.surfaces if kind not in there]
    if missing:
        remedy = "leave it out, or read it in with 'geosample ground' (--collar 30in makes collars)"
        yield Problem(
            "--surfaces", f"no {', '.join(missing)} on this course", f"of: {', '.join(sorted(there))}", remedy
        )


def _split(ground: Ground, request: Request) -> gpd.GeoDataFrame:
    """Split by the border of all short turf, for a green's edge is inside its collar's."""
    surfaces = ground.surfaces
    if request.border_m is None:
        return surfaces.assign(part="whole")
    near = surfaces[surfaces["kind"].isin({*SHORT_TURF, *request.surfaces})]
    return split_border(near, request.border_m, every_edge=request.every_edge)


def _cut_back(parts: gpd.GeoDataFrame, chosen: gpd.GeoDataFrame, request: Request) -> np.ndarray:
    shapes: np.ndarray = parts.geometry.to_numpy()
    if request.setback_m > 0:
        inner = shapely.buffer(chosen.geometry.to_numpy(), -request.setback_m, quad_segs=16)
        rows = chosen.set_index("surface_id").index.get_indexer(parts["surface_id"])
        shapes = shapely.intersection(shapes, inner[rows])
    return shapes


def _keep_off(shapes: np.ndarray, ground: Ground, request: Request) -> np.ndarray:
    for kind, distance_m in request.keep_off:
        things = ground.obstacles.geometry[ground.obstacles["kind"] == kind].to_numpy()
        shapes = shapely.difference(shapes, shapely.union_all(shapely.buffer(things, distance_m, quad_segs=16)))
    if request.spots:
        east, north, radius = np.array(request.spots).T
        rounds = shapely.buffer(shapely.points(east, north), radius, quad_segs=16)
        shapes = shapely.difference(shapes, shapely.union_all(rounds))
    return shapes


def _missing_obstacles(ground: Ground, request: Request) -> Iterator[Problem]:
    there = set(ground.obstacles["kind"])
    missing = [kind for kind, _ in request.keep_off if kind not in there]
    if missing:
        found = f"no {', '.join(missing)} among the obstacles"
        remedy = "leave it out, or read those things in with 'geosample ground'"
        yield Problem("--keep-off", found, f"of: {', '.join(sorted(there)) or 'none'}", remedy)


def _check_room(chosen: gpd.GeoDataFrame, kept: gpd.GeoDataFrame) -> None:
    gone = chosen[~chosen["surface_id"].isin(kept["surface_id"])]
    if len(kept) and gone.empty:
        return
    problems = [
        Problem(
            f"surface {row.surface_id}",
            f"no room: all of its {row.area_m2:,.1f} m² is set back or kept out",
            "some turf left to sample",
            f"use a smaller --setback or --keep-off, or leave out {row.kind} or hole {row.hole}",
        )
        for row in gone.itertuples()
    ]
    raise DesignError(problems)


def split_by_areas(parts: gpd.GeoDataFrame, areas: Sequence[tuple[str, str]]) -> gpd.GeoDataFrame:
    """Return the parts cut by the user's own areas, with the area each piece lies in; the earlier area keeps overlaps.

    Parameters
    ----------
    parts : GeoDataFrame
        Parts of surfaces.
    areas : sequence of (str, str)
        Names and WKT. Ground outside all of them has the empty name; less than ``SLIVER_M2`` of a part is no ground of
        an area's own, only how two outlines differ.
    """
    import pandas as pd

    left, pieces = parts.assign(area_name=""), []
    for name, wkt in areas:
        shape = shapely.from_wkt(wkt)
        before = left.geometry.to_numpy()
        inside = only_polygons(shapely.intersection(before, shape))
        sliver = shapely.area(inside) < SLIVER_M2
        pieces.append(left.assign(geometry=inside, area_name=name)[~sliver])
        after = only_polygons(shapely.difference(before, shape))
        left = left.assign(geometry=np.where(sliver, before, after))
    whole = pd.concat([left, *pieces], ignore_index=True)
    return whole[~shapely.is_empty(whole.geometry.to_numpy())].reset_index(drop=True)


def _name_strata(parts: gpd.GeoDataFrame, request: Request) -> list[str]:
    groups = {plain_hole(hole): _group_name(group) for group in request.hole_groups for hole in group}
    names = []
    for row in parts.itertuples():
        words = [f"hole {row.hole}" if row.hole else NO_HOLE] if "hole" in request.by else []
        if request.hole_groups:
            words.append(groups.get(plain_hole(row.hole), "other holes"))
        words.append(row.surface_id if "surface" in request.by else row.kind)
        words += [] if row.part == "whole" else [row.part]
        names.append(" ".join([*words, f"in {row.area_name}"] if row.area_name else words))
    return names


def _group_name(group: Sequence[str]) -> str:
    return f"holes {group[0]}-{group[-1]}" if len(group) > 1 else f"hole {group[0]}"


def place_of(geometry: Geometry) -> tuple[float, float]:
    """Return easting and northing of a place inside a shape."""
    point = shapely.point_on_surface(geometry)
    return float(shapely.get_x(point)), float(shapely.get_y(point))
