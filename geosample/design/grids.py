"""Drawing by a grid or by transects over a stratum, from a random start in a random direction.

The number of points follows from the start, so it varies by a few; the density does not.
"""

from __future__ import annotations

import numpy as np
import shapely

from geosample.design.frame import Frame
from geosample.design.methods import METHODS, Drawn, Quota, draw_balanced

_LINE_STEPS = 2.0
"""Lines lie this many times as far apart as the points along them (common practice, no source)."""


def draw_square(frame: Frame, quota: Quota, rng: np.random.Generator) -> Drawn:
    """Return the points of a square grid."""
    return _draw_lattice(frame, quota, rng, (1.0, 0.0))


def draw_triangle(frame: Frame, quota: Quota, rng: np.random.Generator) -> Drawn:
    """Return the points of a grid of equal-sided triangles."""
    return _draw_lattice(frame, quota, rng, (np.sqrt(3) / 2, 0.5))


def draw_lines(frame: Frame, quota: Quota, rng: np.random.Generator) -> Drawn:
    """Return points at even steps along parallel lines, each line from a start of its own.

    A line is what was drawn, so it is the cluster in the variance; its number goes with each point.
    """
    return _draw_lattice(frame, quota, rng, (_LINE_STEPS, np.nan))


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


def _draw_lattice(frame: Frame, quota: Quota, rng: np.random.Generator, shape: tuple[float, float]) -> Drawn:
    """Lay a lattice as dense as the densest place, keep each point with its cell's share of that, deal out roles."""
    if quota.order is not None:
        return draw_balanced(frame, quota, rng)
    stretch, shift = shape
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
    return Drawn(places[at], frame.part[cell], density[cell] * quota.main / quota.all, main, lines)


GRIDS = {"grid": draw_square, "triangle": draw_triangle, "lines": draw_lines}
ALL_METHODS = {**METHODS, **GRIDS}
