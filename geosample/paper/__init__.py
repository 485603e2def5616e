"""Drawing on paper at a true scale, in millimetres: what the sheets and the treatment plan are made with.

A book is opened, drawn on page by page, and closed into bytes; nothing here writes a file::

    book = open_book(paper="letter", title="Hole 1")
    view = must_fit(surfaces.union_all(), Frame(12, 40, 190, 200))
    draw_polygons(book, view, surfaces.geometry, SURFACE_LOOKS["green"])
    places = draw_points(book, view, points.geometry.x, points.geometry.y)
    draw_labels(book, places, points["point_id"], view.frame)
    pdf = close_book(book)
"""

from geosample.paper.ground import KindShapes, draw_ground, sort_ground
from geosample.paper.labels import draw_labels, place_labels
from geosample.paper.marks import draw_check_bar, draw_legend, draw_north_arrow, draw_scale_bar, draw_ticks
from geosample.paper.page import (
    PAPERS_MM,
    Book,
    Frame,
    close_book,
    inside_frame,
    next_page,
    open_book,
    write_footer,
    write_lines,
    write_text,
)
from geosample.paper.pens import Pen, draw_box, draw_line, write_upright
from geosample.paper.shapes import (
    MAIN_MARK,
    OBSTACLE_LOOKS,
    RESERVE_MARK,
    SURFACE_LOOKS,
    Look,
    Mark,
    clear_area,
    draw_border,
    draw_lines,
    draw_points,
    draw_polygons,
    fill_boxes,
    paint_mark,
    paint_polygons,
)
from geosample.paper.tables import Column, draw_table, stretch_columns
from geosample.paper.text import Text, ink, printable, text_width, wrap_text
from geosample.paper.view import MAP_SCALES, MapView, fit_view, must_fit, split_views, upright_turn

__all__ = [
    "MAIN_MARK",
    "MAP_SCALES",
    "OBSTACLE_LOOKS",
    "PAPERS_MM",
    "RESERVE_MARK",
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
    "clear_area",
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
    "draw_points",
    "draw_polygons",
    "draw_scale_bar",
    "draw_table",
    "draw_ticks",
    "fill_boxes",
    "fit_view",
    "ink",
    "inside_frame",
    "must_fit",
    "next_page",
    "open_book",
    "paint_mark",
    "paint_polygons",
    "place_labels",
    "printable",
    "sort_ground",
    "split_views",
    "stretch_columns",
    "text_width",
    "upright_turn",
    "wrap_text",
    "write_footer",
    "write_lines",
    "write_text",
    "write_upright",
]
