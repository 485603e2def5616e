"""How ground is drawn: patterns that stay apart in black and white, lines, boxes, marks, labels; and papers to draw on.

``Png`` and ``Svg`` are drawn on as a page is, in millimetres: for a map that is looked at on a screen.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Literal, Protocol

import numpy as np
import shapely
from PIL import Image, ImageDraw, ImageFont
from shapely import affinity
from shapely.ops import substring

from geosample.drawing.pages import Box, Pen, Text, load_typeface, text_width, write_text
from geosample.files.saving import escape_html, escape_xml
from geosample.palettes import GREYS, OKABE_ITO

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from shapely import Geometry

Hatch = Literal["none", "level", "upright", "rising", "falling", "cross", "square", "dots", "rings"]
Places = Iterable[tuple[float, float]] | Iterable[np.ndarray] | np.ndarray
_LINES_DEG: dict[str, tuple[float, ...]] = {
    "level": (0.0,),
    "upright": (90.0,),
    "rising": (45.0,),
    "falling": (135.0,),
    "cross": (45.0, 135.0),
    "square": (0.0, 90.0),
}
_RING_MM = 0.9  # radius of a ring of the pattern
_HATCH_MM, _DOT_MM = 0.15, 0.36
_DETAIL_MM = 0.03  # finer than a printer draws


class Paper(Protocol):
    """What is drawn on: a ``Book``'s page or a ``Png``. All lengths are mm from the bottom left corner."""

    def fill_rings(self, rings: Iterable[np.ndarray], colour: str, alpha: float = 1.0) -> None:
        """Fill a polygon: its outer ring and its holes, each of shape (n, 2)."""

    def stroke_lines(self, lines: Iterable[np.ndarray], pen: Pen, *, closed: bool = False) -> None:
        """Draw along lines, each of shape (n, 2)."""

    def fill_disc(self, east_mm: float, north_mm: float, radius_mm: float, fill: str | None, pen: Pen | None) -> None:
        """Draw a circle, filled, outlined or both."""

    def write(self, words: str, east_mm: float, north_mm: float, style: Text) -> None:
        """Write one line."""

    def within(self, box: Box) -> AbstractContextManager[None]:
        """Draw nothing outside a box while the block runs."""


@dataclass(frozen=True, slots=True)
class Look:
    """How an area or a line is drawn.

    Parameters
    ----------
    fill : str or None
        Colour of the ground, or None for paper white.
    fill_alpha : float
        How much of it, 0 to 1.
    hatch : str
        Pattern over it.
    hatch_mm : float
        From one line or dot of the pattern to the next, mm.
    hatch_colour, line_colour : str
        Of the pattern and the outline.
    line_mm : float
        Width of the outline, mm; 0 for none.
    dash_mm : tuple of float
        Lengths of dashes and gaps of the outline; a full line when empty.
    """

    fill: str | None = None
    fill_alpha: float = 1.0
    hatch: Hatch = "none"
    hatch_mm: float = 2.0
    hatch_colour: str = "#000000"
    line_colour: str = "#000000"
    line_mm: float = 0.25
    dash_mm: tuple[float, ...] = ()

    @property
    def pen(self) -> Pen:
        """The outline's pen."""
        return Pen(self.line_colour, self.line_mm, self.dash_mm)


SURFACE_LOOKS: dict[str, Look] = {
    "green": Look(OKABE_ITO["green"], 0.30, line_mm=0.45),
    "collar": Look(hatch="rising", hatch_mm=0.9, line_mm=0.3),
    "tee": Look(GREYS[0], hatch="square", hatch_mm=2.4, hatch_colour=GREYS[3]),
    "approach": Look(GREYS[0], hatch="falling", hatch_mm=2.4, hatch_colour=GREYS[3]),
    "fairway": Look(GREYS[0]),
    "rough": Look(line_colour=GREYS[3], dash_mm=(1.5, 1.0)),
}
OBSTACLE_LOOKS: dict[str, Look] = {
    "water": Look(OKABE_ITO["sky"], 0.35, "level", 1.2, OKABE_ITO["blue"], OKABE_ITO["blue"], 0.35),
    "bunker": Look(OKABE_ITO["yellow"], 0.25, "dots", 1.5, GREYS[4], GREYS[4]),
    "trees": Look(hatch="rings", hatch_mm=3.2, hatch_colour=GREYS[4], line_colour=GREYS[3]),
    "path": Look(GREYS[2], line_colour=GREYS[3]),
    "building": Look(GREYS[1], hatch="cross", hatch_mm=1.6, hatch_colour=GREYS[5], line_mm=0.4),
    "other": Look(hatch="upright", hatch_mm=2.0, hatch_colour=GREYS[3], line_colour=GREYS[3], dash_mm=(0.8, 0.8)),
}


