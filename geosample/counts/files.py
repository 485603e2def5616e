"""One door to what came back: the file's kind, told by its name's ending, and its rows as tables of text."""

from __future__ import annotations

from pathlib import Path

from geosample.counts.rules import Log
from geosample.counts.tables import Meaning, Table, read_text_table
from geosample.counts.waypoints import read_waypoints
from geosample.counts.workbooks import read_workbook

_TEXT = {".csv", ".tsv", ".txt"}
_WORKBOOKS = {".xlsx", ".xlsm"}
TABLES = _TEXT | _WORKBOOKS
"""The endings of files that hold a table and nothing else."""
WAYPOINTS = {".geojson", ".json", ".gpx", ".kml"}


def read_tables(path: Path, log: Log, meaning_of: Meaning) -> list[Table]:
    """Return the file's tables (a workbook may hold several), none after asking about a file that can't be read.

    Parameters
    ----------
    path : Path
        One of ``TABLES``, or waypoints.
    log : Log
        Takes what was forgiven and what must be asked.
    meaning_of : callable
        From a heading to the field it means, None where it means none: it finds the header below a title.
    """
    ending = path.suffix.lower()
    try:
        if ending in _TEXT:
            return _one(read_text_table(path, log, meaning_of))
        if ending in _WORKBOOKS:
            return read_workbook(path, log, meaning_of)
        if ending in WAYPOINTS:
            return read_waypoints(path, log, meaning_of)
    except FileNotFoundError:
        log.refuse(str(path), "no such file", "a file of counts", "check the name")
        return []
    except OSError as error:
        log.refuse(
            str(path), f"a file that can't be read ({error.strerror})", "a file of counts", "check its permissions"
        )
        return []
    endings = ", ".join(sorted(TABLES | WAYPOINTS))
    log.refuse(
        path.name, f"the ending '{path.suffix}'", f"one of: {endings}", "export the counts in one of these formats"
    )
    return []


def _one(table: Table | None) -> list[Table]:
    return [] if table is None else [table]
