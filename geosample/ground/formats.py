"""The formats of maps: GeoJSON, KML, GPX, CSV with WKT, archives of these, DXF, and what the common drivers read.

Each is read leniently, shape by shape, so that one bad ring never loses the rest of its file. The driver alone gives
up on a whole layer for one ring that is not closed: its raw bytes are asked for, and each shape is opened by itself.

References
----------
RFC 7946 (2016), GeoJSON: WGS84, longitude first; its forerunner of 2008 allowed a ``crs`` member, still met in the
field. OGC 12-007r2, KML 2.3 (2015): longitude, latitude[, height] on WGS84. OGC 06-103r4, Simple Feature Access part 1
(2011), section 7: well-known text. OGC 12-128r19 (GeoPackage 1.4); ESRI Shapefile Technical Description (1998);
FlatGeobuf specification 3; ISO 19136:2007 (GML); GPX 1.1 (2004).
"""

from __future__ import annotations

import io
import re
import warnings
import zipfile
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple
from xml.etree import ElementTree as ET

import numpy as np
import pyogrio
import pyproj
import shapely

from geosample.errors import FileError, GroundError, Problem
from geosample.files.reading import (
    LARGEST_BYTES,
    Note,
    check_sums,
    check_xml,
    child_text,
    decode_text,
    is_by_product,
    list_members,
    local_name,
    open_archive,
    parse_json,
    parse_xml,
    part_rows,
    read_data_fields,
    unpack_member,
)
from geosample.files.saving import SQLITE_HEADER, read_cell
from geosample.ground.drawings import read_dxf
from geosample.ground.extracts import check_blocks, find_cut
from geosample.ground.features import (
    Content,
    Feature,
    build_line,
    build_point,
    build_polygon,
    gather_content,
    open_bytes,
    open_text,
    read_corners,
)
from geosample.ground.naming import FIELDS, find_kind, flatten_tags, unpack_tags
from geosample.words import ENCODINGS, SHAPE_FAULTS

if TYPE_CHECKING:
    from shapely import Geometry

WGS84 = pyproj.CRS.from_epsg(4326)
MAGIC = {
    ".gpkg": SQLITE_HEADER,
    ".fgb": b"fgb",
    ".shp": b"\x00\x00\x27\x0a",
    ".gml": b"<",
    ".tab": b"!table",
    ".mif": b"version",
    ".osm": b"<",
    ".pbf": b"\x00\x00\x00",
}
"""The first bytes of each kind of file, letters small: a driver is only let at what it is meant for."""
_XML_ROOTS = {".gml": b"opengis.net/gml", ".osm": b"<osm"}
_BESIDE = {".shp": (".shx", ".dbf"), ".tab": (".dat", ".map", ".id"), ".mif": (".mid",)}
_HEAD_BYTES = 4096
_LONGEST_WARNING = 160
_SINGLE = {"MultiPolygon": "Polygon", "MultiLineString": "LineString", "MultiPoint": "Point"}
_KML_SHAPES = {"Polygon", "LineString", "LinearRing", "Point", "Track"}
_KML_FOLDERS = {"Folder", "Document"}
WALKED = "recorded by a receiver"
"""The field that marks a track, in formats that part it from a drawn line."""
_WKT_COLUMNS = ("wkt", "geometry", "geom", "the_geom", "shape", "wkt_geom")
_MAPS = (
    ".kml",
    ".shp",
    ".geojson",
    ".json",
    ".gpkg",
    ".fgb",
    ".csv",
    ".gml",
    ".tab",
    ".mif",
    ".osm",
    ".pbf",
    ".gpx",
    ".dxf",
)


Built = tuple["Geometry | None", list[str]]


def _left_out(what: str, where: str) -> Note:
    return Note(what, where, facts={"done": "left out"})


def _tell_shape(
    shapes: Sequence[Geometry | None], wrong: Sequence[str], like: Callable[[Geometry], Feature], where: str
) -> Iterator[Feature | Note]:
    """Yield what was wrong with a shape, and its parts that could be had."""
    good = [shape for shape in shapes if shape is not None]
    yield from (Note(what, where, facts={"done": "mended"}) if good else _left_out(what, where) for what in wrong)
    yield from map(like, good)


def _like(fields: Mapping[str, str], folder: str, where: str) -> Callable[[Geometry], Feature]:
    """Return what makes features of shapes, all with the same attributes."""
    name = fields.get("name") or fields.get("Name")
    return lambda shape: Feature(shape, fields, (folder,), name, where)


