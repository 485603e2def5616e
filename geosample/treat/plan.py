"""The treatment plan on paper: the answer, the areas, the cautions and a place to sign; then a page a hole."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from geosample.cautions import TREATMENT
from geosample.errors import TreatError
from geosample.holes import hole_key
from geosample.paper import (
    Book,
    Column,
    Frame,
    Pen,
    Text,
    close_book,
    draw_border,
    draw_line,
    draw_table,
    next_page,
    open_book,
    sort_ground,
    wrap_text,
    write_lines,
    write_text,
)
from geosample.saving import save_file
from geosample.treat.areas import area_rows
from geosample.treat.chart import draw_curve, draw_curve_table
from geosample.treat.curve import read_curve
from geosample.treat.holes import GROUND_LOOKS, draw_hole
from geosample.treat.sheet import BODY, HEAD, RIGHT, SMALL, TABLE_ROW_MM, below, finish_page
from geosample.units import show_density

if TYPE_CHECKING:
    from collections.abc import Sequence

    from geosample.ground import Ground
    from geosample.treat.model import Zones
    from geosample.units import Units

_ANSWER = Text(11, bold=True)
_CAUTION = Text(7.5)
_AREA_HEAD_MM = 6.0
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
    kinds = sort_ground(ground.surfaces, ground.obstacles, looks=GROUND_LOOKS)
    for hole in holes:
        next_page(book)
        draw_hole(book, zones, ground, hole, kinds=kinds, units=units)
    strips = zones.zones[zones.zones["action"] == "check"]
    places = [f"{name}: {note}" for name, note in zip(strips["zone_id"], strips["note"], strict=True)]
    _write_pages(book, zones, "Where the check strips are", places)
    _write_pages(book, zones, "Why this plan", zones.reasons)
    _draw_curve_page(book, zones)
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


def _draw_first_page(book: Book, zones: Zones, ground: Ground, title: str, units: Units) -> None:
    page = book.inside
    write_text(book, title, page.west_mm, page.north_mm - 6, HEAD)
    about = f"{zones.pest}, counts of {zones.visit}; action threshold {show_density(zones.threshold_per_m2, units)}"
    write_text(book, about, page.west_mm, page.north_mm - 12, BODY)
    left = write_lines(book, [zones.answer[0]], below(page, 16), _ANSWER)
    foot_mm = _draw_foot(book)
    room = Frame(page.west_mm, foot_mm + 3, page.width_mm, left - 2 + page.south_mm - foot_mm - 3)
    left, sentences = _write_paragraphs(book, zones.answer[1:], room)
    rows = area_rows(zones, ground)
    done = _draw_areas(book, Frame(room.west_mm, room.south_mm, room.width_mm, left - 3), rows)
    finish_page(book, zones)
    _write_pages(book, zones, "More about the plan", sentences)
    while done < len(rows):
        next_page(book)
        write_text(book, "Areas by hole and kind", page.west_mm, page.north_mm - 6, HEAD)
        done += _draw_areas(book, below(page, 10), rows[done:])
        finish_page(book, zones)


def _write_pages(book: Book, zones: Zones, head: str, sentences: Sequence[str]) -> None:
    """Write sentences on pages of their own, as many as it takes; none for none."""
    while sentences:
        next_page(book)
        page = book.inside
        write_text(book, head, page.west_mm, page.north_mm - 6, HEAD)
        _, sentences = _write_paragraphs(book, sentences, below(page, 10))
        finish_page(book, zones)


def _write_paragraphs(book: Book, sentences: Sequence[str], place: Frame) -> tuple[float, Sequence[str]]:
    """Write as many sentences as fit, a little apart; return the height left, mm, and the sentences left."""
    left = place.height_mm
    for number, sentence in enumerate(sentences):
        need = len(wrap_text(sentence, place.width_mm, BODY)) * BODY.step_mm
        if need > left:
            return left, sentences[number:]
        left = write_lines(book, [sentence], Frame(place.west_mm, place.south_mm, place.width_mm, left), BODY) - _GAP_MM
    return left, ()


def _draw_areas(book: Book, place: Frame, rows: list[list[str]]) -> int:
    """Draw as many rows of areas as fit, and return how many that was."""
    if not rows or place.height_mm < _AREA_HEAD_MM + TABLE_ROW_MM:
        return 0
    return draw_table(book, place, _AREA_COLUMNS, rows, row_mm=TABLE_ROW_MM, head_mm=_AREA_HEAD_MM)


def _draw_curve_page(book: Book, zones: Zones) -> None:
    """Draw how well the plan is aimed; no page for a plan of nothing."""
    curve = read_curve(zones.findings)
    if curve.empty or (zones.zones["action"] != "treat").all():
        return
    next_page(book)
    page = book.inside
    write_text(book, "How well it is aimed", page.west_mm, page.north_mm - 6, HEAD)
    words = (
        "What each way of choosing ground reaches, as the map expects it. Above the thin straight line a plan reaches "
        "more than its share of the insects; the intervals come from draws of the whole map."
    )
    left = write_lines(book, [words], below(page, 10), BODY)
    draw_curve(book, Frame(page.west_mm, page.south_mm + left - 104, 140, 102), curve)
    draw_curve_table(book, Frame(page.west_mm, page.south_mm, page.width_mm, left - 108), curve)
    finish_page(book, zones)


def _draw_foot(book: Book) -> float:
    """Draw the cautions and the place to sign at the page's foot; return where they start, mm from the bottom."""
    page = book.inside
    lines = [str(caution) for caution in TREATMENT]
    height_mm = 27 + sum(len(wrap_text(line, page.width_mm - 6, _CAUTION)) for line in lines) * _CAUTION.step_mm
    box = Frame(page.west_mm, page.south_mm, page.width_mm, height_mm)
    draw_border(book, box)
    inner = box.inset(3)
    write_text(book, "Before anything is applied", inner.west_mm, inner.north_mm - 4, Text(10, bold=True))
    write_lines(book, lines, below(inner, 6), _CAUTION)
    _draw_signing(book, inner)
    return box.north_mm


def _draw_signing(book: Book, place: Frame) -> None:
    """Draw the lines to sign on."""
    labels = ("Licensed applicator, name and certification number", "Signature", "Date")
    shares = (0.5, 0.3, 0.2)
    west = place.west_mm
    for label, share in zip(labels, shares, strict=True):
        width = share * place.width_mm
        draw_line(book, [(west, place.south_mm + 4), (west + width - 4, place.south_mm + 4)], Pen())
        write_text(book, label, west, place.south_mm + 0.5, SMALL)
        west += width
