"""The ground beneath a map: surfaces and obstacles by kind, sorted once for all the pages of a book."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

from geosample.paper.shapes import OBSTACLE_LOOKS, SURFACE_LOOKS, Look, draw_lines, draw_polygons
from geosample.words import OBSTACLE_KINDS, SURFACE_KINDS

if TYPE_CHECKING:
    import geopandas as gpd

    from geosample.paper.page import Book
    from geosample.paper.view import MapView

_AREA = 2
_ORDER = (*SURFACE_KINDS, *OBSTACLE_KINDS)


@dataclass(frozen=True, slots=True)
class KindShapes:
    """All shapes of one kind of ground, m, and how they are drawn."""

    kind: str
    look: Look
    areas: np.ndarray
    lines: np.ndarray


def sort_ground(
    surfaces: gpd.GeoDataFrame, obstacles: gpd.GeoDataFrame, *, looks: Mapping[str, Look] = SURFACE_LOOKS
) -> list[KindShapes]:
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
    found = []
    for frame, kind, look in sorts:
        shapes = frame.geometry[frame["kind"] == kind].to_numpy()
        dimensions = shapely.get_dimensions(shapes)
        found.append(KindShapes(kind, look, shapes[dimensions == _AREA], shapes[dimensions == 1]))
    return found


def draw_ground(book: Book, view: MapView, kinds: list[KindShapes]) -> list[tuple[Look, str]]:
    """Draw the ground, and return the looks of the kinds that show, for a legend.

    Parameters
    ----------
    book : Book
        Open at the page to draw on.
    view : MapView
        Which ground lies where on the page, and at which scale.
    kinds : list of KindShapes
        As ``sort_ground`` gives them.
    """
    window, shown = view.window(), {}
    for one in kinds:
        draw_polygons(book, view, one.areas, one.look)
        draw_lines(book, view, one.lines, one.look)
        if shapely.intersects(window, one.areas).any() or shapely.intersects(window, one.lines).any():
            shown[one.kind] = one.look
    return [(shown[kind], kind) for kind in _ORDER if kind in shown]
