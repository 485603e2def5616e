"""How ground is drawn: fills and patterns that stay apart in black and white, lines, boxes, and marks.

Whatever is drawn goes through five acts of the paper (``Paper``), so that a page of a PDF and a PNG show the same.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, Protocol

import numpy as np
import shapely
from shapely import affinity

from geosample.drawing.pages import Box, Pen, Text
from geosample.palettes import GREYS, OKABE_ITO

if TYPE_CHECKING:
    from shapely import Geometry

Hatch = Literal["none", "level", "upright", "rising", "falling", "cross", "square", "dots", "rings"]
Places = Iterable[tuple[float, float]] | Iterable[np.ndarray] | np.ndarray
_LINES_DEG: dict[str, tuple[float, ...]] = {
    "level": (0.0,),
    "upright": (90.0,),
    "rising": (45.0,),
    "falling": (135.0,),
    "cross": (45.0, 135.0),
    "square": (0.0, 90.0),
}
_RING_MM = 0.9  # radius of a ring of the pattern
_HATCH_MM, _DOT_MM = 0.15, 0.36
_DETAIL_MM = 0.03  # finer than a printer draws


class Paper(Protocol):
    """What is drawn on: a ``Book``'s page or a ``Png``. All lengths are mm from the bottom left corner."""

    def fill_rings(self, rings: Iterable[np.ndarray], colour: str, alpha: float = 1.0) -> None:
        """Fill a polygon: its outer ring and its holes, each of shape (n, 2)."""

    def stroke_lines(self, lines: Iterable[np.ndarray], pen: Pen, *, closed: bool = False) -> None:
        """Draw along lines, each of shape (n, 2)."""

    def fill_disc(self, east_mm: float, north_mm: float, radius_mm: float, fill: str | None, pen: Pen | None) -> None:
        """Draw a circle, filled, outlined or both."""

    def write(self, words: str, east_mm: float, north_mm: float, style: Text) -> None:
        """Write one line."""

    def within(self, box: Box) -> AbstractContextManager[None]:
        """Draw nothing outside a box while the block runs."""


@dataclass(frozen=True, slots=True)
class Look:
    """How an area or a line is drawn.

    Parameters
    ----------
    fill : str or None
        Colour of the ground, or None for paper white.
    fill_alpha : float
        How much of it, 0 to 1.
    hatch : str
        Pattern over it.
    hatch_mm : float
        From one line or dot of the pattern to the next, mm.
    hatch_colour, line_colour : str
        Of the pattern and the outline.
    line_mm : float
        Width of the outline, mm; 0 for none.
    dash_mm : tuple of float
        Lengths of dashes and gaps of the outline; a full line when empty.
    """

    fill: str | None = None
    fill_alpha: float = 1.0
    hatch: Hatch = "none"
    hatch_mm: float = 2.0
    hatch_colour: str = "#000000"
    line_colour: str = "#000000"
    line_mm: float = 0.25
    dash_mm: tuple[float, ...] = ()

    @property
    def pen(self) -> Pen:
        """The outline's pen."""
        return Pen(self.line_colour, self.line_mm, self.dash_mm)


SURFACE_LOOKS: dict[str, Look] = {
    "green": Look(OKABE_ITO["green"], 0.30, line_mm=0.45),
    "collar": Look(hatch="rising", hatch_mm=0.9, line_mm=0.3),
    "tee": Look(GREYS[0], hatch="square", hatch_mm=2.4, hatch_colour=GREYS[3]),
    "approach": Look(GREYS[0], hatch="falling", hatch_mm=2.4, hatch_colour=GREYS[3]),
    "fairway": Look(GREYS[0]),
    "rough": Look(line_colour=GREYS[3], dash_mm=(1.5, 1.0)),
}
OBSTACLE_LOOKS: dict[str, Look] = {
    "water": Look(OKABE_ITO["sky"], 0.35, "level", 1.2, OKABE_ITO["blue"], OKABE_ITO["blue"], 0.35),
    "bunker": Look(OKABE_ITO["yellow"], 0.25, "dots", 1.5, GREYS[4], GREYS[4]),
    "trees": Look(hatch="rings", hatch_mm=3.2, hatch_colour=GREYS[4], line_colour=GREYS[3]),
    "path": Look(GREYS[2], line_colour=GREYS[3]),
    "building": Look(GREYS[1], hatch="cross", hatch_mm=1.6, hatch_colour=GREYS[5], line_mm=0.4),
    "other": Look(hatch="upright", hatch_mm=2.0, hatch_colour=GREYS[3], line_colour=GREYS[3], dash_mm=(0.8, 0.8)),
}


@dataclass(frozen=True, slots=True)
class Mark:
    """A mark at a point: a disc or ring, with a white rim so that it shows on any ground."""

    width_mm: float = 1.8
    fill: str | None = "#000000"
    line_colour: str = "#000000"
    line_mm: float = 0.3
    rim_mm: float = 0.35


MAIN_MARK = Mark()
RESERVE_MARK = Mark(fill="#ffffff", line_mm=0.45)


def paint_polygons(paper: Paper, on_paper: Geometry, look: Look) -> None:
    """Draw areas already on paper: for a legend's boxes, or a key.

    Parameters
    ----------
    paper : Book or Png
        To draw on.
    on_paper : Geometry
        The areas, mm from the page's bottom left.
    look : Look
        Fill, hatch and outline.
    """
    for polygon in shapely.get_parts(shapely.simplify(on_paper, _DETAIL_MM)):
        if polygon.geom_type != "Polygon" or polygon.is_empty:
            continue
        rings = [shapely.get_coordinates(ring) for ring in (polygon.exterior, *polygon.interiors)]
        if look.fill is not None:
            paper.fill_rings(rings, look.fill, look.fill_alpha)
        if look.hatch != "none":
            _paint_hatch(paper, polygon, look)
        if look.line_mm > 0:
            paper.stroke_lines(rings, look.pen, closed=True)


