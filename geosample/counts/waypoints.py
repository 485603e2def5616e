"""Waypoints that came back, as a table: the count in a comment, in a name's tail or in fields of its own."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

from geosample.counts.meaning import FIELDS
from geosample.errors import GeosampleError
from geosample.files.reading import (
    Log,
    Meaning,
    Reader,
    Table,
    child_text,
    local_name,
    parse_json,
    parse_xml,
    read_data_fields,
    show_cell,
)
from geosample.files.saving import read_html

# A number stays whole, whatever marks stand between its digits: 1,000 must not become 1 on the way to its reader.
_NUMBER = r"\d+(?:[.,'’\s]\d{3}(?!\d))*(?:[.,]\d+)?"
_NAME = r"[^\W\d_][\w .]{0,30}?"
_PAIR = re.compile(
    rf"({_NAME})\s*[:=]\s*((?:[^,;|\n=:]|(?<=\d),(?=\d))*?)\s*(?=$|[;|\n]|,(?!\d)|(?<!\d),|\s{_NAME}\s*[:=])"
)
_STAGE = re.compile(rf"\b([^\W\d_]\w*)\s+({_NUMBER})\b")
# A waypoint's own name and place say these; in a comment such words are the plan's, for finding the point.
_OF_PLACE = {"point_id", "sample_id", "lat", "lon", "position", "surface_id", "kind", "walk_order", "role"}


def read_waypoints(path: Path, log: Log, meaning_of: Meaning) -> list[Table]:
    """Return the file's points as one table, none after asking about a file that can't be read or has none."""
    readers: dict[str, Callable[[Path, bytes], list[dict[str, str]]]] = {".gpx": _read_gpx, ".kml": _read_kml}
    read = readers.get(path.suffix.lower(), _read_geojson)
    try:
        points = read(path, path.read_bytes())
    except GeosampleError as error:
        for problem in error.problems:
            log.refuse(path.name, problem.found, problem.expected, problem.remedy)
        return []
    except (LookupError, TypeError, AttributeError, ValueError, RecursionError) as error:
        log.refuse(path.name, f"a file that can't be read ({error})", "waypoints", "export them again")
        return []
    if not points:
        log.refuse(path.name, "no points", "a point a bag", "export waypoints, not a track or a route")
        return []
    rows = [_unfold(point, meaning_of) for point in points]
    headings = tuple(dict.fromkeys(name for row in rows for name in row))
    cells = tuple(tuple(row.get(name, "") for name in headings) for row in rows)
    wheres = tuple(f"{path.name} waypoint {i} ({row.get('name') or 'no name'})" for i, row in enumerate(rows, start=1))
    return [Table(path.name, headings, cells, wheres)]


def read_pairs(text: str, meaning_of: Meaning) -> dict[str, str]:
    """Return what a comment says of a bag: ``heading = value`` pairs, stages with a number, or a bare number.

    Examples
    --------
    >>> from geosample.counts.meaning import know_heading
    >>> from geosample.pests import load_pest
    >>> def meaning_of(word): return know_heading(word, load_pest())
    >>> read_pairs("L3=4, L4: 2; method = brine", meaning_of)
    {'L3': '4', 'L4': '2', 'method': 'brine'}
    >>> read_pairs("L3 4 L4 0", meaning_of), read_pairs("6", meaning_of)
    ({'L3': '4', 'L4': '0'}, {'count': '6'})
    >>> read_pairs("Point 3 of the round: 10 paces in from the left edge", meaning_of)
    {}
    """
    plain = text.strip()
    if re.fullmatch(_NUMBER, plain):
        return {"count": plain}
    pairs = {name.strip(): value.strip() for name, value in _PAIR.findall(plain) if _of_bag(meaning_of(name))}
    bare = {name: value for name, value in _STAGE.findall(plain) if name not in pairs and _counted(meaning_of(name))}
    return {**pairs, **bare}


def _of_bag(meant: str | None) -> bool:
    return meant is not None and meant not in _OF_PLACE


def _counted(meant: str | None) -> bool:
    return meant is not None and (meant not in FIELDS or meant == "total")


def _unfold(point: Mapping[str, str], meaning_of: Meaning) -> dict[str, str]:
    """Return a waypoint with what its comment and the tail of its name say as properties of their own.

    The comment stays as the note where it told anything; else it is the plan's own words for finding the point.
    """
    own = {name: text for name, text in point.items() if name not in {"comment", "description"}}
    label, mark, tail = own.get("name", "").partition("=" if "=" in own.get("name", "") else ":")
    said = read_pairs(tail, meaning_of) if mark else {}
    for text in (point.get("comment", ""), point.get("description", "")):
        pairs = read_pairs(text, meaning_of)
        said = {**pairs, **said}
        if pairs:
            own.setdefault("note", text.strip())
    named = {**own, "name": label.strip()} if said and mark else own
    return {**named, **{name: value for name, value in said.items() if not own.get(name)}}


def _read_gpx(path: Path, raw: bytes) -> list[dict[str, str]]:
    words = {"name": "name", "cmt": "comment", "desc": "description", "time": "collected_at"}
    points = []
    for mark in _find(parse_xml(path, raw), "wpt"):
        texts = {words[local_name(c)]: read_html(c.text or "").strip() for c in mark if local_name(c) in words}
        points.append({"lat": mark.attrib["lat"], "lon": mark.attrib["lon"], **texts})
    return points


def _read_kml(path: Path, raw: bytes) -> list[dict[str, str]]:
    points = []
    for mark in _find(parse_xml(path, raw), "Placemark"):
        place = next((child_text(point, "coordinates") for point in _find(mark, "Point")), "")
        if not place:
            continue
        lon, lat = place.split(",")[:2]
        texts = {"name": child_text(mark, "name"), "description": read_html(child_text(mark, "description")).strip()}
        points.append({"lat": lat.strip(), "lon": lon.strip(), **texts, **read_data_fields(mark)})
    return points


def _read_geojson(path: Path, raw: bytes) -> list[dict[str, str]]:
    data: Mapping[str, Any] = parse_json(path, raw)
    system = str(((data.get("crs") or {}).get("properties") or {}).get("name", "CRS84"))
    if not re.search(r"CRS84|4326", system):
        message = f"coordinates in {system}, not longitude and latitude"
        raise ValueError(message)
    points = []
    for feature in data["features"]:
        geometry, properties = feature.get("geometry"), feature.get("properties") or {}
        texts = {str(name): show_cell(value) for name, value in properties.items()}
        if geometry and geometry["type"] != "Point":
            message = f"a {geometry['type']} where a Point should be"
            raise ValueError(message)
        if geometry and not (texts.get("lat") or texts.get("lon")):
            texts |= {"lon": str(geometry["coordinates"][0]), "lat": str(geometry["coordinates"][1])}
        points.append(texts)
    return points


def _find(element: ET.Element, name: str) -> Iterable[ET.Element]:
    return [child for child in element.iter() if local_name(child) == name]


WAYPOINTS: dict[str, Reader] = dict.fromkeys((".geojson", ".json", ".gpx", ".kml"), read_waypoints)
"""The endings of files of waypoints, for `geosample.files.reading.read_tables`."""
