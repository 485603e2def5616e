"""Repairs and overlaps: what was drawn badly is mended by stated rules, and every square metre that moved is told.

Green, collar, tee, approach, fairway, rough: the earlier kind keeps the ground. Water, bunkers, paths,
buildings and other obstacles are cut out of all of them. Of two of one kind the larger keeps it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import shapely

from geosample.files.reading import Note
from geosample.ground.cutting import is_area, only_polygons
from geosample.ground.naming import ISLAND
from geosample.words import CUT_KINDS, SHORT_TURF, SURFACE_KINDS, name_many

if TYPE_CHECKING:
    from shapely import Geometry


SAME_SHARE = 0.98
"""Two polygons whose common ground is more than this share of both together are one drawn twice (no source)."""
SLIVER_M = 0.1
"""A piece nowhere wider than this is left over from digitising (no source)."""
PIECE_M2 = 3.0
"""A piece smaller than this is no surface (no source)."""
PIECE_SHARE, PIECE_M = 0.01, 0.5
"""Nor is one of less than this share of its surface that is nowhere wider than this, m (no source)."""
_TOUCH_M, _GRID_M = 0.01, 1e-6  # pieces this near each other share an edge; the grid joins what rounding parts
_THIN = 0.5  # a strip's area over its perimeter is half its width: only pieces this thin need a closer look


def mend_crossings(frame: gpd.GeoDataFrame) -> tuple[gpd.GeoDataFrame, list[Note]]:
    """Return the polygons valid, as MultiPolygons, and a note for each that crossed itself.

    Examples
    --------
    >>> bow = shapely.Polygon([(0, 0), (2, 2), (2, 0), (0, 2)])
    >>> frame = gpd.GeoDataFrame({"source": ["a"]}, geometry=[bow], crs=32618)
    >>> mended, notes = mend_crossings(frame)
    >>> mended.area.tolist(), notes[0].what
    ([2.0], 'crosses_itself')
    """
    shapes = frame.geometry.to_numpy()
    wrong = ~shapely.is_valid(shapes)
    fixed = shapes.copy()
    fixed[wrong] = shapely.make_valid(shapes[wrong], method="structure", keep_collapsed=False)
    fixed = only_polygons(fixed)
    notes = [
        Note("crosses_itself", source, 1, float(area))
        for source, area in zip(frame["source"][wrong], shapely.area(fixed[wrong]), strict=True)
    ]
    empty = shapely.area(fixed) <= 0
    notes += [Note("no_area", source) for source in frame["source"][empty]]
    return frame.set_geometry(gpd.GeoSeries(fixed, frame.index, crs=frame.crs))[~empty].reset_index(drop=True), notes


def drop_repeats(frame: gpd.GeoDataFrame) -> tuple[gpd.GeoDataFrame, list[Note]]:
    """Return the polygons without those that repeat another of their kind, and a note for each.

    Of two, the one that knows its hole is kept; of two that do, the larger.
    """
    shapes, kinds = frame.geometry.to_numpy(), frame["kind"].to_numpy()
    area = shapely.area(shapes)
    places = shapely.get_coordinates(shapely.centroid(shapes))
    # an order that does not depend on the file's: named before nameless, large before small
    rank = _rank(places[:, 0], -places[:, 1], -area.round(6), frame["hole"].isna().to_numpy())
    first, second = _pairs(shapes, shapely.intersects)
    same = (rank[first] < rank[second]) & (kinds[first] == kinds[second])
    first, second = first[same], second[same]
    common = shapely.area(shapely.intersection(shapes[first], shapes[second]))
    repeated = common > SAME_SHARE * (area[first] + area[second] - common)
    drop = np.unique(second[repeated])
    twin = {int(b): int(a) for a, b in zip(first[repeated], second[repeated], strict=True)}
    notes = []
    for row, kept in ((frame.iloc[i], frame.iloc[twin[int(i)]]) for i in drop):
        facts = {"kind": row["kind"], "hole": _hole_or_none(row["hole"]), "kept_hole": _hole_or_none(kept["hole"])}
        notes.append(Note("drawn_twice", row["source"], 1, float(row.geometry.area), facts))
    return frame.drop(index=frame.index[drop]).reset_index(drop=True), notes


def _hole_or_none(hole: object) -> str | None:
    return hole if isinstance(hole, str) else None


def _rank(*keys: np.ndarray) -> np.ndarray:
    """Return each one's place in the order by the keys, the last of them first."""
    order = np.lexsort(keys)
    rank = np.empty(len(order), dtype=int)
    rank[order] = np.arange(len(order))
    return rank


