"""A look at the ground: one picture of what was understood, kind by kind, with hole numbers and a scale."""

from __future__ import annotations

import io
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import shapely

from geosample.errors import GroundError, Problem
from geosample.palettes import GREENS, GREYS, OKABE_ITO, VIRIDIS
from geosample.saving import save_file
from geosample.units import YARD_M

if TYPE_CHECKING:
    import geopandas as gpd
    from PIL.ImageDraw import ImageDraw
    from PIL.ImageFont import FreeTypeFont, ImageFont
    from shapely import Geometry

    from geosample.ground.model import Ground

_FILLS = {
    "rough": GREENS[1],
    "fairway": GREENS[3],
    "approach": VIRIDIS[8],
    "tee": OKABE_ITO["purple"],
    "collar": OKABE_ITO["orange"],
    "green": OKABE_ITO["green"],
    "water": OKABE_ITO["sky"],
    "bunker": OKABE_ITO["yellow"],
    "path": GREYS[2],
    "building": GREYS[4],
    "other": GREYS[3],
    "trees": GREENS[8],
}
"""Okabe-Ito, ColorBrewer Greens and Greys, viridis; drawn in this order."""
_LINE_PX = {_FILLS["trees"]: 2}  # long lines of trees must not hide the turf they run beside
_LEFT_OUT = OKABE_ITO["vermilion"]
_LONGEST_LABEL, _SMALL_PX = 24, 120
_LANDMARK = "landmark"
_NOT_USED = "left out or not known"
_WIDEST_PX, _MARGIN_PX, _FOOT_PX = 2400, 60, 190
_SMOOTH = 2  # drawn this much larger and shrunk, so that edges are smooth
_BARS_M = (20, 50, 100, 200, 500, 1000, 2000)


@dataclass(frozen=True, slots=True)
class _Sheet:
    """Where metres fall on the picture."""

    west: float
    north: float
    px_per_m: float

    def places(self, coordinates: np.ndarray) -> list[tuple[float, float]]:
        east, south = coordinates[:, 0] - self.west, self.north - coordinates[:, 1]
        margin = _MARGIN_PX * _SMOOTH
        return list(zip(east * self.px_per_m + margin, south * self.px_per_m + margin, strict=True))


