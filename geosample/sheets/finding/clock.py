"""Clock positions on a green: an hour as seen from the fairway side, and how far in from the edge."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely

if TYPE_CHECKING:
    import geopandas as gpd
    from shapely import Geometry

FAR_M = 500.0
LOOK_M = 80.0
"""How far round the green's middle the fairway side is looked for, m."""
_LEAST_M = 5.0  # a fairway whose middle lies nearer than this gives no side


@dataclass(frozen=True, slots=True)
class Clock:
    """A green as a dial.

    Parameters
    ----------
    easting, northing : float
        Its middle, m.
    six_deg : float
        Direction of six o'clock from the middle, degrees anticlockwise from east.
    seen_from : str
        What six o'clock faces, in words.
    """

    easting: float
    northing: float
    six_deg: float
    seen_from: str


def set_clock(surfaces: gpd.GeoDataFrame, green: Geometry, hole: str | None) -> Clock:
    """Return the dial of a green: six o'clock toward its fairway, else toward its tee, else south.

    Parameters
    ----------
    surfaces : GeoDataFrame
        The ground's surfaces.
    green : Geometry
        The green's polygon, m.
    hole : str or None
        Whose fairway and tee are looked for.
    """
    middle = _middle_of(green)
    near = shapely.buffer(shapely.Point(middle), LOOK_M)
    own = (
        surfaces[surfaces["hole"] == hole] if hole is not None else surfaces[surfaces.geometry.distance(green) < LOOK_M]
    )
    sides = (
        ("the fairway side", shapely.intersection(_union(own, ("fairway", "approach")), near)),
        ("the fairway side", _union(own, ("fairway", "approach"))),
        ("the tee side", _union(own, ("tee",))),
    )
    for words, shape in sides:
        if not shapely.is_empty(shape):
            way = np.subtract(shapely.get_coordinates(shapely.centroid(shape))[0], middle)
            if np.hypot(*way) > _LEAST_M:
                return Clock(*middle, math.degrees(math.atan2(way[1], way[0])), words)
    return Clock(*middle, -90.0, "the south side")


def tell_hours(clock: Clock, easting: float, northing: float) -> float:
    """Return the hour of a place on the dial, 0 to 12, not rounded.

    Examples
    --------
    >>> south = Clock(0.0, 0.0, -90.0, "the south side")
    >>> round(tell_hours(south, -5.0, 0.0), 9), round(tell_hours(south, 0.0, -5.0), 9)
    (9.0, 6.0)
    """
    angle = math.degrees(math.atan2(northing - clock.northing, easting - clock.easting))
    return (6 + (clock.six_deg - angle) / 30) % 12


def hour_ray(clock: Clock, hours: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the middle, and the unit vector from it toward an hour."""
    angle = math.radians(clock.six_deg - (hours - 6) * 30)
    return np.array([clock.easting, clock.northing]), np.array([math.cos(angle), math.sin(angle)])


def reach_edge(clock: Clock, outline: Geometry, hours: float) -> float:
    """Return how far the outline's outermost edge lies from the middle toward an hour, m; 0 where it has none there."""
    middle, way = hour_ray(clock, hours)
    ray = shapely.LineString([middle, middle + FAR_M * way])
    crossed = shapely.get_coordinates(shapely.intersection(ray, shapely.boundary(outline)))
    return float(np.hypot(*(crossed - middle).T).max()) if len(crossed) else 0.0


def walk_in(clock: Clock, outline: Geometry, hours: float, in_m: float) -> np.ndarray:
    """Return the place reached from the outline's edge at an hour, going toward the middle, (easting, northing)."""
    middle, way = hour_ray(clock, hours)
    return np.asarray(middle + (reach_edge(clock, outline, hours) - in_m) * way)


def show_hours(hours: float) -> str:
    """Return an hour as it is said.

    Examples
    --------
    >>> show_hours(4.25), show_hours(0.0), show_hours(11.999)
    ('4:15', '12:00', '12:00')
    """
    minutes = round(hours * 60) % 720
    return f"{minutes // 60 or 12}:{minutes % 60:02d}"


def _middle_of(green: Geometry) -> tuple[float, float]:
    centre = shapely.centroid(green)
    inside = centre if shapely.intersects(green, centre) else shapely.point_on_surface(green)
    return float(inside.x), float(inside.y)


def _union(surfaces: gpd.GeoDataFrame, kinds: tuple[str, ...]) -> Geometry:
    return shapely.union_all(surfaces.geometry[surfaces["kind"].isin(kinds)].to_numpy())
