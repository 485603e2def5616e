"""Writing files whole: a reader sees the old file or the new one, never half of one, whatever the disk does."""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path

from geosample.errors import GeosampleError, Problem

SQLITE_HEADER = b"SQLite format 3\x00"
"""The first bytes of every SQLite 3 file, and so of every GeoPackage (sqlite.org/fileformat2, 1.3.1)."""
_REMEDY = "free some space, or choose a place you may write to and close the file in other programs"


def make_folder(folder: str | Path, error: type[GeosampleError] = GeosampleError) -> Path:
    """Make the folder with all above it, if it is not there, and return it.

    Raises
    ------
    GeosampleError
        As ``error``, when it can't be made or written to; so a command can ask before it starts on long work.
    """
    place = Path(folder)
    try:
        place.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=place):
            pass
    except OSError as cause:
        problem = Problem(
            str(place), f"'{cause.strerror or cause}'", "a folder to write to", "choose another with --out"
        )
        raise error(problem) from cause
    return place


def save_file(path: str | Path, data: bytes, error: type[GeosampleError] = GeosampleError) -> Path:
    """Write the bytes beside their place, put them there in one step, and return the path.

    Parameters
    ----------
    path : str or Path
        Where to; its folder is made, and a file there is replaced.
    data : bytes
        All that is to stand in it.
    error : type
        Which error to raise.

    Raises
    ------
    GeosampleError
        As ``error``, when there is no room or no permission, or a survey file stands there; nothing is left half
        written.
    """
    place = Path(path)
    if _is_survey(place):
        remedy = "name another file: results are never written over a survey"
        raise error(Problem(str(place), "a survey file's name", "a file for results", remedy))
    part = ""
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
        handle, part = tempfile.mkstemp(prefix=f".{place.name}.", dir=place.parent)
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        _let_others_read(Path(part), place)
        Path(part).replace(place)
    except OSError as cause:
        found = f"'{cause.strerror or cause}'"
        raise error(Problem(str(place), found, "room and permission to write", _REMEDY)) from cause
    finally:
        if part:
            with contextlib.suppress(OSError):
                Path(part).unlink(missing_ok=True)
    return place


def _let_others_read(part: Path, place: Path) -> None:
    """Give the new file the rights of the one it replaces, or else the usual ones: mkstemp keeps it to its owner."""
    mask = os.umask(0)
    os.umask(mask)
    part.chmod(place.stat().st_mode & 0o777 if place.exists() else 0o666 & ~mask)


def _is_survey(place: Path) -> bool:
    """Return whether a name or what stands there is a GeoPackage's: OGC 12-128r15, 1.1.1, a SQLite 3 file."""
    if place.suffix.lower() == ".gpkg":
        return True
    try:
        with place.open("rb") as file:
            return file.read(16) == SQLITE_HEADER
    except OSError:
        return False
