"""The blank counts as CSV and as a workbook, and the care taken of one that is already filled in."""

from __future__ import annotations

import csv
import io
import zipfile
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import openpyxl
from openpyxl.styles import Alignment, Font, PatternFill
from openpyxl.utils import get_column_letter
from openpyxl.utils.exceptions import InvalidFileException
from openpyxl.worksheet.datavalidation import DataValidation

from geosample.errors import Problem, SheetsError
from geosample.escape import escape_cell, escape_xml, write_csv
from geosample.ground import check_archive
from geosample.palettes import GREYS
from geosample.sheets.columns import FILLED_COLUMNS, stage_columns
from geosample.words import STATUSES

if TYPE_CHECKING:
    import pandas as pd
    from openpyxl.worksheet.worksheet import Worksheet

    from geosample.pests import Pest

_UNREADABLE = (OSError, ValueError, KeyError, RuntimeError, csv.Error, zipfile.BadZipFile, InvalidFileException)
_GIVEN = PatternFill("solid", fgColor=GREYS[1].lstrip("#"))
_RESERVE = PatternFill("solid", fgColor=GREYS[2].lstrip("#"))
_HOW = (
    ("status", f"What became of the bag: {', '.join(STATUSES)}. Leave it blank and give counts: that is 'counted'."),
    ("moved", "yes when the plugs were not pulled at the planned place; then give lat and lon where they were."),
    ("lat, lon", "Degrees (WGS 84), only when moved. The planned places are in the waypoints and on the map."),
    ("accuracy_m", "What the receiver said of its own fix, metres."),
    ("plugs", "The plan's number; write over it where more or fewer were pulled."),
    ("counts", "0 when you looked and found none. Blank when you did not look: blank is not zero."),
    ("unstaged", "Insects whose stage was not told apart; never counted again under a stage."),
    ("collected_at", "Date and time, such as 2026-05-04 09:30."),
    ("rows marked reserve", "Used in their order when a main point can't be sampled; leave the others blank."),
)


def make_csv(rows: pd.DataFrame) -> bytes:
    """Return the blank sheet as comma-separated text with one header row, as spreadsheets open it."""
    return write_csv(rows, line_end="\r\n", encoding="utf-8-sig")


def make_workbook(rows: pd.DataFrame, profile: Pest) -> bytes:
    """Return the blank sheet as a workbook: sheet ``counts`` with one header row, sheet ``how to fill``."""
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "counts"
    sheet.append(list(rows.columns))
    for row in rows.astype(object).itertuples(index=False):
        sheet.append([escape_cell(escape_xml(cell)) if isinstance(cell, str) else cell for cell in row])
    _style_counts(sheet, rows)
    _add_checks(sheet, list(rows.columns), stage_columns(profile))
    how = book.create_sheet("how to fill")
    for line in (("column", "what to write"), *_HOW):
        how.append(list(line))
    how.column_dimensions["A"].width, how.column_dimensions["B"].width = 22, 100
    file = io.BytesIO()
    book.save(file)
    return file.getvalue()


def check_not_filled(paths: Iterable[Path]) -> None:
    """Raise SheetsError for every blank sheet at these paths that somebody has written in.

    A sheet that can't be read as ours counts as written in: better asked once too often.
    """
    problems = [
        Problem(
            str(path),
            "a sheet that is filled in",
            "no sheet there, or a blank one",
            "give another --out folder, or --force to write over it",
        )
        for path in paths
        if path.exists() and is_filled(path)
    ]
    if problems:
        raise SheetsError(problems)


def is_filled(path: Path) -> bool:
    """Return whether a sheet holds anything besides what the program wrote."""
    try:
        table = _read_csv(path) if path.suffix.lower() == ".csv" else _read_workbook(path)
    except _UNREADABLE:
        return True
    head = [str(cell) for cell in table[0]] if table else []
    if not set(FILLED_COLUMNS) <= set(head):
        return True
    open_columns = [number for number, name in enumerate(head) if name not in FILLED_COLUMNS]
    return any(_has_words(row, open_columns) for row in table[1:])


def _has_words(row: Sequence[Any], columns: Sequence[int]) -> bool:
    cells = [row[number] for number in columns if number < len(row)]
    return any(cell is not None and str(cell).strip() for cell in cells)


def _read_csv(path: Path) -> list[list[str]]:
    with path.open(newline="", encoding="utf-8-sig") as file:
        return list(csv.reader(file))


def _read_workbook(path: Path) -> list[tuple[Any, ...]]:
    check_archive(path)
    book = openpyxl.load_workbook(path, read_only=True)
    try:
        sheet = book.worksheets[0]
        sheet.reset_dimensions()  # a stray cell in its last corner would make every row as wide
        return list(sheet.iter_rows(values_only=True))
    finally:
        book.close()


def _style_counts(sheet: Worksheet, rows: pd.DataFrame) -> None:
    """Freeze the head and the labels, shade what is given and mark off the reserve."""
    label = list(rows.columns).index("point_id") + 2
    sheet.freeze_panes = sheet.cell(2, label)
    for number, name in enumerate(rows.columns, start=1):
        sheet.cell(1, number).font = Font(bold=True)
        sheet.cell(1, number).alignment = Alignment(text_rotation=60 if name not in FILLED_COLUMNS else 0)
        sheet.column_dimensions[get_column_letter(number)].width = max(7, len(name) + 2)
    for row, role in enumerate(rows["role"], start=2):
        for number in range(1, len(FILLED_COLUMNS) + 1):
            sheet.cell(row, number).fill = _RESERVE if role == "reserve" else _GIVEN


def _add_checks(sheet: Worksheet, columns: list[str], stages: tuple[str, ...]) -> None:
    """Let the workbook itself refuse a count that is no whole number, and offer the words of status."""
    last = max(sheet.max_row, 2)
    counts = DataValidation("whole", operator="greaterThanOrEqual", formula1="0", allow_blank=True)
    counts.error = "A whole number, 0 or more; blank when you did not look."
    status = DataValidation("list", formula1=f'"{",".join(STATUSES)}"', allow_blank=True)
    moved = DataValidation("list", formula1='"yes,no"', allow_blank=True)
    for check, names in ((counts, stages), (status, ("status",)), (moved, ("moved",))):
        check.showErrorMessage = True
        sheet.add_data_validation(check)
        for name in names:
            letter = get_column_letter(columns.index(name) + 1)
            check.add(f"{letter}2:{letter}{last}")
