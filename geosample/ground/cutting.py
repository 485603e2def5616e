"""The ground cut up: distance to the outer edge, border strips, collars and approaches, and cells with exact areas.

Insects walk in from outside, so the edge that matters is the outer line of all short turf that touches
(green, collar, approach, tee, fairway), not the line between a green and its collar. Rough never cancels an edge.
A bunker or pond wholly inside the turf makes no outer line; where it reaches the side, the outer line runs round it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geosample.errors import GroundError, Problem
from geosample.files.reading import Note
from geosample.words import SHORT_TURF, tidy_hole
from geosample.workers import map_threads

if TYPE_CHECKING:
    from numpy.typing import ArrayLike
    from shapely import Geometry


_MANY = 10_000
"""From so many places on, a tree of the lines' pieces is worth making."""
_NODE = 3
"""Branches to a node of that tree: half the time of shapely's default of 10 on 18 holes."""
GAP_M = 1.0
"""Gaps up to this width between short turf surfaces, m, are digitising and not an edge (common practice, no source)."""


def outer_turf(surfaces: gpd.GeoDataFrame) -> Geometry:
    """Return the union of the short turf with gaps of up to ``GAP_M`` closed.

    Parameters
    ----------
    surfaces : GeoDataFrame
        With a ``kind``; kinds that are not short turf are left out.
    """
    short = surfaces.geometry[surfaces["kind"].isin(SHORT_TURF)]
    union = shapely.union_all(short.to_numpy())
    closed = shapely.buffer(shapely.buffer(union, GAP_M / 2, join_style="mitre"), -GAP_M / 2, join_style="mitre")
    return shapely.union(union, closed)


def edge_lines(surfaces: gpd.GeoDataFrame, *, every_edge: bool = False) -> Geometry:
    """Return the lines edge distance is measured to.

    Parameters
    ----------
    surfaces : GeoDataFrame
        Surfaces with a ``kind``.
    every_edge : bool
        Measure to each surface's own line instead of the outer line of the short turf.

    Returns
    -------
    Geometry
        Lines. Where there is no short turf at all, the surfaces' own lines.

    Examples
    --------
    >>> import geopandas as gpd
    >>> from shapely import Point, box
    >>> holed = box(0, 0, 40, 40).difference(box(15, 15, 25, 25))
    >>> frame = gpd.GeoDataFrame({"kind": ["fairway"]}, geometry=[holed])
    >>> edge_lines(frame).distance(Point(12, 20)), edge_lines(frame, every_edge=True).distance(Point(12, 20))
    (12.0, 3.0)
    """
    own = every_edge or not surfaces["kind"].isin(SHORT_TURF).any()
    if own:
        return shapely.union_all(shapely.boundary(surfaces.geometry.to_numpy()))
    pieces = shapely.get_parts(outer_turf(surfaces))
    return shapely.multilinestrings(shapely.get_exterior_ring(pieces))


def measure_edge(lines: Geometry, easting: np.ndarray, northing: np.ndarray) -> np.ndarray:
    """Return the distance of places to the edge lines, m, shape (n,).

    Parameters
    ----------
    lines : Geometry
        As ``edge_lines`` gives them, m.
    easting, northing : ndarray, shape (n,)
        Of the places, in the same CRS, m.

    Examples
    --------
    >>> from shapely import box
    >>> measure_edge(box(0, 0, 10, 10).boundary, [5.0, 1.0], [5.0, 5.0]).tolist()
    [5.0, 1.0]
    """
    places = np.stack([easting, northing], axis=-1)
    if len(places) >= _MANY and shapely.get_dimensions(lines) == 1 and not lines.is_empty:
        return _measure_many(lines, places)
    shapely.prepare(lines)
    return np.asarray(shapely.distance(lines, shapely.points(places)), dtype=float)