@dataclass(frozen=True, slots=True)
class Mark:
    """A mark at a point: a disc or ring, with a white rim so that it shows on any ground."""

    width_mm: float = 1.8
    fill: str | None = "#000000"
    line_colour: str = "#000000"
    line_mm: float = 0.3
    rim_mm: float = 0.35


MAIN_MARK = Mark()
RESERVE_MARK = Mark(fill="#ffffff", line_mm=0.45)


def paint_polygons(paper: Paper, on_paper: Geometry, look: Look) -> None:
    """Draw areas already on paper: for a legend's boxes, or a key.

    Parameters
    ----------
    paper : Book or Png
        To draw on.
    on_paper : Geometry
        The areas, mm from the page's bottom left.
    look : Look
        Fill, hatch and outline.
    """
    for polygon in shapely.get_parts(shapely.simplify(on_paper, _DETAIL_MM)):
        if polygon.geom_type != "Polygon" or polygon.is_empty:
            continue
        rings = [shapely.get_coordinates(ring) for ring in (polygon.exterior, *polygon.interiors)]
        if look.fill is not None:
            paper.fill_rings(rings, look.fill, look.fill_alpha)
        if look.hatch != "none":
            _paint_hatch(paper, polygon, look)
        if look.line_mm > 0:
            paper.stroke_lines(rings, look.pen, closed=True)


def paint_lines(paper: Paper, on_paper: Iterable[Geometry], pen: Pen) -> None:
    """Draw lines already on paper.

    Parameters
    ----------
    paper : Book or Png
        To draw on.
    on_paper : iterable of Geometry
        The lines, mm from the page's bottom left.
    pen : Pen
        Colour, width and dashes.
    """
    parts = shapely.get_parts(shapely.simplify(np.asarray(list(on_paper), dtype=object), _DETAIL_MM))
    lines = [shapely.get_coordinates(part) for part in parts if not part.is_empty]
    if lines:
        paper.stroke_lines(lines, pen)


def paint_mark(paper: Paper, east_mm: float, north_mm: float, mark: Mark = MAIN_MARK) -> None:
    """Draw one mark at a place on paper, mm.

    Parameters
    ----------
    paper : Book or Png
        To draw on.
    east_mm, north_mm : float
        Its middle, mm from the page's bottom left.
    mark : Mark
        Shape, size and colour of the mark.
    """
    paper.fill_disc(east_mm, north_mm, mark.width_mm / 2 + mark.rim_mm, "#ffffff", None)
    paper.fill_disc(east_mm, north_mm, mark.width_mm / 2, mark.fill, Pen(mark.line_colour, mark.line_mm))


def draw_line(paper: Paper, places: Places, pen: Pen) -> None:
    """Draw a line along places on the page.

    Parameters
    ----------
    paper : Book or Png
        To draw on.
    places : iterable of pairs, or ndarray, shape (n, 2)
        Two or more, mm from the page's bottom left.
    pen : Pen
        Colour, width and dashes.
    """
    paper.stroke_lines([np.asarray(list(places), dtype=float)], pen)


def draw_box(paper: Paper, place: Box, pen: Pen | None, *, fill: str | None = None) -> None:
    """Draw a box on the page.

    Parameters
    ----------
    paper : Book or Png
        To draw on.
    place : Box
        Where, mm.
    pen : Pen or None
        Of its outline; None for no outline.
    fill : str, optional
        Colour within; none when left out.
    """
    corners = shapely.box(place.west_mm, place.south_mm, place.east_mm, place.north_mm)
    ring = shapely.get_coordinates(corners)
    if fill is not None:
        paper.fill_rings([ring], fill)
    if pen is not None:
        paper.stroke_lines([ring], pen, closed=True)