def _pairs(shapes: np.ndarray, relate: Callable[..., np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    first, second = shapely.STRtree(shapes).query(shapes)
    apart = first != second  # a shape is not asked about itself: with a million corners that takes seconds
    first, second = first[apart], second[apart]
    shapely.prepare(shapes[second])
    true = relate(shapes[second], shapes[first])
    return first[true], second[true]


def cut_islands(frame: gpd.GeoDataFrame) -> tuple[gpd.GeoDataFrame, list[Note]]:
    """Return the polygons with islands cut out of them, islands themselves left out, and a note for each.

    An island is a polygon called one, or one that lies wholly inside another of its kind and hole. Islands
    in islands are ground again.

    Examples
    --------
    >>> from shapely import box
    >>> shapes = [box(0, 0, 10, 10), box(4, 4, 6, 6)]
    >>> frame = gpd.GeoDataFrame(
    ...     {"kind": "fairway", "hole": "1", "island_of": None, "source": ["a", "b"]}, geometry=shapes, crs=32618
    ... )
    >>> cut_islands(frame)[0].area.tolist()
    [96.0]
    """
    called = (frame["kind"] == ISLAND).to_numpy()
    found = _inside_own_kind(frame) % 2 == 1
    outer = np.flatnonzero(~called & ~found)
    shapes = frame.geometry.to_numpy().copy()
    cuts: dict[int, list[int]] = {}
    notes = []
    for i in np.flatnonzero(called | found):
        holders = _holders(frame, int(i), outer, called=bool(called[i]))
        for holder in holders:
            cuts.setdefault(holder, []).append(int(i))
        notes.append(_island_note(frame, int(i), holders))
    for holder, islands in cuts.items():
        shapes[holder] = shapely.difference(shapes[holder], shapely.union_all(shapes[islands]))
    cut = frame.set_geometry(gpd.GeoSeries(only_polygons(shapes), frame.index, crs=frame.crs))
    return cut.iloc[outer].reset_index(drop=True), notes


def _inside_own_kind(frame: gpd.GeoDataFrame) -> np.ndarray:
    """Return how many polygons of its own kind and hole each lies wholly inside of."""
    shapes = frame.geometry.to_numpy()
    inner, outer = _pairs(shapes, shapely.covers)
    kinds, holes = frame["kind"].to_numpy(), frame["hole"].fillna("").to_numpy()
    same = (kinds[inner] == kinds[outer]) & (holes[inner] == holes[outer]) & (kinds[inner] != ISLAND)
    return np.bincount(inner[same], minlength=len(shapes))


def _holders(frame: gpd.GeoDataFrame, island: int, outer: np.ndarray, *, called: bool) -> list[int]:
    """Return the polygons an island is cut out of: of the kind it names, else the smallest that holds it."""
    shapes, kinds = frame.geometry.to_numpy(), frame["kind"].to_numpy()
    kind = frame["island_of"].iloc[island] if called else kinds[island]
    near = outer[shapely.intersects(shapes[outer], shapes[island])]
    near = near[~shapely.covered_by(shapes[near], shapes[island])]  # ground on the island stays
    if isinstance(kind, str):
        near = near[kinds[near] == kind]
        return [int(i) for i in near]
    common = shapely.area(shapely.intersection(shapes[near], shapes[island]))
    holding = near[common > 0.5 * shapely.area(shapes[island])]
    return [int(holding[np.argmin(shapely.area(shapes[holding]))])] if len(holding) else []


def _island_note(frame: gpd.GeoDataFrame, island: int, holders: list[int]) -> Note:
    row = frame.iloc[island]
    area = float(row.geometry.area)
    kinds = sorted({str(frame["kind"].iloc[holder]) for holder in holders})
    if not holders:
        return Note("island_in_nothing", row["source"], 1, area)
    return Note("island", row["source"], 1, area, {"kinds": kinds, "hole": _hole_or_none(row["hole"])})


def clear_scraps(frame: gpd.GeoDataFrame) -> tuple[gpd.GeoDataFrame, list[Note]]:
    """Return the surfaces without pieces too small or thin to be one, and a note of them all.

    A piece goes to the surface it shares the longest edge with; one that shares none is left out.

    Examples
    --------
    >>> from shapely import MultiPolygon, box
    >>> green, fairway = box(0, 0, 20, 20), MultiPolygon([box(20, 0, 21, 2), box(30, 0, 90, 20), box(95, 0, 96, 1)])
    >>> frame = gpd.GeoDataFrame({"kind": ["green", "fairway"]}, geometry=[green, fairway], crs=32618)
    >>> cleared, (note,) = clear_scraps(frame)
    >>> cleared.area.tolist(), note.facts["given_m2"], note.facts["left_m2"]
    ([402.0, 1200.0], 2.0, 1.0)
    """
    parts, row = shapely.get_parts(frame.geometry.to_numpy(), return_index=True)
    scrap = _are_scraps(parts, row)
    if not scrap.any():
        return frame, []
    kept = np.array([shapely.multipolygons(parts[~scrap & (row == i)]) for i in range(len(frame))], dtype=object)
    places, area = shapely.get_coordinates(shapely.centroid(parts)), shapely.area(parts)
    order = np.flatnonzero(scrap)
    order = order[np.lexsort((places[order, 0], places[order, 1], -area[order].round(6)))]  # not that of the file
    tree = shapely.STRtree(kept)
    given = np.array([_give(parts[i], kept, tree.query(parts[i], "dwithin", _TOUCH_M)) for i in order], dtype=bool)
    gone = shapely.is_empty(kept)
    facts = {
        "given": int(given.sum()),
        "given_m2": float(area[order[given]].sum()),
        "left": int((~given).sum()),
        "left_m2": float(area[order[~given]].sum()),
        "under_m2": PIECE_M2,
        "under_share": PIECE_SHARE,
        "under_wide_m": PIECE_M,
        "whole": int(gone.sum()),
    }
    where = "; ".join(frame["source"][gone]) if "source" in frame and gone.any() else "surfaces"
    note = Note("scraps", where, len(order), float(area[order].sum()), facts)
    cleared = frame.set_geometry(gpd.GeoSeries(kept, frame.index, crs=frame.crs))
    return cleared[~gone].reset_index(drop=True), [note]


def _are_scraps(parts: np.ndarray, row: np.ndarray) -> np.ndarray:
    area = shapely.area(parts)
    scrap = np.asarray(area < PIECE_M2, dtype=bool)
    share = area / np.bincount(row, weights=area)[row]
    for wide_m, which in ((SLIVER_M, ~scrap), (PIECE_M, ~scrap & (share < PIECE_SHARE))):
        thin = which & (area < _THIN * wide_m * shapely.length(parts))
        scrap[thin] |= shapely.is_empty(shapely.buffer(parts[thin], -wide_m / 2))
    return scrap


def _give(piece: Geometry, kept: np.ndarray, near: np.ndarray) -> bool:
    """Join a piece to the surface it shares the longest edge with, in place; False where it shares none."""
    if not len(near):
        return False
    edge = shapely.length(shapely.intersection(shapely.boundary(kept[near]), shapely.buffer(piece, _TOUCH_M)))
    best = near[np.argmax(edge)]
    joined = shapely.union(kept[best], piece, grid_size=_GRID_M)
    if shapely.get_num_geometries(joined) > shapely.get_num_geometries(kept[best]):
        return False  # they meet at a corner alone
    kept[best] = only_polygons(np.array([joined]))[0]
    return True


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
    >>> settled.area.tolist(), notes[0].what, dict(notes[0].facts), notes[0].area_m2
    ([65.0, 16.0], 'overlap', {'kind': 'fairway', 'winner': 'green'}, 16.0)
    """
    obstacles, notes = _free_islands(surfaces, obstacles)
    cutters = obstacles[_cuts(obstacles)]
    shapes = np.concatenate([cutters.geometry.to_numpy(), surfaces.geometry.to_numpy()])
    kinds = np.concatenate([cutters["kind"].to_numpy(), surfaces["kind"].to_numpy()])
    settled, moved = _settle(shapes, kinds, len(cutters))
    obstacles, double = _settle_obstacles(obstacles)
    moved |= double
    notes += [
        Note("overlap", name_many(loser), count, area, {"kind": loser, "winner": winner})
        for (loser, winner), (count, area) in sorted(moved.items(), key=lambda item: -item[1][1])
        if area > _SPECK_M2
    ]
    notes += _doubt_cuts(surfaces, cutters)
    done = surfaces.set_geometry(gpd.GeoSeries(settled, surfaces.index, crs=surfaces.crs))
    gone = done.geometry.is_empty
    notes += [
        Note("nothing_left", source, facts={"kind": kind})
        for kind, source in zip(done["kind"][gone], done["source"][gone], strict=True)
    ]
    return done[~gone].reset_index(drop=True), obstacles, notes


def _settle_obstacles(obstacles: gpd.GeoDataFrame) -> tuple[gpd.GeoDataFrame, Moved]:
    """Return the obstacles, those of one kind without what another of it covers: crossing paths count once."""
    shapes, kinds = obstacles.geometry.to_numpy().copy(), obstacles["kind"].to_numpy()
    areal = _cuts(obstacles)
    moved: Moved = {}
    for kind in sorted(set(kinds[areal])):
        own = areal & (kinds == kind)
        shapes[own], double = _settle(shapes[own], kinds[own], 0)
        moved |= double
    settled = obstacles.set_geometry(gpd.GeoSeries(shapes, obstacles.index, crs=obstacles.crs))
    return settled[~settled.geometry.is_empty].reset_index(drop=True), moved


def _cuts(obstacles: gpd.GeoDataFrame) -> np.ndarray:
    """Return which obstacles take ground from the turf they lie on."""
    return np.asarray(is_area(obstacles.geometry.to_numpy()) & obstacles["kind"].isin(CUT_KINDS).to_numpy())


def _doubt_cuts(surfaces: gpd.GeoDataFrame, cutters: gpd.GeoDataFrame) -> list[Note]:
    """Return a note for each surface that loses much to one obstacle, which may be an outline filled by mistake."""
    turf, shapes = surfaces.geometry.to_numpy(), cutters.geometry.to_numpy()
    own, other = shapely.STRtree(shapes).query(turf, predicate="intersects")
    lost = shapely.area(shapely.intersection(turf[own], shapes[other]))
    much = lost > DOUBTED_SHARE * shapely.area(turf[own])
    return [
        Note(
            "much_under_obstacle",
            f"{surfaces['source'].iloc[i]}; {cutters['source'].iloc[o]}",
            1,
            float(area),
            {"kind": surfaces["kind"].iloc[i], "obstacle": cutters["kind"].iloc[o]},
        )
        for i, o, area in zip(own[much], other[much], lost[much], strict=True)
    ]


def _settle(shapes: np.ndarray, kinds: np.ndarray, first: int) -> tuple[np.ndarray, Moved]:
    """Return the shapes from ``first`` on, each without what goes before it, and what moved from kind to kind."""
    places = shapely.get_coordinates(shapely.centroid(shapes))
    kind_order = np.array([_ORDER[kind] for kind in kinds], dtype=int)
    rank = _rank(places[:, 0], places[:, 1], -shapely.area(shapes).round(6), kind_order)
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
        facts = {"kind": surfaces["kind"].iloc[i], "obstacle": obstacles["kind"].iloc[o]}
        notes.append(Note("turf_in_obstacle", surfaces["source"].iloc[i], 1, float(turf[i].area), facts))
    return obstacles.set_geometry(gpd.GeoSeries(shapes, obstacles.index, crs=obstacles.crs)), notes


WORTH_SAYING_M = 5.0
"""A line of trees that touches turf over less than this may be crowns at its edge (no source)."""


def note_trees_on_turf(surfaces: gpd.GeoDataFrame, obstacles: gpd.GeoDataFrame) -> list[Note]:
    """Return a note of the lines of trees that run across short turf, which no trees stand on.

    Such a line is most often one long line drawn from stand to stand; the distance to trees is wrong beside it.

    Examples
    --------
    >>> import geopandas as gpd
    >>> turf = gpd.GeoDataFrame({"kind": ["fairway"]}, geometry=[shapely.box(0, 0, 30, 30)])
    >>> line = shapely.LineString([(-10, 10), (50, 10)])
    >>> trees = gpd.GeoDataFrame({"kind": ["trees"], "source": ["a.kml, placemark 6"]}, geometry=[line])
    >>> [(note.what, note.where, note.facts["length_m"]) for note in note_trees_on_turf(turf, trees)]
    [('trees_on_turf', 'a.kml, placemark 6', 30.0)]
    """
    lines = obstacles[(obstacles["kind"] == "trees") & obstacles.geom_type.isin(["LineString", "MultiLineString"])]
    turf = shapely.union_all(surfaces.geometry[surfaces["kind"].isin(SHORT_TURF)].to_numpy())
    across = shapely.length(shapely.intersection(lines.geometry.to_numpy(), turf))
    long = across > WORTH_SAYING_M
    where = "; ".join(lines["source"][long])
    length_m = float(across[long].sum())
    return [Note("trees_on_turf", where, int(long.sum()), facts={"length_m": length_m})] if long.any() else []
