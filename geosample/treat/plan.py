"""The treatment plan on paper: the answer, the areas, the cautions and a place to sign; then a page a hole."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from geosample.cautions import GRADES, TREATMENT
from geosample.palettes import OKABE_ITO
from geosample.sheets.paper import (
    OBSTACLE_LOOKS,
    SURFACE_LOOKS,
    Book,
    Column,
    Frame,
    Look,
    Text,
    close_book,
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
    open_book,
    upright_turn,
    wrap_text,
    write_footer,
    write_lines,
    write_text,
)
from geosample.treat.areas import area_rows, four_areas
from geosample.treat.chart import draw_curve, draw_curve_table
from geosample.treat.curve import read_curve
from geosample.treat.shapes import polygons_of
from geosample.treat.table import place_name
from geosample.units import show_density
from geosample.words import hole_key

if TYPE_CHECKING:
    import geopandas as gpd
    from shapely import Geometry

    from geosample.ground import Ground
    from geosample.sheets.paper import MapView
    from geosample.treat.model import Zones
    from geosample.units import Units

TREAT_LOOK = Look(OKABE_ITO["orange"], 0.55, "falling", 1.6, OKABE_ITO["vermilion"], OKABE_ITO["vermilion"], 0.6)
LOOK_AGAIN_LOOK = Look(None, 1.0, "dots", 1.3, OKABE_ITO["purple"], OKABE_ITO["purple"], 0.5, (1.6, 0.9))
_HEAD = Text(16, bold=True)
_ANSWER = Text(11, bold=True)
_BODY = Text(8.5)
_SMALL = Text(7)
_CAUTION = Text(7.5)
_NEAR_M = 3.0  # surfaces nearer than twice this are shown together close up
_CLOSER = 2.0
_TABLE_ROW_MM = 5.0
_MOST_ROWS = 9
_RIGHT = Text(7, align="right")
_ZONE_COLUMNS = (
    Column("zone", 22),
    Column("what to do", 24),
    Column("where", 42),
    Column("ft²", 19, _RIGHT),
    Column("acres", 16, _RIGHT),
    Column("m²", 17, _RIGHT),
    Column("ha", 16, _RIGHT),
    Column("about", 18, _RIGHT),
    Column("chance above", 14, _RIGHT),
)
_AREA_COLUMNS = (
    Column("hole", 24),
    Column("kind", 28),
    Column("zones", 16, _RIGHT),
    Column("ft²", 26, _RIGHT),
    Column("acres", 22, _RIGHT),
    Column("m²", 24, _RIGHT),
    Column("ha", 22, _RIGHT),
    Column("share of the kind", 26, _RIGHT),
)


def draw_plan(zones: Zones, ground: Ground, *, paper: str = "letter", units: Units = "us", course: str = "") -> bytes:
    """Return the treatment plan as a PDF's bytes.

    Parameters
    ----------
    zones : Zones
        What to treat; an empty plan has its page too.
    ground : Ground
        Drawn beneath the zones.
    paper : {'letter', 'a4'}
        Paper to print on at 100 %.
    course : str
        The course's name, for the heads of the pages.
    """
    title = f"Treatment plan{f', {course}' if course else ''}"
    book = open_book(paper=paper, title=title)
    _draw_first_page(book, zones, ground, title, units)
    _draw_curve_page(book, zones)
    holes = sorted({row.hole for row in zones.zones.itertuples()}, key=hole_key)
    for hole in holes:
        next_page(book)
        _draw_hole(book, zones, ground, hole, units)
    return close_book(book)


def write_plan(
    zones: Zones, ground: Ground, path: str | Path, *, paper: str = "letter", units: Units = "us", course: str = ""
) -> Path:
    """Write the treatment plan; the folder is made. See ``draw_plan``."""
    place = Path(path)
    place.parent.mkdir(parents=True, exist_ok=True)
    place.write_bytes(draw_plan(zones, ground, paper=paper, units=units, course=course))
    return place


def _draw_first_page(book: Book, zones: Zones, ground: Ground, title: str, units: Units) -> None:
    page = book.inside
    write_text(book, title, page.west_mm, page.north_mm - 6, _HEAD)
    about = f"{zones.pest}, counts of {zones.visit}; action threshold {show_density(zones.threshold_per_m2, units)}"
    write_text(book, about, page.west_mm, page.north_mm - 12, _BODY)
    left = write_lines(book, [zones.sentences[0]], _below(page, 16), _ANSWER)
    left = write_lines(
        book, list(zones.sentences[1:]), Frame(page.west_mm, page.south_mm, page.width_mm, left - 2), _BODY
    )
    rows = area_rows(zones, ground)
    foot_mm = _draw_foot(book)
    room = Frame(page.west_mm, foot_mm + 3, page.width_mm, left - 4 + page.south_mm - foot_mm - 3)
    done = draw_table(book, room, _AREA_COLUMNS, rows, row_mm=_TABLE_ROW_MM, head_mm=6) if rows else 0
    _finish_page(book, zones)
    while done < len(rows):
        next_page(book)
        write_text(book, "Areas by hole and kind", page.west_mm, page.north_mm - 6, _HEAD)
        done += draw_table(book, _below(page, 10), _AREA_COLUMNS, rows[done:], row_mm=_TABLE_ROW_MM, head_mm=6)
        _finish_page(book, zones)


def _draw_curve_page(book: Book, zones: Zones) -> None:
    """Draw how well the plan is aimed; no page for a plan of nothing."""
    curve = read_curve(zones.findings)
    if curve.empty or (zones.zones["action"] != "treat").all():
        return
    next_page(book)
    page = book.inside
    write_text(book, "How well it is aimed", page.west_mm, page.north_mm - 6, _HEAD)
    words = (
        "What each way of choosing ground reaches, as the map expects it. Above the dotted line a plan reaches more "
        "than its share of the insects; the intervals come from draws of the whole map."
    )
    left = write_lines(book, [words], _below(page, 10), _BODY)
    draw_curve(book, Frame(page.west_mm, page.south_mm + left - 104, 140, 102), curve)
    draw_curve_table(book, Frame(page.west_mm, page.south_mm, page.width_mm, left - 108), curve)
    _finish_page(book, zones)


def _below(page: Frame, down_mm: float) -> Frame:
    return Frame(page.west_mm, page.south_mm, page.width_mm, page.height_mm - down_mm)


def _finish_page(book: Book, zones: Zones) -> None:
    write_footer(
        book, f"{zones.pest}, {zones.visit}. Suggests where and how sure; the label and a licensed applicator decide."
    )


def _draw_foot(book: Book) -> float:
    """Draw the cautions and the place to sign at the page's foot; return where they start, mm from the bottom."""
    page = book.inside
    lines = [f"{caution.text} [{_ground(caution.grade, caution.source)}]" for caution in TREATMENT]
    height_mm = 27 + sum(len(wrap_text(line, page.width_mm - 6, _CAUTION)) for line in lines) * _CAUTION.step_mm
    box = Frame(page.west_mm, page.south_mm, page.width_mm, height_mm)
    draw_border(book, box)
    inner = box.inset(3)
    write_text(book, "Before anything is applied", inner.west_mm, inner.north_mm - 4, Text(10, bold=True))
    write_lines(book, lines, _below(inner, 6), _CAUTION)
    _draw_signing(book, inner)
    return box.north_mm


