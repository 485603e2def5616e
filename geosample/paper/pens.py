"""Lines, boxes and upright words straight on the page, for charts and forms: millimetres, with a pen that says how."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from geosample.paper.page import Book, Frame, write_text
from geosample.paper.paths import trace_boxes, trace_rings
from geosample.paper.text import PLAIN, Text, ink

Places = Iterable[tuple[float, float]] | Iterable[np.ndarray] | np.ndarray


@dataclass(frozen=True, slots=True)
class Pen:
    """How a line is drawn: its colour, its width, its dashes and gaps (mm; a full line when empty)."""

    colour: str = "#000000"
    width_mm: float = 0.25
    dash_mm: tuple[float, ...] = ()


def take_pen(book: Book, pen: Pen) -> None:
    """Draw with a pen from here on."""
    book.canvas.setStrokeColor(ink(pen.colour))
    book.canvas.setDash(list(pen.dash_mm))
    book.canvas.setLineWidth(pen.width_mm)


def draw_line(book: Book, places: Places, pen: Pen) -> None:
    """Draw a line along places on the page.

    Parameters
    ----------
    book : Book
        Open at the page to draw on.
    places : iterable of pairs, or ndarray, shape (n, 2)
        Two or more, mm from the page's bottom left.
    pen : Pen
        Colour, width and dashes.
    """
    take_pen(book, pen)
    path = trace_rings(book.canvas, [np.asarray(list(places), dtype=float)], closed=False)
    book.canvas.drawPath(path, stroke=1, fill=0)


def draw_box(book: Book, place: Frame, pen: Pen | None, *, fill: str | None = None) -> None:
    """Draw a box on the page.

    Parameters
    ----------
    book : Book
        Open at the page to draw on.
    place : Frame
        Where, mm.
    pen : Pen or None
        Of its outline; None for no outline.
    fill : str, optional
        Colour within; none when left out.
    """
    if pen is not None:
        take_pen(book, pen)
    if fill is not None:
        book.canvas.setFillColor(ink(fill))
    path = trace_boxes(book.canvas, [(place.west_mm, place.south_mm, place.width_mm, place.height_mm)])
    book.canvas.drawPath(path, stroke=int(pen is not None), fill=int(fill is not None))


def write_upright(book: Book, text: str, east_mm: float, north_mm: float, style: Text = PLAIN) -> None:
    """Write one line that reads from the page's foot to its head, its baseline at ``east_mm``.

    Parameters
    ----------
    book : Book
        Open at the page to draw on.
    text : str
        One line.
    east_mm, north_mm : float
        Where it starts, has its middle or ends, as the style aligns it, mm.
    style : Text
        Size, weight, alignment, colour.
    """
    book.canvas.saveState()
    book.canvas.translate(east_mm, north_mm)
    book.canvas.rotate(90)
    write_text(book, text, 0, 0, style)
    book.canvas.restoreState()
