"""The treatment plan on paper: the answer and the work, a map a hole, and why, on the last page."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from geosample.drawing import (
    SURFACE_LOOKS,
    Book,
    Box,
    Column,
    Look,
    MapLayer,
    Mark,
    Pen,
    Text,
    clear_area,
    close_book,
    draw_border,
    draw_check_bar,
    draw_line,
    draw_table,
    draw_view,
    flow_pages,
    ground_layers,
    make_table,
    must_fit,
    next_page,
    open_book,
    paint_mark,
    paragraph,
    space,
    text_width,
    upright_turn,
    write_footer,
    write_paragraphs,
    write_text,
)
from geosample.errors import TreatError
from geosample.files.saving import save_file
from geosample.palettes import GREYS, OKABE_ITO
from geosample.report.treat import (
    DIRECTIONS,
    WORK_HEADS,
    number_cautions,
    show_take,
    tell_hole,
    tell_overspray,
    tell_place,
    tell_reason,
    tell_reasons,
    tell_sources,
    tell_what_to_treat,
    work_rows,
)
from geosample.treat.passes import find_places
from geosample.treat.zoning import keep_off_area, polygons_of
from geosample.units import percent, percent_range, show_area, show_density, show_length, show_range
from geosample.words import ACTIONS, hole_key

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import geopandas as gpd
    import pandas as pd
    from shapely import Geometry

    from geosample.ground import Ground
    from geosample.treat.model import Zones
    from geosample.treat.passes import ZonePlace
    from geosample.units import Units

HEAD = Text(16, bold=True)
BODY = Text(8.5)
BOLD = Text(8.5, bold=True)
SMALL = Text(7)
RIGHT = Text(7, align="right")
_ANSWER = Text(11, bold=True)
_CAUTION = Text(7.5)
_WHY = Text(7.5)
_SOURCE = Text(6.5)
TABLE_ROW_MM, _FEW_ROWS_MM = 4.8, 7.0
_GAP_MM = 0.9
_WORK_WIDTHS_MM = (11, 25, 72, 20, 14, 20, 19, 15)
_WORK_STYLES = (BODY, SMALL, Text(8), *[Text(7.5, align="right")] * 5)
_ZONE_COLUMNS = (
    Column("zone", 18),
    Column("where", 58, SMALL),
    Column("area", 20, RIGHT),
    Column("bags in it", 13, RIGHT),
    Column("expected", 17, RIGHT),
    Column("90 % interval", 24, RIGHT),
    Column("chance above", 16, RIGHT),
    Column("what to do, and why", 40, SMALL),
)
_TAKE_COLUMN = Column("at your rate", 18, RIGHT)

# as on the page, but for the stripes: the passes are drawn in their place
TREAT_LOOK = Look(OKABE_ITO["orange"], 0.45, line_mm=0.6)
PASS_LOOK = Look(line_colour="#000000", line_mm=0.25)
CHECK_LOOK = Look("#ffffff", 0.9, "none", line_mm=0.5, dash_mm=(0.6, 0.6))
_OFFER_LOOK = replace(CHECK_LOOK, fill_alpha=0.0)  # not cut out: the zone shows through
UNKNOWN_LOOK = Look(hatch="cross", hatch_mm=2.4, hatch_colour=GREYS[4], line_mm=0.0)
KEPT_OFF_LOOK = Look(line_colour=OKABE_ITO["blue"], line_mm=0.4, dash_mm=(3.0, 1.0, 0.6, 1.0))
START_MARK = Mark(1.6, "#ffffff", "#000000", 0.4)
GROUND_LOOKS = {kind: replace(look, hatch="none") for kind, look in SURFACE_LOOKS.items()}
GROUND_LOOKS |= {"fairway": Look(GREYS[1], 0.5), "green": Look(OKABE_ITO["green"], 0.12, line_mm=0.45)}  # paler
_MOST_ROWS = 10  # more of them get a page of their own, so that the map stays large
_LEGEND_MM, _LEGEND_COLUMNS = 10.0, 5
_NEAR_M = 3.0  # surfaces nearer than twice this are shown together close up
_CLOSER = 2.0
_WHOLE = 0.95
_MOST_CLOSE = 2
_CLOSE_SHARE = 0.36  # of the page's width, for what is shown close up beside the map
_LINES = {
    "best cells": (Pen(GREYS[3], 0.4, (2.0, 1.0)), "the densest cells: the best there is"),
    "surfaces": (Pen(OKABE_ITO["green"], 0.5, (0.6, 0.8)), "whole surfaces, densest first"),
    "border": (Pen(OKABE_ITO["blue"], 0.6), "border strips, ever wider"),
}
_GRID = Pen(GREYS[1], 0.15)
_NO_AIM = Pen(GREYS[5], 0.15)
_CURVE_COLUMNS = (
    Column("what is treated", 28, SMALL),
    Column("of the ground", 17, RIGHT),
    Column("of the insects", 17, RIGHT),
    Column("90 % interval", 28, RIGHT),
)
_MOST_LABELS = 4
_MOST_CURVE_ROWS = 5
_CURVE_ROW_MM = 4.2


def draw_plan(zones: Zones, ground: Ground, *, paper: str = "letter", units: Units = "us", course: str = "") -> bytes:
    """Return the treatment plan as a PDF's bytes.

    Parameters
    ----------
    zones : Zones
        What to treat, with its passes, as ``suggest_zones`` returns it; an empty plan has its page too.
    ground : Ground
        Drawn beneath the zones.
    paper : {'letter', 'a4'}
        Paper to print on at 100 %.
    units : {'us', 'metric'}
        Shown, and no others.
    course : str
        The course's name, for the heads of the pages.
    """
    title = f"Treatment plan{f', {course}' if course else ''}"
    book = open_book(paper=paper, title=title)
    places = find_places(zones.zones, ground, units=units)
    _draw_first_page(book, zones, places, title, units)
    holes = sorted({row.hole for row in zones.zones.itertuples()}, key=hole_key)
    beneath = ground_layers(ground.surfaces, ground.obstacles, looks=GROUND_LOOKS)
    for hole in holes:
        next_page(book)
        _draw_hole(book, _only_hole(zones, hole), ground, places=places, beneath=beneath, units=units)
    _draw_last_page(book, zones, units)
    return close_book(book)


def write_plan(
    zones: Zones, ground: Ground, path: str | Path, *, paper: str = "letter", units: Units = "us", course: str = ""
) -> Path:
    """Write the treatment plan and return its path; the folder is made.

    Parameters
    ----------
    path : str or Path
        Where to; a file there is replaced whole.
    zones, ground, paper, units, course
        As for ``draw_plan``.

    Raises
    ------
    TreatError
        When there is no room or no permission.
    """
    return save_file(path, draw_plan(zones, ground, paper=paper, units=units, course=course), TreatError)


def _draw_first_page(book: Book, zones: Zones, places: Mapping[str, ZonePlace], title: str, units: Units) -> None:
    page = book.inside
    write_text(book, title, page.west_mm, page.north_mm - 6, HEAD)
    about = f"{zones.pest}, counts of {zones.visit}; action threshold {show_density(zones.threshold_per_m2, units)}"
    write_text(book, about, page.west_mm, page.north_mm - 12, BODY)
    foot = _draw_foot(book)
    room = Box(page.west_mm, foot.north_mm + 3, page.width_mm, page.north_mm - 16 - foot.north_mm - 3)
    first, *more = tell_what_to_treat(zones, units)
    over = tell_overspray(zones, units)
    left_mm, _ = write_paragraphs(book, [first], room, _ANSWER)
    left_mm, _ = write_paragraphs(book, over, room.below(room.height_mm - left_mm + 2), BOLD, gap_mm=_GAP_MM)
    others = [said for said in more if said not in over]
    left_mm, unsaid = write_paragraphs(
        book, others, room.below(room.height_mm - left_mm + _GAP_MM), BODY, gap_mm=_GAP_MM
    )
    rows, rest = work_rows(zones, places, units), None
    if rows:
        below = room.below(room.height_mm - left_mm + 2)
        head = [f"The work, in driving order. {DIRECTIONS}"]
        left_mm, unsaid_head = write_paragraphs(book, head, below, SMALL)
        row_mm = _FEW_ROWS_MM if len(rows) <= _MOST_ROWS else TABLE_ROW_MM
        table = make_table(_work_columns(rows), rows, width_mm=page.width_mm, row_mm=row_mm, head_mm=row_mm)
        rest = draw_table(book, table, below.below(below.height_mm - left_mm + 1))
        unsaid = [*unsaid, *unsaid_head]
    _finish_page(book, zones)
    _flow(book, zones, "More about the plan", _set(unsaid, BODY))
    _flow(book, zones, "The work, in driving order", [rest] if rest else [])


def _work_columns(rows: Sequence[Sequence[str]]) -> list[Column]:
    parts = zip(WORK_HEADS, _WORK_WIDTHS_MM, _WORK_STYLES, strict=True)
    return [Column(head, width_mm, style) for head, width_mm, style in parts][: len(rows[0])]


def _set(sentences: Sequence[str], style: Text) -> list[Any]:
    """Return sentences as a story, a little apart."""
    return [part for sentence in sentences for part in (paragraph(sentence, style), space(_GAP_MM))]


def _flow(book: Book, zones: Zones, head: str, story: Sequence[Any]) -> None:
    """Let a story flow over pages of its own, as many as it takes; none for none."""

    def start_page(_: int) -> Box:
        next_page(book)
        write_text(book, head, book.inside.west_mm, book.inside.north_mm - 6, HEAD)
        _finish_page(book, zones)
        return book.inside.below(10)

    flow_pages(book, story, start_page)


def _draw_foot(book: Book) -> Box:
    """Draw the cautions and the place to sign at the page's foot; return the paper they take."""
    page = book.inside
    lines = number_cautions()
    high_mm = sum(paragraph(line, _CAUTION).wrap(page.width_mm - 6, page.height_mm)[1] for line in lines)
    box = Box(page.west_mm, page.south_mm, page.width_mm, 27 + high_mm)
    draw_border(book, box)
    inner = box.inset(3)
    write_text(book, "Before anything is applied", inner.west_mm, inner.north_mm - 4, Text(10, bold=True))
    write_paragraphs(book, lines, inner.below(6), _CAUTION)
    west = inner.west_mm
    signing = {"Licensed applicator, name and certification number": 0.5, "Signature": 0.3, "Date": 0.2}
    for label, share in signing.items():
        width = share * inner.width_mm
        draw_line(book, [(west, inner.south_mm + 4), (west + width - 4, inner.south_mm + 4)], Pen())
        write_text(book, label, west, inner.south_mm + 0.5, SMALL)
        west += width
    return box


