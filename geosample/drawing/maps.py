"""A map on paper or in pixels: where the ground lies on the sheet, and the one drawing of it at a true scale."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import shapely
from shapely import affinity

from geosample.drawing.labels import LABEL, draw_labels
from geosample.drawing.pages import POINT_MM, Book, Box, Pen, Text, text_width, write_text, write_upright
from geosample.drawing.pens import (
    OBSTACLE_LOOKS,
    SURFACE_LOOKS,
    Look,
    Mark,
    Paper,
    clear_area,
    draw_border,
    draw_box,
    draw_line,
    paint_lines,
    paint_mark,
    paint_polygons,
)
from geosample.errors import PaperError, Problem
from geosample.units import FOOT_M, Units
from geosample.words import OBSTACLE_KINDS, SURFACE_KINDS

if TYPE_CHECKING:
    import geopandas as gpd
    import pyproj
    from shapely import Geometry


OVERLAP_MM = 15.0  # how much two neighbouring pages share
MAP_SCALES = (
    *(100, 200, 250, 500, 1000, 1250, 1500, 2000, 2500, 3000, 4000, 5000, 6000, 7500),
    *(10_000, 12_500, 15_000, 20_000, 25_000, 50_000, 100_000),
)
"""Round scales a map may have; ``1:250`` is 250 here."""


@dataclass(frozen=True, slots=True)
class MapView:
    """A window on the ground.

    Parameters
    ----------
    frame : Box
        Where it lies on paper.
    scale : int
        Metres on the ground to a metre on paper.
    easting, northing : float
        The place in the middle of the frame, m.
    turn_deg : float
        How far the ground is turned on paper, degrees anticlockwise; 0 is north up.
    """

    frame: Box
    scale: int
    easting: float
    northing: float
    turn_deg: float = 0.0

    @property
    def mm_per_m(self) -> float:
        """Millimetres of paper to a metre of ground."""
        return 1000.0 / self.scale

    @property
    def _matrix(self) -> tuple[float, float, float, float, float, float]:
        """The affine steps from ground to paper, in shapely's order a, b, d, e, xoff, yoff."""
        cos, sin = (self.mm_per_m * f(math.radians(self.turn_deg)) for f in (math.cos, math.sin))
        east_mm = self.frame.west_mm + self.frame.width_mm / 2 - cos * self.easting + sin * self.northing
        north_mm = self.frame.south_mm + self.frame.height_mm / 2 - sin * self.easting - cos * self.northing
        return cos, -sin, sin, cos, east_mm, north_mm

    def to_paper(self, shape: Geometry) -> Geometry:
        """Return a shape of the ground (m) as it lies on paper (mm)."""
        return affinity.affine_transform(shape, self._matrix)

    def place(self, easting: Sequence[float] | np.ndarray, northing: Sequence[float] | np.ndarray) -> np.ndarray:
        """Return places of the ground (m) on paper, mm, shape (n, 2): from the left, from the bottom.

        Examples
        --------
        >>> MapView(Box(0, 0, 100, 100), 1000, 0.0, 0.0).place([10.0], [-5.0]).tolist()
        [[60.0, 45.0]]
        """
        a, b, d, e, east_mm, north_mm = self._matrix
        ground = np.column_stack([np.asarray(easting, dtype=float), np.asarray(northing, dtype=float)])
        return np.asarray(ground @ np.array([[a, d], [b, e]]) + np.array([east_mm, north_mm]))

    def place_points(self, points: Sequence[Geometry] | np.ndarray) -> np.ndarray:
        """Return points of the ground (m) on paper, mm, shape (n, 2)."""
        return self.place(*shapely.get_coordinates(np.asarray(points, dtype=object)).T)

    def window(self) -> Geometry:
        """Return the ground that shows in the frame, a polygon in metres."""
        half = np.array([self.frame.width_mm, self.frame.height_mm]) / 2 / self.mm_per_m
        box = shapely.box(-half[0], -half[1], half[0], half[1])
        turned = affinity.rotate(box, -self.turn_deg, origin=(0, 0))
        return affinity.translate(turned, self.easting, self.northing)


