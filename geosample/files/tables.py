"""Tables of text from CSV files and workbooks: every cell as it was written, every row with a name to look it up.

What was read with a little help, and what must be asked, goes into a `Log`: a table is taken whole, or nothing of it.
"""

from __future__ import annotations

import csv
import io
import zipfile
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

from geosample.errors import FileError, GeosampleError, Problem
from geosample.files.archives import check_archive
from geosample.files.escape import read_cell
from geosample.files.text import decode_text
from geosample.words import ENCODINGS


@dataclass(frozen=True, slots=True)
class RowNote:
    """What was said of one row that came back: forgiven, set aside, missing or replaced.

    Parameters
    ----------
    where : str
        File and row, or point id.
    what : str
        What was found.
    done : str
        What was done about it.
    """

    where: str
    what: str
    done: str


class Log:
    """What was forgiven or set aside (notes), and what must be settled first (problems)."""

    def __init__(self) -> None:
        self.notes: list[RowNote] = []
        self.problems: list[Problem] = []
        self.refused = False

    def note(self, where: str, what: str, done: str) -> None:
        """Remember something that was read with a little help."""
        self.notes.append(RowNote(where, what, done))

    def ask(self, where: str, found: str, expected: str, remedy: str) -> None:
        """Remember something that only the user can settle."""
        self.problems.append(Problem(where, found, expected, remedy))

    def refuse(self, where: str, found: str, expected: str, remedy: str) -> None:
        """Ask about a whole file or its columns: without an answer none of its rows can be read, set aside or not."""
        self.refused = True
        self.ask(where, found, expected, remedy)

    def settle(self, error: type[GeosampleError], *, set_aside: bool) -> None:
        """Raise the error with every problem, or turn each into a note where bad rows may be set aside."""
        if self.problems and (self.refused or not set_aside):
            raise error(self.problems)
        self.notes.extend(RowNote(p.where, f"{p.found}; expected {p.expected}", "set aside") for p in self.problems)
        self.problems.clear()


_MOST_NAMED = 6


def show_rows(wheres: Iterable[str]) -> str:
    """Return the rows' names in one phrase, the file named once.

    Examples
    --------
    >>> show_rows(["a.csv row 2", "a.csv row 3", "a.csv row 4", "b.csv row 9"])
    'a.csv rows 2-4; b.csv row 9'
    """
    files: dict[str, list[int]] = {}
    others: list[str] = []
    for where in wheres:
        file, word, number = where.rpartition(" row ")
        if word and number.isdecimal():
            files.setdefault(file, []).append(int(number))
        else:
            others.append(where)
    phrases = [f"{file} row{'s' if len(rows) > 1 else ''} {_ranges(rows)}" for file, rows in files.items()]
    if len(others) > _MOST_NAMED:
        others = [*others[:_MOST_NAMED], f"and {len(others) - _MOST_NAMED} more"]
    return "; ".join([*phrases, *others])


def _ranges(numbers: list[int]) -> str:
    runs: list[list[int]] = []
    for number in sorted(set(numbers)):
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    shown = [str(low) if low == high else f"{low}-{high}" for low, high in runs[:_MOST_NAMED]]
    left = len(runs) - _MOST_NAMED
    return ", ".join(shown) + (f" and {left} more places" if left > 0 else "")


DELIMITERS = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars"}
# Lines looked at for the header row: sheets often carry a title above it.
HEADER_WITHIN = 30
_LONGEST_CELL = 64 * 1024 * 1024  # characters: a course's outline in one cell
_TEXT = {".csv", ".tsv", ".txt"}
_WORKBOOKS = {".xlsx", ".xlsm"}
TABLES = _TEXT | _WORKBOOKS
"""The endings of files that hold a table and nothing else."""


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


Rows = list[tuple[int, list[str]]]
"""Row numbers as the user can look them up, and the row's cells."""
Meaning = Callable[[str], str | None]
"""The field or stage a heading means, None where the reader does not know it; it finds the header below a title."""


