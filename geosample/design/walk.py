"""The walk: a short way past all points, from a start to an end, round what nobody walks through.

Legs go round water, buildings and bunkers by the shortest way there is: straight from corner to corner of what stands
in the way (a visibility graph). A path over water is a bridge. A way is built to the nearest neighbour and then mended
by two exchanges until neither helps: turning a stretch round (2-opt) and moving a stretch of up to three points
elsewhere (Or-opt). Holes are walked one after another; each is set right again once its neighbours' ends are known.

References
----------
Lozano-Perez & Wesley 1979, An algorithm for planning collision-free paths among polyhedral obstacles, Communications of
the ACM 22:560-570 (the visibility graph).
Croes 1958, A method for solving traveling-salesman problems, Operations Research 6:791-812 (2-opt).
Or 1976, Traveling salesman-type combinatorial problems, thesis, Northwestern University (Or-opt).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely
from scipy.sparse import csr_array
from scipy.sparse.csgraph import dijkstra
from scipy.spatial import Delaunay, cKDTree
from scipy.spatial.distance import cdist

from geosample.words import hole_key

if TYPE_CHECKING:
    import geopandas as gpd

BARRED_KINDS = ("water", "building", "bunker")
"""What is walked round; trees, paths and the rest are walked through."""
_BRIDGE_M = 1.5  # to either side of a path
_CLEAR_M, _CALM_M = 1.0, 0.6  # how far round corners people go, and how finely corners are told (own choice)
_HOP_M = 60.0  # from corner to corner; farther ways have corners between
_FEWEST_CORNERS = 40  # tried from a place, however far
_GAIN_M = 1e-9
_WINDOW = 300
_SWEEPS = 3
_ALIKE = 1.1
_KICKS, _FEW, _MANY = 40, 8, 120  # a whole round is worth the time; very many points cost too much of it


@dataclass(frozen=True, slots=True)
class Ways:
    """What is walked round.

    Parameters
    ----------
    barred : STRtree
        Polygons nobody walks through, m.
    corners : ndarray, shape (n, 2)
        Places round them, easting and northing, m.
    hops : csr_array, shape (n, n)
        Length of the straight way between two corners, m, where nothing bars it.
    """

    barred: shapely.STRtree
    corners: np.ndarray
    hops: csr_array


def open_ways(obstacles: gpd.GeoDataFrame) -> Ways:
    """Return the ways round a ground's obstacles (a frame with ``kind``, m)."""
    shapes = obstacles.geometry[obstacles["kind"].isin(BARRED_KINDS)].to_numpy()
    bridges = shapely.buffer(obstacles.geometry[obstacles["kind"] == "path"].to_numpy(), _BRIDGE_M)
    whole = shapely.union_all(shapes[shapely.get_dimensions(shapes) == 2])  # noqa: PLR2004 (areas; lines are stepped over)
    solid = shapely.get_parts(shapely.difference(whole, shapely.union_all(bridges)))
    solid = solid[shapely.get_dimensions(solid) == 2]  # noqa: PLR2004
    barred = shapely.STRtree(solid)
    round_ = shapely.simplify(shapely.buffer(shapely.union_all(solid), _CLEAR_M, quad_segs=2), _CALM_M)
    corners = [_convex(ring) for part in shapely.get_parts(round_) for ring in (part.exterior, *part.interiors)]
    places = np.vstack([np.empty((0, 2)), *corners])
    if not len(places):
        return Ways(barred, places, csr_array((0, 0)))
    ends = np.cumsum([len(ring) for ring in corners])
    after = np.arange(1, len(places) + 1)
    after[ends - 1] = np.concatenate([[0], ends[:-1]])  # along a shore, however long
    near = cKDTree(places).query_pairs(_HOP_M, output_type="ndarray")
    # and over open ground from one group of corners to the next: the sides of the triangles between them
    sides = np.vstack([Delaunay(places).simplices[:, two] for two in ([0, 1], [1, 2], [0, 2])])
    pairs = np.vstack([near, sides, np.column_stack([np.arange(len(places)), after])])
    pairs = np.unique(np.sort(pairs[pairs[:, 0] != pairs[:, 1]], axis=1), axis=0)
    return Ways(barred, places, _link(barred, places, pairs))


