"""The sampling map: an overview with the round to walk, then a page for each group of near surfaces."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import shapely

from geosample.cautions import FIELD
from geosample.palettes import OKABE_ITO
from geosample.paper import (
    MAIN_MARK,
    RESERVE_MARK,
    Book,
    Frame,
    KindShapes,
    Look,
    MapView,
    Mark,
    Text,
    draw_border,
    draw_check_bar,
    draw_ground,
    draw_labels,
    draw_legend,
    draw_lines,
    draw_north_arrow,
    draw_points,
    draw_scale_bar,
    draw_ticks,
    must_fit,
    next_page,
    sort_ground,
    text_width,
    write_footer,
    write_lines,
    write_text,
)
from geosample.sheets.columns import ordered_points
from geosample.sheets.dials import draw_dials
from geosample.sheets.keymap import draw_key
from geosample.sheets.plan import MapPage, by_hole, plan_pages, points_in
from geosample.units import Units
from geosample.words import NO_HOLE

if TYPE_CHECKING:
    import geopandas as gpd
    from shapely import Geometry

    from geosample.design import Design
    from geosample.ground import Ground

HEAD_MM = 13.0
FOOT_MM = 37.0
TICKS_MM = 5.0
ROUND_LOOK = Look(line_colour=OKABE_ITO["vermilion"], line_mm=0.5, dash_mm=(2.0, 1.2))
SMALL_ROUND_LOOK = Look(line_colour=OKABE_ITO["vermilion"], line_mm=0.25, dash_mm=(1.0, 1.5))
DOT = Mark(1.0, line_mm=0.1)
_FIND_WORDS = "Find a point by its label and its words; a phone's fix is wider than a collar."
_HOLE_TEXT = Text(8, bold=True)


def draw_hole_pages(book: Book, design: Design, ground: Ground, *, frame: Frame, units: Units) -> list[str]:
    """Draw the hole pages, and return the labels of points that found no room on any page.

    ``frame`` is the map's place on an upright page, for the page before may lie on its side.
    """
    missing = set(design.points["point_id"])
    beneath = Beneath(sort_ground(ground.surfaces, ground.obstacles), _walk_of(design))
    for page in plan_pages(ground.surfaces, design.points, frame):
        next_page(book)
        missing -= draw_map_page(book, page, design, ground, beneath=beneath, units=units)
    return sorted(missing)


def map_frame(book: Book) -> Frame:
    """Return the map's place on a page, between its head and its foot, mm."""
    inside = book.inside
    return Frame(
        inside.west_mm + TICKS_MM,
        inside.south_mm + FOOT_MM,
        inside.width_mm - TICKS_MM,
        inside.height_mm - FOOT_MM - HEAD_MM,
    )


def draw_overview(book: Book, design: Design, ground: Ground, *, units: Units) -> None:
    """Draw the whole course with the round to walk and which points lie on which hole."""
    frame = map_frame(book)
    sampled = ground.surfaces[ground.surfaces["surface_id"].isin(design.points["surface_id"])]
    # so far from the frame that neither scale bar nor arrow covers ground
    view = must_fit(shapely.union_all(sampled.geometry.to_numpy()), frame, margin_mm=13)
    write_head(book, design, "Overview: the round to walk")
    draw_border(book, view.frame)
    shown = draw_ground(book, view, sort_ground(ground.surfaces, ground.obstacles))
    main = ordered_points(design, "main")
    draw_lines(book, view, _walk_of(design), ROUND_LOOK)
    draw_points(book, view, main.geometry.x, main.geometry.y, DOT)
    clear = _draw_measures(book, view, ground, units)
    anchors, texts = _hole_labels(main)
    draw_labels(book, view.place(anchors[:, 0], anchors[:, 1]), texts, frame, keep_clear=clear, style=_HOLE_TEXT)
    _draw_foot(book, design, [*shown, (DOT, "main point"), (ROUND_LOOK, "the round")])


@dataclass(frozen=True, slots=True)
class Beneath:
    """What lies beneath the points of every page: the ground, and the line they are walked along."""

    kinds: list[KindShapes]
    walk: list[Geometry]