def _ground(grade: str, source: str) -> str:
    return f"{grade}: {source}" if source else f"{grade}: {GRADES[grade]}"  # type: ignore[index]


def _draw_signing(book: Book, place: Frame) -> None:
    """Draw the lines to sign on."""
    labels = ("Licensed applicator, name and certification number", "Signature", "Date")
    shares = (0.5, 0.3, 0.2)
    west = place.west_mm
    for label, share in zip(labels, shares, strict=True):
        width = share * place.width_mm
        book.canvas.setStrokeColor("#000000")
        book.canvas.setDash()
        book.canvas.setLineWidth(0.25)
        book.canvas.line(west, place.south_mm + 4, west + width - 4, place.south_mm + 4)
        write_text(book, label, west, place.south_mm + 0.5, _SMALL)
        west += width


def _draw_hole(book: Book, zones: Zones, ground: Ground, hole: str | None, units: Units) -> None:
    page = book.inside
    mine = _of_hole(zones.zones, hole)
    rows = [_zone_row(row, units) for row in mine.itertuples()]
    head = f"Hole {hole}" if hole else "No hole named"
    for number, shown in enumerate(_choose_views(mine, ground)):
        if number:
            next_page(book)
        write_text(book, f"{head}{', close up' if number else ''}", page.west_mm, page.north_mm - 6, _HEAD)
        mapped = mine[mine.intersects(shown)]
        table_mm = 0.0 if number else 7 + min(len(rows), _MOST_ROWS) * _TABLE_ROW_MM
        frame = Frame(page.west_mm, page.south_mm + table_mm + 16, page.width_mm, page.height_mm - table_mm - 26)
        _draw_map(book, frame, mapped, ground, shown, units)
        if not number:
            table = Frame(page.west_mm, page.south_mm, page.width_mm, table_mm)
            draw_table(book, table, _ZONE_COLUMNS, rows[:_MOST_ROWS], row_mm=_TABLE_ROW_MM, head_mm=6.5)
        _finish_page(book, zones)
    _draw_rest(book, zones, head, rows[_MOST_ROWS:])


