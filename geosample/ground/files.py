"""The door for files: each kind is told by its ending and its first bytes, and read by the reader it needs."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from geosample.errors import GroundError, Problem
from geosample.ground.features import Content
from geosample.ground.geojson import read_geojson
from geosample.ground.kml import read_kml

Reader = Callable[[Path, bytes], Content]
_BY_TEXT: dict[str, Reader] = {".kml": read_kml, ".geojson": read_geojson, ".json": read_geojson}
FORMATS = tuple(_BY_TEXT)


def read_file(path: Path) -> Content:
    """Return what a file holds.

    Raises
    ------
    GroundError
        When it is missing, empty, of a kind that is not read, or can't be read.
    """
    _check_file(path)
    return _BY_TEXT[path.suffix.lower()](path, path.read_bytes())


def _check_file(path: Path) -> None:
    if not path.is_file():
        raise GroundError(Problem(str(path), "no such file", "a file with polygons", "check the name"))
    if path.suffix.lower() not in FORMATS:
        formats = ", ".join(FORMATS)
        raise GroundError(Problem(str(path), f"the ending '{path.suffix}'", formats, "export it as one of these"))
    if path.stat().st_size == 0:
        raise GroundError(Problem(str(path), "an empty file", "polygons", "export or copy it again"))
