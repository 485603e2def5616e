"""A book of pages in millimetres: its paper, the words on it, paragraphs, tables, and how they flow from page to page.

All lengths are millimetres from the page's bottom left corner. The typeface is Bitstream Vera, which comes with
reportlab under a free licence and is embedded in the file: no typeface of the machine's is needed, and accents and
the degree sign print everywhere.
"""

from __future__ import annotations

import io
import unicodedata
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import cache
from typing import Any, Literal
from xml.sax.saxutils import escape

import numpy as np
from reportlab import platypus, rl_config
from reportlab.lib.colors import Color, HexColor
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.utils import ImageReader
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.pdfgen.pathobject import PDFPathObject

from geosample.errors import PaperError, Problem
from geosample.palettes import GREYS
from geosample.units import INCH_M

Align = Literal["left", "centre", "right"]
POINT_MM = 1000 * INCH_M / 72
LINE_STEP = 1.3
PAPERS_MM: dict[str, tuple[float, float]] = {"letter": (215.9, 279.4), "a4": (210.0, 297.0)}
MARGIN_MM = 12.0
_TOTAL = "pages-in-all"
_PAD_MM, _LOW_PAD_MM = 0.8, 0.5  # between a cell's line and its words: beside them, above and below
_TINY_MM = 0.01
_SHIFTS = {"left": 0.0, "centre": 0.5, "right": 1.0}
_ALIGNMENTS = {"left": 0, "centre": 1, "right": 2}


@dataclass(frozen=True, slots=True)
class Box:
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

    def inset(self, by_mm: float) -> Box:
        """Return the box made smaller by a margin on all sides.

        Examples
        --------
        >>> Box(0, 0, 10, 20).inset(1)
        Box(west_mm=1, south_mm=1, width_mm=8, height_mm=18)
        """
        return Box(self.west_mm + by_mm, self.south_mm + by_mm, self.width_mm - 2 * by_mm, self.height_mm - 2 * by_mm)

    def below(self, down_mm: float) -> Box:
        """Return the box without its top.

        Examples
        --------
        >>> Box(0, 0, 10, 20).below(5)
        Box(west_mm=0, south_mm=0, width_mm=10, height_mm=15)
        """
        return replace(self, height_mm=self.height_mm - down_mm)

    def holds(self, other: Box) -> bool:
        """Return whether the whole of another box lies in it."""
        level = self.west_mm <= other.west_mm and other.east_mm <= self.east_mm
        return level and self.south_mm <= other.south_mm and other.north_mm <= self.north_mm


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


@dataclass(frozen=True, slots=True)
class Pen:
    """How a line is drawn: its colour, its width, its dashes and gaps (mm; a full line when empty), its ends."""

    colour: str = "#000000"
    width_mm: float = 0.25
    dash_mm: tuple[float, ...] = ()
    round_ends: bool = False


PLAIN = Text()
_FINE = Text(7)
_FINE_HEAD = Text(7, bold=True)