def read_text_table(path: Path, log: Log, meaning_of: Meaning) -> Table | None:
    """Return the rows of a CSV file, whatever its delimiter and encoding; None after asking about one it can't read."""
    text, encoding = decode_text(path.read_bytes())
    if encoding in ENCODINGS:
        log.note(path.name, *ENCODINGS[encoding])
    if not text.strip():
        log.refuse(path.name, "an empty file", "a header row and rows of counts", "export the counts again")
        return None
    delimiter = _find_delimiter(text)
    try:
        # Strict: a quote mark that is never closed would else swallow the rows behind it without a word.
        numbered = part_rows(path, text, delimiter, strict=True)
    except FileError as error:
        for problem in error.problems:
            log.refuse(problem.where, problem.found, problem.expected, problem.remedy)
        return None
    if delimiter != ",":
        log.note(path.name, f"columns parted by {DELIMITERS[delimiter]}", "read so")
    return table_from_rows(path.name, numbered, log, meaning_of)


def part_rows(path: Path, text: str, delimiter: str, *, strict: bool = False) -> Rows:
    r"""Return the rows of a CSV text with the numbers of their first lines.

    Parameters
    ----------
    path : Path
        The file's name, for the message.
    text : str
        All of it, decoded.
    delimiter : str
        What parts the cells.
    strict : bool
        Refuse quote marks that are not closed, or that stand inside a cell.

    Raises
    ------
    FileError
        When a row can't be parted.

    Examples
    --------
    >>> part_rows(Path("a.csv"), "hole,kind\n7,green", ",")
    [(1, ['hole', 'kind']), (2, ['7', 'green'])]
    """
    csv.field_size_limit(_LONGEST_CELL)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=strict)
    numbered: Rows = []
    start = 1
    try:
        for row in reader:
            numbered.append((start, row))
            start = reader.line_num + 1
    except csv.Error as error:
        remedy = "look for a quote mark that is not closed, or export the file again"
        found = f"a row that can't be parted ({error})"
        raise FileError(Problem(f"{path.name} row {start}", found, "cells", remedy)) from error
    return numbered


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
    scores = {mark: sorted(line.count(mark) for line in lines)[len(lines) // 2] if lines else 0 for mark in DELIMITERS}
    best = max(scores, key=lambda mark: scores[mark])
    return best if scores[best] else ","


# What a damaged workbook may raise, from the archive down to its XML.
_UNREADABLE = (
    zipfile.BadZipFile, zlib.error, ET.ParseError, EOFError, LookupError, TypeError, ValueError, RuntimeError,
)  # fmt: skip


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
    except FileError as error:
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


Reader = Callable[[Path, Log, Meaning], list[Table]]
"""A reader of another kind of file as tables."""


def read_tables(path: Path, log: Log, meaning_of: Meaning, others: Mapping[str, Reader] | None = None) -> list[Table]:
    """Return the file's tables (a workbook may hold several), none after asking about a file that can't be read.

    Parameters
    ----------
    path : Path
        One of ``TABLES``, told by its name's ending.
    log : Log
        Takes what was forgiven and what must be asked.
    meaning_of : callable
        From a heading to the field it means, None where it means none: it finds the header below a title.
    others : mapping of str to callable, optional
        Readers of other endings.
    """
    readers: dict[str, Reader] = {
        **dict.fromkeys(_TEXT, _read_one),
        **dict.fromkeys(_WORKBOOKS, read_workbook),
        **(others or {}),
    }
    read = readers.get(path.suffix.lower())
    if read is None:
        expected, remedy = f"one of: {', '.join(sorted(readers))}", "export the counts in one of these formats"
        log.refuse(path.name, f"the ending '{path.suffix}'", expected, remedy)
        return []
    try:
        return read(path, log, meaning_of)
    except FileNotFoundError:
        log.refuse(str(path), "no such file", "a file of counts", "check the name")
    except OSError as error:
        found = f"a file that can't be read ({error.strerror})"
        log.refuse(str(path), found, "a file of counts", "check its permissions")
    return []


def _read_one(path: Path, log: Log, meaning_of: Meaning) -> list[Table]:
    table = read_text_table(path, log, meaning_of)
    return [] if table is None else [table]