def fit_view(
    shape: Geometry,
    frame: Box,
    *,
    scales: Sequence[int] = MAP_SCALES,
    margin_mm: float = 8.0,
    turn_deg: float = 0.0,
) -> MapView | None:
    """Return the view of largest scale that shows the whole shape, or None where none of the scales does.

    Parameters
    ----------
    shape : Geometry
        Ground, m.
    frame : Box
        The paper it must fit, mm.
    scales : sequence of int
        Scales to try, each the m on the ground of a m on paper.
    margin_mm : float
        Paper kept free around it, for labels, mm.
    turn_deg : float
        How far the ground is turned anticlockwise on paper, degrees.

    Examples
    --------
    >>> fit_view(shapely.box(0, 0, 40, 40), Box(0, 0, 190, 200)).scale
    250
    """
    west, south, east, north = _turned_bounds(shape, turn_deg)
    room = frame.inset(margin_mm)
    need = max((east - west) / room.width_mm, (north - south) / room.height_mm) * 1000
    fitting = [scale for scale in sorted(scales) if scale >= need]
    if not fitting:
        return None
    return _view_at((west + east) / 2, (south + north) / 2, frame, fitting[0], turn_deg)


def must_fit(shape: Geometry, frame: Box, *, margin_mm: float = 8.0, turn_deg: float = 0.0) -> MapView:
    """Return ``fit_view`` over all of ``MAP_SCALES``.

    Parameters
    ----------
    shape : Geometry
        Ground, m.
    frame : Box
        The paper it must fit, mm.
    margin_mm : float
        Paper kept free around it, for labels, mm.
    turn_deg : float
        How far the ground is turned anticlockwise on paper, degrees.

    Raises
    ------
    PaperError
        When the ground is too wide for the smallest of them.
    """
    view = fit_view(shape, frame, margin_mm=margin_mm, turn_deg=turn_deg)
    if view is None:
        west, south, east, north = shapely.bounds(shape)
        found = f"ground {(east - west) / 1000:,.1f} by {(north - south) / 1000:,.1f} km wide"
        expected = f"a course that fits on a page at 1:{MAP_SCALES[-1]:,}"
        raise PaperError(Problem("map", found, expected, "check the coordinates for a stray polygon or point"))
    return view


def split_views(shape: Geometry, frame: Box, *, scale: int, turn_deg: float = 0.0) -> list[MapView]:
    """Return views at one scale that together show the whole shape, from the top of the paper down, left to right.

    Parameters
    ----------
    shape : Geometry
        Ground, m.
    frame : Box
        The paper of one page, mm.
    scale : int
        The m on the ground of a m on paper.
    turn_deg : float
        How far the ground is turned anticlockwise on paper, degrees.

    Examples
    --------
    >>> views = split_views(shapely.box(0, 0, 30, 380), Box(0, 0, 190, 200), scale=1000)
    >>> [round(view.northing) for view in views]
    [282, 98]
    """
    west, south, east, north = _turned_bounds(shape, turn_deg)
    across = _middles(west, east, frame.width_mm * scale / 1000, OVERLAP_MM * scale / 1000)
    up = _middles(south, north, frame.height_mm * scale / 1000, OVERLAP_MM * scale / 1000)
    views = [_view_at(a, b, frame, scale, turn_deg) for b in reversed(up) for a in across]
    return [view for view in views if shapely.intersects(view.window(), shape)]


def upright_turn(shape: Geometry) -> float:
    """Return the turn that sets a shape's long side upright on paper, degrees from -90 to 90.

    Examples
    --------
    >>> round(upright_turn(shapely.LineString([(0, 0), (10, 10)]).buffer(1)))
    45
    """
    rectangle = shapely.minimum_rotated_rectangle(shape)
    if rectangle.geom_type != "Polygon":  # a point or a line has none
        return 0.0
    sides = np.diff(shapely.get_coordinates(rectangle)[:3], axis=0)
    along, up = sides[np.argmax(np.hypot(*sides.T))]
    lean = math.degrees(math.atan2(up, along)) % 180
    return 90 - lean


def _turned_bounds(shape: Geometry, turn_deg: float) -> tuple[float, float, float, float]:
    west, south, east, north = shapely.bounds(affinity.rotate(shape, turn_deg, origin=(0, 0)))
    return float(west), float(south), float(east), float(north)


def _view_at(across: float, up: float, frame: Box, scale: int, turn_deg: float) -> MapView:
    """Return the view with its middle at a place given along the turned axes."""
    angle = math.radians(-turn_deg)
    easting = across * math.cos(angle) - up * math.sin(angle)
    northing = across * math.sin(angle) + up * math.cos(angle)
    return MapView(frame, scale, easting, northing, turn_deg)


