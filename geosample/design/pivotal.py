"""The local pivotal method: neighbours fight for their probability, so that the winners are spread.

References
----------
Grafström, Lundström & Schelin 2012, Spatially balanced sampling through the pivotal method, Biometrics 68:514-520.
Deville & Tillé 1998, Unequal probability sampling without replacement through a splitting method, Biometrika 85:89-101.
"""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

_SURE = 1e-9
_NEIGHBOURS = 12
_BLOCK = 0.05
_FEW_UNITS = 20_000


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
