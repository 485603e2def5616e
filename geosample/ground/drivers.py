"""GeoPackage, Shapefile and FlatGeobuf, read by the common driver; the shapes are opened one by one.

The driver alone gives up on a whole layer for one ring that is not closed. Its raw bytes are asked for
instead, and each shape is opened by itself.

References
----------
OGC 12-128r19 (GeoPackage 1.4); ESRI Shapefile Technical Description (1998); FlatGeobuf specification 3.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pyogrio
import pyproj
import shapely

from geosample.errors import GroundError, Problem
from geosample.ground.features import Content, Feature, Remark, gather_content
from geosample.ground.rings import split_shape
from geosample.saving import SQLITE_HEADER

_LONGEST_WARNING = 160
EMPTY_LAYER = "a layer without shapes"
MAGIC = {".gpkg": SQLITE_HEADER, ".fgb": b"fgb", ".shp": b"\x00\x00\x27\x0a"}
"""The first bytes of each kind of file: a driver is only let at what it is meant for."""


class _Layer(NamedTuple):
    """A layer's shapes in well-known binary, and its columns beside them."""

    name: str
    shapes: list[bytes | None]
    names: list[str]
    columns: list[Any]
    crs: str  # empty where it does not say


def check_magic(path: Path, ending: str, start: bytes) -> None:
    """Refuse a file whose first bytes are not those of its kind.

    Raises
    ------
    GroundError
        When it is another kind of file under this name.
    """
    if not start.startswith(MAGIC[ending]):
        remedy = "it may be damaged or misnamed: export it again"
        raise GroundError(Problem(str(path), "other bytes than its ending says", f"a {ending} file", remedy))


def check_shapefile(path: Path) -> None:
    """Refuse a Shapefile that lacks the files that belong to it, or is shorter than it says.

    Raises
    ------
    GroundError
        When .shx or .dbf is not beside it, or the file is cut short.
    """
    beside = {file.name.lower() for file in path.parent.glob("*") if file.stem == path.stem}
    missing = [ending for ending in (".shx", ".dbf") if f"{path.stem}{ending}".lower() not in beside]
    if missing:
        found = f"no {' and no '.join(missing)} file beside it"
        raise GroundError(Problem(str(path), found, ".shp, .shx and .dbf together", "copy all its files, or zip them"))
    with path.open("rb") as file:
        words = int.from_bytes(file.read(28)[24:28], "big")  # 16-bit words, big end first: the format's own header
    if path.stat().st_size < 2 * words:
        raise GroundError(_unreadable(path, "it is shorter than it says"))


def read_driver(path: Path, opened: str | None = None) -> Content:
    """Return what all layers of a file hold.

    Parameters
    ----------
    path : Path
        The file, for messages and for opening.
    opened : str or None
        What the driver is to open in its place, such as a file in an archive.

    Raises
    ------
    GroundError
        When the driver can't open it, or no layer has shapes.
    """
    opened = opened or str(path)
    found: list[Feature | Remark] = []
    systems: set[str] = set()
    try:
        for layer in _list_layers(opened):
            source = path.name if layer == path.stem else f"{path.name}, layer {layer}"
            table, said = _read_layer(opened, layer)
            found += [Remark(f"the driver says: {text}", source, "see whether anything is missing") for text in said]
            found += _open_shapes(table, source)
            systems |= {table.crs} if table.crs and table.shapes else set()
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, ValueError) as error:
        raise GroundError(_unreadable(path, str(error))) from error
    return gather_content(path, found, _one_crs(path, systems))


def _list_layers(opened: str) -> list[str]:
    with warnings.catch_warnings():  # what they say is said again when a layer is read
        warnings.simplefilter("ignore")
        return [str(name) for name, kind in pyogrio.list_layers(opened) if kind is not None]


def _unreadable(path: Path, why: str) -> Problem:
    return Problem(str(path), f"a file that can't be read ({why})", "a whole file", "export or copy it again")


def _read_layer(opened: str, layer: str) -> tuple[_Layer, list[str]]:
    """Return a layer as the driver gives it, and what the driver warned of."""
    with warnings.catch_warnings(record=True) as heard:
        warnings.simplefilter("always")
        meta, _, shapes, columns = pyogrio.raw.read(opened, layer=layer)
    said = sorted({" ".join(str(warning.message).split())[:_LONGEST_WARNING] for warning in heard})
    found = [] if shapes is None else list(shapes)
    return _Layer(layer, found, [str(name) for name in meta["fields"]], columns, str(meta["crs"] or "")), said


def _open_shapes(layer: _Layer, source: str) -> Iterator[Feature | Remark]:
    if not layer.shapes:
        yield Remark(EMPTY_LAYER, source, "left out")
    for row, wkb in enumerate(layer.shapes):
        fields = _fields(layer.names, layer.columns, row)
        where = f"{source}, feature {row + 1}"
        parts, wrong = open_bytes(wkb)
        yield from (Remark(what, where, "mended" if parts else "left out") for what in wrong)
        name = fields.get("name") or fields.get("Name")
        yield from (Feature(part, fields, (layer.name,), name, where) for part in parts)


def open_bytes(wkb: bytes | None) -> tuple[list[Any], list[str]]:
    """Return the single shapes in well-known binary, mended where need be, and what was wrong.

    Examples
    --------
    >>> open_bytes(shapely.to_wkb(shapely.Point(1, 2)))
    ([<POINT (1 2)>], [])
    """
    if wkb is None:
        return [], ["a feature without a shape"]
    try:
        return _checked(split_shape(shapely.from_wkb(wkb)))
    except (shapely.errors.GEOSException, ValueError):
        mended = shapely.from_wkb(wkb, on_invalid="fix")
    parts, wrong = _checked(split_shape(mended))
    return parts, wrong or ["a ring that was not closed" if parts else "a shape that can't be read"]


def _checked(parts: list[Any]) -> tuple[list[Any], list[str]]:
    good = [part for part in parts if np.isfinite(shapely.get_coordinates(part)).all()]
    if not parts:
        return [], ["a feature without a shape"]
    return good, [] if len(good) == len(parts) else ["corners without numbers"]


def _fields(names: list[str], columns: list[Any], row: int) -> dict[str, str]:
    pairs = ((name, column[row]) for name, column in zip(names, columns, strict=True))
    return {name: text for name, value in pairs if value is not None and (text := _text(value))}


def _text(value: Any) -> str:
    text = str(value).strip()
    return "" if text in {"nan", "NaT", "None"} else text.removesuffix(".0")


def _one_crs(path: Path, systems: set[str]) -> pyproj.CRS | None:
    different = sorted(systems)
    if len(different) > 1:
        remedy = "save all layers in one system, or name one file a system"
        raise GroundError(Problem(str(path), f"layers in {', '.join(different)}", "one coordinate system", remedy))
    return pyproj.CRS.from_user_input(different[0]) if different else None