def _finish_page(book: Book, zones: Zones) -> None:
    """Write the page's foot: whose plan it is, and who decides."""
    made_up = "Simulated counts. " if zones.simulated else ""
    decides = "Suggests where and how sure; the label and a licensed applicator decide."
    pest = f"{zones.pest[0].upper()}{zones.pest[1:]}"
    write_footer(book, f"{made_up}{pest}, {zones.visit}. {decides}")


def _draw_hole(
    book: Book,
    zones: Zones,
    ground: Ground,
    *,
    places: Mapping[str, ZonePlace],
    beneath: Sequence[MapLayer],
    units: Units,
) -> None:
    """Draw a hole's page: its map, its small surfaces close up beside it, and its zones."""
    hole = zones.zones["hole"].iloc[0]
    page, rate = book.inside, zones.settings.sprayer.rate
    unknown_m2 = 0.0 if zones.unknown is None else float(zones.unknown.area.sum())
    rows = [_zone_row(row, places[row.zone_id], zones, units) for row in zones.zones.itertuples()]
    columns = (*_ZONE_COLUMNS, _TAKE_COLUMN) if rate else _ZONE_COLUMNS
    table = make_table(columns, rows, width_mm=page.width_mm, row_mm=TABLE_ROW_MM, head_mm=5.5)
    apart = len(rows) > _MOST_ROWS
    head = f"Hole {hole}" if isinstance(hole, str) else "No hole named"
    write_text(book, head, page.west_mm, page.north_mm - 6, HEAD)
    write_text(book, tell_hole(zones.zones, unknown_m2, units), page.west_mm, page.north_mm - 11, BODY)
    table_mm = 0.0 if apart else table.wrap(page.width_mm, page.height_mm)[1] + 0.5
    foot_mm = table_mm + 16 + _LEGEND_MM
    frame = Box(page.west_mm, page.south_mm + foot_mm, page.width_mm, page.height_mm - foot_mm - 14)
    whole, *close = _choose_views(zones, ground)
    frames = [frame]
    if close := close[:_MOST_CLOSE]:
        wide_mm, high_mm = _CLOSE_SHARE * frame.width_mm, frame.height_mm / len(close)
        frames = [replace(frame, width_mm=frame.width_mm - wide_mm - 2)]
        frames += [
            Box(frame.east_mm - wide_mm, frame.south_mm + at * high_mm, wide_mm, high_mm - (2 if at else 0))
            for at in range(len(close))
        ]
    layers, margin_mm = _zone_layers(zones, ground), frame.south_mm - 10
    for number, (shown, part) in enumerate(zip([whole, *close], frames, strict=True)):
        view = must_fit(shown, part, margin_mm=5 if number else 8, turn_deg=upright_turn(shown))
        draw_view(
            *(book, view, beneath, layers),
            units=units,
            scale_at=(part.west_mm + 2, (part.south_mm if number else margin_mm) + 2),
            legend=None
            if number
            else Box(frame.west_mm + 2, margin_mm - 1 - _LEGEND_MM, page.width_mm - 2, _LEGEND_MM),
            legend_columns=_LEGEND_COLUMNS,
        )
    draw_check_bar(book, frame.west_mm + 74, margin_mm + 3, units=units)
    if table_mm:
        draw_table(book, table, Box(page.west_mm, page.south_mm, page.width_mm, table_mm))
    _finish_page(book, zones)
    if apart:
        _flow(book, zones, f"{head}, its zones", [table])