def _convex(ring: shapely.LinearRing) -> np.ndarray:
    """Return the corners of a ring that stick out of what it surrounds: no shortest way turns at another."""
    corners = shapely.get_coordinates(ring)[:-1]
    before, after = corners - np.roll(corners, 1, axis=0), np.roll(corners, -1, axis=0) - corners
    turn = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    return np.asarray(corners[turn > 0] if shapely.is_ccw(ring) else corners[turn < 0])


def _link(barred: shapely.STRtree, places: np.ndarray, pairs: np.ndarray) -> csr_array:
    """Return the straight ways between pairs of places that nothing bars, both directions, m."""
    free = pairs[_are_free(barred, places[pairs[:, 0]], places[pairs[:, 1]])]
    far_m = np.hypot(*(places[free[:, 0]] - places[free[:, 1]]).T) + _GAIN_M
    ends = free.astype(np.int32)  # what SciPy's graph routines take in every version
    size = (len(places), len(places))
    both = (np.concatenate([ends[:, 0], ends[:, 1]]), np.concatenate([ends[:, 1], ends[:, 0]]))
    return csr_array((np.tile(far_m, 2), both), shape=size)


def _are_free(barred: shapely.STRtree, starts: np.ndarray, ends: np.ndarray) -> np.ndarray:
    """Return which straight ways cross nothing, shape (n,) of bool."""
    free = np.ones(len(starts), dtype=bool)
    if len(starts) and len(barred.geometries):
        lines = shapely.linestrings(np.stack([starts, ends], axis=1))
        free[barred.query(lines, predicate="crosses")[0]] = False
        free[barred.query(lines, predicate="within")[0]] = False
    return free


def find_legs(ways: Ways, places: np.ndarray) -> list[np.ndarray]:
    """Return the corners of the way from each place to the next, each of shape (k, 2), m: both ends among them.

    Where there is no dry way, as to an island without a bridge on the map, the way is straight.
    """
    starts, ends = places[:-1], places[1:]
    free = _are_free(ways.barred, starts, ends)
    return [
        np.stack([start, end]) if open_ else _round(ways, start, end)
        for start, end, open_ in zip(starts, ends, free, strict=True)
    ]


def _join(ways: Ways, places: np.ndarray) -> csr_array:
    """Return the ways among the corners and from each of some places to the corners near it; the places stand last."""
    count, near = len(ways.corners), cKDTree(ways.corners)
    some = near.query_ball_point(places, _HOP_M)
    nearest = near.query(places, k=min(_FEWEST_CORNERS, count))[1].reshape(len(places), -1)
    pairs = {(count + row, corner) for row, found in enumerate(some) for corner in (*found, *nearest[row].tolist())}
    everything = np.vstack([ways.corners, places])
    rows = np.append(ways.hops.indptr, np.full(len(places), ways.hops.indptr[-1]))
    hops = csr_array((ways.hops.data, ways.hops.indices, rows), shape=(len(everything), len(everything)))
    return csr_array(hops + _link(ways.barred, everything, np.array(sorted(pairs))))


def _round(ways: Ways, start: np.ndarray, end: np.ndarray) -> np.ndarray:
    """Return the shortest way round what lies between two places."""
    count = len(ways.corners)
    far_m, before = dijkstra(_join(ways, np.stack([start, end])), indices=np.array([count]), return_predecessors=True)
    if not np.isfinite(far_m[0, count + 1]):
        return np.stack([start, end])
    way = [count + 1]
    while way[-1] != count:
        way.append(int(before[0, way[-1]]))
    corners = [start, *ways.corners[way[-2:0:-1]], end]
    taut = [corners[0]]
    while taut[-1] is not corners[-1]:  # straight on to the farthest corner in sight
        here = next(number for number, corner in enumerate(corners) if corner is taut[-1])
        ahead = np.array(corners[here + 1 :])
        seen = np.flatnonzero(_are_free(ways.barred, np.broadcast_to(taut[-1], ahead.shape), ahead))
        taut.append(corners[here + 1 + (int(seen[-1]) if len(seen) else 0)])
    return np.array(taut)


