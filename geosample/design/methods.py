"""The methods of drawing: one function each, from a frame to places with their true densities."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from geosample.design.frame import Frame, place_within
from geosample.design.pivotal import draw_spread
from geosample.design.rings import draw_along


@dataclass(frozen=True, slots=True)
class Quota:
    """How many points a stratum is to have, main and reserve, and the order of its cells where that matters."""

    main: int
    reserve: int
    order: np.ndarray | None = None

    @property
    def all(self) -> int:
        """Main and reserve points together."""
        return self.main + self.reserve


@dataclass(frozen=True, slots=True)
class Drawn:
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


def draw_balanced(frame: Frame, quota: Quota, rng: np.random.Generator) -> Drawn:
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


def draw_random(frame: Frame, quota: Quota, rng: np.random.Generator) -> Drawn:
    """Return points placed at random and independently of each other."""
    mass = frame.area_m2 * frame.weight
    units = rng.choice(len(mass), size=quota.all, p=mass / mass.sum())
    main = np.arange(quota.all) < quota.main
    return _place(frame, units, main, frame.density(quota.main) * frame.area_m2, rng)


def chances_of(frame: Frame, points: int) -> np.ndarray:
    """Return each cell's chance, in proportion to area and weight, none above one, shape (n,)."""
    mass = frame.area_m2 * frame.weight
    full = np.zeros(len(mass), dtype=bool)
    while True:
        chance = np.where(full, 1.0, mass * (points - full.sum()) / mass[~full].sum())
        over = (chance > 1) & ~full
        if not over.any():
            return chance
        full |= over


def _place(frame: Frame, units: np.ndarray, main: np.ndarray, chance: np.ndarray, rng: np.random.Generator) -> Drawn:
    """Return the cells drawn as places, main points first and reserve points in random order."""
    rank = np.where(main, -1.0, rng.random(len(units)))
    units, main = units[np.argsort(rank, kind="stable")], np.sort(main)[::-1]
    return Drawn(
        places=place_within(frame.shapes[units], rng),
        part=frame.part[units],
        density=chance[units] / frame.area_m2[units],
        main=main,
        line=np.zeros(len(units), dtype=np.int64),
    )


METHODS: dict[str, Callable[[Frame, Quota, np.random.Generator], Drawn]] = {
    "balanced": draw_balanced,
    "random": draw_random,
}
