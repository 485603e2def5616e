"""Archives (KMZ, zipped Shapefile): read in memory, never unpacked, and never beyond a sane size."""

from __future__ import annotations

import io
import zipfile
import zlib
from dataclasses import replace
from pathlib import Path, PurePosixPath

from geosample.errors import GroundError, Problem
from geosample.ground.drivers import check_magic, read_driver
from geosample.ground.features import LARGEST_BYTES, Content, Remark
from geosample.ground.kml import read_kml

_BROKEN = (zipfile.BadZipFile, zlib.error, EOFError, RuntimeError, NotImplementedError, OSError)
_MAPS = (".kml", ".shp", ".geojson", ".json", ".gpkg", ".fgb", ".csv")


def read_kmz(path: Path, data: bytes) -> Content:
    """Return what the main KML file of a KMZ archive holds.

    Raises
    ------
    GroundError
        When the archive is damaged, too large, points outside itself, or has no KML in it.
    """
    with _open(path, data) as archive:
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
    with _open(path, data) as archive:
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


def _open(path: Path, data: bytes) -> zipfile.ZipFile:
    try:
        return zipfile.ZipFile(io.BytesIO(data))
    except (zipfile.BadZipFile, ValueError, NotImplementedError) as error:
        raise GroundError(_damaged(path, error)) from error


def _damaged(path: Path, error: Exception) -> Problem:
    return Problem(str(path), f"an archive that can't be read ({error})", "a whole archive", "zip or copy it again")


def _members(path: Path, archive: zipfile.ZipFile) -> list[str]:
    """Return the names in an archive, once none of them points outside and all together have a sane size."""
    names = [name for name in archive.namelist() if not _is_by_product(name)]
    outside = [n for n in names if n.startswith(("/", "\\")) or ".." in PurePosixPath(n.replace("\\", "/")).parts]
    if outside:
        problem = Problem(
            str(path), f"a path outside the archive ({outside[0]})", "plain names", "do not trust this file"
        )
        raise GroundError(problem)
    size = sum(item.file_size for item in archive.infolist())
    if size > LARGEST_BYTES:
        found = f"an archive that unpacks to {size / 2**20:,.0f} MB"
        raise GroundError(Problem(str(path), found, f"at most {LARGEST_BYTES // 2**20} MB", "take out what is no map"))
    return names


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
            data = file.read(LARGEST_BYTES + 1)
    except _BROKEN as error:
        raise GroundError(_damaged(path, error)) from error
    if len(data) > LARGEST_BYTES:
        found = f"more than {LARGEST_BYTES // 2**20} MB in {name}"
        raise GroundError(Problem(str(path), found, "a course", "take out what is no map"))
    return data


def _check_sums(path: Path, archive: zipfile.ZipFile) -> None:
    """Refuse an archive with a member that is not what its check sum says: the driver does not look."""
    try:
        broken = archive.testzip()
    except _BROKEN as error:
        raise GroundError(_damaged(path, error)) from error
    if broken:
        raise GroundError(_damaged(path, ValueError(f"{broken} does not match its check sum")))


def _start(path: Path, archive: zipfile.ZipFile, name: str) -> bytes:
    try:
        with archive.open(name) as file:
            return file.read(16)
    except _BROKEN as error:
        raise GroundError(_damaged(path, error)) from error
