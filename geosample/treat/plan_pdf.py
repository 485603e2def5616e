"""The treatment plan on paper: the answer, the areas, the cautions and a place to sign; a page a hole; the reasons."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

from geosample.cautions import TREATMENT
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
    close_book,
    draw_border,
    draw_check_bar,
    draw_line,
    draw_map,
    draw_table,
    flow_pages,
    ground_layers,
    make_table,
    must_fit,
    next_page,
    open_book,
    paint_mark,
    paragraph,
    space,
    upright_turn,
    write_footer,
    write_paragraphs,
    write_text,
    write_upright,
)
from geosample.errors import TreatError
from geosample.files.saving import save_file
from geosample.holes import hole_key, name_place
from geosample.palettes import GREYS, OKABE_ITO
from geosample.report.treat import show_saving, show_take, tell_answer, tell_hole, tell_reason, tell_reasons, tell_zone
from geosample.treat.shapes import keep_off_area, polygons_of
from geosample.units import (
    ACRE_M2,
    FOOT2_M2,
    HECTARE_M2,
    percent,
    percent_range,
    show_density,
    show_length,
    show_range,
)
from geosample.words import ACTIONS, KIND_LETTERS

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import geopandas as gpd
    from shapely import Geometry

    from geosample.ground import Ground
    from geosample.treat.model import Zones
    from geosample.units import Units

HEAD = Text(16, bold=True)
BODY = Text(8.5)
SMALL = Text(7)
RIGHT = Text(7, align="right")
_ANSWER = Text(11, bold=True)
_CAUTION = Text(7.5)
TABLE_ROW_MM = 5.0
_GAP_MM = 0.9
_AREA_COLUMNS = (
    Column("hole", 24),
    Column("kind", 28),
    Column("zones", 16, RIGHT),
    Column("ft²", 26, RIGHT),
    Column("acres", 22, RIGHT),
    Column("m²", 24, RIGHT),
    Column("ha", 22, RIGHT),
    Column("share of the kind", 26, RIGHT),
)

# as on the page: stripes and a whole outline; no hatch of the ground beneath is like them
TREAT_LOOK = Look(OKABE_ITO["orange"], 0.45, "falling", 1.6, line_mm=0.6)
CHECK_LOOK = Look("#ffffff", 0.9, "none", line_mm=0.5, dash_mm=(0.6, 0.6))
UNKNOWN_LOOK = Look(hatch="cross", hatch_mm=2.4, hatch_colour=GREYS[4], line_mm=0.0)
KEPT_OFF_LOOK = Look(line_colour=OKABE_ITO["blue"], line_mm=0.4, dash_mm=(3.0, 1.0, 0.6, 1.0))
GROUND_LOOKS = {kind: replace(look, hatch="none") for kind, look in SURFACE_LOOKS.items()}
GROUND_LOOKS["fairway"] = Look(GREYS[1], 0.5)
_LOOKS = {"treat": TREAT_LOOK, "check": CHECK_LOOK}
_MOST_ROWS = 10  # more of them get a page of their own, so that the map stays large
_LEGEND_MM, _LEGEND_COLUMNS = 10.0, 5
_NEAR_M = 3.0  # surfaces nearer than twice this are shown together close up
_CLOSER = 2.0
_WHOLE = 0.95
_ZONE_COLUMNS = (
    Column("zone", 20),
    Column("what to do, and why", 36, SMALL),
    Column("where", 30),
    Column("ft²", 18, RIGHT),
    Column("acres", 16, RIGHT),
    Column("m²", 16, RIGHT),
    Column("ha", 15, RIGHT),
    Column("expected", 15, RIGHT),
    Column("between", 23, RIGHT),
    Column("chance above", 22, RIGHT),
    Column("saves", 13, RIGHT),
)
_NARROWER_MM = {"what to do, and why": 32.0, "where": 24.0, "ft²": 15.0, "acres": 13.0, "m²": 14.0, "ha": 12.0}
_AMOUNT_COLUMNS = (
    *(Column(one.head, _NARROWER_MM.get(one.head, one.width_mm), one.style) for one in _ZONE_COLUMNS),
    Column("at your rate", 18, RIGHT),
)
"""The same, with what a zone takes where the user entered a label's rate."""
_LINES = {
    "best cells": (Pen(GREYS[3], 0.4, (2.0, 1.0)), "the densest cells: no plan can do better"),
    "surfaces": (Pen(OKABE_ITO["green"], 0.5, (0.6, 0.8)), "whole surfaces, densest first"),
    "border": (Pen(OKABE_ITO["blue"], 0.6), "border strips, ever wider"),
}
_GRID = Pen(GREYS[1], 0.15)
_NO_AIM = Pen(GREYS[5], 0.15)
_CURVE_COLUMNS = (
    Column("what is treated", 46),
    Column("area, share of the mapped", 24, RIGHT),
    Column("insects reached", 24, RIGHT),
    Column("90 % interval", 30, RIGHT),
)
_MOST_LABELS = 4
_MOST_CURVE_ROWS = 8
_CURVE_ROW_MM = 4.6


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
    units : {'us', 'metric'}
        Shown first.
    course : str
        The course's name, for the heads of the pages.
    """
    title = f"Treatment plan{f', {course}' if course else ''}"
    book = open_book(paper=paper, title=title)
    _draw_first_page(book, zones, ground, title, units)
    holes = sorted({row.hole for row in zones.zones.itertuples()}, key=hole_key)
    beneath = ground_layers(ground.surfaces, ground.obstacles, looks=GROUND_LOOKS)
    for hole in holes:
        next_page(book)
        draw_hole(book, zones, ground, hole, beneath=beneath, units=units)
    places = [_tell_strip_place(row, ground, units) for row in zones.of("check").itertuples()]
    _flow(book, zones, "Where the check strips are", _set(places))
    _flow(book, zones, "Why this plan", _set(tell_reasons(zones, units)))
    _draw_curve_page(book, zones, units)
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


def _tell_strip_place(row: Any, ground: Ground, units: Units) -> str:
    """Return a check strip's sentence, with the words that lead to its middle, or that only its outline does."""
    from geosample.sheets import PACE_M
    from geosample.sheets.finding import take_sights, write_finding

    sights, middle = take_sights(ground.surfaces, row.surface_id), row.geometry.representative_point()
    place = np.array([middle.x, middle.y])
    words = write_finding(sights, place, pace_m=PACE_M, units=units)
    lead = f"Its middle: {words}." if words else "Find it by its outline in the GPX file."
    return f"{row.zone_id}: {tell_zone(row, units)} {lead}"


