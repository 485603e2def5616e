"""One door to what came back: tables, workbooks, waypoints, told by the name's ending."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

from geosample.counts.headings import FIELDS
from geosample.counts.model import Log
from geosample.counts.tables import Meaning, Table, read_text_table, read_workbook, show_cell
from geosample.errors import GeosampleError
from geosample.escape import read_html
from geosample.ground import local_name, parse_xml

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
    >>> from geosample.counts.headings import know_heading
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
        places = [_texts(point, "coordinates") for point in _find(mark, "Point")]
        if not places or not places[0]:
            continue
        lon, lat = places[0][0].split(",")[:2]
        data = {d.attrib["name"]: (_texts(d, "value") or [""])[0] for d in _find(mark, "Data")}
        data |= {d.attrib["name"]: (d.text or "").strip() for d in _find(mark, "SimpleData")}
        name, description = ((_texts(mark, key) or [""])[0] for key in ("name", "description"))
        texts = {"name": name, "description": read_html(description).strip()}
        points.append({"lat": lat.strip(), "lon": lon.strip(), **texts, **data})
    return points


def _read_geojson(_: Path, raw: bytes) -> list[dict[str, str]]:
    data: dict[str, Any] = json.loads(raw.decode("utf-8-sig"))
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


def _texts(element: ET.Element, name: str) -> list[str]:
    return [(child.text or "").strip() for child in _find(element, name)]


_TEXT = {".csv", ".tsv", ".txt"}
_WORKBOOKS = {".xlsx", ".xlsm"}
TABLES = _TEXT | _WORKBOOKS
"""The endings of files that hold a table and nothing else."""
WAYPOINTS = {".geojson", ".json", ".gpx", ".kml"}


def read_tables(path: Path, log: Log, meaning_of: Meaning) -> list[Table]:
    """Return the file's tables (a workbook may hold several), none after asking about a file that can't be read.

    Parameters
    ----------
    path : Path
        One of ``TABLES``, or waypoints.
    log : Log
        Takes what was forgiven and what must be asked.
    meaning_of : callable
        From a heading to the field it means, None where it means none: it finds the header below a title.
    """
    ending = path.suffix.lower()
    try:
        if ending in _TEXT:
            return _one(read_text_table(path, log, meaning_of))
        if ending in _WORKBOOKS:
            return read_workbook(path, log, meaning_of)
        if ending in WAYPOINTS:
            return read_waypoints(path, log, meaning_of)
    except FileNotFoundError:
        log.refuse(str(path), "no such file", "a file of counts", "check the name")
        return []
    except OSError as error:
        log.refuse(
            str(path), f"a file that can't be read ({error.strerror})", "a file of counts", "check its permissions"
        )
        return []
    endings = ", ".join(sorted(TABLES | WAYPOINTS))
    log.refuse(
        path.name, f"the ending '{path.suffix}'", f"one of: {endings}", "export the counts in one of these formats"
    )
    return []


def _one(table: Table | None) -> list[Table]:
    return [] if table is None else [table]