def draw_map_page(
    book: Book, page: MapPage, design: Design, ground: Ground, *, beneath: Beneath, units: Units
) -> set[str]:
    """Draw one page with its points, the walk between them and labels, and return the labels that found room."""
    view = page.view
    part = f" (part {page.part} of {page.parts})" if page.parts > 1 else ""
    write_head(book, design, f"{page.title}{part}")
    draw_border(book, view.frame)
    shown = draw_ground(book, view, beneath.kinds)
    draw_lines(book, view, beneath.walk, SMALL_ROUND_LOOK)
    clear = [
        *_draw_measures(book, view, ground, units),
        *draw_dials(book, view, ground, page.surface_ids),
        *draw_key(book, page, ground, design.points),
    ]
    near = points_in(view, design.points)
    own = design.points["surface_id"].isin(page.surface_ids).to_numpy()
    others = design.points[near & ~own]
    draw_points(book, view, others.geometry.x, others.geometry.y, DOT)
    places, texts = _draw_marks(book, view, design.points[near & own])
    unplaced = draw_labels(book, places, texts, view.frame, keep_clear=clear)
    spare = [(RESERVE_MARK, "reserve point")] if (design.points["role"] == "reserve").any() else []
    _draw_foot(book, design, [*shown, (MAIN_MARK, "main point"), *spare])
    return set(texts) - set(unplaced)


def write_head(book: Book, design: Design, title: str) -> None:
    """Write a page's title, the visit and the design code at its top."""
    inside = book.inside
    visit = design.visit
    right = Text(11, bold=True, align="right")
    room_mm = inside.width_mm - text_width(f"Design {visit.design_code}", right) - 6
    shrink = min(1.0, room_mm / text_width(title, Text(13, bold=True)))
    write_text(book, title, inside.west_mm, inside.north_mm - 5, Text(13 * shrink, bold=True))
    write_text(book, f"Visit {visit.visit}, {visit.pest}", inside.west_mm, inside.north_mm - 10, Text(8))
    write_text(book, f"Design {visit.design_code}", inside.east_mm, inside.north_mm - 5, right)
    write_text(book, f"Date {visit.date}", inside.east_mm, inside.north_mm - 10, Text(8, align="right"))


def _draw_marks(book: Book, view: MapView, points: gpd.GeoDataFrame) -> tuple[np.ndarray, list[str]]:
    """Draw the points by their roles, and return their places on paper, mm, and their labels."""
    role, labels = points["role"].to_numpy(), points["point_id"].to_numpy()
    places: list[np.ndarray] = []
    texts: list[str] = []
    for name, mark in (("main", MAIN_MARK), ("reserve", RESERVE_MARK)):
        own = role == name
        easting, northing = shapely.get_coordinates(points.geometry.to_numpy()[own]).T
        places.append(draw_points(book, view, easting, northing, mark))
        texts += labels[own].tolist()
    return np.vstack(places), texts


def _walk_of(design: Design) -> list[Geometry]:
    """Return the line from point to point as they are walked; nothing for a single point."""
    corners = shapely.get_coordinates(ordered_points(design, "main").geometry.to_numpy())
    return [shapely.LineString(corners)] if len(corners) > 1 else []


def _draw_measures(book: Book, view: MapView, ground: Ground, units: Units) -> list[Frame]:
    frame = view.frame
    draw_ticks(book, view, ground.crs)
    return [
        draw_scale_bar(book, view, frame.west_mm + 4, frame.south_mm + 4, units=units),
        draw_north_arrow(book, view, (frame.east_mm - 9, frame.north_mm - 10)),
    ]


def _draw_foot(book: Book, design: Design, items: Sequence[tuple[Look | Mark, str]]) -> None:
    inside = book.inside
    draw_check_bar(book, inside.west_mm + TICKS_MM, inside.south_mm + FOOT_MM - 11)
    words = [_FIND_WORDS, " ".join(caution.text for caution in FIELD)]
    write_lines(book, words, Frame(inside.west_mm + TICKS_MM, inside.south_mm, 84, FOOT_MM - 16), Text(7))
    draw_legend(book, inside.west_mm + 92, inside.south_mm + FOOT_MM - 5, items, columns=3)
    write_footer(book, f"Design {design.visit.design_code} · visit {design.visit.visit}")


def _hole_labels(main: pd.DataFrame) -> tuple[np.ndarray, list[str]]:
    """Return a place and a label for each hole (its name, its points' places in the round) and for both ends."""
    anchors, texts = [], []
    for hole, points in by_hole(main):
        first = points.iloc[0].geometry
        anchors.append((first.x, first.y))
        name = f"hole {hole}" if hole is not None else NO_HOLE
        low, high = points["walk_order"].min(), points["walk_order"].max()
        texts.append(f"{name}: {low}-{high}" if high > low else f"{name}: {low}")
    ends = [(main.iloc[number].geometry, word) for number, word in ((0, "start"), (-1, "end"))]
    anchors += [(place.x, place.y) for place, _ in ends]
    return np.array(anchors), [*texts, *(word for _, word in ends)]
