"""The field map: an overview with the round to walk, the field sheet, then a page for each group of near surfaces.

A group is drawn at the largest round scale that holds it; ground too long for a page is split over several.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, TypeVar

import numpy as np
import pandas as pd
import shapely
from scipy.sparse.csgraph import connected_components

from geosample.drawing import (
    MAIN_MARK,
    RESERVE_MARK,
    Book,
    Box,
    Column,
    Look,
    MapLayer,
    MapView,
    Mark,
    Text,
    clear_area,
    draw_border,
    draw_check_bar,
    draw_map,
    fit_view,
    flow_pages,
    ground_layers,
    make_table,
    must_fit,
    next_page,
    paint_polygons,
    paragraph,
    space,
    split_views,
    text_width,
    upright_turn,
    write_footer,
    write_paragraphs,
    write_text,
)
from geosample.holes import hole_key
from geosample.palettes import GREYS, OKABE_ITO
from geosample.report.sheets import MAP_WORDS, tell_field_sheet
from geosample.sheets.blanks import ordered_points
from geosample.sheets.finding import DIAL_KINDS, Clock, hour_ray, reach_edge, take_sights, tell_leg
from geosample.units import Units
from geosample.words import NO_HOLE

if TYPE_CHECKING:
    import geopandas as gpd
    from shapely import Geometry

    from geosample.design import Design
    from geosample.ground import Ground

FrameT = TypeVar("FrameT", bound=pd.DataFrame)
PAGE_SCALES = (200, 250, 500, 1000)
"""Scales of the hole pages; ground too wide for the last is split over pages at it."""
NEAR_M = 20.0
"""Surfaces of a hole this near each other share a page, m."""
SMALL_KINDS = ("green", "collar")
"""Kinds drawn large, on pages of their own; the others share pages at a smaller scale."""
HEAD_MM = 13.0
FOOT_MM = 37.0
TICKS_MM = 5.0
ROW_MM = 9.5
ROUND_LOOK = Look(line_colour=OKABE_ITO["vermilion"], line_mm=0.5, dash_mm=(2.0, 1.2))
SMALL_ROUND_LOOK = Look(line_colour=OKABE_ITO["vermilion"], line_mm=0.25, dash_mm=(1.0, 1.5))
DOT = Mark(1.0, line_mm=0.1)
_CLEAR_MM = 1.5
_HOLE_TEXT = Text(8, bold=True)

CENTRED = Text(8, align="centre")
STRONG = Text(8, bold=True)
_FIELD_COLUMNS = (
    Column("walk", 10, CENTRED),
    Column("point", 19, STRONG),
    Column("where to find it", 96),
    Column("from the last point", 20, Text(7)),
    Column("plugs planned", 14, CENTRED),
    Column("plugs pulled", 14),
    Column("moved? to where", 34),
    Column("could not, because", 34),
    Column("hole filled", 12),
    Column("time", 18),
)

_KEY_WIDTH_MM, _KEY_HEIGHT_MM, _KEY_GAP_MM = 26.0, 40.0, 2.0
_KEY_TURF = Look(GREYS[1], line_mm=0.15)
_KEY_OTHER = Look(line_mm=0.2, line_colour=GREYS[3])
_KEY_THIS = Look(hatch="rising", hatch_mm=1.6, hatch_colour=GREYS[3], line_mm=0.5)

_DIAL_REACHES_MM = (0.8, 2.8, 5.5)
"""How far outside the edge an hour's tick begins and ends, and where the middle of its number lies."""
_DIAL_SCALE = 500
"""On smaller maps a dial would be smaller than its numbers."""


@dataclass(frozen=True, slots=True)
class MapPage:
    """One page of the sampling map.

    Parameters
    ----------
    title : str
        Hole and kinds, such as ``Hole 7: green, collar``.
    view : MapView
        The ground it shows.
    part, parts : int
        Which page of how many that show these surfaces.
    surface_ids : tuple of str
        The surfaces it is for.
    views : tuple of MapView
        The ground of all the parts.
    """

    title: str
    view: MapView
    part: int
    parts: int
    surface_ids: tuple[str, ...]
    views: tuple[MapView, ...]


