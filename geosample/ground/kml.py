"""KML: nested folders and placemarks, read leniently, so that one bad ring never loses the rest of its file.

References
----------
OGC 12-007r2, OGC KML 2.3 (2015): coordinates are longitude, latitude[, height] on WGS84.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

import pyproj

from geosample.errors import GroundError, Problem
from geosample.ground.features import Content, Feature, Remark, gather_content
from geosample.ground.markup import local_name, parse_xml
from geosample.ground.rings import build_line, build_point, build_polygon, read_corners

if TYPE_CHECKING:
    from shapely import Geometry

WGS84 = pyproj.CRS.from_epsg(4326)
_SHAPES = {"Polygon", "LineString", "LinearRing", "Point", "Track"}
_FOLDERS = {"Folder", "Document"}


def read_kml(path: Path, data: bytes) -> Content:
    """Return what a KML file holds.

    Parameters
    ----------
    path : Path
        The file's name, for messages.
    data : bytes
        The file.

    Raises
    ------
    GroundError
        When it is not whole, well-formed XML, declares entities, or is another kind of XML.
    """
    root = parse_xml(path, data)
    if local_name(root) not in {"kml", *_FOLDERS, "Placemark"}:
        problem = Problem(str(path), f"XML of the kind '{local_name(root)}'", "KML", "export the course as KML")
        raise GroundError(problem)
    found = (
        one
        for number, (placemark, folders) in enumerate(_placemarks(root), start=1)
        for one in _read_placemark(placemark, folders, f"{path.name}, {_place(folders, number)}")
    )
    return gather_content(path, found, WGS84)


def _place(folders: tuple[str, ...], number: int) -> str:
    return f"folder {folders[-1]}, placemark {number}" if folders else f"placemark {number}"


def _placemarks(root: ET.Element) -> Iterator[tuple[ET.Element, tuple[str, ...]]]:
    """Yield placemarks in the file's order with their folders; a loop, since folders may nest without end."""
    waiting: list[tuple[ET.Element, tuple[str, ...]]] = [(root, ())]
    while waiting:
        element, folders = waiting.pop()
        tag = local_name(element)
        if tag == "Placemark":
            yield element, folders
        elif tag in _FOLDERS or element is root:
            name = _text_of(element, "name") if tag == "Folder" else ""
            inner = (*folders, name) if name else folders
            waiting.extend((child, inner) for child in reversed(element))


def _read_placemark(placemark: ET.Element, folders: tuple[str, ...], source: str) -> Iterator[Feature | Remark]:
    name = _text_of(placemark, "name") or None
    where = f"{source} '{name}'" if name else source
    fields = _fields(placemark)
    found = False
    for element in _shapes(placemark):
        found = True
        shape, wrong = _build(element)
        remedy = "mended" if shape is not None else "left out: nothing is left to draw"
        yield from (Remark(what, where, remedy) for what in wrong)
        if shape is not None:
            yield Feature(shape, fields, folders, name, where)
    if not found:
        yield Remark("a placemark without a shape", where, "left out")


def _shapes(placemark: ET.Element) -> Iterator[ET.Element]:
    waiting = list(reversed(placemark))
    while waiting:
        element = waiting.pop()
        tag = local_name(element)
        if tag in _SHAPES:
            yield element
        elif tag in {"MultiGeometry", "MultiTrack"}:
            waiting.extend(reversed(element))


def _build(element: ET.Element) -> tuple[Geometry | None, list[str]]:
    tag = local_name(element)
    if tag == "Polygon":
        texts = [
            _text_of(ring, "coordinates")
            for name in ("outerBoundaryIs", "innerBoundaryIs")
            for boundary in element
            if local_name(boundary) == name
            for ring in boundary
        ]
        rings = [read_corners(_split(text)) for text in texts]
        shape, wrong = build_polygon([corners for corners, _ in rings])
        return shape, [*(w for _, bad in rings for w in bad), *wrong]
    if tag == "Track":
        corners, bad = read_corners((child.text or "").split() for child in element if local_name(child) == "coord")
    else:
        corners, bad = read_corners(_split(_text_of(element, "coordinates")))
    shape, wrong = build_point(corners) if tag == "Point" else build_line(corners)
    return shape, [*bad, *wrong]


def _split(text: str) -> list[list[str]]:
    return [corner.split(",") for corner in text.split()]


def _fields(placemark: ET.Element) -> dict[str, str]:
    fields: dict[str, str] = {}
    for element in placemark.iter():
        if local_name(element) == "Data":
            fields[element.get("name", "")] = _text_of(element, "value")
        elif local_name(element) == "SimpleData":
            fields[element.get("name", "")] = (element.text or "").strip()
    return {key: value for key, value in fields.items() if key and value}


def _text_of(element: ET.Element, name: str) -> str:
    for child in element:
        if local_name(child) == name:
            return (child.text or "").strip()
    return ""
