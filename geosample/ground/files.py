"""The door for files: each kind is told by its ending and its first bytes, and read by the reader it needs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from geosample.errors import GroundError, Problem
from geosample.ground.archives import read_kmz, read_zip
from geosample.ground.csvwkt import read_csv_wkt
from geosample.ground.drivers import MAGIC, check_magic, check_shapefile, read_driver
from geosample.ground.features import LARGEST_BYTES, Content, Feature
from geosample.ground.geojson import read_geojson
from geosample.ground.kinds import FIELDS, unpack_tags
from geosample.ground.kml import read_kml

_READERS: dict[str, Callable[[Path, bytes], Content]] = {
    ".geojson": read_geojson,
    ".json": read_geojson,
    ".kml": read_kml,
    ".kmz": read_kmz,
    ".zip": read_zip,
    ".csv": read_csv_wkt,
}
FORMATS = (*_READERS, *MAGIC)
"""The endings of files that are read."""


def read_file(path: Path, *, any_kind: bool = False) -> Content:
    """Return what a file holds.

    Parameters
    ----------
    path : Path
        The file.
    any_kind : bool
        Whether a file of none of ``FORMATS`` is left to whichever driver knows it.

    Raises
    ------
    GroundError
        When it is missing, empty, of a kind that is not read, or can't be read.
    """
    ending = _check_file(path, any_kind=any_kind)
    try:
        if ending in _READERS:
            content = _READERS[ending](path, path.read_bytes())
        else:
            _check_start(path, ending)
            content = read_driver(path)
    except OSError as error:
        problem = Problem(str(path), f"'{error.strerror or error}'", "a file that can be read", "check its permissions")
        raise GroundError(problem) from error
    return replace(content, features=tuple(_with_tags(feature) for feature in content.features))


def _with_tags(feature: Feature) -> Feature:
    if not any(name.lower() in FIELDS for name in feature.fields):
        return feature
    fields = unpack_tags(feature.fields)
    return replace(feature, fields=fields, name=feature.name or fields.get("name"))


def _check_start(path: Path, ending: str) -> None:
    if ending in MAGIC:
        with path.open("rb") as file:
            check_magic(path, ending, file.read(16))
    if ending == ".shp":
        check_shapefile(path)


def _check_file(path: Path, *, any_kind: bool) -> str:
    ending = path.suffix.lower()
    formats = ", ".join(FORMATS)
    if not path.is_file():
        raise GroundError(Problem(str(path), "no such file", f"a file: {formats}", "check the name"))
    if ending not in FORMATS and not any_kind:
        raise GroundError(Problem(str(path), f"the ending '{path.suffix}'", formats, "export it as one of these"))
    size = path.stat().st_size
    if size == 0:
        raise GroundError(Problem(str(path), "an empty file", "polygons", "export or copy it again"))
    if size > LARGEST_BYTES:
        raise GroundError(Problem(str(path), f"{size / 2**20:,.0f} MB", "a course", "take out what is no map"))
    return ending
