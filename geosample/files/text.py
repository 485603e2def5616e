"""Texts from strangers: whatever their encoding; JSON whole or refused; XML without document types, errors in words."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET
from xml.parsers import expat

from geosample.errors import FileError, Problem


def decode_text(data: bytes) -> tuple[str, str]:
    """Return a table's text and its encoding: ``utf-8``, or one of ``words.ENCODINGS``.

    Examples
    --------
    >>> [decode_text("señal".encode(encoding)) for encoding in ("utf-8", "utf-16", "latin-1")]
    [('señal', 'utf-8'), ('señal', 'utf-16'), ('señal', 'cp1252')]
    """
    if data[:2] in {b"\xff\xfe", b"\xfe\xff"}:
        return data.decode("utf-16", errors="replace"), "utf-16"
    try:
        return data.decode("utf-8-sig"), "utf-8"
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace"), "cp1252"


def parse_json(path: Path, data: bytes) -> Mapping[str, Any]:
    """Return the object a JSON file holds.

    Raises
    ------
    FileError
        When it is not UTF-8, not whole, nested without end, or no object.
    """
    try:
        document = json.loads(data.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        problem = Problem(str(path), f"text that is not UTF-8 ({error.reason})", "GeoJSON", "save it again as UTF-8")
        raise FileError(problem) from error
    except (json.JSONDecodeError, RecursionError) as error:
        found = f"JSON that can't be read ({error})"
        problem = Problem(str(path), found, "a whole file", "it may be cut short: export or copy it again")
        raise FileError(problem) from error
    if isinstance(document, Mapping):
        return document
    raise FileError(Problem(str(path), "JSON that is no object", "GeoJSON", "export it as GeoJSON"))


def parse_xml(path: Path, data: bytes) -> ET.Element:
    """Return the root of an XML document.

    Raises
    ------
    FileError
        When it declares a document type (the door for entity attacks; map files have no use for one), is cut
        short, or is not well-formed.
    """
    try:
        _refuse_document_type(path, data)
        return ET.fromstring(data)
    except FileError:
        raise
    except (ET.ParseError, expat.ExpatError, LookupError, ValueError) as error:
        raise FileError(_explain_xml(path, data, error)) from error


def _refuse_document_type(path: Path, data: bytes) -> None:
    def refuse(*_: object) -> None:
        remedy = "export the file again as KML or GPX"
        raise FileError(Problem(str(path), "a document type declaration", "plain map data", remedy))

    parser = expat.ParserCreate()
    parser.StartDoctypeDeclHandler = refuse
    parser.EntityDeclHandler = refuse
    parser.Parse(data, True)


def _explain_xml(path: Path, data: bytes, error: Exception) -> Problem:
    try:
        data.decode("utf-8")
        remedy = "the file may be cut short: export or copy it again"
    except UnicodeDecodeError:
        remedy = "its text is not in the encoding it states: save it again as UTF-8"
    return Problem(str(path), f"XML that can't be read ({error})", "a whole, well-formed file", remedy)


def local_name(element: ET.Element) -> str:
    """Return an element's name without its namespace; empty for what has none, such as a comment.

    Examples
    --------
    >>> local_name(ET.fromstring("<kml xmlns='http://www.opengis.net/kml/2.2'/>")), local_name(ET.Comment("old"))
    ('kml', '')
    """
    return element.tag.rpartition("}")[2] if isinstance(element.tag, str) else ""


def read_data_fields(element: ET.Element) -> dict[str, str]:
    """Return what the ``Data`` and ``SimpleData`` in a KML placemark say.

    Examples
    --------
    >>> read_data_fields(ET.fromstring("<Placemark><Data name='L3'><value>4</value></Data></Placemark>"))
    {'L3': '4'}
    """
    fields: dict[str, str] = {}
    for inner in element.iter():
        if local_name(inner) == "Data":
            fields[inner.get("name", "")] = child_text(inner, "value")
        elif local_name(inner) == "SimpleData":
            fields[inner.get("name", "")] = (inner.text or "").strip()
    return fields


def child_text(element: ET.Element, name: str) -> str:
    """Return the text of an element's first child of a name, in any namespace; empty where there is none."""
    for child in element:
        if local_name(child) == name:
            return (child.text or "").strip()
    return ""
