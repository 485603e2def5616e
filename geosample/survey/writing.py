"""Writing that survives anything: one transaction in place, GeoPackage layers carried over by SQL.

Other programs hold the file open: a desktop GIS in WAL mode for hours. SQLite's own locks and journals are what they
mind, so this writes as they do: nobody's journal is left beside a file it does not belong to, links, owner and rights
stay, and a kill leaves a journal that whoever opens the file next rolls back.

The driver makes the tables, the geometry and its index in a scratch file, and SQLite carries them over inside the
survey's one open transaction. Layers of the driver's own making in place would be several transactions: a kill between
them leaves a layer gone.
"""

from __future__ import annotations

import errno
import os
import shutil
import sqlite3
import sys
import tempfile
import warnings
from collections.abc import Iterable, Iterator, Mapping
from contextlib import ExitStack, closing, contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd
import pyogrio
import shapely

from geosample import __version__
from geosample.errors import Problem, SurveyError
from geosample.files.saving import keep_rights, tell_rights
from geosample.survey.layers import LAYERS, LAYOUT, MARKED, RESULTS, shape_frame
from geosample.survey.reading import (
    DOOR,
    STAND_INS,
    WATCHERS,
    Where,
    carry_kept,
    check_layout,
    empty_layer,
    find_state,
    match_rows,
    quote,
    read_description,
    read_layer,
    tell_sqlite,
    tell_writing,
)

if TYPE_CHECKING:
    import numpy as np

# OGC 12-128r19 (GeoPackage 1.4), annex F.3, names the triggers of a layer's index; the driver's count has two more.
_UPKEEP = (
    "type = 'trigger' AND tbl_name = ? "
    "AND (name LIKE 'rtree!_%' ESCAPE '!' OR name LIKE 'trigger!_%count!_%' ESCAPE '!')"
)
_LISTS = ("gpkg_contents", "gpkg_geometry_columns", "gpkg_extensions", "gpkg_ogr_contents")


def write_frames(
    scratch: Path, frames: Mapping[str, pd.DataFrame], descriptions: Mapping[str, str] | None = None
) -> None:
    """Write each frame as a layer of the scratch file, with what it is described as, and count what was written.

    Raises
    ------
    OSError
        When the disk is full: the driver may go on without a word.
    """
    for layer, frame in frames.items():
        make = LAYERS.get(layer)
        kind = make.geometry if make and "geometry" in frame.columns else None
        # a table without shapes goes in as columns, in a third of the time
        options: dict[str, Any] = (
            {"geometry_type": kind, "promote_to_multi": kind == "MultiPolygon"} if kind else {"use_arrow": True}
        )
        if described := (descriptions or {}).get(layer):
            options["layer_options"] = {"DESCRIPTION": described}
        try:
            with warnings.catch_warnings():  # of a user's own column with no type: what was written is counted below
                warnings.simplefilter("ignore")
                pyogrio.write_dataframe(frame, scratch, layer=layer, driver="GPKG", **options)
        except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError) as error:
            raise OSError(errno.EIO, f"layer {layer}: {error}") from error
    _check_written(scratch, frames)


def _check_written(scratch: Path, frames: Mapping[str, pd.DataFrame]) -> None:
    with closing(sqlite3.connect(scratch)) as connection:
        for layer, frame in frames.items():
            found = [_count_rows(connection, layer)]
            placed = "geometry" in frame.columns and (layer not in LAYERS or LAYERS[layer].geometry)
            shapes = frame["geometry"].to_numpy() if placed else None
            if shapes is not None:
                found.append(_count_rows(connection, f"rtree_{layer}_geom"))
            wanted = [len(frame)] if shapes is None else [len(frame), _count_placed(shapes)]
            if found != wanted:
                message = f"layer {layer}: {found} rows written of {wanted}"
                raise OSError(errno.EIO, message)


def _count_placed(shapes: np.ndarray) -> int:
    return int((~shapely.is_missing(shapes) & ~shapely.is_empty(shapes)).sum())


def _count_rows(connection: sqlite3.Connection, table: str) -> int:
    try:
        return int(connection.execute(f"SELECT count(*) FROM {quote(table)}").fetchone()[0])
    except sqlite3.OperationalError:
        return -1


