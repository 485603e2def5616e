"""GeoPackage in, GeoPackage out: layers the driver wrote into a file of their own go into the survey by SQL.

The driver makes the tables, the geometry and its index in a scratch file, and SQLite carries them over inside the
survey's one open transaction. Layers of the driver's own making in place would be several transactions: a kill between
them leaves a layer gone.
"""

from __future__ import annotations

import errno
import os
import sqlite3
import sys
import warnings
from collections.abc import Iterable, Mapping
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geosample.survey.layers import LAYERS
from geosample.survey.reading import Where, match_rows, quote

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd

# OGC 12-128r19 (GeoPackage 1.4), annex F.3, names the triggers of a layer's index; the driver's count has two more.
_UPKEEP = (
    "type = 'trigger' AND tbl_name = ? "
    "AND (name LIKE 'rtree!_%' ESCAPE '!' OR name LIKE 'trigger!_%count!_%' ESCAPE '!')"
)
_LISTS = ("gpkg_contents", "gpkg_geometry_columns", "gpkg_extensions", "gpkg_ogr_contents")


def write_frames(scratch: Path, frames: Mapping[str, pd.DataFrame]) -> None:
    """Write each frame as a layer of the scratch file, and count what was written.

    Raises
    ------
    OSError
        When the disk is full: the driver may go on without a word.
    """
    import pyogrio

    for layer, frame in frames.items():
        make = LAYERS.get(layer)
        kind = make.geometry if make and "geometry" in frame.columns else None
        # a table without shapes goes in as columns, in a third of the time
        options = {"geometry_type": kind, "promote_to_multi": kind == "MultiPolygon"} if kind else {"use_arrow": True}
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
    import shapely

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
    """Bring up to date what the file says of a layer: when it changed, its extent, the driver's own count."""
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