def measure_ways(ways: Ways | None, places: np.ndarray) -> np.ndarray:
    """Return how far it is to walk between any two places, m, shape (n, n); straight without ways to go round."""
    far_m = cdist(places, places)
    if ways is None or not len(ways.corners):
        return far_m
    first, second = np.triu_indices(len(places), 1)
    shut = ~_are_free(ways.barred, places[first], places[second])
    if not shut.any():
        return far_m
    rows = np.unique(first[shut])
    count = len(ways.corners)
    round_m = np.full(far_m.shape, np.inf)
    round_m[rows] = dijkstra(_join(ways, places), indices=count + rows)[:, count:]
    shut_first, shut_second = first[shut], second[shut]
    there = round_m[shut_first, shut_second]
    far_m[shut_first, shut_second] = np.where(np.isfinite(there), there, far_m[shut_first, shut_second])
    far_m[shut_second, shut_first] = far_m[shut_first, shut_second]
    return far_m


def find_way(far: np.ndarray, *, kick: bool = False) -> np.ndarray:
    """Return the order of a short way past all nodes, from the first to the last.

    Parameters
    ----------
    far : ndarray, shape (n, n)
        How far it is to walk between two nodes, m.
    kick : bool
        Look on from where mending ends; it takes ten times as long, and shortens long rounds by a twentieth.

    Examples
    --------
    >>> line = np.array([0.0, 20.0, 5.0, 10.0, 30.0])
    >>> find_way(np.abs(line[:, None] - line[None, :])).tolist()
    [0, 2, 3, 1, 4]
    """
    last = len(far) - 1
    far = far.copy()
    # A bond from the last node to the first, too strong to break, closes the round.
    far[0, -1] = far[-1, 0] = -1e6
    tour = mend_tour(np.append(_nearest_tour(far[:-1, :-1]), last), far)
    tour = _kick(tour, far) if kick and _FEW <= len(far) <= _MANY else tour
    tour = np.roll(tour, -int(np.flatnonzero(tour == 0)[0]))
    return np.asarray(tour if tour[-1] == last else np.roll(tour[::-1], 1))


def _kick(tour: np.ndarray, far: np.ndarray) -> np.ndarray:
    """Return the shortest tour found from a tour by letting three stretches change places, and mending again."""
    rng, nodes = np.random.default_rng(0), np.arange(1, len(far))
    for _ in range(_KICKS):
        a, b, c = np.sort(rng.choice(nodes, 3, replace=False))
        other = mend_tour(np.concatenate([tour[:a], tour[b:c], tour[a:b], tour[c:]]), far)
        if (far[other, np.roll(other, -1)] - far[tour, np.roll(tour, -1)]).sum() < -_GAIN_M:
            tour = other
    return tour


def walk_groups(holes: Sequence[str | None], walk: str) -> list[int]:
    """Return the group of each point's hole, in the order the holes are walked; one group for a ``round``."""
    rank = {hole: number for number, hole in enumerate(sorted(set(holes), key=hole_key))} if walk == "holes" else {}
    return [rank.get(hole, 0) for hole in holes]


def order_walk(
    places: np.ndarray,
    groups: Sequence[int],
    start: np.ndarray,
    *,
    end: np.ndarray | None = None,
    ways: Ways | None = None,
) -> np.ndarray:
    """Return the walking order with the groups (holes) one after another.

    Parameters
    ----------
    places : ndarray, shape (n, 2)
        Easting and northing, m.
    groups : sequence of int, length n
        Group of each point; groups are walked in rising order.
    start : ndarray, shape (2,)
        Where the crew sets out, m.
    end : ndarray, shape (2,), optional
        Where it ends; where it set out when None.
    ways : Ways, optional
        What it walks round; straight when None, and past more points than ``_WINDOW``.
    """
    group, close = np.asarray(groups), start if end is None else end
    nodes = np.vstack([start, places, close])
    if len(places) > _WINDOW:
        return np.concatenate([_order_many(nodes, 1 + np.flatnonzero(group == number)) for number in np.unique(group)])
    far = measure_ways(ways, nodes)
    parts = [1 + np.flatnonzero(group == number) for number in np.unique(group)]
    last = len(nodes) - 1
    for _ in range(_SWEEPS if len(parts) > 1 else 1):
        here = 0
        for number, part in enumerate(parts):
            after = parts[number + 1] if number + 1 < len(parts) else np.array([last])
            # The first time round, the next hole's points alike; then the one it begins with.
            ahead = far[np.ix_(part, after if _ == 0 else after[:1])].mean(axis=1)
            own = np.append(here, part)
            reach = np.zeros((len(own) + 1, len(own) + 1))
            reach[:-1, :-1] = far[np.ix_(own, own)]
            reach[1:-1, -1] = reach[-1, 1:-1] = ahead
            parts[number] = own[find_way(reach, kick=len(parts) == 1)[1:-1]]
            here = int(parts[number][-1])
    return np.concatenate(parts) - 1


