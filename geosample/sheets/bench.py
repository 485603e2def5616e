"""The bench: bags in the order they are extracted, by batches; stop lines; the blind second count; and the labels."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import segno

from geosample.drawing import (
    Book,
    Box,
    Column,
    Pen,
    Text,
    draw_box,
    fill_boxes,
    next_page,
    text_width,
    write_footer,
    write_text,
)
from geosample.palettes import GREYS
from geosample.report.sheets import LABEL_WORDS, RECOUNT_WORDS, tell_bench, tell_stop_table
from geosample.sheets.blanks import bench_order, list_bags, stage_columns
from geosample.sheets.mapbook import MapBook, draw_rows
from geosample.words import NOT_DONE, NOT_STAGED, RECOUNT_MARK, UNSTAGED

if TYPE_CHECKING:
    from geosample.design import Design
    from geosample.pests import Pest

RECOUNT_EVERY = 10
"""One bag in this many is counted again by somebody else (common practice, no source)."""
LABEL_COLUMNS, LABEL_ROWS = 3, 8
_CENTRED = Text(10, align="centre")
_STRONG_CENTRED = Text(10, bold=True, align="centre")
_STOP_COLUMNS = (
    Column("after this many plugs", 30, _CENTRED),
    Column("stop at this total or fewer", 40, _STRONG_CENTRED),
    Column("your total so far", 40),
    Column("stop at this total or more", 40, _STRONG_CENTRED),
    Column("counted by", 50),
)
_QR_MM = 22.0
_QUIET = 4  # modules of white round a code (ISO/IEC 18004)
_LONG_LABEL = 9


@dataclass(frozen=True, slots=True)
class StopTable:
    """When to stop extracting the bags of one stratum, read off without arithmetic.

    Parameters
    ----------
    stratum : str
        Whose bags, in words.
    rows : tuple of (int, int or None, int or None)
        After so many plugs: stop at this total or fewer, stop at this total or more; None where neither line is
        reached yet.
    low_per_m2, high_per_m2 : float
        Densities the lines tell apart, insects per m².
    k : float
        The negative binomial's k a bag that the lines rest on.
    """

    stratum: str
    rows: tuple[tuple[int, int | None, int | None], ...]
    low_per_m2: float
    high_per_m2: float
    k: float


def stop_tables(design: Design) -> list[StopTable]:
    """Return the design's own stop lines, as ``geosample.design`` left them in its settings."""
    return [
        StopTable(
            plan["stratum"],
            tuple((plugs, low, high) for plugs, low, high in plan["rows"]),
            plan["low_per_m2"],
            plan["high_per_m2"],
            plan["k"],
        )
        for plan in design.visit.stop_lines
        if plan["rows"]
    ]


def choose_recounts(sample_ids: list[str], *, seed: int) -> list[str]:
    """Return the bags a second person counts blind: every tenth, from a start drawn with the design's seed.

    A random start, so that nobody can tell beforehand which bags are looked at twice.

    Examples
    --------
    >>> bags = [f"b{number}" for number in range(25)]
    >>> len(choose_recounts(bags, seed=7)) in (2, 3)
    True
    """
    if not sample_ids:
        return []
    start = int(np.random.default_rng(seed).integers(min(RECOUNT_EVERY, len(sample_ids))))
    return sample_ids[start::RECOUNT_EVERY]


def recount_rows(rows: pd.DataFrame, *, seed: int) -> pd.DataFrame:
    """Return the blank rows of the second count: the chosen bags' own rows, their labels marked.

    Parameters
    ----------
    rows : DataFrame
        The blank sheet, as ``blank_rows`` makes it.
    seed : int
        The design's, so that paper and file choose the same bags.
    """
    main = rows[rows["role"] == "main"]
    chosen = choose_recounts(list(main["sample_id"]), seed=seed)
    again = main[main["sample_id"].isin(chosen)].reset_index(drop=True)
    return again.assign(sample_id=[f"{sample_id}-{RECOUNT_MARK}" for sample_id in again["sample_id"]])


def draw_bench_sheets(made: MapBook, profile: Pest, *, method: str, batch: int) -> None:
    """Draw each method's bench sheet (a row a bag, in extraction order and batches), then the blind recount.

    Parameters
    ----------
    made : MapBook
        What to draw with.
    profile : Pest
        Whose stages are counted.
    method : str
        As for ``write_sheets``.
    batch : int
        How many bags are extracted at once.
    """
    columns = _bench_columns(made, profile)
    empty = [""] * (len(columns) - 2)
    bags = bench_order(made.design, method, batch=batch)
    for name, some in bags.groupby("method", sort=False):
        rows = [
            [str(bag.batch), f"{bag.sample_id}{'' if bag.role == 'main' else ' (reserve)'}", *empty]
            for bag in some.itertuples()
        ]
        draw_rows(made, f"Bench sheet: {name}", columns, rows, notes=tell_bench(str(name)))
    main = bags.loc[bags["role"] == "main", "sample_id"].to_list()
    chosen = choose_recounts(main, seed=made.design.visit.seed)
    again = [[str(number), f"{bag}-{RECOUNT_MARK}", *empty] for number, bag in enumerate(chosen, start=1)]
    columns = [replace(columns[0], head="no."), *columns[1:]]
    draw_rows(made, "Bench sheet: blind second count", columns, again, notes=RECOUNT_WORDS)