def _draw_rest(book: Book, zones: Zones, head: str, rows: list[list[str]]) -> None:
    """Draw the rows of zones the hole's own page had no room for."""
    page = book.inside
    done = 0
    while done < len(rows):
        next_page(book)
        write_text(book, f"{head}, more zones", page.west_mm, page.north_mm - 6, _HEAD)
        done += draw_table(book, _below(page, 10), _ZONE_COLUMNS, rows[done:], row_mm=_TABLE_ROW_MM, head_mm=6.5)
        _finish_page(book, zones)


def _choose_views(mine: gpd.GeoDataFrame, ground: Ground) -> list[Geometry]:
    """Return the ground to show: all surfaces with zones, and each green's surroundings again where they are small."""
    by_id = ground.surfaces.set_index("surface_id").geometry
    whole = shapely.union_all([by_id[name] for name in mine["surface_id"].unique()])
    small = mine[mine["kind"].isin(("green", "collar", "tee"))]
    close = shapely.union_all([by_id[name] for name in small["surface_id"].unique()])
    groups = polygons_of(shapely.buffer(close, _NEAR_M))
    views = [shapely.intersection(close, group) for group in groups]
    return [whole, *(view for view in views if _width_m(view) < _width_m(whole) / _CLOSER)]


def _width_m(shape: Geometry) -> float:
    return float(np.max(np.ptp(shapely.get_coordinates(shape), axis=0)))


def _of_hole(frame: gpd.GeoDataFrame, hole: str | None) -> gpd.GeoDataFrame:
    return frame[frame["hole"].isna()] if hole is None else frame[frame["hole"] == hole]


def _zone_row(row: Any, units: Units) -> list[str]:
    return [
        row.zone_id,
        row.action.replace("_", " "),
        place_name(row.hole, row.kind),
        *four_areas(row.area_m2),
        show_density(row.mean_per_m2, units),
        f"{100 * row.probability:.0f} %",
    ]


def _draw_map(book: Book, frame: Frame, mine: gpd.GeoDataFrame, ground: Ground, shown: Geometry, units: Units) -> None:
    view = must_fit(shown, frame, margin_mm=8, turn_deg=upright_turn(shown))
    for kind, look in reversed(SURFACE_LOOKS.items()):  # rough first, beneath the rest
        draw_polygons(book, view, ground.surfaces.geometry[ground.surfaces["kind"] == kind], look)
    shapes = ground.obstacles[ground.obstacles.geometry.geom_type.isin(["Polygon", "MultiPolygon"])]
    for kind, look in OBSTACLE_LOOKS.items():
        draw_polygons(book, view, shapes.geometry[shapes["kind"] == kind], look)
    for action, look in (("treat", TREAT_LOOK), ("look_again", LOOK_AGAIN_LOOK)):
        draw_polygons(book, view, mine.geometry[mine["action"] == action], look)
    draw_border(book, frame)
    corner = draw_north_arrow(book, view, (frame.east_mm - 10, frame.north_mm - 10))
    window = view.window()
    inside = mine.geometry.intersection(window).representative_point()
    places = view.place(inside.x.to_numpy(), inside.y.to_numpy())
    draw_labels(book, places, list(mine["zone_id"]), frame, keep_clear=[corner])
    _draw_margin(book, frame, view, units)


def _draw_margin(book: Book, frame: Frame, view: MapView, units: Units) -> None:
    """Draw scale, check bar and legend under the map."""
    south = frame.south_mm - 10
    draw_scale_bar(book, view, frame.west_mm + 2, south + 2, units=units, most_mm=45)
    draw_check_bar(book, frame.west_mm + 74, south + 3)
    draw_legend(book, frame.west_mm + 146, frame.south_mm - 1, [(TREAT_LOOK, "treat"), (LOOK_AGAIN_LOOK, "look again")])