def _choose_views(zones: Zones, ground: Ground) -> list[Geometry]:
    """Return the ground to show: all surfaces with zones, and again the small ones that are treated only in part."""
    mine = zones.zones
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


def _only_hole(zones: Zones, hole: str | None) -> Zones:
    return replace(
        zones,
        zones=_of_hole(zones.zones, hole),
        unknown=None if zones.unknown is None else _of_hole(zones.unknown, hole),
        drives=tuple(drive for drive in zones.drives if drive.hole == hole),
        offered=tuple(strip for strip in zones.offered if strip.hole == hole),
    )


def _zone_row(row: Any, place: ZonePlace, zones: Zones, units: Units) -> list[str]:
    rate = zones.settings.sprayer.rate
    takes = [show_take(rate, row.area_m2) if row.action == "treat" else ""] if rate else []
    return [
        row.zone_id,
        tell_place(place, row.kind, units),
        show_area(row.area_m2, units),
        str(row.bags),
        show_density(row.mean_per_m2, units),
        show_range(row.low_per_m2, row.high_per_m2, units),
        percent(row.probability),
        tell_reason(row.action, row.reason),
        *takes,
    ]


def _zone_layers(zones: Zones, ground: Ground) -> list[MapLayer]:
    """Return what lies on the ground: zones and passes, check strips, what is not known, how far the user keeps off."""
    treat, check = zones.of("treat"), zones.of("check")
    lines = [line for drive in zones.drives for line in drive.passes]
    starts = [shapely.get_point(drive.passes[0], 0) for drive in zones.drives if drive.passes]
    unknown = [] if zones.unknown is None else zones.unknown.geometry.to_numpy()
    shut = shapely.boundary(keep_off_area(ground.obstacles, zones.settings.keep_off_m))
    offered = [strip.geometry for strip in zones.offered]
    return [
        MapLayer(treat.geometry.to_numpy(), TREAT_LOOK, ACTIONS["treat"].name, treat["zone_id"].tolist()),
        MapLayer(lines, PASS_LOOK, "pass of the boom"),
        MapLayer(check.geometry.to_numpy(), CHECK_LOOK, "check strip: leave", check["zone_id"].tolist()),
        MapLayer(offered, _OFFER_LOOK, "check strip to leave?", ["leave?"] * len(offered)),
        MapLayer(unknown, UNKNOWN_LOOK, "not known"),
        MapLayer(shapely.get_parts(shut), KEPT_OFF_LOOK, "kept off, as entered"),
        MapLayer(starts, START_MARK, "start here"),
    ]