def read_geojson(path: Path, data: bytes) -> Content:
    """Return what a GeoJSON file holds.

    Raises
    ------
    GroundError
        When it is not whole JSON, or not GeoJSON.
    """
    document = parse_json(path, data)
    items = enumerate(_features_of(path, document), start=1)
    found = [
        one
        for number, item in items
        for one in _read_geojson_feature(item, path.stem, f"{path.name}, feature {number}")
    ]
    return gather_content(path, found, _crs_of(path, document))


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


def _read_geojson_feature(item: Any, stem: str, source: str) -> Iterator[Feature | Note]:
    if not isinstance(item, Mapping):
        yield _left_out("no_object", source)
        return
    fields = _geojson_fields(item.get("properties"))
    name = fields.get("name") or fields.get("Name")
    where = f"{source} '{name}'" if name else source
    geometry = item.get("geometry")
    if not isinstance(geometry, Mapping):
        yield _left_out("no_shape", where)
        return
    for shape, wrong in _build_all(geometry):
        yield from _tell_shape([shape], wrong, _like(fields, stem, where), where)


def _geojson_fields(properties: Any) -> dict[str, str]:
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
            yield None, ["no_object"]
        elif one.get("type") == "GeometryCollection":
            waiting.extend(reversed(_listed(one.get("geometries"))))
        elif str(one.get("type")) in _SINGLE:
            yield from (_build_geojson(_SINGLE[str(one.get("type"))], part) for part in _listed(one.get("coordinates")))
        else:
            yield _build_geojson(str(one.get("type")), one.get("coordinates"))


def _build_geojson(kind: str, coordinates: Any) -> Built:
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
    return None, ["unknown_type"]


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
        problem = Problem(str(path), found, "one that is known", "name it with `file_crs=EPSG:n`")
        raise GroundError(problem) from error


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
    if local_name(root) not in {"kml", *_KML_FOLDERS, "Placemark"}:
        problem = Problem(str(path), f"XML of the kind '{local_name(root)}'", "KML", "export the course as KML")
        raise GroundError(problem)
    found = (
        one
        for number, (placemark, folders) in enumerate(_placemarks(root), start=1)
        for one in _read_placemark(placemark, folders, f"{path.name}, {_in_folder(folders)}placemark {number}")
    )
    return gather_content(path, found, WGS84)


def _in_folder(folders: tuple[str, ...]) -> str:
    return f"folder {folders[-1]}, " if folders else ""


def _placemarks(root: ET.Element) -> Iterator[tuple[ET.Element, tuple[str, ...]]]:
    """Yield placemarks in the file's order with their folders; a loop, since folders may nest without end."""
    waiting: list[tuple[ET.Element, tuple[str, ...]]] = [(root, ())]
    while waiting:
        element, folders = waiting.pop()
        tag = local_name(element)
        if tag == "Placemark":
            yield element, folders
        elif tag in _KML_FOLDERS or element is root:
            name = child_text(element, "name") if tag == "Folder" else ""
            inner = (*folders, name) if name else folders
            waiting.extend((child, inner) for child in reversed(element))


def _read_placemark(placemark: ET.Element, folders: tuple[str, ...], source: str) -> Iterator[Feature | Note]:
    name = child_text(placemark, "name") or None
    where = f"{source} '{name}'" if name else source
    given = {key: value for key, value in read_data_fields(placemark).items() if key and value}
    found = False
    for element in _kml_shapes(placemark):
        found = True
        shape, wrong = _build_kml(element)
        track = local_name(element) == "Track"
        fields = given | {WALKED: "yes"} if track else given
        plain = _WALK_NUMBER.sub("", name) if name and track else name
        like = partial(Feature, fields=fields, folders=folders, name=plain, source=where)
        yield from _tell_shape([shape], wrong, like, where)
    if not found:
        yield _left_out("no_placemark_shape", where)


def _kml_shapes(placemark: ET.Element) -> Iterator[ET.Element]:
    waiting = list(reversed(placemark))
    while waiting:
        element = waiting.pop()
        tag = local_name(element)
        if tag in _KML_SHAPES:
            yield element
        elif tag in {"MultiGeometry", "MultiTrack"}:
            waiting.extend(reversed(element))


