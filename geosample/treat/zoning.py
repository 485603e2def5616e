"""The zones of one surface: where they may lie, how its cells become shapes a sprayer can drive, and check strips."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import shapely

from geosample.treat.cells import Overlay, net_saving
from geosample.treat.shapes import (
    border_strip,
    fill_holes,
    keep_off_area,
    less,
    make_drivable,
    meet,
    polygons_of,
    smooth_outline,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    import geopandas as gpd
    import pyproj
    from shapely import Geometry

    from geosample.ground import Ground
    from geosample.treat.model import TreatSettings

_SAME_AREA = 1e-6
_LEAST_CELL = 0.25  # of a cell: a smaller scrap holds nothing that the map can tell
_WHOLE = 0.9  # a zone that is this much of its surface is no spot, however small the surface
_MISSES = 25  # places in a row where no strip fits: what is left is too little for one
_MOST_OF_ZONE = 0.5


@dataclass(frozen=True, slots=True)
class OpenGround:
    """Where zones may lie on one surface.

    Parameters
    ----------
    surface_id, hole, kind : str
        The surface; hole may be None.
    surface : Geometry
        All of it.
    kept : Geometry
        The surface less what is kept off.
    shape : Geometry
        That, within the border strip where only the border is treated.
    """

    surface_id: str
    hole: str | None
    kind: str
    surface: Geometry
    kept: Geometry
    shape: Geometry


@dataclass(frozen=True, slots=True)
class SurfacePlan:
    """What is drawn on one surface.

    Parameters
    ----------
    open : OpenGround
        The surface and what may be treated of it.
    cells : GeoDataFrame
        Its cells, with ``hot`` (worth treating), ``shunned`` (that too, but no plug speaks for it and only sampled
        ground is treated), and the share of each inside: ``treated``, ``check`` (strips left untreated), ``kept``
        (not kept off), ``allowed`` (and within the border), ``small`` (left out for its size).
    laid : Overlay
        What shapes laid over those cells cover of them.
    treat : list of Polygon
        The zones.
    small : list of Polygon
        Patches left out for their size.
    checks : list of Polygon
        Strips inside the zones left untreated on purpose.
    """

    open: OpenGround
    cells: gpd.GeoDataFrame
    laid: Overlay
    treat: list[Geometry]
    small: list[Geometry]
    checks: list[Geometry] = field(default_factory=list)


def find_open_ground(ground: Ground, surface_ids: Iterable[str], settings: TreatSettings) -> list[OpenGround]:
    """Return where zones may lie on each mapped surface, in the ground's order."""
    wanted = ground.surfaces[ground.surfaces["surface_id"].isin(list(surface_ids))]
    shut = keep_off_area(ground.obstacles, settings.keep_off_m)
    strip = border_strip(ground.surfaces, settings.border_only_m)
    places = []
    for row in wanted.itertuples():
        kept = less(row.geometry, shut)
        shape = kept if strip is None else meet(kept, strip)
        hole = row.hole if isinstance(row.hole, str) else None
        places.append(OpenGround(row.surface_id, hole, row.kind, row.geometry, kept, shape))
    return places


def draw_surface(
    open_ground: OpenGround, cells: gpd.GeoDataFrame, cell_m: float, settings: TreatSettings
) -> SurfacePlan:
    """Return what to treat on one surface; see ``suggest_zones`` for the method."""
    above = cells["probability"].to_numpy() > settings.cutoff
    known = cells["known"].to_numpy(bool)
    shunned = above & ~known if settings.sampled_only else np.zeros(len(cells), dtype=bool)
    if settings.sampled_only:
        spoken_for = _join(cells, known, open_ground.surface)
        open_ground = replace(open_ground, shape=meet(open_ground.shape, spoken_for))
    laid = Overlay(cells)
    worth = partial(net_saving, laid, miss_cost=settings.miss_cost)
    hot = _join(cells, above & ~shunned, open_ground.surface)
    drivable = make_drivable(hot, open_ground.shape, settings.swath_m, worth)
    outline = smooth_outline(fill_holes(drivable, settings.smallest_m2), open_ground.shape, cell_m / 2)
    paying = [zone for zone in polygons_of(outline) if worth(zone) > 0]
    paying = [zone for zone in paying if zone.area >= _LEAST_CELL * cell_m**2]
    treat = [zone for zone in paying if _is_large(zone, open_ground, settings)]
    small = [zone for zone in paying if not _is_large(zone, open_ground, settings)]
    shares = {
        "hot": above & ~shunned,
        "shunned": shunned,
        "treated": laid.share_of_all(treat),
        "small": laid.share_of_all(small),
        "check": np.zeros(len(cells)),
        "kept": _share_of(laid, open_ground.kept),
        "allowed": _share_of(laid, open_ground.shape),
    }
    return SurfacePlan(open_ground, cells.assign(**shares), laid, treat, small)


