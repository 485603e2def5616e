"""The methods of drawing, from a frame to places with their true densities, and the draws they are made of.

References
----------
Grafström, Lundström & Schelin 2012, Spatially balanced sampling through the pivotal method, Biometrics 68:514-520.
Deville & Tillé 1998, Unequal probability sampling without replacement through a splitting method, Biometrika 85:89-101.
Stevens & Olsen 2004, Spatially balanced sampling of natural resources, JASA 99:262-278 (divided by n here).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
import shapely
from scipy.spatial import cKDTree

from geosample.design.frame import SamplingFrame, place_within
from geosample.design.howmany import Quota

_SURE = 1e-9
_NEIGHBOURS = 12
_BLOCK = 0.05
_FEW_UNITS = 20_000


@dataclass(frozen=True, slots=True)
class DrawnPlaces:
    """Places drawn in one stratum.

    Parameters
    ----------
    places : ndarray, shape (n, 2)
        Easting and northing, m.
    part : ndarray of int, shape (n,)
        Row of the target each lies in.
    density : ndarray, shape (n,)
        Density of main points at the place, per m².
    main : ndarray of bool, shape (n,)
        True for main points, False for reserve; reserve points stand in the order they are to be used.
    line : ndarray of int, shape (n,)
        Number of the transect; 0 where points are drawn singly.
    """

    places: np.ndarray
    part: np.ndarray
    density: np.ndarray
    main: np.ndarray
    line: np.ndarray


def draw_balanced(frame: SamplingFrame, quota: Quota, rng: np.random.Generator) -> DrawnPlaces:
    """Return a spread draw: local pivotal, or systematic along the order where the quota gives one.

    The main points are themselves a spread draw from the larger spread draw of main and reserve points, so that
    both have true densities.
    """
    chance = chances_of(frame, quota.all)
    if quota.order is None:
        units = draw_spread(frame.places, chance, rng)
    else:
        units = quota.order[draw_along(chance[quota.order], rng)]
    again = np.full(len(units), quota.main / quota.all)
    kept = draw_spread(frame.places[units], again, rng) if quota.order is None else draw_along(again, rng)
    return _place(frame, units, np.isin(np.arange(len(units)), kept), chance * quota.main / quota.all, rng)


def draw_random(frame: SamplingFrame, quota: Quota, rng: np.random.Generator) -> DrawnPlaces:
    """Return points placed at random and independently of each other."""
    mass = frame.area_m2 * frame.weight
    units = rng.choice(len(mass), size=quota.all, p=mass / mass.sum())
    main = np.arange(quota.all) < quota.main
    return _place(frame, units, main, frame.density(quota.main) * frame.area_m2, rng)


def chances_of(frame: SamplingFrame, points: int) -> np.ndarray:
    """Return each cell's chance, in proportion to area and weight, none above one, shape (n,)."""
    mass = frame.area_m2 * frame.weight
    full = np.zeros(len(mass), dtype=bool)
    while True:
        chance = np.where(full, 1.0, mass * (points - full.sum()) / mass[~full].sum())
        over = (chance > 1) & ~full
        if not over.any():
            return chance
        full |= over


def _place(
    frame: SamplingFrame, units: np.ndarray, main: np.ndarray, chance: np.ndarray, rng: np.random.Generator
) -> DrawnPlaces:
    """Return the cells drawn as places, main points first and reserve points in random order."""
    rank = np.where(main, -1.0, rng.random(len(units)))
    units, main = units[np.argsort(rank, kind="stable")], np.sort(main)[::-1]
    return DrawnPlaces(
        places=place_within(frame.shapes[units], rng),
        part=frame.part[units],
        density=chance[units] / frame.area_m2[units],
        main=main,
        line=np.zeros(len(units), dtype=np.int64),
    )


