"""CSV with a column of well-known text (WKT), read row by row.

References
----------
OGC 06-103r4, Simple Feature Access part 1 (2011), section 7: well-known text.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import shapely

from geosample.errors import GroundError, Problem
from geosample.escape import read_cell
from geosample.ground.features import Content, Feature, Remark, gather_content
from geosample.ground.rings import split_shape

_COLUMNS = ("wkt", "geometry", "geom", "the_geom", "shape", "wkt_geom")
_UNREADABLE = "a shape that can't be read"
_CUT_SHORT = "it may be cut short: copy it again"
_LONGEST_CELL = 64 * 1024 * 1024


def read_csv_wkt(path: Path, data: bytes) -> Content:
    """Return what a CSV file with a WKT column holds; any of comma, semicolon or tab parts the cells.

    Parameters
    ----------
    path : Path
        The file's name, for messages.
    data : bytes
        The file, in UTF-8, UTF-16 or, failing these, Windows-1252.

    Raises
    ------
    GroundError
        When no column is called wkt, geometry or geom, or the last row is broken off.

    Notes
    -----
    Plain CSV does not say its CRS: degrees are told from their size, metres the user has to name.
    """
    text, told = decode_text(data)
    csv.field_size_limit(_LONGEST_CELL)
    head = text.partition("\n")[0]
    rows = csv.reader(io.StringIO(text, newline=""), delimiter=max(",;\t", key=head.count))
    try:
        heads = [name.strip() for name in next(rows, [])]
        column = _find_column(path, heads)
        filled = [(number, row) for number, row in enumerate(rows, start=2) if any(cell.strip() for cell in row)]
    except csv.Error as error:
        problem = Problem(str(path), f"CSV that can't be read ({error})", "rows of cells", "save it again as CSV")
        raise GroundError(problem) from error
    found = [
        one
        for number, row in filled
        for one in _read_row(_cell(row, column), _fields(heads, row, column), path.stem, _place(path, number))
    ]
    if found and found[-1] == Remark(_UNREADABLE, _place(path, filled[-1][0]), "left out"):
        problem = Problem(str(path), f"{_UNREADABLE} in the last row", "a whole file", _CUT_SHORT)
        raise GroundError(problem)
    return gather_content(path, [*(Remark(what, path.name, done) for what, done in told), *found], None)


def decode_text(data: bytes) -> tuple[str, list[tuple[str, str]]]:
    """Return a table's text, and where it is not UTF-8 what it is and how it was read.

    Examples
    --------
    >>> decode_text("hole;señal".encode()), decode_text("hole;señal".encode("utf-16"))[0]
    (('hole;señal', []), 'hole;señal')
    >>> decode_text("señal".encode("latin-1"))
    ('señal', [('text that is not UTF-8', 'read as Windows-1252; check names and notes with accents')])
    """
    if data[:2] in {b"\xff\xfe", b"\xfe\xff"}:
        return data.decode("utf-16", errors="replace"), [("UTF-16 text", "read so")]
    try:
        return data.decode("utf-8-sig"), []
    except UnicodeDecodeError:
        told = ("text that is not UTF-8", "read as Windows-1252; check names and notes with accents")
        return data.decode("cp1252", errors="replace"), [told]


def _find_column(path: Path, heads: list[str]) -> int:
    lower = [name.lower() for name in heads]
    found = [lower.index(name) for name in _COLUMNS if name in lower]
    if found:
        return found[0]
    shown = ", ".join(heads)[:200]
    problem = Problem(
        str(path), f"the columns {shown}", "a column WKT with the outlines", "export it with geometry as WKT"
    )
    raise GroundError(problem)


def _cell(row: list[str], column: int) -> str:
    return row[column].strip() if column < len(row) else ""


def _fields(heads: list[str], row: list[str], column: int) -> dict[str, str]:
    pairs = zip(heads, row, strict=False)
    return {name: read_cell(cell.strip()) for i, (name, cell) in enumerate(pairs) if i != column and cell.strip()}


def _read_row(text: str, fields: dict[str, str], stem: str, source: str) -> Iterator[Feature | Remark]:
    parts, wrong = open_text(text)
    yield from (Remark(what, source, "mended" if parts else "left out") for what in wrong)
    name = fields.get("name") or fields.get("Name")
    yield from (Feature(part, fields, (stem,), name, source) for part in parts)


def _place(path: Path, number: int) -> str:
    return f"{path.name}, row {number}"


def open_text(text: str) -> tuple[list[shapely.Geometry], list[str]]:
    """Return the single shapes in well-known text, mended where need be, and what was wrong.

    Examples
    --------
    >>> open_text("POLYGON ((0 0, 1 0, 1 1, 0 1))")
    ([<POLYGON ((0 0, 1 0, 1 1, 0 1, 0 0))>], ['a ring that was not closed'])
    """
    body = text.partition(";")[2] if text.upper().startswith("SRID=") else text
    if not body:
        return [], ["a row without a shape"]
    with np.errstate(invalid="ignore", over="ignore"):  # corners that are no numbers are told of in words
        try:
            parts, wrong = split_shape(shapely.from_wkt(body)), []
        except (shapely.errors.GEOSException, ValueError):
            parts = split_shape(shapely.from_wkt(body, on_invalid="fix"))
            wrong = ["a ring that was not closed" if parts else _UNREADABLE]
    good = [part for part in parts if np.isfinite(shapely.get_coordinates(part)).all()]
    if len(good) < len(parts):
        return good, ["corners without numbers"]
    return good, wrong if good or wrong else ["a row without a shape"]
