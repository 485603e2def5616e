"""The plan's pages of one hole: true-scale maps of its zones, and their table."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from geosample.palettes import OKABE_ITO
from geosample.paper import (
    OBSTACLE_LOOKS,
    SURFACE_LOOKS,
    Book,
    Column,
    Frame,
    Look,
    draw_border,
    draw_check_bar,
    draw_labels,
    draw_legend,
    draw_north_arrow,
    draw_polygons,
    draw_scale_bar,
    draw_table,
    must_fit,
    next_page,
    upright_turn,
    write_text,
)
from geosample.treat.amounts import Rate, parse_rate, take
from geosample.treat.areas import four_areas
from geosample.treat.shapes import polygons_of
from geosample.treat.sheet import HEAD, RIGHT, TABLE_ROW_MM, below, finish_page
from geosample.treat.table import place_name
from geosample.units import show_density

if TYPE_CHECKING:
    import geopandas as gpd
    from shapely import Geometry

    from geosample.ground import Ground
    from geosample.paper import MapView
    from geosample.treat.model import Zones
    from geosample.units import Units

TREAT_LOOK = Look(OKABE_ITO["orange"], 0.55, "falling", 1.6, OKABE_ITO["vermilion"], OKABE_ITO["vermilion"], 0.6)
LOOK_AGAIN_LOOK = Look(None, 1.0, "dots", 1.3, OKABE_ITO["purple"], OKABE_ITO["purple"], 0.5, (1.6, 0.9))
CHECK_LOOK = Look("#ffffff", 0.9, "none", line_colour=OKABE_ITO["blue"], line_mm=0.5, dash_mm=(0.6, 0.6))
_LOOKS = {"treat": TREAT_LOOK, "look_again": LOOK_AGAIN_LOOK, "check": CHECK_LOOK}
_MOST_ROWS = 9
_NEAR_M = 3.0  # surfaces nearer than twice this are shown together close up
_CLOSER = 2.0
_WHOLE = 0.95
_ZONE_COLUMNS = (
    Column("zone", 22),
    Column("what to do", 24),
    Column("where", 42),
    Column("ft²", 19, RIGHT),
    Column("acres", 16, RIGHT),
    Column("m²", 17, RIGHT),
    Column("ha", 16, RIGHT),
    Column("about", 18, RIGHT),
    Column("chance above", 14, RIGHT),
)
_AMOUNT_COLUMNS = (
    *(
        Column(one.head, {"what to do": 20.0, "where": 28.0}.get(one.head, one.width_mm), one.style)
        for one in _ZONE_COLUMNS
    ),
    Column("at your rate", 18, RIGHT),
)
"""The same, with what a zone takes where the user entered a label's rate."""


def draw_hole(book: Book, zones: Zones, ground: Ground, hole: str | None, units: Units) -> None:
    """Draw a hole's pages: its map and zones, its small surfaces close up, and the zones there was no room for."""
    page = book.inside
    mine = _of_hole(zones.zones, hole)
    rate = zones.settings.get("rate")
    columns = _AMOUNT_COLUMNS if rate else _ZONE_COLUMNS
    rows = [_zone_row(row, units, parse_rate(rate) if rate else None) for row in mine.itertuples()]
    head = f"Hole {hole}" if hole else "No hole named"
    for number, shown in enumerate(_choose_views(mine, ground)):
        if number:
            next_page(book)
        write_text(book, f"{head}{', close up' if number else ''}", page.west_mm, page.north_mm - 6, HEAD)
        mapped = mine[mine.intersects(shown)]
        table_mm = 0.0 if number else 7 + min(len(rows), _MOST_ROWS) * TABLE_ROW_MM
        frame = Frame(page.west_mm, page.south_mm + table_mm + 16, page.width_mm, page.height_mm - table_mm - 26)
        _draw_map(book, frame, mapped, ground, shown, units)
        if not number:
            table = Frame(page.west_mm, page.south_mm, page.width_mm, table_mm)
            draw_table(book, table, columns, rows[:_MOST_ROWS], row_mm=TABLE_ROW_MM, head_mm=6.5)
        finish_page(book, zones)
    _draw_rest(book, zones, head, columns, rows[_MOST_ROWS:])


