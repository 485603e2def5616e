"""Which page shows what: near surfaces together, at the largest round scale that holds them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

import numpy as np
import pandas as pd
import shapely
from scipy.sparse.csgraph import connected_components

from geosample.holes import hole_key
from geosample.paper import Frame, MapView, fit_view, split_views, upright_turn

if TYPE_CHECKING:
    import geopandas as gpd
    from shapely import Geometry

FrameT = TypeVar("FrameT", bound=pd.DataFrame)
PAGE_SCALES = (200, 250, 500, 1000)
"""Scales of the hole pages; ground too wide for the last is split over pages at it."""
NEAR_M = 20.0
"""Surfaces of a hole this near each other share a page, m."""
SMALL_KINDS = ("green", "collar")
"""Kinds drawn large, on pages of their own; the others share pages at a smaller scale."""


@dataclass(frozen=True, slots=True)
class MapPage:
    """One page of the sampling map.

    Parameters
    ----------
    title : str
        Hole and kinds, such as ``Hole 7: green, collar``.
    view : MapView
        The ground it shows.
    part, parts : int
        Which page of how many that show these surfaces.
    surface_ids : tuple of str
        The surfaces it is for.
    views : tuple of MapView
        The ground of all the parts.
    """

    title: str
    view: MapView
    part: int
    parts: int
    surface_ids: tuple[str, ...]
    views: tuple[MapView, ...]


def plan_pages(surfaces: gpd.GeoDataFrame, points: gpd.GeoDataFrame, frame: Frame) -> list[MapPage]:
    """Return the pages for the surfaces that hold points, hole by hole, the greens' end first.

    Parameters
    ----------
    surfaces, points : GeoDataFrame
        The ground's surfaces and the design's points.
    frame : Frame
        The map's place on each page.
    """
    sampled = surfaces[surfaces["surface_id"].isin(points["surface_id"])]
    pages: list[MapPage] = []
    for hole, of_hole in by_hole(sampled):
        small = of_hole["kind"].isin(SMALL_KINDS)
        for group in (of_hole[small], of_hole[~small]):
            for near in _near_groups(group):
                pages += _pages_of(hole, near, points, frame, _greens_of(surfaces, hole))
    return pages


def by_hole(frame: FrameT) -> list[tuple[str | None, FrameT]]:
    """Return a frame's rows hole by hole in their order, the rows without a hole last under None."""
    names = sorted({hole for hole in frame["hole"] if isinstance(hole, str)}, key=hole_key)
    parts: list[tuple[str | None, FrameT]] = [(name, frame[frame["hole"] == name]) for name in names]
    nameless = frame[frame["hole"].isna()]
    return [*parts, (None, nameless)] if len(nameless) else parts


def _greens_of(surfaces: gpd.GeoDataFrame, hole: str | None) -> Geometry:
    """Return a hole's green, which goes to the top of a page that is turned; nothing for ground without a hole."""
    of_hole = (surfaces["hole"] == hole) & (surfaces["kind"] == "green")
    return shapely.union_all(surfaces.geometry[of_hole].to_numpy())


def _near_groups(surfaces: gpd.GeoDataFrame) -> list[gpd.GeoDataFrame]:
    if surfaces.empty:
        return []
    shapes = surfaces.geometry.to_numpy()
    near = shapely.distance(shapes[:, None], shapes[None, :]) <= NEAR_M
    _, group = connected_components(near, directed=False)
    return [surfaces[group == number] for number in range(group.max() + 1)]


def _pages_of(
    hole: str | None, surfaces: gpd.GeoDataFrame, points: gpd.GeoDataFrame, frame: Frame, green: Geometry
) -> list[MapPage]:
    shape = shapely.union_all(surfaces.geometry.to_numpy())
    kinds = ", ".join(dict.fromkeys(surfaces["kind"]))
    title = f"Hole {hole}: {kinds}" if hole is not None else f"No hole: {kinds}"
    views = _views_of(shape, frame, green)
    places = points.geometry[points["surface_id"].isin(surfaces["surface_id"])].to_numpy()
    views = [view for view in views if shapely.intersects(view.window(), places).any()]
    ids = tuple(surfaces["surface_id"])
    return [MapPage(title, view, number + 1, len(views), ids, tuple(views)) for number, view in enumerate(views)]


def _views_of(shape: Geometry, frame: Frame, green: Geometry) -> Sequence[MapView]:
    """Return one north-up page where that shows as much; else the ground set upright, its green at the top."""
    turn_deg = upright_turn(shape)
    if not shapely.is_empty(green) and _height(green, turn_deg) < _height(shape, turn_deg):
        turn_deg += 180.0
    choices = [(fit_view(shape, frame, scales=PAGE_SCALES, turn_deg=turn), turn) for turn in (0.0, turn_deg)]
    fitting = [view for view, _ in choices if view is not None]
    if fitting:
        return [min(fitting, key=lambda view: view.scale)]
    return split_views(shape, frame, scale=PAGE_SCALES[-1], turn_deg=turn_deg)


def _height(shape: Geometry, turn_deg: float) -> float:
    """Return how high up a turned page the middle of a shape lies."""
    middle = shapely.centroid(shape)
    angle = np.radians(turn_deg)
    return float(middle.x * np.sin(angle) + middle.y * np.cos(angle))


_CLEAR_MM = 1.5


def points_in(view: MapView, points: gpd.GeoDataFrame) -> np.ndarray:
    """Return which points lie in a view, clear of its frame's line, shape (n,) of bool."""
    inside = shapely.buffer(view.window(), -_CLEAR_MM / view.mm_per_m, join_style="mitre")
    return np.asarray(shapely.intersects(inside, points.geometry.to_numpy()))
