"""A picture to draw on as on a page, in millimetres, as PNG or SVG: for a map that is looked at on a screen."""

from __future__ import annotations

import io
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import shapely
from PIL import Image, ImageDraw, ImageFont
from shapely.ops import substring

from geosample.drawing.pages import Box, Pen, Text, load_typeface
from geosample.files.saving import escape_html, escape_xml

if TYPE_CHECKING:
    from shapely import Geometry

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
