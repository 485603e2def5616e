"""The rounds: who pulls what, by which way, and how long it takes; as waypoints for receivers and map programs, too.

GPX 1.1 and KML 2.2 (OGC), in longitude and latitude.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import gpxpy.gpx
import numpy as np
import pandas as pd
import shapely

from geosample.design import Ways, find_legs, open_ways, share_walk, walk_groups, walk_m
from geosample.files.saving import escape_html, escape_xml
from geosample.sheets.blanks import ordered_points
from geosample.words import ROLES

if TYPE_CHECKING:
    import geopandas as gpd

    from geosample.design import Design
    from geosample.ground import Ground

_FAR_M = 1e6  # beyond any course


@dataclass(frozen=True, slots=True)
class Round:
    """One person's or crew's part of a visit.

    Parameters
    ----------
    design : Design
        The visit with the points of this round alone, in its walking order.
    number, of : int
        Which round of how many.
    legs : tuple of ndarray, each of shape (k, 2)
        The corners of the way to each main point from the one before, m; from the start to the first of them.
    back : ndarray, shape (k, 2)
        The way from the last main point to the end.
    """

    design: Design
    number: int
    of: int
    legs: tuple[np.ndarray, ...]
    back: np.ndarray

    @property
    def name(self) -> str:
        """What its pages are marked with; nothing where there is one round only."""
        return f"Round {self.number} of {self.of}" if self.of > 1 else ""

    @property
    def length_m(self) -> float:
        """From the start past all points to the end, m."""
        return sum(walk_m(leg) for leg in (*self.legs, self.back))

    @property
    def minutes(self) -> float:
        """For walking and pulling."""
        bench = self.design.visit.bench
        return self.length_m / bench.walk_m_per_s / 60 + len(self.legs) * bench.stop_minutes

    def facts(self) -> dict[str, Any]:
        """Return it in plain JSON types."""
        main = ordered_points(self.design, "main")
        return {
            "round": self.number,
            "of": self.of,
            "points": len(main),
            "first": int(main["walk_order"].min()),
            "last": int(main["walk_order"].max()),
            "holes": [hole for hole in dict.fromkeys(main["hole"]) if isinstance(hole, str)],
            "walk_m": self.length_m,
            "minutes": self.minutes,
        }


def split_rounds(design: Design, ground: Ground, people: int) -> list[Round]:
    """Return rounds of equal time, each walked hole by hole from the design's start to its end.

    Parameters
    ----------
    design : Design
        The visit.
    ground : Ground
        What is walked round.
    people : int
        How many rounds.
    """
    ways = open_ways(ground.obstacles)
    main, spare = ordered_points(design, "main"), ordered_points(design, "reserve")
    places = shapely.get_coordinates(main.geometry.to_numpy())
    known = design.visit.settings.get("round", {})
    start, end = (np.array(known.get(name, place)) for name, place in (("start_m", places[0]), ("end_m", places[-1])))
    if people == 1:
        return [_make_round(design, main, spare, (start, end), ways, (1, 1))]
    bench = design.visit.bench
    groups = walk_groups(main["hole"].tolist(), design.visit.settings.get("walk", "holes"))
    shares = share_walk(
        *(places, groups, start),
        end=end,
        ways=ways,
        rounds=people,
        point_m=bench.stop_minutes * 60 * bench.walk_m_per_s,
    )
    # A reserve point goes with the round that pulls the nearest main point of its surface, or else hole, or else all.
    share_of = np.empty(len(main), dtype=int)
    for number, share in enumerate(shares):
        share_of[share] = number
    apart = np.hypot(*(shapely.get_coordinates(spare.geometry)[:, None] - places[None]).transpose(2, 0, 1))
    for name in ("surface_id", "hole"):
        apart += _FAR_M * (spare[name].to_numpy()[:, None] != main[name].to_numpy()[None])
    spare_of = share_of[np.argmin(apart, axis=1)]
    made, done = [], 0
    for number, share in enumerate(shares):
        mine = main.iloc[share].reset_index(drop=True)
        mine = mine.assign(walk_order=np.arange(done + 1, done + len(mine) + 1))
        done += len(mine)
        made.append(_make_round(design, mine, spare[spare_of == number], (start, end), ways, (number + 1, people)))
    return made


def join_rounds(design: Design, rounds: list[Round]) -> Design:
    """Return the whole visit in the order of its rounds, for the sheets that are one for all."""
    if len(rounds) == 1:
        return design
    points: gpd.GeoDataFrame = pd.concat([one.design.points for one in rounds], ignore_index=True)
    return replace(design, points=points)


def _make_round(
    design: Design,
    main: gpd.GeoDataFrame,
    spare: gpd.GeoDataFrame,
    ends: tuple[np.ndarray, np.ndarray],
    ways: Ways,
    which: tuple[int, int],
) -> Round:
    points = pd.concat([main, spare], ignore_index=True)
    places = np.vstack([ends[0], shapely.get_coordinates(main.geometry.to_numpy()), ends[1]])
    *legs, back = find_legs(ways, places)
    return Round(replace(design, points=points), *which, tuple(legs), back)


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
