"""What makes a drawing a map one can measure on: scale bar, north arrow, check bar, lon/lat ticks, legend."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import shapely

from geosample.paper.page import Book, Frame, write_text
from geosample.paper.shapes import Look, Mark, clear_area, paint_mark, paint_polygons
from geosample.paper.text import POINT_MM, Text, ink, text_width
from geosample.units import FOOT_M, Units

if TYPE_CHECKING:
    import pyproj

    from geosample.paper.view import MapView

CHECK_BAR_MM = 50.0
_SMALL = Text(7)
_ROUND = (1, 2, 5)
_TICK_TEXT = Text(6.5, align="centre")
_MOST_TICKS = 8
_TICK_ROOM_MM = 18.0
_TICK_STEPS_DEG = tuple(step / 3600 for step in (0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 1800, 3600))


def draw_scale_bar(
    book: Book, view: MapView, west_mm: float, south_mm: float, *, units: Units = "us", most_mm: float = 60.0
) -> Frame:
    """Draw a bar of a round length in the user's units, in four parts, with the scale; return the paper it takes.

    Parameters
    ----------
    book : Book
        Open at the page to draw on.
    view : MapView
        Which ground lies where on the page, and at which scale.
    west_mm, south_mm : float
        The bar's bottom left corner, mm from the page's.
    units : {'us', 'metric'}
        Feet or metres.
    most_mm : float
        The bar is the longest round length no longer than this on paper, mm.
    """
    unit_m, name = (FOOT_M, "ft") if units == "us" else (1.0, "m")
    length = round_below(most_mm / view.mm_per_m / unit_m)
    width_mm = length * unit_m * view.mm_per_m
    canvas, scale = book.canvas, f"1:{view.scale:,}"
    paper = Frame(west_mm - 2, south_mm - 1, width_mm + 12 + text_width(scale, Text(8, bold=True)), 7)
    clear_area(book, paper)  # it may lie on the map
    _set_thin(book)
    for part in range(4):
        canvas.setFillColor(ink("#000000" if part % 2 == 0 else "#ffffff"))
        canvas.rect(west_mm + part * width_mm / 4, south_mm, width_mm / 4, 1.6, stroke=1, fill=1)
    for share in (0.0, 0.5, 1.0):
        label = f"{length * share:,.4g}" + (f" {name}" if share == 1 else "")
        write_text(book, label, west_mm + share * width_mm, south_mm + 2.4, Text(7, align="centre"))
    write_text(book, scale, west_mm + width_mm + 8, south_mm, Text(8, bold=True))
    return paper


def draw_check_bar(book: Book, west_mm: float, south_mm: float) -> Frame:
    """Draw a bar of 50 mm that says so, to see whether the printer kept the scale; return the paper it takes.

    Parameters
    ----------
    book : Book
        Open at the page to draw on.
    west_mm, south_mm : float
        The bar's left end, mm from the page's bottom left.
    """
    canvas = book.canvas
    _set_thin(book)
    canvas.setLineWidth(0.3)
    canvas.line(west_mm, south_mm + 0.8, west_mm + CHECK_BAR_MM, south_mm + 0.8)
    for end_mm in (west_mm, west_mm + CHECK_BAR_MM):
        canvas.line(end_mm, south_mm - 0.4, end_mm, south_mm + 2)
    words = "This bar is 50 mm long: print at 100 %, do not fit to page"
    write_text(book, words, west_mm, south_mm - 3.2, _SMALL)
    return Frame(west_mm - 1, south_mm - 4, max(CHECK_BAR_MM, text_width(words, _SMALL)) + 2, 7)


_ARROW_MM = 12.0


def draw_north_arrow(book: Book, view: MapView, middle_mm: tuple[float, float]) -> Frame:
    """Draw an arrow to grid north as the view is turned; return the paper it takes.

    Parameters
    ----------
    book : Book
        Open at the page to draw on.
    view : MapView
        Which ground lies where on the page, and at which scale.
    middle_mm : tuple of float
        The arrow's middle, mm from the page's bottom left.
    """
    canvas, size_mm = book.canvas, _ARROW_MM
    canvas.saveState()
    canvas.translate(*middle_mm)
    canvas.setFillColor(ink("#ffffff"))
    canvas.circle(0, 0, size_mm * 0.6, stroke=0, fill=1)
    canvas.rotate(view.turn_deg)
    _set_thin(book)
    for side in (-1, 1):
        path = canvas.beginPath()
        path.moveTo(0, size_mm * 0.36)
        path.lineTo(side * size_mm * 0.18, -size_mm * 0.45)
        path.lineTo(0, -size_mm * 0.25)
        path.close()
        canvas.setFillColor(ink("#000000" if side > 0 else "#ffffff"))
        canvas.drawPath(path, stroke=1, fill=1)
    write_text(book, "N", 0, size_mm * 0.38, Text(7, bold=True, align="centre"))
    canvas.restoreState()
    half = size_mm * 0.65
    return Frame(middle_mm[0] - half, middle_mm[1] - half, 2 * half, 2 * half)


@cache
def _to_degrees(crs: pyproj.CRS) -> pyproj.Transformer:
    """Return the way to longitude and latitude; a book of maps asks for the same one on every page."""
    import pyproj

    return pyproj.Transformer.from_crs(crs, 4326, always_xy=True)


def draw_ticks(book: Book, view: MapView, crs: pyproj.CRS) -> float:
    """Draw ticks of longitude and latitude (WGS 84) on the frame's edges; return the step between them, degrees.

    Parameters
    ----------
    book : Book
        Open at the page to draw on.
    view : MapView
        Which ground lies where on the page, and at which scale.
    crs : CRS
        The ground's.
    """
    to_degrees = _to_degrees(crs)
    corners = shapely.get_coordinates(view.window())
    degrees = np.column_stack(to_degrees.transform(corners[:, 0], corners[:, 1]))
    (west, south), (east, north) = degrees.min(axis=0), degrees.max(axis=0)
    step = next((s for s in _TICK_STEPS_DEG if max(east - west, north - south) / s <= _MOST_TICKS), _TICK_STEPS_DEG[-1])
    _set_thin(book)
    taken: list[np.ndarray] = []
    for axis, low, high in ((0, west, east), (1, south, north)):
        for level in np.arange(math.ceil(low / step), math.floor(high / step) + 1) * step:
            line = _degree_line(axis, level, (west, south, east, north))
            metres = np.column_stack(to_degrees.transform(line[:, 0], line[:, 1], direction="INVERSE"))
            label = show_degrees(level, axis, step)
            taken += _draw_tick(book, view.frame, view.place(metres[:, 0], metres[:, 1]), label, taken)
    return step


def show_degrees(level: float, axis: int, step: float) -> str:
    r"""Return a longitude (axis 0) or latitude (axis 1) in degrees, as fine as its step.

    Examples
    --------
    >>> show_degrees(-73.9, 0, 1 / 3600), show_degrees(41.5, 1, 1 / 60)
    ('73°54\'00"W', "41°30'N")
    """
    letter = ("EW", "NS")[axis][int(level < 0)]
    minutes, seconds = divmod(round(abs(level) * 3600, 1), 60)
    degrees, minutes = divmod(minutes, 60)
    start = f"{degrees:.0f}°{minutes:02.0f}'"
    if step * 60 >= 1:
        return f"{start}{letter}"
    return f'{start}{seconds:02.0f}"{letter}' if step * 3600 >= 1 else f'{start}{seconds:04.1f}"{letter}'


def draw_legend(
    book: Book, west_mm: float, north_mm: float, items: Sequence[tuple[Look | Mark, str]], *, columns: int = 1
) -> float:
    """Draw sample boxes and marks with their words, top down; return how far down it reaches, mm from the bottom.

    Parameters
    ----------
    book : Book
        Open at the page to draw on.
    west_mm, north_mm : float
        The legend's top left corner, mm from the page's bottom left.
    items : sequence of (Look or Mark, str)
        What is drawn, and what it means.
    columns : int
        How many items stand beside one another.
    """
    rows = math.ceil(len(items) / columns)
    for number, (sample, words) in enumerate(items):
        column, row = divmod(number, rows)
        left, down = west_mm + column * 36, north_mm - 4.6 * (row + 1)
        if isinstance(sample, Look):
            paint_polygons(book, shapely.box(left, down, left + 7, down + 3.6), sample)
        else:
            paint_mark(book, left + 3.5, down + 1.8, sample)
        write_text(book, words, left + 8.5, down + 0.9, Text(7))
    return north_mm - 4.6 * rows


def round_below(value: float) -> float:
    """Return the largest of 1, 2, 5 times a power of ten that is not above a value.

    Examples
    --------
    >>> round_below(73), round_below(0.4)
    (50, 0.2)
    """
    power = 10.0 ** math.floor(math.log10(value))
    best = max(step * power for step in _ROUND if step * power <= value * (1 + 1e-9))
    return int(best) if best >= 1 else round(best, 9)


def _set_thin(book: Book) -> None:
    book.canvas.setStrokeColor(ink("#000000"))
    book.canvas.setDash()
    book.canvas.setLineWidth(0.5 * POINT_MM)


def _degree_line(axis: int, level: float, bounds: tuple[float, float, float, float]) -> np.ndarray:
    west, south, east, north = bounds
    spread = np.linspace(*((south, north) if axis == 0 else (west, east)), 9)
    fixed = np.full(9, level)
    return np.column_stack([fixed, spread] if axis == 0 else [spread, fixed])


def _draw_tick(book: Book, frame: Frame, line_mm: np.ndarray, label: str, taken: list[np.ndarray]) -> list[np.ndarray]:
    """Draw where a line of longitude or latitude crosses the frame's left and bottom edges, with its value outside.

    A label that would run into another is left out; returns the places drawn at.
    """
    corner = (frame.west_mm, frame.south_mm)
    sides = {
        "bottom": shapely.LineString([corner, (frame.east_mm, frame.south_mm)]),
        "left": shapely.LineString([corner, (frame.west_mm, frame.north_mm)]),
    }
    drawn: list[np.ndarray] = []
    for side, edge in sides.items():
        for place in shapely.get_coordinates(shapely.intersection(shapely.LineString(line_mm), edge))[:1]:
            if all(np.hypot(*(place - other)) > _TICK_ROOM_MM for other in [*taken, *drawn]):
                past_mm = place[1] + text_width(label, _TICK_TEXT) / 2 - frame.north_mm if side == "left" else 0.0
                _paint_tick(book, place, label, upright=side == "left", back_mm=max(past_mm, 0.0))
                drawn.append(place)
    return drawn


def _paint_tick(book: Book, place: np.ndarray, label: str, *, upright: bool, back_mm: float) -> None:
    """Paint a tick with its label, which is moved back from the frame's end: beyond it stands the page's head."""
    canvas = book.canvas
    way = 1 if upright else -1
    canvas.saveState()
    canvas.translate(*place)
    canvas.rotate(90 if upright else 0)
    canvas.line(0, 0, 0, way * 1.5)
    write_text(book, label, -back_mm, 2.0 if upright else -3.6, _TICK_TEXT)
    canvas.restoreState()
