"""Waypoints and the round for receivers and map programs: GPX 1.1 and KML 2.2 (OGC), in longitude and latitude."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from typing import TYPE_CHECKING

import gpxpy.gpx
import pandas as pd

from geosample.files.saving import escape_html, escape_xml
from geosample.sheets.blanks import ordered_points
from geosample.words import ROLES

if TYPE_CHECKING:
    from geosample.design import Design

_KML = "http://www.opengis.net/kml/2.2"


def make_gpx(design: Design) -> str:
    """Return the points as waypoints and the round as a route, GPX 1.1.

    Notes
    -----
    A waypoint's name is the point's label, its comment how to find it, its type the role.
    """
    gpx = gpxpy.gpx.GPX()
    gpx.creator = "geosample"
    visit = design.visit
    gpx.name = escape_xml(f"Visit {visit.visit}, design {visit.design_code}")
    for role in ROLES:
        for row in _rows(design, role).to_dict("records"):
            gpx.waypoints.append(
                gpxpy.gpx.GPXWaypoint(
                    row["lat"],
                    row["lon"],
                    name=row["point_id"],
                    comment=escape_xml(row["words"]) or None,
                    description=escape_xml(row["about"]),
                    type=role,
                )
            )
    route = gpxpy.gpx.GPXRoute(name=escape_xml(f"Round {visit.visit}"), description="Main points in walking order")
    for row in _rows(design, "main").to_dict("records"):
        route.points.append(gpxpy.gpx.GPXRoutePoint(row["lat"], row["lon"], name=row["point_id"]))
    gpx.routes.append(route)
    return str(gpx.to_xml(version="1.1"))


def make_kml(design: Design) -> str:
    """Return the points and the round as KML 2.2: a folder for the main points, one for the reserve, one line."""
    ET.register_namespace("", _KML)
    root = ET.Element(f"{{{_KML}}}kml")
    document = _add(root, "Document")
    visit = design.visit
    _add(document, "name", f"Visit {visit.visit}, design {visit.design_code}")
    for role in ROLES:
        folder = _add(document, "Folder")
        _add(folder, "name", f"{role} points")
        for row in _rows(design, role).to_dict("records"):
            mark = _add(folder, "Placemark")
            _add(mark, "name", row["point_id"])
            # viewers show it as HTML
            _add(mark, "description", escape_html(f"{row['about']}. {row['words']}".strip()))
            _add(_add(mark, "Point"), "coordinates", f"{row['lon']:.7f},{row['lat']:.7f}")
    _add_round(document, _rows(design, "main"))
    ET.indent(root)
    return ET.tostring(root, encoding="unicode", xml_declaration=True)


def _add_round(document: ET.Element, main: pd.DataFrame) -> None:
    if len(main) > 1:
        mark = _add(document, "Placemark")
        _add(mark, "name", "the round")
        places = [f"{lon:.7f},{lat:.7f}" for lon, lat in zip(main["lon"], main["lat"], strict=True)]
        _add(_add(mark, "LineString"), "coordinates", " ".join(places))


def _add(parent: ET.Element, name: str, text: str | None = None) -> ET.Element:
    child = ET.SubElement(parent, f"{{{_KML}}}{name}")
    child.text = None if text is None else escape_xml(text)
    return child


def _rows(design: Design, role: str) -> pd.DataFrame:
    """Return the points of a role in walking order with lon and lat (WGS 84, 7 decimals: 1 cm) and their words."""
    points = ordered_points(design, role)
    places = points.geometry.to_crs(4326)
    about = [
        f"{kind}, hole {hole}, {role} point {order}" if isinstance(hole, str) else f"{kind}, {role} point {order}"
        for kind, hole, order in zip(points["kind"], points["hole"], points["walk_order"], strict=True)
    ]
    words = [text if isinstance(text, str) else "" for text in points["finding"]]
    return pd.DataFrame(
        {
            "point_id": points["point_id"],
            "lon": places.x.round(7),
            "lat": places.y.round(7),
            "about": about,
            "words": words,
        }
    )