def plan_pages(surfaces: gpd.GeoDataFrame, points: gpd.GeoDataFrame, frame: Box) -> list[MapPage]:
    """Return the pages for the surfaces that hold points, hole by hole, the greens' end first.

    Parameters
    ----------
    surfaces, points : GeoDataFrame
        The ground's surfaces and the design's points.
    frame : Box
        The map's place on each page.
    """
    sampled = surfaces[surfaces["surface_id"].isin(points["surface_id"])]
    pages: list[MapPage] = []
    for hole, of_hole in by_hole(sampled):
        greens = surfaces.geometry[(surfaces["hole"] == hole) & (surfaces["kind"] == "green")]
        small = of_hole["kind"].isin(SMALL_KINDS)
        for group in (of_hole[small], of_hole[~small]):
            for near in _near_groups(group):
                pages += _pages_of(hole, near, points, frame, shapely.union_all(greens.to_numpy()))
    return pages


def by_hole(frame: FrameT) -> list[tuple[str | None, FrameT]]:
    """Return a frame's rows hole by hole in their order, the rows without a hole last under None."""
    names = sorted({hole for hole in frame["hole"] if isinstance(hole, str)}, key=hole_key)
    parts: list[tuple[str | None, FrameT]] = [(name, frame[frame["hole"] == name]) for name in names]
    nameless = frame[frame["hole"].isna()]
    return [*parts, (None, nameless)] if len(nameless) else parts


def _near_groups(surfaces: gpd.GeoDataFrame) -> list[gpd.GeoDataFrame]:
    if surfaces.empty:
        return []
    shapes = surfaces.geometry.to_numpy()
    near = shapely.distance(shapes[:, None], shapes[None, :]) <= NEAR_M
    _, group = connected_components(near, directed=False)
    return [surfaces[group == number] for number in range(group.max() + 1)]


def _pages_of(
    hole: str | None, surfaces: gpd.GeoDataFrame, points: gpd.GeoDataFrame, frame: Box, green: Geometry
) -> list[MapPage]:
    shape = shapely.union_all(surfaces.geometry.to_numpy())
    kinds = ", ".join(dict.fromkeys(surfaces["kind"]))
    title = f"Hole {hole}: {kinds}" if hole is not None else f"No hole: {kinds}"
    places = points.geometry[points["surface_id"].isin(surfaces["surface_id"])].to_numpy()
    views = [view for view in _views_of(shape, frame, green) if shapely.intersects(view.window(), places).any()]
    ids = tuple(surfaces["surface_id"])
    return [MapPage(title, view, number, len(views), ids, tuple(views)) for number, view in enumerate(views, start=1)]


def _views_of(shape: Geometry, frame: Box, green: Geometry) -> Sequence[MapView]:
    """Return one north-up page where that shows as much; else the ground set upright, its green at the top."""
    turn_deg = upright_turn(shape)
    if not shapely.is_empty(green) and _height(green, turn_deg) < _height(shape, turn_deg):
        turn_deg += 180.0
    choices = [fit_view(shape, frame, scales=PAGE_SCALES, turn_deg=turn) for turn in (0.0, turn_deg)]
    fitting = [view for view in choices if view is not None]
    if fitting:
        return [min(fitting, key=lambda view: view.scale)]
    return split_views(shape, frame, scale=PAGE_SCALES[-1], turn_deg=turn_deg)


def _height(shape: Geometry, turn_deg: float) -> float:
    """Return how high up a turned page the middle of a shape lies."""
    middle, angle = shapely.centroid(shape), np.radians(turn_deg)
    return float(middle.x * np.sin(angle) + middle.y * np.cos(angle))


def map_frame(book: Book) -> Box:
    """Return the map's place on a page, between its head and its foot, mm."""
    inside = book.inside
    return Box(
        inside.west_mm + TICKS_MM,
        inside.south_mm + FOOT_MM,
        inside.width_mm - TICKS_MM,
        inside.height_mm - FOOT_MM - HEAD_MM,
    )