def _draw_first_page(book: Book, zones: Zones, ground: Ground, title: str, units: Units) -> None:
    page = book.inside
    write_text(book, title, page.west_mm, page.north_mm - 6, HEAD)
    about = f"{zones.pest}, counts of {zones.visit}; action threshold {show_density(zones.threshold_per_m2, units)}"
    write_text(book, about, page.west_mm, page.north_mm - 12, BODY)
    foot = _draw_foot(book)
    room = Box(page.west_mm, foot.north_mm + 3, page.width_mm, page.north_mm - 16 - foot.north_mm - 3)
    first, *more = tell_answer(zones, units)
    left_mm, _ = write_paragraphs(book, [first], room, _ANSWER)
    left_mm, unsaid = write_paragraphs(book, more, room.below(room.height_mm - left_mm + 2), BODY, gap_mm=_GAP_MM)
    rows = area_rows(zones, ground)
    table = make_table(_AREA_COLUMNS, rows, width_mm=page.width_mm, row_mm=TABLE_ROW_MM, head_mm=6.0) if rows else None
    rest = draw_table(book, table, room.below(room.height_mm - left_mm + 3)) if table else None
    finish_page(book, zones)
    _flow(book, zones, "More about the plan", _set(unsaid))
    _flow(book, zones, "Areas by hole and kind", [rest] if rest else [])


def _set(sentences: Sequence[str]) -> list[Any]:
    """Return sentences as a story, a little apart."""
    return [part for sentence in sentences for part in (paragraph(sentence, BODY), space(_GAP_MM))]


def _flow(book: Book, zones: Zones, head: str, story: Sequence[Any]) -> None:
    """Let a story flow over pages of its own, as many as it takes; none for none."""

    def start_page(_: int) -> Box:
        next_page(book)
        write_text(book, head, book.inside.west_mm, book.inside.north_mm - 6, HEAD)
        finish_page(book, zones)
        return book.inside.below(10)

    flow_pages(book, story, start_page)