def _measure_many(lines: Geometry, places: np.ndarray) -> np.ndarray:
    """Return the same by a tree of the lines' single pieces, several parts of the places at a time."""
    corners, line = shapely.get_coordinates(shapely.get_parts(lines), return_index=True)
    joined = line[1:] == line[:-1]
    pieces = shapely.linestrings(np.stack([corners[:-1][joined], corners[1:][joined]], axis=1))
    tree = shapely.STRtree(pieces, node_capacity=_NODE)

    def measure(some: np.ndarray) -> np.ndarray:
        points = shapely.points(some)
        return np.asarray(tree.query_nearest(points, return_distance=True, all_matches=False)[1])

    return np.concatenate(map_threads(measure, np.array_split(places, len(places) // _MANY + 1)))


def split_border(surfaces: gpd.GeoDataFrame, width_m: float, *, every_edge: bool = False) -> gpd.GeoDataFrame:
    """Return each surface in its parts: the border within ``width_m`` of the outer edge, and the interior.

    Parameters
    ----------
    surfaces : GeoDataFrame
        In a CRS in metres.
    width_m : float
        Of the border, m.
    every_edge : bool
        As for ``edge_lines``.

    Returns
    -------
    GeoDataFrame
        The surfaces' columns, ``part`` (border or interior) and ``area_m2`` of the part; a part of no area is
        left out. A collar narrower than the border is all border.
    """
    lines = edge_lines(surfaces, every_edge=every_edge)
    strip = shapely.buffer(lines, width_m, quad_segs=16)
    shapely.prepare(strip)
    shapes = surfaces.geometry.to_numpy()
    # A collar narrower than the border is all border, also where turf joins it and the outer edge is elsewhere.
    thin = (surfaces["kind"] == "collar").to_numpy() & shapely.is_empty(shapely.buffer(shapes, -width_m / 2))
    inner = np.where(thin, shapely.Polygon(), shapely.difference(shapes, strip))
    parts = {"border": np.where(thin, shapes, shapely.intersection(shapes, strip)), "interior": inner}
    frames = [surfaces.assign(part=name, geometry=only_polygons(pieces)) for name, pieces in parts.items()]
    both = gpd.GeoDataFrame(pd.concat(frames, ignore_index=True), geometry="geometry", crs=surfaces.crs)
    both = both.assign(area_m2=both.geometry.area)
    whole = both["surface_id"].map(surfaces.set_index("surface_id").geometry.area)
    return both[both["area_m2"] > 1e-9 * whole].sort_values(["surface_id", "part"]).reset_index(drop=True)


def is_area(shapes: np.ndarray) -> np.ndarray:
    """Return which shapes have an area by their kind, as booleans of the same shape.

    Examples
    --------
    >>> is_area(shapely.from_wkt(["POINT (0 0)", "LINESTRING (0 0, 1 0)", "POLYGON ((0 0, 1 0, 1 1, 0 0))"])).tolist()
    [False, False, True]
    """
    return np.asarray(shapely.get_dimensions(shapes) == 2)  # noqa: PLR2004 - dimensions


def only_polygons(shapes: np.ndarray) -> np.ndarray:
    """Return the shapes as MultiPolygons, without the lines and points an overlay leaves behind."""
    return np.array([_polygons_of(shape) for shape in shapes], dtype=object)


def _polygons_of(shape: Geometry) -> Geometry:
    parts = shapely.get_parts(shapely.get_parts([shape]))
    polygons = [part for part in parts if part.geom_type == "Polygon" and not part.is_empty]
    return shapely.multipolygons(np.array(polygons, dtype=object))


Widths = float | Mapping[str, float]
ALL_HOLES = "*"
"""The key of the width for the holes that have none of their own."""


def widths_by_hole(width_m: Widths | None) -> dict[str, float]:
    """Return widths, m, by hole, the one for all others under ``*``.

    Raises
    ------
    GroundError
        When a width is not a positive number.

    Examples
    --------
    >>> widths_by_hole({"*": 0.76, "07": 0.9})
    {'*': 0.76, '7': 0.9}
    """
    if width_m is None:
        return {}
    given = width_m if isinstance(width_m, Mapping) else {ALL_HOLES: width_m}
    wrong = [
        Problem("collar_m", f"a width of {width} m", "more than 0 m", "give a width such as 0.76 m (30 in)")
        for width in given.values()
        if not (np.isfinite(width) and width > 0)
    ]
    if wrong:
        raise GroundError(wrong)
    return {tidy_hole(hole) or ALL_HOLES: float(width) for hole, width in given.items()}


def add_collars(surfaces: gpd.GeoDataFrame, width_m: Widths | None) -> tuple[gpd.GeoDataFrame, list[Note]]:
    """Return the surfaces with a collar round each green, and what was done.

    Parameters
    ----------
    surfaces : GeoDataFrame
        kind, hole, name, source; not yet settled, so that collars take their ground by the stated order.
    width_m : float, mapping of hole to float, or None
        The width, m; one for all or by hole, with ``*`` for the others.

    Notes
    -----
    A collar takes ground from approach, fairway and rough, never from a tee. A green that a drawn collar
    touches keeps the drawn one.
    """
    widths = widths_by_hole(width_m)
    greens = surfaces[surfaces["kind"] == "green"]
    width = greens["hole"].map(lambda hole: widths.get(hole, widths.get(ALL_HOLES, np.nan)))
    drawn = shapely.union_all(surfaces.geometry[surfaces["kind"] == "collar"].to_numpy())
    has_own = shapely.intersects(shapely.buffer(greens.geometry.to_numpy(), 0.1), drawn)
    wanted = greens[~width.isna().to_numpy() & ~has_own]
    if wanted.empty:
        return surfaces, _collar_notes(greens, wanted, widths)
    rings = _rings(surfaces, wanted, width[wanted.index].to_numpy(dtype=float))
    collars = wanted.assign(kind="collar", source="derived from " + wanted["source"], name=None, area_doubt=np.nan)
    collars = collars.set_geometry(gpd.GeoSeries(rings, wanted.index, crs=surfaces.crs))
    both = pd.concat([surfaces, collars[~collars.geometry.is_empty]], ignore_index=True)
    notes = [*_collar_notes(greens, wanted, widths), *_added_ground(surfaces, rings)]
    return gpd.GeoDataFrame(both, geometry="geometry", crs=surfaces.crs), notes


def _added_ground(surfaces: gpd.GeoDataFrame, rings: np.ndarray) -> list[Note]:
    """Return a note of the ground under the collars that no surface held: it is new, not moved."""
    near = shapely.union_all(surfaces.geometry[surfaces.intersects(shapely.union_all(rings))].to_numpy())
    added = float(shapely.area(shapely.difference(shapely.union_all(rings), near)))
    return [Note("collar_new_ground", "collars", 1, added)] if added > 0 else []


def _rings(surfaces: gpd.GeoDataFrame, greens: gpd.GeoDataFrame, width_m: np.ndarray) -> np.ndarray:
    kept = shapely.union_all(surfaces.geometry[surfaces["kind"].isin(["green", "tee"])].to_numpy())
    wider = shapely.buffer(greens.geometry.to_numpy(), width_m, quad_segs=16)
    return only_polygons(shapely.difference(wider, kept))


def _collar_notes(greens: gpd.GeoDataFrame, wanted: gpd.GeoDataFrame, widths: Mapping[str, float]) -> list[Note]:
    if not widths:
        return []
    notes = [Note("collar_derived", "greens", len(wanted))]
    if len(greens) > len(wanted):
        notes.append(Note("collar_drawn", "greens", len(greens) - len(wanted)))
    doubt_m = wanted["edge_doubt_m"].max() if "edge_doubt_m" in wanted else np.nan
    if doubt_m > max(widths.values()):
        facts = {"width_m": max(widths.values()), "edge_m": float(doubt_m)}
        notes.append(Note("collar_in_doubt", "collar_m", facts=facts))
    unknown = sorted(set(widths) - {ALL_HOLES, *greens["hole"].dropna()})
    notes += [Note("collar_unused", "collar_m", facts={"hole": hole}) for hole in unknown]
    return notes


def add_approaches(surfaces: gpd.GeoDataFrame, distance_m: float | None) -> tuple[gpd.GeoDataFrame, list[Note]]:
    """Return the surfaces with the fairway near each green made an approach, and what was done.

    Parameters
    ----------
    surfaces : GeoDataFrame
        kind, hole, name, source.
    distance_m : float or None
        How far from the green's edge the fairway is approach, m.

    Notes
    -----
    Only the fairway of the green's own hole, where both have one, so that a green beside another hole's
    fairway does not claim it.
    """
    greens = surfaces[surfaces["kind"] == "green"]
    if distance_m is None or greens.empty:
        return surfaces, []
    rows = [_approach(surfaces, green, distance_m) for green in greens.itertuples()]
    found = [row for row in rows if row is not None]
    if not found:
        return surfaces, [Note("no_approach", "approach_m", 0)]
    made = gpd.GeoDataFrame(found, geometry="geometry", crs=surfaces.crs)
    area = float(made.area.sum())
    both = gpd.GeoDataFrame(pd.concat([surfaces, made], ignore_index=True), geometry="geometry", crs=surfaces.crs)
    return both, [Note("approach_made", "fairways", len(made), area)]


def _approach(surfaces: gpd.GeoDataFrame, green: tuple[object, ...], distance_m: float) -> dict[str, object] | None:
    hole, shape = green.hole, green.geometry  # type: ignore[attr-defined]
    fairways = surfaces[surfaces["kind"] == "fairway"]
    own = fairways[(fairways["hole"] == hole) | fairways["hole"].isna()] if isinstance(hole, str) else fairways
    near = shapely.intersection(
        shapely.union_all(own.geometry.to_numpy()), shapely.buffer(shape, distance_m, quad_segs=16)
    )
    near = only_polygons(np.array([near], dtype=object))[0]
    if near.is_empty:
        return None
    source = f"derived from {green.source}"  # type: ignore[attr-defined]
    return {"kind": "approach", "hole": hole, "name": None, "source": source, "geometry": near}


_BLOCK = 8
_SQUARE_M = 32.0


def cut_cells(surfaces: gpd.GeoDataFrame, cell_m: float) -> gpd.GeoDataFrame:
    """Return the cells of one grid, each clipped to its surface.

    Parameters
    ----------
    surfaces : GeoDataFrame
        Disjoint polygons with a ``surface_id``, in a CRS in metres.
    cell_m : float
        Side of a cell, m. The grid's lines lie at whole multiples of it, so that two calls agree.

    Returns
    -------
    GeoDataFrame
        A row a piece of cell: surface_id, column, row (whole numbers; the cell's west and south edges are at
        ``column * cell_m`` and ``row * cell_m``), area_m2 (of the piece), easting, northing (of the piece's
        centroid, or a place inside it where that falls outside), geometry (the piece).

    Examples
    --------
    >>> import geopandas as gpd
    >>> from shapely import box
    >>> square = gpd.GeoDataFrame({"surface_id": ["a"]}, geometry=[box(0, 0, 3, 1.5)], crs=32618)
    >>> cut_cells(square, 1.0)["area_m2"].tolist()
    [1.0, 1.0, 1.0, 0.5, 0.5, 0.5]
    """
    named = zip(surfaces["surface_id"], surfaces.geometry, strict=True)
    pieces = map_threads(lambda one: _cut_one(*one, cell_m), named)
    columns = ["surface_id", "column", "row", "area_m2", "easting", "northing", "geometry"]
    frame = pd.concat(pieces, ignore_index=True) if pieces else pd.DataFrame(columns=columns)
    return gpd.GeoDataFrame(frame, geometry="geometry", crs=surfaces.crs)


def _cut_one(surface_id: str, geometry: Geometry, cell_m: float) -> gpd.GeoDataFrame:
    column, row, whole = _cells_over(geometry, cell_m)
    boxes = draw_squares(column, row, cell_m)
    boxes[~whole] = clip_pieces(boxes[~whole], geometry)
    area = shapely.area(boxes)
    real = area > 0
    places = np.column_stack([(column + 0.5) * cell_m, (row + 0.5) * cell_m])
    places[~whole & real] = _places_inside(boxes[~whole & real])
    return pd.DataFrame(
        {
            "surface_id": surface_id,
            "column": column[real],
            "row": row[real],
            "area_m2": area[real],
            "easting": places[real, 0],
            "northing": places[real, 1],
            "geometry": boxes[real],
        }
    )


def draw_squares(column: ArrayLike, row: ArrayLike, side_m: float) -> np.ndarray:
    """Return cells of one grid as whole squares, shape (n,).

    Parameters
    ----------
    column, row : array_like of int, shape (n,)
        As ``cut_cells`` gives them.
    side_m : float
        Side of a cell, m.

    Notes
    -----
    Neighbours share their corners to the last digit, so that many join without cracks: an edge is a whole number times
    the side, whichever cell it belongs to.
    """
    east, north = np.asarray(column, dtype=float), np.asarray(row, dtype=float)
    return np.asarray(shapely.box(east * side_m, north * side_m, (east + 1) * side_m, (north + 1) * side_m))


def join_squares(column: ArrayLike, row: ArrayLike, side_m: float) -> shapely.Geometry:
    """Return cells of one grid as one shape; a square that two surfaces have pieces of counts once.

    Parameters
    ----------
    column, row, side_m
        As for ``draw_squares``.

    Examples
    --------
    >>> join_squares([0, 1, 1], [0, 0, 0], 2.0).area
    8.0
    """
    own = np.unique(np.column_stack([np.asarray(column), np.asarray(row)]), axis=0)
    return shapely.coverage_union_all(draw_squares(own[:, 0], own[:, 1], side_m))


def clip_pieces(pieces: np.ndarray, shape: Geometry) -> np.ndarray:
    """Return what of each small piece lies inside a shape, shape (n,).

    Notes
    -----
    An outline of a hundred corners meets a piece at two or three of them, so it is first clipped to squares of ground.
    Where two squares meet, pieces may differ in the last digit along their shared side.

    Examples
    --------
    >>> shapely.area(clip_pieces(shapely.box([0, 2], 0, [1, 3], 1), shapely.box(0, 0, 2.25, 1))).tolist()
    [1.0, 0.25]
    """
    if not len(pieces):
        return pieces
    bounds = shapely.bounds(pieces)
    corners = np.floor(bounds[:, :2] / _SQUARE_M)
    squares, square = np.unique(corners[:, 0] + 1j * corners[:, 1], return_inverse=True)
    west, south = squares.real * _SQUARE_M, squares.imag * _SQUARE_M
    wide, high = _SQUARE_M + (bounds[:, 2:] - bounds[:, :2]).max(axis=0)
    near = shapely.intersection(shape, shapely.box(west, south, west + wide, south + high))
    return np.asarray(shapely.intersection(pieces, near[square]))


def _cells_over(geometry: Geometry, cell_m: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return column and row of the cells that touch the shape, and which lie wholly inside; row by row.

    Blocks of cells are tried first: most of a bent fairway's bounding box is not fairway.
    """
    shapely.prepare(geometry)
    west, south, east, north = shapely.bounds(geometry)
    columns = np.arange(np.floor(west / cell_m), np.ceil(east / cell_m), dtype=np.int64)
    rows = np.arange(np.floor(south / cell_m), np.ceil(north / cell_m), dtype=np.int64)
    blocks = [np.unique(numbers // _BLOCK) for numbers in (columns, rows)]
    block_column, block_row = (grid.ravel() for grid in np.meshgrid(*blocks))
    column, row, inside = _try_boxes(geometry, block_column, block_row, _BLOCK * cell_m)
    step = np.arange(_BLOCK)
    across, up = (grid.ravel() for grid in np.meshgrid(step, step))
    fine = [np.add.outer(column * _BLOCK, across).ravel(), np.add.outer(row * _BLOCK, up).ravel()]
    sure = np.repeat(inside, _BLOCK**2)
    open_column, open_row, open_inside = _try_boxes(geometry, fine[0][~sure], fine[1][~sure], cell_m)
    all_columns, all_rows = np.append(fine[0][sure], open_column), np.append(fine[1][sure], open_row)
    order = np.lexsort((all_columns, all_rows))
    whole = np.append(np.ones(int(sure.sum()), dtype=bool), open_inside)
    return all_columns[order], all_rows[order], whole[order]


def _try_boxes(
    geometry: Geometry, column: np.ndarray, row: np.ndarray, side_m: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the squares that touch the prepared shape, and whether each lies inside it."""
    boxes = draw_squares(column, row, side_m)
    touched = shapely.intersects(geometry, boxes)
    return column[touched], row[touched], shapely.contains_properly(geometry, boxes[touched])


def _places_inside(pieces: np.ndarray) -> np.ndarray:
    places = shapely.centroid(pieces)
    outside = ~shapely.intersects(pieces, places)
    places[outside] = shapely.point_on_surface(pieces[outside])
    return np.asarray(shapely.get_coordinates(places))