def draw_overview(book: Book, design: Design, ground: Ground, *, units: Units) -> None:
    """Draw the whole course with the round to walk and which points lie on which hole."""
    sampled = ground.surfaces[ground.surfaces["surface_id"].isin(design.points["surface_id"])]
    # so far from the frame that neither scale bar nor arrow covers ground
    view = must_fit(shapely.union_all(sampled.geometry.to_numpy()), map_frame(book), margin_mm=13)
    main = ordered_points(design, "main")
    places, texts = _hole_labels(main)
    layers = [
        MapLayer(_walk_of(design), ROUND_LOOK, "the round"),
        MapLayer(main.geometry.to_numpy(), DOT, "main point"),
        MapLayer(places, DOT, labels=texts, label_style=_HOLE_TEXT),
    ]
    write_head(book, design, f"{ground.name or 'Overview'}: the round to walk")
    beneath = ground_layers(ground.surfaces, ground.obstacles)
    draw_map(book, view, beneath, layers, units=units, crs=ground.crs, legend=_legend_box(book))
    _draw_foot(book, design)


def _hole_labels(main: pd.DataFrame) -> tuple[list[Geometry], list[str]]:
    """Return a place and a label for each hole (its name, its points' places in the round) and for both ends."""
    places, texts = [], []
    for hole, points in by_hole(main):
        places.append(points.iloc[0].geometry)
        name = f"hole {hole}" if hole is not None else NO_HOLE
        low, high = points["walk_order"].min(), points["walk_order"].max()
        texts.append(f"{name}: {low}-{high}" if high > low else f"{name}: {low}")
    return [*places, main.iloc[0].geometry, main.iloc[-1].geometry], [*texts, "start", "end"]


def draw_hole_pages(book: Book, design: Design, ground: Ground, *, frame: Box, units: Units) -> list[str]:
    """Draw the hole pages, and return the labels of points that found no room on any page.

    ``frame`` is the map's place on an upright page, for the page before may lie on its side.
    """
    missing = set(design.points["point_id"])
    beneath = ground_layers(ground.surfaces, ground.obstacles)
    walk = MapLayer(_walk_of(design), SMALL_ROUND_LOOK)
    for page in plan_pages(ground.surfaces, design.points, frame):
        next_page(book)
        part = f" (part {page.part} of {page.parts})" if page.parts > 1 else ""
        write_head(book, design, f"{page.title}{part}")
        points = design.points[_points_in(page.view, design.points)]
        own = points["surface_id"].isin(page.surface_ids).to_numpy()
        layers = [
            walk,
            *_dials(page.view, ground, page.surface_ids),
            MapLayer(points.geometry.to_numpy()[~own], DOT),
            *(
                MapLayer(one.geometry.to_numpy(), mark, f"{role} point", one["point_id"].tolist())
                for role, mark in (("main", MAIN_MARK), ("reserve", RESERVE_MARK))
                for one in [points[own & (points["role"] == role).to_numpy()]]
            ),
        ]
        key = _key_box(page, design.points)
        unplaced = draw_map(
            *(book, page.view, beneath, layers),
            units=units,
            crs=ground.crs,
            legend=_legend_box(book),
            keep_clear=[key] if key else [],
        )
        if key:
            _draw_key(book, page, ground, key)
        _draw_foot(book, design)
        missing -= set(points["point_id"][own]) - set(unplaced)
    return sorted(missing)


def _points_in(view: MapView, points: gpd.GeoDataFrame) -> np.ndarray:
    """Return which points lie in a view, clear of its frame's line, shape (n,) of bool."""
    inside = shapely.buffer(view.window(), -_CLEAR_MM / view.mm_per_m, join_style="mitre")
    return np.asarray(shapely.intersects(inside, points.geometry.to_numpy()))


def _walk_of(design: Design) -> list[Geometry]:
    """Return the line from point to point as they are walked; nothing for a single point."""
    corners = shapely.get_coordinates(ordered_points(design, "main").geometry.to_numpy())
    return [shapely.LineString(corners)] if len(corners) > 1 else []


def _legend_box(book: Book) -> Box:
    """Return the place of a map's legend, beside the words at its foot, mm."""
    inside = book.inside
    return Box(inside.west_mm + 92, inside.south_mm, inside.width_mm - 92, FOOT_MM - 5)


def _draw_foot(book: Book, design: Design) -> None:
    inside = book.inside
    west_mm = inside.west_mm + TICKS_MM
    draw_check_bar(book, west_mm, inside.south_mm + FOOT_MM - 11)
    write_paragraphs(book, MAP_WORDS, Box(west_mm, inside.south_mm, 84, FOOT_MM - 16), Text(7))
    write_footer(book, f"Design {design.visit.design_code} · visit {design.visit.visit}")


