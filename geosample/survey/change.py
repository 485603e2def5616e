"""Writing that survives anything: all changes go into the survey in place, in one transaction of SQLite's.

Other programs hold the file open: a desktop GIS in WAL mode for hours. SQLite's own locks and journals are what they
mind, so this writes as they do: nobody's journal is left beside a file it does not belong to, links, owner and rights
stay, and a kill leaves a journal that whoever opens the file next rolls back.
"""

from __future__ import annotations

import errno
import os
import shutil
import sqlite3
import sys
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, closing, contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from geosample import __version__
from geosample.errors import Problem, SurveyError
from geosample.files.saving import keep_rights, tell_rights
from geosample.survey.layers import LAYOUT, MARKED, RESULTS, shape_frame
from geosample.survey.reading import (
    DOOR,
    STAND_INS,
    Where,
    check_layout,
    empty_layer,
    match_rows,
    quote,
    read_layer,
    tell_sqlite,
    tell_writing,
)
from geosample.survey.writing import fits, flush_file, is_listed, put_layers, write_frames

if TYPE_CHECKING:
    import pandas as pd

WRITER_WAIT_S = 10.0
"""How long to wait for another write to end: our own commands take about one second each."""
READER_WAIT_S = 2.0
"""How long to let others finish reading; less than the 5 s most programs wait for a file."""
_TEMPORARY = ".saving-"
# Linux's names of file systems on another machine, /proc/filesystems and mount.*(8).
_NETWORK = {"nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "afs", "ncpfs", "fuse.sshfs", "fuse.davfs2", "davfs"}


class Change:
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

    def read(self, layer: str) -> pd.DataFrame:
        """Return a layer as it will be: with what this change has put so far."""
        if layer not in self.frames:
            return self._read_old(layer)
        where = self.wheres[layer]
        fresh = self.frames[layer]
        return fresh if where is None else _merge(layer, self._read_old(layer, where), fresh)

    def put(self, layer: str, frame: pd.DataFrame, *, where: Where | None = None) -> None:
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
        """
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
        import pandas as pd

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
        write_frames(scratch, {layer: self.frames[layer] for layer in odd})

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
    import pandas as pd

    same = pd.Series(data=True, index=frame.index)
    for column, value in where.items():
        same &= frame[column].isin([value] if isinstance(value, str) else list(value))
    return frame[~same]


def _merge(layer: str, old: pd.DataFrame, fresh: pd.DataFrame) -> pd.DataFrame:
    import pandas as pd

    kept = [frame for frame in (old, fresh) if len(frame)]
    if len(kept) < 2:  # noqa: PLR2004 - one of the two, or the new one, which has its columns
        return shape_frame(layer, kept[0] if kept else fresh)
    return shape_frame(layer, pd.concat(kept, ignore_index=True))


@contextmanager
def start_change(path: Path) -> Iterator[Change]:
    """Keep other writers off the survey, yield a Change, and write it when the block ends without an error."""
    place = path.resolve()  # through a link to the file itself: it stays a link, and the file its one
    with _told_in_words(path), DOOR:
        _check_folder(path, place.parent)
        if not place.exists():
            change = Change(path)
            yield change
            if change.frames:
                change.note_layout()
                _make_file(path, place, change)
            return
        check_layout(path)
        _check_rights(path, place)
        with _in_transaction(path, place) as (connection, folder):
            change = Change(path, connection)
            with _stand_in(place, folder / "before.gpkg"):
                yield change
                if change.frames:
                    change.note_layout()
                    scratch = folder / "fresh.gpkg"
                    write_frames(scratch, change.frames)
                    change.settle(scratch)
                    put_layers(connection, scratch, change.wheres)
                    if not commit(connection):
                        _go_round_reader(path, place, connection, scratch, change)


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
    with closing(sqlite3.connect(place)) as source, closing(sqlite3.connect(copy)) as target:
        source.backup(target)
        target.execute("PRAGMA journal_mode = DELETE")


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


def _go_round_reader(path: Path, place: Path, connection: sqlite3.Connection, scratch: Path, change: Change) -> None:
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


def _make_file(path: Path, place: Path, change: Change) -> None:
    """Write a new file aside and give it its name, unless one of that name appeared meanwhile."""
    for ending in ("-journal", "-wal"):
        left = place.with_name(place.name + ending)
        if left.exists() and left.stat().st_size:
            remedy = "put that survey back beside it, or delete this file"
            raise SurveyError(Problem(str(left), "the journal of a survey that is gone", "no such file", remedy))
    folder = Path(tempfile.mkdtemp(prefix=f".{place.name}{_TEMPORARY}", dir=place.parent))
    try:
        new = folder / place.name
        write_frames(new, change.frames)
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
