"""Workbooks: every sheet with a header row, its cells as the text a person sees, formulas by their last result."""

from __future__ import annotations

import zipfile
import zlib
from collections.abc import Iterator
from datetime import date, datetime, time
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

from geosample.counts.rules import Log
from geosample.counts.tables import Meaning, Table, find_header, table_from_rows
from geosample.errors import GroundError
from geosample.ground import check_archive

# What a damaged workbook may raise, from the archive down to its XML.
_UNREADABLE = (
    zipfile.BadZipFile, zlib.error, ET.ParseError, EOFError, LookupError, TypeError, ValueError, RuntimeError,
)  # fmt: skip
Rows = list[tuple[int, list[str]]]
"""Row numbers as the spreadsheet shows them, and the row's cells."""


def read_workbook(path: Path, log: Log, meaning_of: Meaning) -> list[Table]:
    """Return a table for each sheet that has a header row, none after asking about a workbook that has no such sheet.

    A formula that was never worked out has no result: its text stands in the cell, since blank would be a lie.
    """
    import openpyxl
    from openpyxl.utils.exceptions import InvalidFileException

    try:
        check_archive(path)
        book = openpyxl.load_workbook(path, read_only=True, data_only=True)
        sheets = {sheet.title: _text_rows(sheet) for sheet in book.worksheets}
        book.close()
        formulas = _list_formulas(path)
    except GroundError as error:
        for problem in error.problems:
            log.refuse(path.name, f"a workbook that can't be opened: {problem.found}", problem.expected, problem.remedy)
        return []
    except (*_UNREADABLE, InvalidFileException) as error:
        log.refuse(path.name, f"a workbook that can't be opened ({error})", "an XLSX workbook", "save it again as XLSX")
        return []
    good = _pick_sheets(path.name, sheets, log, meaning_of)
    tables = []
    for title, rows in good.items():
        name = path.name if len(good) == 1 else f"{path.name} sheet {title}"
        shown = _show_formulas(rows, formulas.get(title, []))
        tables.append(table_from_rows(name, shown, log, meaning_of))
    return [table for table in tables if table is not None]


def _pick_sheets(file: str, sheets: dict[str, Rows], log: Log, meaning_of: Meaning) -> dict[str, Rows]:
    """Return the sheets that have a header row; the others are noted, and a workbook that has none asked about."""
    if {"survey", "choices"} <= set(sheets):
        log.refuse(file, "the form itself", "what the form collected", "export its answers as CSV or XLSX")
        return {}
    good = {title: rows for title, rows in sheets.items() if find_header(rows, meaning_of) is not None}
    if not good:
        expected = "a sheet with a header row: a label (point_id) and stages (L1, L2 ...) or a status"
        log.refuse(file, f"the sheets {', '.join(sheets)}", expected, "keep the blank sheet's header row")
        return {}
    for title, rows in sheets.items():
        if rows and title not in good:
            log.note(f"{file} sheet {title}", "no header row of counts", "passed over")
    return good


def show_cell(value: Any) -> str:
    """Return a workbook's cell as text.

    Examples
    --------
    >>> [show_cell(value) for value in (None, 3.0, 2.5, True, datetime(2026, 5, 4))]
    ['', '3', '2.5', 'yes', '2026-05-04']
    """
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    if isinstance(value, datetime):
        return value.date().isoformat() if value.time() == time() else value.isoformat(" ", "minutes")
    return value.isoformat() if isinstance(value, (date, time)) else str(value)


def number_rows(sheet: Any) -> Iterator[tuple[int, tuple[Any, ...]]]:
    """Yield a sheet's rows with their numbers, each as long as its own last cell.

    Not as wide as the sheet says it is: with a stray cell in its last corner it has 17 thousand million cells.
    """
    sheet.reset_dimensions()
    yield from enumerate(sheet.iter_rows(values_only=True), start=1)


def _text_rows(sheet: Any) -> Rows:
    rows = number_rows(sheet)
    return [(number, [show_cell(cell) for cell in row]) for number, row in rows if any(c is not None for c in row)]


def _list_formulas(path: Path) -> dict[str, list[tuple[int, int, str]]]:
    """Return sheet -> (row, column, formula); the workbook is opened again only where a part of it holds one."""
    import openpyxl

    with zipfile.ZipFile(path) as parts:
        names = [name for name in parts.namelist() if name.startswith("xl/worksheets/")]
        if not any(b"<f" in parts.read(name) for name in names):
            return {}
    book = openpyxl.load_workbook(path, read_only=True)
    found = {
        sheet.title: [
            (row, column, cell)
            for row, cells in number_rows(sheet)
            for column, cell in enumerate(cells)
            if isinstance(cell, str) and cell.startswith("=")
        ]
        for sheet in book.worksheets
    }
    book.close()
    return found


def _show_formulas(rows: Rows, formulas: list[tuple[int, int, str]]) -> Rows:
    """Return the rows with the text of each formula that has no result in its cell, where it can't be read as blank."""
    cells = {number: list(row) for number, row in rows}
    for number, column, formula in formulas:
        row = cells.setdefault(number, [])
        row.extend([""] * (column + 1 - len(row)))
        row[column] = row[column] or formula
    return sorted(cells.items())