@dataclass(slots=True)
class Book:
    """Pages being drawn; ``canvas`` is reportlab's, scaled so that its unit is one millimetre."""

    canvas: Any
    paper: str

    @property
    def inside(self) -> Box:
        """The page being drawn, within its margins."""
        return Box(0, 0, *PAPERS_MM[self.paper]).inset(MARGIN_MM)

    @property
    def page_number(self) -> int:
        """The page being drawn, from 1."""
        return int(self.canvas.getPageNumber())

    def fill_rings(self, rings: Iterable[np.ndarray], colour: str, alpha: float = 1.0) -> None:
        """Fill the ground between rings (each of shape (n, 2), mm): a polygon's outer one and its holes."""
        self.canvas.saveState()
        self.canvas.setFillColor(ink(colour))
        self.canvas.setFillAlpha(alpha)
        self.canvas.drawPath(_trace(rings, closed=True), stroke=0, fill=1, fillMode=0)
        self.canvas.restoreState()

    def stroke_lines(self, lines: Iterable[np.ndarray], pen: Pen, *, closed: bool = False) -> None:
        """Draw along lines (each of shape (n, 2), mm) with a pen."""
        self._take(pen)
        self.canvas.drawPath(_trace(lines, closed=closed), stroke=1, fill=0)

    def fill_disc(self, east_mm: float, north_mm: float, radius_mm: float, fill: str | None, pen: Pen | None) -> None:
        """Draw a circle, filled, outlined or both."""
        if fill is not None:
            self.canvas.setFillColor(ink(fill))
        if pen is not None:
            self._take(pen)
        self.canvas.circle(east_mm, north_mm, radius_mm, stroke=int(pen is not None), fill=int(fill is not None))

    def _take(self, pen: Pen) -> None:
        self.canvas.setStrokeColor(ink(pen.colour))
        self.canvas.setDash(list(pen.dash_mm))
        self.canvas.setLineWidth(pen.width_mm)
        self.canvas.setLineCap(int(pen.round_ends))

    def write(self, words: str, east_mm: float, north_mm: float, style: Text) -> None:
        """Write one line, its left end, middle or right end at a place."""
        self.canvas.setFont(style.font, style.size_mm)
        self.canvas.setFillColor(ink(style.colour))
        self.canvas.drawString(east_mm - _SHIFTS[style.align] * text_width(words, style), north_mm, words)

    def lay_picture(self, jpeg: bytes, box: Box) -> None:
        """Lay a picture into a box, stretched to fill it."""
        place = box.west_mm, box.south_mm, box.width_mm, box.height_mm
        self.canvas.drawImage(ImageReader(io.BytesIO(jpeg)), *place)

    @contextmanager
    def within(self, box: Box) -> Iterator[None]:
        """Draw nothing outside the box while the block runs."""
        self.canvas.saveState()
        path = self.canvas.beginPath()
        path.rect(box.west_mm, box.south_mm, box.width_mm, box.height_mm)
        self.canvas.clipPath(path, stroke=0, fill=0)
        try:
            yield
        finally:
            self.canvas.restoreState()

    @contextmanager
    def turned(self, east_mm: float, north_mm: float, turn_deg: float) -> Iterator[None]:
        """Draw round a place as if it were the page's corner, turned anticlockwise, while the block runs."""
        self.canvas.saveState()
        self.canvas.translate(east_mm, north_mm)
        self.canvas.rotate(turn_deg)
        try:
            yield
        finally:
            self.canvas.restoreState()


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
    canvas = Canvas(io.BytesIO(), pagesize=tuple(side_mm / POINT_MM for side_mm in PAPERS_MM[paper]), invariant=1)
    canvas.setTitle(title)
    canvas.setCreator("geosample")
    book = Book(canvas, paper)
    _start_page(book)
    return book


def next_page(book: Book) -> None:
    """End the page and open the next."""
    book.canvas.showPage()
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


def write_footer(book: Book, text: str, style: Text = _FINE) -> None:
    """Write a line at the page's foot, with "page n of all" at its right end.

    Parameters
    ----------
    book : Book
        Open at the page.
    text : str
        The line.
    style : Text
        How it is set.
    """
    place = book.inside
    north_mm = place.south_mm - 5
    write_text(book, text, place.west_mm, north_mm, style)
    label = f"page {book.page_number} of "
    start_mm = place.east_mm - text_width(label, style) - text_width("000", style)
    write_text(book, label, start_mm, north_mm, style)
    with book.turned(start_mm + text_width(label, style), north_mm, 0.0):
        book.canvas.scale(style.size_mm, style.size_mm)
        book.canvas.doForm(_TOTAL)  # the number is known, and the form made, when the book closes


def write_text(paper: Any, text: str, east_mm: float, north_mm: float, style: Text = PLAIN) -> None:
    """Write one line with its baseline at ``north_mm``; ``east_mm`` is its left end, middle or right end.

    Parameters
    ----------
    paper : Book or Png
        To write on.
    text : str
        One line; letters the typeface lacks are told by ``printable``.
    east_mm, north_mm : float
        Where, mm from the page's bottom left.
    style : Text
        Size, weight, alignment, colour.
    """
    paper.write(printable(text), east_mm, north_mm, style)


def paragraph(text: str, style: Text = PLAIN) -> platypus.Paragraph:
    """Return words that wrap to the width they are given, for ``flow_pages`` or a table's cell."""
    load_typeface()
    setting = ParagraphStyle(
        style.font,
        fontName=style.font,
        fontSize=style.size_mm,
        leading=style.step_mm,
        alignment=_ALIGNMENTS[style.align],
        textColor=ink(style.colour),
    )
    return platypus.Paragraph(escape(printable(text)), setting)