def write_head(book: Book, design: Design, title: str) -> None:
    """Write a page's title, the visit and the design code at its top."""
    inside, visit = book.inside, design.visit
    right = Text(11, bold=True, align="right")
    room_mm = inside.width_mm - text_width(f"Design {visit.design_code}", right) - 6
    shrink = min(1.0, room_mm / text_width(title, Text(13, bold=True)))
    write_text(book, title, inside.west_mm, inside.north_mm - 5, Text(13 * shrink, bold=True))
    write_text(book, f"Visit {visit.visit}, {visit.pest}", inside.west_mm, inside.north_mm - 10, Text(8))
    write_text(book, f"Design {visit.design_code}", inside.east_mm, inside.north_mm - 5, right)
    write_text(book, f"Date {visit.date}", inside.east_mm, inside.north_mm - 10, Text(8, align="right"))


def _dials(view: MapView, ground: Ground, surface_ids: tuple[str, ...]) -> list[MapLayer]:
    """Return the clock face of each green the surfaces belong to, as the finding words count its hours."""
    if view.scale > _DIAL_SCALE:
        return []
    dials: dict[tuple[float, float], tuple[Clock, Geometry]] = {}
    for surface_id in surface_ids:
        sights = take_sights(ground.surfaces, surface_id)
        if sights.kind in DIAL_KINDS and sights.clock is not None:
            middle = (sights.clock.easting, sights.clock.northing)
            outline = dials[middle][1] if middle in dials else sights.outline
            dials[middle] = (sights.clock, shapely.union(outline, sights.outline))
    lines, numbers = [], []
    for clock, outline in dials.values():
        for hour in range(1, 13):
            middle_m, way = hour_ray(clock, hour)
            edge_m = middle_m + reach_edge(clock, outline, hour) * way
            start, end, number = (edge_m + out_mm / view.mm_per_m * way for out_mm in _DIAL_REACHES_MM)
            lines.append(shapely.LineString([start, end]))
            numbers.append((hour, shapely.Point(number)))
        lines += [shapely.LineString([middle_m - arm, middle_m + arm]) for arm in np.eye(2) * 2 / view.mm_per_m]
    layers = [MapLayer(lines, Look())]
    for bold in (False, True):
        some = [(str(hour), place) for hour, place in numbers if (hour % 6 == 0) is bold]
        style = Text(7, bold=bold, align="centre")
        layers.append(MapLayer([place for _, place in some], style, labels=[hour for hour, _ in some]))
    return layers


def _key_box(page: MapPage, points: gpd.GeoDataFrame) -> Box | None:
    """Return the place for a key: a corner without points, scale bar or arrow; None for a single page."""
    frame = page.view.frame
    left, right = frame.west_mm + _KEY_GAP_MM, frame.east_mm - _KEY_GAP_MM - _KEY_WIDTH_MM
    low, high = frame.south_mm + _KEY_GAP_MM, frame.north_mm - _KEY_GAP_MM - _KEY_HEIGHT_MM
    places = page.view.place_points(points.geometry.to_numpy())
    for west_mm, south_mm in ((right, low), (left, high)) if page.parts > 1 else ():
        box = Box(west_mm, south_mm, _KEY_WIDTH_MM, _KEY_HEIGHT_MM)
        near = box.inset(-2)
        if not any(near.holds(Box(east, north, 0, 0)) for east, north in places):
            return box
    return None


def _draw_key(book: Book, page: MapPage, ground: Ground, box: Box) -> None:
    """Draw the little key on a page that is one of several: which part of the ground it shows."""
    surfaces = ground.surfaces[ground.surfaces["surface_id"].isin(page.surface_ids)].geometry.to_numpy()
    view = _key_view(page, box)
    clear_area(book, box)
    for shape in surfaces:
        paint_polygons(book, view.to_paper(shape), _KEY_TURF)
    for part, other in enumerate(page.views, start=1):
        window = view.to_paper(other.window())
        paint_polygons(book, window, _KEY_THIS if part == page.part else _KEY_OTHER)
        west, _, _, north = shapely.bounds(window)
        write_text(book, str(part), west + 1, north - 3, Text(7, bold=part == page.part))
    draw_border(book, box, line_mm=0.2)


