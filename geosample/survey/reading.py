"""Reading layers out of a GeoPackage, whole, whatever its cached counts say."""

from __future__ import annotations

import os
import sqlite3
import threading
import warnings
from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import closing, contextmanager
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyarrow
import pyogrio

from geosample.errors import Problem, SurveyError
from geosample.files.saving import SQLITE_HEADER
from geosample.survey.layers import LAYERS, LAYOUT, MARKED, RESULTS_SINCE, check_layer, shape_frame

Where = Mapping[str, str | Collection[str]]
State = tuple[int, int, int, int]
"""Of a file: its inode, its size, when it was written, and SQLite's own count of the transactions written to it."""

# OGC 12-128r19, GeoPackage 1.4, requirement 2: "GPKG" as the application id.
_APPLICATION_IDS = {0x47504B47, 0x47503130, 0x47503131}

DOOR = threading.RLock()
"""Held while this process has a survey file open. POSIX drops every lock a process holds on a file when any part of it
closes the file, and the driver's SQLite and Python's do not know of each other (sqlite.org/howtocorrupt.html, 2.2)."""
LOCK_WAIT_S = 5.0
"""How long a reader waits for another program that holds the file for itself: as long as most programs do."""
STAND_INS: dict[Path, Callable[[], Path]] = {}
"""Files this process is changing: each with what makes a copy of its committed state, to be read in its place."""
WATCHERS: list[Callable[[dict[str, str]], None]] = []
"""Who is told of each change before it is committed: the layers it writes, each with when it was last changed."""
_KEPT: dict[tuple[Path, str, str], tuple[State, pd.DataFrame]] = {}
"""Layers as last read, by file, name and rows asked for, with the state of the file then."""
_COUNTER = slice(24, 28)
_WAL = 2


@contextmanager
def open_door(path: Path) -> Iterator[Path]:
    """Yield the file to read for a survey: itself, or its copy while this thread is changing it."""
    with DOOR:
        copy = STAND_INS.get(path.resolve())
        yield copy() if copy else path


def find_state(path: Path) -> State | None:
    """Return what tells one committed state of a survey from another; None where the file alone does not tell it.

    Notes
    -----
    SQLite counts transactions in the header (sqlite.org/fileformat.html, 1.3.7), but not in WAL mode. A journal is
    there while somebody writes. Not for a file that this process has open (see ``DOOR``).
    """
    with DOOR:
        place = path.resolve()
        if place in STAND_INS or place.with_name(place.name + "-journal").exists():
            return None
        try:
            with place.open("rb") as file:
                header, about = file.read(72), os.fstat(file.fileno())
        except OSError:
            return None
        if header[:16] != SQLITE_HEADER or _WAL in header[18:20]:
            return None
        return about.st_ino, about.st_size, about.st_mtime_ns, int.from_bytes(header[_COUNTER])


def carry_kept(path: Path, before: State | None, written: Collection[str]) -> None:
    """Keep the layers that a change of ours did not write, where no other transaction came between."""
    now = find_state(path)
    if now == before:  # nothing was written
        return
    alone = before is not None and now is not None and (now[0], now[3]) == (before[0], before[3] + 1)
    for key, (state, frame) in list(_KEPT.items()):
        if key[0] == path.resolve():
            del _KEPT[key]
            if alone and now is not None and state == before and key[1] not in written:
                _KEPT[key] = now, frame


def check_is_survey(path: Path) -> None:
    """Raise SurveyError unless the file is a GeoPackage that can be read."""
    if path.is_dir():
        raise SurveyError(Problem(str(path), "a folder", "a survey file", "name a file ending in .gpkg"))
    try:
        with open_door(path) as place, place.open("rb") as file:
            header = file.read(72)
    except FileNotFoundError:
        problem = Problem(str(path), "no such file", "a survey file", "run 'geosample ground' first to make it")
        raise SurveyError(problem) from None
    except OSError as error:
        problem = Problem(
            str(path), f"a file that can't be read ({error.strerror})", "a survey file", "check the file's permissions"
        )
        raise SurveyError(problem) from error
    if not header:
        remedy = "delete it and run 'geosample ground' again, or restore it from a back-up"
        raise SurveyError(Problem(str(path), "an empty file (0 bytes)", "a survey file (GeoPackage)", remedy))
    if header[:16] != SQLITE_HEADER or int.from_bytes(header[68:72]) not in _APPLICATION_IDS:
        raise SurveyError(_not_a_survey(path, "another kind of file"))


def check_layout(path: Path) -> int:
    """Return the number of the file's layout, 1 where it has none.

    Raises
    ------
    SurveyError
        When a newer version of the program wrote it.
    """
    number, version = _find_layout(path)
    if number > LAYOUT:
        found = f"layout {number}, of a newer version of geosample ({version})"
        remedy = "open it with that version; this one would not keep all that stands in it"
        raise SurveyError(Problem(str(path), found, f"layout 1 to {LAYOUT}", remedy))
    return number