def _middles(low: float, high: float, page_m: float, overlap_m: float) -> list[float]:
    pages = max(1, math.ceil((high - low - overlap_m) / (page_m - overlap_m)))
    step = page_m - overlap_m
    middle = (low + high) / 2
    return [middle + (number - (pages - 1) / 2) * step for number in range(pages)]


CHECK_BAR_MM = 50.0
_THIN = Pen(width_mm=0.5 * POINT_MM)
_SMALL = Text(7)
_ROUND = (1, 2, 5)
_TICK_TEXT = Text(6.5, align="centre")
_MOST_TICKS = 8
_TICK_ROOM_MM = 18.0
_TICK_STEPS_DEG = tuple(step / 3600 for step in (0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 1800, 3600))
_ARROW_MM = 12.0
_AREA = 2


@dataclass(frozen=True, slots=True, eq=False)
class MapLayer:
    """Shapes of the ground drawn alike.

    Parameters
    ----------
    shapes : sequence of Geometry
        Areas and lines, m, where ``look`` is a Look; points where it is a Mark (drawn there) or a Text (words there).
    look : Look, Mark or Text
        How they are drawn.
    words : str
        What they are, in the legend; empty keeps them out of it.
    labels : sequence of str
        A label beside each shape, set where there is room; with a Text, the words at each point.
    label_style : Text
        How the labels are set.
    """

    shapes: Sequence[Geometry] | np.ndarray
    look: Look | Mark | Text
    words: str = ""
    labels: Sequence[str] = ()
    label_style: Text = LABEL


def ground_layers(
    surfaces: gpd.GeoDataFrame, obstacles: gpd.GeoDataFrame, *, looks: Mapping[str, Look] = SURFACE_LOOKS
) -> list[MapLayer]:
    """Return the ground's shapes by kind, those to be drawn first before those that lie on them.

    Parameters
    ----------
    surfaces, obstacles : GeoDataFrame
        With a ``kind``; m.
    looks : mapping of str to Look
        How each kind of surface is drawn.
    """
    sorts = [(surfaces, kind, looks[kind]) for kind in reversed(SURFACE_KINDS)]
    sorts += [(obstacles, kind, OBSTACLE_LOOKS[kind]) for kind in reversed(OBSTACLE_KINDS)]
    return [MapLayer(frame.geometry[frame["kind"] == kind].to_numpy(), look, kind) for frame, kind, look in sorts]


def draw_map(  # noqa: PLR0913 - what a page's maker may place by itself
    paper: Paper,
    view: MapView,
    ground: Sequence[MapLayer],
    layers: Sequence[MapLayer] = (),
    *,
    units: Units = "us",
    crs: pyproj.CRS | None = None,
    scale_at: tuple[float, float] | None = None,
    legend: Box | None = None,
    legend_columns: int = 3,
    keep_clear: Sequence[Box] = (),
) -> list[str]:
    """Draw a map with its scale bar, north arrow, legend and labels, and return the labels that found no room.

    Parameters
    ----------
    paper : Book or Png
        To draw on.
    view : MapView
        Which ground lies where on the page, and at which scale.
    ground : sequence of MapLayer
        What lies beneath, drawn in this order; the last in the legend.
    layers : sequence of MapLayer
        What is shown on it, drawn in this order and named in it.
    units : {'us', 'metric'}
        Of the scale bar: feet or metres.
    crs : CRS, optional
        The ground's, for ticks of longitude and latitude on the frame's edges; a ``Book`` only, none when left out.
    scale_at : tuple of float, optional
        The scale bar's bottom left corner, mm; in the frame's corner when left out.
    legend : Box, optional
        Place of the legend; none when left out.
    legend_columns : int
        How many items of the legend stand beside one another.
    keep_clear : sequence of Box
        Paper no label may cover.
    """
    frame = view.frame
    shown = [layer for layer in (*ground, *layers) if _draw_layer(paper, view, layer)]
    draw_border(paper, frame)
    if crs is not None and isinstance(paper, Book):
        draw_ticks(paper, view, crs)
    west_mm, south_mm = scale_at or (frame.west_mm + 4, frame.south_mm + 4)
    clear = [
        *keep_clear,
        draw_scale_bar(paper, view, west_mm, south_mm, units=units),
        draw_north_arrow(paper, view, (frame.east_mm - 9, frame.north_mm - 10)),
        *(box for layer in layers for _, _, box in _words_of(view, layer)),
    ]
    if legend is not None:
        under = [layer for layer in reversed(ground) if layer in shown]
        items = [(one.look, one.words) for one in [*(one for one in layers if one in shown), *under] if one.words]
        draw_legend(paper, legend, items, columns=legend_columns)
    return _label(paper, view, shown, clear)


