"""The sampling frame: the target area cut into strata, each stratum in fine cells with their chance of being drawn."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import shapely

from geosample.errors import DesignError, Problem
from geosample.ground import Ground, cut_cells, measure_edge, only_polygons, split_border
from geosample.words import NO_HOLE, SHORT_TURF, same_hole

if TYPE_CHECKING:
    import geopandas as gpd
    from shapely import Geometry

    from geosample.design.request import Request

STRIPS = "check strips"
"""What strata of check strips are called, after their kind: small ground is one a kind, whatever splits the rest."""
SLIVER_M2 = 1.0
"""Own choice: a plug's round is about 1 m across."""
EDGE_DECAY_M = 4.0
"""Distance over which an edge-weighted density falls off, m (own choice of 3 to 5, no source)."""
FINEST_M, COARSEST_M = 0.25, 4.0
"""Limits of a frame cell's side, m."""
EDGE_CELL_M, EDGE_STRIP_M = 1.0, 6.0
"""Side of the cells near the edge, m, and how far from it they reach, where the density rises toward the edge."""
_FEWEST_CELLS, _MOST_CELLS = 2_000, 150_000
_TRIES = 10_000
_COLUMNS = ["stratum", "surface_id", "hole", "kind", "part", "area_m2", "geometry"]


def mark_out(ground: Ground, request: Request) -> gpd.GeoDataFrame:
    """Return the target area in parts of surfaces, each with the stratum it belongs to.

    Parameters
    ----------
    ground : Ground
        The course.
    request : Request
        Which kinds and holes, border width, setback, keep-outs; checked against the ground.

    Returns
    -------
    GeoDataFrame
        Columns of the layer ``strata`` but the visit, in the order of the strata; areas in m² after all cuts.

    Raises
    ------
    DesignError
        When no surface is of the kinds and on the holes asked for, or nothing is left of one to sample.
    """
    chosen = _choose_surfaces(ground.surfaces, request)
    if request.border_m is None:
        parts = ground.surfaces.assign(part="whole")
    else:
        # By the border of all short turf, for a green's edge is inside its collar's.
        near = ground.surfaces[ground.surfaces["kind"].isin({*SHORT_TURF, *request.surfaces})]
        parts = split_border(near, request.border_m, every_edge=request.every_edge)
    parts = parts[parts["surface_id"].isin(chosen["surface_id"])]
    shapes = _keep_off(_set_back(parts, chosen, request), ground, request)
    cut = split_by_areas(parts.assign(geometry=only_polygons(shapes)), request.areas)
    cut = set_strips_apart(cut, request.strips)
    cut = cut.assign(area_m2=cut.geometry.area)
    kept = cut[cut["area_m2"] > 0]
    _check_room(chosen, kept)
    named = kept.assign(stratum=_name_strata(kept, request))
    return named.sort_values(["surface_id", "part"])[_COLUMNS].reset_index(drop=True)


def _choose_surfaces(surfaces: gpd.GeoDataFrame, request: Request) -> gpd.GeoDataFrame:
    wanted = surfaces["kind"].isin(request.surfaces)
    if request.holes is not None:
        wanted &= surfaces["hole"].map(same_hole).isin([same_hole(hole) for hole in request.holes])
    wanted &= ~surfaces["hole"].map(same_hole).isin([same_hole(hole) for hole in request.without_holes])
    if not wanted.any():
        found = f"no {' or '.join(request.surfaces)} on hole {', '.join(request.holes or ())}"
        raise DesignError(Problem("surfaces", found, "at least one surface", "ask for other kinds or holes"))
    return surfaces[wanted].reset_index(drop=True)


def _set_back(parts: gpd.GeoDataFrame, chosen: gpd.GeoDataFrame, request: Request) -> np.ndarray:
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


