"""Ground drawn on paper: fills and hatches that stay apart in black and white, lines, and marks."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

from geosample.palettes import GREYS, OKABE_ITO
from geosample.paper.hatching import Hatch, paint_hatch
from geosample.paper.page import Book, Frame, inside_frame
from geosample.paper.paths import rings_of, trace_boxes, trace_rings
from geosample.paper.pens import Pen, draw_box, take_pen
from geosample.paper.text import ink

if TYPE_CHECKING:
    from shapely import Geometry

    from geosample.paper.view import MapView

_DETAIL_MM = 0.03  # finer than a printer draws


@dataclass(frozen=True, slots=True)
class Look:
    """How an area is drawn.

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


MAIN_MARK = Mark()
RESERVE_MARK = Mark(fill="#ffffff", line_mm=0.45)


def draw_polygons(book: Book, view: MapView, shapes: Iterable[Geometry], look: Look) -> None:
    """Draw areas of the ground (polygons in metres) inside the view's frame.

    Parameters
    ----------
    book : Book
        Open at the page to draw on.
    view : MapView
        Which ground lies where on the page, and at which scale.
    shapes : iterable of Geometry
        Polygons, m.
    look : Look
        Fill, hatching and outline.
    """
    window, drawn = view.window(), np.asarray(list(shapes), dtype=object)
    shown = drawn[shapely.intersects(window, drawn)] if len(drawn) else drawn
    if not len(shown):
        return
    seen = shapely.intersection(shown, shapely.buffer(window, 5 / view.mm_per_m, join_style="mitre"))
    with inside_frame(book, view.frame):
        for shape in seen:
            paint_polygons(book, view.to_paper(shape), look)


def paint_polygons(book: Book, on_paper: Geometry, look: Look) -> None:
    """Draw areas already on paper: for a legend's boxes, or a key.

    Parameters
    ----------
    book : Book
        Open at the page to draw on.
    on_paper : Geometry
        The areas, mm from the page's bottom left.
    look : Look
        Fill, hatch and outline.
    """
    for polygon in shapely.get_parts(shapely.simplify(on_paper, _DETAIL_MM)):
        if polygon.geom_type == "Polygon" and not polygon.is_empty:
            _paint_ground(book, polygon, look)
            if look.hatch != "none":
                paint_hatch(book, polygon, look.hatch, step_mm=look.hatch_mm, colour=look.hatch_colour)
            _paint_outline(book, polygon, look)


def draw_lines(book: Book, view: MapView, shapes: Iterable[Geometry], look: Look) -> None:
    """Draw lines of the ground (metres) inside the view's frame; the look's outline says how.

    Parameters
    ----------
    book : Book
        Open at the page to draw on.
    view : MapView
        Which ground lies where on the page, and at which scale.
    shapes : iterable of Geometry
        Lines, m.
    look : Look
        Colour, width and dashes of the line.
    """
    lines = shapely.get_parts([view.to_paper(shape) for shape in shapes])
    if not len(lines):
        return
    with inside_frame(book, view.frame):
        take_pen(book, Pen(look.line_colour, look.line_mm, look.dash_mm))
        for line in lines:
            corners = shapely.get_coordinates(shapely.simplify(line, _DETAIL_MM))
            book.canvas.drawPath(trace_rings(book.canvas, [corners], closed=False), stroke=1, fill=0)


def draw_points(
    book: Book, view: MapView, easting: Sequence[float], northing: Sequence[float], mark: Mark = MAIN_MARK
) -> np.ndarray:
    """Draw marks at places of the ground (m), and return the places on paper, mm, shape (n, 2).

    Parameters
    ----------
    book : Book
        Open at the page to draw on.
    view : MapView
        Which ground lies where on the page, and at which scale.
    easting, northing : sequence of float, shape (n,)
        Places, m.
    mark : Mark
        Shape, size and colour of the mark.
    """
    places = view.place(easting, northing)
    with inside_frame(book, view.frame):
        for east_mm, north_mm in places:
            paint_mark(book, east_mm, north_mm, mark)
    return places


def paint_mark(book: Book, east_mm: float, north_mm: float, mark: Mark = MAIN_MARK) -> None:
    """Draw one mark at a place on paper, mm.

    Parameters
    ----------
    book : Book
        Open at the page to draw on.
    east_mm, north_mm : float
        Its middle, mm from the page's bottom left.
    mark : Mark
        Shape, size and colour of the mark.
    """
    canvas = book.canvas
    canvas.setFillColor(ink("#ffffff"))
    canvas.circle(east_mm, north_mm, mark.width_mm / 2 + 0.35, stroke=0, fill=1)
    canvas.setFillColor(ink(mark.fill or "#ffffff"))
    take_pen(book, Pen(mark.line_colour, mark.line_mm))
    canvas.circle(east_mm, north_mm, mark.width_mm / 2, stroke=1, fill=1 if mark.fill else 0)


def draw_border(book: Book, frame: Frame, *, line_mm: float = 0.3) -> None:
    """Draw a frame's own line.

    Parameters
    ----------
    book : Book
        Open at the page to draw on.
    frame : Frame
        Its place on the paper, mm.
    line_mm : float
        Width of the line, mm.
    """
    draw_box(book, frame, Pen(width_mm=line_mm))


def clear_area(book: Book, frame: Frame) -> None:
    """Paint a frame white, so that what is written there can be read."""
    book.canvas.setFillColor(ink("#ffffff"))
    book.canvas.rect(frame.west_mm, frame.south_mm, frame.width_mm, frame.height_mm, stroke=0, fill=1)


def fill_boxes(book: Book, boxes: Iterable[Sequence[float]]) -> None:
    """Fill many small boxes in black as one shape, such as the dark parts of a code.

    Parameters
    ----------
    book : Book
        Open at the page to draw on.
    boxes : iterable of (float, float, float, float)
        West, south, width and height of each on the paper, mm.
    """
    book.canvas.setFillColor(ink("#000000"))
    book.canvas.drawPath(trace_boxes(book.canvas, boxes), stroke=0, fill=1)


def _paint_ground(book: Book, polygon: Geometry, look: Look) -> None:
    if look.fill is None:
        return
    canvas = book.canvas
    canvas.saveState()
    canvas.setFillColor(ink(look.fill))
    canvas.setFillAlpha(look.fill_alpha)
    canvas.drawPath(trace_rings(canvas, rings_of(polygon)), stroke=0, fill=1, fillMode=0)
    canvas.restoreState()


def _paint_outline(book: Book, polygon: Geometry, look: Look) -> None:
    if look.line_mm > 0:
        take_pen(book, Pen(look.line_colour, look.line_mm, look.dash_mm))
        book.canvas.drawPath(trace_rings(book.canvas, rings_of(polygon)), stroke=1, fill=0)
