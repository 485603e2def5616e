"""The plan's pages of one hole: true-scale maps of its zones, and their table."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from geosample.palettes import GREYS, OKABE_ITO
from geosample.paper import (
    SURFACE_LOOKS,
    Book,
    Column,
    Frame,
    Look,
    draw_border,
    draw_check_bar,
    draw_ground,
    draw_labels,
    draw_legend,
    draw_lines,
    draw_north_arrow,
    draw_polygons,
    draw_scale_bar,
    draw_table,
    must_fit,
    next_page,
    stretch_columns,
    upright_turn,
    write_text,
)
from geosample.treat.amounts import Rate, parse_rate, take
from geosample.treat.areas import four_areas
from geosample.treat.rooms import keep_off_area
from geosample.treat.shapes import polygons_of
from geosample.treat.sheet import BODY, HEAD, RIGHT, TABLE_ROW_MM, below, finish_page
from geosample.treat.table import place_name
from geosample.units import percent, show_area, show_density, show_range
from geosample.words import ACTIONS

if TYPE_CHECKING:
    import geopandas as gpd
    from shapely import Geometry

    from geosample.ground import Ground
    from geosample.paper import KindShapes, MapView
    from geosample.treat.model import Zones
    from geosample.units import Units

# as on the page: stripes and a whole outline, dots and a broken one; no hatch of the ground beneath is like them
TREAT_LOOK = Look(OKABE_ITO["orange"], 0.45, "falling", 1.6, line_mm=0.6)
LOOK_AGAIN_LOOK = Look(None, 1.0, "dots", 1.3, OKABE_ITO["blue"], OKABE_ITO["blue"], 0.7, (1.6, 0.9))
CHECK_LOOK = Look("#ffffff", 0.9, "none", line_mm=0.5, dash_mm=(0.6, 0.6))
UNKNOWN_LOOK = Look(hatch="cross", hatch_mm=2.4, hatch_colour=GREYS[4], line_mm=0.0)
KEPT_OFF_LOOK = Look(line_colour=OKABE_ITO["blue"], line_mm=0.4, dash_mm=(3.0, 1.0, 0.6, 1.0))
GROUND_LOOKS = {kind: replace(look, hatch="none") for kind, look in SURFACE_LOOKS.items()}
GROUND_LOOKS["fairway"] = Look(GREYS[1], 0.5)
_LOOKS = {"treat": TREAT_LOOK, "check": CHECK_LOOK, "look_again": LOOK_AGAIN_LOOK}
_MOST_ROWS = 10  # more of them get a page of their own, so that the map stays large
_LEGEND_MM, _LEGEND_COLUMNS = 10.0, 5
_NEAR_M = 3.0  # surfaces nearer than twice this are shown together close up
_CLOSER = 2.0
_WHOLE = 0.95
_ZONE_COLUMNS = (
    Column("zone", 20),
    Column("what to do", 21),
    Column("where", 30),
    Column("ft²", 18, RIGHT),
    Column("acres", 16, RIGHT),
    Column("m²", 16, RIGHT),
    Column("ha", 15, RIGHT),
    Column("expected", 15, RIGHT),
    Column("between", 25, RIGHT),
    Column("chance above", 20, RIGHT),
)
_NARROWER_MM = {"what to do": 18.0, "where": 24.0, "ft²": 15.0, "acres": 13.0, "m²": 14.0, "ha": 12.0}
_AMOUNT_COLUMNS = (
    *(Column(one.head, _NARROWER_MM.get(one.head, one.width_mm), one.style) for one in _ZONE_COLUMNS),
    Column("at your rate", 18, RIGHT),
)
"""The same, with what a zone takes where the user entered a label's rate."""


def draw_hole(
    book: Book, zones: Zones, ground: Ground, hole: str | None, *, kinds: list[KindShapes], units: Units
) -> None:
    """Draw a hole's pages: its map and zones, its small surfaces close up, and the zones there was no room for."""
    page = book.inside
    zones = _only_hole(zones, hole)
    rate = zones.settings.get("rate")
    columns = _AMOUNT_COLUMNS if rate else _ZONE_COLUMNS
    columns = tuple(stretch_columns(columns, page.width_mm))
    rows = [_zone_row(row, units, parse_rate(rate) if rate else None) for row in zones.zones.itertuples()]
    head = f"Hole {hole}" if hole else "No hole named"
    for number, shown in enumerate(_choose_views(zones.zones, ground)):
        if number:
            next_page(book)
        write_text(book, f"{head}{', close up' if number else ''}", page.west_mm, page.north_mm - 6, HEAD)
        write_text(book, _sum_up(zones, units), page.west_mm, page.north_mm - 11, BODY)
        table_mm = 0.0 if number or len(rows) > _MOST_ROWS else 7 + len(rows) * TABLE_ROW_MM
        foot_mm = table_mm + 16 + _LEGEND_MM
        frame = Frame(page.west_mm, page.south_mm + foot_mm, page.width_mm, page.height_mm - foot_mm - 14)
        view = must_fit(shown, frame, margin_mm=8, turn_deg=upright_turn(shown))
        beneath = draw_ground(book, view, kinds)
        items = _draw_zones(book, view, zones, ground)
        _draw_margin(book, frame, view, units, [*items, *beneath])
        if table_mm:
            table = Frame(page.west_mm, page.south_mm, page.width_mm, table_mm)
            draw_table(book, table, columns, rows, row_mm=TABLE_ROW_MM, head_mm=6.5)
        finish_page(book, zones)
        if not number and not table_mm:
            _draw_rest(book, zones, head, columns, rows)