def _draw_last_page(book: Book, zones: Zones, units: Units) -> None:
    """Draw why: how well the plan is aimed, the reasons, and what all of it rests on."""
    next_page(book)
    page = book.inside
    write_text(book, "Why this plan, and how sure", page.west_mm, page.north_mm - 6, HEAD)
    sources = ["Sources and how sure", *tell_sources(zones, units)]
    source_mm = sum(paragraph(line, _SOURCE).wrap(page.width_mm - 6, page.height_mm)[1] for line in sources) + 8
    foot = Box(page.west_mm, page.south_mm, page.width_mm, source_mm)
    draw_border(book, foot)
    write_text(book, sources[0], foot.west_mm + 3, foot.north_mm - 5, BOLD)
    write_paragraphs(book, sources[1:], foot.inset(3).below(4), _SOURCE)
    room = Box(page.west_mm, foot.north_mm + 3, page.width_mm, page.height_mm - 10 - source_mm - 3)
    curve = zones.figures.curve
    if not (curve.empty or zones.of("treat").empty):
        high_mm, wide_mm = 78.0, 106.0
        draw_curve(book, Box(room.west_mm, room.north_mm - high_mm, wide_mm, high_mm), curve, units)
        columns, rows = curve_table(curve, units)
        beside_mm = room.width_mm - wide_mm - 3
        words = (
            "What each way of choosing ground reaches, as the map expects it. Above the thin straight line a plan "
            "reaches more than its share; the intervals come from draws of the whole map."
        )
        beside = Box(room.east_mm - beside_mm, room.north_mm - high_mm, beside_mm, high_mm - 4)
        left_mm, _ = write_paragraphs(book, [words], beside, SMALL)
        table = make_table(columns, rows, width_mm=beside_mm, row_mm=_CURVE_ROW_MM, head_mm=5)
        draw_table(book, table, beside.below(beside.height_mm - left_mm + 1))
        room = room.below(high_mm + 2)
    _, unsaid = write_paragraphs(book, tell_reasons(zones, units), room, _WHY, gap_mm=_GAP_MM)
    _finish_page(book, zones)
    _flow(book, zones, "Why this plan, and how sure", _set(unsaid, _WHY))


