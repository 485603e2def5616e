"""Small invented files for the ground's tests."""

from __future__ import annotations

import json
import zipfile
import zlib
from collections.abc import Collection
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyproj
import shapely
import shapely.geometry

from geosample.ground import Ground
from geosample.report.ground import tell_note

HOME = (-73.9, 41.5)  # an invented site's longitude and latitude
# The projection's centre lies off the shapes: its inverse is 0.3 mm out of step at the very centre.
LAEA = pyproj.CRS.from_user_input(
    f"+proj=laea +lat_0={HOME[1]} +lon_0={HOME[0]} +x_0=500 +y_0=500 +datum=WGS84 +units=m"
)
_TO_LONLAT = pyproj.Transformer.from_crs(LAEA, 4326, always_xy=True)


def lonlat(shape: shapely.Geometry) -> shapely.Geometry:
    """Return a shape in metres about the invented site in longitude and latitude."""
    return shapely.transform(shape, _TO_LONLAT.transform, interleaved=False)


def frame_of(shapes: list[tuple[shapely.Geometry, dict[str, Any]]], crs: object = 4326) -> gpd.GeoDataFrame:
    """Return shapes in metres about the site as a table in any coordinate system."""
    fields = [fields for _, fields in shapes]
    return gpd.GeoDataFrame(fields, geometry=[lonlat(shape) for shape, _ in shapes], crs=4326).to_crs(crs)


def collection(*features: tuple[shapely.Geometry, dict[str, Any]], degrees: bool = False) -> dict[str, Any]:
    return {
        "type": "FeatureCollection",
        "features": [
            {
                "type": "Feature",
                "properties": fields,
                "geometry": shapely.geometry.mapping(shape if degrees else lonlat(shape)),
            }
            for shape, fields in features
        ],
    }


def write(path: Path, *features: tuple[shapely.Geometry, dict[str, Any]], degrees: bool = False) -> Path:
    """Write shapes in metres about the site (or in degrees) as GeoJSON and return the path."""
    path.write_text(json.dumps(collection(*features, degrees=degrees)), encoding="utf-8")
    return path


def disc(east: float, north: float, radius: float) -> shapely.Geometry:
    return shapely.buffer(shapely.Point(east, north), radius, quad_segs=32)


def one_hole() -> list[tuple[shapely.Geometry, dict[str, Any]]]:
    """Return hole 7: a green of 13 m radius on a fairway of 240 x 32 m with a bunker in it, and a tee."""
    return [
        (disc(0, 0, 13), {"kind": "green", "hole": "7"}),
        (shapely.box(-16, -220, 16, 20), {"kind": "fairway", "hole": "7"}),
        (disc(10, -80, 5), {"kind": "bunker", "hole": "7"}),
        (shapely.box(-5, -260, 5, -250), {"kind": "tee", "hole": "7"}),
    ]


def osm(*features: tuple[shapely.Geometry, dict[str, Any]], without: Collection[int] = ()) -> str:
    """Return lines and outlines in metres about the site as an OpenStreetMap extract, a way each; points as nodes.

    ``without`` are the nodes, counted from 1, that are not in it.
    """
    nodes: dict[tuple[float, float], int] = {}
    tagged: dict[int, str] = {}
    ways = []
    for shape, tags in features:
        corners = shapely.get_coordinates(lonlat(shape)).round(9)
        ids = [nodes.setdefault((lon, lat), len(nodes) + 1) for lon, lat in corners]
        text = "".join(f'<tag k="{key}" v="{value}"/>' for key, value in tags.items())
        if shape.geom_type == "Point":
            tagged[ids[0]] = text
        else:
            refs = "".join(f'<nd ref="{one}"/>' for one in ids)
            ways.append(f'<way id="{len(ways) + 1}" version="1">{refs}{text}</way>')
    dots = [
        f'<node id="{one}" lat="{lat:.9f}" lon="{lon:.9f}" version="1">{tagged.get(one, "")}</node>'
        for (lon, lat), one in nodes.items()
        if one not in without
    ]
    return f"<?xml version='1.0' encoding='UTF-8'?>\n<osm version=\"0.6\">\n{chr(10).join([*dots, *ways])}\n</osm>\n"


