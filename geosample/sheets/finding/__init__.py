"""Finding words: a point by clock, paces and landmarks, since a phone's fix is wider than a collar."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import shapely

from geosample.sheets.finding.clock import Clock, hour_ray, reach_edge
from geosample.sheets.finding.landmarks import named_landmarks, read_landmarks, tell_landmark, tell_leg
from geosample.sheets.finding.words import DIAL_KINDS, Sights, read_finding, take_sights, write_finding
from geosample.units import Units

if TYPE_CHECKING:
    import geopandas as gpd

    from geosample.design import Design
    from geosample.ground import Ground

__all__ = [
    "DIAL_KINDS",
    "Clock",
    "Sights",
    "add_finding",
    "hour_ray",
    "named_landmarks",
    "reach_edge",
    "read_finding",
    "read_landmarks",
    "take_sights",
    "tell_landmark",
    "tell_leg",
    "write_finding",
]

NO_WORDS = "nothing to pace from: go by the waypoint and the map"


def add_finding(
    design: Design,
    ground: Ground,
    *,
    pace_m: float,
    units: Units = "us",
    landmarks: gpd.GeoDataFrame | None = None,
) -> Design:
    """Return the design with its points' ``finding`` filled in.

    Parameters
    ----------
    design : Design
        The points.
    ground : Ground
        The surfaces they lie on.
    pace_m : float
        Length of a pace, m.
    units : str
        For the feet or centimetres across a collar.
    landmarks : GeoDataFrame, optional
        Points with a ``name``, in the ground's CRS.
    """
    ids = design.points["surface_id"]
    sights = {surface_id: take_sights(ground.surfaces, surface_id) for surface_id in dict.fromkeys(ids)}
    words = []
    for surface_id, place in zip(ids, shapely.get_coordinates(design.points.geometry.to_numpy()), strict=True):
        paced = write_finding(sights[surface_id], place, pace_m=pace_m, units=units)
        marked = tell_landmark(landmarks, place, pace_m=pace_m)
        words.append("; ".join(text for text in (paced, marked) if text) or NO_WORDS)
    return replace(design, points=design.points.assign(finding=words))
