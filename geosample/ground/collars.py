"""Collars of a given width around greens, and approaches: the fairway within a distance of a green."""

from __future__ import annotations

from collections.abc import Mapping

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from geosample.errors import GroundError, Problem
from geosample.ground.edges import only_polygons
from geosample.ground.model import Note
from geosample.holes import tidy_hole

Widths = float | Mapping[str, float]
ALL_HOLES = "*"
"""The key of the width for the holes that have none of their own."""


def widths_by_hole(width_m: Widths | None) -> dict[str, float]:
    """Return widths, m, by hole, the one for all others under ``*``.

    Raises
    ------
    GroundError
        When a width is not a positive number.

    Examples
    --------
    >>> widths_by_hole({"*": 0.76, "07": 0.9})
    {'*': 0.76, '7': 0.9}
    """
    if width_m is None:
        return {}
    given = width_m if isinstance(width_m, Mapping) else {ALL_HOLES: width_m}
    wrong = [
        Problem("--collar", f"a width of {width} m", "more than 0 m", "give a width such as 30in")
        for width in given.values()
        if not (np.isfinite(width) and width > 0)
    ]
    if wrong:
        raise GroundError(wrong)
    return {tidy_hole(hole) or ALL_HOLES: float(width) for hole, width in given.items()}


def add_collars(surfaces: gpd.GeoDataFrame, width_m: Widths | None) -> tuple[gpd.GeoDataFrame, list[Note]]:
    """Return the surfaces with a collar round each green, and what was done.

    Parameters
    ----------
    surfaces : GeoDataFrame
        kind, hole, name, source; not yet settled, so that collars take their ground by the stated order.
    width_m : float, mapping of hole to float, or None
        The width, m; one for all or by hole, with ``*`` for the others.

    Notes
    -----
    A collar takes ground from approach, fairway and rough, never from a tee. A green that a drawn collar
    touches keeps the drawn one.
    """
    widths = widths_by_hole(width_m)
    greens = surfaces[surfaces["kind"] == "green"]
    width = greens["hole"].map(lambda hole: widths.get(hole, widths.get(ALL_HOLES, np.nan)))
    drawn = shapely.union_all(surfaces.geometry[surfaces["kind"] == "collar"].to_numpy())
    has_own = shapely.intersects(shapely.buffer(greens.geometry.to_numpy(), 0.1), drawn)
    wanted = greens[~width.isna().to_numpy() & ~has_own]
    if wanted.empty:
        return surfaces, _collar_notes(greens, wanted, widths)
    rings = _rings(surfaces, wanted, width[wanted.index].to_numpy(dtype=float))
    collars = wanted.assign(kind="collar", source="derived from " + wanted["source"], name=None)
    collars = collars.set_geometry(gpd.GeoSeries(rings, wanted.index, crs=surfaces.crs))
    both = pd.concat([surfaces, collars[~collars.geometry.is_empty]], ignore_index=True)
    notes = [*_collar_notes(greens, wanted, widths), *_added_ground(surfaces, rings)]
    return gpd.GeoDataFrame(both, geometry="geometry", crs=surfaces.crs), notes


def _added_ground(surfaces: gpd.GeoDataFrame, rings: np.ndarray) -> list[Note]:
    """Return a note of the ground under the collars that no surface held: it is new, not moved."""
    near = shapely.union_all(surfaces.geometry[surfaces.intersects(shapely.union_all(rings))].to_numpy())
    added = float(shapely.area(shapely.difference(shapely.union_all(rings), near)))
    remedy = "added as collar, before obstacles are cut out"
    return [Note("ground beside greens that no surface held", "collars", 1, added, remedy)] if added > 0 else []


def _rings(surfaces: gpd.GeoDataFrame, greens: gpd.GeoDataFrame, width_m: np.ndarray) -> np.ndarray:
    kept = shapely.union_all(surfaces.geometry[surfaces["kind"].isin(["green", "tee"])].to_numpy())
    wider = shapely.buffer(greens.geometry.to_numpy(), width_m, quad_segs=16)
    return only_polygons(shapely.difference(wider, kept))


def _collar_notes(greens: gpd.GeoDataFrame, wanted: gpd.GeoDataFrame, widths: Mapping[str, float]) -> list[Note]:
    if not widths:
        return []
    notes = [Note("greens without a collar of their own", "greens", len(wanted), 0.0, "collar derived round each")]
    if len(greens) > len(wanted):
        rest = len(greens) - len(wanted)
        notes.append(Note("greens with a drawn collar, or no width given", "greens", rest, 0.0, "no collar derived"))
    unknown = sorted(set(widths) - {ALL_HOLES, *greens["hole"].dropna()})
    notes += [Note(f"no green on hole {hole}", "--collar", 1, 0.0, "its width is not used") for hole in unknown]
    return notes


def add_approaches(surfaces: gpd.GeoDataFrame, distance_m: float | None) -> tuple[gpd.GeoDataFrame, list[Note]]:
    """Return the surfaces with the fairway near each green made an approach, and what was done.

    Parameters
    ----------
    surfaces : GeoDataFrame
        kind, hole, name, source.
    distance_m : float or None
        How far from the green's edge the fairway is approach, m.

    Notes
    -----
    Only the fairway of the green's own hole, where both have one, so that a green beside another hole's
    fairway does not claim it.
    """
    greens = surfaces[surfaces["kind"] == "green"]
    if distance_m is None or greens.empty:
        return surfaces, []
    rows = [_approach(surfaces, green, distance_m) for green in greens.itertuples()]
    found = [row for row in rows if row is not None]
    if not found:
        return surfaces, [Note("no fairway near a green", "--approach", 0, 0.0, "no approach derived")]
    made = gpd.GeoDataFrame(found, geometry="geometry", crs=surfaces.crs)
    area = float(made.area.sum())
    both = gpd.GeoDataFrame(pd.concat([surfaces, made], ignore_index=True), geometry="geometry", crs=surfaces.crs)
    return both, [Note("fairway near its green", "fairways", len(made), area, "made an approach")]


def _approach(surfaces: gpd.GeoDataFrame, green: tuple[object, ...], distance_m: float) -> dict[str, object] | None:
    hole, shape = green.hole, green.geometry  # type: ignore[attr-defined]
    fairways = surfaces[surfaces["kind"] == "fairway"]
    own = fairways[(fairways["hole"] == hole) | fairways["hole"].isna()] if isinstance(hole, str) else fairways
    near = shapely.intersection(
        shapely.union_all(own.geometry.to_numpy()), shapely.buffer(shape, distance_m, quad_segs=16)
    )
    near = only_polygons(np.array([near], dtype=object))[0]
    if near.is_empty:
        return None
    source = f"derived from {green.source}"  # type: ignore[attr-defined]
    return {"kind": "approach", "hole": hole, "name": None, "source": source, "geometry": near}