def _check_room(chosen: gpd.GeoDataFrame, kept: gpd.GeoDataFrame) -> None:
    gone = chosen[~chosen["surface_id"].isin(kept["surface_id"])]
    if len(kept) and gone.empty:
        return
    remedy = "use a smaller `setback_m` or `keep_off`, or leave out"
    problems = [
        Problem(
            f"surface {row.surface_id}",
            f"no room: all of its {row.area_m2:,.1f} m² is set back or kept out",
            "some turf left to sample",
            f"{remedy} {row.kind} or hole {row.hole}",
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


def set_strips_apart(parts: gpd.GeoDataFrame, strips: str | None) -> gpd.GeoDataFrame:
    """Return the parts with what check strips take of them as parts of their own, one a surface, marked ``strip``.

    Parameters
    ----------
    parts : GeoDataFrame
        Parts of surfaces.
    strips : str, optional
        The strips as WKT. Less than ``SLIVER_M2`` of a surface stays with it.
    """
    if not strips:
        return parts.assign(strip=False)
    shape = shapely.from_wkt(strips)
    surface_ids = parts["surface_id"].to_numpy()
    before = parts.geometry.to_numpy()
    inside = pd.Series(only_polygons(shapely.intersection(before, shape)))
    taken_m2 = pd.Series(shapely.area(inside.to_numpy())).groupby(surface_ids).transform("sum")
    inside[(taken_m2 < SLIVER_M2).to_numpy()] = shapely.MultiPolygon()
    taken = ~shapely.is_empty(inside.to_numpy())
    after = np.where(taken, only_polygons(shapely.difference(before, shape)), before)
    own = parts[taken].assign(geometry=inside[taken].to_numpy()).dissolve("surface_id", as_index=False)
    own = own.assign(part="whole", area_name="", strip=True, geometry=only_polygons(own.geometry.to_numpy()))
    whole = pd.concat([parts.assign(geometry=after, strip=False), own], ignore_index=True)
    return whole[~shapely.is_empty(whole.geometry.to_numpy())].reset_index(drop=True)


def _name_strata(parts: gpd.GeoDataFrame, request: Request) -> list[str]:
    groups = {
        same_hole(hole): f"holes {group[0]}-{group[-1]}" if len(group) > 1 else f"hole {group[0]}"
        for group in request.hole_groups
        for hole in group
    }
    names = []
    for row in parts.itertuples():
        if row.strip:
            names.append(f"{row.kind} {STRIPS}")
            continue
        words = [f"hole {row.hole}" if row.hole else NO_HOLE] if "hole" in request.by else []
        if request.hole_groups:
            words.append(groups.get(same_hole(row.hole), "other holes"))
        words.append(row.surface_id if "surface" in request.by else row.kind)
        words += [] if row.part == "whole" else [row.part]
        names.append(" ".join([*words, f"in {row.area_name}"] if row.area_name else words))
    return names


@dataclass(frozen=True, slots=True)
class SamplingFrame:
    """A stratum in cells.

    Parameters
    ----------
    stratum, kind : str
        Its name and kind of surface.
    part : ndarray of int, shape (n,)
        Row in the target frame of the part each cell lies in.
    places : ndarray, shape (n, 2)
        Easting and northing of the cells' middles, m.
    area_m2 : ndarray, shape (n,)
        Exact area of each cell within the target.
    weight : ndarray, shape (n,)
        Relative density, 1 where nothing is favoured.
    shapes : ndarray of Polygon, shape (n,)
        The cells, clipped.
    cell_m : float
        Side of a whole cell, m.
    """

    stratum: str
    kind: str
    part: np.ndarray
    places: np.ndarray
    area_m2: np.ndarray
    weight: np.ndarray
    shapes: np.ndarray
    cell_m: float

    @property
    def mass_m2(self) -> float:
        """Area times weight over the whole stratum, m²."""
        return float(self.area_m2 @ self.weight)

    def density(self, points: float) -> np.ndarray:
        """Return the density of so many points at each cell, per m², shape (n,)."""
        return points * self.weight / self.mass_m2


def choose_cell_m(area_m2: float, points: int) -> float:
    """Return the side of a stratum's frame cells, m: a sixth of the points' spacing, or finer for few points.

    Examples
    --------
    >>> choose_cell_m(1e6, 10), choose_cell_m(100.0, 100), choose_cell_m(1e4, 1000)
    (4.0, 0.25, 0.5270462766947299)
    """
    wanted = np.sqrt(area_m2 / max(36 * points, _FEWEST_CELLS))
    return float(np.clip(wanted, max(FINEST_M, np.sqrt(area_m2 / _MOST_CELLS)), COARSEST_M))


def cut_frame(parts: gpd.GeoDataFrame, points: int, *, lines: Geometry, border_weight: float = 1.0) -> SamplingFrame:
    """Return the frame of one stratum.

    Parameters
    ----------
    parts : GeoDataFrame
        Rows of the target area that make the stratum, with their index in the whole target.
    points : int
        Points to be drawn, main and reserve.
    lines : Geometry
        What edge distance is measured to.
    border_weight : float
        Density at the edge over that far inside.
    """
    cell_m = choose_cell_m(float(parts["area_m2"].sum()), points)
    cells = cut_cells(parts, cell_m)
    number = dict(zip(parts["surface_id"], parts.index, strict=True))
    part, shapes = cells["surface_id"].map(number).to_numpy(dtype=np.int64), cells.geometry.to_numpy()
    places, weight = _middles(shapes), np.ones(len(shapes))
    if border_weight > 1:
        edge_m = measure_edge(lines, *places.T)
        near = np.flatnonzero(edge_m < EDGE_STRIP_M) if cell_m > EDGE_CELL_M else np.zeros(0, dtype=np.int64)
        far = np.setdiff1d(np.arange(len(shapes)), near)
        fine, owner = _cut_finer(shapes[near], part[near], parts.geometry, cell_m)
        within = _middles(fine)
        edge_m = np.concatenate([edge_m[far], measure_edge(lines, *within.T)])
        shapes, part = np.concatenate([shapes[far], fine]), np.concatenate([part[far], owner])
        places, weight = np.concatenate([places[far], within]), weigh_edge(edge_m, border_weight)
    return SamplingFrame(
        stratum=parts["stratum"].iloc[0],
        kind=parts["kind"].iloc[0],
        part=part,
        places=places,
        area_m2=shapely.area(shapes),
        weight=weight,
        shapes=shapes,
        cell_m=cell_m,
    )


def _middles(shapes: np.ndarray) -> np.ndarray:
    return np.asarray(shapely.get_coordinates(shapely.centroid(shapes)))


def _cut_finer(
    shapes: np.ndarray, part: np.ndarray, wholes: gpd.GeoSeries, cell_m: float
) -> tuple[np.ndarray, np.ndarray]:
    """Return the cells cut into squares of about a metre, clipped, and the part each lies in."""
    times = int(np.ceil(cell_m / EDGE_CELL_M))
    side = cell_m / times
    corner = np.floor(_middles(shapes) / cell_m) * cell_m
    across, up = (step.ravel() * side for step in np.meshgrid(np.arange(times), np.arange(times)))
    west = (corner[:, :1] + across).ravel()
    south = (corner[:, 1:] + up).ravel()
    fine = shapely.box(west, south, west + side, south + side)
    owner = np.repeat(part, times**2)
    # Most squares lie wholly in or out of the part; a prepared shape tells that at a tenth of the price of a cut.
    cut = np.repeat(shapely.area(shapes) < cell_m**2 * (1 - 1e-9), times**2)
    real = np.ones(len(fine), dtype=bool)
    for row in np.unique(part):
        whole = wholes.loc[row]
        shapely.prepare(whole)
        mine = np.flatnonzero((owner == row) & cut)
        real[mine] = shapely.intersects(whole, fine[mine])
        cut[mine] = real[mine] & ~shapely.contains_properly(whole, fine[mine])
    # Clipping by an upright box is several times faster than an overlay, and as exact.
    bounds = zip(np.repeat(shapes, times**2)[cut], *shapely.bounds(fine[cut]).T.tolist(), strict=True)
    fine[cut] = [shapely.clip_by_rect(*bound) for bound in bounds]
    real &= shapely.area(fine) > 0
    return fine[real], owner[real]


def weigh_edge(edge_m: np.ndarray, border_weight: float) -> np.ndarray:
    """Return the relative density at a distance from the edge: 1 + (r - 1) exp(-d / 4 m).

    Examples
    --------
    >>> weigh_edge(np.array([0.0, 400.0]), 2.5).tolist()
    [2.5, 1.0]
    """
    return np.asarray(1 + (border_weight - 1) * np.exp(-edge_m / EDGE_DECAY_M))


def place_within(shapes: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return one place uniform in each polygon, shape (n, 2), strictly inside.

    Notes
    -----
    Uniform in the smallest box turned any way around the polygon, tried again until it falls inside.
    """
    places = np.full((len(shapes), 2), np.nan)
    corner, along, across = _turned_boxes(shapes)
    waiting = np.arange(len(shapes))
    for _ in range(_TRIES):
        luck = rng.random((len(waiting), 2))
        tried = corner[waiting] + luck[:, :1] * along[waiting] + luck[:, 1:] * across[waiting]
        inside = shapely.contains_xy(shapes[waiting], tried[:, 0], tried[:, 1])
        places[waiting[inside]] = tried[inside]
        waiting = waiting[~inside]
        if not len(waiting):
            break
    # Slivers thinner than rounding can't be hit; their middle is as good a place.
    rest = shapely.point_on_surface(shapes[waiting])
    places[waiting] = shapely.get_coordinates(rest)
    return places


def _turned_boxes(shapes: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    boxes = shapely.oriented_envelope(shapes)
    flat = shapely.get_type_id(boxes) != shapely.GeometryType.POLYGON
    boxes[flat] = shapely.box(*shapely.bounds(shapes[flat]).T)
    corners = shapely.get_coordinates(boxes).reshape(-1, 5, 2)
    return corners[:, 0], corners[:, 1] - corners[:, 0], corners[:, 3] - corners[:, 0]
