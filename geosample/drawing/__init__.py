"""Drawing on paper at a true scale, in millimetres: what the sheets, the treatment plan and the pictures are made with.

A book is opened, drawn on page by page, and closed into bytes; nothing here writes a file::

    book = open_book(paper="letter", title="Hole 1")
    view = must_fit(surfaces.union_all(), Box(12, 40, 190, 200))
    points = MapLayer(points.geometry, MAIN_MARK, "main point", points["point_id"])
    unplaced = draw_view(book, view, ground_layers(surfaces, obstacles), [points], legend=Box(12, 12, 190, 20))
    pdf = close_book(book)
"""

from geosample.drawing.maps import (
    MapLayer,
    MapView,
    draw_check_bar,
    draw_scale_bar,
    draw_view,
    fit_view,
    ground_layers,
    must_fit,
    upright_turn,
)
from geosample.drawing.pages import (
    Book,
    Box,
    Column,
    Pen,
    Text,
    close_book,
    draw_table,
    fill_boxes,
    flow_pages,
    make_table,
    measure,
    next_page,
    open_book,
    paragraph,
    space,
    text_width,
    write_footer,
    write_paragraphs,
    write_text,
)
from geosample.drawing.pens import (
    MAIN_MARK,
    RESERVE_MARK,
    SURFACE_LOOKS,
    Look,
    Mark,
    Png,
    Svg,
    clear_area,
    draw_border,
    draw_box,
    draw_line,
    labels_fit,
    paint_mark,
    paint_polygons,
)

__all__ = [
    "MAIN_MARK",
    "RESERVE_MARK",
    "SURFACE_LOOKS",
    "Book",
    "Box",
    "Column",
    "Look",
    "MapLayer",
    "MapView",
    "Mark",
    "Pen",
    "Png",
    "Svg",
    "Text",
    "clear_area",
    "close_book",
    "draw_border",
    "draw_box",
    "draw_check_bar",
    "draw_line",
    "draw_scale_bar",
    "draw_table",
    "draw_view",
    "fill_boxes",
    "fit_view",
    "flow_pages",
    "ground_layers",
    "labels_fit",
    "make_table",
    "measure",
    "must_fit",
    "next_page",
    "open_book",
    "paint_mark",
    "paint_polygons",
    "paragraph",
    "space",
    "text_width",
    "upright_turn",
    "write_footer",
    "write_paragraphs",
    "write_text",
]
