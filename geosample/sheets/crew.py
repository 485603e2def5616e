"""The crew's tables: the field sheet, the bench sheet, the blind recount."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING

import pandas as pd
import shapely

from geosample import cautions
from geosample.design import CONTAINERS
from geosample.paper import (
    Book,
    Column,
    Frame,
    Text,
    draw_table,
    next_page,
    stretch_columns,
    write_footer,
    write_lines,
)
from geosample.sheets.bench import StopTable, batch_of, choose_recounts, method_dangers, method_steps
from geosample.sheets.columns import list_bags, ordered_points, stage_columns
from geosample.sheets.finding import tell_leg
from geosample.sheets.mapbook import write_head
from geosample.units import FOOT2_M2, INCH_M, Units, show_area
from geosample.words import RECOUNT_MARK, UNSTAGED

if TYPE_CHECKING:
    from geosample.design import Design
    from geosample.pests import Pest

ROW_MM = 9.5
_CENTRED = Text(8, align="centre")
_STRONG = Text(8, bold=True)
_STRONG_CENTRED = Text(10, bold=True, align="centre")
_FIELD_COLUMNS = (
    Column("walk", 10, _CENTRED),
    Column("point", 19, _STRONG),
    Column("where to find it", 96),
    Column("from the last point", 20, Text(7)),
    Column("plugs planned", 14, _CENTRED),
    Column("plugs pulled", 14),
    Column("moved? to where", 34),
    Column("could not, because", 34),
    Column("hole filled", 12),
    Column("time", 18),
)
_FIELD_WORDS = (
    "Pull the plugs within a step of the point and pool them in the point's bag. Tick 'moved' and write where to when "
    "you could not pull them there. Write why when a point can't be sampled at all{instead}.",
    "The clock on a green: stand on the side the words name, facing the middle; you stand at 6 o'clock.",
)
_INSTEAD = ", and take the next reserve point of its stratum instead"
_RESERVE_COLUMNS = tuple(
    Column("stands in for", column.width_mm, column.style) if column.head == "from the last point" else column
    for column in _FIELD_COLUMNS
)
_STOP_COLUMNS = (
    Column("after this many plugs", 30, _CENTRED),
    Column("stop at this total or fewer", 40, _STRONG_CENTRED),
    Column("your total so far", 40),
    Column("stop at this total or more", 40, _STRONG_CENTRED),
    Column("counted by", 50),
)
_STOP_WORDS = (
    "Pull every plug on the round. Extract the bags in the bench sheet's order, add up what you find, and look at the "
    "row: between the two totals go on with the next bag. Mark the bags you leave as not extracted: they are no zeros.",
)
_BENCH_WORDS = (
    "Extract the bags in this order: wherever you have to stop, what is done lies spread over the ground.",
    "0: looked and found none. Blank: did not look. Tick 'not done' for a bag that was lost or not extracted.",
)
_RECOUNT_WORDS = (
    "For a second person. Count these bags again without seeing the first sheet; keep what was found in each bag until "
    "then. The two counts are compared stage by stage.",
)


def draw_field_sheet(book: Book, design: Design, *, pace_m: float, units: Units) -> None:
    """Draw the field sheet: a row a main point in walking order, the reserve points in a block after them."""
    warnings = [str(caution) for caution in cautions.FIELD]
    spare = bool((design.points["role"] == "reserve").any())
    words = [text.format(instead=_INSTEAD if spare else "") for text in _FIELD_WORDS]
    for role in ("main", "reserve") if spare else ("main",):
        rows = _field_rows(design, role, pace_m)
        title = "Field sheet" if role == "main" else "Field sheet: reserve points, in this order"
        columns = stretch_columns(_FIELD_COLUMNS if role == "main" else _RESERVE_COLUMNS, _long_side_mm(book))
        _draw_pages(book, design, title, columns, rows, notes=(show_unit(design, units), *words, *warnings))


def draw_bench_sheet(book: Book, design: Design, profile: Pest, *, method: str, batch: int = CONTAINERS) -> None:
    """Draw each method's bench sheet (a row a bag, in extraction order and batches) with its steps and dangers.

    After them the blind recount. Parameters as for ``write_sheets``; ``batch`` is how many bags are extracted at once.
    """
    bags = bench_order(design, method)
    for name, mine in bags.groupby("method", sort=False):
        _draw_bench_of(book, design, profile, mine, str(name), batch)
    columns = [Column("no.", 11, _CENTRED), *_bench_columns(book, profile)[1:]]
    walked = list_bags(design, method)  # the order of the blank of recounts, so that paper and file agree
    chosen = choose_recounts(walked.loc[walked["role"] == "main", "sample_id"].to_list(), seed=design.visit.seed)
    again = [[str(n), f"{bag}-{RECOUNT_MARK}", *[""] * (len(columns) - 2)] for n, bag in enumerate(chosen, start=1)]
    _draw_pages(book, design, "Bench sheet: blind second count", columns, again, notes=_RECOUNT_WORDS)


def _draw_bench_of(book: Book, design: Design, profile: Pest, bags: pd.DataFrame, method: str, batch: int) -> None:
    steps = [f"{number}. {step}" for number, step in enumerate(method_steps(method), start=1)]
    dangers = [str(caution) for caution in method_dangers(method)]
    columns = _bench_columns(book, profile)
    batches = [str(batch_of(number, size=batch)) for number in range(1, len(bags) + 1)]
    names = [f"{bag.sample_id}{'' if bag.role == 'main' else ' (reserve)'}" for bag in bags.itertuples()]
    rows = [[one, name, *[""] * (len(columns) - 2)] for one, name in zip(batches, names, strict=True)]
    _draw_pages(book, design, f"Bench sheet: {method}", columns, rows, notes=(*_BENCH_WORDS, *steps, *dangers))


def bench_order(design: Design, method: str) -> pd.DataFrame:
    """Return the bags in the order they are extracted, reserve bags last.

    With stop lines, stratum after stratum; without, all strata in step, so that whenever the time runs out each is
    extracted as far as the others. Within a stratum the order is the design's own spread one.
    """
    bags = list_bags(design, method)
    size = bags.groupby(["stratum", "role"])["extract_order"].transform("max").clip(lower=1)
    spare = bags["role"] != "main"
    if design.visit.settings.get("stop_lines"):
        turn = pd.Series(pd.factorize(bags["stratum"])[0], index=bags.index) + bags["extract_order"] / (size + 1)
    else:
        turn = bags["extract_order"] / size
    keyed = bags.assign(spare=spare, turn=turn.where(~spare, 0.0))
    return keyed.sort_values(["spare", "turn", "walk_order"], kind="stable").reset_index(drop=True)


def show_unit(design: Design, units: Units) -> str:
    """Return what is taken at each point, in words and the user's units."""
    visit = design.visit
    depth = f"{visit.unit_depth_mm / 25.4:.2g} in" if units == "us" else f"{visit.unit_depth_mm:.0f} mm"
    if visit.unit_shape == "plug":
        across_m = 2 * math.sqrt(visit.unit_m2 / math.pi)
        across = f"{across_m / INCH_M:.3g} in" if units == "us" else f"{across_m * 1000:.0f} mm"
        methods = visit.settings.get("compare") or []
        if methods:
            share = f"{visit.units_per_point} plugs for each of {', '.join(methods)}, a bag for each"
            return f"At each point, side by side: {share}; plugs {across} across and {depth} deep."
        return f"At each point: {visit.units_per_point} plugs, {across} across and {depth} deep, in one bag."
    area = show_area(visit.unit_m2, units) if visit.unit_m2 > FOOT2_M2 else f"{visit.unit_m2 * 1e4:,.0f} cm²"
    return f"At each point: {visit.units_per_point} of a {visit.unit_shape} of {area} and {depth} deep, in one bag."


