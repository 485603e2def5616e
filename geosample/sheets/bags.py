"""Labels for the bags, on plain paper to cut: point, method, design, and a QR code of the label."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import segno

from geosample.palettes import GREYS
from geosample.paper import Book, Frame, Pen, Text, draw_box, fill_boxes, next_page, write_footer, write_text
from geosample.sheets.columns import list_bags

if TYPE_CHECKING:
    from geosample.design import Design

COLUMNS, ROWS = 3, 8
_QR_MM = 22.0
_QUIET = 4  # modules of white round a code (ISO/IEC 18004)
_LONG_LABEL = 9


def qr_text(sample_id: str, design_code: str) -> str:
    """Return what a label's code says: the design's code, a space, the bag's label.

    Examples
    --------
    >>> qr_text("07F-03-B", "K7Q2")
    'K7Q2 07F-03-B'
    """
    return f"{design_code} {sample_id}"


def draw_bag_labels(book: Book, design: Design, *, method: str) -> None:
    """Draw a label a bag, the main points in walking order and the reserve points after them."""
    rows = list_bags(design, method).to_dict("records")
    inside = book.inside
    width_mm, height_mm = inside.width_mm / COLUMNS, inside.height_mm / ROWS
    for number, point in enumerate(rows):
        place = number % (COLUMNS * ROWS)
        if number and place == 0:
            next_page(book)
        if place == 0:
            write_footer(book, f"Design {design.visit.design_code} · bag labels, plain paper, cut along the lines")
        row, column = divmod(place, COLUMNS)
        corner = inside.west_mm + column * width_mm, inside.north_mm - (row + 1) * height_mm
        box = Frame(*corner, width_mm, height_mm)
        _draw_label(book, box, design, {str(key): value for key, value in point.items()})


def _draw_label(book: Book, box: Frame, design: Design, point: dict[str, Any]) -> None:
    draw_box(book, box, Pen(GREYS[3], 0.15, (1.5, 1.5)))
    draw_qr(book, qr_text(point["sample_id"], design.visit.design_code), box.west_mm + 2, box.south_mm + 4, _QR_MM)
    left, top = box.west_mm + _QR_MM + 3, box.north_mm
    size_pt = 15 if len(str(point["point_id"])) < _LONG_LABEL else 10
    write_text(book, str(point["point_id"]), left, top - 9, Text(size_pt, bold=True))
    hole = f"hole {point['hole']}, " if isinstance(point["hole"], str) else ""
    reserve = " (reserve)" if point["role"] == "reserve" else ""
    lines = [
        f"{point['method']}, {design.visit.units_per_point} plugs",
        f"{hole}{point['kind']}{reserve}",
        f"visit {design.visit.visit}",
        f"design {design.visit.design_code}",
    ]
    for number, line in enumerate(lines):
        write_text(book, line, left, top - 14 - 3.6 * number, Text(7))
    write_text(book, point["sample_id"], box.west_mm + 4, box.south_mm + 2, Text(7, bold=True))


def draw_qr(book: Book, text: str, west_mm: float, south_mm: float, size_mm: float) -> None:
    """Draw a QR code (ISO/IEC 18004, error level M) in a square of paper, its quiet zone within."""
    rows = [[bool(cell) for cell in row] for row in segno.make(text, error="m", micro=False).matrix]
    module_mm = size_mm / (len(rows) + 2 * _QUIET)
    north_mm = south_mm + size_mm - (1 + _QUIET) * module_mm
    bars = [
        (west_mm + (start + _QUIET) * module_mm, north_mm - down * module_mm, length * module_mm, module_mm)
        for down, row in enumerate(rows)
        for start, length in _runs(row)
    ]
    fill_boxes(book, bars)


def _runs(row: Sequence[bool]) -> list[tuple[int, int]]:
    """Return where each run of dark modules starts and how long it is.

    Examples
    --------
    >>> _runs([True, True, False, True])
    [(0, 2), (3, 1)]
    """
    edges = [number for number in range(len(row) + 1) if _dark(row, number) != _dark(row, number - 1)]
    return [(start, end - start) for start, end in zip(edges[::2], edges[1::2], strict=True)]


def _dark(row: Sequence[bool], number: int) -> bool:
    return 0 <= number < len(row) and row[number]
