"""Writing that survives anything: all changes go into a copy, and the copy takes the file's place in one step.

Writing a layer in place loses it when the process is killed midway, and two writers at once lose rows from
view. So every change takes the lock, copies the file with SQLite's own backup (which minds a journal that
another program left), writes the layers into the copy, flushes it to the disk, and swaps it in.
"""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
import sqlite3
import tempfile
import warnings
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from geosample.errors import Problem, SurveyError
from geosample.survey.layers import LAYERS, RESULTS, shape_frame
from geosample.survey.reading import Where, check_is_survey, count_rows, empty_layer, read_layer

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd

LOCK_WAIT_S = 30.0
_TEMPORARY = ".saving-"


class Change:
    """Changes collected under the lock, to be written together.

    Parameters
    ----------
    path : Path
        The survey file, which may not exist yet.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.frames: dict[str, pd.DataFrame] = {}

    def read(self, layer: str) -> pd.DataFrame:
        """Return a layer as it will be: with what this change has put so far."""
        if layer in self.frames:
            return self.frames[layer]
        return read_layer(self.path, layer) if self.path.exists() else empty_layer(layer)

    def put(self, layer: str, frame: pd.DataFrame, *, where: Where | None = None) -> None:
        """Replace a layer, or only its rows that match every column in ``where``.

        Parameters
        ----------
        layer : str
            The layer's name; a layer of the survey is given its columns and types.
        frame : DataFrame or GeoDataFrame
            The new rows; a GeoDataFrame for a layer with geometry, in the survey's CRS.
        where : mapping of column to value or values, optional
            The rows to take away before adding, those that match in every column; all rows when None.
        """
        fresh = shape_frame(layer, frame)
        self.frames[layer] = fresh if where is None else self._merge(layer, fresh, where)

    def forget_results(self, visit: str | None = None) -> list[str]:
        """Take away what was worked out from a visit's counts (every visit's when None); return its layers."""
        where = {} if visit is None else {"visit": visit}
        found = []
        for layer in RESULTS:
            kept, before = self._without(layer, where)
            if len(kept) < before:
                self.frames[layer] = shape_frame(layer, kept)
                found.append(layer)
        return found

    def _merge(self, layer: str, fresh: pd.DataFrame, where: Where) -> pd.DataFrame:
        import pandas as pd

        old, _ = self._without(layer, where)
        kept = [frame for frame in (old, fresh) if len(frame)]
        if not kept:
            return fresh
        if len(kept) == 1:
            return fresh if kept[0] is fresh else shape_frame(layer, kept[0])
        return shape_frame(layer, pd.concat(kept, ignore_index=True))

    def _without(self, layer: str, where: Where) -> tuple[pd.DataFrame, int]:
        """Return a layer without the rows that match, and how many rows it had; those are not even checked."""
        if layer not in self.frames:
            if not self.path.exists():
                return empty_layer(layer), 0
            return read_layer(self.path, layer, without=where), count_rows(self.path, layer)
        import pandas as pd

        old = self.frames[layer]
        same = pd.Series(data=True, index=old.index)
        for column, value in where.items():
            same &= old[column].isin([value] if isinstance(value, str) else list(value))
        return old[~same], len(old)


@contextmanager
def start_change(path: Path) -> Iterator[Change]:
    """Hold the survey's lock, yield a Change, and save it when the block ends without an error."""
    with _told_in_words(path), _lock(path):
        _sweep(path)
        if path.exists():
            check_is_survey(path)
        change = Change(path)
        yield change
        if change.frames:
            save_frames(path, change.frames)


def save_frames(path: Path, frames: Mapping[str, pd.DataFrame]) -> None:
    """Write the frames into a copy of the file and put the copy in its place."""
    folder = Path(tempfile.mkdtemp(prefix=f".{path.name}{_TEMPORARY}", dir=path.parent))
    try:
        copy = folder / path.name
        copy_file(path, copy)
        write_frames(copy, frames)
        check_written(copy, frames)
        flush_file(copy)
        swap_file(copy, path)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def copy_file(path: Path, copy: Path) -> None:
    """Copy the file as SQLite sees it, with any journal another program left rolled back or played in."""
    if not path.exists():
        return
    with closing(sqlite3.connect(path)) as source, closing(sqlite3.connect(copy)) as target:
        source.execute("SELECT count(*) FROM sqlite_master").fetchone()
        source.backup(target)
        target.execute("PRAGMA journal_mode=DELETE")
    left = [path.with_name(path.name + ending) for ending in ("-wal", "-journal")]
    held = [file.name for file in left if file.exists() and file.stat().st_size > 0]
    if held:
        remedy = "close the file in the other program, then run the command again"
        raise SurveyError(
            Problem(
                str(path),
                f"another program's open changes ({', '.join(held)})",
                "a file no other program is changing",
                remedy,
            )
        )