def share_walk(  # noqa: PLR0913 - what a walk is made of
    places: np.ndarray,
    groups: Sequence[int],
    start: np.ndarray,
    *,
    end: np.ndarray | None = None,
    ways: Ways | None = None,
    rounds: int,
    point_m: float,
) -> list[np.ndarray]:
    """Return rounds that take as equal a time as can be, each the points of one in their order.

    Parameters
    ----------
    places : ndarray, shape (n, 2)
        Easting and northing, m.
    groups : sequence of int, length n
        As for ``order_walk``.
    start, end : ndarray, shape (2,)
        Where every round starts and ends, m.
    ways : Ways, optional
        What is walked round.
    rounds : int
        How many, at most one a point.
    point_m : float
        How far people walk in the time a point takes, m.

    Notes
    -----
    The walk past all points is cut where the longest round is shortest (dynamic programming over the places of the
    cuts); each part is then put in order by itself, where that keeps the rounds alike.
    """
    order, close = order_walk(places, groups, start, end=end, ways=ways), start if end is None else end
    nodes = np.vstack([start, places[order], close])
    far = measure_ways(ways, nodes) if len(places) <= _WINDOW else cdist(nodes, nodes)
    count = len(order)
    steps = np.append(0.0, np.cumsum(far[np.arange(1, count), np.arange(2, count + 1)]))

    def effort_m(first: int, last: np.ndarray) -> np.ndarray:
        """Return the walk of rounds from one point to others (counted from 0), the time at points counted as walk."""
        return np.asarray(far[0, first + 1] + steps[last] - steps[first] + far[last + 1, -1] + point_m * (last - first))

    longest, cut = effort_m(0, np.arange(count)), np.zeros((rounds, count), dtype=int)
    for number in range(1, rounds):
        best = np.full(count, np.inf)
        for first in range(number, count):
            last = np.arange(first, count)
            worst = np.maximum(longest[first - 1], effort_m(first, last))
            better = worst < best[last]
            best[last[better]], cut[number, last[better]] = worst[better], first
        longest = best
    parts: list[np.ndarray] = []
    left = count
    for number in range(rounds - 1, -1, -1):
        first = int(cut[number, left - 1])
        parts.insert(0, order[first:left])
        left = first
    group = np.asarray(groups)
    again = [part[order_walk(places[part], group[part].tolist(), start, end=end, ways=ways)] for part in parts]
    stops = [np.vstack([start, places[part], close]) for part in again]
    legs = [[one] if ways is None else find_legs(ways, one) for one in stops]
    efforts = [sum(map(walk_m, one)) + point_m * len(part) for one, part in zip(legs, again, strict=True)]
    return again if max(efforts) <= _ALIKE * min(efforts) else parts


def _order_many(nodes: np.ndarray, part: np.ndarray) -> np.ndarray:
    """Return the order of very many points of one group, by straight distances."""
    own = nodes[np.append(0, part)]
    tour = _mend_windows(_near_first(own), own)
    return np.asarray(part[tour[1:] - 1] - 1)


def walk_m(places: np.ndarray) -> float:
    """Return the length of a walk past places in their order, from the first to the last, m."""
    return float(np.hypot(*np.diff(places, axis=0).T).sum())


def mend_tour(tour: np.ndarray, far: np.ndarray) -> np.ndarray:
    """Return a closed tour that no 2-opt or Or-opt exchange makes shorter.

    Parameters
    ----------
    tour : ndarray of int, shape (n,)
        Nodes in order.
    far : ndarray, shape (n, n)
        Distances between nodes, m.
    """
    tour = np.asarray(tour)
    while True:
        better = _turn_stretch(tour, far)
        if better is None:
            better = _move_stretch(tour, far)
        if better is None:
            return np.roll(tour, -int(np.flatnonzero(tour == 0)[0])) if 0 in tour else tour
        tour = better