def _build_kml(element: ET.Element) -> tuple[Geometry | None, list[str]]:
    tag = local_name(element)
    if tag == "Polygon":
        texts = [
            child_text(ring, "coordinates")
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
        corners, bad = read_corners(_split(child_text(element, "coordinates")))
    shape, wrong = build_point(corners) if tag == "Point" else build_line(corners)
    return shape, [*bad, *wrong]


def _split(text: str) -> list[list[str]]:
    return [corner.split(",") for corner in text.split()]


_WALK_NUMBER = re.compile(r"[\s_-]*(?:\(\d+\)|(?:walk|lap|round|try)\s*\d+|again)\s*$", re.IGNORECASE)


def read_gpx(path: Path, data: bytes) -> Content:
    """Return what a GPX file holds: its tracks, each all its segments one behind the other, routes and waypoints.

    Raises
    ------
    GroundError
        When it is not whole, well-formed XML, declares entities, or is another kind of XML.
    """
    root = parse_xml(path, data)
    if local_name(root) != "gpx":
        problem = Problem(str(path), f"XML of the kind '{local_name(root)}'", "GPX", "export the tracks as GPX")
        raise GroundError(problem)
    found: list[Feature | Note] = []
    for kind, title in (("trk", "track"), ("rte", "route"), ("wpt", "waypoint")):
        items = (element for element in root if local_name(element) == kind)
        for number, element in enumerate(items, start=1):
            found += _read_gpx_item(element, kind, f"{path.name}, {title} {number}")
    return gather_content(path, found, WGS84)


def _read_gpx_item(element: ET.Element, kind: str, source: str) -> Iterator[Feature | Note]:
    name = child_text(element, "name") or None
    texts = {key: child_text(element, key) for key in ("type", "desc", "cmt")}
    fields = {key: text for key, text in texts.items() if text}
    where = f"{source} '{name}'" if name else source
    places = {"trk": "trkpt", "rte": "rtept"}
    fixes = [element] if kind == "wpt" else [one for one in element.iter() if local_name(one) == places[kind]]
    corners, bad = read_corners([one.get("lon"), one.get("lat")] for one in fixes)
    shape, wrong = build_point(corners) if kind == "wpt" else build_line(corners)
    if kind == "trk":
        fields[WALKED] = "yes"
    plain = name and _WALK_NUMBER.sub("", name)
    yield from _tell_shape([shape], [*bad, *wrong], lambda one: Feature(one, fields, (), plain, where), where)


def read_csv_wkt(path: Path, data: bytes) -> Content:
    """Return what a CSV file with a WKT column holds; any of comma, semicolon or tab parts the cells.

    Parameters
    ----------
    path : Path
        The file's name, for messages.
    data : bytes
        The file, in UTF-8, UTF-16 or, failing these, Windows-1252.

    Raises
    ------
    GroundError
        When no column is called wkt, geometry or geom, or the last row is broken off.

    Notes
    -----
    Plain CSV does not say its CRS: degrees are told from their size, metres the user has to name.
    """
    text, encoding = decode_text(data)
    head = text.partition("\n")[0]
    (_, heads), *rows = part_rows(path, text, max(",;\t", key=head.count)) or [(1, [])]
    heads = [name.strip() for name in heads]
    column = _find_column(path, heads)
    filled = [(number, row) for number, row in rows if any(cell.strip() for cell in row)]
    found = [
        one for number, row in filled for one in _read_wkt_row(heads, row, column, path.stem, _place(path, number))
    ]
    told = [Note("encoding", path.name, facts={"encoding": encoding})] if encoding in ENCODINGS else []
    if found and found[-1] == _left_out("unreadable", _place(path, filled[-1][0])):
        problem = Problem(
            str(path),
            f"{SHAPE_FAULTS['unreadable']} in the last row",
            "a whole file",
            "it may be cut short: copy it again",
        )
        raise GroundError(problem)
    return gather_content(path, [*told, *found], None)


def _find_column(path: Path, heads: list[str]) -> int:
    lower = [name.lower() for name in heads]
    found = [lower.index(name) for name in _WKT_COLUMNS if name in lower]
    if found:
        return found[0]
    shown = ", ".join(heads)[:200]
    problem = Problem(
        str(path), f"the columns {shown}", "a column WKT with the outlines", "export it with geometry as WKT"
    )
    raise GroundError(problem)


def _read_wkt_row(heads: list[str], row: list[str], column: int, stem: str, source: str) -> Iterator[Feature | Note]:
    pairs = enumerate(zip(heads, row, strict=False))
    fields = {name: read_cell(cell.strip()) for i, (name, cell) in pairs if i != column and cell.strip()}
    parts, wrong = open_text(row[column].strip() if column < len(row) else "")
    yield from _tell_shape(parts, wrong, _like(fields, stem, source), source)


def _place(path: Path, number: int) -> str:
    return f"{path.name}, row {number}"


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
    plain = start.removeprefix(b"\xef\xbb\xbf").lstrip().lower() if ending in _TEXTS else start
    if not plain.startswith(MAGIC[ending]) or _XML_ROOTS.get(ending, b"") not in start:
        remedy = "it may be damaged or misnamed: export it again"
        raise GroundError(Problem(str(path), "other bytes than its ending says", f"a {ending} file", remedy))


_TEXTS = (".gml", ".osm", ".tab", ".mif")


def check_beside(path: Path, ending: str) -> None:
    """Refuse a file that lacks those that belong to it, or a Shapefile shorter than it says.

    Raises
    ------
    GroundError
        When one of them is not beside it, or the file is cut short.
    """
    needed = _BESIDE[ending]
    beside = {file.name.lower() for file in path.parent.glob("*") if file.stem == path.stem}
    missing = [other for other in needed if f"{path.stem}{other}".lower() not in beside]
    if missing:
        found = f"no {' and no '.join(missing)} file beside it"
        expected = f"{', '.join((ending, *needed[:-1]))} and {needed[-1]} together"
        raise GroundError(Problem(str(path), found, expected, "copy all its files, or zip them"))
    if ending == ".shp":
        with path.open("rb") as file:
            words = int.from_bytes(file.read(28)[24:28], "big")  # 16-bit words, big end first: the format's own header
        if path.stat().st_size < 2 * words:
            raise GroundError(_unreadable(path, "it is shorter than it says"))


_OSM_CONFIG = Path(__file__).with_name("osmconf.ini")
_OPTIONS: dict[str, dict[str, str]] = {
    ".gml": {"WRITE_GFS": "NO"},  # else the driver leaves a file of its own beside the user's
    ".osm": {"CONFIG_FILE": str(_OSM_CONFIG)},
    ".pbf": {"CONFIG_FILE": str(_OSM_CONFIG)},
}


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
    options = _OPTIONS.get(path.suffix.lower(), {})
    found: list[Feature | Note] = []
    systems: set[str] = set()
    try:
        for layer in _list_layers(opened):
            source = path.name if layer == path.stem else f"{path.name}, layer {layer}"
            table, said = _read_layer(opened, layer, options)
            found += [Note("driver_says", source, facts={"text": text}) for text in said]
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


def _read_layer(opened: str, layer: str, options: Mapping[str, str]) -> tuple[_Layer, list[str]]:
    """Return a layer as the driver gives it, and what the driver warned of."""
    # By SQL the driver for extracts drops the other layers' features as it goes; else it stops when they are many.
    which = {"sql": f"SELECT * FROM {layer}"} if "CONFIG_FILE" in options else {"layer": layer}
    with warnings.catch_warnings(record=True) as heard:
        warnings.simplefilter("always")
        meta, _, shapes, columns = pyogrio.raw.read(opened, **which, **options)
    said = sorted({" ".join(str(warning.message).split())[:_LONGEST_WARNING] for warning in heard})
    found = [] if shapes is None else list(shapes)
    return _Layer(layer, found, [str(name) for name in meta["fields"]], columns, str(meta["crs"] or "")), said


_NEAR_M = 200.0
"""What lies further than this from all that is tagged as golf is not of the course (no source)."""
_DEGREE_M = 111_195.0  # a degree of a great circle on a sphere of 6,371 km


def read_extract(path: Path) -> Content:
    """Return what of an OpenStreetMap extract is of the course; the rest is counted in one note.

    Notes
    -----
    Kept is what has a golf tag, and what is known by another tag and lies within 200 m of it. Closed ways are areas
    by ``osmconf.ini`` beside this module.
    """
    content = read_driver(path)
    notes = [note for note in content.notes if note.what != "empty_layer"]  # all its layers are always there
    named = [_name_extract(feature) for feature in content.features]
    golf = shapely.geometrycollections([feature.shape for feature in named if "golf" in feature.fields])
    known = [feature for feature in named if "golf" in feature.fields or find_kind(feature, {}).kind]
    near = known
    if not golf.is_empty:
        _, south, _, north = golf.bounds
        narrow = np.cos(np.radians((south + north) / 2))
        reach = _NEAR_M / _DEGREE_M / max(narrow, 0.01)
        shapely.prepare(golf)
        near = [feature for feature in known if shapely.dwithin(golf, feature.shape, reach)]
    counts = {"things": len(named) - len(near), "other": len(named) - len(known), "far": len(known) - len(near)}
    if counts["things"]:
        notes.append(Note("not_of_course", path.name, facts=counts))
    drawn = {_number_of(feature) for feature in near}
    for cut in find_cut(path.read_bytes(), drawn, packed=path.suffix.lower() == ".pbf"):
        name, golf = cut.tags.get("name"), cut.tags.get("golf")
        where = f"{path.name}, {cut.name}" + (f" '{name}'" if name else "")
        facts = {"label": golf or next(iter(cut.tags.values())), "missing": cut.missing, "of": cut.of}
        notes.append(Note("cut_through", where, facts={**facts, "drawn": cut.name in drawn}))
    return replace(content, features=tuple(near), notes=tuple(notes))


def _name_extract(feature: Feature) -> Feature:
    """Return a feature with its tags as fields, and the number it has in the map itself as its place."""
    fields = unpack_tags(feature.fields)
    numbers = {"way": fields.pop("osm_way_id", None), "": fields.pop("osm_id", None)}
    kinds = {"Point": "node", "LineString": "way", "Polygon": "relation"}
    where = next((f"{kind or kinds[feature.shape.geom_type]} {n}" for kind, n in numbers.items() if n), "")
    name = fields.get("name")
    source = f"{feature.source.split(', ')[0]}, {where}" + (f" '{name}'" if name else "")
    return replace(feature, fields=fields, folders=(), name=name, source=source)


def _number_of(feature: Feature) -> str:
    """Return the number a feature of an extract has in the map, such as ``way 12``."""
    return feature.source.split(", ", 1)[1].partition(" '")[0]


def _open_shapes(layer: _Layer, source: str) -> Iterator[Feature | Note]:
    if not layer.shapes:
        yield _left_out("empty_layer", source)
    for row, wkb in enumerate(layer.shapes):
        pairs = ((name, column[row]) for name, column in zip(layer.names, layer.columns, strict=True))
        fields = {name: text for name, value in pairs if value is not None and (text := _text(value))}
        parts, wrong = open_bytes(wkb)
        where = f"{source}, feature {row + 1}"
        yield from _tell_shape(parts, wrong, _like(fields, layer.name, where), where)


def _text(value: Any) -> str:
    text = str(value).strip()
    return "" if text in {"nan", "NaT", "None"} else text.removesuffix(".0")


def _one_crs(path: Path, systems: set[str]) -> pyproj.CRS | None:
    different = sorted(systems)
    if len(different) > 1:
        remedy = "save all layers in one system, or name one file a system"
        raise GroundError(Problem(str(path), f"layers in {', '.join(different)}", "one coordinate system", remedy))
    return pyproj.CRS.from_user_input(different[0]) if different else None


def read_kmz(path: Path, data: bytes) -> Content:
    """Return what the main KML file of a KMZ archive holds.

    Raises
    ------
    GroundError
        When the archive is damaged, too large, points outside itself, or has no KML in it.
    """
    with open_archive(path, io.BytesIO(data)) as archive:
        names = [name for name in list_members(path, archive) if name.lower().endswith(".kml")]
        if not names:
            problem = Problem(str(path), "no KML in the archive", "a KMZ file", "export the course as KML or KMZ")
            raise GroundError(problem)
        main = min(names, key=lambda name: (name != "doc.kml", name.count("/"), name))
        content = read_kml(path, unpack_member(path, archive, main))
        return replace(content, notes=(*content.notes, *_unread(path, archive, {main})))


def read_zip(path: Path, data: bytes) -> Content:
    """Return what the Shapefiles and file geodatabases of a zip archive hold, or the KML where there are none.

    Raises
    ------
    GroundError
        When the archive is damaged, too large, points outside itself, or has neither in it.
    """
    with open_archive(path, io.BytesIO(data)) as archive:
        members = list_members(path, archive)
        names = [name for name in members if name.lower().endswith(".shp")]
        for name in names:
            check_magic(path, ".shp", unpack_member(path, archive, name, most=16))
        check_sums(path, archive)
        tables = (name for name in members if name.lower().endswith(".gdbtable"))
        folders = sorted({name.rpartition("/")[0] for name in tables})
        names += [folder for folder in folders if folder.lower().endswith(FOLDER)]
        if not names:
            return read_kmz(path, data)
        left = _unread(path, archive, set(names))
    contents = [read_driver(path, f"/vsizip/{{{path.absolute()}}}/{name}") for name in names]
    if len({str(content.crs) for content in contents}) > 1:
        found = "maps in different coordinate systems"
        raise GroundError(Problem(str(path), found, "one system", "zip those of one system together"))
    features = tuple(feature for content in contents for feature in content.features)
    notes = tuple(note for content in contents for note in content.notes)
    return Content(path, features, contents[0].crs, (*notes, *left))


def _unread(path: Path, archive: zipfile.ZipFile, read: set[str]) -> list[Note]:
    """Return a note of each map in the archive that is not read."""
    maps = [name for name in archive.namelist() if name.lower().endswith(_MAPS) and name not in read]
    maps = [name for name in maps if not is_by_product(name)]
    return [Note("other_map", f"{path.name}, {name}") for name in maps]


_READERS: dict[str, Callable[[Path, bytes], Content]] = {
    ".geojson": read_geojson,
    ".json": read_geojson,
    ".kml": read_kml,
    ".kmz": read_kmz,
    ".zip": read_zip,
    ".csv": read_csv_wkt,
    ".gpx": read_gpx,
    ".dxf": read_dxf,
}
FOLDER = ".gdb"
"""The ending of the one format that is a folder."""
FORMATS = (*_READERS, *MAGIC, FOLDER)
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
            content = read_extract(path) if ending in {".osm", ".pbf"} else read_driver(path)
    except FileError as error:
        raise GroundError(error.problems) from error
    except OSError as error:
        problem = Problem(str(path), f"'{error.strerror or error}'", "a file that can be read", "check its permissions")
        raise GroundError(problem) from error
    features = (_with_tags(feature) for feature in content.features)
    return replace(content, features=tuple(_join_pieces(features)))


def _join_pieces(features: Iterable[Feature]) -> Iterator[Feature]:
    """Yield the features, pieces of a surface that has an id of ours in one; others' may be many surfaces."""
    for (_, own), found in groupby(features, key=lambda one: (one.source, one.fields.get("surface_id"))):
        pieces = list(found)
        if own and len(pieces) > 1 and {piece.shape.geom_type for piece in pieces} == {"Polygon"}:
            pieces = [replace(pieces[0], shape=shapely.multipolygons([piece.shape for piece in pieces]))]
        yield from pieces


def _with_tags(feature: Feature) -> Feature:
    if not any(name.lower() in FIELDS for name in feature.fields):
        return feature
    fields = unpack_tags(feature.fields)
    return replace(feature, fields=fields, name=feature.name or fields.get("name"))


def _check_start(path: Path, ending: str) -> None:
    if ending in MAGIC:
        with path.open("rb") as file:
            check_magic(path, ending, file.read(_HEAD_BYTES))
    if ending == FOLDER and not list(path.glob("*.gdbtable")):
        remedy = "copy the whole folder, or zip it"
        raise GroundError(Problem(str(path), "no .gdbtable file in it", "a file geodatabase", remedy))
    if ending in _BESIDE:
        check_beside(path, ending)
    if ending in _XML_ROOTS:
        check_xml(path, path.read_bytes())
    if ending == ".pbf":
        check_blocks(path, path.read_bytes())


def _check_file(path: Path, *, any_kind: bool) -> str:
    ending = path.suffix.lower()
    formats = ", ".join(FORMATS)
    if not path.is_file() and not (ending == FOLDER and path.is_dir()):
        raise GroundError(Problem(str(path), "no such file", f"a file: {formats}", "check the name"))
    if ending not in FORMATS and not any_kind:
        raise GroundError(Problem(str(path), f"the ending '{path.suffix}'", formats, "export it as one of these"))
    size = path.stat().st_size if path.is_file() else sum(file.stat().st_size for file in path.iterdir())
    if size == 0:
        raise GroundError(Problem(str(path), "an empty file", "polygons", "export or copy it again"))
    if size > LARGEST_BYTES:
        raise GroundError(Problem(str(path), f"{size / 2**20:,.0f} MB", "a course", "take out what is no map"))
    return ending