def draw_curve(book: Book, frame: Box, curve: pd.DataFrame, units: Units) -> None:
    """Draw share of insects reached against share of ground treated, with the plan marked and its interval."""
    plot = Box(frame.west_mm + 14, frame.south_mm + 12, frame.width_mm - 18, frame.height_mm - 16)
    _draw_axes(book, plot)
    for way, (pen, _) in _LINES.items():
        part = curve[curve["way"] == way].sort_values("area_share")
        along = np.vstack([[0.0, 0.0], part[["area_share", "insect_share"]].to_numpy(float)])
        if way == "best cells":
            along = np.vstack([along, [1.0, 1.0]])
        draw_line(book, _place_shares(plot, along), pen)
    wide = 11 + max(text_width(words, SMALL) for _, words in _LINES.values())
    _draw_key(book, Box(plot.east_mm - wide - 1, plot.south_mm + 1, wide, 24))
    _mark_strips(book, plot, curve[curve["way"] == "border"], units)
    _mark_plan(book, plot, curve[curve["way"] == "zones"])


def curve_table(curve: pd.DataFrame, units: Units) -> tuple[tuple[Column, ...], list[list[str]]]:
    """Return the columns and rows of the curve's table, the plan first."""
    order = ("zones", "border", "surfaces")
    some = [part for way in order for part in _thin_out(curve[curve["way"] == way].sort_values("area_share"))]
    rows = [
        [
            _name_step(row, units),
            percent(row["area_share"]),
            percent(row["insect_share"]),
            percent_range(row["low"], row["high"]),
        ]
        for row in some
    ]
    return _CURVE_COLUMNS, rows


