"""The walking order: a short way past all points, from a start.

A tour is built to the nearest neighbour and then mended by two exchanges until neither helps: turning a stretch
round (2-opt) and moving a stretch of up to three points elsewhere (Or-opt). Straight-line distances: bunkers and
water are the crew's to walk round.

References
----------
Croes 1958, A method for solving traveling-salesman problems, Operations Research 6:791-812 (2-opt).
Or 1976, Traveling salesman-type combinatorial problems, thesis, Northwestern University (Or-opt).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.spatial.distance import cdist

_GAIN_M = 1e-9
_WINDOW = 300


def find_round(places: np.ndarray, start: np.ndarray) -> np.ndarray:
    """Return the order of a short round that begins and ends at the start.

    Parameters
    ----------
    places : ndarray, shape (n, 2)
        Easting and northing of the points, m.
    start : ndarray, shape (2,)
        Where the crew sets out, m.

    Examples
    --------
    >>> square = np.array([[0.0, 0.0], [9.0, 9.0], [9.0, 0.0], [0.0, 9.0]])
    >>> find_round(square, np.array([-1.0, 0.0])).tolist()
    [0, 2, 1, 3]
    """
    nodes = np.vstack([start, places])
    far = cdist(nodes, nodes) if len(nodes) <= _WINDOW + 1 else None
    tour = _nearest_tour(nodes)
    tour = mend_tour(tour, far) if far is not None else _mend_windows(tour, nodes)
    return tour[1:] - 1


def find_way(places: np.ndarray, start: np.ndarray, goal: np.ndarray | None) -> np.ndarray:
    """Return the order of a short way from the start past all points, that ends near the goal.

    Parameters
    ----------
    places : ndarray, shape (n, 2)
        Easting and northing of the points, m.
    start : ndarray, shape (2,)
        Where the crew comes from, m.
    goal : ndarray, shape (2,), optional
        Where it goes next; the way may end anywhere when None.
    """
    nodes = np.vstack([start, places, start if goal is None else goal])
    if len(nodes) > _WINDOW:
        return _mend_windows(_nearest_tour(nodes[:-1]), nodes)[1:] - 1
    far = cdist(nodes, nodes)
    if goal is None:
        far[-1, :] = far[:, -1] = 0.0
    # The last node stands for what follows; a bond to the start too strong to break closes the round.
    far[0, -1] = far[-1, 0] = -1e6
    tour = mend_tour(np.append(_nearest_tour(nodes[:-1]), len(nodes) - 1), far)
    tour = np.roll(tour, -int(np.flatnonzero(tour == 0)[0]))
    if tour[1] == len(nodes) - 1:
        tour = np.roll(tour[::-1], 1)
    return tour[1:-1] - 1


def order_walk(places: np.ndarray, groups: Sequence[int], start: np.ndarray) -> np.ndarray:
    """Return the walking order with the groups (holes) one after another.

    Parameters
    ----------
    places : ndarray, shape (n, 2)
        Easting and northing, m.
    groups : sequence of int, length n
        Group of each point; groups are walked in rising order.
    start : ndarray, shape (2,)
        Where the crew sets out, m.
    """
    group = np.asarray(groups)
    numbers = np.unique(group)
    if len(numbers) == 1:
        return find_round(places, start)
    order: list[int] = []
    here = start
    for number, after in zip(numbers, [*numbers[1:], None], strict=True):
        mine = np.flatnonzero(group == number)
        goal = start if after is None else places[group == after].mean(axis=0)
        way = mine[find_way(places[mine], here, goal)]
        order += way.tolist()
        here = places[way[-1]]
    return np.array(order)


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


def _nearest_tour(nodes: np.ndarray) -> np.ndarray:
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