def draw_ground(ground: Ground, path: Path) -> None:
    """Write a PNG of the ground, north up.

    Parameters
    ----------
    ground : Ground
        As read.
    path : Path
        The picture; an existing one is replaced.

    Raises
    ------
    GroundError
        When the name does not end in ``.png`` or the folder can't be written.
    """
    from PIL import Image, ImageDraw

    if path.suffix.lower() != ".png":
        raise GroundError(Problem("--picture", f"the ending '{path.suffix}'", ".png", "name it such as course.png"))
    sheet, size = _fit(ground)
    image = Image.new("RGB", size, "white")
    pen = ImageDraw.Draw(image)
    for kind, colour in _FILLS.items():
        for frame in (ground.surfaces, ground.obstacles):
            _draw_kind(pen, sheet, frame.geometry[frame["kind"] == kind], colour)
    if ground.left_out is not None:
        _draw_left_out(pen, sheet, ground.left_out)
    if ground.landmarks is not None:
        _draw_points(pen, sheet, ground.landmarks.geometry, OKABE_ITO["black"])
    _write_holes(pen, sheet, ground.surfaces)
    _draw_foot(pen, sheet, ground, size)
    small, picture = image.resize((size[0] // _SMOOTH, size[1] // _SMOOTH), Image.Resampling.LANCZOS), io.BytesIO()
    small.save(picture, format="PNG")
    save_file(path, picture.getvalue(), GroundError)


def _fit(ground: Ground) -> tuple[_Sheet, tuple[int, int]]:
    shapes = [*ground.surfaces.geometry, *ground.obstacles.geometry]
    if ground.left_out is not None:
        shapes += list(ground.left_out.geometry)
    west, south, east, north = shapely.total_bounds(shapes)
    wide, high = max(east - west, 1.0), max(north - south, 1.0)
    px_per_m = _SMOOTH * (_WIDEST_PX - 2 * _MARGIN_PX) / max(wide, high, 40.0)
    margins = 2 * _MARGIN_PX * _SMOOTH
    width = max(int(wide * px_per_m) + margins, 1100 * _SMOOTH)
    return _Sheet(west, north, px_per_m), (width, int(high * px_per_m) + margins + _FOOT_PX * _SMOOTH)


def _draw_kind(pen: ImageDraw, sheet: _Sheet, shapes: Iterable[Geometry], colour: str) -> None:
    parts = shapely.get_parts(shapely.get_parts(list(shapes)))
    for part in parts:
        if part.geom_type == "Polygon":
            _draw_polygon(pen, sheet, part, colour)
        elif part.geom_type == "LineString":
            pen.line(sheet.places(shapely.get_coordinates(part)), fill=colour, width=_LINE_PX.get(colour, 4) * _SMOOTH)
    _draw_points(pen, sheet, [part for part in parts if part.geom_type == "Point"], colour)


def _draw_polygon(pen: ImageDraw, sheet: _Sheet, polygon: Geometry, colour: str) -> None:
    """Fill a polygon; its holes are bridged into one ring, so that what lies in them stays as it was."""
    solid = shapely.get_parts(shapely.constrained_delaunay_triangles(polygon)) if polygon.interiors else [polygon]
    for piece in solid:
        pen.polygon(sheet.places(shapely.get_coordinates(piece.exterior)), fill=colour)
    for ring in (polygon.exterior, *polygon.interiors):
        pen.line(sheet.places(shapely.get_coordinates(ring)), fill=GREYS[5], width=_SMOOTH)


def _draw_points(pen: ImageDraw, sheet: _Sheet, shapes: Iterable[Geometry], colour: str) -> None:
    for east, south in sheet.places(shapely.get_coordinates(shapely.centroid(list(shapes)))):
        reach = 3 * _SMOOTH
        pen.ellipse((east - reach, south - reach, east + reach, south + reach), fill=colour)


def _draw_left_out(pen: ImageDraw, sheet: _Sheet, left_out: gpd.GeoDataFrame) -> None:
    """Draw the outlines of what was left out or is not known, each label once at its largest shape."""
    reach = left_out.area + left_out.length
    for shape in shapely.get_parts(left_out.geometry.to_numpy()):
        rings = [shape.exterior] if shape.geom_type == "Polygon" else [shape]
        for ring in rings:
            pen.line(sheet.places(shapely.get_coordinates(ring)), fill=_LEFT_OUT, width=2 * _SMOOTH)
    _draw_points(pen, sheet, left_out.geometry[left_out.geom_type == "Point"], _LEFT_OUT)
    for row in reach.groupby(left_out["label"]).idxmax():
        _, south, east, north = shapely.bounds(left_out.geometry[row])
        inside = shapely.get_coordinates(shapely.point_on_surface(left_out.geometry[row]))
        small = (east - inside[0, 0]) * sheet.px_per_m < _SMALL_PX * _SMOOTH  # write beside what the word would hide
        place = sheet.places(np.array([[east + 4, (south + north) / 2]]) if small else inside)[0]
        text = str(left_out["label"][row])[:_LONGEST_LABEL]
        pen.text(
            place,
            text,
            fill=_LEFT_OUT,
            font=_font(22),
            anchor="lm" if small else "mm",
            stroke_width=5,
            stroke_fill="white",
        )


def _font(size: int) -> FreeTypeFont | ImageFont:
    from PIL import ImageFont

    return ImageFont.load_default(size * _SMOOTH)


def _write_holes(pen: ImageDraw, sheet: _Sheet, surfaces: gpd.GeoDataFrame) -> None:
    """Write each hole's number beside its green, or its largest surface where it has none."""
    for hole, group in surfaces.groupby("hole"):
        greens = group[group["kind"] == "green"]
        shape = (greens if len(greens) else group).geometry.iloc[0]
        _, south, east, north = shapely.bounds(shape)
        place = sheet.places(np.array([[east + 4, (south + north) / 2]]))[0]
        pen.text(place, str(hole), fill="black", font=_font(30), anchor="lm", stroke_width=5, stroke_fill="white")


def _draw_foot(pen: ImageDraw, sheet: _Sheet, ground: Ground, size: tuple[int, int]) -> None:
    """Draw the legend with counts, a scale bar, and which way is north."""
    top = size[1] - _FOOT_PX * _SMOOTH
    step, east = 40 * _SMOOTH, _MARGIN_PX * _SMOOTH
    kinds = [*ground.surfaces["kind"], *ground.obstacles["kind"]]
    fills = {kind: colour for kind, colour in _FILLS.items() if kind in kinds}
    if ground.landmarks is not None and len(ground.landmarks):
        fills[_LANDMARK] = OKABE_ITO["black"]
        kinds += [_LANDMARK] * len(ground.landmarks)
    if ground.left_out is not None and len(ground.left_out):
        fills[_NOT_USED] = _LEFT_OUT
        kinds += [_NOT_USED] * len(ground.left_out)
    for number, (kind, colour) in enumerate(fills.items()):
        left, upper = east + (number % 6) * 165 * _SMOOTH, top + (number // 6) * step
        pen.rectangle((left, upper, left + 24 * _SMOOTH, upper + 24 * _SMOOTH), fill=colour, outline=GREYS[5])
        text = f"{kind} {kinds.count(kind)}"
        pen.text((left + 32 * _SMOOTH, upper + 12 * _SMOOTH), text, fill="black", font=_font(20), anchor="lm")
    bar_m = max(bar for bar in _BARS_M if bar * sheet.px_per_m < 500 * _SMOOTH or bar == _BARS_M[0])
    low, length = top + 3 * step + 20 * _SMOOTH, bar_m * sheet.px_per_m
    pen.line((east, low, east + length, low), fill="black", width=4 * _SMOOTH)
    text = f"{bar_m} m ({bar_m / YARD_M:,.0f} yd)   north is up"
    pen.text((east + length + 16 * _SMOOTH, low), text, fill="black", font=_font(20), anchor="lm")