def paint_lines(paper: Paper, on_paper: Iterable[Geometry], pen: Pen) -> None:
    """Draw lines already on paper.

    Parameters
    ----------
    paper : Book or Png
        To draw on.
    on_paper : iterable of Geometry
        The lines, mm from the page's bottom left.
    pen : Pen
        Colour, width and dashes.
    """
    parts = shapely.get_parts(shapely.simplify(np.asarray(list(on_paper), dtype=object), _DETAIL_MM))
    lines = [shapely.get_coordinates(part) for part in parts if not part.is_empty]
    if lines:
        paper.stroke_lines(lines, pen)


def paint_mark(paper: Paper, east_mm: float, north_mm: float, mark: Mark = MAIN_MARK) -> None:
    """Draw one mark at a place on paper, mm.

    Parameters
    ----------
    paper : Book or Png
        To draw on.
    east_mm, north_mm : float
        Its middle, mm from the page's bottom left.
    mark : Mark
        Shape, size and colour of the mark.
    """
    paper.fill_disc(east_mm, north_mm, mark.width_mm / 2 + mark.rim_mm, "#ffffff", None)
    paper.fill_disc(east_mm, north_mm, mark.width_mm / 2, mark.fill, Pen(mark.line_colour, mark.line_mm))


def draw_line(paper: Paper, places: Places, pen: Pen) -> None:
    """Draw a line along places on the page.

    Parameters
    ----------
    paper : Book or Png
        To draw on.
    places : iterable of pairs, or ndarray, shape (n, 2)
        Two or more, mm from the page's bottom left.
    pen : Pen
        Colour, width and dashes.
    """
    paper.stroke_lines([np.asarray(list(places), dtype=float)], pen)


def draw_box(paper: Paper, place: Box, pen: Pen | None, *, fill: str | None = None) -> None:
    """Draw a box on the page.

    Parameters
    ----------
    paper : Book or Png
        To draw on.
    place : Box
        Where, mm.
    pen : Pen or None
        Of its outline; None for no outline.
    fill : str, optional
        Colour within; none when left out.
    """
    corners = shapely.box(place.west_mm, place.south_mm, place.east_mm, place.north_mm)
    ring = shapely.get_coordinates(corners)
    if fill is not None:
        paper.fill_rings([ring], fill)
    if pen is not None:
        paper.stroke_lines([ring], pen, closed=True)


def draw_border(paper: Paper, place: Box, *, line_mm: float = 0.3) -> None:
    """Draw a box's own line.

    Parameters
    ----------
    paper : Book or Png
        To draw on.
    place : Box
        Its place on the paper, mm.
    line_mm : float
        Width of the line, mm.
    """
    draw_box(paper, place, Pen(width_mm=line_mm))


def clear_area(paper: Paper, place: Box) -> None:
    """Paint a box white, so that what is written there can be read."""
    draw_box(paper, place, None, fill="#ffffff")


def _paint_hatch(paper: Paper, polygon: Geometry, look: Look) -> None:
    """Draw a pattern over a polygon; it lies on one lattice of the page, so that neighbours match."""
    if look.hatch == "dots":  # a stroke of next to no length with round ends: a tenth of a circle's bytes
        places = _places_in(polygon, look.hatch_mm)
        dots = np.stack([places, places + np.array([0.001, 0.0])], axis=1)
        paper.stroke_lines(dots, Pen(look.hatch_colour, _DOT_MM, round_ends=True))
        return
    if look.hatch == "rings":
        drawn = shapely.boundary(
            shapely.buffer(shapely.points(_places_in(polygon, look.hatch_mm)), _RING_MM, quad_segs=4)
        )
    else:
        drawn = np.array([_lines_over(polygon, angle, look.hatch_mm) for angle in _LINES_DEG[look.hatch]])
    inside = shapely.get_parts(shapely.intersection(drawn, polygon))
    paint_lines(paper, inside[shapely.get_dimensions(inside) == 1], Pen(look.hatch_colour, _HATCH_MM))


def _lines_over(polygon: Geometry, angle_deg: float, step_mm: float) -> Geometry:
    """Return parallel lines over a polygon's bounds."""
    west, south, east, north = shapely.bounds(affinity.rotate(polygon, -angle_deg, origin=(0, 0)))
    levels = np.arange(math.floor(south / step_mm), math.ceil(north / step_mm) + 1) * step_mm
    lines = shapely.multilinestrings([[(west, level), (east, level)] for level in levels])
    return affinity.rotate(lines, angle_deg, origin=(0, 0))


def _places_in(polygon: Geometry, step_mm: float) -> np.ndarray:
    """Return the places of the lattice that lie in a polygon, shape (n, 2)."""
    west, south, east, north = shapely.bounds(polygon)
    columns = np.arange(math.floor(west / step_mm), math.ceil(east / step_mm) + 1)
    rows = np.arange(math.floor(south / step_mm), math.ceil(north / step_mm) + 1)
    column, row = (grid.ravel() for grid in np.meshgrid(columns, rows))
    places = np.column_stack([(column + 0.5 * (row % 2)) * step_mm, row * step_mm])
    shapely.prepare(polygon)
    return np.asarray(places[shapely.contains_xy(polygon, places[:, 0], places[:, 1])])
