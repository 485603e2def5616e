"""The season on two sheets of paper: its time line and answer, and the map of change; and the ledger as a sheet."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

import numpy as np
import shapely

from geosample.drawing import (
    Box,
    Column,
    Look,
    MapLayer,
    Mark,
    Pen,
    Png,
    Text,
    close_book,
    draw_border,
    draw_box,
    draw_line,
    draw_view,
    flow_pages,
    ground_layers,
    make_table,
    must_fit,
    next_page,
    open_book,
    paint_mark,
    write_footer,
    write_paragraphs,
    write_text,
)
from geosample.ground import join_squares
from geosample.palettes import CIVIDIS, GREYS, OKABE_ITO, ramp
from geosample.report.season import (
    CHANGE_COLOURS,
    CHANGES,
    LEDGER_FOOT,
    LEDGER_HEADS,
    SEASON_FOOT,
    ledger_rows,
    list_moments,
    tell_change_map,
    tell_season_answer,
)
from geosample.report.treat import number_cautions
from geosample.units import FOOT2_M2, show_density
from geosample.words import name_many

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from geosample.drawing import Book
    from geosample.ground import Ground
    from geosample.report.season import Moment
    from geosample.season.model import Season
    from geosample.units import Units

HEAD, BODY, SMALL = Text(15, bold=True), Text(8.5), Text(7)
_LABEL_MM, _DAY_MM, _MIX_MM, _INSET_MM, _BAR_MM = 40.0, 12.0, 30.0, 9.0, 7.0
_PALE = 0.45  # where not both visits know it
_OVER = {
    "before": Look(hatch="rising", hatch_mm=1.8, hatch_colour=GREYS[4], line_mm=0.0),
    "after": Look(hatch="falling", hatch_mm=1.8, hatch_colour=GREYS[4], line_mm=0.0),
    "neither": Look(hatch="cross", hatch_mm=2.6, hatch_colour=GREYS[4], line_mm=0.0),
}
_INKS = (OKABE_ITO["black"], OKABE_ITO["blue"], OKABE_ITO["vermilion"], OKABE_ITO["green"], OKABE_ITO["purple"])
_GROUND = {kind: Look(line_colour=GREYS[4], line_mm=0.2) for kind in ("green", "collar", "tee", "approach", "fairway")}
_GROUND["rough"] = Look(line_colour=GREYS[1], line_mm=0.1)
_MARGIN_M = 15.0
_FOR_SCALE = 0.08  # of the map's height, so that the scale bar lies on no turf


def draw_season(
    season: Season, change: MapOfChange | None, *, paper: str = "letter", units: Units = "us", course: str = ""
) -> bytes:
    """Return the season as a PDF of two sheets: the answer with its time line, and the map of change.

    Parameters
    ----------
    season : Season
        From ``tell_season``.
    change : MapOfChange or None
        Of its last step, from ``map_layers``.
    paper : {'letter', 'a4'}
        Paper to print on.
    units : {'us', 'metric'}
        Shown.
    course : str
        The course's name, for the head.
    """
    book = open_book(paper=paper, title=f"Season {season.year}{f', {course}' if course else ''}")
    page = book.inside
    write_text(book, f"Season {season.year}{f', {course}' if course else ''}", page.west_mm, page.north_mm - 6, HEAD)
    room = page.below(10)
    left_mm, _ = write_paragraphs(book, tell_season_answer(season, units), room, BODY, gap_mm=1.2)
    draw_timeline(book, season, Box(page.west_mm, page.south_mm + 7, page.width_mm, left_mm - 12), units)
    write_footer(book, SEASON_FOOT)
    next_page(book)
    step = season.steps[-1]
    write_text(book, tell_change_map(step), page.west_mm, page.north_mm - 6, Text(12, bold=True))
    frame = Box(page.west_mm, page.south_mm + 22, page.width_mm, page.height_mm - 32)
    if change is None:
        write_text(book, tell_change_map(step, empty=True), page.west_mm, page.north_mm - 14, BODY)
    else:
        legend = Box(page.west_mm + 2, page.south_mm + 6, page.width_mm - 4, 14)
        draw_change(book, change, frame, units=units, legend=legend)
    write_footer(book, SEASON_FOOT)
    return close_book(book)


@dataclass(frozen=True, slots=True)
class MapOfChange:
    """The map of change as it is drawn, on paper and on the page: what lies beneath, its layers, its frame."""

    beneath: list[MapLayer]
    layers: list[MapLayer]
    shown: shapely.Polygon


def map_layers(cells: pd.DataFrame, ground: Ground) -> MapOfChange:
    """Return the map of change as layers: paler where not both visits know the ground, and hatched there."""
    west, south, east, north = (
        shapely.box(*(cells[way].agg(end) for end in ("min", "max") for way in ("easting", "northing")))
        .buffer(_MARGIN_M)
        .bounds
    )
    shown = shapely.box(west, south - _FOR_SCALE * (north - south), east, north)
    near = ground.surfaces[ground.surfaces.intersects(shown)]
    turf, side = near.geometry.union_all(), float(cells["side_m"].iloc[0])
    column, row = (np.floor(cells[way].to_numpy() / side).astype(int) for way in ("easting", "northing"))

    def join(own: pd.Series) -> shapely.Geometry:
        return shapely.intersection(join_squares(column[own], row[own], side), turf)

    layers = []
    for name, colour in CHANGE_COLOURS.items():
        by_both = {known: (cells["likely"] == name) & ((cells["known"] == "both") == known) for known in (False, True)}
        there = {known: own for known, own in by_both.items() if own.any()}
        for known, own in there.items():
            words = CHANGES[name] if known == max(there) else ""
            layers.append(MapLayer([join(own)], Look(colour, 1.0 if known else _PALE, line_mm=0.0), words))
    layers += [MapLayer([join(cells["known"] == name)], look, CHANGES[name]) for name, look in _OVER.items()]
    layers.append(MapLayer(near.geometry.boundary.to_numpy(), Look(line_colour=GREYS[4], line_mm=0.2), ""))
    drawn = ground_layers(near, ground.obstacles.iloc[:0], looks=_GROUND)
    return MapOfChange([MapLayer(one.shapes, one.look, "") for one in drawn], layers, shown)


def draw_change(paper: Book | Png, change: MapOfChange, frame: Box, *, units: Units, legend: Box | None) -> None:
    """Draw the map of change into a frame."""
    view = must_fit(change.shown, frame, margin_mm=4)
    draw_view(paper, view, change.beneath, change.layers, units=units, legend=legend, legend_columns=3)


def picture_change(change: MapOfChange, units: Units) -> bytes:
    """Return the map of change as a PNG, without words but its scale and north; the page has its own legend."""
    west, south, east, north = change.shown.bounds
    high_mm = float(np.clip(120 * (north - south) / (east - west), 60, 150))
    png = Png(120, high_mm)
    draw_change(png, change, Box(0, 0, 120, high_mm), units=units, legend=None)
    return png.to_bytes()


@dataclass(frozen=True, slots=True)
class _Axis:
    """Days across, densities up; the root of the density, so that small ones are seen."""

    frame: Box
    first: date
    last: date
    top: float

    def across(self, day: str) -> float:
        days = max((self.last - self.first).days, 1)
        share = (date.fromisoformat(day) - self.first).days / days
        return self.frame.west_mm + _INSET_MM + (self.frame.width_mm - 2 * _INSET_MM) * share

    def up(self, density: float) -> float:
        share = math.sqrt(min(max(density, 0.0), self.top) / self.top) if self.top > 0 else 0.0
        return self.frame.south_mm + self.frame.height_mm * share


def draw_timeline(book: Book, season: Season, room: Box, units: Units) -> None:
    """Draw densities by kind and visit with their intervals, treatments as lines, stages and degree-days beneath."""
    moments = list_moments(season, units)
    days = [moment.date for moment in moments]
    visits = [moment for moment in moments if moment.kinds]
    foot_mm = _DAY_MM + _MIX_MM + 6
    frame = Box(
        room.west_mm + _LABEL_MM, room.south_mm + foot_mm, room.width_mm - _LABEL_MM, room.height_mm - foot_mm - 8
    )
    top = max((high for moment in visits for _, _, _, high in moment.kinds if math.isfinite(high)), default=1.0)
    axis = _Axis(frame, date.fromisoformat(min(days)), date.fromisoformat(max(days)), top)
    draw_border(book, frame, line_mm=0.2)
    for density in _round_levels(top, units):
        level = axis.up(density)
        draw_line(book, [(frame.west_mm, level), (frame.east_mm, level)], Pen(GREYS[1], 0.1))
        write_text(book, show_density(density, units), frame.west_mm - 2, level - 1, Text(7, align="right"))
    names = list(dict.fromkeys(kind for moment in visits for kind, *_ in moment.kinds))
    for place, kind in enumerate(names):
        colour, shift = _INKS[place % len(_INKS)], 2.2 * (place - (len(names) - 1) / 2)
        path = []
        for moment in visits:
            for name, mean, low, high in moment.kinds:
                if name == kind:
                    east = axis.across(moment.date) + shift
                    path.append((east, axis.up(mean)))
                    draw_line(book, [(east, axis.up(low)), (east, axis.up(high))], Pen(colour, 0.5))
        if len(path) > 1:
            draw_line(book, path, Pen(colour, 0.3, (1.2 + place, 0.8)))
        for east, north in path:
            paint_mark(book, east, north, _mark(place, colour))
        west = frame.west_mm + 34 * place
        paint_mark(book, west + 1.5, frame.north_mm + 3, _mark(place, colour))
        write_text(book, name_many(kind), west + 4, frame.north_mm + 2, SMALL)
    _write_days(book, moments, axis)


def _round_levels(top: float, units: Units) -> list[float]:
    """Return the densities to draw lines at, per m²: 0, and round ones in the units shown, far enough apart."""
    unit = 1 / FOOT2_M2 if units == "us" else 1.0
    decade = 10.0 ** math.floor(math.log10(top / unit)) if top > 0 else 1.0
    steps = [decade * step for step in (0.1, 0.2, 0.5, 1, 2, 5)]
    return [0.0, *(step * unit for step in steps if 0.02 * top <= step * unit <= top)]


def _mark(place: int, colour: str) -> Mark:
    return Mark(2.2, colour if place % 2 == 0 else "#ffffff", colour, 0.5)


def _write_days(book: Book, moments: Sequence[Moment], axis: _Axis) -> None:
    frame, last = axis.frame, {0: -99.0, 1: -99.0}
    for moment in moments:
        east = axis.across(moment.date)
        if not moment.kinds:
            draw_line(book, [(east, frame.south_mm), (east, frame.north_mm)], Pen("#000000", 0.4, (1.0, 1.0)))
            row = 0 if east - last[0] > 30 else 1  # noqa: PLR2004 - mm that a label takes
            last[row] = east
            write_text(book, moment.words, east + 1, frame.north_mm - 4 - 4 * row, SMALL)
            continue
        draw_line(book, [(east, frame.south_mm), (east, frame.south_mm - 1.5)], Pen())
        write_text(book, moment.date[5:], east, frame.south_mm - 5, Text(8, bold=True, align="centre"))
        write_text(book, moment.heat, east, frame.south_mm - 9, Text(6.5, align="centre"))
    _draw_mixes(book, [moment for moment in moments if moment.stages], axis)


def _draw_mixes(book: Book, visits: Sequence[Moment], axis: _Axis) -> None:
    """Draw each visit's mix of stages as a bar under its day, the earliest stages on top, with a key beside."""
    names = list(dict.fromkeys(name for moment in visits for name, *_ in moment.stages))
    north, west = axis.frame.south_mm - _DAY_MM, axis.frame.west_mm - _LABEL_MM
    shades = {name: ramp(CIVIDIS, 1 - place / max(len(names) - 1, 1)) for place, name in enumerate(names)}
    for place, name in enumerate(names):
        level = north - 4 - 4.6 * place
        draw_box(book, Box(west, level, 3.5, 3.2), Pen(width_mm=0.1), fill=shades[name])
        write_text(book, name, west + 5, level + 0.6, Text(6.5))
    for moment in visits:
        east, level = axis.across(moment.date) - _BAR_MM / 2, north
        for name, share, _ in sorted(moment.stages, key=lambda one: names.index(one[0])):
            level -= share * _MIX_MM
            draw_box(book, Box(east, level, _BAR_MM, share * _MIX_MM), Pen(width_mm=0.1), fill=shades[name])


def draw_ledger(season: Season, *, paper: str = "letter", course: str = "") -> bytes:
    """Return the ledger of treatments as a PDF to print: what record rules ask for, blank where nobody filled it in."""
    book = open_book(paper=paper, title=f"Treatments{f', {course}' if course else ''}")
    page = book.inside
    rows, widths = ledger_rows(season.ledger), (17, 12, 13, 34, 26, 22, 20, 26, 26)
    columns = [Column(head, wide, Text(6.5)) for head, wide in zip(LEDGER_HEADS, widths, strict=True)]

    def start_page(number: int) -> Box:
        if number:
            next_page(book)
        write_text(book, f"Treatments{f', {course}' if course else ''}", page.west_mm, page.north_mm - 6, HEAD)
        write_footer(book, LEDGER_FOOT)
        box = page.below(10)
        return Box(box.west_mm, box.south_mm + 34, box.width_mm, box.height_mm - 34)

    flow_pages(book, [make_table(columns, rows, width_mm=page.width_mm, row_mm=9.0)], start_page)
    write_paragraphs(book, number_cautions(), Box(page.west_mm, page.south_mm + 6, page.width_mm, 27), Text(6.5))
    return close_book(book)