def write_paragraphs(
    book: Book, texts: Sequence[str], box: Box, style: Text = PLAIN, *, gap_mm: float = 0.0
) -> tuple[float, Sequence[str]]:
    """Write as many whole paragraphs as the box holds, from its top; return the height left, mm, and those left.

    Parameters
    ----------
    book : Book
        Open at the page to draw on.
    texts : sequence of str
        A paragraph each.
    box : Box
        Where they stand, mm.
    style : Text
        How they are set.
    gap_mm : float
        Between two of them, mm.
    """
    left_mm = box.height_mm
    for number, text in enumerate(texts):
        words = paragraph(text, style)
        _, high_mm = words.wrap(box.width_mm, left_mm)
        if high_mm > left_mm + _TINY_MM:
            return left_mm, texts[number:]
        left_mm -= high_mm
        words.drawOn(book.canvas, box.west_mm, box.south_mm + left_mm)
        left_mm -= gap_mm
    return left_mm, ()


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a table: its head, its width in mm, and how its words are set."""

    head: str
    width_mm: float
    style: Text = PLAIN


def make_table(
    columns: Sequence[Column],
    rows: Sequence[Sequence[str]],
    *,
    width_mm: float,
    row_mm: float = 7.0,
    head_mm: float = 9.0,
    head_style: Text | None = None,
) -> platypus.Table:
    """Return a table, every other row shaded, whose heads stand again on each page it flows over.

    Parameters
    ----------
    columns : sequence of Column
        Heads and widths; all are widened or narrowed alike to fill the width.
    rows : sequence of sequence of str
        A cell a column; an empty one is a box to write in.
    width_mm : float
        Of the whole table, mm.
    row_mm, head_mm : float
        Least height of a row and of the head, mm; rows with many words are higher.
    head_style : Text
        How the heads are set, at this very size: one with a word wider than its column stands upright. Small, and
        smaller where a word is wide, when None.
    """
    share = width_mm / sum(column.width_mm for column in columns)
    widths = [column.width_mm * share for column in columns]
    styles = [column.style for column in columns]
    heads = [replace(head_style or _FINE_HEAD, align=style.align) for style in styles]
    cells = [_cells([column.head for column in columns], widths, heads)]
    for number, (column, style, each_mm) in enumerate(zip(columns, heads, widths, strict=True)):
        if head_style and _widest_word(column.head, style) > each_mm - 2 * _PAD_MM:
            cells[0][number] = _Upright(column.head, style)
    cells += [_cells(row, widths, styles) for row in rows]
    table = platypus.Table(
        cells, colWidths=widths, repeatRows=1, minRowHeights=[head_mm, *[row_mm] * len(rows)], hAlign="LEFT"
    )
    table.setStyle(
        platypus.TableStyle(
            [
                ("FONT", (0, 0), (-1, -1), PLAIN.font, 1.0, 1.0),  # an empty cell asks for no height
                ("GRID", (0, 0), (-1, -1), 0.2, ink("#000000")),
                ("BACKGROUND", (0, 0), (-1, 0), ink(GREYS[1])),
                ("ROWBACKGROUNDS", (0, 1), (-1, -1), [ink("#ffffff"), ink(GREYS[0])]),
                ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
                *((f"{side}PADDING", (0, 0), (-1, -1), _PAD_MM) for side in ("LEFT", "RIGHT")),
                *((f"{side}PADDING", (0, 0), (-1, -1), _LOW_PAD_MM) for side in ("TOP", "BOTTOM")),
            ]
        )
    )
    return table


class _Upright(platypus.Flowable):  # type: ignore[misc]  # reportlab has no types
    """A line that reads from the foot of its cell to the top."""

    def __init__(self, words: str, style: Text) -> None:
        super().__init__()
        self.words, self.style = printable(words), style

    def wrap(self, *_: float) -> tuple[float, float]:
        return self.style.step_mm, text_width(self.words, self.style) + 2 * _PAD_MM

    def draw(self) -> None:
        self.canv.setFont(self.style.font, self.style.size_mm)
        self.canv.rotate(90)
        self.canv.drawString(_PAD_MM, -self.style.size_mm, self.words)


def _widest_word(words: str, style: Text) -> float:
    return max((text_width(word, style) for word in words.split()), default=0.0)


def _cells(row: Sequence[str], widths: Sequence[float], styles: Sequence[Text]) -> list[Any]:
    """Return a row's words as paragraphs, set smaller where the widest word would leave its column."""
    cells: list[Any] = []
    for words, width_mm, style in zip(row, widths, styles, strict=True):
        widest_mm = _widest_word(words, style)
        shrink = min(1.0, (width_mm - 2 * _PAD_MM - _TINY_MM) / widest_mm) if widest_mm else 1.0
        cells.append(paragraph(words, replace(style, size_pt=style.size_pt * shrink)) if words else "")
    return cells


def draw_table(book: Book, table: platypus.Table, box: Box) -> platypus.Table | None:
    """Draw as many of a table's rows as a box holds, from its top, and return a table of those left, or None.

    Parameters
    ----------
    book : Book
        Open at the page to draw on.
    table : Table
        As ``make_table`` returns it.
    box : Box
        Where it stands, mm.
    """
    parts = table.splitOn(book.canvas, box.width_mm, box.height_mm + _TINY_MM)
    if parts:
        _, high_mm = parts[0].wrapOn(book.canvas, box.width_mm, box.height_mm)
        parts[0].drawOn(book.canvas, box.west_mm, box.north_mm - high_mm)
        return parts[1] if len(parts) > 1 else None
    return table


