"""Texts, tables and archives from strangers: every cell as it was written, nothing unpacked beyond one sane size.

What was read with a little help, and what must be asked, goes into a `Log`: a table is taken whole, or nothing of it.
"""

from __future__ import annotations

import csv
import io
import json
import lzma
import struct
import zipfile
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time
from pathlib import Path, PurePosixPath
from typing import IO, Any
from xml.etree import ElementTree as ET
from xml.parsers import expat

from geosample.errors import FileError, GeosampleError, Problem
from geosample.files.saving import read_cell
from geosample.words import ENCODINGS


def decode_text(data: bytes) -> tuple[str, str]:
    """Return a table's text and its encoding: ``utf-8``, or one of ``words.ENCODINGS``.

    Examples
    --------
    >>> [decode_text("señal".encode(encoding)) for encoding in ("utf-8", "utf-16", "latin-1")]
    [('señal', 'utf-8'), ('señal', 'utf-16'), ('señal', 'cp1252')]
    """
    if data[:2] in {b"\xff\xfe", b"\xfe\xff"}:
        return data.decode("utf-16", errors="replace"), "utf-16"
    try:
        return data.decode("utf-8-sig"), "utf-8"
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace"), "cp1252"


def parse_json(path: Path, data: bytes) -> Mapping[str, Any]:
    """Return the object a JSON file holds.

    Raises
    ------
    FileError
        When it is not UTF-8, not whole, nested without end, or no object.
    """
    try:
        document = json.loads(data.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        problem = Problem(str(path), f"text that is not UTF-8 ({error.reason})", "GeoJSON", "save it again as UTF-8")
        raise FileError(problem) from error
    except (json.JSONDecodeError, RecursionError) as error:
        found = f"JSON that can't be read ({error})"
        problem = Problem(str(path), found, "a whole file", "it may be cut short: export or copy it again")
        raise FileError(problem) from error
    if isinstance(document, Mapping):
        return document
    raise FileError(Problem(str(path), "JSON that is no object", "GeoJSON", "export it as GeoJSON"))


def parse_xml(path: Path, data: bytes) -> ET.Element:
    """Return the root of an XML document.

    Raises
    ------
    FileError
        When ``check_xml`` refuses it.
    """
    check_xml(path, data)
    try:
        return ET.fromstring(data)
    except (ET.ParseError, LookupError, ValueError) as error:
        raise FileError(_explain_xml(path, data, error)) from error


def check_xml(path: Path, data: bytes) -> None:
    """Refuse an XML document that is broken or may do harm, before anything is made of it.

    Raises
    ------
    FileError
        When it declares a document type (the door for entity attacks; map files have no use for one), is cut
        short, or is not well-formed.
    """
    try:
        _refuse_document_type(path, data)
    except FileError:
        raise
    except (expat.ExpatError, LookupError, ValueError) as error:
        raise FileError(_explain_xml(path, data, error)) from error


def _refuse_document_type(path: Path, data: bytes) -> None:
    def refuse(*_: object) -> None:
        remedy = "export the file again"
        raise FileError(Problem(str(path), "a document type declaration", "plain map data", remedy))

    parser = expat.ParserCreate()
    parser.StartDoctypeDeclHandler = refuse
    parser.EntityDeclHandler = refuse
    parser.Parse(data, True)


def _explain_xml(path: Path, data: bytes, error: Exception) -> Problem:
    try:
        data.decode("utf-8")
        remedy = "the file may be cut short: export or copy it again"
    except UnicodeDecodeError:
        remedy = "its text is not in the encoding it states: save it again as UTF-8"
    return Problem(str(path), f"XML that can't be read ({error})", "a whole, well-formed file", remedy)


def local_name(element: ET.Element) -> str:
    """Return an element's name without its namespace; empty for what has none, such as a comment.

    Examples
    --------
    >>> local_name(ET.fromstring("<kml xmlns='http://www.opengis.net/kml/2.2'/>")), local_name(ET.Comment("old"))
    ('kml', '')
    """
    return element.tag.rpartition("}")[2] if isinstance(element.tag, str) else ""


def read_data_fields(element: ET.Element) -> dict[str, str]:
    """Return what the ``Data`` and ``SimpleData`` in a KML placemark say.

    Examples
    --------
    >>> read_data_fields(ET.fromstring("<Placemark><Data name='L3'><value>4</value></Data></Placemark>"))
    {'L3': '4'}
    """
    fields: dict[str, str] = {}
    for inner in element.iter():
        if local_name(inner) == "Data":
            fields[inner.get("name", "")] = child_text(inner, "value")
        elif local_name(inner) == "SimpleData":
            fields[inner.get("name", "")] = (inner.text or "").strip()
    return fields


def child_text(element: ET.Element, name: str) -> str:
    """Return the text of an element's first child of a name, in any namespace; empty where there is none."""
    for child in element:
        if local_name(child) == name:
            return (child.text or "").strip()
    return ""


LARGEST_BYTES = 512 * 1024 * 1024
"""A file that is larger is not a course (no source)."""
LARGEST_UNPACKED_BYTES = 128 * 1024 * 1024
"""An archive or a workbook that unpacks to more is neither a course nor its counts (own choice: a workbook with one
cell of this size takes half a gigabyte of memory to read)."""
# What the library raises of a damaged archive: a place before the file's start is a ValueError to it.
_BROKEN = (
    zipfile.BadZipFile, zlib.error, lzma.LZMAError, struct.error,
    EOFError, LookupError, OverflowError, RuntimeError, ValueError, OSError,
)  # fmt: skip


def open_archive(path: Path, file: IO[bytes]) -> zipfile.ZipFile:
    """Return an open archive.

    Raises
    ------
    FileError
        When it is damaged.
    """
    try:
        return zipfile.ZipFile(file)
    except _BROKEN as error:
        raise FileError(_damaged(path, error)) from error


def list_members(path: Path, archive: zipfile.ZipFile) -> list[str]:
    """Return the names in an archive that are no by-products of the archiver's.

    Raises
    ------
    FileError
        When one points outside the archive, or all together unpack to more than ``LARGEST_UNPACKED_BYTES``.
    """
    names = [name for name in archive.namelist() if not is_by_product(name)]
    outside = [n for n in names if n.startswith(("/", "\\")) or ".." in PurePosixPath(n.replace("\\", "/")).parts]
    if outside:
        found = f"a path outside the archive ({outside[0]})"
        raise FileError(Problem(str(path), found, "plain names", "do not trust this file"))
    _check_size(path, sum(item.file_size for item in archive.infolist()))
    return names


def is_by_product(name: str) -> bool:
    """Return whether a member is what some systems' archivers put beside each file: no map, whatever its ending.

    Examples
    --------
    >>> is_by_product("__MACOSX/sub/._course.shp"), is_by_product("sub/course.shp")
    (True, False)
    """
    path = PurePosixPath(name)
    return path.name.startswith("._") and ".." not in path.parts and not path.is_absolute()


def unpack_member(path: Path, archive: zipfile.ZipFile, name: str, *, most: int | None = None) -> bytes:
    """Return a member's bytes, or its first ``most``.

    Raises
    ------
    FileError
        When it is damaged, or larger than ``LARGEST_UNPACKED_BYTES``, whatever the archive says of itself.
    """
    try:
        with archive.open(name) as file:
            data = file.read(LARGEST_UNPACKED_BYTES + 1 if most is None else most)
    except _BROKEN as error:
        raise FileError(_damaged(path, error)) from error
    _check_size(path, len(data))
    return data


def check_archive(path: Path) -> None:
    """Refuse an archive of any kind, such as a workbook, that is not whole or unpacks to too much.

    Raises
    ------
    FileError
        When it is damaged, or larger unpacked than ``LARGEST_UNPACKED_BYTES`` by its own list or in truth.
    """
    with path.open("rb") as file, open_archive(path, file) as archive:
        _check_size(path, sum(item.file_size for item in archive.infolist()))
        check_sums(path, archive)


def check_sums(path: Path, archive: zipfile.ZipFile) -> None:
    """Refuse an archive with a member that is not what the list says: who reads it by a driver does not look.

    Raises
    ------
    FileError
        When a member is damaged, or all together are larger than ``LARGEST_UNPACKED_BYTES`` in truth.
    """
    size = 0
    for item in archive.infolist():
        try:
            with archive.open(item) as file:
                while size <= LARGEST_UNPACKED_BYTES and (part := file.read(2**20)):
                    size += len(part)
        except _BROKEN as error:
            raise FileError(_damaged(path, error)) from error
        _check_size(path, size)


def _damaged(path: Path, error: Exception) -> Problem:
    return Problem(str(path), f"an archive that can't be read ({error})", "a whole archive", "save or copy it again")


def _check_size(path: Path, size: int) -> None:
    if size > LARGEST_UNPACKED_BYTES:
        found = f"a file that unpacks to {size / 2**20:,.0f} MB or more"
        expected = f"at most {LARGEST_UNPACKED_BYTES // 2**20} MB unpacked"
        remedy = "take out what is neither map nor counts, and save it again"
        raise FileError(Problem(str(path), found, expected, remedy))


@dataclass(frozen=True, slots=True)
class Note:
    """One thing that was seen, read with a little help, mended, set aside or left out on the way from a file.

    Parameters
    ----------
    what : str
        Its code, such as ``overlap``: one of ``words.SHAPE_FAULTS``, or of the ``NOTES`` that ``report`` has words for.
    where : str
        File and row or feature, point, surface, or the argument it follows from.
    count : int
        How many features.
    area_m2 : float
        How much ground, m².
    facts : mapping
        What else is known, plain JSON types, names with their unit; ``done`` is ``mended`` or ``left out``.
    """

    what: str
    where: str
    count: int = 1
    area_m2: float = 0.0
    facts: Mapping[str, Any] = field(default_factory=dict)


class Log:
    """What was forgiven or set aside (notes), and what must be settled first (problems)."""

    def __init__(self) -> None:
        self.notes: list[Note] = []
        self.problems: list[Problem] = []
        self.refused = False

    def note(self, what: str, where: str, facts: Mapping[str, Any] | None = None) -> None:
        """Remember something that was read with a little help, by its code."""
        self.notes.append(Note(what, where, facts=facts or {}))

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
        for one in self.problems:
            self.note("set_aside", one.where, {"found": one.found, "expected": one.expected})
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
        log.note("encoding", path.name, {"encoding": encoding})
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
        log.note("delimiter", path.name, {"delimiter": delimiter})
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


NO_HEADER = "no row of headings that can be recognised"
"""What is asked about where no table begins; what was expected is of sheets, and other readers say their own."""


def table_from_rows(
    file: str, numbered: Sequence[tuple[int, Sequence[str]]], log: Log, meaning_of: Meaning
) -> Table | None:
    """Return a table from numbered rows of cells: the header is the row with the most headings the reader knows."""
    head = find_header(numbered, meaning_of)
    if head is None:
        expected = "a header row with a label (point_id) and stages (L1, L2 ...) or a status"
        log.refuse(file, NO_HEADER, expected, "keep the blank sheet's header row")
        return None
    number, headings = numbered[head]
    if head:
        log.note("lines_above", f"{file} row {number}", {"lines": head})
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
            log.note("no_header", f"{file} sheet {title}")
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
