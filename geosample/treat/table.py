"""The zones as a table: a row each, with its name, its area, what it holds, and a sentence."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import geopandas as gpd
import numpy as np
import shapely

from geosample.holes import hole_key, hole_label
from geosample.survey import shape_frame
from geosample.treat.cells import weigh
from geosample.treat.rooms import sweep_over
from geosample.units import percent, show_area, show_density
from geosample.words import ACTIONS, KIND_LETTERS
from geosample.workers import map_threads

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pyproj
    from shapely import Geometry

    from geosample.density import DensityMap
    from geosample.ground import Ground
    from geosample.treat.draw import Drawn
    from geosample.treat.rooms import Room
    from geosample.treat.settings import TreatSettings


def zone_table(
    drawn: Sequence[Drawn], density_map: DensityMap, settings: TreatSettings, crs: pyproj.CRS
) -> gpd.GeoDataFrame:
    """Return the zones, columns of the layer ``zones`` and a few more, by hole, on each what to treat first.

    Returns
    -------
    GeoDataFrame
        Besides the layer's columns: insects, low_per_m2, high_per_m2 (means of the cells' limits over the zone) and
        overspray_m2 (what a whole boom covers beyond a zone narrower than it).
    """
    wanted = [
        (one, action, zone)
        for one in drawn
        for action, zones in (("treat", one.treat), ("check", one.checks), ("look_again", one.look))
        for zone in sorted(zones, key=lambda z: -z.area)
    ]
    wanted.sort(key=lambda asked: _place_in_table(asked[0].room, asked[1]))
    named = _name_zones(map_threads(lambda asked: _describe(*asked, settings), wanted))
    empty: dict[str, list[Any]] = {
        "geometry": [],
        **{name: [] for name in ("insects", "low_per_m2", "high_per_m2", "overspray_m2")},
    }
    frame = gpd.GeoDataFrame(named or empty, geometry="geometry", crs=crs)
    whose = {"visit": density_map.visit, "pest": density_map.pest, "threshold_per_m2": settings.threshold_per_m2}
    return gpd.GeoDataFrame(shape_frame("zones", frame.assign(**whose)), geometry="geometry", crs=crs)


def _place_in_table(room: Room, action: str) -> tuple[Any, ...]:
    """Return what the zones are sorted by: hole, then what to do, then kind."""
    return hole_key(room.hole), list(ACTIONS).index(action), list(KIND_LETTERS).index(room.kind)


def _describe(one: Drawn, action: str, zone: Geometry, settings: TreatSettings) -> dict[str, Any]:
    holds = weigh(one.cells, one.laid.share(zone))
    return {
        "surface_id": one.room.surface_id,
        "hole": one.room.hole,
        "kind": one.room.kind,
        "action": action,
        "area_m2": zone.area,
        "mean_per_m2": holds.mean_per_m2,
        "low_per_m2": holds.low / holds.area_m2,
        "high_per_m2": holds.high / holds.area_m2,
        "insects": holds.insects,
        "probability": holds.probability,
        "overspray_m2": max(sweep_over(zone, settings.swath_m).area - zone.area, 0.0) if action == "treat" else 0.0,
        "border_only": settings.border_only_m is not None,
        "geometry": shapely.multipolygons([zone]),
    }


def _name_zones(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the rows with their ids, such as Z07F-1, numbered from the largest."""
    used: dict[str, int] = {}
    named = []
    for row in rows:
        prefix = f"{ACTIONS[row['action']].letter}{hole_label(row['hole'])}{KIND_LETTERS[row['kind']]}"
        used[prefix] = used.get(prefix, 0) + 1
        named.append({**row, "zone_id": f"{prefix}-{used[prefix]}"})
    return named


def place_name(hole: str | None, kind: str) -> str:
    """Return where a zone lies, as people say it.

    Examples
    --------
    >>> place_name("7", "fairway"), place_name(None, "green")
    ('hole 7 fairway', 'green without a hole')
    """
    return f"hole {hole} {kind}" if isinstance(hole, str) else f"{kind} without a hole"


def write_notes(table: gpd.GeoDataFrame, settings: TreatSettings, ground: Ground) -> gpd.GeoDataFrame:
    """Return the table with a sentence a zone in ``note``; a check strip's says how to find it."""
    notes = [_sentence(row, settings, ground) for row in table.itertuples()]
    return table.assign(note=notes) if notes else table


def _tell_place(row: Any, settings: TreatSettings, ground: Ground) -> str:
    """Return the words that lead to the middle of a strip, or that only its outline does."""
    from geosample.sheets import SheetOptions
    from geosample.sheets.finding import take_sights, write_finding

    sights, middle = take_sights(ground.surfaces, row.surface_id), row.geometry.representative_point()
    place = np.array([middle.x, middle.y])
    words = write_finding(sights, place, pace_m=SheetOptions().pace_m, units=settings.units)
    return f"Its middle: {words}." if words else "Find it by its outline in the GPX file."


def _sentence(row: Any, settings: TreatSettings, ground: Ground) -> str:
    units = settings.units
    mean, low, high, limit = (
        show_density(value, units) for value in (row.mean_per_m2, row.low_per_m2, row.high_per_m2, row.threshold_per_m2)
    )
    where = place_name(row.hole, row.kind)
    start = f"{where[0].upper()}{where[1:]}, {show_area(row.area_m2, units)}"
    chance = f"a chance of {percent(row.probability)} of being above {limit}"
    if row.action == "look_again":
        return f"{start}: not known well enough ({mean}, between {low} and {high}; {chance}). Pull more plugs here."
    if row.action == "check":
        return (
            f"{start}: a check strip. Leave it untreated, and pull plugs here afterwards to see what treatment did. "
            f"{_tell_place(row, settings, ground)}"
        )
    over = ""
    if row.overspray_m2 >= 1:
        over = (
            f" Narrower than the swath: a whole boom would also cover {show_area(row.overspray_m2, units)} beside it."
        )
    return f"{start}: about {mean} (between {low} and {high}), {chance}.{over}"
