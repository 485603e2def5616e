"""Check strips: ground inside the zones left untreated at random, so that what the treatment did can be told later."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import shapely

from geosample.treat.shapes import less, meet, polygons_of

if TYPE_CHECKING:
    from shapely import Geometry

    from geosample.treat.draw import Drawn
    from geosample.treat.settings import TreatSettings

_MISSES = 25  # places in a row where no strip fits: what is left is too little for one
_MOST_OF_ZONE = 0.5


def leave_strips(drawn: Sequence[Drawn], settings: TreatSettings, rng: np.random.Generator) -> list[Drawn]:
    """Return the drawn surfaces with check strips taken out of their zones.

    Parameters
    ----------
    drawn : sequence of Drawn
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
        room = taken[pick] + strip.area <= _MOST_OF_ZONE * zone.area
        misses += 1
        if strip.area <= left_m2 and room and shapely.distance(strip, old) != 0:
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


def _without(one: Drawn, strips: list[Geometry]) -> Drawn:
    if not strips:
        return one
    together = shapely.union_all(strips)
    treat = [piece for zone in one.treat for piece in polygons_of(less(zone, together)) if piece.area > 1.0]
    return replace(one, treat=treat, checks=polygons_of(together))
