"""The targeting curve on paper: a picture that needs no colour to be read, and its table."""

from __future__ import annotations

import numpy as np
import pandas as pd

from geosample.palettes import GREYS, OKABE_ITO
from geosample.paper import (
    Book,
    Column,
    Frame,
    Mark,
    Pen,
    Text,
    draw_border,
    draw_line,
    draw_table,
    paint_mark,
    write_text,
    write_upright,
)
from geosample.units import percent, percent_range

_SMALL = Text(7)
_RIGHT = Text(7, align="right")
_LINES = {
    "best cells": (Pen(GREYS[3], 0.4, (2.0, 1.0)), "the densest cells: no plan can do better"),
    "surfaces": (Pen(OKABE_ITO["green"], 0.5, (0.6, 0.8)), "whole surfaces, densest first"),
    "border": (Pen(OKABE_ITO["blue"], 0.6), "border strips, ever wider"),
}
_GRID = Pen(GREYS[1], 0.15)
_NO_AIM = Pen(GREYS[5], 0.15)
_COLUMNS = (
    Column("what is treated", 46),
    Column("area, share of the mapped", 24, _RIGHT),
    Column("insects reached", 24, _RIGHT),
    Column("90 % interval", 30, _RIGHT),
)
_MOST_LABELS = 4
_MOST_ROWS = 8
_ROW_MM = 4.6


def draw_curve(book: Book, frame: Frame, curve: pd.DataFrame) -> None:
    """Draw share of insects reached against share of ground treated, with the plan marked and its interval."""
    plot = Frame(frame.west_mm + 14, frame.south_mm + 12, frame.width_mm - 18, frame.height_mm - 16)
    _draw_axes(book, plot)
    for way, (pen, _) in _LINES.items():
        part = curve[curve["way"] == way].sort_values("area_share")
        along = np.vstack([[0.0, 0.0], part[["area_share", "insect_share"]].to_numpy(float)])
        if way == "best cells":
            along = np.vstack([along, [1.0, 1.0]])
        draw_line(book, _place(plot, along), pen)
    _mark_strips(book, plot, curve[curve["way"] == "border"])
    _mark_plan(book, plot, curve[curve["way"] == "zones"])
    _draw_key(book, Frame(plot.west_mm + plot.width_mm * 0.42, plot.south_mm + 3, plot.width_mm * 0.55, 24))


def curve_table(curve: pd.DataFrame) -> tuple[tuple[Column, ...], list[list[str]]]:
    """Return the columns and rows of the curve's table, the plan first."""
    order = {"zones": 0, "border": 1, "surfaces": 2}
    surfaces = curve[curve["way"] == "surfaces"].iloc[:: max(1, int((curve["way"] == "surfaces").sum()) // _MOST_ROWS)]
    curve = pd.concat([curve[curve["way"].isin(["zones", "border"])], surfaces])
    sorted_rows = sorted(curve.to_dict("records"), key=lambda row: (order[row["way"]], row["area_share"]))
    rows = [
        [
            "this plan's zones" if row["way"] == "zones" else row["label"],
            percent(row["area_share"]),
            percent(row["insect_share"]),
            percent_range(row["low"], row["high"]),
        ]
        for row in sorted_rows
    ]
    return _COLUMNS, rows


def draw_curve_table(book: Book, place: Frame, curve: pd.DataFrame) -> int:
    """Draw as much of the table as the frame holds; return how many rows that was."""
    columns, rows = curve_table(curve)
    return draw_table(book, place, columns, rows, row_mm=_ROW_MM, head_mm=7)


def _place(plot: Frame, shares: np.ndarray) -> np.ndarray:
    return shares * [plot.width_mm, plot.height_mm] + [plot.west_mm, plot.south_mm]


def _draw_axes(book: Book, plot: Frame) -> None:
    draw_border(book, plot, line_mm=0.25)
    for share in (0.0, 0.25, 0.5, 0.75, 1.0):
        east, north = plot.west_mm + share * plot.width_mm, plot.south_mm + share * plot.height_mm
        draw_line(book, [(east, plot.south_mm), (east, plot.north_mm)], _GRID)
        draw_line(book, [(plot.west_mm, north), (plot.east_mm, north)], _GRID)
        write_text(book, percent(share), east, plot.south_mm - 4, Text(7, align="centre"))
        write_text(book, percent(share), plot.west_mm - 1.5, north - 1, _RIGHT)
    draw_line(book, _place(plot, np.array([[0.0, 0.0], [1.0, 1.0]])), _NO_AIM)
    middle = Text(8, align="centre")
    write_text(book, "share of the mapped ground treated", plot.west_mm + plot.width_mm / 2, plot.south_mm - 9, middle)
    upright = plot.west_mm - 11, plot.south_mm + plot.height_mm / 2
    write_upright(book, "share of the insects reached", *upright, middle)


def _mark_strips(book: Book, plot: Frame, border: pd.DataFrame) -> None:
    """Mark each strip, and write the width of a few."""
    places = _place(plot, border[["area_share", "insect_share"]].to_numpy(float))
    step = max(1, len(border) // _MOST_LABELS)
    for number, (place, label) in enumerate(zip(places, border["label"], strict=True)):
        paint_mark(book, place[0], place[1], Mark(1.2, "#ffffff", OKABE_ITO["blue"], 0.3))
        if number % step == 0 and number < len(border) - 1:
            write_text(book, str(label).removeprefix("border "), place[0] + 1.5, place[1] - 2.8, Text(7))


def _mark_plan(book: Book, plot: Frame, zones: pd.DataFrame) -> None:
    """Mark the chosen plan, with its interval as an upright bar."""
    row = zones.iloc[0]
    along = np.array([[row["area_share"], row["low"]], [row["area_share"], row["high"]]])
    draw_line(book, _place(plot, along), Pen(OKABE_ITO["vermilion"], 0.8))
    middle = _place(plot, np.array([[row["area_share"], row["insect_share"]]]))[0]
    paint_mark(book, middle[0], middle[1], Mark(3.0, OKABE_ITO["vermilion"], "#000000", 0.4))


def _draw_key(book: Book, place: Frame) -> None:
    north = place.north_mm - 3
    paint_mark(book, place.west_mm + 4, north + 1, Mark(2.4, OKABE_ITO["vermilion"], "#000000", 0.4))
    write_text(book, "this plan, with its 90 % interval", place.west_mm + 10, north, _SMALL)
    for number, (pen, words) in enumerate([*_LINES.values(), (_NO_AIM, "no aim: share for share")]):
        level = north - 4.4 * (number + 1)
        draw_line(book, [(place.west_mm, level + 1), (place.west_mm + 8, level + 1)], pen)
        write_text(book, words, place.west_mm + 10, level, _SMALL)