def _draw_layer(paper: Paper, view: MapView, layer: MapLayer) -> bool:
    """Draw what the map shows of a layer; return whether that is anything."""
    shapes, window = np.asarray(layer.shapes, dtype=object), view.window()
    shapes = shapes[shapely.intersects(window, shapes)] if len(shapes) else shapes
    with paper.within(view.frame):
        if isinstance(layer.look, Text):
            for words, place, _ in _words_of(view, layer):
                write_text(paper, words, place[0], place[1] - 0.35 * layer.look.size_mm, layer.look)
        elif isinstance(layer.look, Mark):
            for east_mm, north_mm in view.place_points(shapes):
                paint_mark(paper, east_mm, north_mm, layer.look)
        else:
            seen = shapely.intersection(shapes, shapely.buffer(window, 5 / view.mm_per_m, join_style="mitre"))
            size = shapely.get_dimensions(seen)
            for shape in seen[size == _AREA]:
                paint_polygons(paper, view.to_paper(shape), layer.look)
            paint_lines(paper, [view.to_paper(shape) for shape in seen[size == 1]], layer.look.pen)
            return bool((size > 0).any())
    return len(shapes) > 0


def _words_of(view: MapView, layer: MapLayer) -> list[tuple[str, np.ndarray, Box]]:
    """Return a layer's words, each with its middle and the paper it takes, where the frame holds the whole of it."""
    if not isinstance(layer.look, Text):
        return []
    high_mm, found = 1.2 * layer.look.size_mm, []
    for words, place in zip(layer.labels, view.place_points(layer.shapes), strict=True):
        wide_mm = text_width(words, layer.look) + 0.6
        box = Box(place[0] - wide_mm / 2, place[1] - high_mm / 2, wide_mm, high_mm)
        if view.frame.holds(box):
            found.append((words, place, box))
    return found


def _label(paper: Paper, view: MapView, layers: Sequence[MapLayer], clear: Sequence[Box]) -> list[str]:
    """Write the labels of all layers, so that they keep clear of one another and of what they name."""
    window = view.window()
    places, texts, styles = [np.empty((0, 2))], [], []
    for layer in layers:
        if not len(layer.labels) or isinstance(layer.look, Text):
            continue
        seen = shapely.intersection(window, np.asarray(layer.shapes, dtype=object))
        shown = ~shapely.is_empty(seen)
        places.append(view.place_points(shapely.point_on_surface(seen[shown])))
        texts += [text for text, there in zip(layer.labels, shown, strict=True) if there]
        styles += [layer.label_style] * int(shown.sum())
    return draw_labels(paper, np.vstack(places), texts, view.frame, keep_clear=clear, style=styles)