def _draw_curve_page(book: Book, zones: Zones, units: Units) -> None:
    """Draw how well the plan is aimed; no page for a plan of nothing."""
    curve = zones.figures.curve
    if curve.empty or zones.of("treat").empty:
        return
    next_page(book)
    page = book.inside
    write_text(book, "How well it is aimed", page.west_mm, page.north_mm - 6, HEAD)
    words = (
        "What each way of choosing ground reaches, as the map expects it. Above the thin straight line a plan reaches "
        "more than its share of the insects; the intervals come from draws of the whole map."
    )
    left_mm, _ = write_paragraphs(book, [words], page.below(10), BODY)
    draw_curve(book, Box(page.west_mm, page.south_mm + left_mm - 104, 140, 102), curve, units)
    columns, rows = curve_table(curve, units)
    width_mm = sum(column.width_mm for column in columns)
    table = make_table(columns, rows, width_mm=width_mm, row_mm=_CURVE_ROW_MM, head_mm=7)
    rest = draw_table(book, table, Box(page.west_mm, page.south_mm, width_mm, left_mm - 108))
    finish_page(book, zones)
    _flow(book, zones, "How well it is aimed", [rest] if rest else [])


def _draw_foot(book: Book) -> Box:
    """Draw the cautions and the place to sign at the page's foot; return the paper they take."""
    page = book.inside
    lines = [str(caution) for caution in TREATMENT]
    high_mm = sum(paragraph(line, _CAUTION).wrap(page.width_mm - 6, page.height_mm)[1] for line in lines)
    box = Box(page.west_mm, page.south_mm, page.width_mm, 27 + high_mm)
    draw_border(book, box)
    inner = box.inset(3)
    write_text(book, "Before anything is applied", inner.west_mm, inner.north_mm - 4, Text(10, bold=True))
    write_paragraphs(book, lines, inner.below(6), _CAUTION)
    _draw_signing(book, inner)
    return box


def _draw_signing(book: Book, place: Box) -> None:
    """Draw the lines to sign on."""
    labels = ("Licensed applicator, name and certification number", "Signature", "Date")
    shares = (0.5, 0.3, 0.2)
    west = place.west_mm
    for label, share in zip(labels, shares, strict=True):
        width = share * place.width_mm
        draw_line(book, [(west, place.south_mm + 4), (west + width - 4, place.south_mm + 4)], Pen())
        write_text(book, label, west, place.south_mm + 0.5, SMALL)
        west += width


def finish_page(book: Book, zones: Zones) -> None:
    """Write the page's foot: whose plan it is, and who decides."""
    made_up = "Simulated counts. " if zones.simulated else ""
    decides = "Suggests where and how sure; the label and a licensed applicator decide."
    pest = f"{zones.pest[0].upper()}{zones.pest[1:]}"
    write_footer(book, f"{made_up}{pest}, {zones.visit}. {decides}")


def four_areas(area_m2: float) -> list[str]:
    """Return an area in ft², acres, m² and ha.

    Examples
    --------
    >>> four_areas(4046.8564224)
    ['43,560', '1.00', '4,047', '0.405']
    """
    acres, hectares = area_m2 / ACRE_M2, area_m2 / HECTARE_M2
    return [
        f"{area_m2 / FOOT2_M2:,.0f}",
        f"{acres:.2f}" if acres >= 1 else f"{acres:.3f}",
        f"{area_m2:,.0f}",
        f"{hectares:.3f}",
    ]


def sum_areas(zones: Zones, ground: Ground) -> pd.DataFrame:
    """Return the areas to treat by hole and kind, and the share of that kind on that hole.

    Returns
    -------
    DataFrame
        hole, kind, zones (how many), area_m2, share (0 to 1), in the order of the holes.
    """
    treat = zones.of("treat").assign(hole=lambda f: f["hole"].fillna(""))
    sums = treat.groupby(["hole", "kind"], as_index=False).agg(zones=("zone_id", "size"), area_m2=("area_m2", "sum"))
    surfaces = ground.surfaces.assign(hole=ground.surfaces["hole"].fillna(""), all_m2=ground.surfaces.area)
    whole = surfaces.groupby(["hole", "kind"], as_index=False)["all_m2"].sum()
    both = sums.merge(whole, on=["hole", "kind"], how="left")
    both = both.assign(share=both["area_m2"] / both["all_m2"]).drop(columns="all_m2")
    kinds = list(KIND_LETTERS)
    order = sorted(
        range(len(both)), key=lambda i: (hole_key(both["hole"].iloc[i] or None), kinds.index(both["kind"].iloc[i]))
    )
    ordered: pd.DataFrame = both.iloc[order].reset_index(drop=True)
    return ordered