def draw_stop_table(made: MapBook, table: StopTable) -> None:
    """Draw a stop-line table, with a box to keep the running total in."""
    rows = [
        [str(plugs), "go on" if low is None else str(low), "", "go on" if high is None else str(high), ""]
        for plugs, low, high in table.rows
    ]
    title = f"Stop lines: {table.stratum}"
    draw_rows(made, title, _STOP_COLUMNS, rows, notes=tell_stop_table(table, made.units))


def _bench_columns(made: MapBook, profile: Pest) -> list[Column]:
    """Return the bench sheet's columns over the width of a page."""
    label, body = made.setting.label, made.setting.body
    ends = [Column("others found", 24), Column(NOT_DONE, 10), Column("counted by", 17)]
    starts = [Column("batch", 9, replace(body, align="centre")), Column("bag", 32, label), Column("none found", 9)]
    stages = stage_columns(profile)
    each_mm = (made.room.width_mm - sum(column.width_mm for column in (*starts, *ends))) / len(stages)
    heads = [name if name != UNSTAGED else NOT_STAGED for name in stages]
    return [*starts, *(Column(head, each_mm) for head in heads), *ends]


def draw_bag_labels(book: Book, design: Design, *, method: str, name: str = "") -> None:
    """Draw a label a bag, on plain paper to cut, the main points in walking order and the reserve points after them.

    ``name`` is the round's, at the foot of its pages.
    """
    whose = f"{name} · " if name else ""
    inside = book.inside
    width_mm, height_mm = inside.width_mm / LABEL_COLUMNS, inside.height_mm / LABEL_ROWS
    for number, bag in enumerate(list_bags(design, method).to_dict("records")):
        place = number % (LABEL_COLUMNS * LABEL_ROWS)
        if number and place == 0:
            next_page(book)
        if place == 0:
            write_footer(book, f"{whose}Design {design.visit.design_code} · {LABEL_WORDS}", Text(9))
        row, column = divmod(place, LABEL_COLUMNS)
        corner = inside.west_mm + column * width_mm, inside.north_mm - (row + 1) * height_mm
        _draw_label(book, Box(*corner, width_mm, height_mm), design, {str(key): value for key, value in bag.items()})


def _draw_label(book: Book, box: Box, design: Design, bag: dict[str, Any]) -> None:
    visit = design.visit
    draw_box(book, box, Pen(GREYS[3], 0.15, (1.5, 1.5)))
    draw_qr(book, qr_text(bag["sample_id"], visit.design_code), box.west_mm + 2, box.south_mm + 4, _QR_MM)
    left, top = box.west_mm + _QR_MM + 3, box.north_mm
    size_pt = 15 if len(str(bag["point_id"])) < _LONG_LABEL else 10
    write_text(book, str(bag["point_id"]), left, top - 9, Text(size_pt, bold=True))
    hole = f"hole {bag['hole']}, " if isinstance(bag["hole"], str) else ""
    reserve = " (reserve)" if bag["role"] == "reserve" else ""
    lines = [
        f"{bag['method']}, {visit.units_per_point} plugs",
        f"{hole}{bag['kind']}{reserve}",
        f"visit {visit.visit}",
        f"design {visit.design_code}",
    ]
    room_mm = box.east_mm - left - 1
    for number, line in enumerate(lines):
        shrink = min(1.0, room_mm / text_width(line, Text(9)))  # a long word stays within its label
        write_text(book, line, left, top - 14 - 4.0 * number, Text(9 * shrink))
    write_text(book, bag["sample_id"], box.west_mm + 4, box.south_mm + 1.5, Text(9, bold=True))


def qr_text(sample_id: str, design_code: str) -> str:
    """Return what a label's code says: the design's code, a space, the bag's label.

    Examples
    --------
    >>> qr_text("07F-03-B", "K7Q2")
    'K7Q2 07F-03-B'
    """
    return f"{design_code} {sample_id}"


def draw_qr(book: Book, text: str, west_mm: float, south_mm: float, size_mm: float) -> None:
    """Draw a QR code (ISO/IEC 18004, error level M) in a square of paper, its quiet zone within."""
    rows = [[bool(cell) for cell in row] for row in segno.make(text, error="m", micro=False).matrix]
    module_mm = size_mm / (len(rows) + 2 * _QUIET)
    north_mm = south_mm + size_mm - (1 + _QUIET) * module_mm
    bars = [
        (west_mm + (start + _QUIET) * module_mm, north_mm - down * module_mm, length * module_mm, module_mm)
        for down, row in enumerate(rows)
        for start, length in _runs(row)
    ]
    fill_boxes(book, bars)


def _runs(row: Sequence[bool]) -> list[tuple[int, int]]:
    """Return where each run of dark modules starts and how long it is.

    Examples
    --------
    >>> _runs([True, True, False, True])
    [(0, 2), (3, 1)]
    """
    edges = np.flatnonzero(np.diff([False, *row, False])).tolist()
    return [(start, end - start) for start, end in zip(edges[::2], edges[1::2], strict=True)]
