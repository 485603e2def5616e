"""A piece of ground seen through a frame on paper, at a true scale."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely
from shapely import affinity

from geosample.drawing.pages import Box
from geosample.errors import PaperError, Problem

if TYPE_CHECKING:
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
