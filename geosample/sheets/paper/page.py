"""A book of pages drawn in millimetres, and the text on them.

All lengths are millimetres from the page's bottom left corner. The typeface is Bitstream Vera, which comes with
reportlab under a free licence and is embedded in the file: no typeface of the machine's is needed, and accents and
the degree sign print everywhere.
"""

from __future__ import annotations

import io
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal

from reportlab import rl_config
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from geosample.errors import Problem, SheetsError

Paper = Literal["letter", "a4"]
Align = Literal["left", "centre", "right"]

PAPERS_MM: dict[str, tuple[float, float]] = {"letter": (215.9, 279.4), "a4": (210.0, 297.0)}
MARGIN_MM = 12.0
POINT_MM = 25.4 / 72
LINE_STEP = 1.3
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
class Text:
    """How text is set: size in points, weight, alignment, colour."""

    size_pt: float = 8.0
    bold: bool = False
    align: Align = "left"
    colour: str = "#000000"

    @property
    def font(self) -> str:
        """The typeface's name in the file."""
        return "Vera-Bold" if self.bold else "Vera"

    @property
    def size_mm(self) -> float:
        """The size of the letters, mm."""
        return self.size_pt * POINT_MM

    @property
    def step_mm(self) -> float:
        """From one line of text to the next, mm."""
        return self.size_mm * LINE_STEP


PLAIN = Text()


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


def open_book(*, paper: str = "letter", landscape: bool = False, title: str = "") -> Book:
    """Return a new book with its first page open.

    Raises
    ------
    SheetsError
        For a paper that is none of ``PAPERS_MM``.
    """
    if paper not in PAPERS_MM:
        raise SheetsError(Problem("--paper", repr(paper), f"one of: {', '.join(PAPERS_MM)}", "name one of them"))
    _load_typeface()
    # invariant: the same sheets make the same bytes, so that a copy can be compared with its original.
    # Binary streams: the text form of them is a quarter larger and slow to make.
    rl_config.useA85 = 0
    canvas = Canvas(io.BytesIO(), pagesize=_page_size(paper, landscape=landscape), invariant=1)
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
    """Write one line with its baseline at ``north_mm``; ``east_mm`` is its left end, middle or right end."""
    words = printable(text)
    shift = {"left": 0.0, "centre": 0.5, "right": 1.0}[style.align]
    canvas = book.canvas
    canvas.setFont(style.font, style.size_mm)
    canvas.setFillColor(style.colour)
    canvas.drawString(east_mm - shift * text_width(words, style), north_mm, words)


def write_lines(book: Book, lines: list[str], place: Frame, style: Text = PLAIN) -> float:
    """Write lines wrapped to the frame's width from its top, and return the height left below, mm."""
    left_mm = place.height_mm
    for line in lines:
        for piece in wrap_text(line, place.width_mm, style):
            left_mm -= style.step_mm
            write_text(book, piece, place.west_mm, place.south_mm + left_mm + 0.25 * style.size_mm, style)
    return left_mm


def wrap_text(text: str, width_mm: float, style: Text = PLAIN) -> list[str]:
    """Return the text in lines no wider than ``width_mm``; a single longer word is broken.

    Examples
    --------
    >>> wrap_text("one two three", 14.0)
    ['one two', 'three']
    """
    lines = [""]
    for word in text.split():
        for piece in _break_word(word, width_mm, style):
            longer = f"{lines[-1]} {piece}".strip()
            if text_width(longer, style) <= width_mm:
                lines[-1] = longer
            else:
                lines.append(piece)
    return lines


def text_width(text: str, style: Text = PLAIN) -> float:
    """Return the width of a line of text, mm."""
    _load_typeface()
    return float(pdfmetrics.stringWidth(printable(text), style.font, style.size_mm))


def printable(text: str) -> str:
    """Return the text in letters the typeface has: one it lacks loses its accent, or becomes a question mark.

    Examples
    --------
    >>> printable("Señor Ödön Dvořák, 41.5°")
    'Señor Ödön Dvorák, 41.5°'
    """
    known = _letters()
    if all(ord(letter) in known for letter in text):
        return text
    return "".join(_nearest(letter, known) for letter in unicodedata.normalize("NFC", text))


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


def _nearest(letter: str, known: frozenset[int]) -> str:
    if ord(letter) in known:
        return letter
    plain = "".join(part for part in unicodedata.normalize("NFKD", letter) if not unicodedata.combining(part))
    return plain if plain and all(ord(part) in known for part in plain) else "?"


def _break_word(word: str, width_mm: float, style: Text) -> list[str]:
    pieces = [word]
    while text_width(pieces[-1], style) > width_mm and len(pieces[-1]) > 1:
        last = pieces.pop()
        fits = next((n for n in range(len(last) - 1, 1, -1) if text_width(last[:n], style) <= width_mm), 1)
        pieces += [last[:fits], last[fits:]]
    return pieces


def _page_size(paper: str, *, landscape: bool) -> tuple[float, float]:
    short_mm, long_mm = PAPERS_MM[paper]
    width_mm, height_mm = (long_mm, short_mm) if landscape else (short_mm, long_mm)
    return width_mm / POINT_MM, height_mm / POINT_MM


def _start_page(book: Book) -> None:
    book.canvas.scale(1 / POINT_MM, 1 / POINT_MM)
    book.canvas.setLineCap(0)  # butt ends: a bar of 50 mm measures 50 mm


@cache
def _load_typeface() -> None:
    for name, file in (("Vera", "Vera.ttf"), ("Vera-Bold", "VeraBd.ttf")):
        pdfmetrics.registerFont(TTFont(name, file))


@cache
def _letters() -> frozenset[int]:
    _load_typeface()
    both = [set(pdfmetrics.getFont(name).face.charToGlyph) for name in ("Vera", "Vera-Bold")]
    return frozenset(both[0] & both[1])
