"""Rows joined to the plan by position where no label says which point it was: one to one, at least total distance."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import min_weight_full_bipartite_matching
from scipy.spatial import KDTree

from geosample.counts.headings import plain_heading
from geosample.counts.joining import Claim
from geosample.counts.rows import Bag
from geosample.counts.rules import MOST_MOVED_M, Log

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from geosample.design import Design

# A second point nearer than this times the joined one's distance is worth telling of (our own choice).
_NEARLY = 1.5
_FORBIDDEN = 1e7  # metres: dearer than any distance on one course
_ABOVE_ZERO = 1e-3  # metres: the matching takes an entry of 0 for no entry


@dataclass(frozen=True, slots=True)
class Placed:
    """A read row, what its labels say, and the surface or kind it names."""

    bag: Bag
    claim: Claim
    surface: str = ""
    kind: str = ""


@dataclass(frozen=True, slots=True)
class Plan:
    """The planned places: labels, surfaces, kinds (n,), metres (n, 2) and their tree, and how near is near, m."""

    ids: NDArray[np.object_]
    surfaces: NDArray[np.object_]
    kinds: NDArray[np.object_]
    metres: NDArray[np.float64]
    within_m: float
    tree: KDTree


def join_positions(rows: Sequence[Placed], design: Design, within_m: float, log: Log) -> list[Placed]:
    """Return the rows with the points that position could tell, and their distance from the plan.

    A labelled row keeps its label: a position too far from that label's place without a tick in ``moved`` is asked
    about, and so is a surface that is not the label's. Rows without a known label are joined to the points no label
    claimed, within ``within_m`` plus the receiver's accuracy, on the surface or kind they name.
    """
    plan = _lay_out(design, within_m)
    places = _project(rows, design)
    order = {point_id: i for i, point_id in enumerate(plan.ids)}
    claimed = {order[row.claim.point_id] for row in rows if row.claim.point_id}
    loose = [i for i, row in enumerate(rows) if _is_loose(row)]
    pairs = assign_places([rows[i] for i in loose], places[loose], plan, claimed)
    joined = {i: pairs[k] for k, i in enumerate(loose) if k in pairs}
    kept: list[Placed | None] = []
    for i, row in enumerate(rows):
        if row.claim.point_id:
            kept.append(_check_labelled(row, places[i], order[row.claim.point_id], plan, log))
        else:
            kept.append(_take(row, places[i], joined[i], plan, log) if i in joined else row)
    return [row for row in kept if row is not None]


def assign_places(rows: Sequence[Placed], places: NDArray[np.float64], plan: Plan, claimed: set[int]) -> dict[int, int]:
    """Return row -> planned place, one to one: as many rows as can be joined, at the least total distance.

    Parameters
    ----------
    rows : sequence of Placed, length n
        Rows without a known label.
    places : ndarray, shape (n, 2)
        Where they were, m.
    claimed : set of int
        Planned places that labels have taken.
    """
    pairs, metres = _candidates(rows, places, plan, claimed)
    if not len(pairs):
        return {}
    # Every row may also stay alone, at a cost no sum of distances reaches: so a full matching always exists, and as
    # many rows as possible are joined.
    alone = np.arange(len(rows), dtype=np.int32)  # what SciPy's graph routines take in every version
    cost = np.concatenate([metres + _ABOVE_ZERO, np.full(len(rows), _FORBIDDEN)])
    row = np.concatenate([pairs[:, 0], alone]).astype(np.int32)
    column = np.concatenate([pairs[:, 1], len(plan.ids) + alone]).astype(np.int32)
    graph = csr_array((cost, (row, column)), (len(rows), len(plan.ids) + len(rows)))
    chosen = zip(*min_weight_full_bipartite_matching(graph), strict=True)
    return {int(r): int(p) for r, p in chosen if p < len(plan.ids)}


def _candidates(
    rows: Sequence[Placed], places: NDArray[np.float64], plan: Plan, claimed: set[int]
) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """Return the pairs of row and free place near enough and on the named surface, shape (n, 2), and their metres."""
    if not rows:
        return np.empty((0, 2), dtype=np.intp), np.empty(0)
    near = plan.tree.query_ball_point(places, [_reach(row.bag, plan) for row in rows])
    found = [
        (r, p) for r, ps in enumerate(near) for p in ps if p not in claimed and not _wrong_surface(rows[r], p, plan)
    ]
    pairs = np.array(found, dtype=np.intp).reshape(-1, 2)
    return pairs, np.hypot(*(places[pairs[:, 0]] - plan.metres[pairs[:, 1]]).T)


def _check_labelled(row: Placed, place: NDArray[np.float64], point: int, plan: Plan, log: Log) -> Placed | None:
    """Return a labelled row with its distance from the plan; None after asking about a place or surface not its own."""
    bag, label = row.bag, str(plan.ids[point])
    if _wrong_surface(row, point, plan):
        found = f"label {label} on surface {row.surface or row.kind}"
        log.ask(bag.where, found, f"{plan.surfaces[point]}, where {label} lies", "correct the label or the surface")
        return None
    if not bag.has_position:
        if bag.moved:
            log.note(bag.where, f"{label} moved, without a position", "mapped at its planned place")
        return row
    offset_m = float(np.hypot(*(place - plan.metres[point])))
    if bag.moved and offset_m > MOST_MOVED_M:
        found = f"{label} moved {offset_m:.0f} m from its place"
        remedy = "correct the position, or clear it where nobody knows it any more; a plug elsewhere has no label"
        log.ask(bag.where, found, f"at most {MOST_MOVED_M:.0f} m", remedy)
        return None
    if bag.moved:
        log.note(bag.where, f"{label} moved {offset_m:.0f} m from its place", "mapped where it was taken")
    elif offset_m > _reach(bag, plan):
        nearest = str(plan.ids[plan.tree.query(place)[1]])
        found = f"label {label} with a position {offset_m:.0f} m from its place (nearest point: {nearest})"
        remedy = "tick 'moved' if the plug was taken there, else correct the label or clear the position"
        log.ask(bag.where, found, f"a position within {_reach(bag, plan):.0f} m, or a tick in 'moved'", remedy)
        return None
    return replace(row, bag=replace(bag, offset_m=offset_m))


def _take(row: Placed, place: NDArray[np.float64], point: int, plan: Plan, log: Log) -> Placed:
    """Return a row joined by position, telling how far off it was and which other point was nearly as near."""
    offset_m, label = float(np.hypot(*(place - plan.metres[point]))), str(plan.ids[point])
    near = zip(*plan.tree.query(place, k=2), strict=True) if len(plan.ids) > 1 else ()
    rivals = [(i, d) for d, i in near if i != point and d <= max(_NEARLY * offset_m, 1.0)]
    told = f" ({plan.ids[rivals[0][0]]} is {rivals[0][1]:.1f} m away: check it)" if rivals else ""
    unknown = f"label '{row.claim.unknown}' is not in the design" if row.claim.unknown else "no label"
    log.note(row.bag.where, unknown, f"joined by position to {label}, {offset_m:.1f} m away{told}")
    bag = replace(row.bag, offset_m=offset_m, joined_by="position")
    return replace(row, bag=bag, claim=replace(row.claim, point_id=label))


def _lay_out(design: Design, within_m: float) -> Plan:
    points = design.points
    ids, surfaces, kinds = (points[name].to_numpy(object) for name in ("point_id", "surface_id", "kind"))
    metres = np.column_stack([points.geometry.x, points.geometry.y])
    return Plan(ids, surfaces, kinds, metres, within_m, KDTree(metres))


def _project(rows: Sequence[Placed], design: Design) -> NDArray[np.float64]:
    """Return the reported positions in the survey's metres, shape (n, 2); not a number where a row gave none."""
    metres = np.full((len(rows), 2), np.nan)
    with_fix = [i for i, row in enumerate(rows) if row.bag.has_position]
    if with_fix:
        lon, lat = ([getattr(rows[i].bag, name) for i in with_fix] for name in ("lon", "lat"))
        fixes = gpd.GeoSeries(gpd.points_from_xy(lon, lat), crs=4326).to_crs(design.points.crs)
        metres[with_fix] = np.column_stack([fixes.x, fixes.y])
    return metres


def _is_loose(row: Placed) -> bool:
    """Return whether only the position can tell the row's point; a moved plug's can't."""
    return not row.claim.point_id and row.bag.has_position and not row.bag.moved


def _reach(bag: Bag, plan: Plan) -> float:
    return plan.within_m + (0.0 if math.isnan(bag.accuracy_m) else bag.accuracy_m)


def _wrong_surface(row: Placed, point: int, plan: Plan) -> bool:
    surface, kind = plain_heading(row.surface), plain_heading(row.kind)
    wrong_surface = bool(surface) and surface != plain_heading(str(plan.surfaces[point]))
    return wrong_surface or (bool(kind) and kind != plain_heading(str(plan.kinds[point])))
