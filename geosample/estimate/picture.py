"""One page: dot and interval of every domain against the thresholds, and the stage mix, readable without colour."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from geosample.drawing import (
    Book,
    Box,
    Mark,
    Pen,
    Text,
    close_book,
    draw_border,
    draw_box,
    draw_line,
    open_book,
    paint_mark,
    text_width,
    write_footer,
    write_paragraphs,
    write_text,
)
from geosample.errors import EstimateError, Problem
from geosample.estimate.bags import ALL
from geosample.estimate.means import NO_POINTS
from geosample.files.saving import save_file
from geosample.palettes import GREYS
from geosample.pests import load_pest
from geosample.report.estimate import tell_means
from geosample.units import FOOT2_M2, Units, percent, set_percent, show_number
from geosample.words import hole_number, name_many

if TYPE_CHECKING:
    import pandas as pd

    from geosample.estimate.model import Estimates

MOST_ROWS = 26
_SHOWN = ("all", "kind", "stratum", "hole")
_LABEL_MM, _VALUE_MM = 44.0, 42.0
_SMALL, _RIGHT, _MIDDLE = Text(7), Text(7, align="right"), Text(7, align="centre")
_BAR_MM, _ROW_MM = 5.0, 4.6
_MOST_SENTENCES, _ANSWER_MM = 6, 53.0
_TICKS = (0, 1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000, 50_000, 100_000)
_WHITE_ON = 4  # from this shade of grey on, letters are white


@dataclass(frozen=True, slots=True)
class _Axis:
    """A root scale: it has room for zero and for the large."""

    frame: Box
    top: float

    def place(self, density: float) -> float:
        return self.frame.west_mm + self.frame.width_mm * math.sqrt(min(max(density, 0.0), self.top) / self.top)


def draw_estimates(estimates: Estimates, *, threshold_per_m2: float | None = None, units: Units = "us") -> bytes:
    """Return the page as PDF.

    Parameters
    ----------
    estimates : Estimates
        What the counts say.
    threshold_per_m2 : float, optional
        The threshold in use, insects per m², drawn as a line.
    units : str
        ``us`` or ``metric``.
    """
    book = open_book(title=f"What the counts say, visit {estimates.visit}")
    inside = book.inside
    write_text(book, f"What the counts say: {estimates.pest}", inside.west_mm, inside.north_mm - 5, Text(13, bold=True))
    write_text(
        book, f"Visit {estimates.visit}", inside.east_mm, inside.north_mm - 5, Text(11, bold=True, align="right")
    )
    answer = Box(inside.west_mm, inside.north_mm - 8 - _ANSWER_MM, inside.width_mm, _ANSWER_MM)
    left_mm, _ = write_paragraphs(book, tell_means(estimates, units)[:_MOST_SENTENCES], answer, Text(8))
    down = answer.south_mm + left_mm
    rows = _choose_rows(estimates.estimates)
    height = _ROW_MM * len(rows)
    plot = Box(inside.west_mm + _LABEL_MM, down - 8 - height, inside.width_mm - _LABEL_MM - _VALUE_MM, height)
    _draw_dots(book, plot, rows, _Scale(units, threshold_per_m2, estimates.pest))
    foot = inside.south_mm + 6
    _draw_mix(book, estimates, Box(inside.west_mm, foot, inside.width_mm, plot.south_mm - 18 - foot))
    line = f"Line: {set_percent(float(estimates.estimates['level'].iloc[0]))} interval."
    write_footer(book, f"Dot: mean. {line} A dot at 0 with a line: none found, and how many that still allows.")
    return close_book(book)


def write_picture(path: Path, page: bytes) -> None:
    """Write the page.

    Raises
    ------
    EstimateError
        When the name does not end in .pdf, or the file can't be written.
    """
    if path.suffix.lower() != ".pdf":
        raise EstimateError(Problem("picture", path.name, "a name that ends in .pdf", "write for instance answer.pdf"))
    save_file(path, page, EstimateError)


@dataclass(frozen=True, slots=True)
class _Scale:
    """Units and thresholds of the picture."""

    units: Units
    threshold_per_m2: float | None
    pest: str

    @property
    def factor(self) -> float:
        return FOOT2_M2 if self.units == "us" else 1.0

    @property
    def unit(self) -> str:
        return "per ft²" if self.units == "us" else "per m²"

    def band(self) -> tuple[float, float] | None:
        """Return the lowest and highest published threshold, in the units shown."""
        ends = load_pest(self.pest).threshold_range
        return None if ends is None else (ends[0] * self.factor, ends[1] * self.factor)


def _choose_rows(table: pd.DataFrame) -> list[pd.Series]:
    """Return the whole, kinds, strata and holes, as many as the page holds, all of a domain or none."""
    totals = table[table["stage"] == ALL]
    rows: list[pd.Series] = []
    for domain in _SHOWN:
        mine = [row for _, row in totals[totals["domain"] == domain].iterrows()]
        if len(rows) + len(mine) <= MOST_ROWS:
            rows += mine
    return rows


def _draw_dots(book: Book, plot: Box, rows: Sequence[pd.Series], scale: _Scale) -> None:
    band = scale.band()
    highs = [float(row["high_per_m2"]) * scale.factor for row in rows if np.isfinite(row["high_per_m2"])]
    axis = _Axis(plot, max([*highs, 1.15 * band[1] if band else 1.0]) * 1.02)
    if band:
        _shade(book, axis, band)
    _draw_axis(book, axis, scale)
    for number, row in enumerate(rows):
        level = plot.north_mm - (number + 0.5) * _ROW_MM
        write_text(book, _label(row), plot.west_mm - 2, level - 1, _RIGHT)
        values = [float(row[f"{name}_per_m2"]) * scale.factor for name in ("low", "mean", "high")]
        if math.isnan(values[1]):
            write_text(book, NO_POINTS, plot.east_mm + 2, level - 1, _SMALL)
            continue
        west, middle, east = (axis.place(value) for value in values)
        draw_line(book, [(west, level), (east, level)], Pen(width_mm=0.5))
        paint_mark(book, middle, level, Mark(2.0, "#000000" if values[1] > 0 else None, "#000000", 0.4))
        told = f"{show_number(values[1])} ({show_number(values[0])} to {show_number(values[2])}), {row['n']} bags"
        write_text(book, told, plot.east_mm + 2, level - 1, _SMALL)


def _shade(book: Book, axis: _Axis, band: tuple[float, float]) -> None:
    west, east = axis.place(band[0]), axis.place(band[1])
    draw_box(book, Box(west, axis.frame.south_mm, east - west, axis.frame.height_mm), None, fill=GREYS[1])
    text = "published thresholds: starting points"
    place = min((west + east) / 2, axis.frame.east_mm - text_width(text, _SMALL) / 2)
    write_text(book, text, place, axis.frame.north_mm + 1.5, _MIDDLE)


def _draw_axis(book: Book, axis: _Axis, scale: _Scale) -> None:
    frame = axis.frame
    draw_border(book, frame, line_mm=0.25)
    last = -math.inf
    for tick in _TICKS:
        east = axis.place(tick)
        if tick > axis.top or east - last < 6:  # noqa: PLR2004 - mm, room for the figures
            continue
        last = east
        draw_line(book, [(east, frame.south_mm), (east, frame.north_mm)], Pen(GREYS[2], 0.15))
        write_text(book, f"{tick:,}", east, frame.south_mm - 3.6, _MIDDLE)
    write_text(
        book, f"insects {scale.unit}", frame.west_mm + frame.width_mm / 2, frame.south_mm - 8, Text(8, align="centre")
    )
    if scale.threshold_per_m2 is not None:
        east = axis.place(scale.threshold_per_m2 * scale.factor)
        pen = Pen(width_mm=0.5, dash_mm=(1.5, 1.0))
        draw_line(book, [(east, frame.south_mm - 1), (east, frame.north_mm)], pen)
        told = f"yours: {show_number(scale.threshold_per_m2 * scale.factor)}"
        write_text(book, told, east, frame.south_mm - 12, _MIDDLE)


def _label(row: pd.Series) -> str:
    if row["domain"] == ALL:
        return "whole ground"
    named = name_many(row["label"])
    return f"hole {named}" if row["domain"] == "hole" and hole_number(named) is not None else named


def _draw_mix(book: Book, estimates: Estimates, room: Box) -> None:
    """Draw a bar for the whole and each kind, parted by stage, each part named where there is room."""
    table = estimates.estimates
    staged = table[(table["stage"] != ALL) & table["domain"].isin(["all", "kind"]) & (table["mean_per_m2"] > 0)]
    if staged.empty:
        return
    pest = load_pest(estimates.pest)
    order = [stage.key for stage in pest.stages]
    order += [name for name in dict.fromkeys(staged["stage"]) if name not in order]
    write_text(book, "Life stages, share of the insects", room.west_mm, room.north_mm - 4, Text(9, bold=True))
    level = room.north_mm - 7
    for (_, label), mine in staged.groupby(["domain", "label"], sort=False):
        level -= _BAR_MM + 1.6
        if level < room.south_mm:
            break
        shares = mine.set_index("stage")["mean_per_m2"].reindex(order).dropna()
        name = "whole ground" if label == ALL else name_many(label)
        write_text(book, name, room.west_mm + _LABEL_MM - 2, level + 1.5, _RIGHT)
        bar = Box(room.west_mm + _LABEL_MM, level, room.width_mm - _LABEL_MM, _BAR_MM)
        _draw_bar(book, bar, shares / shares.sum(), order)


def _draw_bar(book: Book, bar: Box, shares: pd.Series, order: Sequence[str]) -> None:
    west = bar.west_mm
    for stage, share in shares.items():
        width = float(share) * bar.width_mm
        shade = order.index(str(stage)) * (len(GREYS) - 1) // max(len(order) - 1, 1)
        draw_box(book, Box(west, bar.south_mm, width, bar.height_mm), Pen(width_mm=0.2), fill=GREYS[shade])
        text = Text(7, align="centre", colour="#ffffff" if shade >= _WHITE_ON else "#000000")
        for words in (f"{stage} {percent(float(share))}", str(stage)):
            if text_width(words, text) < width - 1:
                write_text(book, words, west + width / 2, bar.south_mm + 1.5, text)
                break
        west += width