def flush_file(file: Path) -> None:
    """Make sure a file's bytes, and its place in its folder, are on the disk."""
    with file.open("rb+") as handle:
        os.fsync(handle.fileno())
    if os.name == "posix":  # a folder can't be flushed elsewhere
        folder = os.open(file.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


def put_layers(survey: sqlite3.Connection, scratch: Path, wheres: Mapping[str, Where | None]) -> None:
    """Carry layers of the scratch file over into the survey, within the transaction that is open there.

    Parameters
    ----------
    survey : Connection
        The survey file, in a transaction; the caller commits.
    scratch : Path
        A GeoPackage with the layers' new rows.
    wheres : mapping of str to Where or None
        The layers, and which of their rows to take away first; all when None. A layer that is not there, or was
        declared otherwise, is made anew, which takes all its rows away.
    """
    attached = {name for _, name, _ in survey.execute("PRAGMA database_list")}
    if "fresh" not in attached:
        survey.execute("ATTACH ? AS fresh", (str(scratch),))
    for layer, where in wheres.items():
        if where is None and not fits(survey, survey, layer, None, "fresh."):
            _replace_table(survey, layer)
        else:
            _replace_rows(survey, layer, where or {})
        _note_change(survey, layer)


def is_listed(survey: sqlite3.Connection, layer: str) -> bool:
    """Return whether a layer stands in the file.

    Raises
    ------
    DatabaseError
        When its table is there, and the file's own list of layers lacks it.
    """
    if not survey.execute("SELECT 1 FROM main.sqlite_master WHERE type = 'table' AND name = ?", (layer,)).fetchone():
        return False
    if not survey.execute("SELECT 1 FROM main.gpkg_contents WHERE table_name = ?", (layer,)).fetchone():
        damage = f"a damaged GeoPackage: a table '{layer}' that its list of layers does not name"
        raise sqlite3.DatabaseError(damage)
    return True


def fits(
    survey: sqlite3.Connection, fresh: sqlite3.Connection, layer: str, where: Where | None, schema: str = "main."
) -> bool:
    """Return whether a layer's new rows go into its table as it is declared, so that all else in it can stay.

    Parameters
    ----------
    survey, fresh : Connection
        The survey, and the scratch file with the new rows.
    layer : str
        A layer of the scratch file.
    where : Where or None
        The rows that will be taken away: their columns must be there.
    schema : str
        Where in ``fresh`` the scratch file is.
    """
    if not is_listed(survey, layer):
        return False
    old, new = _declared(survey, "main.", layer), _declared(fresh, schema, layer)
    rules = LAYERS.get(layer)
    own, later = (rules.columns, rules.later.split()) if rules else ({}, [])
    if set(where or ()) - set(old) or old.get("") != "INTEGER":
        return False
    if where is not None and not fresh.execute(f"SELECT 1 FROM {schema}{quote(layer)} LIMIT 1").fetchone():
        return True  # rows go, and none come
    for name, kind in new.items():
        if name in old and name in own and old[name] != kind:
            return False
        if name not in old and name in own and name not in later:
            return False
    return _placed(survey, "main.", layer) == _placed(fresh, schema, layer)


def _declared(connection: sqlite3.Connection, schema: str, layer: str) -> dict[str, str]:
    """Return a table's columns and their declared types, the row number's as ''."""
    rows = connection.execute(f"PRAGMA {schema}table_info({quote(layer)})").fetchall()
    return {("" if pk else name): kind.upper() for _, name, kind, _, _, pk in rows}


def _placed(connection: sqlite3.Connection, schema: str, layer: str) -> tuple[Any, ...] | None:
    """Return how a layer's geometry is declared, with its coordinate system and whether it has an index."""
    if not _has(connection, schema, "gpkg_geometry_columns"):
        return None
    sql = (
        f"SELECT column_name, geometry_type_name, z, m, srs_id FROM {schema}gpkg_geometry_columns WHERE table_name = ?"
    )
    row = connection.execute(sql, (layer,)).fetchone()
    if row is None:
        return None
    return (*row[:4], _know_srs(connection, schema, row[4]), _has(connection, schema, f"rtree_{layer}_{row[0]}"))


def _know_srs(connection: sqlite3.Connection, schema: str, number: int) -> tuple[Any, ...]:
    """Return what tells a coordinate system from others: its authority's code, or its text where it has none."""
    if number <= 0:  # the two undefined ones
        return (number,)
    sql = (
        f"SELECT organization, organization_coordsys_id, definition FROM {schema}gpkg_spatial_ref_sys WHERE srs_id = ?"
    )
    row = connection.execute(sql, (number,)).fetchone() or ("NONE", number, "")
    return row[2:] if row[0].upper() == "NONE" else (row[0].upper(), row[1])


def _has(connection: sqlite3.Connection, schema: str, table: str) -> bool:
    sql = f"SELECT 1 FROM {schema}sqlite_master WHERE type = 'table' AND name = ?"
    return connection.execute(sql, (table,)).fetchone() is not None


def _share_srs(survey: sqlite3.Connection, number: int) -> int:
    """Return the survey's number of a coordinate system of the scratch file, adding it where it is not known."""
    known = _know_srs(survey, "fresh.", number)
    numbers = [row[0] for row in survey.execute("SELECT srs_id FROM main.gpkg_spatial_ref_sys ORDER BY srs_id")]
    for own in numbers:
        if own == number <= 0 or (own > 0 and _know_srs(survey, "main.", own) == known):
            return int(own)
    new = number if number not in numbers else max(*numbers, 100000) + 1
    _copy_list(survey, "gpkg_spatial_ref_sys", "srs_id", number, {"srs_id": new})
    _copy_list(survey, "gpkg_extensions", "table_name", "gpkg_spatial_ref_sys", {})
    return new


def _copy_list(survey: sqlite3.Connection, table: str, key: str, value: object, instead: Mapping[str, int]) -> None:
    """Copy a layer's rows of one of the file's own tables, which is made where another program left it out."""
    if not _has(survey, "fresh.", table):
        return
    if not _has(survey, "main.", table):
        survey.execute(_sql_of(survey, table))
    columns = [row[1:3] for row in survey.execute(f"PRAGMA fresh.table_info({quote(table)})")]
    old = {row[1] for row in survey.execute(f"PRAGMA main.table_info({quote(table)})")}
    for name, kind in columns:
        if name not in old:
            survey.execute(f"ALTER TABLE main.{quote(table)} ADD COLUMN {quote(name)} {kind}")
    names = [name for name, _ in columns]
    values = ", ".join(str(instead[name]) if name in instead else quote(name) for name in names)
    survey.execute(
        f"INSERT OR IGNORE INTO main.{quote(table)} ({_join(names)}) SELECT {values} FROM fresh.{quote(table)} "
        f"WHERE {quote(key)} = ?",
        (value,),
    )


def _sql_of(survey: sqlite3.Connection, name: str) -> str:
    return str(survey.execute("SELECT sql FROM fresh.sqlite_master WHERE name = ?", (name,)).fetchone()[0])


def _join(names: Iterable[str]) -> str:
    return ", ".join(map(quote, names))


def _geometry(survey: sqlite3.Connection, schema: str, layer: str) -> tuple[str, int] | None:
    """Return the name of a layer's geometry column and the number of its coordinate system."""
    if not _has(survey, schema, "gpkg_geometry_columns"):
        return None
    sql = f"SELECT column_name, srs_id FROM {schema}gpkg_geometry_columns WHERE table_name = ?"
    row = survey.execute(sql, (layer,)).fetchone()
    return (str(row[0]), int(row[1])) if row else None


def _replace_table(survey: sqlite3.Connection, layer: str) -> None:
    """Take a layer away with all the file says of it, and make it anew as the driver declared it."""
    old = _geometry(survey, "main.", layer)
    if old:
        survey.execute(f"DROP TABLE IF EXISTS main.{quote(f'rtree_{layer}_{old[0]}')}")
    survey.execute(f"DROP TABLE IF EXISTS main.{quote(layer)}")
    for table in _LISTS:
        if _has(survey, "main.", table):
            survey.execute(f"DELETE FROM main.{table} WHERE table_name = ?", (layer,))
    new = _geometry(survey, "fresh.", layer)
    instead = {"srs_id": _share_srs(survey, new[1])} if new else {}
    for table in _LISTS:
        _copy_list(survey, table, "table_name", layer, instead)
    survey.execute(_sql_of(survey, layer))
    if new:
        survey.execute(_sql_of(survey, f"rtree_{layer}_{new[0]}"))
    _insert_rows(survey, layer)
    for (sql,) in survey.execute(
        "SELECT sql FROM fresh.sqlite_master WHERE type IN ('trigger', 'index') AND tbl_name = ? AND sql NOT NULL",
        (layer,),
    ).fetchall():
        survey.execute(sql)


def _replace_rows(survey: sqlite3.Connection, layer: str, where: Where) -> None:
    """Take some of a layer's rows away and add the new ones; all else about the layer stays.

    Notes
    -----
    Its own triggers would keep index and count row by row, in three times the time and with functions SQLite
    lacks: they rest meanwhile.
    """
    resting = survey.execute(f"SELECT name, sql FROM main.sqlite_master WHERE {_UPKEEP}", (layer,)).fetchall()
    for name, _ in resting:
        survey.execute(f"DROP TRIGGER main.{quote(name)}")
    gone = match_rows(where)
    place = _geometry(survey, "main.", layer)
    if place and _has(survey, "main.", f"rtree_{layer}_{place[0]}"):
        index = quote(f"rtree_{layer}_{place[0]}")
        survey.execute(f"DELETE FROM main.{index} WHERE id IN (SELECT rowid FROM main.{quote(layer)} WHERE {gone})")
    survey.execute(f"DELETE FROM main.{quote(layer)}" + (f" WHERE {gone}" if where else ""))
    _insert_rows(survey, layer)
    for _, sql in resting:
        survey.execute(sql)


def _insert_rows(survey: sqlite3.Connection, layer: str) -> None:
    """Add the scratch file's rows and their places in the index after the rows that are there."""
    table = quote(layer)
    if not survey.execute(f"SELECT 1 FROM fresh.{table} LIMIT 1").fetchone():
        return
    old = _declared(survey, "main.", layer)
    for name, kind in _declared(survey, "fresh.", layer).items():
        if name not in old:
            survey.execute(f"ALTER TABLE main.{table} ADD COLUMN {quote(name)} {kind}")
    last = survey.execute(f"SELECT ifnull(max(rowid), 0) FROM main.{table}").fetchone()[0]
    names = [name for name in _declared(survey, "fresh.", layer) if name]
    place, drawn = _geometry(survey, "main.", layer), _geometry(survey, "fresh.", layer)
    values = {name: quote(name) for name in names}
    if place and drawn and place[1] != drawn[1]:  # each shape bears the number of its coordinate system, bytes 4 to 7
        number = f"x'{place[1].to_bytes(4, sys.byteorder, signed=True).hex()}'"
        shape = quote(drawn[0])
        values[drawn[0]] = f"CAST(substr({shape}, 1, 4) || {number} || substr({shape}, 9) AS BLOB)"
    survey.execute(
        f"INSERT INTO main.{table} (rowid, {_join(names)}) "
        f"SELECT rowid + {last}, {', '.join(values.values())} FROM fresh.{table}"
    )
    if place and drawn and _has(survey, "main.", f"rtree_{layer}_{place[0]}"):
        into, source = quote(f"rtree_{layer}_{place[0]}"), quote(f"rtree_{layer}_{drawn[0]}")
        survey.execute(f"INSERT INTO main.{into} SELECT id + {last}, minx, maxx, miny, maxy FROM fresh.{source}")


def _note_change(survey: sqlite3.Connection, layer: str) -> None:
    """Bring up to date what the file says of a layer: when it changed, its extent, its description, its count."""
    survey.execute(
        "UPDATE main.gpkg_contents SET description = new.description FROM fresh.gpkg_contents AS new "
        "WHERE gpkg_contents.table_name = ? AND new.table_name = ? AND new.description <> ''",
        (layer, layer),
    )
    now = "strftime('%Y-%m-%dT%H:%M:%fZ', 'now')"
    survey.execute(f"UPDATE main.gpkg_contents SET last_change = {now} WHERE table_name = ?", (layer,))
    place = _geometry(survey, "main.", layer)
    if place and _has(survey, "main.", f"rtree_{layer}_{place[0]}"):
        index = quote(f"rtree_{layer}_{place[0]}")
        survey.execute(
            "UPDATE main.gpkg_contents SET (min_x, min_y, max_x, max_y) = "
            f"(SELECT min(minx), min(miny), max(maxx), max(maxy) FROM main.{index}) WHERE table_name = ?",
            (layer,),
        )
    if _has(survey, "main.", "gpkg_ogr_contents"):
        survey.execute(
            f"UPDATE main.gpkg_ogr_contents SET feature_count = (SELECT count(*) FROM main.{quote(layer)}) "
            "WHERE table_name = ?",
            (layer,),
        )


WRITER_WAIT_S = 10.0
"""How long to wait for another write to end: our own commands take about one second each."""
READER_WAIT_S = 2.0
"""How long to let others finish reading; less than the 5 s most programs wait for a file."""
_TEMPORARY = ".saving-"
# Linux's names of file systems on another machine, /proc/filesystems and mount.*(8).
_NETWORK = {"nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "afs", "ncpfs", "fuse.sshfs", "fuse.davfs2", "davfs"}


class SurveyChange:
    """Changes collected while no other program can write, to be written together.

    Parameters
    ----------
    path : Path
        The survey file, which may not exist yet.
    connection : Connection, optional
        The survey file with a write transaction open; None for a new file.
    """

    def __init__(self, path: Path, connection: sqlite3.Connection | None = None) -> None:
        self.path = path
        self.connection = connection
        self.frames: dict[str, pd.DataFrame] = {}
        self.wheres: dict[str, Where | None] = {}
        self.descriptions: dict[str, str] = {}

    def read(self, layer: str) -> pd.DataFrame:
        """Return a layer as it will be: with what this change has put so far."""
        if layer not in self.frames:
            return self._read_old(layer)
        where = self.wheres[layer]
        fresh = self.frames[layer]
        return fresh if where is None else _merge(layer, self._read_old(layer, where), fresh)

    def put(
        self, layer: str, frame: pd.DataFrame, *, where: Where | None = None, description: str | None = None
    ) -> None:
        """Replace a layer, or only its rows that match every column in ``where``.

        Parameters
        ----------
        layer : str
            The layer's name; a layer of the survey is given its columns and types.
        frame : DataFrame or GeoDataFrame
            The new rows; a GeoDataFrame for a layer with geometry, in the survey's CRS.
        where : mapping of column to value or values, optional
            The rows to take away before adding, those that match in every column; all rows when None. The others
            stay as they are in the file, whoever wrote them.
        description : str, optional
            What a person calls the layer (GeoPackage's description of it); as it stands in the file when None.
        """
        if description is None:
            description = "" if self.connection is None else read_description(self.path, layer)
        self.descriptions[layer] = description
        fresh = shape_frame(layer, frame)
        if layer in MARKED:
            fresh = fresh.assign(layout=LAYOUT)
        if where is not None and layer in self.frames:  # a second time: worked out here, and written whole
            fresh, where = _merge(layer, _leave_out(self.read(layer), where), fresh), None
        self.frames[layer], self.wheres[layer] = fresh, where

    def forget_results(self, visit: str | None = None) -> list[str]:
        """Take away what was worked out from a visit's counts (every visit's when None); return its layers."""
        where = {} if visit is None else {"visit": visit}
        found = [layer for layer in RESULTS if self._holds(layer, where)]
        for layer in found:
            self.put(layer, empty_layer(layer), where=where)
        return found

    def note_layout(self) -> None:
        """Put the number of this version's layout among the changes, where the file does not have it yet."""
        if self.connection is None or check_layout(self.path) < LAYOUT:
            mark = pd.DataFrame({"layout": [LAYOUT], "written_by": [__version__]})
            self.put("layout", mark)

    def settle(self, scratch: Path) -> None:
        """Write whole each layer that another program declared otherwise: its other rows go in as they are read."""
        if self.connection is None:
            return
        with closing(sqlite3.connect(scratch)) as fresh:
            odd = [
                layer
                for layer, where in self.wheres.items()
                if where is not None and not fits(self.connection, fresh, layer, where)
            ]
        for layer in odd:
            old = read_layer(self.path, layer, without=self.wheres[layer], of_any_layout=True)
            self.frames[layer], self.wheres[layer] = _merge(layer, old, self.frames[layer]), None
        write_frames(scratch, {layer: self.frames[layer] for layer in odd}, self.descriptions)

    def _read_old(self, layer: str, without: Where | None = None) -> pd.DataFrame:
        return empty_layer(layer) if self.connection is None else read_layer(self.path, layer, without=without)

    def _holds(self, layer: str, where: Where) -> bool:
        if layer in self.frames or self.connection is None:
            rows = self.read(layer)
            return len(_leave_out(rows, where)) < len(rows)
        if not is_listed(self.connection, layer):
            return False
        sql = f"SELECT 1 FROM main.{quote(layer)} WHERE {match_rows(where)} LIMIT 1"
        return self.connection.execute(sql).fetchone() is not None


def _leave_out(frame: pd.DataFrame, where: Where) -> pd.DataFrame:
    same = pd.Series(data=True, index=frame.index)
    for column, value in where.items():
        same &= frame[column].isin([value] if isinstance(value, str) else list(value))
    return frame[~same]


def _merge(layer: str, old: pd.DataFrame, fresh: pd.DataFrame) -> pd.DataFrame:
    kept = [frame for frame in (old, fresh) if len(frame)]
    if len(kept) < 2:  # noqa: PLR2004 - one of the two, or the new one, which has its columns
        return shape_frame(layer, kept[0] if kept else fresh)
    return shape_frame(layer, pd.concat(kept, ignore_index=True))


@contextmanager
def start_change(path: Path) -> Iterator[SurveyChange]:
    """Keep other writers off the survey, yield a Change, and write it when the block ends without an error."""
    place = path.resolve()  # through a link to the file itself: it stays a link, and the file its one
    with _told_in_words(path), DOOR:
        _check_folder(path, place.parent)
        if not place.exists():
            _check_new(path, place.parent)
            change = SurveyChange(path)
            yield change
            if change.frames:
                change.note_layout()
                _tell_watchers(change)
                _make_file(path, place, change)
            return
        check_layout(path)
        _check_rights(path, place)
        before = find_state(path)
        with _in_transaction(path, place) as (connection, folder):
            change = SurveyChange(path, connection)
            with _stand_in(place, folder / "before.gpkg"):
                yield change
                if change.frames:
                    change.note_layout()
                    scratch = folder / "fresh.gpkg"
                    write_frames(scratch, change.frames, change.descriptions)
                    change.settle(scratch)
                    _tell_watchers(change)
                    put_layers(connection, scratch, change.wheres)
                    if not commit(connection):
                        _go_round_reader(path, place, connection, scratch, change)
        carry_kept(path, before, change.wheres)


def _tell_watchers(change: SurveyChange) -> None:
    marks: dict[str, str] = {}
    if WATCHERS and change.connection is not None:
        marks = dict(change.connection.execute("SELECT table_name, last_change FROM main.gpkg_contents"))
    for watch in WATCHERS:
        watch({layer: marks.get(layer, "") for layer in change.wheres})


@contextmanager
def _in_transaction(path: Path, place: Path) -> Iterator[tuple[sqlite3.Connection, Path]]:
    """Yield the file with a write transaction open and a folder for scratch files; what is not committed is undone."""
    with ExitStack() as stack:
        scratch = stack.enter_context(ExitStack())  # goes last, when nothing has its files open
        connection = stack.enter_context(closing(_open(place)))
        network = find_network(place.parent)
        try:
            connection.execute("BEGIN IMMEDIATE")
        except sqlite3.OperationalError as error:
            if _is_busy(error):
                raise SurveyError(tell_writing(path)) from error
            raise
        stack.callback(connection.rollback)
        if network:
            _tell_network(place, network, connection)
        for left in place.parent.glob(f".{place.name}{_TEMPORARY}*"):  # by killed commands; none is at work now
            shutil.rmtree(left, ignore_errors=True)
        folder = Path(tempfile.mkdtemp(prefix=f".{place.name}{_TEMPORARY}", dir=place.parent))
        scratch.callback(shutil.rmtree, folder, ignore_errors=True)
        yield connection, folder


def _open(place: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(
        f"{place.as_uri()}?mode=rw", uri=True, timeout=WRITER_WAIT_S, isolation_level=None, check_same_thread=False
    )
    # Pages wait in memory until the commit: written sooner, they would shut readers out, or wait for them.
    connection.execute("PRAGMA cache_spill = OFF")
    return connection


@contextmanager
def _stand_in(place: Path, copy: Path) -> Iterator[None]:
    """Have the layers read from a copy of the file's committed state, made when first asked for (see ``DOOR``)."""

    def make() -> Path:
        if not copy.exists():
            copy_state(place, copy)
        return copy

    STAND_INS[place] = make
    try:
        yield
    finally:
        del STAND_INS[place]


def copy_state(place: Path, copy: Path) -> None:
    """Copy the committed state of a file as SQLite sees it, journals and all, into one plain file."""
    with closing(sqlite3.connect(place, timeout=READER_WAIT_S)) as source, closing(sqlite3.connect(copy)) as target:
        source.execute("BEGIN")
        source.execute("SELECT 1 FROM sqlite_master").fetchone()  # backup alone waits without end for who holds it
        source.backup(target)
        target.execute("PRAGMA journal_mode = DELETE")


def keep_copy(path: Path, copy: Path) -> None:
    """Keep the state of a survey in a file of its own, whole or not at all.

    Raises
    ------
    SurveyError
        When another program holds the survey for itself, or there is no room.
    """
    with _told_in_words(path), DOOR:
        copy.parent.mkdir(parents=True, exist_ok=True)
        fresh = copy.with_suffix(".part")
        fresh.unlink(missing_ok=True)
        copy_state(path, fresh)
        fresh.replace(copy)


def commit(connection: sqlite3.Connection) -> bool:
    """Commit; return False where readers of a file that is not in WAL mode do not let go of it."""
    connection.execute(f"PRAGMA busy_timeout = {READER_WAIT_S * 1000:.0f}")
    try:
        connection.execute("COMMIT")
    except sqlite3.OperationalError as error:
        if _is_busy(error) and connection.in_transaction:
            return False
        raise
    with suppress(sqlite3.Error):  # what is committed stands; in WAL mode, let the one file hold it for back-ups
        connection.execute("PRAGMA main.wal_checkpoint(PASSIVE)")
    return True


def _is_busy(error: sqlite3.Error) -> bool:
    return getattr(error, "sqlite_errorname", "").startswith("SQLITE_BUSY")


def _go_round_reader(
    path: Path, place: Path, connection: sqlite3.Connection, scratch: Path, change: SurveyChange
) -> None:
    """Put a new file in the place of one that another program does not stop reading, while nobody can write to it.

    Notes
    -----
    The reader keeps the old file, whole. Should it write later, its SQLite finds the file moved and refuses.
    """
    if place.stat().st_nlink > 1:
        raise SurveyError(_tell_reading(path, "the file has a second name (a hard link), so it can't be replaced"))
    seen = connection.execute("PRAGMA data_version").fetchone()
    connection.execute("ROLLBACK")  # takes our journal away, which must not stand beside the new file
    connection.execute("BEGIN IMMEDIATE")
    mode = connection.execute("PRAGMA main.journal_mode").fetchone()[0]
    if connection.execute("PRAGMA data_version").fetchone() != seen or mode == "wal":
        raise SurveyError(tell_writing(path))
    copy = scratch.with_name(place.name)
    copy_state(place, copy)
    with closing(_open(copy)) as new:
        new.execute("BEGIN IMMEDIATE")
        put_layers(new, scratch, change.wheres)
        new.execute("COMMIT")
    lost = keep_rights(copy, place)
    if lost:
        raise SurveyError(_tell_reading(path, lost))
    flush_file(copy)
    try:
        copy.replace(place)
    except PermissionError as error:  # where a file that is open can't be replaced
        raise SurveyError(_tell_reading(path, error.strerror or str(error))) from error
    flush_file(place)
    from geosample.report import talk

    talk(f"Another program was reading {path} all the while and shows it as it was: close and open it there.")


def _tell_reading(path: Path, why: str) -> Problem:
    remedy = "finish reading or close it there, then run this again; the survey is as it was"
    return Problem(str(path), f"another program reading it for {READER_WAIT_S:.0f} s; {why}", "a file to write", remedy)


def _make_file(path: Path, place: Path, change: SurveyChange) -> None:
    """Write a new file aside and give it its name, unless one of that name appeared meanwhile."""
    for ending in ("-journal", "-wal"):
        left = place.with_name(place.name + ending)
        if left.exists() and left.stat().st_size:
            remedy = "put that survey back beside it, or delete this file"
            raise SurveyError(Problem(str(left), "the journal of a survey that is gone", "no such file", remedy))
    folder = Path(tempfile.mkdtemp(prefix=f".{place.name}{_TEMPORARY}", dir=place.parent))
    try:
        new = folder / place.name
        write_frames(new, change.frames, change.descriptions)
        flush_file(new)
        try:
            name_file(new, place)
        except FileExistsError as error:
            remedy = "run this again, to write to that one"
            found = "a file that another program made meanwhile"
            raise SurveyError(Problem(str(path), found, "no file yet", remedy)) from error
        flush_file(place)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def name_file(new: Path, place: Path) -> None:
    """Give a new file its name; unlike a move, a link never takes another file's place."""
    try:
        place.hardlink_to(new)
    except FileExistsError:
        raise
    except OSError:  # a disk without hard links
        if place.exists():
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(place)) from None
        new.rename(place)


def _check_folder(path: Path, folder: Path) -> None:
    if not folder.is_dir():
        problem = Problem(str(path.parent), "no such folder", "a folder to keep the survey in", "make it first")
        raise SurveyError(problem)


def _check_new(path: Path, folder: Path) -> None:
    """Refuse a folder that a new survey can't be made in."""
    refusal = tell_rights(folder)
    if refusal:
        remedy = "choose a folder you may write to, or ask for permission to write there"
        found = f"{refusal}: a folder that may not be written to"
        raise SurveyError(Problem(str(path), found, "a folder to keep the survey in", remedy))


def _check_rights(path: Path, place: Path) -> None:
    """Refuse a survey, a journal of it or a folder that we may not write to, by name."""
    sides = [place.with_name(place.name + ending) for ending in ("-journal", "-wal", "-shm")]
    for file in (place, *filter(Path.exists, sides), place.parent):
        refusal = tell_rights(file)
        if refusal:
            shown = path if file == place else file
            remedy = "make it writable, or ask its owner to; the survey is as it was"
            raise SurveyError(Problem(str(shown), refusal, "permission to write", remedy))


def find_network(folder: Path, mounts: Path = Path("/proc/self/mountinfo")) -> str:
    """Return the kind of network file system a folder is on; '' on a disk of this computer, or where unknown."""
    if sys.platform == "win32":
        import ctypes

        remote = 4  # DRIVE_REMOTE: learn.microsoft.com, GetDriveTypeW
        return "a network drive" if ctypes.windll.kernel32.GetDriveTypeW(f"{folder.anchor}") == remote else ""
    try:
        lines = mounts.read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return ""
    found: dict[Path, str] = {}
    for line in lines:  # proc(5): "36 35 98:0 /root /point options ... - type source options"
        before, _, after = line.partition(" - ")
        if after:
            found[Path(before.split()[4].replace("\\040", " "))] = after.split()[0]
    kind = next((found[above] for above in (folder, *folder.parents) if above in found), "")
    return kind if kind in _NETWORK else ""


def _tell_network(place: Path, kind: str, connection: sqlite3.Connection) -> None:
    """Say that locks can't be trusted there; in WAL mode, which needs memory that programs share, go no further."""
    found = f"a network folder ({kind}), where locks can't be trusted"
    if connection.execute("PRAGMA main.journal_mode").fetchone()[0] == "wal":
        remedy = "close it in all other programs, move it to a disk of this computer, and run this there"
        raise SurveyError(Problem(str(place), f"{found}, and a survey in WAL mode", "a disk of this computer", remedy))
    from geosample.report import talk

    talk(f"{place.parent} is {found}: write to the survey from one program at a time.")


@contextmanager
def _told_in_words(path: Path) -> Iterator[None]:
    """Turn what the disk and the driver say into an error a user can mend."""
    try:
        yield
    except SurveyError:
        raise
    except OSError as error:
        remedy = "free some space or choose a folder you may write to; the survey is as it was"
        found = f"'{error.strerror or error}'"
        raise SurveyError(Problem(str(path), found, "room and permission to write", remedy)) from error
    except sqlite3.Error as error:
        raise SurveyError(tell_sqlite(path, error)) from error