def lattice_over(
    bounds: np.ndarray, steps: tuple[float, float, float], rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """Return the points of a lattice that covers a box, and the row each is in.

    Parameters
    ----------
    bounds : ndarray, shape (4,)
        West, south, east, north, m.
    steps : tuple of float
        Step along a row, step between rows (m), and shift of each row against the last as a share of the step along
        it; a shift that is no number gives every row a random one.
    rng : Generator
        Source of direction and start.
    """
    along_m, between_m, shift = steps
    middle = (bounds[:2] + bounds[2:]) / 2
    reach = float(np.hypot(*(bounds[2:] - bounds[:2]))) / 2
    rows = np.arange(-int(reach / between_m) - 2, int(reach / between_m) + 3)
    columns = np.arange(-int(reach / along_m) - 2, int(reach / along_m) + 3)
    starts = rng.random(len(rows)) if np.isnan(shift) else (rows * shift + rng.random()) % 1.0
    flat = np.stack(
        [
            ((columns[None, :] + starts[:, None]) * along_m).ravel(),
            np.repeat((rows + rng.random()) * between_m, len(columns)),
        ]
    )
    angle = rng.uniform(0, np.pi)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    return (turn @ flat).T + middle, np.repeat(np.arange(1, len(rows) + 1), len(columns))


def draw_lattice(
    frame: SamplingFrame, quota: Quota, rng: np.random.Generator, *, stretch: float, shift: float
) -> DrawnPlaces:
    """Return the points of a grid, or of transects: the number follows from the start, the density does not.

    A lattice as dense as the densest place is laid; each point is kept with its cell's share of that, and roles are
    dealt out. A transect is what was drawn, so it is the cluster in the variance; its number goes with each point.

    Parameters
    ----------
    frame, quota, rng
        As for every method.
    stretch : float
        Step between rows over the step along them.
    shift : float
        As in ``lattice_over``.
    """
    if quota.order is not None:
        return draw_balanced(frame, quota, rng)
    density = frame.density(quota.all)
    along_m = float(np.sqrt(1 / (density.max() * stretch)))
    bounds = np.array(shapely.total_bounds(frame.shapes))
    places, line = lattice_over(bounds, (along_m, along_m * stretch, shift), rng)
    at, cell = shapely.STRtree(frame.shapes).query(shapely.points(places), predicate="intersects")
    at, first = np.unique(at, return_index=True)
    cell = cell[first]
    kept = rng.random(len(at)) * density.max() < density[cell]
    at, cell = at[kept], cell[kept]
    main = rng.random(len(at)) * quota.all < quota.main
    order = np.argsort(np.where(main, -1.0, rng.random(len(at))), kind="stable")
    at, cell, main = at[order], cell[order], main[order]
    lines = line[at] if np.isnan(shift) else np.zeros(len(at), dtype=np.int64)
    return DrawnPlaces(places[at], frame.part[cell], density[cell] * quota.main / quota.all, main, lines)


DRAWS: dict[str, Callable[[SamplingFrame, Quota, np.random.Generator], DrawnPlaces]] = {
    "balanced": draw_balanced,
    "random": draw_random,
    "grid": partial(draw_lattice, stretch=1.0, shift=0.0),
    "triangle": partial(draw_lattice, stretch=np.sqrt(3) / 2, shift=0.5),
    "lines": partial(draw_lattice, stretch=2.0, shift=np.nan),
}
"""Every method by its name in ``words.DRAW_METHODS``; lines lie twice as far apart as the points along them (common
practice, no source), each from a start of its own."""


def draw_spread(places: np.ndarray, chance: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return the units drawn by the local pivotal method (LPM2), each with exactly its own chance.

    Parameters
    ----------
    places : ndarray, shape (n, 2)
        Easting and northing, m.
    chance : ndarray, shape (n,)
        Inclusion probabilities, 0 to 1; their sum is the number drawn, to the next whole number above or below.
    rng : Generator
        Source of all randomness.

    Returns
    -------
    ndarray of int, sorted
        Indices of the units drawn.

    Notes
    -----
    Fine cells are first settled within small blocks of neighbours (at most ``_BLOCK`` of a point in each): a block's
    winner takes the block's whole chance, which is the pivotal step done for the block at once. Then single pivotal
    steps between nearest neighbours decide among the winners. Both keep every unit's chance exact, and the work
    stays near N log N.

    Examples
    --------
    >>> line = np.column_stack([np.arange(8.0), np.zeros(8)])
    >>> len(draw_spread(line, np.full(8, 0.25), np.random.default_rng(1)))
    2
    """
    chance = np.asarray(chance, dtype=float)
    winners, mass = _settle_blocks(np.asarray(places, dtype=float), chance, rng)
    shaken = places[winners] + rng.uniform(-1e-6, 1e-6, (len(winners), 2))
    drawn = _fight(shaken, mass, rng)
    return np.sort(winners[drawn])


def fight_pair(a: float, b: float, luck: float) -> tuple[float, float]:
    """Return the chances of two units after one pivotal step.

    Parameters
    ----------
    a, b : float
        Chances before, strictly between 0 and 1.
    luck : float
        A uniform number in [0, 1).

    Examples
    --------
    >>> fight_pair(0.3, 0.4, 0.5), fight_pair(0.3, 0.4, 0.6)
    ((0.0, 0.7), (0.7, 0.0))
    """
    both = a + b
    if both < 1:
        return (0.0, both) if luck * both < b else (both, 0.0)
    return (1.0, both - 1) if luck * (2 - both) < 1 - b else (both - 1, 1.0)


def _settle_blocks(places: np.ndarray, chance: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Return one winner a block of neighbours, and its mass; no units with no chance."""
    open_ = np.flatnonzero(chance > _SURE)
    block = _block_numbers(places[open_], chance[open_])
    order = np.argsort(block, kind="stable")
    units, starts = open_[order], np.flatnonzero(np.diff(block[order], prepend=-1))
    mass = np.add.reduceat(chance[units], starts)
    # A winner within a block: where a uniform share of the block's mass falls along its running sum.
    running = np.cumsum(chance[units])
    before = running[starts] - chance[units[starts]]
    ends = np.append(starts[1:], len(units)) - 1
    at = np.clip(np.searchsorted(running, before + rng.random(len(starts)) * mass, side="right"), starts, ends)
    return units[at], mass


def _block_numbers(places: np.ndarray, chance: np.ndarray) -> np.ndarray:
    """Return a block number for each unit, so that no block holds more than one point's chance."""
    most = max(_BLOCK * min(1.0, chance.sum() / (_BLOCK * _FEW_UNITS)), 0.01)
    if chance.mean() > most / 2:
        return np.arange(len(chance))
    box = places.max(axis=0) - places.min(axis=0)
    # Cells cover the box's shape only in part, so the block's side comes from the units' own spacing.
    spacing = np.asarray(cKDTree(places[:2000]).query(places[:200], k=2)[0])[:, 1]
    side = max(float(np.median(spacing)) * np.sqrt(most / chance.mean()), float(box.max()) / 1e6)
    column, row = np.floor((places - places.min(axis=0)) / side).astype(np.int64).T
    _, block = np.unique(column * (row.max() + 1) + row, return_inverse=True)
    if np.bincount(block, weights=chance).max() > 0.5:  # noqa: PLR2004 (a block must stay well under one point)
        return np.arange(len(chance))
    return np.asarray(block)


def _fight(places: np.ndarray, chance: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return the winners of pivotal steps between a random unit and its nearest undecided neighbour."""
    left = chance.tolist()
    sure = np.flatnonzero(chance >= 1 - _SURE).tolist()
    undecided = np.flatnonzero((chance > _SURE) & (chance < 1 - _SURE))
    while len(undecided) > 1:
        _fight_round(undecided, places, left, rng)
        now = np.array([left[i] for i in undecided.tolist()])
        sure += undecided[now >= 1 - _SURE].tolist()
        undecided = undecided[(now > _SURE) & (now < 1 - _SURE)]
    sure += [i for i in undecided.tolist() if rng.random() < left[i]]
    return np.array(sure, dtype=np.int64)


def _fight_round(units: np.ndarray, places: np.ndarray, left: list[float], rng: np.random.Generator) -> None:
    """Fight until about half of the units are decided; then the caller gathers the rest and looks again."""
    near = cKDTree(places[units]).query(places[units], k=min(_NEIGHBOURS, len(units)))[1]
    near_units: list[list[int]] = units[near].tolist()
    alive = dict.fromkeys(units.tolist(), True)
    lists = dict(zip(units.tolist(), near_units, strict=True))
    luck = rng.random(len(units)).tolist()
    goal = max(len(units) // 2, 1)
    waiting = rng.permutation(units).tolist()
    done = 0
    for i, lucky in zip(waiting, luck, strict=True):
        other = next((j for j in lists[i] if j != i and alive[j]), None) if alive[i] else None
        if other is None:
            continue
        left[i], left[other] = fight_pair(left[i], left[other], lucky)
        for unit in (i, other):
            if not _SURE < left[unit] < 1 - _SURE:
                alive[unit] = False
                done += 1
        if done >= goal:
            return


def draw_along(chance: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return the units drawn in steps of one along their running chance, from a random start.

    Parameters
    ----------
    chance : ndarray, shape (n,)
        Inclusion probabilities in the order of drawing.
    rng : Generator
        Source of the start.

    Examples
    --------
    >>> draw_along(np.full(6, 0.5), np.random.default_rng(1)).tolist()
    [1, 3, 5]
    """
    running = np.cumsum(chance)
    # Rounding must not lose the last step when the chances add up to a whole number.
    ticks = np.arange(rng.random(), running[-1] - 1e-9, 1.0)
    return np.minimum(np.searchsorted(running, ticks, side="right"), len(chance) - 1)


def order_along(frame: SamplingFrame, rings: dict[int, shapely.Geometry]) -> np.ndarray:
    """Return the order of a frame's cells along the outer line of the part each lies in.

    Parameters
    ----------
    frame : SamplingFrame
        Cells of a stratum.
    rings : dict of int to Polygon or MultiPolygon
        The shape whose outer line each part (by its row) follows.
    """
    along = np.zeros(len(frame.part))
    for part, shape in rings.items():
        mine = np.flatnonzero(frame.part == part)
        line = shapely.get_exterior_ring(max(shapely.get_parts(shape), key=shapely.area))
        along[mine] = shapely.line_locate_point(line, shapely.points(frame.places[mine]))
    return np.lexsort((along, frame.part))


def balance_of(points: np.ndarray, cells: np.ndarray, chance: np.ndarray) -> float:
    """Return the Voronoi balance of a sample; 0 is perfect, about 0.3 is chance.

    Parameters
    ----------
    points : ndarray, shape (n, 2)
        Easting and northing of the sample, m.
    cells : ndarray, shape (m, 2)
        Easting and northing of the frame's cells, m.
    chance : ndarray, shape (m,)
        Expected number of points in each cell.

    Returns
    -------
    float
        Mean of (v - 1)², v the expected number of points among the cells nearest to a point; NaN for no points.
        Cells as near to two points are shared.

    References
    ----------
    Stevens & Olsen 2004, Spatially balanced sampling of natural resources, JASA 99:262-278 (divided by n here).

    Examples
    --------
    >>> line = np.column_stack([np.arange(4.0), np.zeros(4)])
    >>> balance_of(line[[0, 3]], line, np.full(4, 0.5))
    0.0
    """
    if not len(points):
        return float("nan")
    share = np.zeros(len(points))
    near, at = (np.reshape(a, (len(cells), -1)) for a in cKDTree(points).query(cells, k=min(4, len(points))))
    tied = near <= near[:, :1] * (1 + 1e-9) + 1e-9
    part = (np.asarray(chance) / tied.sum(axis=1))[:, None] * tied
    np.add.at(share, at, part)
    return float(np.mean((share - 1) ** 2))


def order_spread(places: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return an order in which every place is as likely to come early as any other, and what comes early is spread.

    Half of the places is drawn by the local pivotal method with equal chances, then half of that half, and so on.

    Parameters
    ----------
    places : ndarray, shape (n, 2)
        Easting and northing, m.

    Examples
    --------
    >>> line = np.column_stack([np.arange(8.0), np.zeros(8)])
    >>> sorted(order_spread(line, np.random.default_rng(1)).tolist())
    [0, 1, 2, 3, 4, 5, 6, 7]
    """
    n = len(places)
    if n <= 2:  # noqa: PLR2004 - a pair has no middle
        return rng.permutation(n)
    half = (n + 1) // 2
    first = draw_spread(places, np.full(n, half / n), rng)
    # Rounding can leave the last fight one short or over; what is then moved is chosen at random.
    rest = np.setdiff1d(np.arange(n), first)
    return np.concatenate([first[order_spread(places[first], rng)], rest[order_spread(places[rest], rng)]])


def split_plugs(points: int, methods: Sequence[str], plugs: int, rng: np.random.Generator) -> list[str]:
    """Return for each point the method of every plug, in the order they are pulled.

    Parameters
    ----------
    points : int
        How many points.
    methods : sequence of str
        The extraction methods compared.
    plugs : int
        Plugs in a bag; a point gives one bag a method.

    Examples
    --------
    >>> split_plugs(2, ["brine", "heat"], 2, np.random.default_rng(3))
    ['heat heat brine brine', 'heat brine brine heat']
    """
    deck = np.repeat(np.asarray(methods, dtype=object), plugs)
    return [" ".join(rng.permutation(deck)) for _ in range(points)]