def measure(book: Book, story: Iterable[Any], width_mm: float) -> float:
    """Return how high the parts of a story stand one above the other in a column of some width, mm.

    Parameters
    ----------
    book : Book
        To be drawn on.
    story : iterable of Flowable
        What ``paragraph``, ``make_table`` and ``space`` return.
    width_mm : float
        Of the column, mm.
    """
    return float(sum(part.wrapOn(book.canvas, width_mm, book.inside.height_mm)[1] for part in story))


def flow_pages(book: Book, story: Sequence[Any], start_page: Callable[[int], Box]) -> None:
    """Let paragraphs and tables flow over as many pages as they take.

    Parameters
    ----------
    book : Book
        To draw on.
    story : sequence of Flowable
        What ``paragraph``, ``make_table`` and ``space`` return.
    start_page : callable
        Opens a page, draws its head and foot, and returns the room between them, mm; called with 0 for the first page,
        1 for the second.

    Raises
    ------
    PaperError
        When one row is higher than a page.
    """
    left, number = list(story), 0
    while left:
        box = start_page(number)
        room = platypus.Frame(
            *(box.west_mm, box.south_mm, box.width_mm, box.height_mm),
            *(0, 0, 0, 0),  # padding
        )
        drawn = len(left)
        while left and room.add(left[0], book.canvas, trySplit=1):
            del left[0]
        parts = room.split(left[0], book.canvas) if left else []
        if len(parts) > 1:
            room.add(parts[0], book.canvas)
            left[:1] = parts[1:]
        elif len(left) == drawn and number:
            expected = f"words that fit a page {box.height_mm:.0f} mm high"
            raise PaperError(Problem("table", "a row that is higher than a page", expected, "shorten its words"))
        number += 1


def space(height_mm: float) -> platypus.Spacer:
    """Return some paper between two parts of a story."""
    return platypus.Spacer(0, height_mm)


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
    steps = [f"{west:.4f} {south:.4f} {width:.4f} {height:.4f} re" for west, south, width, height in boxes]
    book.canvas.drawPath(PDFPathObject(code=steps), stroke=0, fill=1)


def text_width(text: str, style: Text = PLAIN) -> float:
    """Return the width of a line of text, mm."""
    load_typeface()
    return float(pdfmetrics.stringWidth(printable(text), style.font, style.size_mm))


def printable(text: str) -> str:
    """Return the text in letters the typeface has: one it lacks loses its accent, or becomes a question mark.

    Examples
    --------
    >>> printable("Señor Ödön Dvořák, 41.5°")
    'Señor Ödön Dvorák, 41.5°'
    """
    known = _letters()
    if known.issuperset(map(ord, text)):
        return text
    return "".join(_nearest(letter, known) for letter in unicodedata.normalize("NFC", text))


def _nearest(letter: str, known: frozenset[int]) -> str:
    if ord(letter) in known:
        return letter
    plain = "".join(part for part in unicodedata.normalize("NFKD", letter) if not unicodedata.combining(part))
    return plain if plain and known.issuperset(map(ord, plain)) else "?"


@cache
def ink(colour: str) -> Color:
    """Return a colour of the palettes, ``#rrggbb``, as reportlab's own, which reads its words anew at each use."""
    return HexColor(colour)


@cache
def load_typeface() -> dict[str, str]:
    """Make the typeface known to reportlab, once, and return its files by name."""
    files = {}
    for name, file in (("Vera", "Vera.ttf"), ("Vera-Bold", "VeraBd.ttf")):
        font = TTFont(name, file)
        pdfmetrics.registerFont(font)
        files[name] = str(font.face.filename)
    return files


@cache
def _letters() -> frozenset[int]:
    load_typeface()
    both = [set(pdfmetrics.getFont(name).face.charToGlyph) for name in ("Vera", "Vera-Bold")]
    return frozenset(both[0] & both[1])


def _trace(lines: Iterable[np.ndarray], *, closed: bool) -> PDFPathObject:
    """Return a path in PDF's own operators (ISO 32000, 8.5.2); a micrometre is the finest step.

    Written as text at once, since reportlab's own calls spend most of a book's time on formatting numbers.
    """
    operators = []
    for corners in lines:
        start, *steps = corners.tolist()
        operators.append(f"{start[0]:.3f} {start[1]:.3f} m")
        operators += [f"{east:.3f} {north:.3f} l" for east, north in steps]
        if closed:
            operators.append("h")
    return PDFPathObject(code=operators)


def _start_page(book: Book) -> None:
    book.canvas.scale(1 / POINT_MM, 1 / POINT_MM)
    book.canvas.setLineCap(0)  # butt ends: a bar of 50 mm measures 50 mm
