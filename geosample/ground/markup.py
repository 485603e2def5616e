"""XML from strangers: no document types, so no entities that swell or fetch, and errors in words."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree as ET
from xml.parsers import expat

from geosample.errors import GroundError, Problem


def parse_xml(path: Path, data: bytes) -> ET.Element:
    """Return the root of an XML document.

    Raises
    ------
    GroundError
        When it declares a document type (the door for entity attacks; map files have no use for one), is cut
        short, or is not well-formed.
    """
    try:
        _refuse_document_type(path, data)
        return ET.fromstring(data)
    except (ET.ParseError, expat.ExpatError, LookupError, ValueError) as error:
        if isinstance(error, GroundError):
            raise
        raise GroundError(_explain(path, data, error)) from error


def local_name(element: ET.Element) -> str:
    """Return an element's name without its namespace; empty for what has none, such as a comment.

    Examples
    --------
    >>> local_name(ET.fromstring("<kml xmlns='http://www.opengis.net/kml/2.2'/>")), local_name(ET.Comment("old"))
    ('kml', '')
    """
    return element.tag.rpartition("}")[2] if isinstance(element.tag, str) else ""


def _refuse_document_type(path: Path, data: bytes) -> None:
    def refuse(*_: object) -> None:
        remedy = "export the file again as KML or GPX"
        raise GroundError(Problem(str(path), "a document type declaration", "plain map data", remedy))

    parser = expat.ParserCreate()
    parser.StartDoctypeDeclHandler = refuse
    parser.EntityDeclHandler = refuse
    parser.Parse(data, True)


def _explain(path: Path, data: bytes, error: Exception) -> Problem:
    try:
        data.decode("utf-8")
        remedy = "the file may be cut short: export or copy it again"
    except UnicodeDecodeError:
        remedy = "its text is not in the encoding it states: save it again as UTF-8"
    return Problem(str(path), f"XML that can't be read ({error})", "a whole, well-formed file", remedy)