def draw_stop_table(book: Book, design: Design, table: StopTable) -> None:
    """Draw a stop-line table, with a box to keep the running total in."""
    columns = stretch_columns(_STOP_COLUMNS, _long_side_mm(book))
    rows = [[str(plugs), _or_dash(low), "", _or_dash(high), ""] for plugs, low, high in table.rows]
    _draw_pages(book, design, f"Stop lines: {table.stratum}", columns, rows, notes=(table.note, *_STOP_WORDS))


def _or_dash(total: int | None) -> str:
    return "go on" if total is None else str(total)


def _long_side_mm(book: Book) -> float:
    """Return the width of a page on its side, within its margins, mm."""
    return max(book.inside.width_mm, book.inside.height_mm)


def _field_rows(design: Design, role: str, pace_m: float) -> list[list[str]]:
    planned = str(design.visit.units_per_point)
    rows = []
    points = ordered_points(design, role)
    places = shapely.get_coordinates(points.geometry.to_numpy())
    # The reserve is no round: each of its points is walked to from wherever it is needed.
    legs = [text if isinstance(text, str) else "" for text in points["stratum"]]
    if role == "main":
        legs = ["", *(tell_leg(a, b, pace_m) for a, b in pairwise(places))]
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


def _bench_columns(book: Book, profile: Pest) -> list[Column]:
    """Return the bench sheet's columns over the width of a page on its side."""
    ends = [Column("others found", 34), Column("not done", 12), Column("counted by", 24)]
    starts = [Column("batch", 11, _CENTRED), Column("bag", 27, _STRONG)]
    stages = stage_columns(profile)
    each_mm = (_long_side_mm(book) - sum(column.width_mm for column in (*starts, *ends))) / len(stages)
    heads = [name if name != UNSTAGED else "not staged" for name in stages]
    return [*starts, *(Column(head, each_mm) for head in heads), *ends]


def _draw_pages(
    book: Book,
    design: Design,
    title: str,
    columns: Sequence[Column],
    rows: Sequence[Sequence[str]],
    *,
    notes: Sequence[str],
) -> None:
    """Draw a table over as many pages on their sides as it takes, with the notes above it on the first."""
    first = True
    while rows:
        next_page(book, landscape=True)
        write_head(book, design, title if first else f"{title} (continued)")
        inside = book.inside
        room = Frame(inside.west_mm, inside.south_mm, inside.width_mm, inside.height_mm - 13)
        left_mm = write_lines(book, list(notes), room, Text(7.5)) - 1.5 if first else room.height_mm
        place = Frame(room.west_mm, room.south_mm, room.width_mm, left_mm)
        rows = rows[draw_table(book, place, columns, rows, row_mm=ROW_MM) :]
        write_footer(book, f"Design {design.visit.design_code} · visit {design.visit.visit} · {title}")
        first = False
