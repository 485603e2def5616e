"""Returned files as tables of text: every cell as it was written, every row with a name the user can look up."""

from __future__ import annotations

import csv
import io
import zipfile
import zlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

from geosample.counts.model import Log
from geosample.errors import GroundError
from geosample.escape import read_cell
from geosample.ground import check_archive, decode_text

DELIMITERS = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars"}
# Lines looked at for the header row: sheets often carry a title above it.
HEADER_WITHIN = 30


@dataclass(frozen=True, slots=True)
class Table:
    """One returned file's rows.

    Parameters
    ----------
    file : str
        Its name, and its sheet where it has several.
    headings : tuple of str
        As written.
    rows : tuple of tuple of str
        Cells as text, as many as there are headings; the empty text where blank.
    wheres : tuple of str
        The row's name, such as ``counts.csv row 12``.
    """

    file: str
    headings: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    wheres: tuple[str, ...]


Meaning = Callable[[str], str | None]
"""The field or stage a heading means, None where the reader does not know it; it finds the header below a title."""


def read_text_table(path: Path, log: Log, meaning_of: Meaning) -> Table | None:
    """Return the rows of a CSV file, whatever its delimiter and encoding; None after asking about one it can't read."""
    text, told = decode_text(path.read_bytes())
    for what, done in told:
        log.note(path.name, what, done)
    if not text.strip():
        log.refuse(path.name, "an empty file", "a header row and rows of counts", "export the counts again")
        return None
    delimiter = _find_delimiter(text)
    # Strict: a quote mark that is never closed would else swallow the rows behind it without a word.
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    numbered: list[tuple[int, list[str]]] = []
    start = 1
    try:
        for row in reader:
            numbered.append((start, row))
            start = reader.line_num + 1
    except csv.Error as error:
        remedy = "look for a quote mark that is not closed, or export the file again"
        log.refuse(f"{path.name} row {start}", f"a row that can't be parted ({error})", "cells", remedy)
        return None
    if delimiter != ",":
        log.note(path.name, f"columns parted by {DELIMITERS[delimiter]}", "read so")
    return table_from_rows(path.name, numbered, log, meaning_of)


def table_from_rows(
    file: str, numbered: Sequence[tuple[int, Sequence[str]]], log: Log, meaning_of: Meaning
) -> Table | None:
    """Return a table from numbered rows of cells: the header is the row with the most headings the reader knows."""
    head = find_header(numbered, meaning_of)
    if head is None:
        expected = "a header row with a label (point_id) and stages (L1, L2 ...) or a status"
        log.refuse(file, "no row of headings that can be recognised", expected, "keep the blank sheet's header row")
        return None
    number, headings = numbered[head]
    if head:
        log.note(f"{file} row {number}", f"{head} lines above the header row", "passed over")
    width = len(headings)
    kept, wheres = [], []
    for row_number, row in numbered[head + 1 :]:
        cells = [read_cell(cell.strip()) for cell in row]
        if not any(cells):
            continue
        where = f"{file} row {row_number}"
        if any(cells[width:]):
            log.ask(where, f"{len(cells)} cells", f"{width} as in the header row", "look for a stray delimiter")
            continue
        kept.append(tuple(cells[:width] + [""] * (width - len(cells))))
        wheres.append(where)
    return Table(file, tuple(heading.strip() for heading in headings), tuple(kept), tuple(wheres))


def find_header(numbered: Sequence[tuple[int, Sequence[str]]], meaning_of: Meaning) -> int | None:
    """Return the place of the header row, or None: the first row whose headings mean the most things, two or more."""
    meant = [{meaning_of(cell) for cell in row if cell.strip()} - {None} for _, row in numbered[:HEADER_WITHIN]]
    known = [len(meanings) for meanings in meant]
    best = max(known, default=0)
    return known.index(best) if best > 1 else None


def _find_delimiter(text: str) -> str:
    """Return the delimiter that parts the most cells evenly over the first lines; a comma when none does."""
    lines = [line for line in text.splitlines()[:HEADER_WITHIN] if line.strip()]
    if lines and lines[0].lower().startswith("sep=") and lines[0][4:5] in DELIMITERS:
        return lines[0][4:5]
    scores = {mark: _typical(sorted(line.count(mark) for line in lines)) for mark in DELIMITERS}
    best = max(scores, key=lambda mark: scores[mark])
    return best if scores[best] else ","


def _typical(counts: list[int]) -> int:
    return counts[len(counts) // 2] if counts else 0


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