def outline_unknown(plans: Sequence[SurfacePlan], cell_m: float, crs: pyproj.CRS) -> gpd.GeoDataFrame:
    """Return the mapped ground that is not known, a row a surface: hole, geometry."""
    import geopandas as gpd

    shapes = [
        shapely.simplify(_join(one.cells, ~one.cells["known"].to_numpy(bool), one.open.surface), cell_m / 2)
        for one in plans
    ]
    frame = gpd.GeoDataFrame({"hole": [one.open.hole for one in plans]}, geometry=shapes, crs=crs)
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


def _is_large(zone: Geometry, open_ground: OpenGround, settings: TreatSettings) -> bool:
    """Return whether a zone is worth the trip: large enough, or the whole of a small surface."""
    return bool(zone.area >= settings.smallest_m2 or zone.area >= _WHOLE * open_ground.kept.area)


def retake(drawn: Sequence[SurfacePlan]) -> list[SurfacePlan]:
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


def leave_strips(drawn: Sequence[SurfacePlan], settings: TreatSettings, rng: np.random.Generator) -> list[SurfacePlan]:
    """Return the drawn surfaces with check strips taken out of their zones.

    Parameters
    ----------
    drawn : sequence of SurfacePlan
        Every mapped surface.
    settings : TreatSettings
        ``check_share``: part of the area to treat that is left, met from below, since strips are one swath wide.
    rng : Generator
        Of the places.

    Notes
    -----
    A strip lies across a zone, at right angles to its long side, through a place drawn evenly over all zones: every
    place has the same chance, so that the strips stand for the ground that was treated. What a strip would leave of
    its zone too small to treat goes with the strip.
    """
    share = settings.check_share
    zones = [(number, zone) for number, one in enumerate(drawn) for zone in one.treat]
    if share <= 0 or not zones:
        return list(drawn)
    chosen = _choose_strips(zones, settings, rng)
    return [_without(one, chosen.get(number, [])) for number, one in enumerate(drawn)]


def _choose_strips(
    zones: list[tuple[int, Geometry]], settings: TreatSettings, rng: np.random.Generator
) -> dict[int, list[Geometry]]:
    areas = np.array([zone.area for _, zone in zones])
    left_m2 = settings.check_share * areas.sum()
    chosen: dict[int, list[Geometry]] = {}
    taken = np.zeros(len(zones))
    misses = 0
    while misses < _MISSES:
        pick = int(rng.choice(len(zones), p=areas / areas.sum()))
        surface, zone = zones[pick]
        old = shapely.union_all(chosen.get(surface, []))
        strip = cross_strip(zone, _draw_place(zone, rng), settings.swath_m)
        strip = _with_scraps(strip, less(zone, old), settings.smallest_m2)
        fits = taken[pick] + strip.area <= _MOST_OF_ZONE * zone.area
        misses += 1
        if strip.area <= left_m2 and fits and shapely.distance(strip, old) != 0:
            misses = 0
            chosen.setdefault(surface, []).append(strip)
            taken[pick] += strip.area
            left_m2 -= strip.area
    return chosen


def _with_scraps(strip: Geometry, zone: Geometry, smallest_m2: float) -> Geometry:
    """Return the strip with what it would cut off its zone that is too small to treat."""
    scraps = [piece for piece in polygons_of(less(zone, strip)) if piece.area < min(smallest_m2, zone.area / 2)]
    return meet(shapely.union_all([strip, *scraps]), zone)


def cross_strip(zone: Geometry, place: Geometry, width_m: float) -> Geometry:
    """Return the strip across a zone through a place, at right angles to the zone's long side.

    Examples
    --------
    >>> strip = cross_strip(shapely.box(0, 0, 100, 20), shapely.Point(50, 7), 5.0)
    >>> [round(side, 1) for side in strip.bounds]
    [47.5, 0.0, 52.5, 20.0]
    """
    corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(zone))[:3]
    sides = np.diff(corners, axis=0)
    long = sides[np.argmax(np.hypot(*sides.T))]
    across = np.array([-long[1], long[0]]) / np.hypot(*long) * 2 * np.hypot(*np.ptp(corners, axis=0))
    middle = shapely.get_coordinates(place)[0]
    band = shapely.buffer(shapely.LineString([middle - across, middle + across]), width_m / 2, cap_style="flat")
    pieces = polygons_of(meet(zone, band))
    near = [piece for piece in pieces if shapely.intersects(piece, place)]
    return shapely.MultiPolygon(near[:1])


def _draw_place(zone: Geometry, rng: np.random.Generator) -> Geometry:
    west, south, east, north = zone.bounds
    while True:
        place = shapely.Point(rng.uniform(west, east), rng.uniform(south, north))
        if shapely.contains(zone, place):
            return place


def _without(one: SurfacePlan, strips: list[Geometry]) -> SurfacePlan:
    if not strips:
        return one
    together = shapely.union_all(strips)
    treat = [piece for zone in one.treat for piece in polygons_of(less(zone, together)) if piece.area > 1.0]
    return replace(one, treat=treat, checks=polygons_of(together))