def write_frames(copy: Path, frames: Mapping[str, pd.DataFrame]) -> None:
    """Write each frame as a layer of the copy; the other layers stay as they are."""
    import pyogrio

    for layer, frame in frames.items():
        make = LAYERS.get(layer)
        kind = make.geometry if make and "geometry" in frame.columns else None
        # a table without shapes goes in as columns, in a third of the time
        options = {"geometry_type": kind, "promote_to_multi": kind == "MultiPolygon"} if kind else {"use_arrow": True}
        try:
            with warnings.catch_warnings():  # of a user's own column with no type: what was written is counted below
                warnings.simplefilter("ignore")
                pyogrio.write_dataframe(frame, copy, layer=layer, driver="GPKG", **options)
        except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError) as error:
            if "already exist" in str(error):  # the table is there, and the file's own list of layers lacks it
                damage = f"a damaged GeoPackage: a table '{layer}' that its list of layers does not name"
                raise sqlite3.DatabaseError(damage) from error
            raise OSError(errno.EIO, f"layer {layer}: {error}") from error


def check_written(copy: Path, frames: Mapping[str, pd.DataFrame]) -> None:
    """Count every layer and its index in the copy: on a full disk the driver may go on without a word."""
    with closing(sqlite3.connect(copy)) as connection:
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
        return int(connection.execute(f'SELECT count(*) FROM "{table}"').fetchone()[0])
    except sqlite3.OperationalError:
        return -1


def flush_file(copy: Path) -> None:
    """Make sure the copy's bytes are on the disk before it takes the file's place."""
    with copy.open("rb+") as file:
        os.fsync(file.fileno())


def swap_file(copy: Path, path: Path) -> None:
    """Put the copy in the file's place in one step, and make that step last."""
    copy.replace(path)
    if os.name == "posix":  # a folder can't be flushed elsewhere
        handle = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


@contextmanager
def _lock(path: Path) -> Iterator[None]:
    from filelock import FileLock, Timeout

    if not path.parent.is_dir():
        problem = Problem(str(path.parent), "no such folder", "a folder to keep the survey in", "make it first")
        raise SurveyError(problem)
    if not os.access(path.parent, os.W_OK):  # the lock would wait for a file it can never make
        remedy = "choose a folder you may write to, or ask for permission to write there"
        found = "a folder that may not be written to"
        raise SurveyError(Problem(str(path.parent), found, "a folder to keep the survey in", remedy))
    lock = FileLock(path.with_name(f".{path.name}.lock"))
    try:
        lock.acquire(timeout=LOCK_WAIT_S)
    except Timeout as error:
        problem = Problem(
            str(path),
            f"another command writing to it for {LOCK_WAIT_S:.0f} s",
            "one command at a time",
            "wait until it ends, then run this again",
        )
        raise SurveyError(problem) from error
    try:
        yield
    finally:
        lock.release()


def _sweep(path: Path) -> None:
    """Remove what killed commands left; we hold the lock, so nobody is using it."""
    for folder in path.parent.glob(f".{path.name}{_TEMPORARY}*"):
        with contextlib.suppress(OSError):
            shutil.rmtree(folder)


@contextmanager
def _told_in_words(path: Path) -> Iterator[None]:
    """Turn what the disk and the driver say into an error a user can mend."""
    try:
        yield
    except SurveyError:
        raise
    except OSError as error:
        raise SurveyError(_no_room(path, error.strerror or str(error))) from error
    except sqlite3.Error as error:
        if getattr(error, "sqlite_errorname", "").startswith(("SQLITE_FULL", "SQLITE_IOERR", "SQLITE_READONLY")):
            raise SurveyError(_no_room(path, str(error))) from error
        problem = Problem(
            str(path),
            f"'{error}'",
            "a survey file in good order that no other program locks",
            "close it elsewhere, or restore it from a back-up; the survey is as it was",
        )
        raise SurveyError(problem) from error


def _no_room(path: Path, found: str) -> Problem:
    remedy = "free some space or choose a folder you may write to; the survey is as it was"
    return Problem(str(path), f"'{found}'", "room and permission to write", remedy)