def pbf(
    *features: tuple[shapely.Geometry, dict[str, str]], without: Collection[int] = (), squeezed: bool = False
) -> bytes:
    """Return outlines and lines in metres about the site as an extract in PBF, written by its published layout.

    ``without`` are the nodes, counted from 1, that are not in it.
    """

    def number(value: int) -> bytes:
        low, rest = value & 0x7F, value >> 7
        return bytes([low | 0x80]) + number(rest) if rest else bytes([low])

    def field(key: int, value: int | bytes) -> bytes:
        plain = isinstance(value, int)
        return number(key * 8 + (0 if plain else 2)) + (number(value) if plain else number(len(value)) + value)

    def packed(key: int, values: list[int], *, signed: bool = True) -> bytes:
        coded = [(value << 1) ^ (value >> 63) if signed else value for value in values]
        return field(key, b"".join(map(number, coded)))

    def steps(values: list[int]) -> list[int]:
        return [value - before for value, before in zip(values, [0, *values[:-1]], strict=True)]

    words, ways, places = [b""], b"", []
    for number_of_way, (shape, tags) in enumerate(features, start=1):
        corners = np.round(shapely.get_coordinates(lonlat(shape)) * 1e7).astype(int)
        closed = (corners[0] == corners[-1]).all()
        ids = [len(places) + 1 + i for i in range(len(corners) - closed)]
        places += corners[: len(ids)].tolist()
        ids += ids[:1] if closed else []
        keys = [len(words) + 2 * i for i in range(len(tags))]
        words += [text.encode() for pair in tags.items() for text in pair]
        tagged = packed(2, keys, signed=False) + packed(3, [key + 1 for key in keys], signed=False)
        ways += field(3, field(1, number_of_way) + tagged + packed(8, steps(ids)))
    kept = [(number, *place) for number, place in enumerate(places, start=1) if number not in without]
    own, lon, lat = (steps([place[axis] for place in kept]) for axis in (0, 1, 2))
    dense = packed(1, own) + packed(8, lat) + packed(9, lon)
    table = field(1, b"".join(field(1, word) for word in words))
    block = table + field(2, field(2, dense)) + field(2, ways)

    def blob(kind: bytes, data: bytes) -> bytes:
        body = field(2, len(data)) + field(3, zlib.compress(data)) if squeezed else field(1, data)
        head = field(1, kind) + field(3, len(body))
        return len(head).to_bytes(4, "big") + head + body

    needs = field(4, b"OsmSchema-V0.6") + field(4, b"DenseNodes")
    return blob(b"OSMHeader", needs) + blob(b"OSMData", block)


def kml(body: str) -> str:
    head = '<?xml version="1.0" encoding="UTF-8"?>\n<kml xmlns="http://www.opengis.net/kml/2.2"><Document>'
    return f"{head}{body}</Document></kml>"


def placemark(name: str, shape: shapely.Geometry) -> str:
    """Return a placemark of a polygon in metres about the site."""
    corners = shapely.get_coordinates(lonlat(shape))
    return f"<Placemark><name>{name}</name>{polygon_kml(corners)}</Placemark>"


def polygon_kml(corners: np.ndarray) -> str:
    text = " ".join(f"{lon:.12f},{lat:.12f},0" for lon, lat in corners)
    ring = f"<LinearRing><coordinates>{text}</coordinates></LinearRing>"
    return f"<Polygon><outerBoundaryIs>{ring}</outerBoundaryIs></Polygon>"


def areas(ground: Ground) -> dict[str, float]:
    return dict(ground.surfaces.groupby("kind")["area_m2"].sum())


