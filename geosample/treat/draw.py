"""The zones of one surface: from its cells to shapes a sprayer can drive."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import shapely

from geosample.treat.cells import Overlay, net_saving
from geosample.treat.shapes import (
    close_gaps,
    fill_holes,
    less,
    make_drivable,
    meet,
    polygons_of,
    smooth_outline,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    import geopandas as gpd
    import pyproj
    from shapely import Geometry

    from geosample.treat.rooms import Room
    from geosample.treat.settings import TreatSettings

_SAME_AREA = 1e-6
_LEAST_CELL = 0.25  # of a cell: a smaller scrap holds nothing that the map can tell
_WHOLE = 0.9  # a zone that is this much of its surface is no spot, however small the surface


@dataclass(frozen=True, slots=True)
class Drawn:
    """What was drawn on one surface.

    Parameters
    ----------
    room : Room
        The surface and what may be treated of it.
    cells : GeoDataFrame
        Its cells, with ``hot``, and the share of each inside: ``treated``, ``check`` (strips left untreated), ``kept``
        (not kept off), ``allowed`` (and within the border), ``small`` (left out for its size).
    laid : Overlay
        What shapes laid over those cells cover of them.
    treat, look : list of Polygon
        The zones.
    small : list of Polygon
        Patches left out for their size.
    checks : list of Polygon
        Strips inside the zones left untreated on purpose.
    """

    room: Room
    cells: gpd.GeoDataFrame
    laid: Overlay
    treat: list[Geometry]
    look: list[Geometry]
    small: list[Geometry]
    checks: list[Geometry] = field(default_factory=list)


def draw_surface(room: Room, cells: gpd.GeoDataFrame, cell_m: float, settings: TreatSettings) -> Drawn:
    """Return what to treat and what to look at again on one surface; see ``suggest_zones`` for the method."""
    above = cells["probability"].to_numpy() > settings.cutoff
    known = cells["known"].to_numpy(bool)
    laid = Overlay(cells)
    worth = partial(net_saving, laid, miss_cost=settings.miss_cost)
    hot = _join(cells, above & known, room.surface)
    drivable = make_drivable(hot, room.shape, settings.swath_m, worth)
    outline = smooth_outline(fill_holes(drivable, settings.smallest_m2), room.shape, cell_m / 2)
    paying = [zone for zone in polygons_of(outline) if worth(zone) > 0]
    paying = [zone for zone in paying if zone.area >= _LEAST_CELL * cell_m**2]
    treat = [zone for zone in paying if _is_large(zone, room, settings)]
    small = [zone for zone in paying if not _is_large(zone, room, settings)]
    done = shapely.union_all(treat)
    unsure = meet(close_gaps(_join(cells, above & ~known, room.surface), settings.swath_m), room.shape)
    again = polygons_of(less(smooth_outline(unsure, room.shape, cell_m / 2), done))
    again = [zone for zone in again if zone.area >= _LEAST_CELL * cell_m**2]
    look = [zone for zone in again if _is_large(zone, room, settings)]
    shares = {
        "hot": above & known,
        "unsure": above & ~known,
        "treated": laid.share_of_all(treat),
        "small": laid.share_of_all(small),
        "check": np.zeros(len(cells)),
        "kept": _share_of(laid, room.kept),
        "allowed": _share_of(laid, room.shape),
    }
    return Drawn(room, cells.assign(**shares), laid, treat, look, small)


def outline_unknown(drawn: Sequence[Drawn], cell_m: float, crs: pyproj.CRS) -> gpd.GeoDataFrame:
    """Return the mapped ground that is not known and in no zone, a row a surface: hole, geometry."""
    import geopandas as gpd

    shapes = []
    for one in drawn:
        unknown = ~one.cells["known"].to_numpy(bool)
        blank = shapely.simplify(_join(one.cells, unknown, one.room.surface), cell_m / 2)
        shapes.append(less(blank, shapely.union_all([*one.treat, *one.look, *one.checks])))
    frame = gpd.GeoDataFrame({"hole": [one.room.hole for one in drawn]}, geometry=shapes, crs=crs)
    return frame[~frame.is_empty].reset_index(drop=True)


def _share_of(laid: Overlay, part: Geometry) -> np.ndarray:
    """Return the share of each cell inside a part of its surface; a part as large as the surface is all of it."""
    whole_m2 = float(laid.cells["area_m2"].sum())
    return np.ones(len(laid.cells)) if abs(part.area - whole_m2) <= _SAME_AREA * whole_m2 else laid.share(part)


def _join(cells: gpd.GeoDataFrame, chosen: np.ndarray, surface: Geometry) -> Geometry:
    """Return the chosen cells of a surface as one shape: squares of a grid share whole edges, which makes it quick."""
    squares = cells.geometry.to_numpy()[chosen]
    joined = shapely.coverage_union_all(squares)
    return meet(joined if shapely.is_valid(joined) else shapely.union_all(squares), surface)


def _is_large(zone: Geometry, room: Room, settings: TreatSettings) -> bool:
    """Return whether a zone is worth the trip: large enough, or the whole of a small surface."""
    return bool(zone.area >= settings.smallest_m2 or zone.area >= _WHOLE * room.kept.area)


def retake(drawn: Sequence[Drawn]) -> list[Drawn]:
    """Return the drawn surfaces with the cells' share inside the zones taken anew, after strips were cut out."""
    return [
        replace(
            one,
            cells=one.cells.assign(treated=one.laid.share_of_all(one.treat), check=one.laid.share_of_all(one.checks)),
        )
        if one.checks
        else one
        for one in drawn
    ]