def _nearest_tour(far: np.ndarray) -> np.ndarray:
    """Return the nodes in an order that goes on to the nearest one left."""
    left, tour = far.copy(), [0]
    for _ in range(len(far) - 1):
        left[:, tour[-1]] = np.inf
        tour.append(int(np.argmin(left[tour[-1]])))
    return np.array(tour)


def _near_first(nodes: np.ndarray) -> np.ndarray:
    """Return the same for many nodes, from their places: a table of distances would not fit."""
    left = np.ones(len(nodes), dtype=bool)
    tour = [0]
    left[0] = False
    for _ in range(len(nodes) - 1):
        open_ = np.flatnonzero(left)
        near = open_[np.argmin(((nodes[open_] - nodes[tour[-1]]) ** 2).sum(axis=1))]
        tour.append(int(near))
        left[near] = False
    return np.array(tour)


def _turn_stretch(tour: np.ndarray, far: np.ndarray) -> np.ndarray | None:
    """Return the tour after its best 2-opt exchange, or None when there is none."""
    if len(tour) < 4:  # noqa: PLR2004 (a triangle has one tour)
        return None
    ahead = np.roll(tour, -1)
    step = far[tour, ahead]
    gain = step[:, None] + step[None, :] - far[np.ix_(tour, tour)] - far[np.ix_(ahead, ahead)]
    gain = np.triu(gain, k=1)
    i, j = divmod(int(np.argmax(gain)), len(tour))
    if gain[i, j] <= _GAIN_M:
        return None
    return np.concatenate([tour[: i + 1], tour[i + 1 : j + 1][::-1], tour[j + 1 :]])


def _move_stretch(tour: np.ndarray, far: np.ndarray) -> np.ndarray | None:
    """Return the tour after its best Or-opt exchange, or None when there is none."""
    best, move = _GAIN_M, None
    for length in range(1, min(3, len(tour) - 3) + 1):
        gain, how = _best_move(tour, far, length)
        if gain > best:
            best, move = gain, (length, *how)
    if move is None:
        return None
    length, first, to, turned = move
    rolled = np.roll(tour, -first)
    stretch, rest = rolled[:length], rolled[length:]
    at = (to - first) % len(tour) - length + 1
    return np.concatenate([rest[:at], stretch[::-1] if turned else stretch, rest[at:]])


def _best_move(tour: np.ndarray, far: np.ndarray, length: int) -> tuple[float, tuple[int, int, bool]]:
    """Return the gain of the best move of a stretch of so many nodes: (first, after which, turned)."""
    n = len(tour)
    head, tail = tour, np.roll(tour, -(length - 1))
    before, after = np.roll(tour, 1), np.roll(tour, -length)
    freed = far[before, head] + far[tail, after] - far[before, after]
    ahead = np.roll(tour, -1)
    gap = far[tour, ahead]
    straight = far[np.ix_(head, tour)] + far[np.ix_(tail, ahead)]
    turned = far[np.ix_(tail, tour)] + far[np.ix_(head, ahead)]
    gain = freed[:, None] + gap[None, :] - np.minimum(straight, turned)
    # A stretch can't be put into one of its own gaps, nor back where it was.
    offset = (np.arange(n)[None, :] - np.arange(n)[:, None]) % n
    gain[(offset < length) | (offset == n - 1)] = -np.inf
    i, j = divmod(int(np.argmax(gain)), n)
    return float(gain[i, j]), (i, j, bool(turned[i, j] < straight[i, j]))


def _mend_windows(tour: np.ndarray, nodes: np.ndarray) -> np.ndarray:
    """Return a long tour mended stretch by stretch, each between ends that stay."""
    for shift in (0, _WINDOW // 2):
        for first in range(shift, len(tour) - 2, _WINDOW):
            piece = tour[first : first + _WINDOW]
            if len(piece) > 3:  # noqa: PLR2004 (nothing to exchange between two fixed ends)
                far = cdist(nodes[piece], nodes[piece])
                far[0, -1] = far[-1, 0] = -1e6
                better = mend_tour(np.arange(len(piece)), far)
                better = better if better[-1] == len(piece) - 1 else np.roll(better[::-1], 1)
                tour = np.concatenate([tour[:first], piece[better], tour[first + _WINDOW :]])
    return tour
