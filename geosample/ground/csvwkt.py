"""CSV with a column of well-known text (WKT), read row by row.

References
----------
OGC 06-103r4, Simple Feature Access part 1 (2011), section 7: well-known text.
"""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np
import shapely

from geosample.errors import GroundError, Problem
from geosample.ground.features import Content, Feature, Remark
from geosample.ground.rings import split_shape

_COLUMNS = ("wkt", "geometry", "geom", "the_geom", "shape", "wkt_geom")
_UNREADABLE = "a shape that can't be read"
_LONGEST_CELL = 64 * 1024 * 1024


def read_csv_wkt(path: Path, data: bytes) -> Content:
    """Return what a CSV file with a WKT column holds; any of comma, semicolon or tab parts the cells.

    Parameters
    ----------
    path : Path
        The file's name, for messages.
    data : bytes
        The file, in UTF-8 or, failing that, Windows-1252.

    Raises
    ------
    GroundError
        When no column is called wkt, geometry or geom, or the last row is broken off.

    Notes
    -----
    Plain CSV does not say its CRS: degrees are told from their size, metres the user has to name.
    """
    text, remarks = _decode(path, data)
    csv.field_size_limit(_LONGEST_CELL)
    head = text.partition("\n")[0]
    rows = csv.reader(io.StringIO(text, newline=""), delimiter=max(",;\t", key=head.count))
    try:
        heads = [name.strip() for name in next(rows, [])]
        column = _find_column(path, heads)
        table = [(number, row) for number, row in enumerate(rows, start=2) if any(cell.strip() for cell in row)]
    except csv.Error as error:
        problem = Problem(str(path), f"CSV that can't be read ({error})", "rows of cells", "save it again as CSV")
        raise GroundError(problem) from error
    features = [f for number, row in table for f in _read_row(path, heads, row, (number, column, remarks))]
    if remarks and remarks[-1].what == _UNREADABLE and remarks[-1].source == _place(path, table[-1][0]):
        found = f"{_UNREADABLE} in the last row"
        raise GroundError(Problem(str(path), found, "a whole file", "it may be cut short: copy it again"))
    return Content(path, tuple(features), None, tuple(remarks))


def _decode(path: Path, data: bytes) -> tuple[str, list[Remark]]:
    try:
        return data.decode("utf-8-sig"), []
    except UnicodeDecodeError:
        remark = Remark("text that is not UTF-8", path.name, "read as Windows-1252; check names with accents")
        return data.decode("cp1252", errors="replace"), [remark]


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


def _read_row(path: Path, heads: list[str], row: list[str], at: tuple[int, int, list[Remark]]) -> list[Feature]:
    number, column, remarks = at
    source = _place(path, number)
    text = row[column].strip() if column < len(row) else ""
    parts, wrong = open_text(text)
    remarks.extend(Remark(what, source, "mended" if parts else "left out") for what in wrong)
    pairs = zip(heads, row, strict=False)
    fields = {name: cell.strip() for i, (name, cell) in enumerate(pairs) if i != column and cell.strip()}
    name = fields.get("name") or fields.get("Name")
    return [Feature(part, fields, (path.stem,), name, source) for part in parts]


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
    with np.errstate(invalid="ignore"):  # corners that are no numbers are told of in words
        try:
            parts, wrong = split_shape(shapely.from_wkt(body)), []
        except (shapely.errors.GEOSException, ValueError):
            parts = split_shape(shapely.from_wkt(body, on_invalid="fix"))
            wrong = ["a ring that was not closed" if parts else _UNREADABLE]
    good = [part for part in parts if np.isfinite(shapely.get_coordinates(part)).all()]
    if len(good) < len(parts):
        return good, ["corners without numbers"]
    return good, wrong if good or wrong else ["a row without a shape"]
