"""Writing files whole: a reader sees the old file or the new one, never half of one, whatever the disk does."""

from __future__ import annotations

import contextlib
import errno
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
    place = Path(path).resolve()  # a link stays a link
    if _is_survey(place) or _is_survey(Path(path)):
        remedy = "name another file: results are never written over a survey"
        raise error(Problem(str(path), "a survey file's name", "a file for results", remedy))
    part = lost = ""
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
        handle, part = tempfile.mkstemp(prefix=f".{place.name}.", dir=place.parent)
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        lost = keep_rights(Path(part), place)
        Path(part).replace(place)
    except OSError as cause:
        found = f"'{cause.strerror or cause}'"
        raise error(Problem(str(path), found, "room and permission to write", _REMEDY)) from cause
    finally:
        if part:
            with contextlib.suppress(OSError):
                Path(part).unlink(missing_ok=True)
    if lost:
        from geosample.report import talk

        talk(f"{path}: {lost}")
    return Path(path)


def keep_rights(part: Path, place: Path) -> str:
    """Give a new file the owner and rights of the one it replaces, or else the usual ones: mkstemp keeps it to us.

    Returns
    -------
    str
        Why the owner could not be kept; '' where all is as it was.
    """
    if not place.exists():
        mask = os.umask(0)
        os.umask(mask)
        part.chmod(0o666 & ~mask)
        return ""
    was, now, lost = place.stat(), part.stat(), ""
    if hasattr(os, "chown") and (was.st_uid, was.st_gid) != (now.st_uid, now.st_gid):
        try:
            os.chown(part, was.st_uid, was.st_gid)
        except OSError:
            lost = f"its owner was {_name_owner(was)}, and only the system's administrator may give files away"
    part.chmod(was.st_mode & 0o777)
    return lost


def tell_rights(file: Path) -> str:
    """Return in words why a file or folder may not be written to; '' where it may."""
    state = file.stat()
    ours = os.access(file, os.W_OK, effective_ids=os.access in os.supports_effective_ids)
    if ours and state.st_mode & 0o222:  # an administrator may write all the same, and should not
        return ""
    return f"'{os.strerror(errno.EACCES)}' (mode {state.st_mode & 0o777:04o}, owner {_name_owner(state)})"


def _name_owner(state: os.stat_result) -> str:
    try:
        import pwd

        return pwd.getpwuid(state.st_uid).pw_name
    except (ImportError, KeyError):
        return str(state.st_uid)


def _is_survey(place: Path) -> bool:
    """Return whether a name or what stands there is a GeoPackage's: OGC 12-128r15, 1.1.1, a SQLite 3 file."""
    if place.suffix.lower() == ".gpkg":
        return True
    try:
        with place.open("rb") as file:
            return file.read(16) == SQLITE_HEADER
    except OSError:
        return False
