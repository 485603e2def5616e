"""What 'ground' says: a table of hole by kind, the obstacles, and everything that was mended or left out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pyproj

from geosample.holes import hole_key
from geosample.report import Summary, show_table
from geosample.units import ACRE_M2, FOOT2_M2, HECTARE_M2, Units, show_area
from geosample.words import NO_HOLE, SURFACE_KINDS

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

    from geosample.ground.model import Ground, Note


def show_ground(ground: Ground, units: Units = "us") -> list[str]:
    """Return the lines that tell what was understood.

    Parameters
    ----------
    ground : Ground
        As read.
    units : {"us", "metric"}
        ft² and acres, or m² and ha.
    """
    lines = [*_show_table(ground.surfaces, units), "", *_show_obstacles(ground.obstacles, units)]
    lines.append(f"coordinates: {_name_crs(ground)}")
    if ground.notes:
        lines += ["", "Understood, mended and left out:", *(_show_note(note, units) for note in ground.notes)]
    return lines


def _show_table(surfaces: gpd.GeoDataFrame, units: Units) -> list[str]:
    small, unit, large, large_unit = (FOOT2_M2, "ft²", ACRE_M2, "acres")
    if units == "metric":
        small, unit, large, large_unit = (1.0, "m²", HECTARE_M2, "ha")
    kinds = [kind for kind in SURFACE_KINDS if (surfaces["kind"] == kind).any()]
    rows = []
    for hole, group in _by_hole(surfaces):
        rows.append([hole, *(_cell(group, kind, small) for kind in kinds), f"{group['area_m2'].sum() / small:,.0f}"])
    rows.append(["all", *(_cell(surfaces, kind, small) for kind in kinds), f"{surfaces['area_m2'].sum() / small:,.0f}"])
    areas = [surfaces.loc[surfaces["kind"] == kind, "area_m2"].sum() for kind in kinds]
    rows.append([large_unit, *(f"{area / large:,.2f}" for area in (*areas, surfaces["area_m2"].sum()))])
    return show_table(["hole", *(f"{kind} n, {unit}" for kind in kinds), unit], rows)


def _by_hole(surfaces: gpd.GeoDataFrame) -> list[tuple[str, gpd.GeoDataFrame]]:
    holes = sorted({hole if isinstance(hole, str) else None for hole in surfaces["hole"]}, key=hole_key)
    named = [(hole, surfaces[surfaces["hole"] == hole]) for hole in holes if hole is not None]
    return [*named, (NO_HOLE, surfaces[surfaces["hole"].isna()])] if None in holes else list(named)


def _cell(group: pd.DataFrame, kind: str, unit_m2: float) -> str:
    areas = group.loc[group["kind"] == kind, "area_m2"]
    return f"{len(areas)}  {areas.sum() / unit_m2:>7,.0f}" if len(areas) else "-"


def _show_obstacles(obstacles: gpd.GeoDataFrame, units: Units) -> list[str]:
    parts = []
    for kind, group in obstacles.groupby("kind", sort=True):
        area = float(group.area.sum())
        parts.append(f"{len(group)} {kind}" + (f" ({show_area(area, units)})" if area else ""))
    return [f"obstacles: {', '.join(parts) or 'none'}"]


def _name_crs(ground: Ground) -> str:
    crs = ground.crs
    if crs.to_authority():
        return f"{crs.name} ({crs.to_string()})"
    lon, lat = pyproj.Transformer.from_crs(crs, 4326, always_xy=True).transform(0.0, 0.0)
    return f"equal-area, in metres, centred on the course at {lat:.4f}, {lon:.4f} (latitude, longitude)"


def _show_note(note: Note, units: Units) -> str:
    size = f", {_show_size(note.area_m2, units)}" if note.area_m2 else ""
    times = f" × {note.count}" if note.count > 1 else ""
    return f"- {note.what}{times}{size}: {note.remedy} ({note.where})"


def _show_size(area_m2: float, units: Units) -> str:
    """Return an area as ``show_area`` does, but never 0 for what is some."""
    small = area_m2 / (FOOT2_M2 if units == "us" else 1.0)
    return f"{small:.2g} {'ft²' if units == 'us' else 'm²'}" if small < 1 else show_area(area_m2, units)


def sum_up_ground(ground: Ground) -> Summary:
    """Return the same in plain JSON types: counts and areas in m² by hole and kind, and the notes."""
    surfaces = ground.surfaces
    return {
        "surfaces": len(surfaces),
        "area_m2": float(surfaces["area_m2"].sum()),
        "holes": {hole: _sum_kinds(group) for hole, group in _by_hole(surfaces)},
        "kinds": _sum_kinds(surfaces),
        "obstacles": {
            str(kind): {"count": len(group), "area_m2": float(group.area.sum())}
            for kind, group in ground.obstacles.groupby("kind", sort=True)
        },
        "crs": ground.crs.to_string(),
        "notes": [
            {"what": n.what, "where": n.where, "count": n.count, "area_m2": n.area_m2, "remedy": n.remedy}
            for n in ground.notes
        ],
    }


def _sum_kinds(surfaces: pd.DataFrame) -> dict[str, dict[str, float]]:
    return {
        kind: {"count": len(areas), "area_m2": float(areas.sum())}
        for kind in SURFACE_KINDS
        if len(areas := surfaces.loc[surfaces["kind"] == kind, "area_m2"])
    }