def _find_layout(path: Path) -> tuple[int, str]:
    if "layout" not in list_layers(path):
        return 1, ""
    try:
        with open_door(path) as file, closing(_connect(file)) as connection:
            row = connection.execute("SELECT layout, written_by FROM layout ORDER BY layout DESC").fetchone()
        return (1, "") if row is None else (int(row[0]), str(row[1]))
    except sqlite3.DatabaseError as error:
        raise SurveyError(tell_sqlite(path, error)) from error
    except (TypeError, ValueError) as error:
        raise SurveyError(_not_a_survey(path, "a layout that is no number")) from error


def list_older(path: Path) -> list[str]:
    """Return the layers of results with rows that an older version wrote, which are not read."""
    there = [layer for layer in MARKED if layer in list_layers(path)]
    with open_door(path) as file, closing(_connect(file)) as connection:
        return [layer for layer in there if connection.execute(_older_rows(connection, layer)).fetchone()]


def _older_rows(connection: sqlite3.Connection, layer: str) -> str:
    older = f"WHERE ifnull(layout, 0) < {RESULTS_SINCE}" if "layout" in _columns(connection, layer) else ""
    return f"SELECT 1 FROM {quote(layer)} {older} LIMIT 1"


def _columns(connection: sqlite3.Connection, layer: str) -> set[str]:
    return {str(row[1]) for row in connection.execute(f"PRAGMA table_info({quote(layer)})")}


def list_layers(path: Path) -> list[str]:
    """Return the names of the file's feature and attribute layers.

    Raises
    ------
    SurveyError
        If the file is not a readable GeoPackage.
    """
    check_is_survey(path)
    sql = "SELECT table_name FROM gpkg_contents WHERE data_type IN ('features', 'attributes')"
    try:
        with open_door(path) as file, closing(_connect(file)) as connection:
            return sorted(row[0] for row in connection.execute(sql))
    except UnicodeDecodeError as error:
        raise SurveyError(_not_a_survey(path, f"a damaged file ({error})")) from error
    except sqlite3.DatabaseError as error:
        raise SurveyError(tell_sqlite(path, error)) from error


def list_changes(path: Path) -> dict[str, str]:
    """Return when each layer was last changed, as the file itself says it (GeoPackage's ``last_change``)."""
    if not path.exists():
        return {}
    sql = "SELECT table_name, last_change FROM gpkg_contents"
    try:
        with open_door(path) as file, closing(_connect(file)) as connection:
            return {str(name): str(when) for name, when in connection.execute(sql)}
    except sqlite3.DatabaseError as error:
        raise SurveyError(tell_sqlite(path, error)) from error


def read_description(path: Path, layer: str) -> str:
    """Return what the file calls a layer for people, GeoPackage's description of it; empty where it has none.

    Raises
    ------
    SurveyError
        When the file is damaged.
    """
    sql = "SELECT description FROM gpkg_contents WHERE table_name = ?"
    try:
        with open_door(path) as file, closing(_connect(file)) as connection:
            row = connection.execute(sql, (layer,)).fetchone()
    except sqlite3.DatabaseError as error:
        raise SurveyError(tell_sqlite(path, error)) from error
    return str(row[0] or "") if row else ""


def read_layer(
    path: Path, layer: str, *, only: Where | None = None, without: Where | None = None, of_any_layout: bool = False
) -> pd.DataFrame:
    """Return a layer with its columns typed, empty if the file does not have it; results of this layout only.

    The rows come by SQL rather than by the driver's cached count, which other programs can leave stale
    (two writers at once were seen to lose a fifth of the rows from view).

    Parameters
    ----------
    path : Path
        The survey file.
    layer : str
        The layer's name.
    only : mapping of str to str or collection of str, optional
        Read the rows that match in every column: a map of one visit is not slower for those of ten others.
    without : mapping of str to str or collection of str, optional
        Leave out the rows that match in every column: they are about to be replaced, whatever they hold.
    of_any_layout : bool
        Return results of older layouts too, unchecked and each marked with its own, to be written back.

    Raises
    ------
    SurveyError
        When the file can't be read, or the layer is no longer as the program wrote it (``check_layer``).

    Notes
    -----
    A layer that was read before is not read again while the file is the same.
    """
    state = None if without is not None or of_any_layout else find_state(path)
    key = (path.resolve(), layer, match_rows(only or {}))
    kept = _KEPT.get(key)
    if kept is not None and kept[0] == state:
        return kept[1].copy()
    frame = _read_layer(path, layer, only=only, without=without, of_any_layout=of_any_layout)
    if state is not None and find_state(path) == state:
        for other in [one for one in _KEPT if one[:2] == key[:2]]:  # of cells, one visit's are enough
            del _KEPT[other]
        _KEPT[key] = state, frame
        return frame.copy()
    return frame


