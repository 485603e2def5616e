"""Patterns over areas on paper, which stay apart in black and white."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

import numpy as np
import shapely
from shapely import affinity

from geosample.paper.paths import rings_of, trace_circles, trace_lines, trace_rings
from geosample.paper.text import ink

if TYPE_CHECKING:
    from shapely import Geometry

    from geosample.paper.page import Book

Hatch = Literal["none", "level", "upright", "rising", "falling", "cross", "square", "dots", "rings"]
_LINES_DEG: dict[str, tuple[float, ...]] = {
    "level": (0.0,),
    "upright": (90.0,),
    "rising": (45.0,),
    "falling": (135.0,),
    "cross": (45.0, 135.0),
    "square": (0.0, 90.0),
}
_RING_MM = 0.9  # its radius


def paint_hatch(book: Book, polygon: Geometry, hatch: Hatch, *, step_mm: float, colour: str) -> None:
    """Draw a pattern over a polygon.

    Parameters
    ----------
    book : Book
        Open at the page to draw on.
    polygon : Polygon
        The area, mm from the page's bottom left.
    hatch : str
        The pattern.
    step_mm : float
        From one line, dot or ring of it to the next, mm.
    colour : str
        Of the pattern, ``#rrggbb``.
    """
    canvas = book.canvas
    canvas.saveState()
    canvas.clipPath(trace_rings(canvas, rings_of(polygon)), stroke=0, fill=0, fillMode=0)
    canvas.setStrokeColor(ink(colour))
    canvas.setLineWidth(0.15)
    if hatch in _LINES_DEG:
        for angle_deg in _LINES_DEG[hatch]:
            canvas.drawPath(trace_lines(canvas, _lines_over(polygon, angle_deg, step_mm)), stroke=1, fill=0)
    elif hatch == "dots":
        canvas.setLineCap(1)  # a stroke of no length with round ends is a dot, and a tenth of a circle's bytes
        canvas.setLineWidth(0.36)
        dots = [(east, north, east + 0.001, north) for east, north in _places_in(polygon, step_mm)]
        canvas.drawPath(trace_lines(canvas, dots), stroke=1, fill=0)
    else:
        canvas.drawPath(trace_circles(canvas, _places_in(polygon, step_mm), _RING_MM), stroke=1, fill=0)
    canvas.restoreState()


def _lines_over(polygon: Geometry, angle_deg: float, step_mm: float) -> list[tuple[float, float, float, float]]:
    """Return parallel lines over a polygon; they lie on one lattice of the page, so neighbours match."""
    west, south, east, north = shapely.bounds(affinity.rotate(polygon, -angle_deg, origin=(0, 0)))
    angle = math.radians(angle_deg)
    cos, sin = math.cos(angle), math.sin(angle)
    levels = np.arange(math.floor(south / step_mm), math.ceil(north / step_mm) + 1) * step_mm
    return [
        (west * cos - up * sin, west * sin + up * cos, east * cos - up * sin, east * sin + up * cos) for up in levels
    ]


def _places_in(polygon: Geometry, step_mm: float) -> list[list[float]]:
    """Return the places of one lattice of the page that lie in a polygon, each as east and north."""
    west, south, east, north = shapely.bounds(polygon)
    columns = np.arange(math.floor(west / step_mm), math.ceil(east / step_mm) + 1)
    rows = np.arange(math.floor(south / step_mm), math.ceil(north / step_mm) + 1)
    column, row = (grid.ravel() for grid in np.meshgrid(columns, rows))
    places = np.column_stack([(column + 0.5 * (row % 2)) * step_mm, row * step_mm])
    shapely.prepare(polygon)
    inside: list[list[float]] = places[shapely.contains_xy(polygon, places[:, 0], places[:, 1])].tolist()
    return inside
