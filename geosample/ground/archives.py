"""Archives (KMZ, zipped Shapefile, and the workbooks of counts): never unpacked to disk or beyond a sane size."""

from __future__ import annotations

import io
import lzma
import struct
import zipfile
import zlib
from dataclasses import replace
from pathlib import Path, PurePosixPath
from typing import IO

from geosample.errors import GroundError, Problem
from geosample.ground.drivers import check_magic, read_driver
from geosample.ground.features import LARGEST_UNPACKED_BYTES, Content, Remark
from geosample.ground.kml import read_kml

# What the library raises of a damaged archive: a place before the file's start is a ValueError to it.
_BROKEN = (
    zipfile.BadZipFile, zlib.error, lzma.LZMAError, struct.error,
    EOFError, LookupError, OverflowError, RuntimeError, ValueError, OSError,
)  # fmt: skip
_MAPS = (".kml", ".shp", ".geojson", ".json", ".gpkg", ".fgb", ".csv")


def read_kmz(path: Path, data: bytes) -> Content:
    """Return what the main KML file of a KMZ archive holds.

    Raises
    ------
    GroundError
        When the archive is damaged, too large, points outside itself, or has no KML in it.
    """
    with _open(path, io.BytesIO(data)) as archive:
        names = [name for name in _members(path, archive) if name.lower().endswith(".kml")]
        if not names:
            problem = Problem(str(path), "no KML in the archive", "a KMZ file", "export the course as KML or KMZ")
            raise GroundError(problem)
        main = min(names, key=lambda name: (name != "doc.kml", name.count("/"), name))
        content = read_kml(path, _unpack(path, archive, main))
        return replace(content, remarks=(*content.remarks, *_unread(path, archive, {main})))


def read_zip(path: Path, data: bytes) -> Content:
    """Return what the Shapefiles of a zip archive hold, or the KML where there are none.

    Raises
    ------
    GroundError
        When the archive is damaged, too large, points outside itself, or has neither in it.
    """
    with _open(path, io.BytesIO(data)) as archive:
        names = [name for name in _members(path, archive) if name.lower().endswith(".shp")]
        for name in names:
            check_magic(path, ".shp", _start(path, archive, name))
        _check_sums(path, archive)
        if not names:
            return read_kmz(path, data)
        left = _unread(path, archive, set(names))
    contents = [read_driver(path, f"/vsizip/{{{path.absolute()}}}/{name}") for name in names]
    if len({str(content.crs) for content in contents}) > 1:
        found = "Shapefiles in different coordinate systems"
        raise GroundError(Problem(str(path), found, "one system", "zip those of one system together"))
    features = tuple(feature for content in contents for feature in content.features)
    remarks = tuple(remark for content in contents for remark in content.remarks)
    return Content(path, features, contents[0].crs, (*remarks, *left))


def _unread(path: Path, archive: zipfile.ZipFile, read: set[str]) -> list[Remark]:
    """Return a remark for each map in the archive that is not read."""
    maps = [name for name in archive.namelist() if name.lower().endswith(_MAPS) and name not in read]
    maps = [name for name in maps if not _is_by_product(name)]
    remedy = "not read: take it out of the archive and name it as a file of its own"
    return [Remark("another map in the archive", f"{path.name}, {name}", remedy) for name in maps]


def _open(path: Path, file: IO[bytes]) -> zipfile.ZipFile:
    try:
        return zipfile.ZipFile(file)
    except _BROKEN as error:
        raise GroundError(_damaged(path, error)) from error


def _damaged(path: Path, error: Exception) -> Problem:
    return Problem(str(path), f"an archive that can't be read ({error})", "a whole archive", "save or copy it again")


def _members(path: Path, archive: zipfile.ZipFile) -> list[str]:
    """Return the names in an archive, once none of them points outside and all together have a sane size."""
    names = [name for name in archive.namelist() if not _is_by_product(name)]
    outside = [n for n in names if n.startswith(("/", "\\")) or ".." in PurePosixPath(n.replace("\\", "/")).parts]
    if outside:
        problem = Problem(
            str(path), f"a path outside the archive ({outside[0]})", "plain names", "do not trust this file"
        )
        raise GroundError(problem)
    _check_size(path, sum(item.file_size for item in archive.infolist()))
    return names


def _check_size(path: Path, size: int) -> None:
    if size > LARGEST_UNPACKED_BYTES:
        found = f"a file that unpacks to {size / 2**20:,.0f} MB or more"
        expected = f"at most {LARGEST_UNPACKED_BYTES // 2**20} MB unpacked"
        raise GroundError(
            Problem(str(path), found, expected, "take out what is neither map nor counts, and save it again")
        )


def _is_by_product(name: str) -> bool:
    """Return whether a member is what some systems' archivers put beside each file: no map, whatever its ending.

    Examples
    --------
    >>> _is_by_product("__MACOSX/sub/._course.shp"), _is_by_product("sub/course.shp")
    (True, False)
    """
    path = PurePosixPath(name)
    return path.name.startswith("._") and ".." not in path.parts and not path.is_absolute()


def _unpack(path: Path, archive: zipfile.ZipFile, name: str) -> bytes:
    """Return a member's bytes, and no more than the sane size, whatever the archive says of itself."""
    try:
        with archive.open(name) as file:
            data = file.read(LARGEST_UNPACKED_BYTES + 1)
    except _BROKEN as error:
        raise GroundError(_damaged(path, error)) from error
    _check_size(path, len(data))
    return data


def check_archive(path: Path) -> None:
    """Refuse an archive of any kind, such as a workbook, that is not whole or unpacks to too much.

    Raises
    ------
    GroundError
        When it is damaged, or larger unpacked than ``LARGEST_UNPACKED_BYTES`` by its own list or in truth.
    """
    with path.open("rb") as file, _open(path, file) as archive:
        _check_size(path, sum(item.file_size for item in archive.infolist()))
        _check_sums(path, archive)


def _check_sums(path: Path, archive: zipfile.ZipFile) -> None:
    """Refuse an archive with a member that is not what the list says: the driver does not look."""
    size = 0
    for item in archive.infolist():
        try:
            with archive.open(item) as file:
                while size <= LARGEST_UNPACKED_BYTES and (part := file.read(2**20)):
                    size += len(part)
        except _BROKEN as error:
            raise GroundError(_damaged(path, error)) from error
        _check_size(path, size)


def _start(path: Path, archive: zipfile.ZipFile, name: str) -> bytes:
    try:
        with archive.open(name) as file:
            return file.read(16)
    except _BROKEN as error:
        raise GroundError(_damaged(path, error)) from error