def _read_layer(
    path: Path, layer: str, *, only: Where | None, without: Where | None, of_any_layout: bool
) -> pd.DataFrame:
    if layer not in list_layers(path):
        _check_unlisted(path, layer)
        return empty_layer(layer)
    kept = "1" if without is None else f"NOT {match_rows(without)}"
    try:
        with open_door(path) as file:
            with closing(_connect(file)) as connection:
                names = _columns(connection, layer)
            # A column that is gone narrows nothing: ``check_layer`` then tells of it.
            kept += f" AND {match_rows({name: only[name] for name in only if name in names})}" if only else ""
            if layer in MARKED and not of_any_layout:
                kept += f" AND layout >= {RESULTS_SINCE}" if "layout" in names else " AND 0"
            sql = f"SELECT * FROM {quote(layer)} WHERE {kept}"
            with warnings.catch_warnings():  # what the driver warns of, check_layer refuses in words
                warnings.simplefilter("ignore")
                frame = pyogrio.read_dataframe(file, sql=sql, fid_as_index=True, use_arrow=True)
                frame = frame.drop(columns="fid", errors="ignore")
            if not of_any_layout:
                frame = frame.drop(columns="layout") if layer in MARKED and "layout" in frame.columns else frame
                with closing(_connect(file)) as connection:
                    check_layer(connection, path, layer, frame, kept)
        return shape_frame(layer, frame.reset_index(drop=True))
    except (pyarrow.ArrowException, UnicodeDecodeError) as error:
        raise SurveyError(_not_a_survey(path, f"a layer '{layer}' with text that is no UTF-8")) from error
    except sqlite3.DatabaseError as error:
        raise SurveyError(tell_sqlite(path, error)) from error
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError) as error:
        if "database is locked" in str(error):
            raise SurveyError(tell_writing(path)) from error
        raise SurveyError(_not_a_survey(path, f"a layer '{layer}' that can't be read ({error})")) from error


def _check_unlisted(path: Path, layer: str) -> None:
    """Refuse a file with the layer's table that its own list of layers does not name: its rows are not gone."""
    with open_door(path) as file, closing(_connect(file)) as connection:
        there = connection.execute("SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = ?", (layer,)).fetchone()
    if there:
        raise SurveyError(_not_a_survey(path, f"a table '{layer}' that the file's list of layers does not name"))


def match_rows(where: Where) -> str:
    """Return the SQL that is 1 for rows matching in every column and 0 for all others."""
    texts = {name: [value] if isinstance(value, str) else list(value) for name, value in where.items()}
    same = [f"{quote(name)} IN ({', '.join(map(_quote_text, values))})" for name, values in texts.items()]
    return f"ifnull({' AND '.join(same) or '1'}, 0)"


def quote(name: str) -> str:
    """Return a name of a table or column as SQL takes it."""
    return '"' + name.replace('"', '""') + '"'


def _quote_text(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"


def _connect(path: Path) -> sqlite3.Connection:
    # Not read-only: a journal that a killed program left must be rolled back before anyone reads.
    return sqlite3.connect(f"{path.absolute().as_uri()}?mode=rw", uri=True, timeout=LOCK_WAIT_S)


def empty_layer(layer: str) -> pd.DataFrame:
    """Return an empty frame with the layer's columns and types."""
    make = LAYERS.get(layer)
    if make is None or make.geometry is None:
        return shape_frame(layer, pd.DataFrame())
    return shape_frame(layer, gpd.GeoDataFrame(geometry=gpd.GeoSeries([], dtype="geometry")))


def _not_a_survey(path: Path, found: str) -> Problem:
    remedy = "name the survey file that 'geosample ground' made, or restore it from a back-up"
    return Problem(str(path), found, "a survey file (GeoPackage)", remedy)


def tell_writing(path: Path) -> Problem:
    """Return that another program holds the file for a write of its own."""
    found = "another program is writing to it: finish or close it there"
    remedy = "then run this again; the survey is as it was"
    return Problem(str(path), found, "a file no other program is changing", remedy)


def tell_sqlite(path: Path, error: sqlite3.Error) -> Problem:
    """Return what SQLite said of a survey file as something a user can mend.

    Notes
    -----
    The names are those of sqlite.org/rescode.html; ``error`` may lack one where Python raised it.
    """
    name = getattr(error, "sqlite_errorname", "")
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return tell_writing(path)
    if name in _LOCK_ERRORS or name.startswith("SQLITE_IOERR_SHM"):
        found = f"a folder where files can't be locked ('{error}')"
        remedy = "move the survey to a disk of this computer; the survey is as it was"
        return Problem(str(path.resolve().parent), found, "locks that hold, which some network folders lack", remedy)
    if name.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_PERM")):
        remedy = "make it, its folder, and files beside it that begin with its name writable; the survey is as it was"
        return Problem(str(path), f"'{error}'", "permission to write", remedy)
    if name.startswith(("SQLITE_FULL", "SQLITE_IOERR")):
        remedy = "free some space or choose a folder you may write to; the survey is as it was"
        return Problem(str(path), f"'{error}'", "room and permission to write", remedy)
    return _not_a_survey(path, f"a damaged file ({error})")


_LOCK_ERRORS = {
    "SQLITE_PROTOCOL",
    "SQLITE_NOLFS",
    "SQLITE_IOERR_LOCK",
    "SQLITE_IOERR_UNLOCK",
    "SQLITE_IOERR_RDLOCK",
    "SQLITE_IOERR_CHECKRESERVEDLOCK",
}