def area_rows(zones: Zones, ground: Ground) -> list[list[str]]:
    """Return the areas by hole and kind as text, with a row for all of them first; no rows for an empty plan."""
    sums = sum_areas(zones, ground)
    if sums.empty:
        return []
    total = ["all", "", f"{sums['zones'].sum()}", *four_areas(float(sums["area_m2"].sum())), ""]
    return [total, *(_row(row) for row in sums.itertuples())]


def _row(row: Any) -> list[str]:
    hole = row.hole or "none named"
    return [hole, row.kind, str(row.zones), *four_areas(row.area_m2), percent(row.share)]


def draw_hole(
    book: Book, zones: Zones, ground: Ground, hole: str | None, *, beneath: Sequence[MapLayer], units: Units
) -> None:
    """Draw a hole's pages: its map and zones, its small surfaces close up, and the zones there was no room for."""
    page = book.inside
    zones = _only_hole(zones, hole)
    unknown_m2 = 0.0 if zones.unknown is None else float(zones.unknown.area.sum())
    rate = zones.settings.sprayer.rate
    rows = [_zone_row(row, units, zones) for row in zones.zones.itertuples()]
    columns = _AMOUNT_COLUMNS if rate else _ZONE_COLUMNS
    table = make_table(columns, rows, width_mm=page.width_mm, row_mm=TABLE_ROW_MM, head_mm=6.5)
    apart = len(rows) > _MOST_ROWS
    head = f"Hole {hole}" if hole else "No hole named"
    for number, shown in enumerate(_choose_views(zones.zones, ground)):
        if number:
            next_page(book)
        write_text(book, f"{head}{', close up' if number else ''}", page.west_mm, page.north_mm - 6, HEAD)
        write_text(book, tell_hole(zones.zones, unknown_m2, units), page.west_mm, page.north_mm - 11, BODY)
        table_mm = 0.0 if number or apart else table.wrap(page.width_mm, page.height_mm)[1] + 0.5
        foot_mm = table_mm + 16 + _LEGEND_MM
        frame = Box(page.west_mm, page.south_mm + foot_mm, page.width_mm, page.height_mm - foot_mm - 14)
        view = must_fit(shown, frame, margin_mm=8, turn_deg=upright_turn(shown))
        margin_mm = frame.south_mm - 10
        draw_map(
            *(book, view, beneath, _zone_layers(zones, ground)),
            units=units,
            scale_at=(frame.west_mm + 2, margin_mm + 2),
            legend=Box(frame.west_mm + 2, margin_mm - 1 - _LEGEND_MM, frame.width_mm - 2, _LEGEND_MM),
            legend_columns=_LEGEND_COLUMNS,
        )
        draw_check_bar(book, frame.west_mm + 74, margin_mm + 3)
        if table_mm:
            draw_table(book, table, Box(page.west_mm, page.south_mm, page.width_mm, table_mm))
        finish_page(book, zones)
        if apart and not number:
            _flow(book, zones, f"{head}, its zones", [table])


def _choose_views(mine: gpd.GeoDataFrame, ground: Ground) -> list[Geometry]:
    """Return the ground to show: all surfaces with zones, and again the small ones that are treated only in part."""
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
    unknown = None if zones.unknown is None else _of_hole(zones.unknown, hole)
    return replace(zones, zones=_of_hole(zones.zones, hole), unknown=unknown)


def _zone_row(row: Any, units: Units, zones: Zones) -> list[str]:
    rate = zones.settings.sprayer.rate
    takes = [show_take(rate, row.area_m2) if row.action == "treat" else ""] if rate else []
    return [
        row.zone_id,
        tell_reason(row.action, row.reason),
        name_place(row.hole, row.kind),
        *four_areas(row.area_m2),
        show_density(row.mean_per_m2, units),
        show_range(row.low_per_m2, row.high_per_m2, units),
        percent(row.probability),
        show_saving(row.action, row.probability, zones),
        *takes,
    ]


