"""Systematic drawing along an order of cells: the ring of a collar, or any list."""

from __future__ import annotations

import numpy as np
import shapely

from geosample.design.frame import Frame


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


def order_along(frame: Frame, rings: dict[int, shapely.Geometry]) -> np.ndarray:
    """Return the order of a frame's cells along the outer line of the part each lies in.

    Parameters
    ----------
    frame : Frame
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
