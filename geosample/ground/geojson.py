"""GeoJSON, read feature by feature, so that one bad ring never loses the rest of its file.

References
----------
RFC 7946 (2016): WGS84, longitude first. Its forerunner of 2008 allowed a ``crs`` member, still met in the field.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pyproj

from geosample.errors import GroundError, Problem
from geosample.ground.features import Content, Feature, Remark, gather_content
from geosample.ground.kinds import flatten_tags
from geosample.ground.rings import build_line, build_point, build_polygon, read_corners

if TYPE_CHECKING:
    from shapely import Geometry

_SINGLE = {"MultiPolygon": "Polygon", "MultiLineString": "LineString", "MultiPoint": "Point"}
Built = tuple["Geometry | None", list[str]]


def read_geojson(path: Path, data: bytes) -> Content:
    """Return what a GeoJSON file holds.

    Parameters
    ----------
    path : Path
        The file's name, for messages.
    data : bytes
        The file, in UTF-8.

    Raises
    ------
    GroundError
        When it is not whole JSON, or not GeoJSON.
    """
    document = _parse(path, data)
    items = enumerate(_features_of(path, document), start=1)
    found = [one for number, item in items for one in _read_feature(item, path.stem, f"{path.name}, feature {number}")]
    return gather_content(path, found, _crs_of(path, document))


def _parse(path: Path, data: bytes) -> Mapping[str, Any]:
    try:
        document = json.loads(data.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        problem = Problem(str(path), f"text that is not UTF-8 ({error.reason})", "GeoJSON", "save it again as UTF-8")
        raise GroundError(problem) from error
    except (json.JSONDecodeError, RecursionError) as error:
        found = f"JSON that can't be read ({error})"
        problem = Problem(str(path), found, "a whole file", "it may be cut short: export or copy it again")
        raise GroundError(problem) from error
    if isinstance(document, Mapping):
        return document
    raise GroundError(Problem(str(path), "JSON that is no object", "GeoJSON", "export the course as GeoJSON"))


def _features_of(path: Path, document: Mapping[str, Any]) -> list[Any]:
    kind = document.get("type")
    if kind == "FeatureCollection" and isinstance(document.get("features"), list):
        return list(document["features"])
    if kind == "Feature":
        return [document]
    if kind == "GeometryCollection" or kind in _SINGLE or kind in _SINGLE.values():
        return [{"geometry": document, "properties": {}}]
    problem = Problem(str(path), f"JSON of the type {kind!r}", "GeoJSON", "export the course as GeoJSON")
    raise GroundError(problem)


def _read_feature(item: Any, stem: str, source: str) -> Iterator[Feature | Remark]:
    if not isinstance(item, Mapping):
        yield Remark("a feature that is no object", source, "left out")
        return
    fields = _fields_of(item.get("properties"))
    name = fields.get("name") or fields.get("Name")
    where = f"{source} '{name}'" if name else source
    geometry = item.get("geometry")
    if not isinstance(geometry, Mapping):
        yield Remark("a feature without a shape", where, "left out")
        return
    for shape, wrong in _build_all(geometry):
        remedy = "mended" if shape is not None else "left out: nothing is left to draw"
        yield from (Remark(what, where, remedy) for what in wrong)
        if shape is not None:
            yield Feature(shape, fields, (stem,), name, where)


def _fields_of(properties: Any) -> dict[str, str]:
    """Return the attributes as text; the tags of OpenStreetMap exports are often one level down."""
    if not isinstance(properties, Mapping):
        return {}
    flat = dict(properties)
    if isinstance(flat.get("tags"), (Mapping, list)):
        flat = {**flatten_tags(flat.pop("tags")), **flat}
    return {
        str(key): str(value).strip()
        for key, value in flat.items()
        if isinstance(value, (str, int, float)) and str(value).strip() not in {"", "null"}
    }


def _build_all(geometry: Mapping[str, Any]) -> Iterator[Built]:
    waiting: list[Any] = [geometry]
    while waiting:
        one = waiting.pop()
        if not isinstance(one, Mapping):
            yield None, ["a shape that is no object"]
        elif one.get("type") == "GeometryCollection":
            waiting.extend(reversed(_listed(one.get("geometries"))))
        elif str(one.get("type")) in _SINGLE:
            yield from (_build(_SINGLE[str(one.get("type"))], part) for part in _listed(one.get("coordinates")))
        else:
            yield _build(str(one.get("type")), one.get("coordinates"))


def _build(kind: str, coordinates: Any) -> Built:
    if kind == "Polygon":
        rings = [read_corners(_listed(ring)) for ring in _listed(coordinates)]
        shape, wrong = build_polygon([corners for corners, _ in rings])
        return shape, [*(w for _, bad in rings for w in bad), *wrong]
    if kind == "LineString":
        corners, bad = read_corners(_listed(coordinates))
        shape, wrong = build_line(corners)
        return shape, [*bad, *wrong]
    if kind == "Point":
        corners, bad = read_corners([_listed(coordinates)])
        shape, wrong = build_point(corners)
        return shape, [*bad, *wrong]
    return None, [f"a shape of the unknown type {kind!r}"]


def _listed(value: Any) -> list[Any]:
    return value if isinstance(value, list) else []


def _crs_of(path: Path, document: Mapping[str, Any]) -> pyproj.CRS:
    member = document.get("crs")
    if not isinstance(member, Mapping):
        return pyproj.CRS.from_epsg(4326)
    properties = member.get("properties")
    name = properties.get("name") if isinstance(properties, Mapping) else None
    try:
        return pyproj.CRS.from_user_input(name)
    except pyproj.exceptions.CRSError as error:
        found = f"the coordinate system {name!r}"
        problem = Problem(str(path), found, "one that is known", "name it with --file-crs EPSG:n")
        raise GroundError(problem) from error