def _zone_layers(zones: Zones, ground: Ground) -> list[MapLayer]:
    """Return what lies on the ground: the zones, what is not known, how far the user keeps off."""
    layers = []
    for action, look in _LOOKS.items():
        some = zones.of(action)
        layers.append(MapLayer(some.geometry.to_numpy(), look, ACTIONS[action].name, some["zone_id"].tolist()))
    unknown = [] if zones.unknown is None else zones.unknown.geometry.to_numpy()
    shut = shapely.boundary(keep_off_area(ground.obstacles, zones.settings.keep_off_m))
    return [
        *layers,
        MapLayer(unknown, UNKNOWN_LOOK, "not known"),
        MapLayer(shapely.get_parts(shut), KEPT_OFF_LOOK, "kept off, as entered"),
    ]


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
    _mark_strips(book, plot, curve[curve["way"] == "border"], units)
    _mark_plan(book, plot, curve[curve["way"] == "zones"])
    _draw_key(book, Box(plot.west_mm + plot.width_mm * 0.42, plot.south_mm + 3, plot.width_mm * 0.55, 24))


def curve_table(curve: pd.DataFrame, units: Units) -> tuple[tuple[Column, ...], list[list[str]]]:
    """Return the columns and rows of the curve's table, the plan first."""
    order = {"zones": 0, "border": 1, "surfaces": 2}
    surfaces = curve[curve["way"] == "surfaces"]
    surfaces = surfaces.iloc[:: max(1, len(surfaces) // _MOST_CURVE_ROWS)]
    curve = pd.concat([curve[curve["way"].isin(["zones", "border"])], surfaces])
    sorted_rows = sorted(curve.to_dict("records"), key=lambda row: (order[row["way"]], row["area_share"]))
    rows = [
        [
            _name_step(row, units),
            percent(row["area_share"]),
            percent(row["insect_share"]),
            percent_range(row["low"], row["high"]),
        ]
        for row in sorted_rows
    ]
    return _CURVE_COLUMNS, rows


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
    upright = plot.west_mm - 11, plot.south_mm + plot.height_mm / 2
    write_upright(book, "share of the insects reached", *upright, middle)


def _mark_strips(book: Book, plot: Box, border: pd.DataFrame, units: Units) -> None:
    """Mark each strip, and write the width of a few."""
    places = _place_shares(plot, border[["area_share", "insect_share"]].to_numpy(float))
    step = max(1, len(border) // _MOST_LABELS)
    for number, (place, width_m) in enumerate(zip(places, border["width_m"], strict=True)):
        paint_mark(book, place[0], place[1], Mark(1.2, "#ffffff", OKABE_ITO["blue"], 0.3))
        if number % step == 0 and number < len(border) - 1:
            write_text(book, show_length(width_m, units), place[0] + 1.5, place[1] - 2.8, Text(7))


def _mark_plan(book: Book, plot: Box, zones: pd.DataFrame) -> None:
    """Mark the chosen plan, with its interval as an upright bar."""
    row = zones.iloc[0]
    along = np.array([[row["area_share"], row["low"]], [row["area_share"], row["high"]]])
    draw_line(book, _place_shares(plot, along), Pen(OKABE_ITO["vermilion"], 0.8))
    middle = _place_shares(plot, np.array([[row["area_share"], row["insect_share"]]]))[0]
    paint_mark(book, middle[0], middle[1], Mark(3.0, OKABE_ITO["vermilion"], "#000000", 0.4))


def _draw_key(book: Book, place: Box) -> None:
    north = place.north_mm - 3
    paint_mark(book, place.west_mm + 4, north + 1, Mark(2.4, OKABE_ITO["vermilion"], "#000000", 0.4))
    write_text(book, "this plan, with its 90 % interval", place.west_mm + 10, north, SMALL)
    for number, (pen, words) in enumerate([*_LINES.values(), (_NO_AIM, "no aim: share for share")]):
        level = north - 4.4 * (number + 1)
        draw_line(book, [(place.west_mm, level + 1), (place.west_mm + 8, level + 1)], pen)
        write_text(book, words, place.west_mm + 10, level, SMALL)