def _draw_rest(book: Book, zones: Zones, head: str, columns: tuple[Column, ...], rows: list[list[str]]) -> None:
    """Draw the rows of zones the hole's own page had no room for."""
    page = book.inside
    done = 0
    while done < len(rows):
        next_page(book)
        write_text(book, f"{head}, more zones", page.west_mm, page.north_mm - 6, HEAD)
        done += draw_table(book, below(page, 10), columns, rows[done:], row_mm=TABLE_ROW_MM, head_mm=6.5)
        finish_page(book, zones)


def _choose_views(mine: gpd.GeoDataFrame, ground: Ground) -> list[Geometry]:
    """Return the ground to show: all surfaces with zones, and again the small ones that are zones only in part."""
    by_id = ground.surfaces.set_index("surface_id").geometry
    whole = shapely.union_all([by_id[name] for name in mine["surface_id"].unique()])
    in_part = mine["area_m2"] < _WHOLE * mine["surface_id"].map(by_id.area)
    small = mine[mine["kind"].isin(("green", "collar", "tee")) & in_part]
    close = shapely.union_all([by_id[name] for name in small["surface_id"].unique()])
    groups = polygons_of(shapely.buffer(close, _NEAR_M))
    views = [shapely.intersection(close, group) for group in groups]
    return [whole, *(view for view in views if _width_m(view) < _width_m(whole) / _CLOSER)]


def _width_m(shape: Geometry) -> float:
    return float(np.max(np.ptp(shapely.get_coordinates(shape), axis=0)))


def _of_hole(frame: gpd.GeoDataFrame, hole: str | None) -> gpd.GeoDataFrame:
    return frame[frame["hole"].isna()] if hole is None else frame[frame["hole"] == hole]


def _zone_row(row: Any, units: Units, rate: Rate | None) -> list[str]:
    takes = [take(rate, row.area_m2) if row.action == "treat" else ""] if rate else []
    return [
        row.zone_id,
        row.action.replace("_", " "),
        place_name(row.hole, row.kind),
        *four_areas(row.area_m2),
        show_density(row.mean_per_m2, units),
        f"{100 * row.probability:.0f} %",
        *takes,
    ]


def _draw_map(book: Book, frame: Frame, mine: gpd.GeoDataFrame, ground: Ground, shown: Geometry, units: Units) -> None:
    view = must_fit(shown, frame, margin_mm=8, turn_deg=upright_turn(shown))
    for kind, look in reversed(SURFACE_LOOKS.items()):  # rough first, beneath the rest
        draw_polygons(book, view, ground.surfaces.geometry[ground.surfaces["kind"] == kind], look)
    shapes = ground.obstacles[ground.obstacles.geometry.geom_type.isin(["Polygon", "MultiPolygon"])]
    for kind, look in OBSTACLE_LOOKS.items():
        draw_polygons(book, view, shapes.geometry[shapes["kind"] == kind], look)
    for action, look in _LOOKS.items():
        draw_polygons(book, view, mine.geometry[mine["action"] == action], look)
    draw_border(book, frame)
    corner = draw_north_arrow(book, view, (frame.east_mm - 10, frame.north_mm - 10))
    window = view.window()
    inside = mine.geometry.intersection(window).representative_point()
    places = view.place(inside.x.to_numpy(), inside.y.to_numpy())
    draw_labels(book, places, list(mine["zone_id"]), frame, keep_clear=[corner])
    _draw_margin(book, frame, view, units, set(mine["action"]))


def _draw_margin(book: Book, frame: Frame, view: MapView, units: Units, actions: set[str]) -> None:
    """Draw scale, check bar and legend under the map."""
    items = [(look, action.replace("_", " ")) for action, look in _LOOKS.items() if action in actions]
    south = frame.south_mm - 10
    draw_scale_bar(book, view, frame.west_mm + 2, south + 2, units=units, most_mm=45)
    draw_check_bar(book, frame.west_mm + 74, south + 3)
    draw_legend(book, frame.west_mm + 146, frame.south_mm - 1, items)