def draw_border(paper: Paper, place: Box, *, line_mm: float = 0.3) -> None:
    """Draw a box's own line.

    Parameters
    ----------
    paper : Book or Png
        To draw on.
    place : Box
        Its place on the paper, mm.
    line_mm : float
        Width of the line, mm.
    """
    draw_box(paper, place, Pen(width_mm=line_mm))


def clear_area(paper: Paper, place: Box) -> None:
    """Paint a box white, so that what is written there can be read."""
    draw_box(paper, place, None, fill="#ffffff")


def _paint_hatch(paper: Paper, polygon: Geometry, look: Look) -> None:
    """Draw a pattern over a polygon; it lies on one lattice of the page, so that neighbours match."""
    if look.hatch == "dots":  # a stroke of next to no length with round ends: a tenth of a circle's bytes
        places = _places_in(polygon, look.hatch_mm)
        dots = np.stack([places, places + np.array([0.001, 0.0])], axis=1)
        paper.stroke_lines(dots, Pen(look.hatch_colour, _DOT_MM, round_ends=True))
        return
    if look.hatch == "rings":
        drawn = shapely.boundary(
            shapely.buffer(shapely.points(_places_in(polygon, look.hatch_mm)), _RING_MM, quad_segs=4)
        )
    else:
        drawn = np.array([_lines_over(polygon, angle, look.hatch_mm) for angle in _LINES_DEG[look.hatch]])
    inside = shapely.get_parts(shapely.intersection(drawn, polygon))
    paint_lines(paper, inside[shapely.get_dimensions(inside) == 1], Pen(look.hatch_colour, _HATCH_MM))


def _lines_over(polygon: Geometry, angle_deg: float, step_mm: float) -> Geometry:
    """Return parallel lines over a polygon's bounds."""
    west, south, east, north = shapely.bounds(affinity.rotate(polygon, -angle_deg, origin=(0, 0)))
    levels = np.arange(math.floor(south / step_mm), math.ceil(north / step_mm) + 1) * step_mm
    lines = shapely.multilinestrings([[(west, level), (east, level)] for level in levels])
    return affinity.rotate(lines, angle_deg, origin=(0, 0))


def _places_in(polygon: Geometry, step_mm: float) -> np.ndarray:
    """Return the places of the lattice that lie in a polygon, shape (n, 2)."""
    west, south, east, north = shapely.bounds(polygon)
    columns = np.arange(math.floor(west / step_mm), math.ceil(east / step_mm) + 1)
    rows = np.arange(math.floor(south / step_mm), math.ceil(north / step_mm) + 1)
    column, row = (grid.ravel() for grid in np.meshgrid(columns, rows))
    places = np.column_stack([(column + 0.5 * (row % 2)) * step_mm, row * step_mm])
    shapely.prepare(polygon)
    return np.asarray(places[shapely.contains_xy(polygon, places[:, 0], places[:, 1])])


LABEL = Text(7, bold=True)
_PAD_MM = 0.5
_CROWD_MM = 15.0  # points this near compete for the same paper
_BESIDE = 0.4  # sine of the angle under which a label stands beside its point rather than above or below
_REACHES_MM = (1.0, 2.5, 4.5, 7.0, 10.0, 14.0, 19.0, 25.0, 32.0, 40.0)
_ANGLES = np.radians([20, -20, 160, -160, 60, -60, 120, -120, 0, 180, 90, -90])
_WAYS = np.column_stack([np.cos(_ANGLES), np.sin(_ANGLES)])


_MARK_MM = 2.5  # width of the marks that labels must not touch
_STEPS = 12  # a leading line is tested at so many places


