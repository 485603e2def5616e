"""Tables on paper: a header row, rows of boxes to write in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from geosample.palettes import GREYS
from geosample.paper.page import Book, Frame, write_text
from geosample.paper.pens import Pen, take_pen
from geosample.paper.text import Text, ink, text_width, wrap_text

CELL = Text(8)
_LEAST_PT = 4.0


@dataclass(frozen=True, slots=True)
class Column:
    """A column: its head, its width in mm, and how its words are set."""

    head: str
    width_mm: float
    style: Text = CELL


def stretch_columns(columns: Sequence[Column], width_mm: float) -> list[Column]:
    """Return the columns widened or narrowed alike, to fill a width.

    Examples
    --------
    >>> [column.width_mm for column in stretch_columns([Column("a", 10), Column("b", 30)], 80)]
    [20.0, 60.0]
    """
    share = width_mm / sum(column.width_mm for column in columns)
    return [Column(column.head, column.width_mm * share, column.style) for column in columns]


def draw_table(
    book: Book,
    place: Frame,
    columns: Sequence[Column],
    rows: Sequence[Sequence[str]],
    *,
    row_mm: float = 7.0,
    head_mm: float = 9.0,
) -> int:
    """Draw as many rows as the frame holds, every other one shaded, and return how many that were.

    Parameters
    ----------
    book : Book
        Open at the page to draw on.
    place : Frame
        Where the table stands, mm.
    columns : sequence of Column
        Heads and widths.
    rows : sequence of sequence of str
        A cell a column; an empty one is a box to write in. A cell's words are wrapped, and made smaller where
        they would leave it.
    row_mm, head_mm : float
        Height of a row and of the head, mm.
    """
    fits = min(len(rows), int((place.height_mm - head_mm) / row_mm + 1e-9))
    _draw_row(book, place.west_mm, place.north_mm - head_mm, head_mm, _heads(columns), fill=GREYS[1])
    for number, row in enumerate(rows[:fits]):
        cells = list(zip(columns, row, strict=True))
        south_mm = place.north_mm - head_mm - (number + 1) * row_mm
        _draw_row(book, place.west_mm, south_mm, row_mm, cells, fill=GREYS[0] if number % 2 else None)
    return fits


def _heads(columns: Sequence[Column]) -> list[tuple[Column, str]]:
    styles = [Text(7, bold=True, align=column.style.align) for column in columns]
    return [(replace(column, style=style), column.head) for column, style in zip(columns, styles, strict=True)]


def _draw_row(
    book: Book,
    west_mm: float,
    south_mm: float,
    height_mm: float,
    cells: Sequence[tuple[Column, str]],
    *,
    fill: str | None,
) -> None:
    canvas = book.canvas
    take_pen(book, Pen(width_mm=0.2))
    for column, words in cells:
        canvas.setFillColor(ink(fill or "#ffffff"))
        canvas.rect(west_mm, south_mm, column.width_mm, height_mm, stroke=1, fill=1)
        _write_cell(book, Frame(west_mm, south_mm, column.width_mm, height_mm).inset(0.8), words, column.style)
        west_mm += column.width_mm


def _write_cell(book: Book, cell: Frame, words: str, style: Text) -> None:
    style, lines = _fit_words(words, cell, style)
    spare_mm = (cell.height_mm - len(lines) * style.step_mm) / 2
    for number, line in enumerate(lines):
        base_mm = cell.north_mm - spare_mm - (number + 0.8) * style.step_mm
        shift = {"left": 0.0, "centre": 0.5, "right": 1.0}[style.align]
        write_text(book, line, cell.west_mm + shift * cell.width_mm, base_mm, style)


def _fit_words(words: str, cell: Frame, style: Text) -> tuple[Text, list[str]]:
    """Return the largest size, down to ``_LEAST_PT``, at which the words fit the cell, and their lines."""
    size_pt = style.size_pt
    while True:
        tried = Text(size_pt, style.bold, style.align, style.colour)
        lines = wrap_text(words, cell.width_mm, tried)
        whole = all(text_width(word, tried) <= cell.width_mm for word in words.split())
        if size_pt <= _LEAST_PT or (whole and len(lines) * tried.step_mm <= cell.height_mm + 0.5):
            return tried, lines
        size_pt -= 0.5
