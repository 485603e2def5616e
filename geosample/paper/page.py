"""A book of pages drawn in millimetres, and the text on them.

All lengths are millimetres from the page's bottom left corner.
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from reportlab import rl_config
from reportlab.pdfgen.canvas import Canvas

from geosample.errors import PaperError, Problem
from geosample.paper.text import PLAIN, POINT_MM, Text, ink, load_typeface, printable, text_width, wrap_text

PAPERS_MM: dict[str, tuple[float, float]] = {"letter": (215.9, 279.4), "a4": (210.0, 297.0)}
MARGIN_MM = 12.0
_TOTAL = "pages-in-all"


@dataclass(frozen=True, slots=True)
class Frame:
    """A rectangle on paper, mm from the page's bottom left corner."""

    west_mm: float
    south_mm: float
    width_mm: float
    height_mm: float

    @property
    def east_mm(self) -> float:
        """The right edge, mm."""
        return self.west_mm + self.width_mm

    @property
    def north_mm(self) -> float:
        """The top edge, mm."""
        return self.south_mm + self.height_mm

    def inset(self, by_mm: float) -> Frame:
        """Return the frame made smaller by a margin on all sides.

        Examples
        --------
        >>> Frame(0, 0, 10, 20).inset(1)
        Frame(west_mm=1, south_mm=1, width_mm=8, height_mm=18)
        """
        return Frame(self.west_mm + by_mm, self.south_mm + by_mm, self.width_mm - 2 * by_mm, self.height_mm - 2 * by_mm)


@dataclass(frozen=True, slots=True)
class Book:
    """Pages being drawn; ``canvas`` is reportlab's, scaled so that its unit is one millimetre."""

    canvas: Any
    paper: str
    title: str

    @property
    def width_mm(self) -> float:
        """Width of the page being drawn, mm."""
        return float(self.canvas._pagesize[0] * POINT_MM)

    @property
    def height_mm(self) -> float:
        """Height of the page being drawn, mm."""
        return float(self.canvas._pagesize[1] * POINT_MM)

    @property
    def inside(self) -> Frame:
        """The page within its margins."""
        return Frame(0, 0, self.width_mm, self.height_mm).inset(MARGIN_MM)

    @property
    def page_number(self) -> int:
        """The page being drawn, from 1."""
        return int(self.canvas.getPageNumber())


def open_book(*, paper: str = "letter", title: str = "") -> Book:
    """Return a new book with its first page open.

    Raises
    ------
    PaperError
        For a paper that is none of ``PAPERS_MM``.
    """
    if paper not in PAPERS_MM:
        raise PaperError(Problem("--paper", repr(paper), f"one of: {', '.join(PAPERS_MM)}", "name one of them"))
    load_typeface()
    # invariant: the same sheets make the same bytes, so that a copy can be compared with its original.
    # Binary streams: the text form of them is a quarter larger and slow to make.
    rl_config.useA85 = 0
    canvas = Canvas(io.BytesIO(), pagesize=_page_size(paper, landscape=False), invariant=1)
    canvas.setTitle(title)
    canvas.setCreator("geosample")
    book = Book(canvas, paper, title)
    _start_page(book)
    return book


def next_page(book: Book, *, landscape: bool = False) -> None:
    """End the page and open the next."""
    book.canvas.showPage()
    book.canvas.setPageSize(_page_size(book.paper, landscape=landscape))
    _start_page(book)


def close_book(book: Book) -> bytes:
    """End the last page and return the PDF's bytes."""
    canvas, total = book.canvas, book.page_number
    canvas.showPage()
    canvas.beginForm(_TOTAL)
    canvas.setFont(PLAIN.font, 1.0)
    canvas.drawString(0, 0, str(total))
    canvas.endForm()
    return bytes(canvas.getpdfdata())


def write_footer(book: Book, text: str) -> None:
    """Write a line at the page's foot, with "page n of all" at its right end."""
    style = Text(7)
    place = book.inside
    north_mm = place.south_mm - 5
    write_text(book, text, place.west_mm, north_mm, style)
    label = f"page {book.page_number} of "
    start_mm = place.east_mm - text_width(label, style) - text_width("000", style)
    write_text(book, label, start_mm, north_mm, style)
    canvas = book.canvas
    canvas.saveState()
    canvas.translate(start_mm + text_width(label, style), north_mm)
    canvas.scale(style.size_mm, style.size_mm)
    canvas.doForm(_TOTAL)  # the number is known, and the form made, when the book closes
    canvas.restoreState()


def write_text(book: Book, text: str, east_mm: float, north_mm: float, style: Text = PLAIN) -> None:
    """Write one line with its baseline at ``north_mm``; ``east_mm`` is its left end, middle or right end.

    Parameters
    ----------
    book : Book
        Open at the page to draw on.
    text : str
        One line; letters the typeface lacks are told by ``printable``.
    east_mm, north_mm : float
        Where, mm from the page's bottom left.
    style : Text
        Size, weight, alignment, colour.
    """
    words = printable(text)
    shift = {"left": 0.0, "centre": 0.5, "right": 1.0}[style.align]
    canvas = book.canvas
    canvas.setFont(style.font, style.size_mm)
    canvas.setFillColor(ink(style.colour))
    canvas.drawString(east_mm - shift * text_width(words, style), north_mm, words)


def write_lines(book: Book, lines: list[str], place: Frame, style: Text = PLAIN) -> float:
    """Write lines wrapped to the frame's width from its top, and return the height left below, mm.

    Parameters
    ----------
    book : Book
        Open at the page to draw on.
    lines : list of str
        Each is wrapped by itself.
    place : Frame
        Where they stand, mm; more lines than it holds run out below it.
    style : Text
        How they are set.
    """
    left_mm = place.height_mm
    for line in lines:
        for piece in wrap_text(line, place.width_mm, style):
            left_mm -= style.step_mm
            write_text(book, piece, place.west_mm, place.south_mm + left_mm + 0.25 * style.size_mm, style)
    return left_mm


@contextmanager
def inside_frame(book: Book, place: Frame) -> Iterator[None]:
    """Draw nothing outside the frame while the block runs."""
    canvas = book.canvas
    canvas.saveState()
    path = canvas.beginPath()
    path.rect(place.west_mm, place.south_mm, place.width_mm, place.height_mm)
    canvas.clipPath(path, stroke=0, fill=0)
    try:
        yield
    finally:
        canvas.restoreState()


def _page_size(paper: str, *, landscape: bool) -> tuple[float, float]:
    short_mm, long_mm = PAPERS_MM[paper]
    width_mm, height_mm = (long_mm, short_mm) if landscape else (short_mm, long_mm)
    return width_mm / POINT_MM, height_mm / POINT_MM


def _start_page(book: Book) -> None:
    book.canvas.scale(1 / POINT_MM, 1 / POINT_MM)
    book.canvas.setLineCap(0)  # butt ends: a bar of 50 mm measures 50 mm
