"""A map on paper or in pixels: where the ground lies on the sheet, and the one drawing of it at a true scale."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import shapely
from shapely import affinity

from geosample.drawing.pages import POINT_MM, Book, Box, Pen, Text, text_width, write_text
from geosample.drawing.pens import (
    LABEL,
    OBSTACLE_LOOKS,
    SURFACE_LOOKS,
    Look,
    Mark,
    Paper,
    clear_area,
    draw_border,
    draw_box,
    draw_labels,
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
    from shapely import Geometry


_SMALL = Text(7)
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


CHECK_BARS: dict[Units, tuple[float, str]] = {"us": (50.8, "2 in"), "metric": (50.0, "50 mm")}
_THIN = Pen(width_mm=0.5 * POINT_MM)
_ROUND = (1, 2, 5)
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


def draw_view(  # noqa: PLR0913 - what a page's maker may place by itself
    paper: Paper,
    view: MapView,
    ground: Sequence[MapLayer],
    layers: Sequence[MapLayer] = (),
    *,
    units: Units = "us",
    scale_at: tuple[float, float] | None = None,
    north_at: tuple[float, float] | None = None,
    arrow_mm: float = 12.0,
    letters: Text = _SMALL,
    legend: Box | None = None,
    legend_columns: int = 3,
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
    scale_at, north_at : tuple of float, optional
        The scale bar's bottom left corner and the north arrow's middle, mm; in the frame's corners when left out.
    arrow_mm : float
        Length of the arrow, mm.
    letters : Text
        How the words of the scale bar, the arrow and the legend are set.
    legend : Box, optional
        Place of the legend; none when left out.
    legend_columns : int
        How many items of the legend stand beside one another.
    """
    frame = view.frame
    shown = [layer for layer in (*ground, *layers) if _draw_layer(paper, view, layer)]
    draw_border(paper, frame)
    west_mm, south_mm = scale_at or (frame.west_mm + 4, frame.south_mm + 4)
    most_mm = min(45.0, frame.east_mm - west_mm - 40.0) if scale_at else 45.0  # the arrow may stand beside it
    clear = [
        draw_scale_bar(paper, view, west_mm, south_mm, units=units, most_mm=most_mm, letters=letters),
        draw_north_arrow(
            *(paper, view, north_at or (frame.east_mm - 9, frame.north_mm - 10)), size_mm=arrow_mm, letters=letters
        ),
        *(box for layer in layers for _, _, box in _words_of(view, layer)),
    ]
    if legend is not None:
        under = [layer for layer in reversed(ground) if layer in shown]
        items = [(one.look, one.words) for one in [*(one for one in layers if one in shown), *under] if one.words]
        draw_legend(paper, legend, items, columns=legend_columns, letters=letters)
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


def draw_scale_bar(  # noqa: PLR0913 - what a page's maker may place by itself
    paper: Paper,
    view: MapView,
    west_mm: float,
    south_mm: float,
    *,
    units: Units = "us",
    most_mm: float = 45.0,
    letters: Text = _SMALL,
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
    letters : Text
        How its words are set.
    """
    unit_m, name = (FOOT_M, "ft") if units == "us" else (1.0, "m")
    length = round_below(most_mm / view.mm_per_m / unit_m)
    width_mm = length * unit_m * view.mm_per_m
    bold = replace(letters, size_pt=max(8.0, letters.size_pt), bold=True)
    scale = f"1:{view.scale:,}" if isinstance(paper, Book) else ""  # on a screen there is none
    taken = Box(west_mm - 2, south_mm - 1, width_mm + 12 + text_width(scale, bold), 4.5 + letters.size_mm)
    clear_area(paper, taken)  # it may lie on the map
    for part in range(4):
        place = Box(west_mm + part * width_mm / 4, south_mm, width_mm / 4, 1.6)
        draw_box(paper, place, _THIN, fill="#000000" if part % 2 == 0 else "#ffffff")
    for share in (0.0, 0.5, 1.0):
        label = f"{length * share:,.4g}" + (f" {name}" if share == 1 else "")
        write_text(paper, label, west_mm + share * width_mm, south_mm + 2.4, replace(letters, align="centre"))
    write_text(paper, scale, west_mm + width_mm + 8, south_mm, bold)
    return taken


def draw_check_bar(
    paper: Paper, west_mm: float, south_mm: float, letters: Text = _SMALL, *, units: Units = "metric"
) -> Box:
    """Draw a bar of 2 in or 50 mm that says so, to see whether the printer kept the scale; return the paper it takes.

    Parameters
    ----------
    paper : Book or Png
        To draw on.
    west_mm, south_mm : float
        The bar's left end, mm from the page's bottom left.
    letters : Text
        How its words are set.
    units : {"us", "metric"}
        Whose rule it is held against.
    """
    long_mm, told = CHECK_BARS[units]
    east_mm, level = west_mm + long_mm, south_mm + 0.8
    draw_line(paper, [(west_mm, level), (east_mm, level)], Pen(width_mm=0.3))
    for end_mm in (west_mm, east_mm):
        draw_line(paper, [(end_mm, south_mm - 0.4), (end_mm, south_mm + 2)], Pen(width_mm=0.3))
    words = f"This bar is {told} long: print at 100 %, do not fit to page"
    write_text(paper, words, west_mm, south_mm - 0.7 - letters.size_mm, letters)
    return Box(west_mm - 1, south_mm - 4, max(long_mm, text_width(words, letters)) + 2, 7)


def draw_north_arrow(
    paper: Paper, view: MapView, middle_mm: tuple[float, float], *, size_mm: float = 12.0, letters: Text = _SMALL
) -> Box:
    """Draw an arrow to grid north as the view is turned; return the paper it takes.

    Parameters
    ----------
    paper : Book or Png
        To draw on.
    view : MapView
        Which ground lies where on the page, and at which scale.
    middle_mm : tuple of float
        The arrow's middle, mm from the page's bottom left.
    size_mm : float
        Its length, mm.
    letters : Text
        How its letter is set.
    """
    east_mm, north_mm = middle_mm
    paper.fill_disc(east_mm, north_mm, 0.6 * size_mm, "#ffffff", None)
    for side in (-1, 1):
        half = shapely.Polygon([(0, 0.36), (side * 0.18, -0.45), (0, -0.25)])
        look = Look("#000000" if side > 0 else "#ffffff", line_mm=_THIN.width_mm)
        paint_polygons(paper, _turned(half, view, middle_mm, size_mm), look)
    letter = _turned(shapely.Point(0, 0.5), view, middle_mm, size_mm)
    style = replace(letters, bold=True, align="centre")
    write_text(paper, "N", letter.x, letter.y - 0.36 * style.size_mm, style)
    half_mm = 0.65 * size_mm
    return Box(east_mm - half_mm, north_mm - half_mm, 2 * half_mm, 2 * half_mm)


def _turned(shape: Geometry, view: MapView, middle_mm: tuple[float, float], size_mm: float) -> Geometry:
    """Return a part of the arrow, drawn in its own lengths with north up, on paper."""
    large = affinity.scale(shape, size_mm, size_mm, origin=(0, 0))
    return affinity.translate(affinity.rotate(large, view.turn_deg, origin=(0, 0)), *middle_mm)


def draw_legend(
    paper: Paper,
    place: Box,
    items: Iterable[tuple[Look | Mark | Text, str]],
    *,
    columns: int = 1,
    letters: Text = _SMALL,
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
    letters : Text
        How their words are set.
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
        write_text(paper, words, left + 8.5, down + 0.9, letters)
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