def _draw_rest(book: Book, zones: Zones, head: str, columns: tuple[Column, ...], rows: list[list[str]]) -> None:
    """Draw a hole's zones on pages of their own."""
    page = book.inside
    done = 0
    while done < len(rows):
        next_page(book)
        write_text(book, f"{head}, its zones", page.west_mm, page.north_mm - 6, HEAD)
        done += draw_table(book, below(page, 10), columns, rows[done:], row_mm=TABLE_ROW_MM, head_mm=6.5)
        finish_page(book, zones)


def _choose_views(mine: gpd.GeoDataFrame, ground: Ground) -> list[Geometry]:
    """Return the ground to show: all surfaces with zones, and again the small ones that are treated only in part."""
    by_id = ground.surfaces.set_index("surface_id").geometry
    whole = shapely.union_all([by_id[name] for name in mine["surface_id"].unique()])
    in_part = mine["area_m2"] < _WHOLE * mine["surface_id"].map(by_id.area)
    small = mine[mine["kind"].isin(("green", "collar", "tee")) & in_part & (mine["action"] != "look_again")]
    close = shapely.union_all([by_id[name] for name in small["surface_id"].unique()])
    groups = polygons_of(shapely.buffer(close, _NEAR_M))
    views = [shapely.intersection(close, group) for group in groups]
    return [whole, *(view for view in views if _width_m(view) < _width_m(whole) / _CLOSER)]


def _width_m(shape: Geometry) -> float:
    return float(np.max(np.ptp(shapely.get_coordinates(shape), axis=0)))


def _of_hole(frame: gpd.GeoDataFrame, hole: str | None) -> gpd.GeoDataFrame:
    return frame[frame["hole"].isna()] if hole is None else frame[frame["hole"] == hole]


def _only_hole(zones: Zones, hole: str | None) -> Zones:
    unknown = None if zones.unknown is None else _of_hole(zones.unknown, hole)
    return replace(zones, zones=_of_hole(zones.zones, hole), unknown=unknown)


def _zone_row(row: Any, units: Units, rate: Rate | None) -> list[str]:
    takes = [take(rate, row.area_m2) if row.action == "treat" else ""] if rate else []
    return [
        row.zone_id,
        ACTIONS[row.action].name,
        place_name(row.hole, row.kind),
        *four_areas(row.area_m2),
        show_density(row.mean_per_m2, units),
        show_range(row.low_per_m2, row.high_per_m2, units),
        percent(row.probability),
        *takes,
    ]


def _sum_up(zones: Zones, units: Units) -> str:
    """Return a hole's plan in a line: what to treat, to look at again, and what is not known."""
    mine, parts = zones.zones, []
    for action, words in ACTIONS.items():
        some = mine[mine["action"] == action]
        if len(some):
            many = "1 zone" if len(some) == 1 else f"{len(some)} zones"
            parts.append(f"{words.over} {many}, {show_area(float(some['area_m2'].sum()), units)}")
    unknown = 0.0 if zones.unknown is None else float(zones.unknown.area.sum())
    if unknown >= 1:
        parts.append(f"besides, {show_area(unknown, units)} not known")
    text = "; ".join(parts)
    return f"{text[0].upper()}{text[1:]}."


def _draw_zones(book: Book, view: MapView, zones: Zones, ground: Ground) -> list[tuple[Look, str]]:
    """Draw what lies on the ground: zones, what is not known, what is kept off; return what shows, for the legend."""
    frame, window = view.frame, view.window()
    unknown = [] if zones.unknown is None else zones.unknown.geometry[zones.unknown.intersects(window)].to_list()
    draw_polygons(book, view, unknown, UNKNOWN_LOOK)
    mapped = zones.zones[zones.zones.intersects(window)]
    for action, look in _LOOKS.items():
        draw_polygons(book, view, mapped.geometry[mapped["action"] == action], look)
    kept_off = _draw_kept_off(book, view, zones, ground, window)
    draw_border(book, frame)
    corner = draw_north_arrow(book, view, (frame.east_mm - 10, frame.north_mm - 10))
    inside = mapped.geometry.intersection(window).representative_point()
    places = view.place(inside.x.to_numpy(), inside.y.to_numpy())
    draw_labels(book, places, list(mapped["zone_id"]), frame, keep_clear=[corner])
    items = [(look, ACTIONS[action].name) for action, look in _LOOKS.items() if action in set(mapped["action"])]
    return items + [(UNKNOWN_LOOK, "not known")] * bool(unknown) + [(KEPT_OFF_LOOK, "kept off, as entered")] * kept_off


def _draw_kept_off(book: Book, view: MapView, zones: Zones, ground: Ground, window: Geometry) -> bool:
    """Draw how far the user keeps off, and return whether any of it shows."""
    shut = keep_off_area(ground.obstacles, zones.settings.get("keep_off_m") or {})
    edge = shapely.intersection(shapely.boundary(shut), window)
    if edge.is_empty:
        return False
    draw_lines(book, view, [part for part in shapely.get_parts(edge) if part.geom_type == "LineString"], KEPT_OFF_LOOK)
    return True


def _draw_margin(book: Book, frame: Frame, view: MapView, units: Units, items: list[tuple[Look, str]]) -> None:
    """Draw scale, check bar and legend under the map."""
    south = frame.south_mm - 10
    draw_scale_bar(book, view, frame.west_mm + 2, south + 2, units=units, most_mm=45)
    draw_check_bar(book, frame.west_mm + 74, south + 3)
    draw_legend(book, frame.west_mm + 2, south - 1, items, columns=_LEGEND_COLUMNS)