def said(ground: Ground) -> str:
    return "\n".join(tell_note(note, "metric") for note in ground.notes)


def write_swelling(path: Path, name: str, start: bytes, megabytes: int = 140) -> None:
    """Write an archive of a few hundred kB with one member that unpacks to many MB."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive, archive.open(name, "w", force_zip64=True) as file:
        file.write(start)
        for _ in range(megabytes):
            file.write(b" " * 2**20)


def understate(path: Path, name: str, size: int) -> None:
    """Let an archive's list say that a member unpacks to fewer bytes than it does."""
    with zipfile.ZipFile(path) as archive:
        items = archive.infolist()
        start = archive.start_dir
    data = bytearray(path.read_bytes())
    at = start
    for item in items:
        if item.filename == name:
            data[at + 24 : at + 28] = size.to_bytes(4, "little")  # APPNOTE 4.3.12: uncompressed size
        at = data.find(b"PK\x01\x02", at + 4)
    path.write_bytes(bytes(data))


def invented_edges() -> dict[str, np.ndarray]:
    """Return the true edges of an invented green, bent fairway and bunker, m, shape (n, 2)."""
    turn = np.linspace(0, 2 * np.pi, 400, endpoint=False)
    green, bunker = 13 * (1 + 0.2 * np.cos(2 * turn + 1) + 0.1 * np.cos(3 * turn)), 7 * (1 + 0.2 * np.cos(3 * turn))
    fairway = shapely.buffer(shapely.LineString([(0, 0), (0, 150), (60, 260)]), 16, quad_segs=16)
    round_ones = {
        name: np.column_stack([r * np.cos(turn), r * np.sin(turn)])
        for name, r in (("green", green), ("bunker", bunker))
    }
    return {**round_ones, "fairway": shapely.get_coordinates(fairway.exterior)[:-1]}


def walk_edge(
    edge: np.ndarray, rng: np.random.Generator, *, sd_m: float = 0.21, every_s: float = 1.0, laps: float = 1.0
) -> np.ndarray:
    """Return a receiver's fixes, m, on a walk round an edge from anywhere on it, back to within about a metre.

    Beard and McLain 2012, Small Unmanned Aircraft, section 7.5, as the first author's published parameters have it:
    a first-order Gauss-Markov process of 1/1100 s with steps of 0.21 m a second (and, of 2017, 0.01 m every 0.2 s).
    """
    closed = np.vstack([edge, edge[:1]])
    along = np.r_[0, np.cumsum(np.hypot(*np.diff(closed, axis=0).T))]
    gone = rng.uniform(0, along[-1]) + np.arange(0, laps * along[-1] + rng.normal(0, 1), 1.1 * every_s)
    true = np.column_stack([np.interp(gone % along[-1], along, closed[:, axis]) for axis in (0, 1)])
    keep = np.exp(-every_s / 1100)
    error = np.empty_like(true)
    error[0] = rng.normal(0, sd_m / np.sqrt(1 - keep**2), 2)
    for i, step in enumerate(rng.normal(0, sd_m, (len(true) - 1, 2)), start=1):
        error[i] = keep * error[i - 1] + step
    return true + error


def gpx(*tracks: tuple[str, np.ndarray]) -> str:
    """Return tracks in metres about the site as GPX, each in two segments."""
    texts = []
    for name, fixes in tracks:
        places = [
            f'<trkpt lat="{lat:.9f}" lon="{lon:.9f}"/>'
            for lon, lat in shapely.get_coordinates(lonlat(shapely.LineString(fixes)))
        ]
        half = len(places) // 2
        parts = "".join(f"<trkseg>{''.join(part)}</trkseg>" for part in (places[:half], places[half:]))
        texts.append(f"<trk><name>{name}</name>{parts}</trk>")
    return f'<?xml version="1.0"?><gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1">{"".join(texts)}</gpx>'