def _key_view(page: MapPage, box: Box) -> MapView:
    """Return a view of all the parts in the box, turned as they are; its scale is of no use to measure by."""
    windows = shapely.union_all([view.window() for view in page.views])
    turn_deg = page.views[0].turn_deg
    west, south, east, north = shapely.bounds(MapView(Box(0, 0, 0, 0), 1000, 0.0, 0.0, turn_deg).to_paper(windows))
    room = box.inset(1.5)
    shrink = max((east - west) / room.width_mm, (north - south) / room.height_mm)
    middle = shapely.centroid(shapely.envelope(windows) if turn_deg == 0 else windows)
    return MapView(box, round(1000 * shrink) + 1, middle.x, middle.y, turn_deg)


def draw_field_sheet(book: Book, design: Design, *, pace_m: float, units: Units) -> None:
    """Draw the field sheet: a row a main point in walking order, the reserve points in a block after them."""
    spare = bool((design.points["role"] == "reserve").any())
    notes = tell_field_sheet(design.visit, units, spare=spare)
    for role in ("main", "reserve") if spare else ("main",):
        columns, title = list(_FIELD_COLUMNS), "Field sheet"
        if role == "reserve":
            title = "Field sheet: reserve points, in this order"
            heads = {"from the last point": "stands in for"}
            columns = [Column(heads.get(one.head, one.head), one.width_mm, one.style) for one in columns]
        draw_rows(book, design, title, columns, _field_rows(design, role, pace_m), notes=notes)


def _field_rows(design: Design, role: str, pace_m: float) -> list[list[str]]:
    points = ordered_points(design, role)
    # The reserve is no round: each of its points is walked to from wherever it is needed.
    legs = [text if isinstance(text, str) else "" for text in points["stratum"]]
    if role == "main":
        places = shapely.get_coordinates(points.geometry.to_numpy())
        legs = ["", *(tell_leg(a, b, pace_m) for a, b in pairwise(places))]
    planned = str(design.visit.units_per_point)
    rows = []
    for point, leg in zip(points.to_dict("records"), legs, strict=True):
        hole = f"hole {point['hole']} " if isinstance(point["hole"], str) else ""
        words = point["finding"] if isinstance(point["finding"], str) else ""
        where = f"{hole}{point['kind']}: {words}{_say_split(point)}".strip()
        rows.append([str(point["walk_order"]), point["point_id"], where, leg, planned, *[""] * 5])
    return rows


def _say_split(point: Mapping[Hashable, object]) -> str:
    """Return which plug goes to which method, where the point's plugs are split."""
    split = point.get("split")
    if not isinstance(split, str):
        return ""
    return "; plugs in a row: " + ", ".join(f"{n} {method}" for n, method in enumerate(split.split(), start=1))


def long_side_mm(book: Book) -> float:
    """Return the width of a page on its side, within its margins, mm."""
    return max(book.inside.width_mm, book.inside.height_mm)


def draw_rows(
    book: Book,
    design: Design,
    title: str,
    columns: Sequence[Column],
    rows: Sequence[Sequence[str]],
    *,
    notes: Sequence[str],
) -> None:
    """Draw rows to write in over as many pages on their sides as they take, the notes above them; none for none.

    Parameters
    ----------
    book : Book
        To draw on.
    design : Design
        Named in the heads and feet.
    title : str
        Of the pages.
    columns : sequence of Column
        Heads and widths; they fill the page.
    rows : sequence of sequence of str
        A cell a column.
    notes : sequence of str
        Paragraphs above the first row.
    """
    if not rows:
        return

    def start_page(number: int) -> Box:
        next_page(book, landscape=True)
        write_head(book, design, f"{title} (continued)" if number else title)
        write_footer(book, f"Design {design.visit.design_code} · visit {design.visit.visit} · {title}")
        return book.inside.below(HEAD_MM)

    table = make_table(columns, rows, width_mm=long_side_mm(book), row_mm=ROW_MM)
    flow_pages(book, [*(paragraph(note, Text(7.5)) for note in notes), space(1.5), table], start_page)