def _thin_out(steps: pd.DataFrame) -> list[dict[Any, Any]]:
    """Return a few of a way's steps, evenly apart."""
    found: list[dict[Any, Any]] = steps.to_dict("records")
    return found[:: -(-len(found) // _MOST_CURVE_ROWS)] if found else []


def _name_step(row: Mapping[Any, Any], units: Units) -> str:
    """Return what a step of the curve treats."""
    if row["way"] == "border":
        return f"border {show_length(row['width_m'], units)}"
    if row["way"] == "surfaces":
        return f"{row['surfaces']:.0f} densest {'surface' if row['surfaces'] == 1 else 'surfaces'}"
    return "this plan's zones"


def _place_shares(plot: Box, shares: np.ndarray) -> np.ndarray:
    return shares * [plot.width_mm, plot.height_mm] + [plot.west_mm, plot.south_mm]


def _draw_axes(book: Book, plot: Box) -> None:
    draw_border(book, plot, line_mm=0.25)
    for share in (0.0, 0.25, 0.5, 0.75, 1.0):
        east, north = plot.west_mm + share * plot.width_mm, plot.south_mm + share * plot.height_mm
        draw_line(book, [(east, plot.south_mm), (east, plot.north_mm)], _GRID)
        draw_line(book, [(plot.west_mm, north), (plot.east_mm, north)], _GRID)
        write_text(book, percent(share), east, plot.south_mm - 4, Text(7, align="centre"))
        write_text(book, percent(share), plot.west_mm - 1.5, north - 1, RIGHT)
    draw_line(book, _place_shares(plot, np.array([[0.0, 0.0], [1.0, 1.0]])), _NO_AIM)
    middle = Text(8, align="centre")
    write_text(book, "share of the mapped ground treated", plot.west_mm + plot.width_mm / 2, plot.south_mm - 9, middle)
    with book.turned(plot.west_mm - 11, plot.south_mm + plot.height_mm / 2, 90.0):
        write_text(book, "share of the insects reached", 0, 0, middle)


def _mark_strips(book: Book, plot: Box, border: pd.DataFrame, units: Units) -> None:
    """Mark each strip, and write the width of a few."""
    places = _place_shares(plot, border[["area_share", "insect_share"]].to_numpy(float))
    step = max(1, len(border) // _MOST_LABELS)
    for number, (place, width_m) in enumerate(zip(places, border["width_m"], strict=True)):
        paint_mark(book, place[0], place[1], Mark(1.2, "#ffffff", OKABE_ITO["blue"], 0.3))
        # Beyond that a width would be written over the plot's edge.
        if number % step == 0 and place[0] < plot.east_mm - 12:
            write_text(book, show_length(width_m, units), place[0] + 1.5, place[1] - 2.8, Text(7))


def _mark_plan(book: Book, plot: Box, zones: pd.DataFrame) -> None:
    """Mark the chosen plan, with its interval as an upright bar."""
    row = zones.iloc[0]
    along = np.array([[row["area_share"], row["low"]], [row["area_share"], row["high"]]])
    draw_line(book, _place_shares(plot, along), Pen(OKABE_ITO["vermilion"], 0.8))
    middle = _place_shares(plot, np.array([[row["area_share"], row["insect_share"]]]))[0]
    paint_mark(book, middle[0], middle[1], Mark(3.0, OKABE_ITO["vermilion"], "#000000", 0.4))


def _draw_key(book: Book, place: Box) -> None:
    clear_area(book, place)
    north = place.north_mm - 3
    paint_mark(book, place.west_mm + 4, north + 1, Mark(2.4, OKABE_ITO["vermilion"], "#000000", 0.4))
    write_text(book, "this plan, with its 90 % interval", place.west_mm + 10, north, SMALL)
    for number, (pen, words) in enumerate([*_LINES.values(), (_NO_AIM, "no aim: share for share")]):
        level = north - 4.4 * (number + 1)
        draw_line(book, [(place.west_mm, level + 1), (place.west_mm + 8, level + 1)], pen)
        write_text(book, words, place.west_mm + 10, level, SMALL)
