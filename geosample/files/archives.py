"""Archives and workbooks: never unpacked to disk, nor beyond one sane size, whatever they say of themselves."""

from __future__ import annotations

import lzma
import struct
import zipfile
import zlib
from pathlib import Path, PurePosixPath
from typing import IO

from geosample.errors import FileError, Problem

LARGEST_BYTES = 512 * 1024 * 1024
"""A file that is larger is not a course (no source)."""
LARGEST_UNPACKED_BYTES = 128 * 1024 * 1024
"""An archive or a workbook that unpacks to more is neither a course nor its counts (own choice: a workbook with one
cell of this size takes half a gigabyte of memory to read)."""
# What the library raises of a damaged archive: a place before the file's start is a ValueError to it.
_BROKEN = (
    zipfile.BadZipFile, zlib.error, lzma.LZMAError, struct.error,
    EOFError, LookupError, OverflowError, RuntimeError, ValueError, OSError,
)  # fmt: skip


def open_archive(path: Path, file: IO[bytes]) -> zipfile.ZipFile:
    """Return an open archive.

    Raises
    ------
    FileError
        When it is damaged.
    """
    try:
        return zipfile.ZipFile(file)
    except _BROKEN as error:
        raise FileError(_damaged(path, error)) from error


def list_members(path: Path, archive: zipfile.ZipFile) -> list[str]:
    """Return the names in an archive that are no by-products of the archiver's.

    Raises
    ------
    FileError
        When one points outside the archive, or all together unpack to more than ``LARGEST_UNPACKED_BYTES``.
    """
    names = [name for name in archive.namelist() if not is_by_product(name)]
    outside = [n for n in names if n.startswith(("/", "\\")) or ".." in PurePosixPath(n.replace("\\", "/")).parts]
    if outside:
        found = f"a path outside the archive ({outside[0]})"
        raise FileError(Problem(str(path), found, "plain names", "do not trust this file"))
    _check_size(path, sum(item.file_size for item in archive.infolist()))
    return names


def is_by_product(name: str) -> bool:
    """Return whether a member is what some systems' archivers put beside each file: no map, whatever its ending.

    Examples
    --------
    >>> is_by_product("__MACOSX/sub/._course.shp"), is_by_product("sub/course.shp")
    (True, False)
    """
    path = PurePosixPath(name)
    return path.name.startswith("._") and ".." not in path.parts and not path.is_absolute()


def unpack_member(path: Path, archive: zipfile.ZipFile, name: str, *, most: int | None = None) -> bytes:
    """Return a member's bytes, or its first ``most``.

    Raises
    ------
    FileError
        When it is damaged, or larger than ``LARGEST_UNPACKED_BYTES``, whatever the archive says of itself.
    """
    try:
        with archive.open(name) as file:
            data = file.read(LARGEST_UNPACKED_BYTES + 1 if most is None else most)
    except _BROKEN as error:
        raise FileError(_damaged(path, error)) from error
    _check_size(path, len(data))
    return data


def check_archive(path: Path) -> None:
    """Refuse an archive of any kind, such as a workbook, that is not whole or unpacks to too much.

    Raises
    ------
    FileError
        When it is damaged, or larger unpacked than ``LARGEST_UNPACKED_BYTES`` by its own list or in truth.
    """
    with path.open("rb") as file, open_archive(path, file) as archive:
        _check_size(path, sum(item.file_size for item in archive.infolist()))
        check_sums(path, archive)


def check_sums(path: Path, archive: zipfile.ZipFile) -> None:
    """Refuse an archive with a member that is not what the list says: who reads it by a driver does not look.

    Raises
    ------
    FileError
        When a member is damaged, or all together are larger than ``LARGEST_UNPACKED_BYTES`` in truth.
    """
    size = 0
    for item in archive.infolist():
        try:
            with archive.open(item) as file:
                while size <= LARGEST_UNPACKED_BYTES and (part := file.read(2**20)):
                    size += len(part)
        except _BROKEN as error:
            raise FileError(_damaged(path, error)) from error
        _check_size(path, size)


def _damaged(path: Path, error: Exception) -> Problem:
    return Problem(str(path), f"an archive that can't be read ({error})", "a whole archive", "save or copy it again")


def _check_size(path: Path, size: int) -> None:
    if size > LARGEST_UNPACKED_BYTES:
        found = f"a file that unpacks to {size / 2**20:,.0f} MB or more"
        expected = f"at most {LARGEST_UNPACKED_BYTES // 2**20} MB unpacked"
        remedy = "take out what is neither map nor counts, and save it again"
        raise FileError(Problem(str(path), found, expected, remedy))
