"""The targeting curve on paper: a picture that needs no colour to be read, and its table."""

from __future__ import annotations

import numpy as np
import pandas as pd

from geosample.palettes import GREYS, OKABE_ITO
from geosample.paper import Book, Column, Frame, Mark, Text, draw_border, draw_table, paint_mark, write_text

_SMALL = Text(7)
_RIGHT = Text(7, align="right")
_LINES = {
    "best cells": (GREYS[3], (2.0, 1.0), 0.4, "the densest cells: no plan can do better"),
    "surfaces": (OKABE_ITO["green"], (0.6, 0.8), 0.5, "whole surfaces, densest first"),
    "border": (OKABE_ITO["blue"], (), 0.6, "border strips, ever wider"),
}
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
    for way, (colour, dash, width_mm, _) in _LINES.items():
        part = curve[curve["way"] == way].sort_values("area_share")
        along = np.vstack([[0.0, 0.0], part[["area_share", "insect_share"]].to_numpy(float)])
        if way == "best cells":
            along = np.vstack([along, [1.0, 1.0]])
        _draw_line(book, _place(plot, along), colour, dash, width_mm)
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
            f"{100 * row['area_share']:.0f} %",
            f"{100 * row['insect_share']:.0f} %",
            f"{100 * row['low']:.0f} to {100 * row['high']:.0f} %",
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
        _draw_line(book, np.array([[east, plot.south_mm], [east, plot.north_mm]]), GREYS[1], (), 0.15)
        _draw_line(book, np.array([[plot.west_mm, north], [plot.east_mm, north]]), GREYS[1], (), 0.15)
        write_text(book, f"{100 * share:.0f} %", east, plot.south_mm - 4, Text(7, align="centre"))
        write_text(book, f"{100 * share:.0f} %", plot.west_mm - 1.5, north - 1, _RIGHT)
    _draw_line(book, _place(plot, np.array([[0.0, 0.0], [1.0, 1.0]])), GREYS[5], (), 0.15)
    middle = Text(8, align="centre")
    write_text(book, "share of the mapped ground treated", plot.west_mm + plot.width_mm / 2, plot.south_mm - 9, middle)
    book.canvas.saveState()
    book.canvas.translate(plot.west_mm - 11, plot.south_mm + plot.height_mm / 2)
    book.canvas.rotate(90)
    write_text(book, "share of the insects reached", 0, 0, middle)
    book.canvas.restoreState()


def _draw_line(book: Book, along_mm: np.ndarray, colour: str, dash_mm: tuple[float, ...], width_mm: float) -> None:
    canvas = book.canvas
    canvas.setStrokeColor(colour)
    canvas.setDash(list(dash_mm))
    canvas.setLineWidth(width_mm)
    path = canvas.beginPath()
    path.moveTo(*along_mm[0])
    for place in along_mm[1:]:
        path.lineTo(*place)
    canvas.drawPath(path, stroke=1, fill=0)


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
    _draw_line(book, _place(plot, along), OKABE_ITO["vermilion"], (), 0.8)
    middle = _place(plot, np.array([[row["area_share"], row["insect_share"]]]))[0]
    paint_mark(book, middle[0], middle[1], Mark(3.0, OKABE_ITO["vermilion"], "#000000", 0.4))


def _draw_key(book: Book, place: Frame) -> None:
    north = place.north_mm - 3
    paint_mark(book, place.west_mm + 4, north + 1, Mark(2.4, OKABE_ITO["vermilion"], "#000000", 0.4))
    write_text(book, "this plan, with its 90 % interval", place.west_mm + 10, north, _SMALL)
    looks = [*_LINES.values(), (GREYS[5], (), 0.15, "no aim: share for share")]
    for number, (colour, dash, width_mm, words) in enumerate(looks):
        level = north - 4.4 * (number + 1)
        _draw_line(book, np.array([[place.west_mm, level + 1], [place.west_mm + 8, level + 1]]), colour, dash, width_mm)
        write_text(book, words, place.west_mm + 10, level, _SMALL)
