"""Repairs that are reported: self-crossings, repeats, islands drawn as polygons of their own, slivers."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import shapely

from geosample.ground.edges import only_polygons
from geosample.ground.kinds import ISLAND
from geosample.ground.model import Note

if TYPE_CHECKING:
    from shapely import Geometry

SAME_SHARE = 0.98
"""Two polygons whose common ground is more than this share of both together are one drawn twice (no source)."""
SLIVER_M = 0.1
"""A piece nowhere wider than this is left over from digitising (no source)."""
SLIVER_M2 = 0.25
"""A piece smaller than this holds no sample (no source)."""
_THIN = 0.5  # a strip's area over its perimeter is half its width: only pieces this thin need a closer look


def mend_crossings(frame: gpd.GeoDataFrame) -> tuple[gpd.GeoDataFrame, list[Note]]:
    """Return the polygons valid, as MultiPolygons, and a note for each that crossed itself.

    Examples
    --------
    >>> bow = shapely.Polygon([(0, 0), (2, 2), (2, 0), (0, 2)])
    >>> frame = gpd.GeoDataFrame({"source": ["a"]}, geometry=[bow], crs=32618)
    >>> mended, notes = mend_crossings(frame)
    >>> mended.area.tolist(), notes[0].what
    ([2.0], 'an outline that crosses itself')
    """
    shapes = frame.geometry.to_numpy()
    wrong = ~shapely.is_valid(shapes)
    fixed = shapes.copy()
    fixed[wrong] = shapely.make_valid(shapes[wrong], method="structure", keep_collapsed=False)
    fixed = only_polygons(fixed)
    notes = [
        Note("an outline that crosses itself", source, 1, float(area), "mended: all it encloses is kept")
        for source, area in zip(frame["source"][wrong], shapely.area(fixed[wrong]), strict=True)
    ]
    empty = shapely.area(fixed) <= 0
    notes += [Note("a polygon without area", source, 1, 0.0, "left out") for source in frame["source"][empty]]
    return frame.set_geometry(gpd.GeoSeries(fixed, frame.index, crs=frame.crs))[~empty].reset_index(drop=True), notes


def drop_repeats(frame: gpd.GeoDataFrame) -> tuple[gpd.GeoDataFrame, list[Note]]:
    """Return the polygons without those that repeat another of their kind, and a note for each.

    Of two, the one that knows its hole is kept; of two that do, the larger.
    """
    shapes, kinds = frame.geometry.to_numpy(), frame["kind"].to_numpy()
    area = shapely.area(shapes)
    rank = _rank(area, frame["hole"].isna().to_numpy(), shapes)
    first, second = _pairs(shapes, shapely.intersects)
    same = (rank[first] < rank[second]) & (kinds[first] == kinds[second])
    first, second = first[same], second[same]
    common = shapely.area(shapely.intersection(shapes[first], shapes[second]))
    repeated = common > SAME_SHARE * (area[first] + area[second] - common)
    drop = np.unique(second[repeated])
    twin = {int(b): int(a) for a, b in zip(first[repeated], second[repeated], strict=True)}
    notes = [_repeat_note(frame, int(i), twin[int(i)]) for i in drop]
    return frame.drop(index=frame.index[drop]).reset_index(drop=True), notes


def _repeat_note(frame: gpd.GeoDataFrame, dropped: int, kept: int) -> Note:
    row, hole = frame.iloc[dropped], frame["hole"].iloc[kept]
    other = isinstance(row["hole"], str) and row["hole"] != hole
    remedy = f"only the one{_on(hole)} is kept" + ("; is that the right hole?" if other else "")
    return Note(f"a {row['kind']} drawn twice{_on(row['hole'])}", row["source"], 1, float(row.geometry.area), remedy)


def _on(hole: object) -> str:
    return f" on hole {hole}" if isinstance(hole, str) else ""


def _rank(area: np.ndarray, nameless: np.ndarray, shapes: np.ndarray) -> np.ndarray:
    """Return an order that does not depend on the file's: named before nameless, large before small."""
    places = shapely.get_coordinates(shapely.centroid(shapes))
    order = np.lexsort((places[:, 0], -places[:, 1], -area.round(6), nameless))
    rank = np.empty(len(area), dtype=int)
    rank[order] = np.arange(len(area))
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
        return Note("an island in nothing", row["source"], 1, area, "left out: it lies in no polygon of that kind")
    return Note(f"an island in a {' and a '.join(kinds)}{_on(row['hole'])}", row["source"], 1, area, "cut out")


def drop_scraps(frame: gpd.GeoDataFrame) -> tuple[gpd.GeoDataFrame, list[Note]]:
    """Return the surfaces without pieces too thin or small to sample, and a note a kind."""
    thinned = [_without_scraps(shape) for shape in frame.geometry]
    lost = np.array([area for _, area, _ in thinned])
    count = np.array([number for _, _, number in thinned])
    kept = frame.set_geometry(gpd.GeoSeries([shape for shape, _, _ in thinned], frame.index, crs=frame.crs))
    notes = [
        Note(
            f"a sliver of {kind}",
            f"all {kind}",
            int(count[rows].sum()),
            float(lost[rows].sum()),
            f"left out: under {SLIVER_M * 100:.0f} cm wide or {SLIVER_M2} m² [no source]",
        )
        for kind in sorted(set(frame["kind"]))
        if count[rows := (frame["kind"] == kind).to_numpy()].any()
    ]
    return kept[~kept.geometry.is_empty].reset_index(drop=True), notes


def _without_scraps(shape: Geometry) -> tuple[Geometry, float, int]:
    parts = shapely.get_parts(shape)
    area, length = shapely.area(parts), shapely.length(parts)
    sliver = area < SLIVER_M2
    thin = ~sliver & (area < _THIN * SLIVER_M * length)
    sliver[thin] = shapely.is_empty(shapely.buffer(parts[thin], -SLIVER_M / 2))
    if not sliver.any():
        return shape, 0.0, 0
    return shapely.multipolygons(parts[~sliver]), float(area[sliver].sum()), int(sliver.sum())
