"""The older names of ``geosample.drawing``, for rooms that still use them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from geosample import drawing
from geosample.drawing import (
    PAPERS_MM,
    SURFACE_LOOKS,
    Book,
    Column,
    Look,
    MapLayer,
    MapView,
    Mark,
    Pen,
    Text,
    close_book,
    draw_border,
    draw_box,
    draw_check_bar,
    draw_labels,
    draw_line,
    draw_north_arrow,
    draw_scale_bar,
    ground_layers,
    make_table,
    must_fit,
    next_page,
    open_book,
    paint_mark,
    text_width,
    upright_turn,
    write_footer,
    write_paragraphs,
    write_text,
    write_upright,
)
from geosample.drawing import Box as Frame
from geosample.drawing import draw_legend as _draw_legend
from geosample.drawing.maps import _draw_layer
from geosample.drawing.pages import wrap_text

if TYPE_CHECKING:
    import geopandas as gpd
    from shapely import Geometry

KindShapes = MapLayer
_FAR_MM = 10_000.0

__all__ = [
    "PAPERS_MM",
    "SURFACE_LOOKS",
    "Book",
    "Column",
    "Frame",
    "KindShapes",
    "Look",
    "MapView",
    "Mark",
    "Pen",
    "Text",
    "close_book",
    "draw_border",
    "draw_box",
    "draw_check_bar",
    "draw_ground",
    "draw_labels",
    "draw_legend",
    "draw_line",
    "draw_lines",
    "draw_north_arrow",
    "draw_polygons",
    "draw_scale_bar",
    "draw_table",
    "must_fit",
    "next_page",
    "open_book",
    "paint_mark",
    "sort_ground",
    "stretch_columns",
    "text_width",
    "upright_turn",
    "wrap_text",
    "write_footer",
    "write_lines",
    "write_text",
    "write_upright",
]


def sort_ground(
    surfaces: gpd.GeoDataFrame, obstacles: gpd.GeoDataFrame, *, looks: Mapping[str, Look] = SURFACE_LOOKS
) -> list[MapLayer]:
    """Return ``ground_layers``.

    Parameters
    ----------
    surfaces, obstacles, looks
        As there.
    """
    return ground_layers(surfaces, obstacles, looks=looks)


def draw_ground(book: Book, view: MapView, kinds: list[MapLayer]) -> list[tuple[Look, str]]:
    """Draw the ground, and return the looks of the kinds that show, for a legend.

    Parameters
    ----------
    book, view, kinds
        As ``draw_map`` takes them.
    """
    shown = [one for one in kinds if _draw_layer(book, view, one)]
    return [(one.look, one.words) for one in reversed(shown) if isinstance(one.look, Look)]


def draw_polygons(book: Book, view: MapView, shapes: Iterable[Geometry], look: Look) -> None:
    """Draw areas of the ground (polygons in metres) inside the view's frame.

    Parameters
    ----------
    book, view, shapes, look
        As ``draw_map`` takes them.
    """
    _draw_layer(book, view, MapLayer(np.array([*shapes, None], dtype=object)[:-1], look))


draw_lines = draw_polygons


def draw_legend(
    book: Book, west_mm: float, north_mm: float, items: Sequence[tuple[Look | Mark, str]], *, columns: int = 1
) -> float:
    """Draw a legend from its top left corner.

    Parameters
    ----------
    book, west_mm, north_mm, items, columns
        As ``drawing.draw_legend`` takes them.
    """
    return _draw_legend(book, Frame(west_mm, north_mm, 36.0 * columns, 0), items, columns=columns)


def stretch_columns(columns: Sequence[Column], width_mm: float) -> list[Column]:
    """Return the columns widened or narrowed alike, to fill a width."""
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
    """Draw as many rows as the frame holds, and return how many that were.

    Parameters
    ----------
    book, place, columns, rows, row_mm, head_mm
        As ``make_table`` takes them.
    """
    width_mm = sum(column.width_mm for column in columns)
    for many in range(min(len(rows), int((place.height_mm - head_mm) / row_mm + 1e-9)), 0, -1):
        table = make_table(columns, rows[:many], width_mm=width_mm, row_mm=row_mm, head_mm=head_mm)
        _, high_mm = table.wrap(width_mm, place.height_mm)
        if high_mm <= place.height_mm + 0.01:
            drawing.draw_table(book, table, place)
            return many
    return 0


def write_lines(book: Book, lines: Sequence[str], place: Frame, style: Text) -> float:
    """Write lines from the frame's top, and return the height left below, mm.

    Parameters
    ----------
    book, lines, place, style
        As ``write_paragraphs`` takes them.
    """
    deep = Frame(place.west_mm, place.south_mm - _FAR_MM, place.width_mm, place.height_mm + _FAR_MM)
    return write_paragraphs(book, lines, deep, style)[0] - _FAR_MM