def place_labels(
    points_mm: NDArray[np.float64],
    sizes_mm: NDArray[np.float64],
    frame: Box,
    *,
    keep_clear: Sequence[Box] = (),
    not_one_less: bool = False,
) -> NDArray[np.float64]:
    """Return where each label's box goes, its bottom left corner in mm, shape (n, 2); nan where there is no room.

    Parameters
    ----------
    points_mm, sizes_mm : array, shape (n, 2)
        Places of the points, and width and height of their labels, mm.
    frame : Box
        Labels stay inside it; a point outside it gets none.
    keep_clear : sequence of Box
        Where no label may lie (a scale bar, a north arrow).
    not_one_less : bool
        Give up at the first label without room: all are nan then.

    Notes
    -----
    Each point in turn, the most crowded first, takes the nearest free place of twelve directions at growing reach.
    """
    half, first = _MARK_MM / 2, len(points_mm) + len(keep_clear)
    marks = np.hstack([points_mm - half, points_mm + half])
    taken = np.vstack([marks, *(_box_of(box) for box in keep_clear), np.full_like(marks, np.nan)])
    leads = np.full((len(points_mm), _STEPS, 2), np.nan)
    corners = np.full((len(points_mm), 2), np.nan)
    for done, number in enumerate(_crowded_first(points_mm)):
        place, drawn, lines = points_mm[number], taken[: first + done], leads[:done].reshape(-1, 2)
        # Marks that overlap the point's own can't be avoided by its line; all others are.
        others = drawn[~_touching(marks[[number]], drawn)[0]]
        boxes = _boxes(place, sizes_mm[number], half)
        boxes = boxes[_inside(boxes, frame) & _inside(np.tile(place, (1, 2)), frame)]
        for near in np.array_split(boxes, range(len(_WAYS), len(boxes), len(_WAYS))):
            free = near[~_touching(near, drawn).any(axis=1)]
            free = free[~_within(lines, free).any(axis=1)]
            own = _along(place, np.clip(place, free[:, :2], free[:, 2:]))
            crossed = _within(own.reshape(-1, 2), others).any(axis=0).reshape(-1, _STEPS).any(axis=1)
            if not crossed.all():
                best = int(np.argmin(crossed))
                corners[number], taken[first + done], leads[done] = free[best, :2], free[best], own[best]
                break
        if not_one_less and np.isnan(corners[number, 0]):
            return np.full_like(corners, np.nan)
    return corners


def draw_labels(
    paper: Paper,
    points_mm: NDArray[np.float64],
    texts: Sequence[str],
    frame: Box,
    *,
    keep_clear: Sequence[Box] = (),
    style: Text | Sequence[Text] = LABEL,
) -> list[str]:
    """Write a label beside each point, a thin line leading to those set apart; return the texts that found no room.

    Parameters
    ----------
    paper : Book or Png
        To draw on.
    points_mm : array, shape (n, 2)
        Places on paper, mm.
    texts : sequence of str
        A label a place.
    frame : Box
        Labels stay inside it.
    keep_clear : sequence of Box
        Paper no label may cover.
    style : Text, or a sequence of one a label
        How the labels are set.
    """
    styles = [style] * len(texts) if isinstance(style, Text) else style
    sizes = _label_sizes(texts, styles)
    corners = place_labels(np.asarray(points_mm, dtype=float), sizes, frame, keep_clear=keep_clear)
    for place, corner, size, text, one in zip(points_mm, corners, sizes, texts, styles, strict=True):
        if np.isfinite(corner).all():
            _draw_label(paper, place, Box(*corner, *size), text, one)
    return [text for text, corner in zip(texts, corners, strict=True) if np.isnan(corner).any()]


def labels_fit(
    points_mm: NDArray[np.float64],
    texts: Sequence[str],
    frame: Box,
    *,
    style: Text = LABEL,
) -> bool:
    """Return whether every label finds room beside its point, as ``draw_labels`` would set them.

    Parameters
    ----------
    points_mm : array, shape (n, 2)
        Places on paper, mm.
    texts : sequence of str
        A label a place.
    frame : Box
        Labels stay inside it.
    style : Text
        How the labels are set.
    """
    sizes = _label_sizes(texts, [style] * len(texts))
    return not np.isnan(place_labels(points_mm, sizes, frame, not_one_less=True)).any()


