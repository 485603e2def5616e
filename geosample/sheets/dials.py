"""The clock face round a green on the map, as the finding words count its hours."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import shapely

from geosample.paper import Book, Frame, MapView, Pen, Text, draw_line, write_text
from geosample.sheets.finding import DIAL_KINDS, Clock, hour_ray, reach_edge, take_sights

if TYPE_CHECKING:
    from shapely import Geometry

    from geosample.ground import Ground

_HOUR = Text(7)
_OUT_MM = 4.5
_TICK_MM = 2.0
_LARGEST_SCALE = 500
"""On smaller maps a dial would be smaller than its numbers."""


def draw_dials(book: Book, view: MapView, ground: Ground, surface_ids: tuple[str, ...]) -> list[Frame]:
    """Draw the dial of each green the surfaces belong to, and return the paper its numbers take."""
    if view.scale > _LARGEST_SCALE:
        return []
    dials: dict[tuple[float, float], tuple[Clock, Geometry]] = {}
    for surface_id in surface_ids:
        sights = take_sights(ground.surfaces, surface_id)
        if sights.kind in DIAL_KINDS and sights.clock is not None:
            middle = (sights.clock.easting, sights.clock.northing)
            outline = dials[middle][1] if middle in dials else sights.outline
            dials[middle] = (sights.clock, shapely.union(outline, sights.outline))
    return [frame for clock, outline in dials.values() for frame in _draw_dial(book, view, clock, outline)]


def _draw_dial(book: Book, view: MapView, clock: Clock, outline: Geometry) -> list[Frame]:
    (middle,) = view.place([clock.easting], [clock.northing])
    for half in np.diag([2.0, 2.0]):
        draw_line(book, [middle - half, middle + half], Pen())
    taken = [Frame(middle[0] - 2, middle[1] - 2, 4, 4)]
    for hour in range(1, 13):
        start, way = hour_ray(clock, hour)
        edge = start + reach_edge(clock, outline, hour) * way
        ends = view.place(*np.array([edge, edge + way]).T)
        out = (ends[1] - ends[0]) / np.hypot(*(ends[1] - ends[0]))
        taken.append(_draw_hour(book, ends[0], out, hour, view.frame))
    return taken


def _draw_hour(book: Book, edge: np.ndarray, out: np.ndarray, hour: int, frame: Frame) -> Frame:
    """Draw one hour's tick outside the edge and its number, bold at six and twelve, where the page shows it."""
    place = edge + (_OUT_MM + _TICK_MM / 2) * out
    box = Frame(place[0] - 2.2, place[1] - 1.5, 4.4, 3.0)
    inside = frame.west_mm < box.west_mm and box.east_mm < frame.east_mm
    if inside and frame.south_mm < box.south_mm and box.north_mm < frame.north_mm:
        draw_line(book, [edge + 0.8 * out, edge + (0.8 + _TICK_MM) * out], Pen())
        style = Text(_HOUR.size_pt, bold=hour % 6 == 0, align="centre")
        write_text(book, str(hour), place[0], place[1] - 0.35 * style.size_mm, style)
    return box
