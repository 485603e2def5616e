"""Overlaps settled by one stated order, and every square metre that moved accounted for.

Green, collar, tee, approach, fairway, rough: the earlier kind keeps the ground. Water, bunkers, paths,
buildings and other obstacles are cut out of all of them. Of two of one kind the larger keeps it.
"""

from __future__ import annotations

from collections import defaultdict

import geopandas as gpd
import numpy as np
import shapely

from geosample.ground.edges import is_area, only_polygons
from geosample.ground.model import Note
from geosample.words import CUT_KINDS, PLURALS, SURFACE_KINDS

_ORDER = {kind: place for place, kind in enumerate((*CUT_KINDS, *SURFACE_KINDS))}
SWALLOWED_SHARE = 0.95
"""A surface with more than this share inside one obstacle is an island in it, such as a green in a pond (no source)."""
DOUBTED_SHARE = 1 / 3
"""A surface that loses more than this share to one obstacle may lie under an outline filled by mistake (no source)."""
_SPECK_M2 = 0.005  # less than this prints as 0.00 m² in the report (arithmetic)

Moved = dict[tuple[str, str], tuple[int, float]]


def settle_overlaps(
    surfaces: gpd.GeoDataFrame, obstacles: gpd.GeoDataFrame
) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame, list[Note]]:
    """Return disjoint surfaces, the obstacles with islands of turf cut out, and notes of what moved.

    Parameters
    ----------
    surfaces : GeoDataFrame
        Valid polygons with kind and source.
    obstacles : GeoDataFrame
        Any geometry, with kind; only polygons of the cut kinds take ground.

    Examples
    --------
    >>> from shapely import box
    >>> two = gpd.GeoDataFrame(
    ...     {"kind": ["fairway", "green"], "source": "a"}, geometry=[box(0, 0, 9, 9), box(5, 5, 9, 9)], crs=32618
    ... )
    >>> settled, _, notes = settle_overlaps(two, two.iloc[:0])
    >>> settled.area.tolist(), notes[0].what, notes[0].area_m2
    ([65.0, 16.0], 'fairway under green', 16.0)
    """
    obstacles, notes = _free_islands(surfaces, obstacles)
    cutters = obstacles[_cuts(obstacles)]
    shapes = np.concatenate([cutters.geometry.to_numpy(), surfaces.geometry.to_numpy()])
    kinds = np.concatenate([cutters["kind"].to_numpy(), surfaces["kind"].to_numpy()])
    settled, moved = _settle(shapes, kinds, len(cutters))
    notes += [
        Note(f"{loser} under {winner}", PLURALS[loser], count, area, f"given to the {_winner(loser, winner)}")
        for (loser, winner), (count, area) in sorted(moved.items(), key=lambda item: -item[1][1])
        if area > _SPECK_M2
    ]
    notes += _doubt_cuts(surfaces, cutters)
    done = surfaces.set_geometry(gpd.GeoSeries(settled, surfaces.index, crs=surfaces.crs))
    gone = done.geometry.is_empty
    notes += [
        Note(f"a {kind} wholly under others", source, 1, 0.0, "nothing of it is left")
        for kind, source in zip(done["kind"][gone], done["source"][gone], strict=True)
    ]
    return done[~gone].reset_index(drop=True), obstacles, notes


def _cuts(obstacles: gpd.GeoDataFrame) -> np.ndarray:
    """Return which obstacles take ground from the turf they lie on."""
    return np.asarray(is_area(obstacles.geometry.to_numpy()) & obstacles["kind"].isin(CUT_KINDS).to_numpy())


def _winner(loser: str, winner: str) -> str:
    return f"larger {winner}" if loser == winner else winner


def _doubt_cuts(surfaces: gpd.GeoDataFrame, cutters: gpd.GeoDataFrame) -> list[Note]:
    """Return a note for each surface that loses much to one obstacle, which may be an outline filled by mistake."""
    turf, shapes = surfaces.geometry.to_numpy(), cutters.geometry.to_numpy()
    own, other = shapely.STRtree(shapes).query(turf, predicate="intersects")
    lost = shapely.area(shapely.intersection(turf[own], shapes[other]))
    much = lost > DOUBTED_SHARE * shapely.area(turf[own])
    remedy = "cut out as stated; see whether the obstacle is an outline that should not be filled"
    return [
        Note(
            f"more than a third of a {surfaces['kind'].iloc[i]} under one {cutters['kind'].iloc[o]}",
            f"{surfaces['source'].iloc[i]}; {cutters['source'].iloc[o]}",
            1,
            float(area),
            remedy,
        )
        for i, o, area in zip(own[much], other[much], lost[much], strict=True)
    ]


def _settle(shapes: np.ndarray, kinds: np.ndarray, first: int) -> tuple[np.ndarray, Moved]:
    """Return the shapes from ``first`` on, each without what goes before it, and what moved from kind to kind."""
    rank = _rank(shapes, kinds)
    own, other = shapely.STRtree(shapes).query(shapes[first:], predicate="intersects")
    before = rank[other] < rank[own + first]
    own, other = own[before], other[before]
    settled = shapes[first:].copy()
    moved: dict[tuple[str, str], list[float]] = defaultdict(list)
    for i in np.unique(own):
        takers = other[own == i]
        for kind in sorted(set(kinds[takers]), key=_ORDER.__getitem__):
            left = shapely.difference(settled[i], shapely.union_all(shapes[takers[kinds[takers] == kind]]))
            taken = settled[i].area - left.area
            settled[i] = left
            if taken > 0:
                moved[kinds[first + i], kind].append(taken)
    return only_polygons(settled), {pair: (len(areas), sum(areas)) for pair, areas in moved.items()}


def _rank(shapes: np.ndarray, kinds: np.ndarray) -> np.ndarray:
    places = shapely.get_coordinates(shapely.centroid(shapes))
    kind_order = np.array([_ORDER[kind] for kind in kinds], dtype=int)
    order = np.lexsort((places[:, 0], places[:, 1], -shapely.area(shapes).round(6), kind_order))
    rank = np.empty(len(shapes), dtype=int)
    rank[order] = np.arange(len(shapes))
    return rank


def _free_islands(surfaces: gpd.GeoDataFrame, obstacles: gpd.GeoDataFrame) -> tuple[gpd.GeoDataFrame, list[Note]]:
    """Return the obstacles without the turf that lies wholly inside them, and a note for each such surface."""
    shapes, turf = obstacles.geometry.to_numpy().copy(), surfaces.geometry.to_numpy()
    areal = _cuts(obstacles)
    inner, outer = shapely.STRtree(shapes).query(turf, predicate="intersects")
    inner, outer = inner[areal[outer]], outer[areal[outer]]
    common = shapely.area(shapely.intersection(turf[inner], shapes[outer]))
    swallowed = common > SWALLOWED_SHARE * shapely.area(turf[inner])
    notes = []
    for i, o in zip(inner[swallowed], outer[swallowed], strict=True):
        shapes[o] = shapely.difference(shapes[o], turf[i])
        kind, around = surfaces["kind"].iloc[i], obstacles["kind"].iloc[o]
        what = f"a {kind} inside a {around}"
        remedy = f"taken as an island: cut out of the {around}; ignore the {around} or the {kind} if that is wrong"
        notes.append(Note(what, surfaces["source"].iloc[i], 1, float(turf[i].area), remedy))
    return obstacles.set_geometry(gpd.GeoSeries(shapes, obstacles.index, crs=obstacles.crs)), notes
