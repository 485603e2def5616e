"""Returned files as tables of text: every cell as it was written, every row with a name the user can look up."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from geosample.counts.rules import Log
from geosample.escape import read_cell
from geosample.ground import decode_text

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