def draw_scale_bar(
    paper: Paper, view: MapView, west_mm: float, south_mm: float, *, units: Units = "us", most_mm: float = 45.0
) -> Box:
    """Draw a bar of a round length in the user's units, in four parts, with the scale; return the paper it takes.

    Parameters
    ----------
    paper : Book or Png
        To draw on.
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
    bold = Text(8, bold=True)
    scale = f"1:{view.scale:,}" if isinstance(paper, Book) else ""  # on a screen there is none
    taken = Box(west_mm - 2, south_mm - 1, width_mm + 12 + text_width(scale, bold), 7)
    clear_area(paper, taken)  # it may lie on the map
    for part in range(4):
        place = Box(west_mm + part * width_mm / 4, south_mm, width_mm / 4, 1.6)
        draw_box(paper, place, _THIN, fill="#000000" if part % 2 == 0 else "#ffffff")
    for share in (0.0, 0.5, 1.0):
        label = f"{length * share:,.4g}" + (f" {name}" if share == 1 else "")
        write_text(paper, label, west_mm + share * width_mm, south_mm + 2.4, Text(7, align="centre"))
    write_text(paper, scale, west_mm + width_mm + 8, south_mm, bold)
    return taken


def draw_check_bar(paper: Paper, west_mm: float, south_mm: float) -> Box:
    """Draw a bar of 50 mm that says so, to see whether the printer kept the scale; return the paper it takes.

    Parameters
    ----------
    paper : Book or Png
        To draw on.
    west_mm, south_mm : float
        The bar's left end, mm from the page's bottom left.
    """
    east_mm, level = west_mm + CHECK_BAR_MM, south_mm + 0.8
    draw_line(paper, [(west_mm, level), (east_mm, level)], Pen(width_mm=0.3))
    for end_mm in (west_mm, east_mm):
        draw_line(paper, [(end_mm, south_mm - 0.4), (end_mm, south_mm + 2)], Pen(width_mm=0.3))
    words = "This bar is 50 mm long: print at 100 %, do not fit to page"
    write_text(paper, words, west_mm, south_mm - 3.2, _SMALL)
    return Box(west_mm - 1, south_mm - 4, max(CHECK_BAR_MM, text_width(words, _SMALL)) + 2, 7)


def draw_north_arrow(paper: Paper, view: MapView, middle_mm: tuple[float, float]) -> Box:
    """Draw an arrow to grid north as the view is turned; return the paper it takes.

    Parameters
    ----------
    paper : Book or Png
        To draw on.
    view : MapView
        Which ground lies where on the page, and at which scale.
    middle_mm : tuple of float
        The arrow's middle, mm from the page's bottom left.
    """
    east_mm, north_mm = middle_mm
    paper.fill_disc(east_mm, north_mm, 0.6 * _ARROW_MM, "#ffffff", None)
    for side in (-1, 1):
        half = shapely.Polygon([(0, 0.36), (side * 0.18, -0.45), (0, -0.25)])
        look = Look("#000000" if side > 0 else "#ffffff", line_mm=_THIN.width_mm)
        paint_polygons(paper, _turned(half, view, middle_mm), look)
    letter = _turned(shapely.Point(0, 0.5), view, middle_mm)
    style = Text(7, bold=True, align="centre")
    write_text(paper, "N", letter.x, letter.y - 0.36 * style.size_mm, style)
    half_mm = 0.65 * _ARROW_MM
    return Box(east_mm - half_mm, north_mm - half_mm, 2 * half_mm, 2 * half_mm)


def _turned(shape: Geometry, view: MapView, middle_mm: tuple[float, float]) -> Geometry:
    """Return a part of the arrow, drawn in its own lengths with north up, on paper."""
    large = affinity.scale(shape, _ARROW_MM, _ARROW_MM, origin=(0, 0))
    return affinity.translate(affinity.rotate(large, view.turn_deg, origin=(0, 0)), *middle_mm)


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
    paper: Paper, place: Box, items: Iterable[tuple[Look | Mark | Text, str]], *, columns: int = 1
) -> float:
    """Draw sample boxes and marks with their words, top down; return how far down it reaches, mm from the bottom.

    Parameters
    ----------
    paper : Book or Png
        To draw on.
    place : Box
        The legend's place; it begins at the top left, and its columns share the width.
    items : iterable of (Look or Mark, str)
        What is drawn, and what it means.
    columns : int
        How many items stand beside one another.
    """
    items = list(items)
    rows = math.ceil(len(items) / columns)
    for number, (sample, words) in enumerate(items):
        column, row = divmod(number, rows)
        left, down = place.west_mm + column * place.width_mm / columns, place.north_mm - 4.6 * (row + 1)
        if isinstance(sample, Look):
            paint_polygons(paper, shapely.box(left, down, left + 7, down + 3.6), sample)
        elif isinstance(sample, Mark):
            paint_mark(paper, left + 3.5, down + 1.8, sample)
        write_text(paper, words, left + 8.5, down + 0.9, _SMALL)
    return place.north_mm - 4.6 * rows


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


def _degree_line(axis: int, level: float, bounds: tuple[float, float, float, float]) -> np.ndarray:
    west, south, east, north = bounds
    spread = np.linspace(*((south, north) if axis == 0 else (west, east)), 9)
    fixed = np.full(9, level)
    return np.column_stack([fixed, spread] if axis == 0 else [spread, fixed])


def _draw_tick(book: Book, frame: Box, line_mm: np.ndarray, label: str, taken: list[np.ndarray]) -> list[np.ndarray]:
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
    east_mm, north_mm = place
    draw_line(book, [place, place + ([-1.5, 0] if upright else [0, -1.5])], _THIN)
    if upright:
        write_upright(book, label, east_mm - 2.0, north_mm - back_mm, _TICK_TEXT)
    else:
        write_text(book, label, east_mm, north_mm - 3.6, _TICK_TEXT)
