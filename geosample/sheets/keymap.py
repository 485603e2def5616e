"""The little key on a page that is one of several: which part of the ground it shows."""

from __future__ import annotations

from typing import TYPE_CHECKING

import shapely

from geosample.palettes import GREYS
from geosample.paper import (
    Book,
    Frame,
    Look,
    MapView,
    Text,
    clear_area,
    draw_border,
    paint_polygons,
    write_text,
)
from geosample.sheets.plan import MapPage

if TYPE_CHECKING:
    import geopandas as gpd

    from geosample.ground import Ground

WIDTH_MM, HEIGHT_MM, GAP_MM = 26.0, 40.0, 2.0
_TURF = Look(GREYS[1], line_mm=0.15)
_OTHER = Look(line_mm=0.2, line_colour=GREYS[3])
_THIS = Look(hatch="rising", hatch_mm=1.6, hatch_colour=GREYS[3], line_mm=0.5)


def draw_key(book: Book, page: MapPage, ground: Ground, points: gpd.GeoDataFrame) -> list[Frame]:
    """Draw the key in the first corner without points, and return the paper it takes; nothing for a single page."""
    free = [corner for corner in _corners(page.view.frame) if not _has_points(corner, page.view, points)]
    if page.parts == 1 or not free:
        return []
    box = free[0]
    surfaces = ground.surfaces[ground.surfaces["surface_id"].isin(page.surface_ids)].geometry.to_numpy()
    view = _small_view(page, box)
    clear_area(book, box)
    for shape in surfaces:
        paint_polygons(book, view.to_paper(shape), _TURF)
    for part, other in enumerate(page.views, start=1):
        window = view.to_paper(other.window())
        paint_polygons(book, window, _THIS if part == page.part else _OTHER)
        west, _, _, north = shapely.bounds(window)
        write_text(book, str(part), west + 1, north - 3, Text(7, bold=part == page.part))
    draw_border(book, box, line_mm=0.2)
    return [box]


def _small_view(page: MapPage, box: Frame) -> MapView:
    """Return a view of all the parts in the box, turned as they are; its scale is of no use to measure by."""
    windows = shapely.union_all([view.window() for view in page.views])
    first = page.views[0]
    upright = MapView(Frame(0, 0, 0, 0), 1000, 0.0, 0.0, first.turn_deg)
    west, south, east, north = shapely.bounds(upright.to_paper(windows))
    room = box.inset(1.5)
    shrink = max((east - west) / room.width_mm, (north - south) / room.height_mm)
    middle = shapely.centroid(shapely.envelope(windows) if first.turn_deg == 0 else windows)
    return MapView(box, round(1000 * shrink) + 1, middle.x, middle.y, first.turn_deg)


def _corners(frame: Frame) -> list[Frame]:
    """Return the places for a key: the corners that hold neither the scale bar nor the north arrow."""
    left, right = frame.west_mm + GAP_MM, frame.east_mm - GAP_MM - WIDTH_MM
    low, high = frame.south_mm + GAP_MM, frame.north_mm - GAP_MM - HEIGHT_MM
    return [Frame(right, low, WIDTH_MM, HEIGHT_MM), Frame(left, high, WIDTH_MM, HEIGHT_MM)]


def _has_points(box: Frame, view: MapView, points: gpd.GeoDataFrame) -> bool:
    places = view.place(points.geometry.x, points.geometry.y)
    area = shapely.box(box.west_mm - 2, box.south_mm - 2, box.east_mm + 2, box.north_mm + 2)
    return bool(shapely.contains_xy(area, places[:, 0], places[:, 1]).any())