def _label_sizes(texts: Sequence[str], styles: Sequence[Text]) -> NDArray[np.float64]:
    """Return each label's width and height on paper, mm, shape (n, 2)."""
    sizes = [(text_width(text, one), one.size_mm * 0.78) for text, one in zip(texts, styles, strict=True)]
    return np.array(sizes).reshape(-1, 2) + 2 * _PAD_MM


def nearest_on_box(box: NDArray[np.float64], place: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the place of a box (west, south, east, north) nearest to another place.

    Examples
    --------
    >>> nearest_on_box(np.array([0.0, 0, 2, 1]), np.array([5.0, 0.5])).tolist()
    [2.0, 0.5]
    """
    return np.clip(place, box[:2], box[2:])


def _draw_label(paper: Paper, place: NDArray[np.float64], box: Box, text: str, style: Text) -> None:
    end = nearest_on_box(_box_of(box), place)
    if np.hypot(*(end - place)) > _REACHES_MM[1]:
        draw_line(paper, [place, end], Pen(width_mm=0.15))
    clear_area(paper, box.inset(0.15))
    write_text(paper, text, box.west_mm + _PAD_MM, box.south_mm + _PAD_MM + 0.05 * style.size_mm, style)


def _box_of(frame: Box) -> NDArray[np.float64]:
    return np.array([frame.west_mm, frame.south_mm, frame.east_mm, frame.north_mm])


def _crowded_first(points_mm: NDArray[np.float64]) -> NDArray[np.intp]:
    if len(points_mm) == 0:
        return np.zeros(0, dtype=np.intp)
    apart = np.hypot(*(points_mm[:, None, :] - points_mm[None, :, :]).transpose(2, 0, 1))
    return np.argsort(-(apart < _CROWD_MM).sum(axis=1), kind="stable")


def _boxes(place: NDArray[np.float64], size: NDArray[np.float64], half: float) -> NDArray[np.float64]:
    """Return candidate boxes round a place, nearest first: the box's near side touches the reach."""
    reach = np.repeat(half + np.array(_REACHES_MM), len(_WAYS))[:, None]
    times = (len(_REACHES_MM), 1)
    corners = place + reach * np.tile(_WAYS, times) + np.tile(_box_shifts(_WAYS), times) * size
    return np.hstack([corners, corners + size])


def _box_shifts(ways: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how far a box is moved, in its own widths and heights, to stand on the far side of its corner."""
    shifts = np.where(np.isclose(ways, 0), -0.5, np.where(ways > 0, 0.0, -1.0))
    shifts[np.abs(ways[:, 1]) < _BESIDE, 1] = -0.5
    return shifts


def _inside(boxes: NDArray[np.float64], frame: Box) -> NDArray[np.bool_]:
    low, high = np.split(_box_of(frame), 2)
    return np.asarray((boxes[:, :2] >= low).all(axis=1) & (boxes[:, 2:] <= high).all(axis=1))


def _touching(boxes: NDArray[np.float64], others: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Return which boxes touch which others, shape (boxes, others); one of nan touches none."""
    near = (others[None, :, :2] <= boxes[:, None, 2:]) & (others[None, :, 2:] >= boxes[:, None, :2])
    return np.asarray(near.all(axis=2))


def _within(places: NDArray[np.float64], boxes: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Return which boxes hold which places, shape (boxes, places)."""
    return _touching(boxes, np.hstack([places, places]))


def _along(start: NDArray[np.float64], ends: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return steps along the lines from one place to others, shape (n, steps, 2)."""
    return np.asarray(start + np.linspace(0.0, 1.0, _STEPS)[None, :, None] * (ends - start)[:, None, :])


_PX_PER_MM = 10.0
_SMOOTH = 2  # drawn this much larger and shrunk, so that edges are smooth
_ANCHORS = {"left": "ls", "centre": "ms", "right": "rs"}
_OPAQUE = 255


class Png:
    """A picture being drawn, white at first, ten pixels to a millimetre.

    Parameters
    ----------
    width_mm, height_mm : float
        Its size, mm.
    """

    def __init__(self, width_mm: float, height_mm: float) -> None:
        self.inside = Box(0, 0, width_mm, height_mm)
        self._px = _PX_PER_MM * _SMOOTH
        self._image = Image.new("RGB", (round(width_mm * self._px), round(height_mm * self._px)), "white")
        self._draw = ImageDraw.Draw(self._image)

    def fill_rings(self, rings: Iterable[np.ndarray], colour: str, alpha: float = 1.0) -> None:
        """Fill a polygon: its outer ring and its holes, each of shape (n, 2), mm."""
        outer, *holes = [self._pixels(ring) for ring in rings]
        west, north = np.floor(outer.min(axis=0)).astype(int)
        east, south = np.ceil(outer.max(axis=0)).astype(int) + 1
        mask = Image.new("L", (int(east - west), int(south - north)), 0)
        pen = ImageDraw.Draw(mask)
        for ring, ink in ((outer, round(alpha * _OPAQUE)), *((hole, 0) for hole in holes)):
            pen.polygon(_pairs(ring - [west, north]), fill=ink)
        self._image.paste(colour, (int(west), int(north)), mask)

    def stroke_lines(self, lines: Iterable[np.ndarray], pen: Pen, *, closed: bool = False) -> None:
        """Draw along lines, each of shape (n, 2), mm, with a pen."""
        width = max(1, round(pen.width_mm * self._px))
        for line in lines:
            corners = np.vstack([line, line[:1]]) if closed else line
            for part in _dashes(corners, pen.dash_mm) if pen.dash_mm else [corners]:
                self._draw.line(_pairs(self._pixels(part)), fill=pen.colour, width=width, joint="curve")

    def fill_disc(self, east_mm: float, north_mm: float, radius_mm: float, fill: str | None, pen: Pen | None) -> None:
        """Draw a circle, filled, outlined or both."""
        ((east, south),) = self._pixels(np.array([[east_mm, north_mm]]))
        reach = radius_mm * self._px
        self._draw.ellipse(
            (east - reach, south - reach, east + reach, south + reach),
            fill=fill,
            outline=pen.colour if pen else None,
            width=max(1, round(pen.width_mm * self._px)) if pen else 0,
        )

    def write(self, words: str, east_mm: float, north_mm: float, style: Text) -> None:
        """Write one line, its left end, middle or right end at a place."""
        ((east, south),) = self._pixels(np.array([[east_mm, north_mm]]))
        font = _font(style.font, style.size_mm * self._px)
        self._draw.text((east, south), words, fill=style.colour, font=font, anchor=_ANCHORS[style.align])

    @contextmanager
    def within(self, box: Box) -> Iterator[None]:
        """Draw nothing outside the box while the block runs."""
        corners = self._pixels(np.array([[box.west_mm, box.north_mm], [box.east_mm, box.south_mm]]))
        west, north, east, south = np.clip(corners.round().astype(int).ravel(), 0, [*self._image.size] * 2).tolist()
        width, height = self._image.size
        strips = ((0, 0, width, north), (0, south, width, height), (0, north, west, south), (east, north, width, south))
        outside = [(self._image.crop(strip), strip[:2]) for strip in strips]
        try:
            yield
        finally:
            for before, place in outside:
                self._image.paste(before, place)

    def to_bytes(self) -> bytes:
        """Return the picture as a PNG file's bytes."""
        size = (self._image.width // _SMOOTH, self._image.height // _SMOOTH)
        file = io.BytesIO()
        self._image.resize(size, Image.Resampling.LANCZOS).save(file, format="PNG")
        return file.getvalue()

    def _pixels(self, places: np.ndarray) -> np.ndarray:
        """Return places, mm from the bottom left, in pixels from the top left."""
        return np.column_stack([places[:, 0], self.inside.height_mm - places[:, 1]]) * self._px


class Svg:
    """A picture in lines (SVG 1.1, W3C 2011), sharp at any size and small, to stand inside a page.

    It has no style and no name of its own, so that a page's policy lets it pass and many stand in one page.

    Parameters
    ----------
    width_mm, height_mm : float
        Its size, mm.
    """

    def __init__(self, width_mm: float, height_mm: float) -> None:
        self.inside = Box(0, 0, width_mm, height_mm)
        self._parts: list[str] = []

    def fill_rings(self, rings: Iterable[np.ndarray], colour: str, alpha: float = 1.0) -> None:
        """Fill a polygon: its outer ring and its holes, each of shape (n, 2), mm."""
        see = f' fill-opacity="{alpha:g}"' if alpha < 1 else ""
        self._parts.append(f'<path d="{self._path(rings, closed=True)}" fill="{colour}"{see} fill-rule="evenodd"/>')

    def stroke_lines(self, lines: Iterable[np.ndarray], pen: Pen, *, closed: bool = False) -> None:
        """Draw along lines, each of shape (n, 2), mm, with a pen."""
        drawn = self._path(lines, closed=closed)
        self._parts.append(f'<path d="{drawn}" fill="none" {_svg_pen(pen)}/>')

    def fill_disc(self, east_mm: float, north_mm: float, radius_mm: float, fill: str | None, pen: Pen | None) -> None:
        """Draw a circle, filled, outlined or both."""
        place = f'cx="{east_mm:.2f}" cy="{self.inside.height_mm - north_mm:.2f}" r="{radius_mm:.2f}"'
        self._parts.append(f'<circle {place} fill="{fill or "none"}" {_svg_pen(pen) if pen else ""}/>')

    def write(self, words: str, east_mm: float, north_mm: float, style: Text) -> None:
        """Write one line, its left end, middle or right end at a place."""
        place = f'x="{east_mm:.2f}" y="{self.inside.height_mm - north_mm:.2f}" font-size="{style.size_mm:.2f}"'
        bold = ' font-weight="700"' if style.bold else ""
        look = f'text-anchor="{_SVG_ANCHORS[style.align]}" fill="{style.colour}"{bold}'
        self._parts.append(f"<text {place} {look}>{escape_html(escape_xml(words))}</text>")

    @contextmanager
    def within(self, box: Box) -> Iterator[None]:
        """Draw nothing outside the box while the block runs: an inner picture ends at its edges."""
        place = f"{box.west_mm:.2f} {self.inside.height_mm - box.north_mm:.2f} {box.width_mm:.2f} {box.height_mm:.2f}"
        west, north, width, height = place.split()
        self._parts.append(f'<svg x="{west}" y="{north}" width="{width}" height="{height}" viewBox="{place}">')
        try:
            yield
        finally:
            self._parts.append("</svg>")

    def to_text(self) -> str:
        """Return the picture as an element of a page."""
        size = f"0 0 {self.inside.width_mm:g} {self.inside.height_mm:g}"
        return f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{size}">{"".join(self._parts)}</svg>'

    def _path(self, lines: Iterable[np.ndarray], *, closed: bool) -> str:
        ends = "z" if closed else ""
        high_mm = self.inside.height_mm
        return "".join(
            "M" + "L".join(f"{east:.2f} {high_mm - north:.2f}" for east, north in line.tolist()) + ends
            for line in lines
        )


_SVG_ANCHORS = {"left": "start", "centre": "middle", "right": "end"}


def _svg_pen(pen: Pen) -> str:
    dashes = f' stroke-dasharray="{" ".join(f"{part:g}" for part in pen.dash_mm)}"' if pen.dash_mm else ""
    ends = ' stroke-linecap="round"' if pen.round_ends else ""
    return f'stroke="{pen.colour}" stroke-width="{pen.width_mm:.2f}"{dashes}{ends}'


def _pairs(places: np.ndarray) -> list[tuple[float, float]]:
    return [(east, south) for east, south in places.tolist()]


def _dashes(corners: np.ndarray, dash_mm: tuple[float, ...]) -> Iterator[np.ndarray]:
    """Return the dashes along a line, as PDF counts them: dash, gap, dash, gap."""
    line: Geometry = shapely.LineString(corners)
    start, turn = 0.0, 0
    while start < line.length:
        end = start + dash_mm[turn % len(dash_mm)]
        if turn % 2 == 0:
            yield shapely.get_coordinates(substring(line, start, end))
        start, turn = end, turn + 1


@cache
def _font(name: str, size_px: float) -> ImageFont.FreeTypeFont:
    return ImageFont.truetype(load_typeface()[name], size_px)
