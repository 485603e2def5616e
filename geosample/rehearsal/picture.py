"""A rehearsal as one picture: what each number of points decides, treats and leaves wrongly, and its hours."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from geosample.drawing import (
    Box,
    Pen,
    Png,
    Text,
    close_book,
    draw_border,
    draw_box,
    draw_line,
    open_book,
    write_text,
)
from geosample.errors import Problem, RehearsalError
from geosample.files.saving import save_file
from geosample.palettes import GREYS, OKABE_ITO
from geosample.report.rehearse import tell_rehearsal
from geosample.units import Units, percent, show_area
from geosample.words import name_many

if TYPE_CHECKING:
    from collections.abc import Mapping

    from geosample.drawing import Book
    from geosample.rehearsal.play import Rehearsal

_WIDE_MM, _LABEL_MM, _TOLD_MM, _BAR_MM, _ROW_MM, _GAP_MM, _TOP_MM = 190.0, 40.0, 46.0, 4.2, 5.6, 12.0, 26.0
_PARTS = {"right": OKABE_ITO["blue"], "undecided": GREYS[1], "wrong": OKABE_ITO["vermilion"]}
_SMALL, _RIGHT, _BOLD = Text(7.5), Text(7.5, align="right"), Text(9, bold=True)


def draw_rehearsal(rehearsal: Rehearsal, path: Path, *, units: Units = "us") -> None:
    """Write the picture, a PNG or a page of PDF.

    Parameters
    ----------
    rehearsal : Rehearsal
        What was played.
    path : Path
        The picture, .png or .pdf; an existing one is replaced.
    units : str
        ``us`` or ``metric``.

    Raises
    ------
    RehearsalError
        When the name ends in something else, or the file can't be written.
    """
    if path.suffix.lower() not in {".png", ".pdf"}:
        found = f"the ending '{path.suffix}'"
        raise RehearsalError(Problem("picture", found, ".png or .pdf", "name it such as rehearsal.png"))
    if path.suffix.lower() == ".png":
        height = _height(rehearsal)
        png = Png(_WIDE_MM + 10, height + 10)
        _draw(png, Box(5, 5, _WIDE_MM, height), rehearsal, units)
        save_file(path, png.to_bytes(), RehearsalError)
        return
    book = open_book(title="What so many plugs would tell")
    _draw(book, book.inside, rehearsal, units)
    save_file(path, close_book(book), RehearsalError)


def _groups(rehearsal: Rehearsal, units: Units) -> list[tuple[str, list[tuple[str, list[tuple[float, str]], str]]]]:
    """Return headings with their bars: a label, its parts (share and colour) and what is told behind it."""
    kinds = rehearsal.kinds[rehearsal.kinds["world"] == "all"]
    plans = rehearsal.plans[rehearsal.plans["world"] == "all"].to_dict("records")
    groups = []
    for kind, mine in kinds.groupby("kind", sort=False):
        bars = [
            (_label(row), [(row[part], colour) for part, colour in _PARTS.items()], f"right {_told(row, 'right')}")
            for row in mine.to_dict("records")
        ]
        groups.append((f"{name_many(kind)}: above or below the threshold", bars))
    for name, heading, colour in (
        ("needless_m2", "treated needlessly, of all the ground", OKABE_ITO["orange"]),
        ("left_hot_m2", "hot ground left, of all the ground", OKABE_ITO["vermilion"]),
    ):
        bars = [(_label(row), [(row[name] / rehearsal.area_m2, colour)], show_area(row[name], units)) for row in plans]
        groups.append((heading, bars))
    bars = [
        (_label(row), [(row["map_says"], OKABE_ITO["blue"])], f"{_told(row, 'map_says')}, {row['hours']:.1f} h")
        for row in plans
    ]
    return [*groups, ("the map tells more than averages; hours of work", bars)]


def _label(row: Mapping[Any, Any]) -> str:
    weight = "" if row["border_weight"] == 1 else f", edge ×{row['border_weight']:g}"
    return f"{row['points']} points{weight}"


def _told(row: Mapping[Any, Any], name: str) -> str:
    return f"{percent(row[name])} ±{percent(max(row[f'{name}_se'], 0.01))}"


def _height(rehearsal: Rehearsal) -> float:
    groups = _groups(rehearsal, "us")
    return _TOP_MM + sum(_GAP_MM + _ROW_MM * len(bars) for _, bars in groups)


def _draw(paper: Book | Png, room: Box, rehearsal: Rehearsal, units: Units) -> None:
    write_text(paper, "What so many plugs would tell", room.west_mm, room.north_mm - 5, Text(13, bold=True))
    first, *_, last = tell_rehearsal(rehearsal, units)
    _write(paper, room, [first, last])
    level = room.north_mm - _TOP_MM
    wide_mm = room.width_mm - _LABEL_MM - _TOLD_MM
    for heading, bars in _groups(rehearsal, units):
        level -= _GAP_MM / 2
        write_text(paper, heading, room.west_mm + _LABEL_MM, level, _BOLD)
        for label, parts, told in bars:
            level -= _ROW_MM
            west = room.west_mm + _LABEL_MM
            frame = Box(west, level, wide_mm, _BAR_MM)
            write_text(paper, label, west - 2, level + 1, _RIGHT)
            for share, colour in parts:
                if share > 0:
                    draw_box(paper, Box(west, level, share * wide_mm, _BAR_MM), None, fill=colour)
                west += share * wide_mm
            draw_border(paper, frame, line_mm=0.15)
            half = frame.west_mm + wide_mm / 2
            draw_line(paper, [(half, level), (half, level + _BAR_MM)], Pen(GREYS[4], 0.15, (0.6, 0.6)))
            write_text(paper, told, frame.east_mm + 2, level + 1, _SMALL)
        level -= _GAP_MM / 2
    legend = "bars of kinds: blue decided rightly, grey left undecided, red decided wrongly; a bar's middle is 50 %"
    write_text(paper, legend, room.west_mm, room.north_mm - _TOP_MM + 1, _SMALL)


def _write(paper: Book | Png, room: Box, lines: list[str]) -> None:
    from geosample.report import fold

    for turn, line in enumerate(fold(lines)):
        write_text(paper, line.strip(), room.west_mm, room.north_mm - 10 - 3.6 * turn, _SMALL)
